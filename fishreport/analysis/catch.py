"""Catch per hour of electrofishing by species, length class, site and season."""

from __future__ import annotations

import pandas as pd

from fishreport.analysis.classes import LengthClasses, first_passes, later_runs_note, run_catches
from fishreport.analysis.result import Result, Results
from fishreport.fielddata.survey import Survey
from fishreport.methods.catch_rate import mean_catch_rate, stratified_catch_rate
from fishreport.methods.estimate import Estimate
from fishreport.study import Study

SITE_CLASSES = ("all", "stock", "quality")


def _strata(study: Study) -> dict[str, float]:
    """Weight of each reach, or nothing when the study names no strata or leaves out a length."""
    lengths = {stratum.reach: stratum.length_km for stratum in study.water.strata}
    if len(lengths) < 2 or any(length is None for length in lengths.values()):
        return {}
    return {reach: float(length or 0.0) for reach, length in lengths.items()}


def _water_rate(
    runs: pd.DataFrame, size_class: str, strata: dict[str, float], level: float, *, by_site: bool = False
) -> Estimate:
    catch, effort = runs[size_class].to_numpy(dtype=float), runs["effort_h"].to_numpy(dtype=float)
    site = runs["site"].to_numpy() if by_site else None
    if not strata:
        return mean_catch_rate(catch, effort, site=site, level=level)
    placed = runs["reach"].isin(strata).to_numpy()
    visited = set(runs.loc[placed, "reach"])
    if not placed.all() or visited != set(strata):
        missing = ", ".join(sorted(set(strata) - visited))
        reason = f"no run in reach {missing}" if missing else f"{int((~placed).sum())} runs name no reach of the study"
        return mean_catch_rate(catch, effort, site=site, level=level).noting(f"not stratified: {reason}")
    return stratified_catch_rate(catch, effort, runs["reach"].to_numpy(), weight=strata, site=site, level=level)


def catch_rates(study: Study, survey: Survey, classes: list[LengthClasses]) -> Results:
    """Catch rates of the whole water, by species, class and season; the run is the sampling unit.

    Where the study names reaches with their lengths, the rate is stratified by reach and weighted by reach length. A season
    without a run in one of the reaches is reported unstratified, with a note. Second and later passes over the same water are
    left out, with a note.
    """
    level, strata = study.parameters.level, _strata(study)
    found = []
    for own in classes:
        catches = run_catches(survey, own)
        fish = survey.fish_of(own.species.key)
        lost = fish[fish["length_mm"].isna() & first_passes(fish)].groupby("season").size()
        for season, runs in catches.groupby("season"):
            notes = later_runs_note(survey.runs[survey.runs["season"] == season])
            for size_class in own.bounds_mm:
                estimate = _water_rate(runs, size_class, strata, level).noting(*notes)
                if size_class != "all" and lost.get(season, 0):
                    estimate = estimate.noting(f"{lost[season]} {own.species.name} were not measured and are in no length class")
                found.append(Result("catch_rate", estimate, int(str(season)), own.species.key, size_class))
    return Results(found)


def rates_by_sites(study: Study, survey: Survey, classes: list[LengthClasses]) -> Results:
    """This season's catch rates as in `catch_rates`, but with sites instead of runs as sampling units.

    Their intervals are those of a water of which the sites are a sample; those of `catch_rates` take the sites as given. Without
    a site that was run more than once the two are the same, and there are none.
    """
    level, strata, season = study.parameters.level, _strata(study), study.season.year
    found = []
    for own in classes:
        catches = run_catches(survey, own)
        now = catches[catches["season"] == season]
        if now.empty or not now["site"].duplicated().any():
            continue
        for size_class in own.bounds_mm:
            estimate = _water_rate(now, size_class, strata, level, by_site=True)
            found.append(Result("catch_rate", estimate, season, own.species.key, size_class))
    return Results(found)


def site_catch_rates(study: Study, survey: Survey, classes: list[LengthClasses]) -> Results:
    """Catch rates by site and season, for all fish and those of stock and of quality length."""
    level = study.parameters.level
    found = []
    for own in classes:
        catches = run_catches(survey, own)
        names = [name for name in SITE_CLASSES if name in own.bounds_mm]
        for (season, site), runs in catches.groupby(["season", "site"]):
            notes = later_runs_note(survey.runs[(survey.runs["season"] == season) & (survey.runs["site"] == site)])
            for size_class in names:
                estimate = mean_catch_rate(runs[size_class].to_numpy(float), runs["effort_h"].to_numpy(float), level=level)
                estimate = estimate.noting(*notes)
                found.append(Result("catch_rate", estimate, int(str(season)), own.species.key, size_class, str(site)))
    return Results(found)


def site_order(survey: Survey) -> list[str]:
    """All sites ever sampled, in downstream order where the runs give a river kilometre, else by name."""
    places = survey.runs.groupby("site")["river_km"].mean().reset_index()
    return [str(site) for site in places.sort_values(["river_km", "site"], na_position="last", kind="stable")["site"]]
