"""One year class under a regulation, followed by fine time steps; and isopleths over exploitation and minimum length.

A recruit enters at `first_age` and is followed to the end of `maximum_age` (see `life_history`). Lengths spread about the mean as
growth groups (see `length_groups`); hazards in a step are those of `rates`, without seasons and without a bag limit: capture
c = f v(L), natural M(L), a share K = p (1 - u) + (1 - p) q of the captured fish kept, and a share d of the released dead.

All results are per recruit. What anglers catch does not answer to what they may keep, so the axis of fishing is f, the captures a
year of a fully vulnerable fish, or the exploitation 1 - exp(-f) that it would bring about if every fish caught were kept.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fishreport.exceptions import InputError
from fishreport.population.angling import Angling
from fishreport.population.length_groups import LengthGroups
from fishreport.population.life_history import LifeHistory
from fishreport.population.regulation import Regulation

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Cohort:
    """Per recruit; arrays of the leading shape of the capture rate × draws.

    `yield_g` and `harvest` are kept, `catch` counts each capture, `release_deaths` and `natural_deaths` the other deaths,
    `survivors` those that pass the maximum age: harvest + release_deaths + natural_deaths + survivors = 1. `spawning_g` is summed
    over the years at the spawning time, `spawning_potential_ratio` is that over the same without fishing. `reaching` (... × draws
    × lengths) is the mean number of fish alive at the moment when their growth type reaches the length, per recruit; fish already
    longer at entry count, and fish that never reach it do not.
    """

    yield_g: Floats
    harvest: Floats
    catch: Floats
    release_deaths: Floats
    natural_deaths: Floats
    survivors: Floats
    spawning_g: Floats
    spawning_potential_ratio: Floats
    reaching: Floats


def _release_share(angling: Angling, rule: Regulation, today: Regulation | None) -> Floats:
    """Share of released fish that die over a year, months weighted by effort; draws."""
    return (angling.monthly_release_mortality(rule, today=today) * np.asarray(angling.effort_by_month)).sum(axis=1)


def _rates(name: str, value: ArrayLike, draws: int) -> Floats:
    rate = np.asarray(value, dtype=float)
    if not np.isfinite(rate).all() or (rate < 0).any():
        raise InputError(f"{name} must hold finite rates of 0 or more per year")
    if rate.ndim and rate.shape[-1] not in (1, draws):
        raise InputError(f"the last axis of {name} must be 1 or the number of draws ({draws}), got shape {rate.shape}")
    return np.broadcast_to(rate, (*rate.shape[:-1], draws))


def _over(gone: Floats, hazard: Floats, width: float) -> Floats:
    """Share gone over the hazard: the mean time alive in a step of that width, also where nothing is to be feared."""
    if hazard.min() > 1e-12:
        return gone / hazard
    positive = hazard > 1e-12
    return np.where(positive, gone / np.where(positive, hazard, 1.0), width)


def _follow(
    life: LifeHistory,
    angling: Angling,
    ranges: Sequence[tuple[ArrayLike, float]],
    rate: Floats,
    release: Floats,
    lengths: Sequence[float],
    steps: int,
    growth: LengthGroups,
    *,
    yield_alone: bool = False,
) -> Cohort:
    """The loop over steps. `ranges` are the lengths that may be kept; lower ends may be arrays that broadcast with `rate`.

    With `yield_alone`, for those who ask for no other flow, the others are not counted and have no value.
    """
    cv, q, u = life.length_cv, angling.noncompliance[:, None], angling.voluntary_release[:, None]
    years = life.ages.size
    ages = life.first_age + np.arange(years * steps + 1) / steps
    mean = life.mean_length(ages)
    width = 1 / steps
    spawn_step = round((life.spawning_month - 1) / 12 * steps)
    alive = np.broadcast_to(growth.share, (*rate.shape, growth.share.size)).copy()
    pristine = np.broadcast_to(growth.share, (life.draws, growth.share.size)).copy()
    totals = {name: np.zeros(rate.shape) for name in ("yield", "spawning")}
    others = np.full(rate.shape, np.nan if yield_alone else 0.0)
    totals |= {name: others.copy() for name in ("harvest", "catch", "release", "natural")}
    unfished = np.zeros(life.draws)
    marks = np.array(lengths, dtype=float).reshape(-1)
    below = [growth.share_below(mark, mean[:, 0], mean[:, 0], cv) for mark in marks]
    reaching = [(alive * (1 - part)).sum(axis=-1) for part in below]
    scale = 10.0 ** life.weight_intercept[:, None]
    for step in range(years * steps):
        start, end = mean[:, step], mean[:, step + 1]
        middle = (start + end) / 2
        length = growth.lengths(middle, cv)
        weight = scale * growth.power_mean(middle, cv, life.weight_slope)
        natural = life.natural_mortality_at(length)
        if step % steps == spawn_step % steps:
            at = growth.lengths(start, cv)
            mature = scale * growth.power_mean(start, cv, life.weight_slope)
            mature = mature * life.maturity_at(at, np.broadcast_to(ages[step], at.shape))
            totals["spawning"] += (alive * mature).sum(axis=-1)
            unfished += (pristine * mature).sum(axis=-1)
        vulnerable = life.vulnerability_at(length)
        legal: Floats | float = 0.0
        for low, high in ranges:
            legal = legal + growth.share_below(high, start, end, cv) - growth.share_below(low, start, end, cv)
        kept = legal * (1 - u) + (1 - legal) * q
        harvested, dying = vulnerable * kept, vulnerable * (1 - kept) * release[:, None]
        hazard = natural + rate[..., None] * (harvested + dying)
        gone = -np.expm1(-hazard * width)
        present = alive * _over(gone, hazard, width)
        totals["yield"] += rate * np.einsum("...g,...g->...", present, harvested * weight)
        if not yield_alone:
            for name, item in (("harvest", harvested), ("catch", vulnerable), ("release", dying)):
                totals[name] += rate * np.einsum("...g,...g->...", present, item)
            totals["natural"] += np.einsum("...g,...g->...", present, natural)
        halfway = alive * np.sqrt(1 - gone) if marks.size else alive
        alive = alive * (1 - gone)
        pristine = pristine * np.exp(-natural * width)
        for place, mark in enumerate(marks):
            after = growth.share_below(mark, end, end, cv)
            reaching[place] = reaching[place] + np.einsum("...g,...g->...", halfway, below[place] - after)
            below[place] = after
    empty = np.zeros((*rate.shape, 0))
    return Cohort(
        yield_g=totals["yield"],
        harvest=totals["harvest"],
        catch=totals["catch"],
        release_deaths=totals["release"],
        natural_deaths=totals["natural"],
        survivors=alive.sum(axis=-1),
        spawning_g=totals["spawning"],
        spawning_potential_ratio=totals["spawning"] / unfished,
        reaching=np.stack(reaching, axis=-1) if reaching else empty,
    )


def _steps(value: int) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not 1 <= value <= 1000:
        raise InputError(f"steps_per_year must be a whole number from 1 to 1000, got {value!r}")
    return value


def fished_cohort(
    life_history: LifeHistory,
    regulation: Regulation,
    *,
    capture_rate: ArrayLike,
    angling: Angling | None = None,
    today: Regulation | None = None,
    lengths_mm: Sequence[float] = (),
    steps_per_year: int = 24,
    groups: int = 15,
) -> Cohort:
    """Follow a year class of one recruit under a regulation.

    Parameters
    ----------
    life_history : LifeHistory
    regulation : Regulation
        Its lengths and its release mortality act; bag limit, closed months, stocking and effort do not (see `dynamics`).
    capture_rate : array (..., draws)
        Captures a year of a fully vulnerable fish; a number, or an array whose last axis is 1 or the number of draws.
    angling : Angling, optional
        Voluntary release, non-compliance and release mortality (months weighted by effort).
    today : Regulation, optional
        The rule whose gear the release mortality of `angling` belongs to.
    lengths_mm : sequence of float
        Lengths for `Cohort.reaching`.
    steps_per_year, groups : int

    Returns
    -------
    Cohort

    Raises
    ------
    InputError
        For impossible arguments.
    """
    rate = _rates("capture_rate", capture_rate, life_history.draws)
    people = (Angling() if angling is None else angling).take(np.arange(life_history.draws))
    release = _release_share(people, regulation, today)
    growth = LengthGroups.make(groups)
    return _follow(life_history, people, regulation.kept_ranges(), rate, release, lengths_mm, _steps(steps_per_year), growth)


@dataclass(frozen=True)
class Isopleths:
    """Results over exploitation × minimum length × draws, with the axes.

    `exploitation` is 1 - exp(-f), the share of fully vulnerable fish that anglers would take in a year without natural death if
    every fish caught were kept. `yield_g` (g), `trophies` (fish reaching `trophy_length_mm`) and `spawning_potential_ratio` are
    per recruit.
    """

    exploitation: Floats
    minimum_length_mm: Floats
    trophy_length_mm: float
    yield_g: Floats
    trophies: Floats
    spawning_potential_ratio: Floats


def isopleths(
    life_history: LifeHistory,
    *,
    exploitation: ArrayLike,
    minimum_length_mm: ArrayLike,
    trophy_length_mm: float,
    angling: Angling | None = None,
    gear: str = "any",
    steps_per_year: int = 12,
    groups: int = 9,
) -> Isopleths:
    """Yield, trophy fish and spawning potential per recruit over a grid of exploitation and minimum length.

    Parameters
    ----------
    life_history : LifeHistory
    exploitation : array
        Shares from 0 to below 1.
    minimum_length_mm : array
        Minimum lengths (mm), 0 and more.
    trophy_length_mm : float
    angling, gear
        As the parts of `fished_cohort`; the gear decides the release mortality unless `angling` names one.
    steps_per_year, groups : int

    Returns
    -------
    Isopleths
    """
    share, limits = (
        np.atleast_1d(np.asarray(exploitation, dtype=float)),
        np.atleast_1d(np.asarray(minimum_length_mm, dtype=float)),
    )
    if share.ndim != 1 or not ((share >= 0) & (share < 1)).all():
        raise InputError("exploitation must be a list of shares from 0 to below 1")
    if limits.ndim != 1 or not (np.isfinite(limits) & (limits >= 0)).all():
        raise InputError("minimum_length_mm must be a list of lengths (mm) of 0 and more")
    growth, steps = LengthGroups.make(groups), _steps(steps_per_year)
    everyone = (Angling() if angling is None else angling).take(np.arange(life_history.draws))
    found: list[Cohort] = []
    chunk = max(1, int(400_000 / (share.size * limits.size * groups)))
    for low in range(0, life_history.draws, chunk):
        index = np.arange(low, min(low + chunk, life_history.draws))
        life, people = life_history.take(index), everyone.take(index)
        rate = np.broadcast_to(-np.log1p(-share)[:, None, None], (share.size, limits.size, index.size))
        release = _release_share(people, Regulation(gear=gear), None)
        ranges = [(limits[:, None], np.inf)]
        found.append(_follow(life, people, ranges, rate, release, (trophy_length_mm,), steps, growth, yield_alone=True))
    return Isopleths(
        exploitation=share,
        minimum_length_mm=limits,
        trophy_length_mm=float(trophy_length_mm),
        yield_g=np.concatenate([one.yield_g for one in found], axis=-1),
        trophies=np.concatenate([one.reaching[..., 0] for one in found], axis=-1),
        spawning_potential_ratio=np.concatenate([one.spawning_potential_ratio for one in found], axis=-1),
    )
