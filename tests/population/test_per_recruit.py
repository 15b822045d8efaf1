"""Yield and spawning per recruit: closed form against time steps, worked values, and refusals."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fishreport.exceptions import InputError
from fishreport.population.per_recruit import reference_points, spawning_potential_ratio, yield_per_recruit

STOCK = {"natural_mortality": 0.4, "growth_coefficient": 0.3, "asymptotic_weight_g": 1800.0}


@settings(max_examples=60, deadline=None)
@given(
    fishing=st.floats(0.01, 3),
    natural=st.floats(0.15, 1.5),
    speed=st.floats(0.1, 0.9),
    zero=st.floats(-0.5, 0.2),
    entry=st.floats(0.3, 1),
    wait=st.floats(0, 4),
)
def test_closed_form_and_time_steps_agree(
    fishing: float, natural: float, speed: float, zero: float, entry: float, wait: float
) -> None:
    stock = {
        "natural_mortality": natural,
        "growth_coefficient": speed,
        "asymptotic_weight_g": 1000.0,
        "age_at_zero": zero,
        "age_at_recruitment": entry,
        "age_at_first_capture": entry + wait,
    }
    closed = float(yield_per_recruit(fishing, **stock))
    assert float(yield_per_recruit(fishing, steps_per_year=365, **stock)) == pytest.approx(closed, rel=1e-4)


def test_shape_and_zero() -> None:
    grid = np.array([[0.0, 0.1], [0.5, 1.0]])
    found = yield_per_recruit(grid, age_at_first_capture=2.0, **STOCK)
    assert found.shape == (2, 2)
    assert found[0, 0] == 0
    stepped = yield_per_recruit(grid, age_at_first_capture=2.0, steps_per_year=200, **STOCK)
    assert stepped == pytest.approx(found, rel=1e-4)


def test_reference_points_are_where_they_say() -> None:
    found = reference_points(age_at_first_capture=1.5, **STOCK)
    assert found.f_max is not None

    def slope(fishing: float) -> float:
        high, low = yield_per_recruit([fishing + 1e-5, fishing - 1e-5], age_at_first_capture=1.5, **STOCK)
        return float(high - low) / 2e-5

    assert slope(found.f_max) == pytest.approx(0, abs=1e-3)
    start = float(yield_per_recruit(1e-7, age_at_first_capture=1.5, **STOCK)) / 1e-7
    assert slope(found.f_01) == pytest.approx(0.1 * start, rel=1e-5)
    assert found.f_01 < found.f_max


AGES = np.arange(1, 9)
WEIGHT = 10**-4.867 * (500 * (1 - np.exp(-0.35 * (AGES + 0.1)))) ** 2.960


@pytest.mark.parametrize(("first", "at_02", "at_04"), [(2, 0.56473, 0.34827), (3, 0.68976, 0.51956), (4, 0.79819, 0.67673)])
def test_spawning_potential_worked(first: int, at_02: float, at_04: float) -> None:
    # A constructed example worked by hand: ages 1-8, asymptote 500 mm, K 0.35, t0 -0.1, M 0.35, mature from age 3.
    found = spawning_potential_ratio(
        [0.0, 0.2, 0.4], natural_mortality=0.35, weight_g=WEIGHT, maturity=AGES >= 3, vulnerability=first <= AGES
    )
    assert found == pytest.approx([1.0, at_02, at_04], abs=6e-6)


@pytest.mark.parametrize("maturity", [1.0, [0, 1, 1], np.ones((2, 8))])
def test_spawning_potential_needs_the_same_ages_throughout(maturity: object) -> None:
    weight = 500.0 if np.size(maturity) == 1 else WEIGHT
    with pytest.raises(InputError, match="numbers or arrays over the same ages, at least one an array; they have"):
        spawning_potential_ratio([0.0, 0.5], natural_mortality=0.3, weight_g=weight, maturity=maturity)


def test_plus_group_is_the_sum_of_many_ages() -> None:
    many = spawning_potential_ratio(
        0.3, natural_mortality=0.4, weight_g=np.r_[1, 2, np.full(300, 3.0)], maturity=np.r_[0, 1, np.ones(300)]
    )
    few = spawning_potential_ratio(0.3, natural_mortality=0.4, weight_g=[1, 2, 3], maturity=[0, 1, 1], plus_group=True)
    assert float(few) == pytest.approx(float(many), rel=1e-12)


def test_later_spawning_loses_more_to_fishing() -> None:
    rates = {"natural_mortality": 0.4, "weight_g": WEIGHT, "maturity": AGES >= 3}
    early, late = (float(spawning_potential_ratio(0.4, spawning_time=time, **rates)) for time in (0.0, 0.8))
    assert late == pytest.approx(early * math.exp(-0.8 * 0.4))


@pytest.mark.parametrize(
    ("wrong", "reason"),
    [
        ({"natural_mortality": 0.0}, "natural_mortality must be above 0"),
        ({"growth_coefficient": math.nan}, "growth_coefficient must be a finite number"),
        ({"asymptotic_weight_g": -1}, "asymptotic_weight_g must be above 0"),
        ({"age_at_recruitment": 3.0}, "age_at_first_capture must be 3 or more"),
        ({"age_at_zero": 2.5}, "must not be below age_at_zero"),
        ({"steps_per_year": 0}, "whole number"),
        ({"fishing_mortality": [-0.1]}, "0 or more per year"),
    ],
)
def test_impossible_input(wrong: dict[str, object], reason: str) -> None:
    arguments = {"fishing_mortality": 0.3, "age_at_first_capture": 2.0, **STOCK} | wrong
    fishing = arguments.pop("fishing_mortality")
    with pytest.raises(InputError, match=reason):
        yield_per_recruit(fishing, **arguments)  # type: ignore[arg-type]


def test_impossible_spawning_input() -> None:
    with pytest.raises(InputError, match="at least one age with mature fish"):
        spawning_potential_ratio(0.2, natural_mortality=0.3, weight_g=[1, 2], maturity=[0, 0])
    with pytest.raises(InputError, match="maturity"):
        spawning_potential_ratio(0.2, natural_mortality=0.3, weight_g=[1, 2], maturity=[0, 2])
    with pytest.raises(InputError, match="plus group"):
        spawning_potential_ratio(0.2, natural_mortality=0.0, weight_g=[1, 2], maturity=1, plus_group=True)
