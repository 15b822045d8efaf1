"""What anglers did, year by year, as creel surveys tell it: effort, catch rate and fish kept, and how they moved."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from fishreport.analysis.result import Result, Results
from fishreport.analysis.trend import IndexSeries, adjusted_p, index_trend
from fishreport.fielddata.survey import Survey
from fishreport.methods.creel import angler_catch_rate, creel_total
from fishreport.study import Study

EFFORT, CATCH_RATE, KEPT = "angling_effort", "angler_catch_rate", "fish_kept"
SEVERAL_EFFORTS = "the table gives several efforts for this year; the largest is shown"


@dataclass(frozen=True)
class Creel:
    """Creel surveys up to the reported season.

    Attributes
    ----------
    results : Results
        By year, ``angling_effort`` (h), and by species ``angler_catch_rate`` (fish/h) and ``fish_kept``; and their
        ``trend_per_year`` with the quantity as detail.
    years : tuple[int, ...]
    adjusted_p : dict[str, float]
        Of each trend by the id of its result, adjusted for the number of them (Benjamini & Hochberg 1995, from memory).
    """

    results: Results
    years: tuple[int, ...]
    adjusted_p: dict[str, float] = field(default_factory=dict)


def creel_rows(study: Study, survey: Survey, species: str | None = None) -> pd.DataFrame:
    """Rows of the harvest table up to the reported season, by year; of a year and species that stands twice the last."""
    rows = survey.harvest
    known = rows["species_key"].ne("") & (rows["year"] <= study.season.year)
    if species is not None:
        known &= rows["species_key"] == species
    return rows[known].sort_values("year", kind="stable").drop_duplicates(["year", "species_key"], keep="last")


def _effort(rows: pd.DataFrame, level: float) -> list[Result]:
    """Hours of each year: a creel survey counts anglers, not anglers of one species, so the rows of a year tell the same."""
    found = []
    for _, own in rows[rows["effort_h"].notna()].groupby("year"):
        most = own.sort_values("effort_h").iloc[-1]
        hours = creel_total(most["effort_h"], most["se_effort_h"], units="h", what="hours of angling", level=level)
        notes = (SEVERAL_EFFORTS,) if own["effort_h"].nunique() > 1 else ()
        found.append(Result(EFFORT, hours.noting(*notes), int(most["year"])))
    return found


def _species(rows: pd.DataFrame, key: str, level: float) -> list[Result]:
    found = []
    for row in rows[rows["species_key"] == key].to_dict("records"):
        rate = angler_catch_rate(
            row["caught"], row["effort_h"], se_caught=row["se_caught"], se_effort_h=row["se_effort_h"], level=level
        )
        kept = creel_total(row["kept"], row["se_kept"], units="fish", what="fish kept", level=level)
        found += [Result(name, e, int(row["year"]), key, "all") for name, e in ((CATCH_RATE, rate), (KEPT, kept))]
    return found


def latest_kept(study: Study, survey: Survey, species: str, *, years_back: int) -> Result | None:
    """Fish kept in the latest of the last `years_back` years that a creel survey tells of, of the whole water; None without."""
    recent = [
        r
        for r in _species(creel_rows(study, survey, species), species, study.parameters.level)
        if r.quantity == KEPT and r.estimate.estimable and (r.season or 0) > study.season.year - years_back
    ]
    return recent[-1] if recent else None


def _trend(line: list[Result]) -> tuple[Result, float] | None:
    """The trend of one yearly quantity and its p; None with one year."""
    known = [r for r in line if r.estimate.estimable]
    if len(known) < 2:
        return None
    table = np.array([[r.season or 0, r.estimate.value, r.estimate.se, r.estimate.lower, r.estimate.upper] for r in known], float)
    first = known[0]
    series = IndexSeries(
        first.quantity, first.species or "", first.size_class or "", first.estimate.units, first.estimate.level,
        table[:, 0], table[:, 1], table[:, 2], table[:, 3], table[:, 4],
        tuple(int(r.season or 0) for r in line), (), tuple(r.id for r in known),
    )  # fmt: skip
    found = index_trend(series, lead=False)
    return replace(found.result, species=first.species, size_class=first.size_class), found.p


def creel(study: Study, survey: Survey, species: list[str]) -> Creel:
    """Effort, anglers' catch rate and fish kept of every year with a creel survey, for these species keys.

    Empty where the study has no harvest table. Trends are log-linear, weighted by the table's standard errors and the scatter
    of years, as those of the trend chapter.
    """
    level, rows = study.parameters.level, creel_rows(study, survey)
    lines = [_effort(rows, level)]
    for key in species:
        own = _species(rows, key, level)
        lines += [[r for r in own if r.quantity == name] for name in (CATCH_RATE, KEPT)]
    trends = [trend for line in lines if (trend := _trend(line)) is not None]
    found = [r for line in lines for r in line]
    tested = {trend.id: p for trend, p in trends if math.isfinite(p)}
    years = tuple(sorted({r.season for r in found if r.season is not None}))
    results = Results([*found, *(trend for trend, _ in trends)])
    return Creel(results, years, dict(zip(tested, adjusted_p(list(tested.values())), strict=True)))
