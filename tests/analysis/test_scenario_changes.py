"""Changes of chances over the same draws, and today's harvest by the model beside the counted one."""

from __future__ import annotations

import math
from types import SimpleNamespace

import numpy as np
import pytest

from fishreport.analysis.scenario_changes import CreelCheck, chance_change
from fishreport.methods.estimate import Estimate
from fishreport.population.decision import Goal


def met_in(*rows: list[int]) -> SimpleNamespace:
    """A projection of which each row of ones and zeros tells in which draws a scenario reaches 1."""
    return SimpleNamespace(at=lambda quantity, *, year, over_years: np.array(rows, float))


GOAL = Goal("density_stock", at_least=1.0)


def kept(value: float, low: float, high: float) -> Estimate:
    return Estimate(value, (high - low) / 3.92, low, high, 0.95, "fish/km", "", 9)


def test_a_change_of_chances_is_taken_draw_by_draw():
    """60 of 100 and 50 of 100: clear where the same draws meet it, not where they are others."""
    first = [1] * 60 + [0] * 40
    nested, crossed = [1] * 50 + [0] * 50, [0] * 45 + [1] * 50 + [0] * 5
    told, untold = (chance_change(met_in(first, other), GOAL, 1, year=10, level=0.95) for other in (nested, crossed))
    assert told.value == untold.value == -10
    assert told.upper < 0 < untold.upper
    # By hand, of 10 draws that lose it and none that gain it: b = 10.5, c = 0.5, N = 102.
    se = math.sqrt(11 - 100 / 102) / 102
    assert (told.lower, told.upper) == pytest.approx((100 * (-10 / 102 - 1.959964 * se), 100 * (-10 / 102 + 1.959964 * se)))


def test_alike_in_every_draw_is_no_change():
    change = chance_change(met_in([1, 0, 1, 1], [1, 0, 1, 1]), GOAL, 1, year=10, level=0.95)
    assert change.value == 0 and change.lower < 0 < change.upper


def test_half_of_what_was_counted_is_told_although_the_intervals_meet():
    """15 (11 to 20) against 8 (4 to 12): on the log scale -0.63, and 1.96 standard errors above it still below 0."""
    check = CreelCheck(2025, kept(15, 11, 20), kept(8, 4, 12))
    share = check.share
    assert share.value == pytest.approx(100 * 8 / 15)
    up = math.hypot(math.log(12 / 8), math.log(15 / 11))
    down = math.hypot(math.log(8 / 4), math.log(20 / 15))
    assert (share.lower, share.upper) == pytest.approx((100 * 8 / 15 * math.exp(-down), 100 * 8 / 15 * math.exp(up)))
    assert share.upper < 100 and not check.agree
    assert check.notes == ("the model's legal harvest of today is 53% of what the creel survey counted",)
    assert CreelCheck(2025, kept(15, 11, 20), kept(12, 7, 17)).notes == ()
    assert CreelCheck(2025, kept(15, 11, 20), kept(12, 7, 17)).agree


def test_nothing_kept_has_no_ratio():
    none = Estimate(0.0, math.nan, math.nan, math.nan, 0.95, "fish/km", "", 9)
    check = CreelCheck(2025, none, kept(8, 4, 12))
    assert not check.share.estimable and not check.agree
    assert CreelCheck(2025, none, none).agree


def test_a_count_without_an_interval_is_taken_as_exact():
    exact = Estimate(15.0, math.nan, math.nan, math.nan, 0.95, "fish/km", "", 9)
    share = CreelCheck(2025, exact, kept(8, 4, 12)).share
    assert (share.lower, share.upper) == pytest.approx((100 * 4 / 15, 100 * 12 / 15))
