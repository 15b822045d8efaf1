"""Power to see a trend: Gerrodette 1987, Ecology 68:1364-1372 (formula from memory), worked out apart from this code."""

from __future__ import annotations

import math

import pytest

from fishreport.methods.trend_power import gerrodette_years, power_to_detect


def test_seasons_needed() -> None:
    # r² n³ ≥ 12 CV² (z_{α/2} + z_β)²; r = 0.05, CV = 0.2, α = 0.05 two-sided, power 0.95: n = 13.56, so 14 seasons.
    found = gerrodette_years(5, 0.2, power=0.95)
    assert found == pytest.approx(13.56, abs=0.005)
    assert math.ceil(found) == 14


def test_small_sample_power_agrees_at_that_length() -> None:
    # The t form of the same formula reaches 0.95 within a season of it.
    curve = power_to_detect(0.2, change_per_year=5, years=range(3, 25))
    assert curve.years_needed(0.95) in (14, 15)
