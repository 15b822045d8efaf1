"""Grids behind the isopleths and the explorer: what a minimum length and an amount of angling would give."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fishreport.analysis.scenarios import Comparison, Measure, chosen_draws
from fishreport.population.cohort import Isopleths, isopleths
from fishreport.population.dynamics import project
from fishreport.population.length_groups import LengthGroups
from fishreport.population.regulation import Regulation
from fishreport.population.todays_population import todays_population

Floats = NDArray[np.float64]
EFFORTS = (0.25, 0.5, 1.0, 1.5, 2.0)
GRID_DRAWS = 50
ISOPLETH_DRAWS = 40
EXPLOITATION = tuple(round(0.05 * step, 2) for step in range(20))


@dataclass(frozen=True)
class YieldMap:
    """Isopleths with today's place on them: the exploitation of each draw, and today's minimum length (mm; None without one)."""

    grid: Isopleths
    exploitation_today: Floats
    minimum_today_mm: float | None
    large_class: str


@dataclass(frozen=True)
class Grid:
    """Outcomes over minimum length × effort.

    Attributes
    ----------
    minimum_mm : tuple[float, ...]
        0 stands for no minimum length; today's is one of them where today's rule has one.
    effort : tuple[float, ...]
        As a multiple of today's.
    year : int
        Year ahead.
    measures : tuple[Measure, ...]
    values : array (measures, minimum, effort, draws)
    today : array (measures, draws)
        Under today's rule with today's effort, over the same draws.
    rule : Regulation
        What else holds beside the minimum length.
    fishing_today : float
        Median fishing mortality today of fish open to harvest, per year.
    start : int
        Place of today's minimum length.
    """

    minimum_mm: tuple[float, ...]
    effort: tuple[float, ...]
    year: int
    measures: tuple[Measure, ...]
    values: Floats
    today: Floats
    rule: Regulation
    fishing_today: float
    start: int


def _lengths(comparison: Comparison, step_mm: float, every: int = 1) -> tuple[float, ...]:
    """From 0 in steps to the step past the median asymptotic length."""
    assert comparison.inputs.life is not None
    top = math.ceil(float(np.median(comparison.inputs.life.asymptotic_length_mm)) / step_mm) + 1
    return tuple(step * step_mm for step in range(0, top + 1, every))


def yield_map(comparison: Comparison, *, step_mm: float = 25.0) -> YieldMap | None:
    """Yield, large fish and spawning potential per recruit over exploitation and minimum length; None without inputs."""
    inputs = comparison.inputs
    if inputs.life is None or inputs.angling is None:
        return None
    level = comparison.outcomes[comparison.measures[0].quantity, comparison.horizons[-1]][0].value.level
    index = chosen_draws(comparison, ISOPLETH_DRAWS, level)
    large = next(one for one in comparison.measures if one.result == "scenario_trophy")
    today = inputs.rules[0]
    grid = isopleths(
        inputs.life.take(index), exploitation=EXPLOITATION, minimum_length_mm=_lengths(comparison, step_mm, 2),
        trophy_length_mm=inputs.categories[large.size_class], angling=inputs.angling.take(index), gear=today.gear,
    )  # fmt: skip
    everyone = inputs.angling.take(np.arange(inputs.life.draws))
    now = todays_population(inputs.life, everyone, today, groups=LengthGroups.make(5), length_km=inputs.length_km)
    captures = now.capture_rate * float(everyone.monthly_effort(today).sum())
    lowest = [low for low, _ in today.kept_ranges()]
    plain = today.may_keep and today.maximum_length_mm is None and len(lowest) == 1 and today.harvest_slot_mm is None
    return YieldMap(grid, -np.expm1(-captures), lowest[0] if plain else None, large.size_class)


def _stops(comparison: Comparison, step_mm: float) -> tuple[tuple[float, ...], int]:
    """Lengths of the grid with today's minimum in place of the one nearest to it, and where today's stands."""
    lengths = list(_lengths(comparison, step_mm))
    today = comparison.inputs.rules[0].minimum_length_mm or 0.0
    start = int(np.abs(np.array(lengths) - today).argmin())
    if start == 0 < today:
        lengths.insert(1, today)
        start = 1
    elif today > lengths[-1] + step_mm / 2:
        lengths.append(today)
        start = len(lengths) - 1
    lengths[start] = today
    return tuple(lengths), start


def explorer_grid(comparison: Comparison, rng: np.random.Generator, *, step_mm: float = 25.0) -> Grid | None:
    """Every measure in the last year over minimum lengths and amounts of effort; what else today's rule says stays.

    Over `GRID_DRAWS` of the draws, chosen so that today's rule gives about what it gives over all of them, with the recruitment
    that each draw met there. A bag limit that hardly ever binds today (more than 0.98 of the wanted fish are within it) is left
    out, here and in the rule that the others are compared with, which the grid takes a fraction of the time without.
    """
    inputs, projection = comparison.inputs, comparison.projection
    if inputs.life is None or inputs.angling is None or projection is None or comparison.deviations is None:
        return None
    today, level = inputs.rules[0], comparison.outcomes[comparison.measures[0].quantity, comparison.horizons[-1]][0].value.level
    index = chosen_draws(comparison, GRID_DRAWS, level)
    life, angling = inputs.life.take(index), inputs.angling.take(index)
    bag = today.bag_limit or None
    if bag is not None:
        now = todays_population(life, angling, today, groups=LengthGroups.make(5), length_km=inputs.length_km)
        bag = None if float(np.median(now.kept_share)) > 0.98 else bag
    rule = Regulation(
        bag_limit=bag, closed_months=today.closed_months, gear=today.gear, release_mortality=today.release_mortality,
        stocking=today.stocking,
    )  # fmt: skip
    lengths, start = _stops(comparison, step_mm)
    rules = [rule.replace(minimum_length_mm=low or None, effort_change=more - 1) for low in lengths for more in EFFORTS]
    never_binds = bag is None and today.may_keep and today.bag_over_slot is None
    compared = today.replace(bag_limit=None) if never_binds else today
    names = [one.quantity for one in comparison.measures]
    found = project(
        life, [compared, *rules], years=comparison.horizons[-1], rng=rng, angling=angling, today=today, groups=5,
        categories=inputs.categories, length_km=inputs.length_km, quantities=names, deviations=comparison.deviations[index],
    )  # fmt: skip
    last = np.moveaxis(found.values[:, :, -1, :], -1, 0)
    return Grid(
        minimum_mm=lengths,
        effort=EFFORTS,
        year=comparison.horizons[-1],
        measures=comparison.measures,
        values=last[:, 1:].reshape(len(names), len(lengths), len(EFFORTS), index.size),
        today=last[:, 0],
        rule=rule.replace(bag_limit=today.bag_limit or None),
        fishing_today=float(np.median(inputs.life.fishing_mortality)),
        start=start,
    )
