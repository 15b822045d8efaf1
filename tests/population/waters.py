"""Life histories and projections that the tests of this folder share."""

from __future__ import annotations

from typing import Any

import numpy as np

from fishreport.population.life_history import LifeHistory
from fishreport.population.projection import Projection

CATEGORIES = {"stock": 150.0, "quality": 230.0, "preferred": 300.0, "memorable": 380.0, "trophy": 460.0}


def trout(**changes: Any) -> LifeHistory:
    """An invented brown trout water, one draw unless arrays are given."""
    values: dict[str, Any] = {
        "asymptotic_length_mm": 550.0,
        "growth_coefficient": 0.3,
        "age_at_zero": -0.1,
        "natural_mortality": 0.45,
        "fishing_mortality": 0.3,
        "weight_intercept": -4.867,
        "weight_slope": 2.96,
        "age_at_maturity": 3,
        "vulnerability_length_mm": 180.0,
        "vulnerability_spread_mm": 60.0,
        "maximum_age": 8,
        "density_per_km": 900.0,
        "density_length_mm": 150.0,
    }
    return LifeHistory(**(values | changes))


def uncertain_trout(rng: np.random.Generator, draws: int, **changes: Any) -> LifeHistory:
    """The same with spreads."""
    values: dict[str, Any] = {
        "asymptotic_length_mm": (550.0, 30.0),
        "growth_coefficient": (0.3, 0.03),
        "age_at_zero": -0.1,
        "natural_mortality": (0.45, 0.1),
        "fishing_mortality": (0.3, 0.08),
        "weight_intercept": -4.867,
        "weight_slope": 2.96,
        "age_at_maturity": 3.0,
        "steepness": (0.7, 0.08),
        "density_per_km": (900.0, 150.0),
        "density_length_mm": 150.0,
        "vulnerability_length_mm": 180.0,
        "vulnerability_spread_mm": 60.0,
        "maximum_age": 8,
    }
    return LifeHistory.from_spreads(rng, draws, growth_correlation=-0.7, **(values | changes))


def made_up(**quantities: object) -> Projection:
    """A projection of given arrays, scenarios × draws × years."""
    arrays = [np.asarray(item, dtype=float) for item in quantities.values()]
    names = tuple("abcdefg"[: arrays[0].shape[0]])
    return Projection(
        values=np.stack(arrays, axis=-1),
        quantities=tuple(quantities),
        years=np.arange(1, arrays[0].shape[2] + 1),
        scenarios=names,
        sentences=names,
        today={},
        inputs={},
    )
