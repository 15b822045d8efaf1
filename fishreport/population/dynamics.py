"""A population followed by month under each of several regulations, over many draws at once.

The year starts on 1 January: fish turn one age older, those past the oldest age die, recruits and stocked fish join. Then come
twelve months of natural death, capture, harvest and release (see `rates` and `year_step`). Recruits depend on the spawning
biomass `recruitment_lag` years before (see `life_history`); the first year's youngest age class belongs to today's population.
All scenarios meet the same draws, the same deviations of recruitment and the same population of today (common random numbers), so
that differences between them are sharp. Numbers are per km of water.

Assumptions: a closed population; growth does not depend on density; effort does not answer to catch; hazards are constant within
a month and taken at the length in its middle; closed months have no angling; a fish's growth type stays for life.

Work is done in blocks of draws with scenarios of a kind side by side, so that memory is bounded, in two threads by default; what
the scenarios of a block have in common is worked out once.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fishreport.exceptions import InputError
from fishreport.population.angling import Angling
from fishreport.population.length_groups import LengthGroups
from fishreport.population.life_history import LifeHistory
from fishreport.population.projection import (
    LEDGER,
    Projection,
    flow_quantities,
    quantity_names,
    stock_quantities,
)
from fishreport.population.rates import CellRates, Rates
from fishreport.population.regulation import Regulation
from fishreport.population.todays_population import TodaysPopulation, collapse_notes, todays_population
from fishreport.population.year_step import HARVEST, NATURAL, RELEASE, LinearYear, MonthlyYear

Floats = NDArray[np.float64]
_CHUNK_BYTES = 40e6
_SIDE_BY_SIDE = 8  # scenarios; more of them cut into blocks before the draws are


def _check(draws: int, years: int, length_km: float, categories: Mapping[str, float], ledger: str | None) -> None:
    for name, value in (("draws", draws), ("years", years)):
        if isinstance(value, bool) or not isinstance(value, int | np.integer) or value < 1:
            raise InputError(f"{name} must be a whole number of 1 or more, got {value!r}")
    if not (np.isfinite(length_km) and length_km > 0):
        raise InputError(f"length_km must be above 0, got {length_km!r}")
    lengths = list(categories.values())
    if any(not np.isfinite(item) or item <= 0 for item in lengths) or lengths != sorted(lengths):
        raise InputError(f"categories must be lengths (mm) above 0 from short to long, got {dict(categories)}")
    if ledger not in (None, "year", "month"):
        raise InputError(f"ledger must be None, 'year' or 'month', got {ledger!r}")


def recruitment_deviations(life: LifeHistory, steps: int, rng: np.random.Generator) -> Floats:
    """Deviations of log recruitment, draws × steps: normal, stationary, autocorrelated; fewer steps are the first of more."""
    noise, r = rng.standard_normal((steps, life.draws)).T, life.recruitment_autocorrelation
    deviation = np.empty_like(noise)
    deviation[:, 0] = noise[:, 0]
    for step in range(1, steps):
        deviation[:, step] = r * deviation[:, step - 1] + np.sqrt(1 - r**2) * noise[:, step]
    return life.recruitment_sd[:, None] * deviation


class _Shared:
    """A block of draws, and what its scenarios have in common, worked out once."""

    def __init__(self, life: LifeHistory, angling: Angling, groups: LengthGroups, categories: Mapping[str, float]) -> None:
        self.life, self.angling, self.groups, self.categories = life, angling, groups, categories
        self._cells: dict[int, CellRates] = {}

    def cells(self, stocked_rows: int) -> CellRates:
        """Rates with or without rows for stocked fish."""
        if stocked_rows not in self._cells:
            self._cells[stocked_rows] = CellRates(
                self.life, self.angling, groups=self.groups, categories=self.categories, stocked_rows=stocked_rows
            )
        return self._cells[stocked_rows]


class _Batch:
    """Scenarios of a kind × a chunk of draws, with pairs on the first axis (scenario by scenario)."""

    def __init__(
        self,
        shared: _Shared,
        rules: Sequence[Regulation],
        now: TodaysPopulation,
        *,
        today: Regulation,
        length_km: float,
        monthly: bool,
        flows: bool,
    ) -> None:
        life, angling = shared.life, shared.angling
        self.life, self.rules, self.now, self.groups, self.length_km = life, rules, now, shared.groups, length_km
        self.ages = life.ages.size
        self.stocked_rows = self.ages if any(rule.stocking for rule in rules) else 0
        cells = shared.cells(self.stocked_rows)
        rates = Rates.join([cells.under(rule, today=today) for rule in rules], flows=flows)
        self.effort = rates.effort.sum(axis=0).reshape(len(rules), -1) * now.effort_h
        pairs = len(rules) * life.draws
        tiled = self._tile(now.capture_rate)
        months: dict[str, Any] = {"survey_month": life.survey_month, "spawning_month": life.spawning_month, "flows": flows}
        self.year: LinearYear | MonthlyYear
        if not monthly:
            self.year = LinearYear(rates, tiled, **months)
            return
        with np.errstate(divide="ignore"):
            trip = np.where(now.effort_h > 0, angling.hours_per_trip / now.effort_h, 0.0)
        bags = [np.inf if rule.bag_limit is None or not rule.may_keep else float(rule.bag_limit) for rule in rules]
        above = [np.inf if rule.bag_over_slot is None else float(rule.bag_over_slot) for rule in rules]
        self.year = MonthlyYear(
            rates,
            tiled,
            **months,
            trip_share=self._tile(trip),
            dispersion=self._tile(angling.catch_dispersion),
            bag=np.repeat(bags, life.draws).reshape(pairs),
            bag_above=np.repeat(above, life.draws).reshape(pairs),
            usual_share=np.tile(now.kept_share, (1, len(rules))),
        )

    def _tile(self, by_draw: Floats) -> Floats:
        return np.tile(by_draw, len(self.rules))

    def _stock(self, year: int) -> Floats:
        """Fish per km put in that year, by scenario."""
        put = [rule.stocking for rule in self.rules]
        return np.array(
            [one.number_per_year / self.length_km if one and (year - 1) % one.every_years == 0 else 0.0 for one in put]
        )

    def run(
        self, factors: Floats, years: int, ledger: str | None, keep: Callable[[int, Floats, Floats, Floats, Floats], None]
    ) -> Floats:
        """Follow the years, hand (year, flows, survey, spawners, recruits and stocked) to `keep`, and return the ledger."""
        scenarios, draws, ages, width = len(self.rules), self.life.draws, self.ages, self.groups.share.size
        rows = ages + self.stocked_rows
        numbers = np.zeros((scenarios, draws, rows, width))
        numbers[:, :, :ages] = self.now.numbers
        spawned = [np.broadcast_to(self.now.spawners, (scenarios, draws))] * int(self.life.recruitment_lag or 1)
        steps = 0 if ledger is None else years * (12 if ledger == "month" else 1)
        books = np.zeros((scenarios * draws, steps, len(LEDGER)))
        recruits = np.zeros((scenarios, draws))
        for year in range(1, years + 1):
            before = numbers.sum(axis=(2, 3)).ravel()
            if year > 1:
                recruits = self.life.recruits(
                    spawned[0], unfished_spawners=self.now.unfished_spawners, unfished_recruits=self.now.unfished_recruits
                )
                recruits = recruits * factors[:, year - 1]
                numbers[:, :, 0] = recruits[..., None] * self.groups.share
            stocked = np.broadcast_to(self._stock(year)[:, None], (scenarios, draws))
            if self.stocked_rows:
                numbers[:, :, ages] = stocked[..., None] * self.groups.share
            if ledger == "month" and isinstance(self.year, MonthlyYear):
                self.year.ledger = []
            end, flows, survey, spawners = self.year.advance(numbers.reshape(scenarios * draws, -1))
            arrived = np.stack([recruits.ravel(), stocked.ravel()], axis=1)
            keep(year, flows, survey, spawners, arrived)
            spawned = [*spawned[1:], spawners.reshape(scenarios, draws)]
            last = end.reshape(numbers.shape)
            oldest = last[:, :, ages - 1].sum(axis=2) + (last[:, :, -1].sum(axis=2) if self.stocked_rows else 0.0)
            numbers = np.zeros_like(numbers)
            numbers[:, :, 1:ages] = last[:, :, : ages - 1]
            numbers[:, :, ages + 1 :] = last[:, :, ages:-1]
            if ledger is not None:
                self._enter(books, year, ledger, before, arrived, flows, oldest.ravel(), numbers)
        return books

    def _enter(
        self, books: Floats, year: int, ledger: str, before: Floats, arrived: Floats, flows: Floats, oldest: Floats, after: Floats
    ) -> None:
        end = after.sum(axis=(2, 3)).ravel()
        if ledger == "year":
            deaths = (flows[:, NATURAL], flows[:, HARVEST], flows[:, RELEASE])
            books[:, year - 1] = np.stack([before, arrived[:, 0], arrived[:, 1], *deaths, oldest, end], axis=1)
            return
        months = self.year.ledger if isinstance(self.year, MonthlyYear) else None
        for month, entry in enumerate(months or []):
            book = books[:, (year - 1) * 12 + month]
            book[:, 0] = before
            if month == 0:
                book[:, 1:3] = arrived
            book[:, 3:6] = entry[:, :3]
            if month == 11:
                book[:, 6] = oldest
            before = entry[:, 3]
            book[:, 7] = end if month == 11 else before


def _stock_names(categories: Mapping[str, float]) -> tuple[str, ...]:
    nothing = np.zeros(3 + len(categories))
    return tuple(stock_quantities(nothing, np.zeros(()), np.ones(()), categories))


def _kinds(rules: Sequence[Regulation], by_month: bool) -> list[list[int]]:
    """Scenarios that can share arrays: by whether a bag limit acts, whether it has two classes, and whether fish are stocked."""
    kinds: dict[tuple[bool, bool, bool], list[int]] = {}
    for place, rule in enumerate(rules):
        kind = (by_month or rule.limits_number, rule.bag_over_slot is not None, rule.stocking is not None)
        kinds.setdefault(kind, []).append(place)
    return list(kinds.values())


def _pairs(rules: Sequence[Regulation], cells: int) -> int:
    """Scenarios × draws that are followed at once: about ten arrays over months × cells fit in `_CHUNK_BYTES`."""
    rows = cells * (2 if any(rule.stocking for rule in rules) else 1)
    return max(1, int(_CHUNK_BYTES / (rows * 12 * 10 * 8)))


def project(
    life_history: LifeHistory,
    regulation: Regulation | Sequence[Regulation],
    *,
    draws: int | None = None,
    years: int = 20,
    rng: np.random.Generator,
    angling: Angling | None = None,
    today: Regulation | None = None,
    categories: Mapping[str, float] | None = None,
    length_km: float = 1.0,
    groups: int = 7,
    quantities: Sequence[str] | None = None,
    ledger: str | None = None,
    vary_initial: bool = True,
    by_month: bool = False,
    workers: int = 2,
    deviations: Floats | None = None,
) -> Projection:
    """Follow a population from today under one regulation or several.

    Parameters
    ----------
    life_history : LifeHistory
    regulation : Regulation or sequence of them
        A sequence gives scenarios × draws × years × quantities, one gives draws × years × quantities.
    draws : int, optional
        Number of draws; None takes those of `life_history`. More than it has go round again, each with recruitment of its own.
    years : int
        Years to look ahead.
    rng : numpy Generator
        For the deviations of recruitment, the same in every scenario.
    angling : Angling, optional
        Assumptions about anglers; None takes the defaults.
    today : Regulation, optional
        The rule under which today's population and `fishing_mortality` came about; None takes the first of `regulation`.
    categories : mapping of name to length (mm), optional
        Length categories from short to long (such as stock, quality, ...), for densities and proportional size.
    length_km : float
        Length of the water (km), over which stocked fish are spread.
    groups : int
        Growth groups within an age class.
    quantities : sequence of str, optional
        Names to keep (see `projection`); None keeps all.
    ledger : {None, 'year', 'month'}
        Also return the books of fish in and out, a year or a month.
    vary_initial : bool
        Whether the age classes of today's equilibrium population get deviations of recruitment too.
    by_month : bool
        Go month by month also where the year could be worked out at once (same answer, slower).
    workers : int
        Threads.
    deviations : array (draws, ages + years), optional
        Deviations of log recruitment instead of new ones, as `recruitment_deviations` gives them.

    Returns
    -------
    Projection

    Raises
    ------
    InputError
        For impossible arguments, or a fishing mortality that today's rule cannot cause.
    """
    single = isinstance(regulation, Regulation)
    rules: list[Regulation] = [regulation] if isinstance(regulation, Regulation) else list(regulation)
    if not rules or not all(isinstance(rule, Regulation) for rule in rules):
        raise InputError("regulation must be a Regulation or a sequence of at least one of them")
    categories = dict(categories or {})
    angling = Angling() if angling is None else angling
    number = life_history.draws if draws is None else draws
    _check(number, years, length_km, categories, ledger)
    known = quantity_names(categories)
    names = known if quantities is None else tuple(quantities)
    if unknown := [name for name in names if name not in known]:
        raise InputError(f"quantities must be among {', '.join(known)}; got {', '.join(unknown)}")
    flows = ledger is not None or not set(names) <= {"recruits", "stocked", *_stock_names(categories)}
    rule_today = rules[0] if today is None else today
    index = np.arange(number) % life_history.draws
    life, people = life_history.take(index), angling.take(index)
    growth, ages = LengthGroups.make(groups), life.ages.size
    deviation = recruitment_deviations(life, ages + years, rng) if deviations is None else np.asarray(deviations, dtype=float)
    if deviation.shape != (number, ages + years):
        raise InputError(f"deviations must be an array of {(number, ages + years)}, got one of {deviation.shape}")
    factors = np.exp(deviation - life.recruitment_sd[:, None] ** 2 / 2)
    past = factors[:, ages - 1 :: -1] if vary_initial else None
    by_month = by_month or ledger == "month"

    values = np.empty((len(rules), number, years, len(names)))
    steps = years * (12 if ledger == "month" else 1)
    books = None if ledger is None else np.empty((len(rules), number, steps, len(LEDGER)))
    doubtful = np.zeros((2, number), dtype=bool)
    start: dict[str, Floats] = {name: np.empty(number) for name in _stock_names(categories)}

    kinds = _kinds(rules, by_month)
    pairs = _pairs(rules, ages * groups)
    at_once = max(1, min(max(map(len, kinds)), _SIDE_BY_SIDE))
    block = max(1, min(pairs // at_once, -(-number // max(1, workers))))

    def work(low: int) -> None:
        rows = slice(low, min(low + block, number))
        where = np.arange(number)[rows]
        shared = _Shared(life.take(where), people.take(where), growth, categories)
        own_past = None if past is None else past[rows]
        now = todays_population(shared.life, shared.angling, rule_today, groups=growth, length_km=length_km, deviations=own_past)
        doubtful[0, rows], doubtful[1, rows] = now.collapsed, now.overstocked
        for name, item in _today(shared, now, rule_today, length_km).items():
            start[name][rows] = item
        most = max(1, pairs // where.size)
        for places in (kind[at : at + most] for kind in kinds for at in range(0, len(kind), most)):
            monthly = by_month or rules[places[0]].limits_number
            chosen = [rules[place] for place in places]
            same: dict[str, Any] = {"today": rule_today, "length_km": length_km, "monthly": monthly, "flows": flows}
            follow(_Batch(shared, chosen, now, **same), places, rows)

    def follow(batch: _Batch, places: list[int], rows: slice) -> None:
        shape, now = (len(places), batch.life.draws), batch.now

        def keep(year: int, flows: Floats, survey: Floats, spawners: Floats, arrived: Floats) -> None:
            found = flow_quantities(flows.reshape(*shape, -1), batch.effort)
            sums, mature = survey.reshape(*shape, -1), spawners.reshape(shape)
            found |= stock_quantities(sums, mature, now.unfished_spawners, categories)
            found["recruits"], found["stocked"] = arrived[:, 0].reshape(shape), arrived[:, 1].reshape(shape)
            if year == 1:
                found["recruits"] = np.broadcast_to(now.numbers[:, 0].sum(axis=1), shape)
            for column, name in enumerate(names):
                values[places, rows, year - 1, column] = found[name]

        entries = batch.run(factors[rows, ages - 1 :], years, ledger, keep)
        if books is not None:
            books[places, rows] = entries.reshape(*shape, steps, len(LEDGER))

    blocks = range(0, number, block)
    if workers > 1 and len(blocks) > 1:
        with ThreadPoolExecutor(workers) as pool:
            list(pool.map(work, blocks))
    else:
        for low in blocks:
            work(low)

    luck = deviation[:, ages:].mean(axis=1)
    inputs = {**life.inputs(), **people.inputs()} | ({"recruitment_luck": luck} if np.ptp(luck) > 0 else {})
    return Projection(
        values=values[0] if single else values,
        quantities=names,
        years=np.arange(1, years + 1),
        scenarios=tuple(rule.name or rule.sentence() for rule in rules),
        sentences=tuple(rule.sentence() for rule in rules),
        today=start,
        inputs=inputs,
        ledger=books if books is None or not single else books[0],
        notes=_notes(life, doubtful),
    )


def _today(shared: _Shared, now: TodaysPopulation, today: Regulation, length_km: float) -> dict[str, Floats]:
    """Stock quantities of this year under today's rule; stocking that is not yearly counts with its yearly mean."""
    batch = _Batch(shared, [today], now, today=today, length_km=length_km, monthly=today.limits_number, flows=False)
    life, width = batch.life, batch.groups.share.size
    numbers = np.zeros((life.draws, batch.ages + batch.stocked_rows, width))
    numbers[:, : batch.ages] = batch.now.numbers
    if today.stocking is not None:
        numbers[:, batch.ages] = (
            batch.groups.share * today.stocking.number_per_year / batch.length_km / today.stocking.every_years
        )
    survey, spawners = batch.year.advance(numbers.reshape(life.draws, -1))[2:]
    return stock_quantities(survey, spawners, batch.now.unfished_spawners, shared.categories)


def _notes(life: LifeHistory, doubtful: NDArray[np.bool_]) -> tuple[str, ...]:
    notes = collapse_notes(*doubtful)
    if life.density_per_km is None and life.recruits_per_km is None and life.initial_numbers_per_km is None:
        notes.append("no density was given: numbers are per 1,000 recruits of the unfished population")
    return tuple(notes)
