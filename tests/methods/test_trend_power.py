"""Power by formula against simulated surveys, against an independent integral, and its limits."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats
from scipy.integrate import trapezoid

from fishreport.exceptions import InputError
from fishreport.methods.trend import log_linear
from fishreport.methods.trend_power import SurveyPlan, gerrodette_years, power_to_detect, simulate_indices

PLANS = [
    SurveyPlan(20, 2, sites=8, runs_per_site=2, site_sd=0.5, year_sd=0.1),
    SurveyPlan(40, 3, sites=10, runs_per_site=2, site_sd=0.4),
    SurveyPlan(12, math.inf, sites=6, runs_per_site=3, year_sd=0.2),
]


@pytest.mark.parametrize("plan", PLANS)
def test_formula_agrees_with_simulation(plan: SurveyPlan, rng: np.random.Generator) -> None:
    # 2,000 surveys a point: Monte Carlo error up to 1.1 points; the formula takes the log index as normal. Allowed: 4 points.
    found = power_to_detect(plan, change_per_year=[-8, -4, 4, 8], years=[3, 5, 10, 15], rng=rng)
    assert np.abs(found.by_formula - found.by_simulation).max() < 0.04


def test_low_catches_lose_some_power_that_the_formula_does_not_see(rng: np.random.Generator) -> None:
    plan = SurveyPlan(5, 1, sites=6, site_sd=0.3, year_sd=0.2)
    found = power_to_detect(plan, change_per_year=[5, 10], years=[10, 15], rng=rng)
    gap = found.by_formula - found.by_simulation
    assert gap.min() > -0.03 and gap.max() < 0.11


def test_false_alarms(rng: np.random.Generator) -> None:
    found = power_to_detect(PLANS[0], change_per_year=0, years=[5, 10], rng=rng)
    np.testing.assert_allclose(found.by_formula, 0.05)
    assert np.abs(found.by_simulation - 0.05).max() < 0.02


def test_index_variance_of_simulated_surveys(rng: np.random.Generator) -> None:
    plan = SurveyPlan(20, 2, sites=8, runs_per_site=2, year_sd=0.15)
    index = simulate_indices(plan, 0.0, 6, replicates=20_000, rng=rng)
    cv = index.std() / index.mean()
    assert index.mean() == pytest.approx(20, rel=0.01)
    assert cv == pytest.approx(plan.index_cv, rel=0.02)
    grown = simulate_indices(plan, 10.0, 6, replicates=20_000, rng=rng).mean(axis=0)
    np.testing.assert_allclose(grown, 20 * 1.1 ** np.arange(6), rtol=0.02)


def test_formula_by_direct_integration() -> None:
    # Noncentral t by integrating the normal over the chi distribution of the residual sd.
    years, r, cv = 8, 0.06, 0.2
    shift = math.log1p(r) / math.sqrt(math.log1p(cv**2)) * math.sqrt(years * (years**2 - 1) / 12)
    s = np.linspace(1e-4, 5, 20001)
    density = stats.chi.pdf(s * math.sqrt(6), 6) * math.sqrt(6)
    power = trapezoid(stats.norm.sf(stats.t.ppf(0.975, 6) * s - shift) * density, s)
    assert power_to_detect(cv, change_per_year=100 * r, years=[years]).by_formula[0, 0] == pytest.approx(power, abs=1e-6)


def test_simulation_uses_the_same_interval_as_the_trend(rng: np.random.Generator) -> None:
    plan = PLANS[0]
    index = simulate_indices(plan, 8.0, 8, replicates=200, rng=rng)
    by_trend = np.mean([log_linear(range(8), row).slope.lower > 0 for row in index])
    again = power_to_detect(plan, change_per_year=8, years=[8], rng=rng, replicates=4000).by_simulation[0, 0]
    assert by_trend == pytest.approx(again, abs=0.11)


def test_power_rises_with_years_and_size_of_change() -> None:
    found = power_to_detect(0.3, change_per_year=[2, 5, 10], years=range(3, 20)).by_formula
    assert (np.diff(found, axis=0) > 0).all()
    assert (np.diff(found, axis=1) > 0).all()


def test_limits() -> None:
    found = power_to_detect(0.2, change_per_year=[5.0], years=[1, 2, 3])
    assert np.isnan(found.by_formula[:2]).all() and not math.isnan(found.by_formula[2, 0])
    assert found.replicates == 0 and np.isnan(found.by_simulation).all()
    assert math.isnan(found.years_needed(0.8))
    assert power_to_detect(0.001, change_per_year=20, years=[30]).by_formula[0, 0] == 1


@pytest.mark.parametrize(
    ("call", "text"),
    [
        (lambda: power_to_detect(0.0), "must be above 0"),
        (lambda: power_to_detect(0.2, change_per_year=-100), "change_per_year must be above -100"),
        (lambda: power_to_detect(0.2, years=[2.5]), "whole numbers"),
        (lambda: power_to_detect(0.2, replicates=5), "100 or more"),
        (lambda: gerrodette_years(0, 0.2), "change must not be 0"),
        (lambda: SurveyPlan(0, 1, 3), "above 0"),
        (lambda: SurveyPlan(5, 1, 0), "1 or more"),
        (lambda: SurveyPlan(5, 1, 3, year_sd=-1), "not be negative"),
    ],
)
def test_messages(call, text: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(InputError, match=text):
        call()
