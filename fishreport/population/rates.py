"""Monthly rates of every cell (row of age × growth group) of a population under a regulation, and what each cell counts for.

In month m a fish of a cell meets these hazards, constant within the month and taken at its length in the middle of it::

    natural   M(L) / 12
    capture   c = f · e_m · v(L)              f: captures a year of a fully vulnerable fish under today's effort; e_m: share of
                                              the year's effort (see angling); v: vulnerability
    harvest   c K                             K: share of captured fish that are kept
    release   c (1 - K) d_m                   d_m: share of released fish that die in that month

A fish may be caught and released any number of times. With p the part of the cell that is legal during the month, u the share
that anglers release by choice, q the share of protected fish kept all the same, and b the share of the legal fish wanted that the
bag limit lets an angler keep (see bag_limit)::

    K = p (1 - u) (b + (1 - b) q) + (1 - p) q = K0 + (1 - q) b w,     w = p (1 - u),   K0 = q (1 - p + w)

Rows are the ages of wild fish, then, where fish are stocked, the years since stocking. Stocked fish grow along the same curve
from the length at which they are put in; before their month they meet no hazard and count for nothing.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fishreport.population.angling import Angling
from fishreport.population.length_groups import LengthGroups
from fishreport.population.life_history import LifeHistory
from fishreport.population.regulation import Regulation, Stocking

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Rates:
    """Rates over months × pairs (scenario and draw) × cells; pairs × cells where there is no month.

    `capture` is for f = 1; `wanted` holds w for fish within the plain bag limit and, where there is one, for fish above a
    protected slot with a limit of their own. `survey` is pairs × quantities × cells: what a fish of the cell at the start of the
    survey month adds to biomass (kg), to the count, to the summed length of fish of the first category, and to the count of each
    category. `spawning` is the mature biomass (kg) of a fish at the start of the spawning month.
    """

    natural: Floats
    capture: Floats
    kept: Floats
    wanted: tuple[Floats, ...]
    weight: Floats
    length: Floats
    release: Floats
    effort: Floats
    noncompliance: Floats
    survey: Floats
    spawning: Floats
    groups: LengthGroups

    @classmethod
    def join(cls, parts: list[Rates], *, flows: bool = True) -> Rates:
        """Scenarios one after the other along the axis of pairs; weight and length only with `flows`, which alone need them."""
        if len(parts) == 1:
            return parts[0]

        def along(name: str, axis: int) -> Floats:
            return np.concatenate([getattr(part, name) for part in parts], axis=axis)

        classes = max(len(part.wanted) for part in parts)
        wanted = tuple(
            np.concatenate([part.wanted[k] if k < len(part.wanted) else np.zeros_like(part.wanted[0]) for part in parts], axis=1)
            for k in range(classes)
        )
        months = ("natural", "capture", "kept", "release", "effort")
        body = {name: along(name, 1) if flows else getattr(parts[0], name) for name in ("weight", "length")}
        return cls(
            **{name: along(name, 1) for name in months},
            **body,
            wanted=wanted,
            **{name: along(name, 0) for name in ("noncompliance", "survey", "spawning")},
            groups=parts[0].groups,
        )


def row_lengths(life: LifeHistory, put: Stocking | None, stocked_rows: int) -> tuple[Floats, NDArray[np.bool_]]:
    """Mean lengths at the 13 ends of the months, 13 × draws × rows, and whether a row is in the water, 12 × rows."""
    ages = life.ages[None, :] + np.arange(13)[:, None] / 12
    lengths = np.moveaxis(life.mean_length(ages), 0, 1)
    present = np.ones((12, lengths.shape[2]), dtype=bool)
    if stocked_rows == 0:
        return lengths, present
    size, month = (put.mean_length_mm, put.month - 1) if put else (1.0, 0)
    since = np.maximum(np.arange(stocked_rows)[None, :] + (np.arange(13)[:, None] - month) / 12, 0.0)
    top, speed = life.asymptotic_length_mm[None, :, None], life.growth_coefficient[None, :, None]
    grown = size + np.maximum(top - size, 0.0) * -np.expm1(-speed * since[:, None, :])
    here = np.ones((12, stocked_rows), dtype=bool)
    here[:month, 0] = False
    return np.concatenate([lengths, grown], axis=2), np.concatenate([present, here], axis=1)


def _maturity_age(life: LifeHistory, mean_length: Floats) -> Floats:
    """Age at which wild fish have this mean length, draws × rows."""
    relative = np.minimum(mean_length / life.asymptotic_length_mm[:, None], 0.9999)
    return life.age_at_zero[:, None] - np.log1p(-relative) / life.growth_coefficient[:, None]


@dataclass(frozen=True)
class _Body:
    """Rates and counts of the cells that no limit changes; see `Rates`. `ends` are lengths at the ends of the months."""

    ends: Floats
    natural: Floats
    vulnerable: Floats
    weight: Floats
    length: Floats
    survey: Floats
    spawning: Floats


class CellRates:
    """Rates of one set of draws under any number of regulations; what does not hang on the regulation is worked out once.

    Parameters
    ----------
    life, angling : with the same number of draws
    groups : LengthGroups
    categories : mapping of name to length (mm)
        Length categories counted in the survey.
    stocked_rows : int
        Rows for years since stocking, after those of wild fish.
    """

    def __init__(
        self,
        life: LifeHistory,
        angling: Angling,
        *,
        groups: LengthGroups,
        categories: Mapping[str, float],
        stocked_rows: int = 0,
    ) -> None:
        self.life, self.angling, self.groups, self.categories = life, angling, groups, dict(categories)
        self.stocked_rows, self.rows = stocked_rows, life.ages.size + stocked_rows
        self._bodies: dict[Stocking | None, _Body] = {}
        self._legal: dict[object, Floats] = {}

    def _flat(self, array: Floats) -> Floats:
        shape = (*array.shape[:-2], self.rows, self.groups.share.size)
        return np.ascontiguousarray(np.broadcast_to(array, shape)).reshape(*array.shape[:-2], -1)

    def _body(self, put: Stocking | None) -> _Body:
        """What does not hang on the rule but for the fish that it stocks."""
        if put not in self._bodies:
            self._bodies[put] = self._work_out(put)
        return self._bodies[put]

    def _work_out(self, put: Stocking | None) -> _Body:
        life, groups, rows, cv = self.life, self.groups, self.rows, self.life.length_cv
        ends, present = row_lengths(life, put, self.stocked_rows)

        def by_draw(array: Floats) -> Floats:
            """Months × draws × ... to draws first, as the life history wants it."""
            return np.moveaxis(array, 1, 0)

        middle = (ends[:-1] + ends[1:]) / 2
        spread = np.broadcast_to(cv[None, :, None], middle.shape)
        length = groups.lengths(middle, spread)
        slope = np.broadcast_to(life.weight_slope[None, :, None], middle.shape)
        weight = 10.0 ** life.weight_intercept[None, :, None, None] * groups.power_mean(middle, spread, slope) / 1000
        natural = np.moveaxis(life.natural_mortality_at(by_draw(length)), 0, 1) / 12
        if put is not None and self.stocked_rows:
            factor = np.ones(rows)
            factor[rows - self.stocked_rows :] = put.natural_mortality_factor
            natural = natural * factor[None, None, :, None]
        natural = natural * present[:, None, :, None]
        vulnerable = np.moveaxis(life.vulnerability_at(by_draw(length)), 0, 1) * present[:, None, :, None]
        return _Body(
            ends=ends,
            natural=self._flat(natural),
            vulnerable=self._flat(vulnerable),
            weight=self._flat(weight),
            length=self._flat(length),
            survey=self._surveyed(ends, present),
            spawning=self._flat(self._spawning(ends, present, put)),
        )

    def _mass(self, at: Floats) -> Floats:
        """Weight (kg) of a fish of each cell, draws × rows × groups."""
        life, cv = self.life, self.life.length_cv[:, None]
        slope = np.broadcast_to(life.weight_slope[:, None], at.shape)
        return 10.0 ** life.weight_intercept[:, None, None] * self.groups.power_mean(at, cv, slope) / 1000

    def _surveyed(self, ends: Floats, present: NDArray[np.bool_]) -> Floats:
        month, cv, groups = self.life.survey_month - 1, self.life.length_cv[:, None], self.groups
        at, here = ends[month], present[month][None, :, None]
        size = groups.lengths(at, cv)
        counts = [here * (1 - groups.share_below(limit, at, at, cv, points=1)) for limit in self.categories.values()]
        everyone = np.broadcast_to(here, size.shape).astype(float)
        first = counts[0] if counts else everyone
        return np.stack([self._flat(item) for item in (self._mass(at) * here, everyone, first * size, *counts)], axis=1)

    def _spawning(self, ends: Floats, present: NDArray[np.bool_], put: Stocking | None) -> Floats:
        life, month, wild = self.life, self.life.spawning_month - 1, self.life.ages.size
        at = ends[month]
        age = np.broadcast_to((life.ages + month / 12.0)[None, :], (life.draws, wild))
        if self.stocked_rows:
            age = np.concatenate([age, _maturity_age(life, at[:, wild:])], axis=1)
        size = self.groups.lengths(at, life.length_cv[:, None])
        spawning = self._mass(at) * life.maturity_at(size, age[..., None]) * present[month][None, :, None]
        if put is not None and self.stocked_rows and not put.reproduces:
            spawning[:, wild:] = 0.0
        return spawning

    def _within(self, put: Stocking | None, ranges: tuple[tuple[float, float], ...]) -> Floats:
        """Share of each cell within ranges of length during each month."""
        key = (put, ranges)
        if key not in self._legal:
            ends = self._body(put).ends
            spread = np.broadcast_to(self.life.length_cv[None, :, None], ends[1:].shape)
            self._legal[key] = self._flat(self.groups.share_within(ranges, ends[:-1], ends[1:], spread))
        return self._legal[key]

    def under(self, regulation: Regulation, *, today: Regulation) -> Rates:
        """The rates under a regulation; `today` is the rule that the release mortality of `angling` belongs to."""
        draws, angling = self.life.draws, self.angling
        put = regulation.stocking if self.stocked_rows else None
        body = self._body(put)
        effort = np.broadcast_to(angling.monthly_effort(regulation)[:, None], (12, draws))
        legal = self._within(put, regulation.kept_ranges())
        take = (1 - angling.voluntary_release)[None, :, None]
        wanted = [legal * take]
        kept = angling.noncompliance[None, :, None] * (1 - legal + wanted[0])
        if regulation.bag_over_slot is not None and regulation.protected_slot_mm is not None:
            end = regulation.protected_slot_mm[1]
            over = tuple((max(low, end), high) for low, high in regulation.kept_ranges() if high > end)
            above = self._within(put, over) * take
            wanted = [np.maximum(wanted[0] - above, 0.0), above]
        return Rates(
            natural=body.natural,
            capture=effort[:, :, None] * body.vulnerable,
            kept=kept,
            wanted=tuple(wanted),
            weight=body.weight,
            length=body.length,
            release=np.broadcast_to(angling.monthly_release_mortality(regulation, today=today).T, (12, draws)),
            effort=effort,
            noncompliance=angling.noncompliance,
            survey=body.survey,
            spawning=body.spawning,
            groups=self.groups,
        )
