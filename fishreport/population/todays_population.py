"""The population of today: how many fish, of what age and length, caught how often, from what recruitment.

The capture rate f of a fully vulnerable fish follows from the fishing mortality F of such fish that are open to harvest today::

    F = f · sum over months of e_m (1 - (1 - K_m)(1 - d_m)),   K_m = (1 - u)(b_m + (1 - b_m) q), or q under release only

The numbers at age are those of the equilibrium under today's rule, with growth groups thinned as the rule thins them. They are
scaled to the density given; where a bag limit acts, b, f and the numbers are iterated to a fixed point. The unfished recruitment
R0 is the equilibrium recruitment over its share of the unfished (see life_history; stocked spawners count). Where that share is
below 0.05, or stocked fish would be more than 99 % of the density, the draw contradicts itself; the share is held there and the
draw counted in the notes.

Past recruitment varied like recruitment to come: each age class is multiplied by its deviation, then all are scaled back to
the density. Fish from earlier stocking are carried in the age class whose mean length on 1 January is nearest.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fishreport.exceptions import InputError
from fishreport.population.angling import Angling
from fishreport.population.bag_limit import share_kept
from fishreport.population.length_groups import LengthGroups
from fishreport.population.life_history import LifeHistory
from fishreport.population.rates import CellRates, Rates, row_lengths
from fishreport.population.regulation import Regulation

Floats = NDArray[np.float64]
LEAST_EQUILIBRIUM = 0.05
DEFAULT_RECRUITS = 1000.0
WIPED_OUT = "today's fishing mortality would wipe out the stock"
OVERSTOCKED = "stocked fish alone exceed today's density"


@dataclass(frozen=True)
class TodaysPopulation:
    """Arrays with the draws first.

    `numbers` draws × ages × groups, fish per km on 1 January; `capture_rate` f a year; `effort_h` hours per km of a full year's
    effort; `unfished_recruits` and `unfished_spawners` R0 and S0 (kg) per km; `spawners` today's (kg per km); `kept_share` 12 ×
    draws, the bag limit's b. `collapsed` and `overstocked` mark the draws that contradict themselves.
    """

    numbers: Floats
    capture_rate: Floats
    effort_h: Floats
    unfished_recruits: Floats
    unfished_spawners: Floats
    spawners: Floats
    kept_share: Floats
    collapsed: NDArray[np.bool_]
    overstocked: NDArray[np.bool_]


def _capture_rate(life: LifeHistory, angling: Angling, rule: Regulation, rates: Rates, share: Floats) -> Floats:
    q, u = angling.noncompliance, angling.voluntary_release
    kept = (1 - u) * (share + (1 - share) * q) if rule.may_keep else np.broadcast_to(q, share.shape)
    deaths = (rates.effort * (1 - (1 - kept) * (1 - rates.release))).sum(axis=0)
    fishing = life.fishing_mortality
    if ((deaths <= 0) & (fishing > 0)).any():
        raise InputError("fishing_mortality must be 0 where today's rule and anglers kill no fish")
    return np.where(deaths > 0, fishing / np.where(deaths > 0, deaths, 1.0), 0.0)


def _months(rates: Rates, capture: Floats, shares: list[Floats]) -> Floats:
    """Share alive at the 13 ends of the months, 13 × draws × cells."""
    stay = (1 - rates.noncompliance)[None, :, None]
    kept = rates.kept + sum(stay * share[:, :, None] * item for share, item in zip(shares, rates.wanted, strict=True))
    hazard = rates.natural + capture[None, :, None] * rates.capture * (1 - (1 - kept) * (1 - rates.release[:, :, None]))
    alive = np.ones((13, *hazard.shape[1:]))
    np.exp(-np.cumsum(hazard, axis=0), out=alive[1:])
    return alive


def _nearer(tried: list[Floats], answers: list[Floats], tried_before: list[Floats], answers_before: list[Floats]) -> list[Floats]:
    """The next share kept to try, on the straight line through this and the last one and what they led to (month by month)."""
    if not tried_before:
        return [(old + new) / 2 for old, new in zip(tried, answers, strict=False)]
    nearer = []
    for old, new, earlier, led in zip(tried, answers, tried_before, answers_before, strict=False):
        moved = old - earlier
        far = np.abs(moved) > 1e-12
        slope = np.where(far, np.clip((new - led) / np.where(far, moved, 1.0), -3.0, 0.5), 0.0)
        nearer.append(np.clip(old + (new - old) / (1 - slope), 0.0, 1.0))
    return nearer


def _through_life(survival: Floats, rows: int, entering: Floats) -> Floats:
    """Numbers by row when `entering` (groups,) join the first row each year; survival draws × rows × groups."""
    numbers = np.empty((survival.shape[0], rows, entering.size))
    numbers[:, 0] = entering
    for row in range(1, rows):
        numbers[:, row] = numbers[:, row - 1] * survival[:, row - 1]
    return numbers


def _unfished(life: LifeHistory, recruits: Floats, spawners: Floats, each: Floats) -> tuple[Floats, NDArray[np.bool_]]:
    """R0 under which `spawners` bring forth `recruits` (`each`: unfished spawning biomass of a recruit), and where none does."""
    balance = life.equilibrium_recruits(spawners / (recruits * each))
    collapsed = ~(balance >= LEAST_EQUILIBRIUM)
    return recruits / np.where(collapsed, LEAST_EQUILIBRIUM, balance), collapsed


def _settled(
    life: LifeHistory, scale: Floats, spawners: Floats, stocked: Floats, each: Floats
) -> tuple[Floats, NDArray[np.bool_]]:
    """Equilibrium recruitment with R0 = `scale`, `spawners` kg a recruit and `stocked` kg of stocked spawners."""
    balance = life.equilibrium_recruits(spawners / each)
    collapsed = ~(balance >= LEAST_EQUILIBRIUM) & (stocked <= 0)
    recruits = scale * np.where(balance >= LEAST_EQUILIBRIUM, balance, LEAST_EQUILIBRIUM)
    for _ in range(200 if (stocked > 0).any() else 0):
        brought = life.recruits(recruits * spawners + stocked, unfished_spawners=scale * each, unfished_recruits=scale)
        recruits = np.where(stocked > 0, (recruits + brought) / 2, recruits)
    return recruits, collapsed


def _nearest_age(life: LifeHistory, rule: Regulation, stocked: Floats, ages: int) -> Floats:
    """Fish of earlier stocking in the age class of nearest length on 1 January, draws × ages × groups."""
    lengths = row_lengths(life, rule.stocking, stocked.shape[1])[0][0]
    carried = np.zeros((life.draws, ages, stocked.shape[2]))
    draw = np.arange(life.draws)
    for row in range(1, stocked.shape[1]):
        age = np.abs(lengths[:, :ages] - lengths[:, ages + row, None]).argmin(axis=1)
        np.add.at(carried, (draw, age), stocked[:, row])
    return carried


def todays_population(
    life: LifeHistory,
    angling: Angling,
    today: Regulation,
    *,
    groups: LengthGroups,
    length_km: float,
    deviations: Floats | None = None,
) -> TodaysPopulation:
    """The population on 1 January of the first year.

    Parameters
    ----------
    life, angling : with the same number of draws
    today : Regulation
        Today's rule.
    groups : LengthGroups
    length_km : float
        Length of the water (km), by which the number stocked is divided.
    deviations : array (draws, ages), optional
        Factors by which past recruitment of each age class differed from its mean; None takes 1.
    """
    draws, ages = life.draws, life.ages.size
    put = today.stocking if today.stocking is not None and today.stocking.number_per_year > 0 else None
    stocked_rows = ages if put is not None else 0
    cells = CellRates(life, angling, groups=groups, categories={"counted": life.density_length_mm}, stocked_rows=stocked_rows)
    rates = cells.under(today, today=today)
    survey, spawn = life.survey_month - 1, life.spawning_month - 1
    width, rows = groups.share.size, ages + stocked_rows
    shape = (draws, rows, width)
    counted, spawning = rates.survey[:, 3].reshape(shape), rates.spawning.reshape(shape)
    wild = slice(0, ages)

    def per_recruit(alive: Floats) -> tuple[Floats, Floats, Floats]:
        numbers = _through_life(alive[12].reshape(shape)[:, wild], ages, groups.share)
        density = (numbers * (alive[survey].reshape(shape) * counted)[:, wild]).sum(axis=(1, 2))
        return numbers, density, (numbers * (alive[spawn].reshape(shape) * spawning)[:, wild]).sum(axis=(1, 2))

    unfished = per_recruit(_months(rates, np.zeros(draws), [np.ones((12, draws))] * len(rates.wanted)))[2]
    bag = np.inf if today.bag_limit is None else float(today.bag_limit)
    above = np.inf if today.bag_over_slot is None else float(today.bag_over_slot)
    shares = [np.ones((12, draws)) for _ in rates.wanted]
    before: list[Floats] = []
    answers: list[Floats] = []
    given = life.initial_numbers_per_km
    for _ in range(60):
        capture = _capture_rate(life, angling, today, rates, shares[0])
        alive = _months(rates, capture, shares)
        numbers, density, spawners = per_recruit(alive)
        stocked = np.zeros((draws, stocked_rows, width))
        stocked_density: Floats = np.zeros(draws)
        stocked_spawners: Floats = np.zeros(draws)
        if put is not None:
            entering = groups.share * put.number_per_year / length_km / put.every_years
            stocked = _through_life(alive[12].reshape(shape)[:, ages:], stocked_rows, entering)
            stocked_density = (stocked * (alive[survey].reshape(shape) * counted)[:, ages:]).sum(axis=(1, 2))
            stocked_spawners = (stocked * (alive[spawn].reshape(shape) * spawning)[:, ages:]).sum(axis=(1, 2))
        overstocked = np.zeros(draws, dtype=bool)
        if life.density_per_km is not None:
            overstocked = stocked_density > 0.99 * life.density_per_km
            recruits = np.maximum(life.density_per_km - stocked_density, 0.01 * life.density_per_km) / density
            scale, collapsed = _unfished(life, recruits, spawners * recruits + stocked_spawners, unfished)
        elif life.recruits_per_km is not None or given is None:
            scale = np.full(draws, DEFAULT_RECRUITS) if life.recruits_per_km is None else np.array(life.recruits_per_km)
            recruits, collapsed = _settled(life, scale, spawners, stocked_spawners, unfished)
        else:
            recruits = given.sum(axis=1) / numbers.sum(axis=(1, 2))
            scale, collapsed = _unfished(life, recruits, spawners * recruits + stocked_spawners, unfished)
        whole = np.concatenate([numbers * recruits[:, None, None], stocked], axis=1).reshape(draws, -1)
        # The mean number alive in a month, were the hazard the same throughout: (start - end) / ln(start / end).
        ratio = np.log(np.maximum(alive[:12] / np.maximum(alive[1:], 1e-300), 1.0))
        share = np.where(ratio > 1e-12, -np.expm1(-ratio) / np.where(ratio > 1e-12, ratio, 1.0), 1.0)
        during = alive[:12] * share * whole[None]
        caught = capture * np.einsum("mdc,mdc->d", during, rates.capture)
        effort = angling.effort_h_per_km if angling.effort_h_per_km is not None else caught / angling.catch_per_hour
        total = rates.effort.sum(axis=0)
        effort_h = np.where(total > 0, effort / np.where(total > 0, total, 1.0), 0.0)
        if not today.limits_number:
            break
        with np.errstate(divide="ignore", invalid="ignore"):
            trips = rates.effort * effort_h / angling.hours_per_trip
            means = [capture * np.einsum("mdc,mdc->md", during, rates.capture * item) / trips for item in rates.wanted]
        means = [np.where(trips > 0, mean, 0.0) for mean in means]
        more = {"mean_above": means[1], "limit_above": above} if len(means) > 1 else {}
        found = share_kept(means[0], bag, dispersion=angling.catch_dispersion, **more)
        change = max(float(np.abs(new - old).max()) for new, old in zip(found, shares, strict=False))
        if change < 1e-9:
            break
        before, shares = shares, _nearer(shares, list(found), before, answers)
        answers = list(found)

    if given is not None:
        composition = numbers / np.maximum(numbers.sum(axis=2, keepdims=True), 1e-300)
        current = composition * given[:, :, None]
    else:
        current = numbers * recruits[:, None, None]
        if deviations is not None:
            current = current * deviations[:, :, None]
            if life.density_per_km is not None:
                seen = (current * (alive[survey].reshape(shape) * counted)[:, wild]).sum(axis=(1, 2))
                current = current * (recruits * density / seen)[:, None, None]
        if put is not None:
            current = current + _nearest_age(life, today, stocked, ages)
    now = (current * (alive[spawn].reshape(shape) * spawning)[:, wild]).sum(axis=(1, 2))
    return TodaysPopulation(
        numbers=current,
        capture_rate=capture,
        effort_h=effort_h,
        unfished_recruits=scale,
        unfished_spawners=scale * unfished,
        spawners=now,
        kept_share=shares[0],
        collapsed=collapsed,
        overstocked=overstocked,
    )


def collapse_notes(collapsed: NDArray[np.bool_], overstocked: NDArray[np.bool_]) -> list[str]:
    """In how many draws fishing would wipe out the stock, and stocked fish alone exceed the density; each flag one a draw."""
    notes, draws = [], collapsed.size
    if collapsed.any():
        low = f"their recruitment was set at {100 * LEAST_EQUILIBRIUM:g} % of the unfished"
        notes.append(f"in {collapsed.sum()} of {draws} draws {WIPED_OUT}; {low}")
    if overstocked.any():
        notes.append(f"in {overstocked.sum()} of {draws} draws {OVERSTOCKED}; wild fish are 1% of it there")
    return notes
