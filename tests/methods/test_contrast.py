"""Differences, ratios and means of independent estimates."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import norm

from fishreport.exceptions import InputError
from fishreport.methods.contrast import difference, mean_of, percent_change
from fishreport.methods.estimate import Estimate


def estimate(value: float, lower: float, upper: float, units: str = "fish/h", level: float = 0.95, n: int = 10) -> Estimate:
    z = norm.ppf((1 + level) / 2)
    return Estimate(value, (upper - lower) / (2 * z), lower, upper, level, units, "made", n)


def wilson(x: int, n: int, level: float = 0.95) -> Estimate:
    z = norm.ppf((1 + level) / 2)
    p, half = x / n, z * math.sqrt(x / n * (1 - x / n) / n + z**2 / (4 * n**2))
    centre, by = p + z**2 / (2 * n), 1 + z**2 / n
    return Estimate(p, math.sqrt(p * (1 - p) / n), (centre - half) / by, (centre + half) / by, level, "", "Wilson", n)


@pytest.mark.parametrize(
    ("first", "second", "lower", "upper"),
    [((56, 70), (48, 80), 0.0524, 0.3339), ((9, 10), (3, 10), 0.1705, 0.8090), ((10, 10), (0, 10), 0.6075, 1.0000)],
)
def test_newcombe_1998_method_10(first: tuple[int, int], second: tuple[int, int], lower: float, upper: float) -> None:
    # Newcombe 1998, Stat. Med. 17:873-890, table II, score method without continuity correction (from memory).
    found = difference(wilson(*second), wilson(*first))
    assert found.lower == pytest.approx(lower, abs=5e-5)
    assert found.upper == pytest.approx(upper, abs=5e-5)


def test_difference_of_normal_estimates_is_the_normal_interval() -> None:
    found = difference(estimate(10, 8, 12), estimate(15, 12, 18))
    half = math.hypot(2, 3)
    assert (found.value, found.lower, found.upper) == pytest.approx((5, 5 - half, 5 + half))
    assert found.se == pytest.approx(half / 1.959964, rel=1e-6)
    assert found.n == 20


def test_percent_change_of_lognormal_estimates_is_exact_on_the_log_scale() -> None:
    a = estimate(50, 50 / 1.2, 50 * 1.2)
    b = estimate(75, 75 / 1.5, 75 * 1.5)
    found = percent_change(a, b)
    half = math.hypot(math.log(1.2), math.log(1.5))
    assert (found.value, found.units) == (pytest.approx(50), "percent")
    assert found.lower == pytest.approx(100 * (1.5 * math.exp(-half) - 1))
    assert found.upper == pytest.approx(100 * (1.5 * math.exp(half) - 1))


def test_mean_of_seasons() -> None:
    found = mean_of([estimate(10, 8, 12), estimate(20, 17, 23), estimate(30, 24, 36)])
    assert found.value == 20
    assert found.upper - 20 == pytest.approx(math.sqrt(4 + 9 + 36) / 3)
    one_lost = mean_of([estimate(10, 8, 12), Estimate.not_estimable("no runs", units="fish/h")])
    assert one_lost.value == 10
    assert "1 of 2 values" in one_lost.notes[0]
    assert mean_of([estimate(10, 8, 12)]).method == "made"


def test_what_cannot_be_compared() -> None:
    lost = Estimate.not_estimable("no runs", units="fish/h")
    assert "the first" in difference(lost, estimate(1, 0, 2)).notes[0]
    assert "the first and the second" in percent_change(lost, lost).notes[0]
    assert "not above zero" in percent_change(estimate(1, 0, 2), estimate(3, 2, 4)).notes[0]
    assert mean_of([lost, lost]).notes == ("not estimable: no runs",)
    with pytest.raises(InputError, match="same units"):
        difference(estimate(1, 0, 2), estimate(1, 0, 2, "mm"))
    with pytest.raises(InputError, match="same level"):
        percent_change(estimate(1, 0.5, 2), estimate(1, 0.5, 2, level=0.9))
    with pytest.raises(InputError, match="at least one"):
        mean_of([])


def test_a_ratio_that_tells_nothing_is_no_percentage() -> None:
    one, two = estimate(0.4, 0.003, 5.2), estimate(0.9, 0.006, 142.7)
    found = percent_change(one, two)
    assert not found.estimable and found.notes == (
        "not estimable: the limits of the ratio lie more than a factor of 1,000 apart",
    )
    assert difference(one, two).estimable
    assert percent_change(estimate(4, 2, 8), estimate(9, 3, 27)).estimable


def test_percent_change_covers(rng: np.random.Generator) -> None:
    # Two log-normal estimates with true ratio 1.3; 4,000 surveys, Monte Carlo error 0.35 points.
    hits = 0
    for _ in range(4000):
        values = np.exp(rng.normal(np.log([40, 52]), [0.15, 0.25]))
        pair = [estimate(v, v * math.exp(-1.96 * s), v * math.exp(1.96 * s)) for v, s in zip(values, (0.15, 0.25), strict=True)]
        found = percent_change(*pair)
        hits += found.lower <= 30 <= found.upper
    assert 0.938 <= hits / 4000 <= 0.962
