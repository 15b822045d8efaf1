"""Many waters side by side: their indices, their objectives, and what their data leave open."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field

from fishreport.analysis.result import Result, Results

# Quantity and size class of each index, best first where a water may not have it.
INDICES: dict[str, tuple[tuple[str, str], ...]] = {
    "Catch rate": (("catch_rate", "stock"), ("catch_rate", "all")),
    "Share of quality length": (("proportional_size", "quality"),),
    "Relative weight": (("relative_weight", "stock"), ("relative_weight", "all")),
    "Total mortality": (("total_mortality", "all"),),
}
REPORTED_GAPS = ("catch_rate", "proportional_size", "relative_weight", "total_mortality", "growth_asymptotic_length")
_REASON = "not estimable: "
_FAULTS = 2


@dataclass(frozen=True)
class ObjectiveStand:
    """One objective of one water: its words and its verdict."""

    objective: str
    target: str
    value: str
    verdict: str

    @property
    def kind(self) -> str:
        """``met``, ``not met`` or ``not yet known``."""
        words = self.verdict.casefold()
        return words if words in ("met", "not met") else "not yet known"


@dataclass(frozen=True)
class ReportedWater:
    """One water of a region.

    Attributes
    ----------
    name : str
        Name of the water.
    place : str
        Its study folder below the folder of the batch.
    season : int
        Reported season; 0 when it has no report.
    species : dict[str, str]
        Key → name.
    results : Results
    objectives : tuple[ObjectiveStand, ...]
    tables : tuple[str, ...]
        Names of the field-data tables that it has.
    seasons : tuple[int, ...]
        Seasons with fieldwork.
    error : str
        Why it has no report.
    stale : bool
        Its report is of an earlier batch: this one failed.
    """

    name: str
    place: str
    season: int = 0
    species: dict[str, str] = field(default_factory=dict)
    results: Results = field(default_factory=Results, repr=False)
    objectives: tuple[ObjectiveStand, ...] = ()
    tables: tuple[str, ...] = ()
    seasons: tuple[int, ...] = ()
    error: str = ""
    stale: bool = False


@dataclass(frozen=True)
class Gap:
    """Something that a water's data leave open."""

    water: str
    what: str
    why: str


def index(water: ReportedWater, species: str, name: str) -> Result | None:
    """The index called `name` of a species in the reported season, for the whole water; None when the report has none."""
    for quantity, size_class in INDICES[name]:
        place = {"quantity": quantity, "species": species, "size_class": size_class, "site": None, "scenario": None}
        found = list(water.results.where(**place, season=water.season))
        plain = [result for result in found if result.detail is None] or found
        if plain:
            return plain[0]
    return None


def region_species(waters: Sequence[ReportedWater]) -> dict[str, str]:
    """Key → name of every species, those of most waters first."""
    counts = Counter(key for water in waters for key in water.species)
    names = {key: name for water in waters for key, name in water.species.items()}
    return {key: names[key] for key, _ in sorted(counts.items(), key=lambda item: (-item[1], item[0]))}


def verdict_counts(water: ReportedWater) -> dict[str, int]:
    """Number of objectives met, not met and not yet known."""
    counts = Counter(stand.kind for stand in water.objectives)
    return {kind: counts.get(kind, 0) for kind in ("met", "not met", "not yet known")}


def _missed(seasons: Sequence[int]) -> list[int]:
    return [year for year in range(min(seasons), max(seasons) + 1) if year not in seasons] if seasons else []


def data_gaps(waters: Sequence[ReportedWater]) -> list[Gap]:
    """What each water's data leave open: no report, seasons missed, tables it does not have, estimates that cannot be made."""
    gaps: list[Gap] = []
    for water in waters:
        if water.error:
            gaps.append(Gap(water.name, "no new report" if water.stale else "no report", _short(water.error)))
        if not water.season:
            continue
        missed = _missed(water.seasons)
        if missed:
            gaps.append(Gap(water.name, "seasons without fieldwork", ", ".join(map(str, missed))))
        absent = [name for name in ("ages", "census", "flow", "harvest") if name not in water.tables]
        if absent:
            gaps.append(Gap(water.name, "tables that the study does not have", ", ".join(absent)))
        gaps += _not_estimable(water)
    return gaps


def _short(error: str) -> str:
    """An error in one line: what it is, and the first of the faults that it lists."""
    first, *others = [line.strip() for line in error.splitlines()]
    more = f" and {len(others) - _FAULTS} more" if len(others) > _FAULTS else ""
    return f"{first}: {'; '.join(others[:_FAULTS])}{more}" if others else first


def _not_estimable(water: ReportedWater) -> list[Gap]:
    found: dict[tuple[str, str, str], list[str]] = {}
    for result in water.results.where(season=water.season, site=None, scenario=None, quantity=list(REPORTED_GAPS)):
        if result.estimate.estimable:
            continue
        reason = next((note.removeprefix(_REASON) for note in result.estimate.notes if note.startswith(_REASON)), "not estimable")
        key = (result.quantity, water.species.get(result.species or "", result.species or "fish"), reason)
        found.setdefault(key, []).append(result.size_class or "all")
    gaps = []
    for (quantity, species, reason), classes in found.items():
        named = [name for name in dict.fromkeys(classes) if name != "all"]
        of = f" ({', '.join(named)})" if named else ""
        gaps.append(Gap(water.name, f"{quantity.replace('_', ' ')} of {species}{of}", reason))
    return gaps
