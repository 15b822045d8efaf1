"""How many fish there are: mark-recapture censuses by size class, removal at sections fished in passes, and catchability."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np
import pandas as pd

from fishreport.analysis.classes import LengthClasses, run_catches
from fishreport.analysis.result import Result, Results
from fishreport.fielddata.survey import Survey
from fishreport.methods.abundance import density, petersen, stratified_petersen
from fishreport.methods.catchability import Catchability, catchability
from fishreport.methods.estimate import Estimate
from fishreport.methods.multiple_census import schnabel, schumacher_eschmeyer
from fishreport.methods.removal import Removal, removal
from fishreport.study import Study, parse_size_range

LEAST_RECAPTURES = 4
"""Recaptures that a size class needs to stand alone; with fewer it is joined to the one next to it (common practice)."""


@dataclass(frozen=True)
class Census:
    """One mark-recapture census of a species.

    Attributes
    ----------
    species, season
    size_class : str
        Of the total: ``stock`` where its lower bound is the stock length, a range, or ``all``.
    events : int
    method : str
        ``Petersen`` with two events, ``Schnabel`` with more.
    classes : dict[str, Estimate]
        By size class, after joining those with too few recaptures; from small to large.
    total : Estimate
    others : dict[str, Estimate]
        The total by other estimators: ``Schumacher-Eschmeyer``, ``Petersen, first two events``, ``one class``.
    table : DataFrame
        One row a class and event: ``size_class``, ``event``, ``caught``, ``marked``, ``recaptured``.
    notes : tuple[str, ...]
    """

    species: str
    season: int
    size_class: str
    events: int
    method: str
    classes: dict[str, Estimate]
    total: Estimate
    others: dict[str, Estimate]
    table: pd.DataFrame = field(repr=False)
    notes: tuple[str, ...]


@dataclass(frozen=True)
class RemovalSurvey:
    """Removal of a species in one season.

    Attributes
    ----------
    species, season, size_class
    catches : dict[str, tuple[int, ...]]
        Fish caught at each pass, by site.
    sites : dict[str, Removal]
        Each site by itself.
    together : Removal
        The catches of all sites added by pass: one capture probability for all.
    length_km : float
        Length of the sections fished; NaN where a run does not tell it.
    width_m : float | None
        Their mean width; None where a run does not tell it.
    """

    species: str
    season: int
    size_class: str
    catches: dict[str, tuple[int, ...]]
    sites: dict[str, Removal]
    together: Removal
    length_km: float
    width_m: float | None


@dataclass(frozen=True)
class Population:
    """Population sizes of a study.

    Attributes
    ----------
    results : Results
    censuses : tuple[Census, ...]
    removals : tuple[RemovalSurvey, ...]
    links : dict[str, Catchability]
        Catch rate of the first pass against the population of the section, by species key.
    pairs : DataFrame
        What the links rest on: ``species``, ``season``, ``site``, ``catch_rate``, ``population``, ``population_se``.
    """

    results: Results
    censuses: tuple[Census, ...]
    removals: tuple[RemovalSurvey, ...]
    links: dict[str, Catchability]
    pairs: pd.DataFrame = field(repr=False)

    @property
    def exists(self) -> bool:
        """True when the study has a census or a removal survey."""
        return bool(self.censuses or self.removals)


def _bounds(own: LengthClasses, size_class: str) -> tuple[float, float]:
    if size_class in own.bounds_mm:
        return own.bounds_mm[size_class]
    return parse_size_range(size_class) or (0.0, math.inf)


def _named(own: LengthClasses, low: float, high: float) -> str:
    if low <= 0 and math.isinf(high):
        return "all"
    if math.isinf(high) and own.bounds_mm.get("stock", (math.nan,))[0] == low:
        return "stock"
    return f"{low:g}-{high:g} mm" if math.isfinite(high) else f"{low:g}- mm"


def _in_order(events: pd.DataFrame) -> pd.DataFrame:
    """Events in the order in which they took place: as they stand in the file, counted anew in every class."""
    return events.assign(order=events.groupby("size_class").cumcount())


def _joined(own: LengthClasses, parts: list[tuple[str, np.ndarray]]) -> tuple[list[tuple[str, np.ndarray]], tuple[str, ...]]:
    """Size classes with too few recaptures joined to the neighbour with fewer; each part is a name and (events, 3)."""
    notes: tuple[str, ...] = ()
    while len(parts) > 1:
        again = [int(counts[:, 2].sum()) for _, counts in parts]
        poor = int(np.argmin(again))
        if again[poor] >= LEAST_RECAPTURES:
            break
        other = min((i for i in (poor - 1, poor + 1) if 0 <= i < len(parts)), key=lambda i: again[i])
        first, second = sorted((poor, other))
        low, high = _bounds(own, parts[first][0])[0], _bounds(own, parts[second][0])[1]
        notes += (
            f"{parts[poor][0]} had {again[poor]} recapture{'' if again[poor] == 1 else 's'}, fewer than {LEAST_RECAPTURES}, and "
            f"was joined with {parts[other][0]}",
        )
        parts[first : second + 1] = [(_named(own, low, high), parts[first][1] + parts[second][1])]
    return parts, notes


def _sum(estimates: list[Estimate], seen: float, method: str, level: float) -> Estimate:
    """Sum of independent estimates; the limits combined from those of the parts (Zou & Donner 2008, from memory)."""
    n = sum(e.n for e in estimates)
    poor = next((e for e in estimates if not e.estimable), None)
    if poor is not None:
        return replace(poor, method=method, n=n)
    if len(estimates) == 1:
        return replace(estimates[0], method=method)
    value = sum(e.value for e in estimates)
    below, above = (
        math.hypot(*sides) for sides in zip(*((e.value - e.lower, e.upper - e.value) for e in estimates), strict=True)
    )
    se = math.hypot(*(e.se for e in estimates))
    said = tuple(dict.fromkeys(note for e in estimates for note in e.notes))
    return Estimate(value, se, max(value - below, seen), value + above, level, "fish", method, n, said)


def _by_events(counts: np.ndarray, level: float) -> Estimate:
    """One class: counts (events, 3) of caught, newly marked and recaptured fish."""
    caught, marked, again = counts.T
    if len(counts) == 2:
        return petersen(int(marked[0]), int(caught[1]), int(again[1]), level=level)
    return schnabel(caught, again, marked, form="chapman", level=level)


def _census(own: LengthClasses, season: int, events: pd.DataFrame, level: float) -> Census | None:
    table = _in_order(events.assign(size_class=events["size_class"].where(events["size_class"].ne(""), "all")))
    number = int(table["order"].max()) + 1
    if number < 2:
        return None
    by_class = sorted(table.groupby("size_class", sort=False), key=lambda item: _bounds(own, str(item[0])))
    parts = []
    for name, part in by_class:
        counts = np.zeros((number, 3))
        counts[part["order"].to_numpy()] = part[["caught", "marked", "recaptured"]].to_numpy(float)
        parts.append((str(name), counts))
    bounds = [_bounds(own, name) for name, _ in parts]
    apart = all(left[1] <= right[0] for left, right in pairwise(bounds))
    if not apart:  # classes that hold each other, such as stock and quality, are not added up
        return None
    whole = sum(counts for _, counts in parts)
    assert isinstance(whole, np.ndarray)
    solid = all(left[1] == right[0] for left, right in pairwise(bounds))
    size_class = _named(own, bounds[0][0], bounds[-1][1]) if solid else "all"
    parts, notes = _joined(own, parts)
    if not solid:
        notes += ("the size classes leave gaps: fish between them are not counted",)
    seen = float((whole[:, 0] - whole[:, 2]).sum())
    kind = "Petersen (Chapman's form)" if number == 2 else "Schnabel (Chapman's form)"
    added = (
        " summed over size classes, limits combined from the exact ones of the classes" if len(parts) > 1 else ", exact limits"
    )
    classes = {name: _by_events(counts, level) for name, counts in parts}
    total = _sum(list(classes.values()), seen, kind + added, level).noting(*notes)
    others = {"one class": _by_events(whole, level)} if len(parts) > 1 else {}
    if number > 2:
        by_line = [schumacher_eschmeyer(c[:, 0], c[:, 2], c[:, 1], level=level) for _, c in parts]
        others["Schumacher-Eschmeyer"] = _sum(by_line, seen, "Schumacher–Eschmeyer summed over size classes", level)
        first = np.array([(c[0, 1], c[1, 0], c[1, 2]) for _, c in parts])
        names = [name for name, _ in parts]
        two = stratified_petersen(*first.T, size_class=names, least_recaptures=LEAST_RECAPTURES, level=level)
        others["Petersen, first two events"] = two.population_size
    columns = ["size_class", "event", "caught", "marked", "recaptured"]
    return Census(
        own.species.key, season, size_class, number, kind.split(" ")[0], classes, total, others,
        table[columns].reset_index(drop=True), notes,
    )  # fmt: skip


def censuses(study: Study, survey: Survey, classes: list[LengthClasses]) -> tuple[Census, ...]:
    """Every census up to the reported season, by species and season."""
    found = []
    for own in classes:
        rows = survey.census[(survey.census["species_key"] == own.species.key) & (survey.census["season"] <= study.season.year)]
        for season, events in rows.groupby("season"):
            census = _census(own, int(str(season)), events, study.parameters.level)
            if census is not None:
                found.append(census)
    return tuple(found)


def _lead(own: LengthClasses) -> str:
    return "stock" if "stock" in own.bounds_mm else "all"


def _section_km(runs: pd.DataFrame) -> float:
    """Length of the sections fished in passes: the longest run at each site, added up."""
    longest = runs.groupby("site")["length_m"].max()
    return float(longest.sum()) / 1000 if longest.notna().all() else math.nan


def removal_surveys(study: Study, survey: Survey, classes: list[LengthClasses]) -> tuple[RemovalSurvey, ...]:
    """Every season and species with sites fished in two or more passes; runs of one pass at a site are added up."""
    runs = survey.runs[survey.runs["pass_number"].notna() & (survey.runs["season"] <= study.season.year)]
    level, found = study.parameters.level, []
    for own in classes:
        size_class = _lead(own)
        fish = survey.fish_of(own.species.key)
        fish = fish[own.holds(fish["length_mm"].to_numpy(float), size_class)]
        for season, part in runs.groupby("season"):
            catches = {}
            for site, there in part.groupby("site"):
                passes = sorted(there["pass_number"].astype(int).unique())
                if len(passes) < 2 or passes != list(range(1, len(passes) + 1)):
                    continue
                caught = fish[fish["run_id"].isin(there["run_id"])]["pass_number"].value_counts()
                catches[str(site)] = tuple(int(caught.get(number, 0)) for number in passes)
            most = max((len(c) for c in catches.values()), default=0)
            alike = {site: c for site, c in catches.items() if len(c) == most}
            if not alike or sum(map(sum, alike.values())) == 0:
                continue
            sites = {site: removal(c, level=level) for site, c in alike.items()}
            together = removal(np.sum(list(alike.values()), axis=0), level=level)
            there = part[part["site"].isin(list(alike))]
            width = float(there["width_m"].mean()) if there["width_m"].notna().all() else None
            found.append(
                RemovalSurvey(own.species.key, int(str(season)), size_class, alike, sites, together, _section_km(there), width)
            )
    return tuple(found)


def _density_results(
    size: Estimate, place: dict[str, object], length_km: float | None, width: float | None, detail: str | None
) -> list[Result]:
    if length_km is None or not math.isfinite(length_km):
        return []
    area = length_km * width / 10 if width is not None else None
    found = density(size, length_km=length_km, area_ha=area)
    answers = [("density_per_km", found.per_km), ("density_per_ha", found.per_ha)]
    return [Result(name, e, detail=detail, **place) for name, e in answers if e is not None]  # type: ignore[arg-type]


def _census_results(study: Study, census: Census) -> list[Result]:
    def place(size_class: str) -> dict[str, object]:
        return {"season": census.season, "species": census.species, "size_class": size_class}

    found = [Result("population_size", census.total, detail=None, **place(census.size_class))]  # type: ignore[arg-type]
    found += [
        Result("population_size", e, detail=None, **place(name))  # type: ignore[arg-type]
        for name, e in census.classes.items()
        if name != census.size_class
    ]
    found += [
        Result("population_size", e, detail=name, **place(census.size_class))  # type: ignore[arg-type]
        for name, e in census.others.items()
    ]
    return found + _density_results(census.total, place(census.size_class), study.water.length_km, study.water.width_m, None)


_SECTION_NOTE = "of the sections fished in passes, and of the part of them that the boats reach"


def _removal_results(study: Study, own: RemovalSurvey, counted: bool) -> list[Result]:
    """`counted`: the study counts that species by census too, which then gives its main density in every season."""
    place: dict[str, object] = {"season": own.season, "species": own.species, "size_class": own.size_class}
    detail = "removal" if counted else None
    size, chance = own.together.population_size.noting(_SECTION_NOTE), own.together.capture_probability
    found = [
        Result("capture_probability", chance, **place),  # type: ignore[arg-type]
        Result("population_size", size, detail="removal sections", **place),  # type: ignore[arg-type]
        *_density_results(size, place, own.length_km, own.width_m or study.water.width_m, detail),
    ]
    for site, fit in own.sites.items():
        found.append(Result("population_size", fit.population_size, site=site, detail="removal", **place))  # type: ignore[arg-type]
    return found


def _pairs(survey: Survey, classes: list[LengthClasses], removals: tuple[RemovalSurvey, ...]) -> pd.DataFrame:
    rows = []
    for own in removals:
        catches = run_catches(survey, next(one for one in classes if one.species.key == own.species))
        catches = catches[catches["season"] == own.season]
        for site, fit in own.sites.items():
            there = catches[catches["site"] == site]
            hours = float(there["effort_h"].sum())
            e = fit.population_size
            if e.estimable and hours > 0:
                rows.append((own.species, own.season, site, there[own.size_class].sum() / hours, e.value, e.se))
    return pd.DataFrame(rows, columns=["species", "season", "site", "catch_rate", "population", "population_se"])


def population(study: Study, survey: Survey, classes: list[LengthClasses]) -> Population:
    """Population sizes, densities, capture probabilities and catchability of a study, from what it has.

    Two events of a census are estimated by Petersen's method in Chapman's form, more by Schnabel's, both by size class and
    added up: boats catch large fish better, and taken as one class the population comes out too low. Removal takes the fish of
    stock length and longer (all, where no category is published).
    """
    counts = censuses(study, survey, classes)
    removals = removal_surveys(study, survey, classes)
    results: list[Result] = []
    for census in counts:
        results += _census_results(study, census)
    counted = {census.species for census in counts}
    for one in removals:
        results += _removal_results(study, one, one.species in counted)
    pairs = _pairs(survey, classes, removals)
    links = {}
    for key, part in pairs.groupby("species", sort=False):
        se = part["population_se"].to_numpy(float)
        links[str(key)] = catchability(
            part["catch_rate"].to_numpy(float), part["population"].to_numpy(float),
            population_se=np.where(np.isfinite(se), se, np.nan), level=study.parameters.level,
        )  # fmt: skip
        lead = _lead(next(one for one in classes if one.species.key == key))
        results.append(Result("catchability", links[str(key)].catchability, None, str(key), lead))
    return Population(Results(results), counts, removals, links, pairs)
