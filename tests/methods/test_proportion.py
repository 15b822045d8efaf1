"""Binomial intervals."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from fishreport.exceptions import InputError
from fishreport.methods.proportion import effective_trials, exact_interval, wilson_interval


@pytest.mark.parametrize("level", [0.8, 0.95, 0.99])
@pytest.mark.parametrize(("x", "n"), [(0, 7), (7, 7), (3, 7), (81, 263), (1, 1000)])
def test_agree_with_scipy(x: int, n: int, level: float) -> None:
    for ours, method in ((exact_interval, "exact"), (wilson_interval, "wilson")):
        theirs = stats.binomtest(x, n).proportion_ci(confidence_level=level, method=method)
        low, high = ours(x, n, level=level)
        assert (float(low), float(high)) == pytest.approx((theirs.low, theirs.high), abs=1e-12)


def test_vectorised_over_shapes_and_missing() -> None:
    low, high = exact_interval([[0, 1], [2, np.nan]], [5, 5])
    assert low.shape == (2, 2) and np.isnan(low[1, 1]) and np.isnan(high[1, 1])
    assert exact_interval(0, 0) == (0.0, 1.0)
    assert wilson_interval(0, 0) == (0.0, 1.0)


def test_messages() -> None:
    with pytest.raises(InputError, match="between 0 and trials; got 6 of 5"):
        exact_interval(6, 5)
    with pytest.raises(InputError, match="level must be a number between 0 and 1"):
        wilson_interval(1, 5, level=95)
    with pytest.raises(InputError, match="successes and trials"):
        exact_interval([1, 2], [1, 2, 3])


def test_effective_trials() -> None:
    """By hand: p = 0.3, v = 0.0042 → 50 fish; with t ratio (1.9720/2.2010)² = 0.8027 for 200 fish in 12 runs: 40.14."""
    assert effective_trials(0.3, 0.0042, 200, 12, 0.95) == pytest.approx(50 * (1.971957 / 2.200985) ** 2, rel=1e-5)
    assert effective_trials(0.3, 1e-9, 200, 10_000, 0.95) == 200
    assert effective_trials(0.0, 0.0, 100, 12, 0.95) == pytest.approx(100 * (1.984217 / 2.200985) ** 2, rel=1e-5)


@pytest.mark.parametrize("factor", [0.2, 0.7, 1.0, 3.0])
def test_effective_trials_are_bounded_before_the_ratio_of_t(factor: float) -> None:
    # factor: clustered variance over that of independent trials; below 1 the bound comes first and the ratio of t after.
    ratio = float(stats.t.ppf(0.975, 39) / stats.t.ppf(0.975, 4))
    found = effective_trials(0.3, factor * 0.3 * 0.7 / 40, 40, 5, 0.95)
    assert found == pytest.approx(min(40 / factor, 40) * ratio**2, rel=1e-9)
