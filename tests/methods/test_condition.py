"""Relative weight, condition factor, handling mortality."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from fishreport.exceptions import InputError
from fishreport.methods.condition import (
    condition_factor,
    handling_mortality,
    mean_relative_weight,
    relative_weight,
    relative_weight_by_category,
    relative_weight_trend,
)
from fishreport.methods.proportion import exact_interval
from fishreport.species import load_standards

LOTIC = load_standards().find("brown trout (lotic)")


def test_by_hand() -> None:
    """Standard weight of a 300 mm brown trout in running water: 291.9 g (10^(-4.867 + 2.960 log10 300))."""
    got = relative_weight([300, 300, 139, np.nan, 400], [291.9, 262.7, 30, 100, np.nan], LOTIC)
    assert got[:2] == pytest.approx([100.0, 90.0], abs=0.02)
    assert np.isnan(got[2:]).all()


def test_a_fish_of_standard_weight_is_100() -> None:
    length = np.linspace(140, 900, 50)
    assert relative_weight(length, LOTIC.standard_weight(length), LOTIC) == pytest.approx(100)


def test_mean_notes_who_was_left_out() -> None:
    got = mean_relative_weight([300, 400, 100, 350], [291.9, 684.1 * 0.9, 10, np.nan], LOTIC)
    assert got.value == pytest.approx(95, abs=0.02) and got.n == 2
    assert got.notes == ("1 fish outside the limits of the standard for brown trout (lotic) left out",)


def test_mean_by_runs_of_equal_size_is_students(rng: np.random.Generator) -> None:
    length = rng.uniform(150, 450, 60)
    run = np.repeat(np.arange(12), 5)
    weight = LOTIC.standard_weight(length) * (0.9 + 0.05 * rng.normal(size=12)[run] + 0.05 * rng.normal(size=60))
    got = mean_relative_weight(length, weight, LOTIC, run=run)
    wr = relative_weight(length, weight, LOTIC).reshape(12, 5).mean(axis=1)
    theirs = stats.ttest_1samp(wr, 0).confidence_interval(0.95)
    assert (got.lower, got.upper) == pytest.approx((theirs.low, theirs.high))
    assert got.n == 12


def test_categories_partition_the_fish(rng: np.random.Generator) -> None:
    length = rng.uniform(140, 520, 400)
    weight = LOTIC.standard_weight(length) * rng.normal(0.95, 0.08, 400)
    parts = relative_weight_by_category(length, weight, LOTIC)
    assert list(parts) == [
        "sub-stock", "stock-quality", "quality-preferred", "preferred-memorable", "memorable-trophy", "trophy"
    ]  # fmt: skip
    total = mean_relative_weight(length, weight, LOTIC)
    assert sum(part.n for part in parts.values()) == total.n == 400
    assert sum(part.n * part.value for part in parts.values()) / 400 == pytest.approx(total.value)
    with pytest.raises(InputError, match="kokanee has none"):
        relative_weight_by_category(length, weight, load_standards().find("kokanee"))


def test_trend_agrees_with_linregress(rng: np.random.Generator) -> None:
    length = rng.uniform(140, 520, 80)
    weight = LOTIC.standard_weight(length) * (1.05 - 0.0004 * length + rng.normal(0, 0.05, 80))
    got = relative_weight_trend(length, weight, LOTIC)
    theirs = stats.linregress(length / 100, relative_weight(length, weight, LOTIC))
    assert (got.value, got.se) == pytest.approx((theirs.slope, theirs.stderr))
    assert got.upper < 0 and got.units == "per 100 mm"
    by_run = relative_weight_trend(length, weight, LOTIC, run=np.arange(80) % 10)
    assert by_run.value == pytest.approx(got.value) and by_run.n == 10 and by_run.se != pytest.approx(got.se)


def test_trend_degenerate() -> None:
    assert "9 weighed fish, 10 needed" in relative_weight_trend(np.arange(200.0, 209), [90.0] * 9, LOTIC).notes[0]
    assert "same length" in relative_weight_trend([200.0] * 12, [90.0] * 12, LOTIC).notes[0]
    few = relative_weight_trend(np.arange(200.0, 212), [90.0] * 12, LOTIC, run=["a", "b"] * 6)
    assert "2 runs with weighed fish, 3 needed" in few.notes[0]


def test_condition_factor_by_hand() -> None:
    """K = 10^5 · 270/300³ = 1.0 and 10^5 · 88/200³ = 1.1; mean 1.05, s/√2 = 0.05."""
    got = condition_factor([300, 200, np.nan], [270, 88, 5])
    assert (got.value, got.se) == pytest.approx((1.05, 0.05))
    assert got.notes == ("1 fish without length or weight left out",)


def test_degenerate_means() -> None:
    assert "0 fish, 2 needed" in mean_relative_weight([], [], LOTIC).notes[0]
    assert "1 fish, 2 needed" in condition_factor([300], [270]).notes[0]
    assert "in 1 run, 2 runs needed" in condition_factor([300, 200], [270, 88], run=["a", "a"]).notes[0]
    with pytest.raises(InputError, match="weight_g must be above 0"):
        relative_weight([300], [-1], LOTIC)


def test_handling_exact() -> None:
    got = handling_mortality(1, 29)
    low, high = exact_interval(1, 29)
    assert (got.value, got.lower, got.upper) == pytest.approx((100 / 29, 100 * low, 100 * high))
    assert (got.n, got.units) == (29, "percent")
    assert handling_mortality(0, 300).upper == pytest.approx(100 * (1 - 0.025 ** (1 / 300)))


def test_handling_by_runs_is_wider_when_deaths_come_together() -> None:
    spread = handling_mortality([1] * 10, [40] * 10)
    together = handling_mortality([10] + [0] * 9, [40] * 10)
    assert spread.value == together.value == 2.5
    assert together.upper > spread.upper >= handling_mortality(10, 400).upper
    assert together.n == 10


def test_handling_degenerate_and_messages() -> None:
    assert not handling_mortality(0, 0).estimable
    assert any("too narrow" in note for note in handling_mortality([1], [30]).notes)
    assert math.isnan(handling_mortality([0, 0], [30, 20]).se)
    with pytest.raises(InputError, match="must not exceed handled; got 5 of 3"):
        handling_mortality(5, 3)
    with pytest.raises(InputError, match="whole numbers"):
        handling_mortality(0.5, 3)
