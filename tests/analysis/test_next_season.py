"""The plan for next season against the sample-size formulas worked out here, and its degenerate cases."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from scipy import stats

from fishreport.analysis import precision
from fishreport.analysis.classes import run_catches, study_classes
from fishreport.methods.fish_per_bin import NO_INTERVAL
from fishreport.methods.trend_power import SurveyPlan, power_to_detect
from fishreport.study import read_study


@pytest.fixture(scope="module")
def classes(demo_study):
    return study_classes(demo_study)


@pytest.fixture(scope="module")
def made(demo_study, demo_survey, classes):
    return precision.next_season(demo_study, demo_survey, classes, np.random.default_rng(6))


def _only(survey, keep):
    runs = survey.runs[keep(survey.runs)]
    fish = survey.fish[survey.fish["run_id"].isin(runs["run_id"])]
    return dataclasses.replace(survey, runs=runs, fish=fish, ages=survey.ages[survey.ages["run_id"].isin(runs["run_id"])])


def test_runs_needed_is_the_smallest_number_that_reaches_the_wanted_half_width(made, demo_survey, classes):
    """n ≥ (t s / (d x̄))² with t of n − 1 (common form, as in Hubert & Fabrizio 2007, from memory), worked out here."""
    runs = run_catches(demo_survey, classes[0])
    now = runs[runs["season"] == 2025]
    rate = now["stock"].sum() / now["effort_h"].sum()
    cv = np.sqrt(((now["stock"] - rate * now["effort_h"]) ** 2).sum() / (len(now) - 1)) / (rate * now["effort_h"].mean())
    n = int(made.results.one(quantity="runs_needed", species="brown_trout", size_class="stock").estimate.value)

    def half(k):
        return stats.t.ppf(0.975, k - 1) * cv / math.sqrt(k)

    assert half(n) <= 0.25 < half(n - 1)


def test_fish_to_measure_is_the_binomial_number_times_the_design_effect(made, demo_survey):
    """z² p (1 − p)/h² for h = 10 points (Gustafson 1988, normal form, from memory); runs as clusters by Cochran's ratio."""
    fish = demo_survey.fish_of("brown_trout", season=2025)
    fish = fish[~(fish["pass_number"] > 1)]
    stock = fish[fish["length_mm"] >= 150].assign(inside=lambda f: f["length_mm"] >= 230)
    p, n = stock["inside"].mean(), len(stock)
    by_run = stock.groupby("run_id")["inside"].agg(["sum", "size"])
    k = len(by_run)
    between = k / (k - 1) * ((by_run["sum"] - p * by_run["size"]) ** 2).sum() / n**2
    deff = max(between / (p * (1 - p) / n), 1.0)
    expected = math.ceil(deff * stats.norm.ppf(0.975) ** 2 * p * (1 - p) / 0.1**2 - 1e-9)
    found = made.results.one(quantity="fish_to_measure", species="brown_trout").estimate
    assert found.value == expected and found.n == n
    assert found.lower <= expected < found.upper < math.inf


def test_fish_to_age_says_why_it_has_no_interval(made):
    found = made.results.one(quantity="fish_to_age", species="brown_trout").estimate
    assert found.estimable and math.isnan(found.lower)
    assert found.notes[0] == NO_INTERVAL


def test_a_precision_half_as_wide_takes_about_four_times_the_runs(repository, demo_survey, classes, made):
    study = read_study(repository / "demo_inputs", overrides={"parameters.relative_error": 0.125})
    finer = precision.next_season(study, demo_survey, classes, np.random.default_rng(6)).results
    for species in ("brown_trout", "rainbow_trout"):
        place = {"quantity": "runs_needed", "species": species, "size_class": "stock"}
        assert finer.one(**place).estimate.value == pytest.approx(4 * made.results.one(**place).estimate.value, rel=0.15)


def test_formula_and_simulation_agree_on_runs_and_on_power(made):
    for one in made.species[:2]:
        assert one.curve.needed_by_simulation == pytest.approx(one.curve.needed_by_formula, rel=0.3)
        at = [precision.YEARS.index(year) for year in precision.SIMULATED_YEARS]
        # 600 surveys: Monte Carlo error of at most 0.02; the formula itself is an approximation.
        np.testing.assert_allclose(one.power.by_simulation[at], one.power.by_formula[at], atol=0.1)


def test_power_is_that_of_this_waters_own_survey(made):
    one = made.species[0]
    plan = one.survey_plan
    assert (plan.sites, plan.runs_per_site) == (12, 2)
    assert plan.mean_catch == one.spread.mean_catch
    assert plan.site_sd == pytest.approx(math.sqrt(math.log1p(one.spread.between_sites.value**2)))
    again = power_to_detect(plan, change_per_year=[-10.0], years=[5]).by_formula[0, 0]
    recorded = made.results.one(quantity="power_to_detect", species="brown_trout", detail="-10% a year, 5 seasons")
    assert recorded.estimate.value == pytest.approx(again)
    still = dataclasses.replace(plan, year_sd=plan.year_sd + 0.2)
    assert power_to_detect(still, change_per_year=[-10.0], years=[5]).by_formula[0, 0] < again
    assert isinstance(plan, SurveyPlan)


def test_effort_is_shared_out_within_what_was_spent(made):
    assert (made.runs, made.sites) == (24, 12)
    for (_, cost), allocation in made.sharing.items():
        assert (allocation.frame["cost"] <= 24 + 12 * cost + 1e-9).all()
        assert allocation.frame["runs_per_site"].tolist() == [1, 2, 3, 4]
        as_now = allocation.frame[allocation.frame["runs_per_site"] == 2].iloc[0]
        assert as_now["sites"] == 12


def test_fish_to_age_counts_those_aged_this_season(made, demo_survey):
    for one in made.species:
        ages = demo_survey.ages[(demo_survey.ages["species_key"] == one.species) & (demo_survey.ages["season"] == 2025)]
        assert one.aged_now == ages["age_sample"].nunique()
        assert made.results.one(quantity="fish_to_age", species=one.species).estimate.value == one.age.frame["needed"].sum()


def test_ids_are_unique_and_every_result_says_how(made):
    ids = [r.id for r in made.results]
    assert len(set(ids)) == len(ids)
    assert all(r.estimate.method or not r.estimate.estimable for r in made.results)


@pytest.mark.parametrize("first", [2025, 2023])
def test_few_seasons_promise_no_power(demo_study, demo_survey, classes, first):
    short = _only(demo_survey, lambda runs: runs["season"] >= first)
    made = precision.next_season(demo_study, short, classes, np.random.default_rng(6))
    assert all(one.power is None for one in made.species)
    assert made.results.one(quantity="runs_needed", species="brown_trout", size_class="stock").estimate.estimable
    (lost,) = made.results.where(quantity="power_to_detect", species="brown_trout")
    assert "4 seasons" in lost.estimate.notes[0]


def test_without_fish_or_runs_nothing_is_estimable_and_nothing_breaks(demo_study, demo_survey, classes):
    for survey in (
        dataclasses.replace(demo_survey, fish=demo_survey.fish.iloc[:0], ages=demo_survey.ages.iloc[:0]),
        _only(demo_survey, lambda runs: runs["season"] < 0),
        _only(demo_survey, lambda runs: runs["run_id"] == "2025-S01-A"),
    ):
        made = precision.next_season(demo_study, survey, classes, np.random.default_rng(6))
        assert not any(r.estimate.estimable for r in made.results.where(quantity="runs_needed"))
        assert all(one.power is None and one.curve.runs.size == 0 for one in made.species)
