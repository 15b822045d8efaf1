"""Sample sizes: published form worked by hand, this water's runs resampled, and too little to say."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from fishreport.exceptions import InputError
from fishreport.methods.precision import (
    design_effect,
    fish_needed_by_runs,
    fish_needed_for_mean,
    fish_needed_for_share,
    power_to_detect,
    runs_curve,
    runs_needed,
    units_needed,
)


def catches(rng: np.random.Generator, n: int, mean: float = 20.0, k: float = 2.0) -> tuple[np.ndarray, np.ndarray]:
    effort = rng.uniform(0.4, 0.6, n)
    return rng.poisson(mean * effort / 0.5 * rng.gamma(k, 1 / k, n)), effort


def test_units_by_hand() -> None:
    # n = (z s/(d x̄))², CV 0.8, d 0.25: 39.34, so 40 (Hubert & Fabrizio 2007 form, from memory; arithmetic ours).
    assert units_needed(0.8, 0.25, normal=True) == 40
    n = units_needed(0.8, 0.25)
    assert n == 42  # with t of its own n: (2.0195 × 0.8/0.25)² = 41.77 ≤ 42, while 41 gives 41.83 > 41
    assert n >= (stats.t.ppf(0.975, n - 1) * 3.2) ** 2
    assert n - 1 < (stats.t.ppf(0.975, n - 2) * 3.2) ** 2
    assert units_needed(0.0, 0.25) == 2


def test_runs_by_the_ratio_of_sums() -> None:
    catch, effort = np.array([10, 14, 6, 20, 12, 8]), np.array([0.5, 0.6, 0.4, 0.7, 0.5, 0.5])
    rate = 70 / 3.2
    cv = math.sqrt(((catch - rate * effort) ** 2).sum() / 5) / (70 / 6)
    found = runs_needed(catch, effort, relative_error=0.2)
    assert found.value == units_needed(cv, 0.2)
    assert found.lower <= found.value <= found.upper
    assert (found.units, found.n) == ("runs", 6)
    assert any("only 6 runs" in note for note in found.notes)
    assert runs_needed(catch * 3, effort * 3, relative_error=0.2).value == found.value, "units of effort do not matter"


def test_that_many_runs_reach_the_wanted_precision(rng: np.random.Generator) -> None:
    # Plan from 60 runs, then 1,000 new surveys of that many: the mean is within 25 % of the truth in about 95 %.
    catch, effort = catches(rng, 60)
    n = int(runs_needed(catch, effort).value)
    inside = 0
    for _ in range(1000):
        c, e = catches(rng, n)
        inside += abs(c.sum() / e.sum() / 40 - 1) <= 0.25
    assert inside / 1000 >= 0.92


def test_interval_of_the_answer_covers_the_answer_for_the_true_spread(rng: np.random.Generator) -> None:
    # 25 runs; 300 plans; the answer for the true coefficient of variation, from 200,000 runs.
    catch, effort = catches(rng, 200_000)
    rate = catch.sum() / effort.sum()
    truth = units_needed(float(np.sqrt(((catch - rate * effort) ** 2).mean()) / catch.mean()), 0.25)
    found = [runs_needed(*catches(rng, 25)) for _ in range(300)]
    assert 0.88 <= np.mean([one.lower <= truth <= one.upper for one in found]) <= 0.99


def test_curve_by_formula_and_by_resampling_agree(rng: np.random.Generator) -> None:
    catch, effort = catches(rng, 40)
    curve = runs_curve(catch, effort, rng=rng, resamples=2000)
    many = curve.runs >= 15
    np.testing.assert_allclose(curve.by_simulation[many], curve.by_formula[many], rtol=0.15)
    assert curve.by_formula[curve.runs <= 4].min() > curve.by_simulation[curve.runs <= 4].min()
    assert 0.7 <= curve.needed_by_simulation / curve.needed_by_formula <= 1.15
    assert curve.needed_by_formula == runs_needed(catch, effort).value
    same = runs_curve(catch, effort, rng=np.random.default_rng(3)), runs_curve(catch, effort, rng=np.random.default_rng(3))
    np.testing.assert_array_equal(same[0].by_simulation, same[1].by_simulation)


@pytest.mark.parametrize(
    ("catch", "reason"),
    [([3, 4, 5], "3 runs, 5 needed"), ([0] * 8, "no fish was caught"), ([], "0 runs, 5 needed")],
)
def test_too_little(catch: list[int], reason: str, rng: np.random.Generator) -> None:
    effort = np.full(len(catch), 0.5)
    found = runs_needed(catch, effort)
    assert found.notes == (f"not estimable: {reason}",)
    assert runs_curve(catch, effort, rng=rng).runs.size == 0


def test_odd_catches() -> None:
    even = runs_needed([5] * 6, [0.5] * 6)
    assert even.value == 2 and "same catch rate" in even.notes[0]
    one = runs_needed([9, 0, 0, 0, 0, 0], [0.5] * 6)
    assert not one.estimable and one.notes == ("not estimable: all fish came from one run",)
    alike = runs_needed([9, 0, 9, 0, 9, 0], [0.5] * 6)
    assert alike.estimable and alike.lower < alike.value < alike.upper
    other = runs_needed([5, 5, 5, 5, 5, 6], [0.5] * 6)
    assert math.isnan(other.lower) and any("all runs but one" in note for note in other.notes)
    gap = runs_needed([5, 6, 7, 8, 9, math.nan], [0.5] * 6)
    assert gap.n == 5 and "1 run without" in gap.notes[0]


def test_share_by_the_published_form() -> None:
    # Gustafson 1988 (from memory), n in place of n − 1: half-width 1.96 √(P (100 − P)/n); P 50, 100 fish: 9.800.
    assert fish_needed_for_share(50, half_width=9.8).value == 100
    assert fish_needed_for_share(50, half_width=9.8, deff=2.5).value in (250, 251)
    assert fish_needed_for_share(30, half_width=12.702).value == pytest.approx(50, abs=1)
    assert fish_needed_for_share(0).notes
    with pytest.raises(InputError, match="between 0 and 100"):
        fish_needed_for_share(120)


def test_design_effect(rng: np.random.Generator) -> None:
    alike = np.repeat([1, 0, 1, 0, 1, 0], 20)
    run = np.repeat(np.arange(6), 20)
    assert design_effect(alike, run) == pytest.approx(20 * 6 / 5)
    independent = [design_effect(rng.random(300) < 0.4, np.repeat(np.arange(15), 20)) for _ in range(60)]
    assert 1.0 <= np.mean(independent) < 1.4
    assert design_effect([1, 1, 1], [1, 2, 3]) == 1.0
    assert design_effect([1, 0], ["a", "a"]) == 1.0
    with pytest.raises(InputError, match="0 and 1"):
        design_effect([2, 0], [1, 2])


def test_mean_by_hand_and_with_runs(rng: np.random.Generator) -> None:
    values = np.tile([90.0, 110.0], 25)
    s = values.std(ddof=1)
    assert fish_needed_for_mean(values, half_width=3).value == units_needed(s, 3.0)
    run = np.repeat(np.arange(5), 10)
    shifted = rng.normal(95, 5, 50) + np.repeat(rng.normal(0, 8, 5), 10)
    assert fish_needed_for_mean(shifted, half_width=3, run=run).value > fish_needed_for_mean(shifted, half_width=3).value
    assert fish_needed_for_mean([1.0] * 4, half_width=1).notes == ("not estimable: 4 fish, 10 needed",)
    with pytest.raises(InputError, match="half_width"):
        fish_needed_for_mean(values, half_width=0)


def test_power_is_at_hand_here_too() -> None:
    assert power_to_detect(0.2, change_per_year=5, years=[10]).by_formula.shape == (1, 1)


@pytest.mark.parametrize(
    ("call", "text"),
    [
        (lambda: runs_needed([1] * 6, [0.5] * 6, relative_error=1.5), "relative_error must lie between 0 and 1"),
        (lambda: runs_needed([-1] * 6, [0.5] * 6), "catch must be 0 or more"),
        (lambda: runs_needed([1] * 6, [0.0] * 6), "effort_h must be above 0"),
        (lambda: runs_needed([1] * 6, [0.5] * 5), "same number of rows"),
        (lambda: units_needed(-1, 0.2), "cv must be 0 or more"),
        (lambda: runs_curve([1] * 6, [1] * 6, rng=np.random.default_rng(1), resamples=5), "100 or more"),
    ],
)
def test_messages(call, text: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(InputError, match=text):
        call()


def test_interval_of_the_fish_to_measure_is_that_of_runs_drawn_one_by_one(rng: np.random.Generator) -> None:
    size = rng.integers(4, 22, 20)
    run = np.repeat(np.arange(20), size)
    inside = (rng.random(len(run)) < np.repeat(rng.beta(3, 4, 20), size)).astype(float)
    found = fish_needed_by_runs(inside, run, rng=rng, resamples=4000)

    def needed(chosen: np.ndarray) -> float:
        x = np.concatenate([inside[run == k] for k in chosen])
        label = np.concatenate([np.full(size[k], i) for i, k in enumerate(chosen)])
        deff = design_effect(x, label)
        return fish_needed_for_share(100 * x.mean(), deff=deff).value

    assert found.value == needed(np.arange(20))
    drawn = [needed(rng.integers(0, 20, 20)) for _ in range(2000)]
    # Hesterberg 2015 (from memory): expanded percentiles, z of sqrt(n/(n - 1)) t(n - 1).
    reach = math.sqrt(20 / 19) * stats.t.ppf(0.975, 19)
    low, high = np.quantile(drawn, stats.norm.cdf([-reach, reach]))
    assert found.lower == pytest.approx(low, rel=0.06)
    assert found.upper == pytest.approx(high, rel=0.06)


def test_fish_to_measure_of_few_runs_has_no_interval(rng: np.random.Generator) -> None:
    found = fish_needed_by_runs([0, 1, 1, 0, 1, 0], [1, 1, 2, 2, 3, 3], rng=rng)
    assert found.estimable and math.isnan(found.lower)
    assert found.notes == ("no interval: 3 runs with such fish, 5 needed",)
    alike = fish_needed_by_runs(np.ones(30), np.repeat(np.arange(6), 5), rng=rng)
    assert alike.lower == alike.value == alike.upper
    assert not fish_needed_by_runs([math.nan], [1], rng=rng).estimable
