"""Sites against repeat runs: analysis of variance against statsmodels, known truth, and the best share of a budget."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from statsmodels.formula.api import ols
from statsmodels.stats.anova import anova_lm

from fishreport.exceptions import InputError
from fishreport.methods.allocation import allocate_runs, spread_of_catch


def test_components_against_an_analysis_of_variance(rng: np.random.Generator) -> None:
    site = np.repeat(np.arange(8), [3, 2, 4, 3, 3, 2, 5, 3])
    catch = rng.poisson(np.exp(3 + rng.normal(0, 0.4, 8)[site] + rng.normal(0, 0.3, site.size)))
    found = spread_of_catch(catch, np.full(site.size, 0.5), site)
    frame = pd.DataFrame({"y": catch / catch.mean(), "site": site})
    table = anova_lm(ols("y ~ C(site)", frame).fit())
    ms_between, ms_within = table["mean_sq"]
    sizes = np.bincount(site)
    n0 = (site.size - (sizes**2).sum() / site.size) / 7
    assert found.between_runs.value == pytest.approx(math.sqrt(ms_within))
    assert found.between_sites.value == pytest.approx(math.sqrt(max((ms_between - ms_within) / n0, 0)))
    assert (found.sites, found.runs) == (8, 25)
    assert found.mean_rate == pytest.approx(catch.mean() / 0.5)
    assert 1 / found.dispersion == pytest.approx(ms_within - 1 / catch.mean())


def test_components_recover_the_truth_over_seasons(rng: np.random.Generator) -> None:
    # Gamma sites (cv 0.3) and gamma runs (cv 0.5 of their site, so √(0.25 × 1.09) of the mean); season means differ tenfold and
    # must not matter. 200 surveys of 4 seasons, 12 sites, 3 runs; Monte Carlo error 1.5 points.
    site, season = np.repeat(np.tile(np.arange(12), 4), 3), np.repeat(np.arange(4), 36)
    truth = np.array([0.3, math.sqrt(0.25 * 1.09)])
    hits, values = np.zeros(2), []
    for _ in range(200):
        shift = rng.gamma(1 / 0.09, 0.09, 48)
        catch = np.repeat(shift, 3) * rng.gamma(4, 0.25, 144) * 10.0 ** (season / 3) * 20
        found = spread_of_catch(catch, np.ones(144), site, season=season)
        parts = (found.between_sites, found.between_runs)
        values.append([part.value for part in parts])
        hits += [part.lower <= true <= part.upper for part, true in zip(parts, truth, strict=True)]
    assert np.mean(values, axis=0) == pytest.approx(truth, abs=0.03)
    assert (hits / 200 >= 0.90).all()


def test_sites_that_do_not_differ() -> None:
    found = spread_of_catch([1, 3, 1, 3, 1, 3, 1, 3, 1, 3], np.ones(10), np.repeat(list("abcde"), 2))
    assert found.between_sites.value == 0
    assert "differ no more" in found.between_sites.notes[0]
    flat = spread_of_catch([1, 1, 3, 3, 2, 2, 4, 4, 5, 5], np.ones(10), np.repeat(list("abcde"), 2))
    assert flat.between_runs.value == 0 and flat.between_sites.value > 0


def test_too_little() -> None:
    one_each = spread_of_catch([3, 4, 5, 6], np.ones(4), list("abcd"))
    few = spread_of_catch([3, 4, 5, 6, 9, 2, 4, 6], np.ones(8), list("aaaabbbb"))
    assert "too narrow" in few.between_runs.notes[0] and few.between_runs.estimable and not few.between_sites.estimable
    assert "0 repeat runs, 5 needed" in one_each.between_runs.notes[0]
    assert "3 sites and 5 repeats needed" in one_each.between_sites.notes[0]
    assert math.isnan(one_each.dispersion)
    none = spread_of_catch([0] * 6, np.ones(6), list("aabbcc"))
    assert "no fish was caught" in none.between_sites.notes[0]
    even = spread_of_catch([20, 21, 19, 20, 20, 21, 20, 19, 20, 21], np.ones(10), np.repeat(list("abcde"), 2))
    assert even.dispersion == math.inf


def test_allocation_by_hand_and_optimum() -> None:
    # Cochran's optimum: √(cost of a site/cost of a run) × s_run/s_site = √(8/1) × 0.5/0.5 = 2.83.
    found = allocate_runs(0.5, 0.5, budget=200, cost_per_site=8, cost_per_run=1)
    assert found.best_runs_per_site == pytest.approx(math.sqrt(8))
    assert found.best["runs_per_site"] in (2, 3)
    row = found.frame[found.frame["runs_per_site"] == 2].iloc[0]
    assert (row["sites"], row["runs"], row["cost"]) == (20, 40, 200)
    assert row["relative_error"] == pytest.approx(2.0930 * math.sqrt(0.25 / 20 + 0.25 / 40), rel=1e-4)
    free = allocate_runs(0.4, 0.6, budget=30)
    assert free.best["runs_per_site"] == 1, "without costs of a site, new sites always tell more than repeats"
    assert allocate_runs(0.0, 0.6, budget=30, cost_per_site=5).best_runs_per_site == math.inf


def test_allocation_by_simulation(rng: np.random.Generator) -> None:
    found = allocate_runs(0.4, 0.6, budget=40, cost_per_site=1, cost_per_run=1)
    row = found.frame[found.frame["runs_per_site"] == 3].iloc[0]
    sites = int(row["sites"])
    rates = 1 + 0.4 * rng.normal(size=(4000, sites, 1)) + 0.6 * rng.normal(size=(4000, sites, 3))
    means = rates.mean(axis=2)
    half = row["relative_error"]
    inside = np.abs(means.mean(axis=1) - 1) <= half
    assert inside.mean() == pytest.approx(0.95, abs=0.04)


@pytest.mark.parametrize(
    ("options", "text"),
    [
        ({"budget": 1}, "pay for two sites"),
        ({"budget": 10, "cost_per_run": 0}, "must cost something"),
    ],
)
def test_messages(options: dict[str, float], text: str) -> None:
    with pytest.raises(InputError, match=text):
        allocate_runs(0.4, 0.5, **options)  # type: ignore[arg-type]
    with pytest.raises(InputError, match="not both 0"):
        allocate_runs(0, 0, budget=10)
