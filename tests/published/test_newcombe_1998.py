"""Newcombe 1998, Statistics in Medicine 17:857-872, table I (limits from memory, recomputed with other software)."""

from __future__ import annotations

import pytest

from fishreport.methods.proportion import exact_interval, wilson_interval

CASES = [
    (81, 263, (0.2527, 0.3676), (0.2553, 0.3662)),
    (15, 148, (0.0578, 0.1617), (0.0624, 0.1605)),
    (0, 20, (0.0000, 0.1684), (0.0000, 0.1611)),
    (1, 29, (0.0009, 0.1776), (0.0061, 0.1718)),
]


@pytest.mark.parametrize(("x", "n", "exact", "wilson"), CASES)
def test_limits_as_printed(x: int, n: int, exact: tuple[float, float], wilson: tuple[float, float]) -> None:
    assert tuple(map(float, exact_interval(x, n))) == pytest.approx(exact, abs=5.1e-5)
    assert tuple(map(float, wilson_interval(x, n))) == pytest.approx(wilson, abs=5.1e-5)
