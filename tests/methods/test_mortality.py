"""Chapman–Robson, catch curves and what surrounds them: messages, exact theory, degenerate data."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.optimize import minimize_scalar
from scipy.stats import nbinom

from fishreport.exceptions import InputError
from fishreport.methods.age_frequency import tabulate_ages
from fishreport.methods.mortality import catch_curve, chapman_robson, poisson_catch_curve
from fishreport.methods.mortality_seasons import cohort_mortality, from_age_sensitivity, pool_seasons

AGES, ROCK_BASS = [0, 1, 2, 3, 4, 5], [118, 73, 36, 14, 1, 1]
ESTIMATORS = [chapman_robson, catch_curve, poisson_catch_curve]


@pytest.mark.parametrize("estimator", ESTIMATORS)
@pytest.mark.parametrize(
    ("age", "count", "said"),
    [
        ([1, 2, 3], [5, 6], "same number of rows"),
        ([1, 2.5, 3], [5, 6, 7], "whole years"),
        ([1, 2, 3], [5, -6, 7], "0 or more"),
        ([1, 2, 3], ["a", 6, 7], "numbers"),
        ([], [], "at least one pair"),
    ],
)
def test_impossible_ages_are_refused(estimator, age, count, said) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(InputError, match=said):
        estimator(age, count)


@pytest.mark.parametrize("estimator", ESTIMATORS)
def test_level_and_first_age_are_checked(estimator) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(InputError, match="level"):
        estimator(AGES, ROCK_BASS, level=95)
    with pytest.raises(InputError, match="from_age must be a whole age"):
        estimator(AGES, ROCK_BASS, from_age=1.5)


@pytest.mark.parametrize("estimator", ESTIMATORS)
@pytest.mark.parametrize(
    ("age", "count", "said"),
    [
        ([2, 3, 4], [1, 1, 1], "10 needed"),  # three fish
        ([3], [40], "needed"),  # one age class
        ([1, 2, 3], [0, 0, 0], "10 needed"),  # no fish
        ([1, 2, 3, 4], [3, 2, 50, 0], "needed"),  # only the peak has fish
    ],
)
def test_too_little_gives_a_reason_and_no_number(estimator, age, count, said) -> None:  # type: ignore[no-untyped-def]
    fit = estimator(age, count)
    for estimate in (fit.total_mortality, fit.annual_survival):
        assert not estimate.estimable
        assert math.isnan(estimate.lower) and math.isnan(estimate.upper)
        assert said in estimate.notes[0]


@pytest.mark.parametrize("estimator", ESTIMATORS)
def test_catches_that_rise_with_age_are_not_estimable(estimator) -> None:  # type: ignore[no-untyped-def]
    fit = estimator([1, 2, 3, 4], [10, 15, 30, 60], from_age=1)
    assert not fit.total_mortality.estimable
    assert "do not fall" in fit.total_mortality.notes[0]


def test_bias_corrected_survival_is_unbiased_by_enumeration() -> None:
    # Given n fish, T is negative binomial; E[T/(n + T − 1)] = S exactly (Chapman & Robson 1960).
    n, s = 10, 0.6
    t = np.arange(0, 2000)
    chance = nbinom.pmf(t, n, 1 - s)
    assert (chance * t / (n + t - 1)).sum() == pytest.approx(s, abs=1e-9)
    assert chapman_robson([0, 1, 2], [4, 3, 3], from_age=0).annual_survival.value == pytest.approx(9 / (10 + 9 - 1))


def test_exact_limits_hold_their_level_by_enumeration() -> None:
    # All sums of ages T that 12 fish can have, weighted by their chance; S depends on T alone, so one fish bears all of it.
    n, s = 12, 0.55
    held = 0.0
    for total in range(1, 150):
        limits = chapman_robson([0, total], [n - 1, 1], from_age=0, overdispersion=False).annual_survival
        held += nbinom.pmf(total, n, 1 - s) * (limits.lower <= s <= limits.upper)
    assert 0.95 <= held < 0.985


def test_uncorrected_mortality_is_near_the_maximum_of_the_likelihood() -> None:
    fit = chapman_robson(AGES, ROCK_BASS, from_age=0)
    n, t = fit.fish, fit.coded_age_sum
    best = minimize_scalar(lambda s: -(t * np.log(s) + n * np.log1p(-s)), bounds=(0.01, 0.99), method="bounded")
    assert fit.annual_survival.value == pytest.approx(best.x, rel=3e-3)  # T/(n + T − 1) against T/(n + T)


def test_fish_of_a_key_need_not_be_whole_and_ages_may_repeat() -> None:
    whole = chapman_robson(AGES, ROCK_BASS, from_age=0)
    split = chapman_robson(AGES + AGES, [0.25 * c for c in ROCK_BASS] + [0.75 * c for c in ROCK_BASS], from_age=0)
    assert split.total_mortality.value == pytest.approx(whole.total_mortality.value, rel=1e-12)


def test_missing_pairs_are_dropped_and_counted() -> None:
    fit = chapman_robson([*AGES, math.nan], [*ROCK_BASS, 4], from_age=0)
    assert "1 of 7 ages" in fit.total_mortality.notes[0]
    assert fit.total_mortality.value == chapman_robson(AGES, ROCK_BASS, from_age=0).total_mortality.value


def test_gaps_are_filled_with_zero() -> None:
    table = tabulate_ages([2, 5], [3, 4])
    assert table.ages.tolist() == [2, 3, 4, 5]
    assert table.counts.tolist() == [3, 0, 0, 4]


def test_weighted_regression_leaves_out_ages_that_predict_no_fish() -> None:
    # The unweighted line predicts ln(fish) below 0 at age 5 of the rock bass.
    fit = catch_curve(AGES, ROCK_BASS, from_age=0)
    assert fit.weights[-1] == 0
    assert (fit.weights[:-1] > 0).all()
    assert any("gives no weight" in note for note in fit.total_mortality.notes)


def test_regression_says_that_it_cannot_use_an_empty_age() -> None:
    fit = catch_curve([2, 3, 4, 5, 7], [60, 30, 14, 8, 2])
    assert any("without fish left out" in note for note in fit.total_mortality.notes)


def test_a_first_age_below_the_peak_is_doubted() -> None:
    fit = chapman_robson([1, 2, 3, 4], [10, 60, 30, 12], from_age=1)
    assert any("younger than the age of peak catch" in note for note in fit.total_mortality.notes)


@pytest.mark.parametrize("estimator", ESTIMATORS)
def test_key_replicates_widen_the_interval(estimator, rng) -> None:  # type: ignore[no-untyped-def]
    ages, counts = [1, 2, 3, 4, 5], np.array([120.0, 70, 34, 20, 9])
    replicates = counts * rng.lognormal(0, 0.3, (200, 5))
    plain = estimator(ages, counts, from_age=1).total_mortality
    carried = estimator(ages, counts, from_age=1, replicates=replicates).total_mortality
    assert carried.value == plain.value
    assert carried.se > plain.se
    assert carried.upper - carried.lower > plain.upper - plain.lower
    same = estimator(ages, counts, from_age=1, replicates=np.tile(counts, (5, 1))).total_mortality
    assert same.se == pytest.approx(plain.se, rel=1e-9)
    with pytest.raises(InputError, match="replicates must be a matrix"):
        estimator(ages, counts, replicates=counts)


def test_key_replicates_that_leave_no_fish_on_the_limb(rng) -> None:  # type: ignore[no-untyped-def]
    """A draw of the key can put nearly every fish before the limb; it is counted out and said, not an error."""
    ages, counts = np.arange(1, 6), np.array([30.0, 60, 30, 14, 6])
    replicates = np.vstack(
        [counts * rng.lognormal(0, 0.2, (20, 5)), [[30, 60, 0.3, 0.2, 0.1], [30, 60, 0.6, 0.2, 0], [30, 60, 0, 0, 0]]]
    )
    found = chapman_robson(ages, counts, from_age=3, replicates=replicates).total_mortality
    assert math.isfinite(found.value) and math.isfinite(found.se)
    assert any(note.startswith("3 of 23 key replicates could not be fitted") for note in found.notes)


def test_sensitivity_lists_the_chosen_age_among_others() -> None:
    table = from_age_sensitivity(AGES, ROCK_BASS)
    assert table.loc[table["chosen"], "from_age"].tolist() == [1]
    row = table.set_index("from_age").loc[0]
    assert row["total_mortality"] == chapman_robson(AGES, ROCK_BASS, from_age=0).total_mortality.value
    with pytest.raises(InputError, match="method must be one of"):
        from_age_sensitivity(AGES, ROCK_BASS, method="guess")  # type: ignore[arg-type]


def test_pooled_seasons_weigh_alike_whatever_their_effort() -> None:
    ages, counts = pool_seasons([1, 1, 2, 2], [1, 2, 1, 2], [10, 5, 60, 10], effort=[1, 1, 4, 4])
    assert ages.tolist() == [1, 2]
    assert counts.sum() == pytest.approx(85)
    assert counts[1] / counts[0] == pytest.approx((5 + 10 / 4) / (10 + 60 / 4))
    with pytest.raises(InputError, match="effort must be the same"):
        pool_seasons([1, 1], [1, 2], [10, 5], effort=[1, 2])


def test_cohorts_find_the_rate_behind_exact_year_classes_of_any_size() -> None:
    season, age = np.repeat(np.arange(2020, 2026), 5), np.tile(np.arange(1, 6), 6)
    size = 1000 * (1.5 + np.sin(season - age))
    effort = 1.0 + (season % 3)
    fit = cohort_mortality(season, age, size * np.exp(-0.55 * age) * effort, effort=effort, from_age=1)
    assert fit.total_mortality.value == pytest.approx(0.55, rel=1e-9)
    assert set(fit.cohorts["cohort"]) <= set(season - age)


@pytest.mark.parametrize(
    ("season", "age", "count", "said"),
    [
        ([1, 1, 1], [1, 2, 3], [30, 20, 10], "no year class"),
        ([1, 2], [1, 2], [2, 1], "10 needed"),
        ([1, 1, 2, 2, 3, 3], [1, 2, 2, 3, 3, 4], [10, 10, 30, 30, 90, 90], "do not fall"),
    ],
)
def test_cohorts_that_tell_nothing_are_refused(season, age, count, said) -> None:  # type: ignore[no-untyped-def]
    fit = cohort_mortality(season, age, count, from_age=1)
    assert not fit.total_mortality.estimable
    assert said in fit.total_mortality.notes[0]


def test_frame_marks_the_limb() -> None:
    frame = chapman_robson(AGES, ROCK_BASS).frame()
    assert frame["on_limb"].tolist() == [False, True, True, True, True, True]
    assert frame["fitted"].isna().tolist() == [True, False, False, False, False, False]


def test_what_does_not_fit_or_holds_less_is_noted() -> None:
    fit = chapman_robson(AGES, ROCK_BASS, from_age=0)
    assert any("constant rate does not fit" in note for note in fit.total_mortality.notes)
    assert any("held the truth" in note for note in catch_curve(AGES, ROCK_BASS).total_mortality.notes)
    poisson = poisson_catch_curve(AGES, ROCK_BASS)
    assert any("ends at the oldest age caught" in note for note in poisson.total_mortality.notes)
    longer = poisson_catch_curve(AGES, ROCK_BASS, to_age=8)
    assert longer.total_mortality.value > poisson.total_mortality.value


def test_numbers_that_scatter_too_far_about_one_rate_give_none() -> None:
    """19 fish with most at one old age: df 1, so that the limits would be those of a fifth of a fish."""
    ages, counts = [5, 6, 7, 8, 9, 10, 11, 12], [9.4, 7.3, 0.4, 1.6, 0.0, 0.0, 0.0, 0.7]
    fit = chapman_robson(ages, counts, from_age=5)
    assert not fit.total_mortality.estimable
    assert not fit.annual_survival.estimable
    assert "19 fish tell less than a single fish would" in fit.total_mortality.notes[0]
    assert (fit.df, fit.chat > 1) == (1, True)
    assert chapman_robson(ages, counts, from_age=5, overdispersion=False).total_mortality.estimable
    assert chapman_robson(ages, [9.4, 5.3, 2.4, 1.6, 0.4, 0.2, 0.1, 0.0], from_age=5).total_mortality.estimable
    row = from_age_sensitivity(ages, counts).set_index("from_age").loc[5]
    assert "scatter so far" in row["reason"]


def test_limits_are_called_widened_only_where_they_are() -> None:
    fish = [118, 73, 36, 14, 1, 1]
    notes = {
        over: chapman_robson(range(6), fish, from_age=0, overdispersion=over).annual_survival.notes for over in (True, False)
    }
    assert any(note.endswith("limits widened") for note in notes[True])
    assert not any("widened" in note for note in notes[False])
    assert any("does not fit" in note and note.endswith("the limits do not allow for it") for note in notes[False])
