"""Catchability from pairs of catch rate and population."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats
from scipy.optimize import minimize

from fishreport.exceptions import InputError
from fishreport.methods.abundance import catchability, population_from_catch_rate
from fishreport.methods.estimate import Estimate

RATE, SIZE = [12.0, 20.0, 34.0, 25.0, 40.0], [100.0, 210.0, 320.0, 200.0, 430.0]


def test_interval_is_students_t_of_the_log_ratio() -> None:
    link = catchability(RATE, SIZE)
    ratio = np.log(np.array(RATE) / SIZE)
    wanted = np.exp(stats.t.interval(0.95, 4, ratio.mean(), stats.sem(ratio)))
    q = link.catchability
    assert q.value == pytest.approx(stats.gmean(np.array(RATE) / SIZE), rel=1e-12)
    assert (q.lower, q.upper) == pytest.approx(tuple(wanted), rel=1e-12)
    assert link.scatter == pytest.approx(ratio.std(ddof=1))


def test_exponent_agrees_with_direct_maximisation() -> None:
    # Least squares of the distance to the line, each side scaled by its own relative error.
    x, y = np.log(SIZE), np.log(RATE)

    def distance(line: np.ndarray) -> float:
        return float(((y - line[0] - line[1] * x) ** 2 / (0.2**2 + line[1] ** 2 * 0.1**2)).sum())

    best = minimize(distance, [-2.0, 1.0], method="Nelder-Mead", options={"xatol": 1e-10, "fatol": 1e-14, "maxiter": 9000})
    rate_se, size_se = 0.2 * np.array(RATE), 0.1 * np.array(SIZE)
    link = catchability(RATE, SIZE, catch_rate_se=rate_se, population_se=size_se)
    assert link.exponent.value == pytest.approx(best.x[1], rel=1e-6)


def test_exact_proportion_has_exponent_one_and_predicts_back() -> None:
    link = catchability(np.array(SIZE) * 0.1, SIZE)
    assert link.exponent.value == pytest.approx(1)
    assert link.catchability.value == pytest.approx(0.1)
    back = population_from_catch_rate(Estimate(30, 3, 24, 36, 0.95, "fish/h", "", 10), link)
    assert back.value == pytest.approx(300)
    assert back.se == pytest.approx(30, rel=1e-6)


def test_prediction_limits_hold_the_truth(rng) -> None:  # type: ignore[no-untyped-def]
    held = 0
    for _ in range(600):
        size = rng.uniform(200, 2000, 7)
        rate = size * 0.05 * rng.lognormal(0, 0.3, 7)
        link = catchability(rate[:6], size[:6])
        one = population_from_catch_rate(Estimate(rate[6], math.nan, math.nan, math.nan, 0.95, "fish/h", "", 1), link)
        held += one.lower <= size[6] <= one.upper
    assert 0.92 < held / 600 < 0.975


def test_too_few_pairs_and_missing_ones() -> None:
    link = catchability([10, 20, math.nan], [100, 200, 300])
    assert not link.catchability.estimable
    assert "2 pairs" in link.catchability.notes[0]
    assert not population_from_catch_rate(Estimate(30, 3, 24, 36, 0.95, "fish/h", "", 10), link).estimable
    zero = catchability([0, 10, 20, 30], [50, 100, 200, 300])
    assert any("catch rate of 0" in note for note in zero.catchability.notes)
    assert not zero.exponent.estimable


def test_impossible_pairs_are_refused() -> None:
    with pytest.raises(InputError, match="above 0"):
        catchability([10, 20, 30], [100, 0, 300])
    with pytest.raises(InputError, match="same number of rows"):
        catchability([10, 20], [100, 200, 300])
