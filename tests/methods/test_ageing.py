"""Age-length keys, ages given to fish, and numbers at age with their two-stage uncertainty."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api  # noqa: F401  (imported once here: its first import is slow)
from statsmodels.discrete.discrete_model import MNLogit

from fishreport.exceptions import InputError
from fishreport.methods.age_smoothing import fit_age_model
from fishreport.methods.ageing import age_length_key, assign_ages, numbers_at_age

LENGTHS = [101, 105, 112, 118, 121, 128, 142, 145, 149, 102]
AGES = [1, 1, 1, 2, 2, 1, 2, 3, 3, 1]


def sample(rng: np.random.Generator, n: int = 400, sd: float = 30.0) -> tuple[np.ndarray, np.ndarray]:
    age = rng.choice(np.arange(1, 6), n, p=[0.4, 0.25, 0.17, 0.11, 0.07])
    return rng.normal(550 * (1 - np.exp(-0.35 * (age + 0.3))), sd), age


def test_key_by_hand() -> None:
    key = age_length_key(LENGTHS, AGES, bin_mm=10)
    assert key.bins.tolist() == [100, 110, 120, 130, 140]
    assert key.ages.tolist() == [1, 2, 3]
    assert key.counts.tolist() == [[3, 0, 0], [1, 1, 0], [1, 1, 0], [0, 0, 0], [0, 1, 2]]
    assert key.proportions[1].tolist() == [0.5, 0.5, 0]
    assert np.isnan(key.proportions[3]).all()
    assert key.empty_bins.tolist() == [130]
    assert "1 of 5 length bins have no aged fish" in key.notes


def test_a_length_on_an_edge_belongs_to_the_bin_above() -> None:
    key = age_length_key([100.0, 109.9, 110.0], [1, 1, 2], bin_mm=10)
    assert key.counts.tolist() == [[2, 0], [0, 1]]
    assert key.place(np.array([99.9, 100.0, 110.0, 119.9, 120.0, np.nan])).tolist() == [-1, 0, 1, 1, -1, -1]


def test_expected_numbers_by_hand() -> None:
    key = age_length_key(LENGTHS, AGES, bin_mm=10)
    found = assign_ages(key, [104, 115, 116, 125, 135, 148, 149, np.nan, 200])
    assert found.counts == pytest.approx([1 + 0.5 * 3, 0.5 * 3 + 2 / 3, 4 / 3])
    assert found.matrix.sum(axis=1).tolist() == [1, 2, 1, 0, 2]
    assert (found.n, found.unassigned) == (6, 3)
    assert np.isnan(found.age[[4, 7, 8]]).all()
    assert found.age[0] == 1 and found.age[1] == pytest.approx(1.5)
    assert "1 fish without length are not assigned an age" in found.notes
    assert "2 fish in length bins without aged fish are not assigned an age" in found.notes


def test_random_ages_follow_the_key_and_the_seed(rng: np.random.Generator) -> None:
    key = age_length_key(LENGTHS, AGES, bin_mm=10)
    lengths = np.repeat([104.0, 115.0, 148.0], 3000)
    first = assign_ages(key, lengths, method="random", rng=np.random.default_rng(3))
    again = assign_ages(key, lengths, method="random", rng=np.random.default_rng(3))
    assert np.array_equal(first.age, again.age)
    assert set(first.age[:3000]) == {1.0}
    assert np.mean(first.age[3000:6000] == 1) == pytest.approx(0.5, abs=0.04)
    assert np.mean(first.age[6000:] == 3) == pytest.approx(2 / 3, abs=0.04)
    assert first.counts.sum() == 9000


def test_smoothed_key_agrees_with_mnlogit(rng: np.random.Generator) -> None:
    """Independent: statsmodels' multinomial logit of age on length, coefficients and covariance."""
    length, age = sample(rng, 300, sd=45.0)
    model = fit_age_model(length, age, np.arange(1, 6))
    z = (length - model.centre) / model.scale
    fitted = MNLogit(age - 1, np.column_stack([np.ones_like(z), z])).fit(method="newton", disp=0, tol=1e-12, maxiter=200)
    assert not model.penalised
    assert model.coefficients == pytest.approx(np.asarray(fitted.params).T, rel=1e-6)
    assert model.log_likelihood == pytest.approx(fitted.llf, rel=1e-9)
    assert np.sqrt(np.diag(model.covariance)) == pytest.approx(np.asarray(fitted.bse).T.ravel(), rel=1e-5)
    key = age_length_key(length, age, bin_mm=20, smooth=True)
    middle = (key.bins + 10 - model.centre) / model.scale
    assert key.proportions == pytest.approx(fitted.predict(np.column_stack([np.ones_like(middle), middle])), rel=1e-6)


def test_smoothed_key_fills_gaps_and_assigns_every_measured_fish() -> None:
    key = age_length_key(LENGTHS, AGES, bin_mm=10, smooth=True)
    assert np.isfinite(key.proportions).all()
    assert key.proportions.sum(axis=1) == pytest.approx(np.ones(5))
    found = assign_ages(key, [135.0, 95.0, 171.0])
    assert found.unassigned == 0 and found.counts.sum() == pytest.approx(3)
    assert found.bins.tolist() == [90, 100, 110, 120, 130, 140, 150, 160, 170]
    assert any("2 fish lie beyond" in note for note in found.notes)


def test_ages_that_do_not_overlap_are_held_and_said() -> None:
    key = age_length_key([100, 110, 120, 200, 210, 220, 300, 310], [0, 0, 0, 1, 1, 1, 2, 2], bin_mm=10, smooth=True)
    assert key.model is not None and key.model.penalised
    assert any("do not overlap" in note for note in key.notes)
    assert key.proportions[0].argmax() == 0 and key.proportions[-1].argmax() == 2
    assert np.all(np.diff(key.proportions[:, 0]) <= 0)
    single = age_length_key([100, 120], [1, 1], bin_mm=10, smooth=True)
    assert single.proportions.tolist() == [[1.0]] * 3
    gap = age_length_key([100, 120, 110, 300, 280], [1, 1, 3, 3, 3], bin_mm=10, smooth=True)
    assert (gap.proportions[:, 1] == 0).all() and any("no aged fish of age 2" in note for note in gap.notes)


def test_nothing_aged_or_measured_is_said() -> None:
    empty = age_length_key([], [], bin_mm=20)
    assert empty.n == 0 and "no aged fish: the key is empty" in empty.notes
    assert assign_ages(empty, [200.0, 210.0]).unassigned == 2
    assert assign_ages(age_length_key(LENGTHS, AGES, bin_mm=10), []).counts.tolist() == [0, 0, 0]
    rng = np.random.default_rng(1)
    assert not any(e.estimable for e in numbers_at_age([], LENGTHS, AGES, bin_mm=10, rng=rng).numbers)
    nothing = numbers_at_age([100.0, 200.0], [], [], bin_mm=10, rng=rng)
    assert nothing.notes[-1] == "not estimable: no aged fish" and nothing.unassigned == 2
    partly = age_length_key([100, np.nan, 120], [1, 1, np.nan], bin_mm=10)
    assert partly.n == 1 and "2 fish without age or length left out" in partly.notes


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: age_length_key([100, 200], [1], bin_mm=10), "equal length"),
        (lambda: age_length_key([100], [1.5], bin_mm=10), "whole years"),
        (lambda: age_length_key([100], [-1], bin_mm=10), "whole years"),
        (lambda: age_length_key([0], [1], bin_mm=10), "above 0"),
        (lambda: age_length_key([100], [1], bin_mm=0), "bin_mm must be above 0"),
        (lambda: age_length_key([[100]], [[1]], bin_mm=5), "one column"),
        (lambda: assign_ages(age_length_key([100], [1], bin_mm=5), [100], method="best"), "method must be"),
        (lambda: assign_ages(age_length_key([100], [1], bin_mm=5), [100], method="random"), "random generator"),
        (lambda: numbers_at_age([100], [100], [1], bin_mm=5, rng=np.random.default_rng(1), subsample="x"), "subsample"),
        (lambda: numbers_at_age([100], [100], [1], bin_mm=5, rng=np.random.default_rng(1), run=["a", "b"]), "run must name"),
        (lambda: numbers_at_age([100], [100], [1], bin_mm=5, rng=np.random.default_rng(1), resamples=1), "resamples"),
    ],
)
def test_impossible_input_is_refused(call, words: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(InputError, match=words):
        call()


@pytest.mark.parametrize("smooth", [False, True])
def test_numbers_at_age_equal_the_assigned_ones(rng: np.random.Generator, smooth: bool) -> None:
    length, age = sample(rng)
    found = numbers_at_age(length, length[:120], age[:120], bin_mm=20, smooth=smooth, rng=rng, resamples=200)
    assigned = assign_ages(age_length_key(length[:120], age[:120], bin_mm=20, smooth=smooth), length)
    assert found.counts == pytest.approx(assigned.counts)
    assert found.n == assigned.n and found.unassigned == assigned.unassigned
    assert sum(e.value for e in found.proportions) == pytest.approx(1)
    assert found.replicates.shape == (200, 5)
    frame = found.frame()
    assert isinstance(frame, pd.DataFrame) and (frame["number_lower"] <= frame["number_upper"]).all()
    assert found.replicates.mean(axis=0) == pytest.approx(found.counts, rel=0.25, abs=8)


def test_first_stage_alone_gives_the_binomial_error(rng: np.random.Generator) -> None:
    """With lengths that tell age without doubt, only the sampling of fish is left: the error of a share is binomial."""
    age = rng.choice([1, 2], 500, p=[0.7, 0.3])
    length = age * 100.0 + rng.uniform(0, 9, 500)
    found = numbers_at_age(length, length[:200], age[:200], bin_mm=20, rng=rng, resamples=4000)
    share = np.mean(age == 2)
    assert found.proportions[1].value == pytest.approx(share)
    assert found.proportions[1].se == pytest.approx(np.sqrt(share * (1 - share) / 500), rel=0.06)


def test_second_stage_alone_gives_the_binomial_error_of_the_key(rng: np.random.Generator) -> None:
    """One length bin: the share of an age is that of the aged fish, whatever is drawn of the others."""
    age = np.repeat([1, 2], [30, 10])
    for subsample in ("by length", "at random"):
        found = numbers_at_age(
            np.full(1000, 105.0), np.full(40, 105.0), age, bin_mm=20, rng=rng, resamples=4000, subsample=subsample
        )
        assert found.proportions[1].se == pytest.approx(np.sqrt(0.25 * 0.75 / 40), rel=0.06)


def test_runs_are_drawn_whole(rng: np.random.Generator) -> None:
    """Ten runs, each of one age only: the error of a share is that of ten draws, not of 200 fish."""
    run = np.repeat(np.arange(10), 20)
    age = np.where(run < 4, 2, 1)
    length = age * 100.0 + 5
    clustered = numbers_at_age(length, length[:], age[:], bin_mm=20, rng=rng, run=run, resamples=4000)
    assert clustered.proportions[1].se == pytest.approx(np.sqrt(0.4 * 0.6 / 10), rel=0.08)


def test_mean_length_is_free_of_the_bias_of_ageing_by_length(rng: np.random.Generator) -> None:
    """Five aged fish a bin overweight the tails of each age; the expanded mean does not."""
    length, age = sample(rng, 4000)
    place = np.floor(length / 20)
    chosen = np.concatenate([np.flatnonzero(place == b)[:5] for b in np.unique(place)])
    found = numbers_at_age(length, length[chosen], age[chosen], bin_mm=20, smooth=True, rng=rng, resamples=50)
    truth = np.array([length[age == a].mean() for a in range(1, 6)])
    plain = np.array([length[chosen][age[chosen] == a].mean() for a in range(1, 6)])
    expanded = np.array([e.value for e in found.mean_length])
    assert abs(expanded[0] - truth[0]) < 6
    assert np.abs(expanded - truth)[:3].sum() < np.abs(plain - truth)[:3].sum()


def test_a_value_lies_within_its_limits_though_resamples_may_be_shifted(rng: np.random.Generator) -> None:
    """At a level of 1 % percentiles lie next to the median of the resamples, which is not the value itself."""
    length, age = sample(rng, n=80)
    found = numbers_at_age(length, length[:25], age[:25], bin_mm=20, rng=rng, resamples=200, level=0.01)
    told = [one for one in (*found.numbers, *found.proportions, *found.mean_length) if one.estimable]
    assert len(told) > 9
    assert all(one.lower <= one.value <= one.upper for one in told)
