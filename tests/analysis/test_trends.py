"""Trends of yearly indices: which method, against scipy and statsmodels; steps, drivers and objectives season by season."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from statsmodels.stats.multitest import multipletests

from fishreport.analysis import catch, catch_model, condition, drivers, plan, sizes, trend, trend_family
from fishreport.analysis.classes import study_classes
from fishreport.analysis.result import Result, Results
from fishreport.methods.estimate import Estimate
from fishreport.methods.trend import log_linear
from fishreport.study import Event, read_study

KEY = ("standardised_catch_rate", "rainbow_trout", "stock")


@pytest.fixture(scope="module")
def classes(demo_study):
    return study_classes(demo_study)


@pytest.fixture(scope="module")
def known(demo_study, demo_survey, classes):
    indices = catch_model.standardised_indices(demo_study, demo_survey, classes, np.random.default_rng(2))
    return (
        catch.catch_rates(demo_study, demo_survey, classes)
        + sizes.size_structure(demo_study, demo_survey, classes)
        + condition.condition(demo_study, demo_survey, classes).results
        + catch_model.index_results(indices)
    )


@pytest.fixture(scope="module")
def trends(known, classes):
    return trend.index_trends(known, classes, 2025)


def _of(trends, quantity, species, size_class):
    return next(
        t for t in trends if (t.series.quantity, t.series.species, t.series.size_class) == (quantity, species, size_class)
    )


def _index(values, *, se=0.1, quantity="catch_rate", units="fish/h", first=2010):
    """Made-up results of brown trout; None is a season that is not estimable."""
    found = []
    for season, value in enumerate(values, start=first):
        if value is None:
            e = Estimate.not_estimable("1 run, 2 needed", units=units)
        else:
            spread = math.nan if value == 0 else value * se
            e = Estimate(float(value), spread, value - 2 * spread, value + 2 * spread, 0.95, units, "made up", 20)
        found.append(Result(quantity, e, season, "brown_trout", "stock"))
    return Results(found)


def test_every_yearly_index_has_a_trend_and_only_those(trends, known, classes):
    for quantity in ("catch_rate", "proportional_size", "mean_length", "relative_weight", "condition_factor", KEY[0]):
        assert any(t.series.quantity == quantity for t in trends), quantity
    assert not any("-" in t.series.size_class for t in trends)  # shares of the reported season alone
    assert len({t.result.id for t in trends}) == len(trends)
    assert all(t.series.seasons == tuple(range(2016, 2026)) for t in trends)
    assert all(str(t.result.detail) == t.series.quantity for t in trends)


def test_rank_test_and_sen_slope_agree_with_scipy(trends):
    """scipy.stats.kendalltau (exact) and theilslopes on the same ten values."""
    one = _of(trends, *KEY)
    s = one.series
    assert one.test.p == pytest.approx(stats.kendalltau(s.year, s.value, method="exact").pvalue)
    assert one.sen.estimate.value == pytest.approx(stats.theilslopes(s.value, s.year).slope)
    assert one.sen.estimate.units == "fish/h per year"


def test_dependent_seasons_take_the_wider_interval(trends):
    one = _of(trends, *KEY)
    s = one.series
    plain, allowed = (log_linear(s.year, s.value, se=s.se, units=s.units, correlation=c).trend_per_year for c in ("none", "ar1"))
    assert any("resemble" in note for note in plain.notes)
    assert one.method == "log-linear, autocorrelated"
    assert one.result.estimate.value == allowed.value
    assert allowed.upper - allowed.lower > plain.upper - plain.lower
    assert one.result.estimate.units == "percent per year"
    # p and interval say the same: p below 0.05 exactly when the interval leaves out zero.
    for t in trends:
        e = t.result.estimate
        if e.estimable and math.isfinite(t.p) and not t.method.startswith("Sen"):
            assert (t.p < 0.05) == (e.lower > 0 or e.upper < 0), t.result.id


def test_adjusted_p_is_that_of_benjamini_and_hochberg(trends):
    """statsmodels.stats.multitest.multipletests, method fdr_bh."""
    known = [t for t in trends if math.isfinite(t.p) and not t.restates]
    theirs = multipletests([t.p for t in known], method="fdr_bh")[1]
    np.testing.assert_allclose([t.adjusted_p for t in known], theirs)
    moved = [t for t in trends if math.isfinite(t.smooth_p)]
    theirs = multipletests([t.smooth_p for t in moved], method="fdr_bh")[1]
    np.testing.assert_allclose([t.smooth_adjusted_p for t in moved], theirs)
    assert trend.adjusted_p([]) == [] and math.isnan(trend.adjusted_p([math.nan])[0])


def test_p_of_a_smoothed_change_is_that_of_its_interval(trends):
    """scipy.stats.norm on the logarithm of the change, or the change itself for a share."""
    for t in trends:
        if t.smooth is None or not t.smooth.change.estimable:
            continue
        e = t.smooth.change
        sides = np.array([e.lower, e.value, e.upper])
        low, middle, high = np.log(1 + sides / 100) if t.series.scale == "log" else sides
        se = (high - low) / (2 * stats.norm.ppf(0.975))
        assert t.smooth_p == pytest.approx(2 * stats.norm.cdf(-abs(middle / se)))
        assert (t.smooth_p < 0.05) == (e.lower > 0 or e.upper < 0), t.result.id


def test_multiplicity_counts(trends):
    counts = trend_family.multiplicity(trends, 0.95)
    intervals = [t.result.estimate for t in trends if t.result.estimate.estimable and not t.restates]
    assert counts.tested == len(intervals)
    assert counts.outside == sum(e.lower > 0 or e.upper < 0 for e in intervals)
    assert counts.expected == pytest.approx(0.05 * counts.tested)
    assert counts.held == sum(t.adjusted_p < 0.05 for t in trends) <= counts.outside
    assert counts.standing == tuple(t.series for t in trends if t.adjusted_p < 0.05)
    moves = trend_family.smoothed_multiplicity(trends, 0.95)
    smooth = [t for t in trends if t.smooth is not None and t.smooth.change.estimable]
    assert moves.tested == len(smooth)
    assert moves.outside == sum(t.smooth.change.lower > 0 or t.smooth.change.upper < 0 for t in smooth)
    assert moves.held == sum(t.smooth_adjusted_p < 0.05 for t in smooth)


def test_each_question_counts_once(trends):
    counted = {(t.series.species, t.series.quantity, t.series.size_class) for t in trends if not t.restates}
    known = {(t.series.species, t.series.quantity, t.series.size_class) for t in trends if t.result.estimate.estimable}
    for species, quantity, size_class in counted:
        assert quantity not in ("annual_survival", "condition_factor")
        assert quantity != "catch_rate" or (species, trend.QUANTITY, size_class) not in known
        assert size_class != "all" or (species, quantity, "stock") not in known
    for t in trends:
        assert not (t.restates and math.isfinite(t.adjusted_p)), t.result.id
    assert ("brown_trout", "catch_rate", "preferred") in counted and ("brown_trout", "relative_weight", "stock") in counted


def test_a_question_that_nothing_else_asks_is_counted(known, classes):
    """Without relative weight the condition factor is the condition, and without a standardised rate the one as caught."""
    kept = Results(r for r in known if r.quantity in ("condition_factor", "catch_rate"))
    found = trend.index_trends(kept, classes, 2025)
    assert not _of(found, "condition_factor", "brown_trout", "stock").restates
    assert not _of(found, "catch_rate", "brown_trout", "stock").restates
    assert _of(found, "catch_rate", "brown_trout", "all").restates


def test_shares_are_told_in_percentage_points(trends):
    one = _of(trends, "proportional_size", "brown_trout", "quality")
    assert one.method.startswith("linear") and one.result.estimate.units == "percentage points per year"


@pytest.mark.parametrize(
    ("values", "reason"),
    [
        ([0, 0, 0, 0, 0, 0, 0, 0, 0.9, 0], "0% in 9 of 10 seasons, at most 0.9% in the other"),
        ([0, 0, 0, 0, 0, 0, 0, 0, 0, 0], "0% in 10 of 10 seasons"),
        ([100, 100, 100, 97, 100, 98, 100, 100, 100, 100], "100% in 8 of 10 seasons, at least 97% in the others"),
        ([0, 2, 0, 2, 0, 2, 0, 2, 0, 2], "0% in 5 of 10 seasons, at most 2% in the others"),
    ],
)
def test_a_share_of_none_or_all_in_half_of_the_seasons_has_no_trend(demo_study, classes, values, reason):
    made = _index(values, quantity="proportional_size", units="percent")
    edge = [replace_se(r) if r.estimate.value in (0, 100) else r for r in made]
    (one,) = trend.index_trends(Results(dataclasses.replace(r, size_class="quality") for r in edge), classes, 2025)
    assert one.result.estimate.notes[0] == f"not estimable: {reason}"
    assert math.isnan(one.p) and one.smooth is None and one.line is None and not one.sen.estimate.estimable
    assert trend_family.multiplicity([one], 0.95).tested == 0
    study = demo_study.model_copy(update={"events": (Event(name="new gate", year=2015),)})
    (step,) = trend.steps(study, [one])
    assert step.change.change.notes[0] == f"not estimable: {reason}" == step.result.estimate.notes[0]


def test_a_share_that_is_none_in_few_seasons_keeps_its_trend(classes):
    made = _index([0, 0, 0, 5, 8, 12, 15, 20, 24, 30], quantity="proportional_size", units="percent")
    (one,) = trend.index_trends(Results(dataclasses.replace(r, size_class="quality") for r in made), classes, 2025)
    assert one.result.estimate.lower > 0


def replace_se(result):
    e = dataclasses.replace(result.estimate, se=math.nan, lower=result.estimate.value, upper=result.estimate.value)
    return dataclasses.replace(result, estimate=e)


def test_a_season_without_a_fish_takes_the_sen_slope(classes):
    values = [4, 0, 3, 5, 2, 0, 4, 3, 1, 2]
    (one,) = trend.index_trends(_index(values), classes, 2025)
    assert one.method == "Sen" and one.result.estimate.units == "fish/h per year"
    assert one.result.estimate.value == pytest.approx(stats.theilslopes(values, range(10)).slope)
    assert one.p == one.test.p


def test_nothing_in_most_seasons_is_no_certainty(classes):
    (one,) = trend.index_trends(_index([0, 0, 0, 0, 1, 0, 0, 0, 0, 0]), classes, 2025)
    assert one.result.estimate.notes[0] == "not estimable: nothing in most seasons"
    assert math.isnan(one.p)


def test_a_known_rise_is_found_and_missed_seasons_are_said(classes):
    values = [50 * 1.1**i for i in range(10)]
    values[3] = values[6] = None
    (one,) = trend.index_trends(_index(values, quantity="standardised_catch_rate"), classes, 2025)
    e = one.result.estimate
    assert e.value == pytest.approx(10.0) and e.lower > 0 and e.n == 8
    assert "not estimable in 2013, 2016" in e.notes
    assert one.smooth is not None and one.smooth.year.size == 10  # missed seasons are smoothed over
    assert one.smooth.change.value == pytest.approx(100 * (1.1**9 - 1), rel=0.15)


@pytest.mark.parametrize("seasons", [1, 3])
def test_too_few_seasons(classes, seasons):
    (one,) = trend.index_trends(_index([10.0] * seasons, quantity="standardised_catch_rate"), classes, 2025)
    assert not one.result.estimate.estimable and math.isnan(one.p)
    assert f"{seasons} season" in one.result.estimate.notes[0]
    assert trend_family.multiplicity([one], 0.95).tested == 0


def test_seasons_after_the_reported_one_do_not_count(classes):
    (one,) = trend.index_trends(_index([10, 11, 12, 13, 14, 99]), classes, 2014)
    assert one.series.year.max() == 2014


def test_a_step_is_that_of_the_t_test_where_errors_say_nothing(demo_study, classes):
    """scipy.stats.ttest_ind on logarithms: with standard errors near zero the weights are equal."""
    values = np.array([50, 54, 47, 51, 49, 25, 27, 24, 26.0])
    made = trend.index_trends(_index(values, se=1e-6, quantity="standardised_catch_rate"), classes, 2025)
    study = demo_study.model_copy(update={"events": (Event(name="new gate", year=2015),)})
    (step,) = trend.steps(study, made)
    test = stats.ttest_ind(np.log(values[5:]), np.log(values[:5]))
    low, high = test.confidence_interval()
    e = step.change.change
    assert (e.lower, e.upper) == pytest.approx((100 * math.expm1(low), 100 * math.expm1(high)), rel=1e-4)
    assert step.change.p == pytest.approx(test.pvalue, rel=1e-4)
    assert step.result.id == "step_change/brown_trout/stock/standardised_catch_rate-new gate 2015"
    assert not step.beside_trend.change.estimable  # 4 seasons after, 5 needed beside a trend


def test_release_is_the_mean_of_the_ninety_days_before_the_survey(demo_study, demo_survey, repository):
    """From the file as typed, by pandas alone."""
    found = {d.name: d for d in drivers.drivers(demo_study, demo_survey)}
    flow = pd.read_csv(repository / "demo_inputs" / "flow.csv")
    flow["date"] = pd.to_datetime(flow["date"], errors="coerce")
    runs = pd.read_csv(repository / "demo_inputs" / "runs.csv", dtype=str)
    start = pd.to_datetime(runs["date"], errors="coerce")
    first = start[(start.dt.year == 2023) & (start.dt.month == 10)].min()
    inside = flow[(flow["date"] < first) & (flow["date"] >= first - pd.Timedelta(days=90))]["discharge_m3_s"].astype(float)
    assert len(inside) == 90
    assert found["release"].values[2023] == pytest.approx(inside.mean())
    stocked = pd.read_csv(repository / "demo_inputs" / "stocking.csv").query("date.str.startswith('2022')")["number"].sum()
    assert found["stocking"].values[2022] == stocked
    assert found["stocking"].species == "rainbow_trout"


def test_a_driver_with_a_known_effect_is_found_at_its_lag(demo_study, classes):
    rng = np.random.default_rng(8)
    years = np.arange(2009, 2024)
    x = pd.Series(rng.normal(30, 8, years.size), index=years)
    step = x[(x.index >= 2009) & (x.index <= 2022)].std(ddof=1)
    values = [40 * math.exp(-0.2 * x[year - 1] / step) for year in range(2010, 2024)]
    made = trend.index_trends(_index(values, se=0.01, quantity="standardised_catch_rate"), classes, 2025)
    driver = drivers.Driver("release", "Release", "more", "m3/s", None, x)
    lagged_study = demo_study.model_copy(update={"parameters": demo_study.parameters.model_copy(update={"lag_years": 1})})
    (one,) = drivers.driver_effects(lagged_study, [driver], made)
    assert one.step == pytest.approx(step)
    assert one.result.estimate.value == pytest.approx(100 * math.expm1(-0.2), abs=0.2)
    assert one.result.estimate.upper < 0 and one.result.estimate.units == "percent"
    assert str(one.result.detail).endswith("release 1 year before")
    (same_year,) = drivers.driver_effects(demo_study, [driver], made)
    assert same_year.result.estimate.lower < 0 < same_year.result.estimate.upper


def test_a_driver_of_another_species_or_without_change_is_left_out(demo_study, classes):
    made = trend.index_trends(_index([5, 6, 7, 8, 9, 8, 7, 9, 8, 7], quantity="standardised_catch_rate"), classes, 2025)
    years = np.arange(2010, 2020)
    other = drivers.Driver("stocking", "Stocking", "more", "fish", "rainbow_trout", pd.Series(years * 1.0, index=years))
    flat = drivers.Driver("release", "Release", "more", "m3/s", None, pd.Series(3.0, index=years))
    assert drivers.driver_effects(demo_study, [other, flat], made) == []


def test_p_of_drivers_is_adjusted_for_their_number(demo_study, demo_survey, trends, classes):
    """statsmodels.stats.multitest.multipletests, method fdr_bh."""
    found = drivers.driver_effects(demo_study, drivers.drivers(demo_study, demo_survey), trend.driven(trends, classes))
    known = [one for one in found if math.isfinite(one.p)]
    theirs = multipletests([one.p for one in known], method="fdr_bh")[1]
    assert len(known) > 5
    np.testing.assert_allclose([one.adjusted_p for one in known], theirs)


def test_objectives_of_the_last_season_are_those_of_the_scorecard(demo_study, known):
    history = plan.objective_history(demo_study, known, range(2016, 2026))
    for one, before in zip(plan.evaluate_objectives(demo_study, known), history, strict=True):
        if not math.isnan(one.outcome.probability):
            assert before[2025] == one.outcome
            assert set(before) <= set(range(2016, 2026))
        else:
            assert before == {}


def test_an_objective_over_three_seasons_looks_back_from_each(demo_study, known):
    first = plan.objective_history(demo_study, known, [2016, 2017, 2018, 2020])[0]
    assert list(first) == [2018, 2020], "the mean of three seasons is not judged on one or two"
    for season, outcome in first.items():
        values = [
            known.one(quantity="catch_rate", species="brown_trout", size_class="quality", site=None, season=y).estimate.value
            for y in range(season - 2, season + 1)
        ]
        assert outcome.mean.value == pytest.approx(np.mean(values))


def _without(known, season):
    """`known` with the catch rates of a season missed."""
    lost = Estimate.not_estimable("no run", units="fish/h")
    return Results(
        dataclasses.replace(r, estimate=lost) if r.season == season and r.quantity == "catch_rate" else r for r in known
    )


@pytest.mark.parametrize("missed", [2023, 2024, 2025])
def test_a_mean_of_three_seasons_with_one_missed_is_not_judged(demo_study, known, missed):
    some = _without(known, missed)
    one = plan.evaluate_objectives(demo_study, some)[0]
    assert one.objective.over_years == 3 and one.outcome.mean.estimable
    assert (one.outcome.verdict, one.result.estimate.estimable) == ("not yet known", False)
    assert one.result.estimate.notes[0] == "not estimable: 2 of the 3 seasons could be estimated"
    assert set(plan.objective_history(demo_study, some, range(2016, 2026))[0]) == set(range(2018, 2026)) - set(
        range(missed, missed + 3)
    )


def _rate(value, low, high, detail=None, quantity="total_mortality"):
    e = Estimate(value, (high - low) / 3.92, low, high, 0.95, "per year", "made up", 50)
    return Result(quantity, e, 2025, "brown_trout", "all", detail=detail)


@pytest.mark.parametrize(
    ("own", "other", "named"),
    [
        ((0.71, 0.51, 0.94), (0.59, 0.53, 0.65), True),  # not yet known, and met by the other
        ((0.71, 0.51, 0.94), (0.80, 0.72, 0.90), True),  # not yet known, and not met by the other
        ((0.71, 0.51, 0.94), (0.64, 0.47, 0.86), False),  # neither is sure
        ((0.55, 0.50, 0.60), (0.70, 0.45, 1.00), True),  # met, and the other lies beyond the bound
        ((0.55, 0.50, 0.60), (0.62, 0.45, 0.90), False),  # met, and the other is only less sure
        ((0.80, 0.72, 0.90), (0.60, 0.45, 0.90), True),  # not met, and the other lies within
        ((0.55, 0.50, 0.60), (0.56, 0.50, 0.62), False),
    ],
)
def test_estimators_that_put_an_objective_on_the_other_side(repository, own, other, named):
    objective = [{"quantity": "total_mortality", "species": "BNT", "at_most": 0.65}]
    study = read_study(repository / "demo_inputs", overrides={"objectives": objective})
    known = Results([_rate(*own), _rate(*other, "year classes followed")])
    (found,) = plan.evaluate_objectives(study, known)
    assert [way.name for way in found.others] == (["year classes followed"] if named else [])
    three = read_study(repository / "demo_inputs", overrides={"objectives": [{**objective[0], "over_years": 3}]})
    assert plan.evaluate_objectives(three, known)[0].others == ()


def test_a_part_of_the_water_is_no_other_estimator_of_the_whole(repository):
    objective = [{"quantity": "population_size", "species": "BNT", "at_least": 0.65}]
    study = read_study(repository / "demo_inputs", overrides={"objectives": objective})
    whole, part = (_rate(*x, quantity="population_size") for x in ((0.9, 0.8, 1.0), (0.2, 0.1, 0.3)))
    for detail, named in (("removal sections", False), ("one class", True)):
        (found,) = plan.evaluate_objectives(study, Results([whole, dataclasses.replace(part, detail=detail)]))
        assert bool(found.others) == named


def test_an_objective_on_a_trend_is_held_against_that_of_the_standardised_rate(repository, known, trends, classes):
    objective = [{"quantity": "trend_per_year", "species": "RBT", "size_class": "stock", "at_least": 0.0}]
    study = read_study(repository / "demo_inputs", overrides={"objectives": objective})
    (found,) = plan.evaluate_objectives(study, known + trend.trend_results(trends, []))
    assert found.outcome.mean.value == _of(trends, *KEY).result.estimate.value
    assert found.outcome.verdict == "not met"


def test_without_a_standard_the_condition_factor_leads(classes):
    bare = dataclasses.replace(classes[0], standard=None, bounds_mm={"all": (0.0, math.inf)})
    wanted = {"standardised_catch_rate", "mean_length", "condition_factor", "total_mortality"}
    line = trend.index_trends(_index([5, 6, 7, 8, 9]), classes, 2025)[0].series
    leads = {q for q in trend.QUANTITIES if trend.is_lead(dataclasses.replace(line, quantity=q, size_class="all"), bare)}
    assert leads == wanted
