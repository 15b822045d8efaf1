"""What a brief says of changes over the seasons: first what stands among all changes tested, the rest with a caution."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from fishreport.analysis.result import Result, Results
from fishreport.exhibits.brief_words import PlainWords
from fishreport.exhibits.exhibit import Finding
from fishreport.exhibits.wording import direction

_CATCH = ("standardised_catch_rate", "catch_rate")
_CONDITION = ("relative_weight", "condition_factor")
_MOVED = ("up", "down")


def doubted(tests: Sequence[Mapping[str, Any]]) -> frozenset[str]:
    """Ids of the trends and smoothed changes that do not stand after adjusting for the number tested.

    `tests`: rows behind the report's table of trends, with ``id``, ``level``, ``adjusted_p`` and ``smoothed_adjusted_p``.
    """
    found = []
    for row in tests:
        moved = str(row["id"]).replace("trend_per_year/", "smoothed_change/", 1)
        for name, adjusted in ((str(row["id"]), row["adjusted_p"]), (moved, row["smoothed_adjusted_p"])):
            if adjusted is not None and adjusted >= 1 - row["level"]:
                found.append(name)
    return frozenset(found)


@dataclass(frozen=True)
class _Series:
    """Trend and smoothed change of an index, with its first and last season."""

    trend: Result
    smooth: Result | None
    ends: tuple[int, int] | None


def one_result(results: Results, **place: Any) -> Result | None:
    """The one estimable result of a place; None where there is none or more than one."""
    full = {"site": None, "scenario": None, "detail": None, **place}
    found = [result for result in results.where(**full) if result.estimate.estimable]
    return found[0] if len(found) == 1 else None


def _series(results: Results, of: str, species: str, size_class: str, season: int) -> _Series | None:
    place = {"species": species, "size_class": size_class, "detail": of}
    trend = one_result(results, quantity="trend_per_year", **place)
    if trend is None or trend.estimate.units != "percent per year":
        return None
    smooth = one_result(results, quantity="smoothed_change", **place)
    ends = _ends(results, of, species, size_class, season)
    return _Series(trend, smooth if ends and smooth and direction(smooth.estimate) in _MOVED else None, ends)


def _ends(results: Results, quantity: str, species: str, size_class: str, season: int) -> tuple[int, int] | None:
    """First and last season of an index, as the trend chapter draws it."""
    line = results.where(quantity=quantity, species=species, size_class=size_class, site=None, detail=None)
    known = [r.season for r in line if r.season is not None and r.season <= season and r.estimate.estimable]
    return (min(known), max(known)) if len(known) > 1 else None


def catch_change(
    results: Results, species: str, season: int, words: PlainWords, unsure: Collection[str] = ()
) -> Finding | None:  # fmt: skip
    """How the catch changed over the seasons, or since the season sampled before where no trend was estimated.

    A trend that stands goes first, then a comparison of the last season with the first that stands; one that is `unsure`
    (`doubted`) is told as such.
    """
    lead = words.context.lead_class(species)
    line = [r for r in results.where(quantity="catch_rate", species=species, size_class=lead, site=None, detail=None) if r.season]
    line = sorted((r for r in line if (r.season or 0) <= season), key=lambda r: r.season or 0)
    for of in _CATCH:
        one = _series(results, of, species, lead, season)
        if one is None or not line:
            continue
        first = min(r.season or season for r in line)
        told = words.trend(one.trend, first, lead)
        shaky = told.direction in _MOVED and one.trend.id in unsure
        if one.smooth is not None and one.ends is not None:
            chance = one.smooth.id in unsure
            if told.direction == "unclear" or (shaky and not chance):
                return words.compared(one.smooth, one.trend, *one.ends, lead, unsure=chance, unsteady=not shaky)
        return words.trend(one.trend, first, lead, unsure=True) if shaky else told
    known = [r for r in line if r.estimate.estimable]
    if len(known) > 1 and known[-1].season == season:
        return words.changed(known[-2], known[-1])
    return None


def condition_change(
    results: Results, species: str, season: int, words: PlainWords, unsure: Collection[str] = ()
) -> Finding | None:  # fmt: skip
    """That fish grew leaner or heavier for their length over the seasons; None where that cannot be told or does not stand."""
    lead = words.context.lead_class(species)
    for of in _CONDITION:
        one = _series(results, of, species, lead, season)
        if one is None or one.ends is None:
            continue
        if one.smooth is not None and one.smooth.estimate.units == "percent" and one.smooth.id not in unsure:
            return words.condition_compared(one.smooth, *one.ends)
        if direction(one.trend.estimate) in _MOVED and one.trend.id not in unsure:
            return words.condition_trend(one.trend, one.ends[0])
        return None
    return None
