"""Proportional size indices."""

from __future__ import annotations

import math
import time

import numpy as np
import pytest

from fishreport.exceptions import InputError
from fishreport.methods.proportion import exact_interval
from fishreport.methods.size_structure import incremental_indices, proportional_size, size_indices

BOUNDS = {"stock": 150.0, "quality": 230.0, "preferred": 300.0, "memorable": 380.0, "trophy": 460.0}
LENGTH = np.array([100, 149.9, 150, 200, 229.9, 230, 299, 300, 350, 460], dtype=float)


def test_counts_at_the_bounds() -> None:
    """Bounds are inclusive: 8 fish of stock length, 5 of them of quality length."""
    got = proportional_size(LENGTH, stock=150, bound=230)
    assert got.value == pytest.approx(62.5)
    low, high = exact_interval(5, 8)
    assert (got.lower, got.upper) == pytest.approx((100 * low, 100 * high))
    assert (got.n, got.units) == (8, "percent")
    assert got.se == pytest.approx(100 * math.sqrt(0.625 * 0.375 / 8))


def test_clustered_by_hand() -> None:
    """Runs with 2 of 4, 1 of 2 and 0 of 4: p 0.3, residuals 0.8, 0.4, -1.2, variance 3/2 · 2.24/100 = 0.0336."""
    length = np.repeat([300.0, 200.0, 300.0, 200.0, 200.0], [2, 2, 1, 1, 4])
    got = proportional_size(length, stock=150, bound=250, run=np.repeat(["a", "b", "c"], [4, 2, 4]))
    assert got.value == pytest.approx(30)
    assert got.se == pytest.approx(100 * math.sqrt(0.0336))
    assert got.n == 3
    assert 0 <= got.lower < 30 < got.upper <= 100


def test_cluster_interval_is_never_narrower(rng: np.random.Generator) -> None:
    for _ in range(50):
        run = rng.integers(0, 8, 60)
        length = rng.uniform(100, 400, 60) + rng.normal(0, 60, 8)[run].clip(-90)
        plain = proportional_size(length, stock=150, bound=230)
        clustered = proportional_size(length, stock=150, bound=230, run=run)
        assert clustered.value == pytest.approx(plain.value)
        assert clustered.lower <= plain.lower + 1e-9 and clustered.upper >= plain.upper - 1e-9


def test_all_at_once_agree_with_one_at_a_time() -> None:
    every = size_indices(LENGTH, BOUNDS)
    assert list(every) == ["quality", "preferred", "memorable", "trophy"]
    for name, got in every.items():
        one = proportional_size(LENGTH, stock=150, bound=BOUNDS[name])
        assert (got.value, got.se, got.lower, got.upper, got.n) == pytest.approx(
            (one.value, one.se, one.lower, one.upper, one.n), nan_ok=True
        )


def test_increments_sum_to_the_whole(rng: np.random.Generator) -> None:
    length, run = rng.uniform(100, 500, 300), rng.integers(0, 12, 300)
    parts = incremental_indices(length, BOUNDS, run=run)
    assert list(parts) == ["stock-quality", "quality-preferred", "preferred-memorable", "memorable-trophy", "trophy"]
    assert sum(part.value for part in parts.values()) == pytest.approx(100)
    cumulative = size_indices(length, BOUNDS, run=run)
    assert parts["trophy"].value == pytest.approx(cumulative["trophy"].value)
    assert parts["memorable-trophy"].value == pytest.approx(cumulative["memorable"].value - cumulative["trophy"].value)
    together = incremental_indices(length, BOUNDS, run=run, simultaneous=True)
    for name in parts:
        assert together[name].lower < parts[name].lower and together[name].upper > parts[name].upper
        assert together[name].level == 0.95


def test_degenerate() -> None:
    none = proportional_size([100.0, np.nan], stock=150, bound=230)
    assert not none.estimable and "no fish of stock length" in none.notes[0]
    assert "1 fish without a length left out" in none.notes
    assert not proportional_size([], stock=150, bound=230).estimable
    one_run = proportional_size(LENGTH, stock=150, bound=230, run=["a"] * 10)
    assert not one_run.estimable and "1 run with fish of stock length, 2 needed" in one_run.notes[0]
    every = proportional_size([300.0] * 12, stock=150, bound=230, run=list("aabbccddeeff"))
    assert (every.value, every.upper) == (100, 100) and every.lower < 75 and math.isnan(every.se)
    assert any("cannot account for likeness" in note for note in every.notes)
    one = proportional_size([300.0], stock=150, bound=230)
    assert (one.value, one.upper) == (100, 100) and one.lower == pytest.approx(2.5)
    lost = proportional_size(LENGTH, stock=150, bound=230, run=["a", "a", None, *"bbbbccc"])
    assert "1 fish without a run left out" in lost.notes


@pytest.mark.parametrize(
    ("kwargs", "message"),
    [
        ({"stock": 200, "bound": 150}, r"bound must be a length in mm, 200 \(stock\) or more; got 150"),
        ({"stock": 0, "bound": 150}, "stock must be above 0"),
        ({"stock": 100, "bound": math.nan}, "bound must be a finite number of mm"),
        ({"stock": 100, "bound": 150, "run": ["a"]}, "run must have one label a row"),
        ({"stock": 100, "bound": 150, "level": 2}, "level must be"),
    ],
)
def test_messages(kwargs: dict, message: str) -> None:
    with pytest.raises(InputError, match=message):
        proportional_size(LENGTH, **kwargs)


def test_messages_about_lengths_and_categories() -> None:
    with pytest.raises(InputError, match="length_mm must be above 0; got -3"):
        proportional_size([-3.0, 200], stock=100, bound=150)
    with pytest.raises(InputError, match="must hold 'stock'"):
        size_indices(LENGTH, {"quality": 200})
    with pytest.raises(InputError, match="must rise"):
        size_indices(LENGTH, {"stock": 200, "quality": 100})


@pytest.mark.slow
def test_a_million_fish_take_a_moment(rng: np.random.Generator) -> None:
    length, run = rng.uniform(100, 500, 1_000_000), rng.integers(0, 5000, 1_000_000)
    begin = time.perf_counter()
    size_indices(length, BOUNDS, run=run)
    assert time.perf_counter() - begin < 5
