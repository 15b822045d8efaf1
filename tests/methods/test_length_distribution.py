"""Length-frequency tables, means, quantiles and the comparison of two seasons."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from fishreport.exceptions import InputError
from fishreport.methods.proportion import wilson_interval
from fishreport.methods.size_structure import compare_lengths, length_frequency, length_quantile, mean_length


def test_frequency_by_hand() -> None:
    table = length_frequency([100.0, 119.9, 120, 165, np.nan], bin_mm=20)
    assert table["lower_mm"].tolist() == [100, 120, 140, 160]
    assert table["upper_mm"].tolist() == [120, 140, 160, 180]
    assert table["count"].tolist() == [2, 1, 0, 1]
    low, high = wilson_interval([2, 1, 0, 1], 4, level=1 - 0.05 / 4)
    assert table["lower"].to_numpy() == pytest.approx(low) and table["upper"].to_numpy() == pytest.approx(high)
    alone = length_frequency([100.0, 119.9, 120, 165], bin_mm=20, simultaneous=False)
    assert (alone["upper"] < table["upper"]).all()


def test_frequency_widens_with_the_design_effect(rng: np.random.Generator) -> None:
    """The design effect by the shortcut sum equals the direct sum over runs and classes."""
    run = rng.integers(0, 15, 400)
    length = 200 + 60 * rng.normal(size=15)[run].clip(-2, 2) + 20 * rng.normal(size=400).clip(-2, 2)
    table = length_frequency(length, bin_mm=25, run=run, simultaneous=False)
    place = ((length - table["lower_mm"].iloc[0]) // 25).astype(int)
    size = np.bincount(run, minlength=15)
    effects, weights = [], []
    for k, p in enumerate(table["share"]):
        if 0 < p < 1:
            y = np.bincount(run, weights=place == k, minlength=15)
            effects.append(15 / 14 * ((y - p * size) ** 2).sum() / 400**2 / (p * (1 - p) / 400))
            weights.append(1 - p)
    effect = np.average(effects, weights=weights)
    assert effect > 2
    low, high = wilson_interval(table["count"] / effect, np.full(len(table), 400 / effect))
    assert table["lower"].to_numpy() == pytest.approx(low) and table["upper"].to_numpy() == pytest.approx(high)


def test_frequency_degenerate() -> None:
    assert len(length_frequency([])) == 0
    assert length_frequency([200.0])["count"].tolist() == [1]
    assert np.isnan(length_frequency([200.0, 250.0], run=["a", "a"])["lower"]).all()
    with pytest.raises(InputError, match="bin_mm must be above 0"):
        length_frequency([200.0], bin_mm=0)
    with pytest.raises(InputError, match="at most 100000 classes"):
        length_frequency([1.0, 1000.0], bin_mm=0.001)


def test_mean_without_runs_is_students(rng: np.random.Generator) -> None:
    length = rng.normal(300, 50, 30)
    got, theirs = mean_length(length), stats.ttest_1samp(length, 0).confidence_interval(0.95)
    assert (got.lower, got.upper) == pytest.approx((theirs.low, theirs.high))
    assert got.units == "mm"


def test_mean_with_runs_of_equal_size_is_students_of_run_means(rng: np.random.Generator) -> None:
    means = rng.normal(300, 50, 8)
    length = np.repeat(means, 5) + np.tile([-10.0, -5, 0, 5, 10], 8)
    got = mean_length(length, run=np.repeat(np.arange(8), 5))
    theirs = stats.ttest_1samp(means, 0).confidence_interval(0.95)
    assert (got.lower, got.upper) == pytest.approx((theirs.low, theirs.high))
    assert got.n == 8


def test_mean_degenerate() -> None:
    assert "1 fish, 2 needed" in mean_length([200.0]).notes[0]
    assert "3 fish in 1 run, 2 runs needed" in mean_length([200.0, 210, 220], run=["a"] * 3).notes[0]
    alike = mean_length([200.0] * 6, run=list("aabbcc"))
    assert (alike.value, alike.se, alike.lower, alike.upper) == (200, 0, 200, 200)


def test_median_interval_without_runs_is_that_of_order_statistics(rng: np.random.Generator) -> None:
    """Normal theory for a sample of 400: the ranks 180 and 220 of order statistics, within one rank."""
    length = rng.normal(300, 50, 400).clip(1)
    got = length_quantile(length, 0.5)
    ordered = np.sort(length)
    assert got.value == pytest.approx(np.median(length))
    assert ordered[178] <= got.lower <= ordered[181] and ordered[218] <= got.upper <= ordered[221]


def test_quantile_widens_with_runs_and_degenerates() -> None:
    run = np.repeat(np.arange(10), 10)
    length = 100.0 + 20 * run + np.tile(np.arange(10.0), 10)
    plain, clustered = length_quantile(length, 0.5), length_quantile(length, 0.5, run=run)
    assert clustered.upper - clustered.lower > 1.5 * (plain.upper - plain.lower)
    assert "4 fish, 5 needed" in length_quantile([1.0, 2, 3, 4], 0.5).notes[0]
    assert "1 run, 2 needed" in length_quantile(np.arange(1.0, 20), 0.5, run=["a"] * 19).notes[0]
    assert length_quantile([1.0, 2, 3, 4, 5, 6], 0.99).upper == math.inf
    with pytest.raises(InputError, match="probability must lie between 0 and 1"):
        length_quantile([1.0], 50)


def test_distance_is_that_of_kolmogorov_and_smirnov(rng: np.random.Generator) -> None:
    a, b = rng.normal(300, 40, 80).clip(1), rng.normal(330, 40, 70).clip(1)
    got = compare_lengths(np.concatenate([a, b]), ["old"] * 80 + ["new"] * 70, run=np.arange(150) // 5, rng=rng, resamples=199)
    theirs = stats.ks_2samp(a, b)
    assert got.distance == pytest.approx(theirs.statistic)
    assert got.at_mm == pytest.approx(theirs.statistic_location)
    assert got.runs == (14, 16) and got.fish == (70, 80)


def test_with_one_fish_a_run_the_permutation_agrees_with_the_exact_test(rng: np.random.Generator) -> None:
    length = rng.normal(300, 40, 60).clip(1)
    length[:30] += 18
    group = np.repeat([1, 2], 30)
    got = compare_lengths(length, group, run=np.arange(60), rng=rng, resamples=4000)
    exact = stats.ks_2samp(length[:30], length[30:], method="exact").pvalue
    assert got.p_value == pytest.approx(exact, abs=4 * math.sqrt(exact * (1 - exact) / 4000) + 0.002)


@pytest.mark.calibration
def test_permutation_holds_its_size_where_the_textbook_test_does_not(rng: np.random.Generator) -> None:
    """No change between two seasons of 12 runs, fish of a run alike: 5 % of tests may reject, by chance up to 10.5 % of 200."""
    ours = theirs = 0
    run, group = np.repeat(np.arange(24), 15), np.repeat([1, 2], 180)
    for _ in range(200):
        length = 300 + 30 * rng.normal(size=24)[run] + 40 * rng.normal(size=360)
        ours += compare_lengths(length.clip(1), group, run=run, rng=rng, resamples=199).p_value <= 0.05
        theirs += stats.ks_2samp(length[:180], length[180:], method="asymp").pvalue <= 0.05
    print(f"rejected without a change: {ours / 2:.1f} % by permutation of runs, {theirs / 2:.1f} % by the textbook test")
    assert ours <= 21 and theirs > 40


def test_comparison_messages_and_degenerate(rng: np.random.Generator) -> None:
    short = compare_lengths([200.0, 210, 220], ["a", "a", "b"], run=[1, 2, 3], rng=rng)
    assert math.isnan(short.p_value) and "2 and 1 runs with measured fish" in short.notes[0]
    with pytest.raises(InputError, match="exactly two labels; got 3"):
        compare_lengths([200.0] * 3, ["a", "b", "c"], run=[1, 2, 3], rng=rng)
    with pytest.raises(InputError, match="each run must belong to one group"):
        compare_lengths([200.0] * 4, ["a", "b", "a", "b"], run=[1, 1, 2, 3], rng=rng)
    alike = compare_lengths([200.0] * 8, ["a"] * 4 + ["b"] * 4, run=np.arange(8), rng=rng, resamples=99)
    assert (alike.distance, alike.p_value) == (0, 1)
