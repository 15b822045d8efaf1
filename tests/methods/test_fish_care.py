"""Shares of harmed fish and nights that stand out: published exact limits, Fisher's test, and the rate of false alarms."""

from __future__ import annotations

import math
import subprocess

import numpy as np
import pytest
from scipy import stats

from fishreport.exceptions import InputError
from fishreport.methods.fish_care import flag_bad_nights, harm_ratio, harmed_share


@pytest.mark.parametrize(
    ("x", "n", "lower", "upper"),
    [(81, 263, 0.2527, 0.3676), (15, 148, 0.0578, 0.1617), (0, 20, 0.0, 0.1684), (1, 29, 0.0009, 0.1776)],
)
def test_exact_limits_of_newcombe_1998(x: int, n: int, lower: float, upper: float) -> None:
    # Newcombe 1998, Stat. Med. 17:857-872, table I, Clopper-Pearson (from memory).
    found = harmed_share(x, n)
    assert (found.lower / 100, found.upper / 100) == pytest.approx((lower, upper), abs=5.1e-5)
    assert found.value == pytest.approx(100 * x / n)


def test_no_fish() -> None:
    assert harmed_share(0, 0).notes == ("not estimable: no fish handled",)
    with pytest.raises(InputError, match="0 ≤ harmed ≤ handled"):
        harmed_share(3, 2)


def test_a_bad_night_is_flagged_and_the_others_not() -> None:
    found = flag_bad_nights(["a", "b", "c", "d"], [200, 180, 220, 150], [2, 1, 2, 14])
    assert found.frame["flagged"].tolist() == [False, False, False, True]
    assert found.usual.value == pytest.approx(100 * 19 / 750)
    row = found.frame.iloc[3]
    fisher = stats.fisher_exact([[14, 136], [5, 595]], alternative="greater").pvalue
    assert row["p"] == pytest.approx(fisher, rel=1e-9)
    assert row["expected"] == pytest.approx(150 * 5 / 600)
    assert "1% of surveys" in found.rule


def test_one_dead_fish_or_a_lone_night_is_no_alarm() -> None:
    assert not flag_bad_nights(["a", "b"], [1, 5000], [1, 0]).frame["flagged"].any()
    lone = flag_bad_nights(["a"], [10], [9]).frame.iloc[0]
    assert not lone["flagged"] and math.isnan(lone["p"])
    empty = flag_bad_nights(["a", "b", "c"], [0, 50, math.nan], [0, 1, 0])
    assert len(empty.frame) == 2
    assert math.isnan(empty.frame.loc[0, "share"])


def test_false_alarms_are_rarer_than_stated(rng: np.random.Generator) -> None:
    # Twelve nights alike at 3 % harm; stated: at most 1 % of surveys with any flag. The exact test is conservative.
    alarms = 0
    for _ in range(400):
        handled = rng.integers(40, 200, 12)
        alarms += flag_bad_nights(range(12), handled, rng.binomial(handled, 0.03)).frame["flagged"].any()
    assert alarms / 400 <= 0.02


@pytest.mark.parametrize(
    ("columns", "text"),
    [
        (([1, 1], [5, 5], [0, 0]), "one row"),
        (([1, 2], [5, 5], [0, 6]), "no more harmed"),
        (([1, 2], [5, 5], [0, 0.5]), "whole numbers"),
        (([1, 2], [5, 5], [0, -1]), "harmed must be 0 or more"),
        (([1, 2], [5, 5, 5], [0, 1, 1]), "same number of rows"),
    ],
)
def test_messages(columns: tuple[list[float], ...], text: str) -> None:
    with pytest.raises(InputError, match=text):
        flag_bad_nights(*columns)


R_RATIO = (
    'r <- poisson.test(c(24, 127), c(781, 6891)); cat(sprintf("%.10f %.10f %.10f", r$estimate, r$conf.int[1], r$conf.int[2]))'
)


def _evenly(harmed: int, handled: int, runs: int) -> tuple[np.ndarray, np.ndarray]:
    """Harm spread over runs as evenly as whole fish allow: no more spread than by chance."""
    share = [np.diff(np.floor(np.linspace(0, total, runs + 1) + 1e-9)) for total in (harmed, handled)]
    return share[0], share[1]


def _two_periods(later: tuple[int, int], before: tuple[int, int]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    now, then = _evenly(*later, later[0]), _evenly(*before, before[0])
    return np.r_[now[0], then[0]], np.r_[now[1], then[1]], np.arange(later[0] + before[0]) < later[0]


@pytest.mark.r
def test_ratio_of_harm_is_that_of_r() -> None:
    done = subprocess.run(["Rscript", "-e", R_RATIO], capture_output=True, text=True, check=True)
    found = harm_ratio(*_two_periods((24, 781), (127, 6891)))
    value, lower, upper = map(float, done.stdout.split())
    assert found.value == pytest.approx(value, rel=1e-9)
    # One harmed a run: nothing but the factor (t/z)² of 149 degrees of freedom, 1.017, moves the limits out.
    assert lower * 0.99 < found.lower < lower < upper < found.upper < upper * 1.01
    spread = (stats.t.ppf(0.975, 149) / stats.norm.ppf(0.975)) ** 2
    low, high = stats.beta.ppf([0.025, 0.975], [24 / spread, 24 / spread + 1], [127 / spread + 1, 127 / spread])
    by_hand = [share / (1 - share) * 6891 / 781 for share in (low, high)]
    assert [found.lower, found.upper] == pytest.approx(by_hand, rel=1e-9)


def test_ratio_of_harm_excludes_one_as_an_exact_test_does() -> None:
    found = harm_ratio(*_two_periods((24, 781), (127, 6891)))
    assert found.lower > 1
    # Conditional test of two Poisson rates: the later count is binomial given the sum (Przyborowski & Wilenski 1940).
    assert stats.binomtest(24, 151, 781 / 7672).pvalue < 0.05
    assert stats.fisher_exact([[24, 757], [127, 6764]]).pvalue < 0.05
    unclear = harm_ratio(*_two_periods((17, 781), (127, 6891)))
    assert unclear.lower < 1 < unclear.upper and stats.binomtest(17, 144, 781 / 7672).pvalue > 0.05


def test_harm_that_comes_in_heaps_widens_the_ratio() -> None:
    handled, later = np.full(60, 30), np.arange(60) < 30
    even, heaped = np.r_[np.ones(30), np.zeros(15), np.ones(15)], np.r_[[15.0, 15.0], np.zeros(28), [15.0], np.zeros(29)]
    one, other = harm_ratio(even, handled, later), harm_ratio(heaped, handled, later)
    assert one.value == other.value == 2.0
    assert other.upper / other.lower > 4 * one.upper / one.lower


def test_ratio_without_harm_on_a_side() -> None:
    later = np.array([True, True, False, False])
    none_now = harm_ratio([0, 0, 3, 2], [40, 40, 40, 40], later)
    assert none_now.value == 0 == none_now.lower and 0 < none_now.upper < math.inf
    none_before = harm_ratio([1] * 11 + [0] * 11, [40] * 22, np.arange(22) < 11)
    assert not none_before.estimable and 1 < none_before.lower < none_before.upper == math.inf
    assert harm_ratio([0, 0], [5, 5], [True, False]).notes == ("not estimable: no fish was harmed",)
    assert not harm_ratio([1, 0], [5, 0], [True, False]).estimable
    with pytest.raises(InputError, match="no more harmed"):
        harm_ratio([6], [5], [True])


def test_ratio_of_equal_harm_is_seldom_told_from_one(rng: np.random.Generator) -> None:
    later = np.arange(120) < 24
    told = 0
    for _ in range(400):
        handled = rng.integers(10, 60, 120)
        harmed = rng.binomial(handled, np.clip(rng.beta(1, 40, 120), 0, 1))
        found = harm_ratio(harmed, handled, later)
        told += not found.lower <= 1 <= found.upper
    assert told / 400 <= 0.07
