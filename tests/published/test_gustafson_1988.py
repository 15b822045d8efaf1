"""Gustafson 1988: size of the interval of proportional stock density (formula from memory; exact limits computed).

The normal half-width 1.96 sqrt(P(100 − P)/(n − 1)) is the trade's rule; the exact interval must lie about it.
"""

from __future__ import annotations

import numpy as np
import pytest

from fishreport.methods.size_structure import proportional_size


@pytest.mark.parametrize(
    ("percent", "n", "half_width", "exact"),
    [(50, 100, 9.849, (39.83, 60.17)), (60, 120, 8.802, (50.66, 68.83)), (30, 50, 12.831, (17.86, 44.61))],
)
def test_exact_limits_about_the_normal_ones(percent: int, n: int, half_width: float, exact: tuple[float, float]) -> None:
    quality = n * percent // 100
    length = np.repeat([320.0, 250.0, 120.0], [quality, n - quality, 40])
    got = proportional_size(length, stock=200, bound=300)
    assert got.value == pytest.approx(percent)
    assert (got.lower, got.upper) == pytest.approx(exact, abs=0.006)
    assert 1.96 * got.se * np.sqrt(n / (n - 1)) == pytest.approx(half_width, abs=6e-4)
    assert abs((got.upper - got.lower) / 2 - half_width) < 0.9
