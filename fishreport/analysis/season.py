"""What was done this season: effort, catch, conditions and the field data's faults."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from fishreport.analysis.result import Result, Results
from fishreport.fielddata.survey import Survey
from fishreport.methods.condition import handling_mortality
from fishreport.methods.estimate import Estimate
from fishreport.study import Study

CONDITIONS = {
    "water_temperature_c": ("Water temperature", "°C"),
    "conductivity_us_cm": ("Ambient conductivity", "µS/cm"),
    "discharge_m3_s": ("Discharge", "m3/s"),
    "visibility_m": ("Visibility", "m"),
    "voltage_v": ("Voltage", "V"),
    "current_a": ("Current", "A"),
    "pulse_hz": ("Pulse rate", "Hz"),
    "duty_pct": ("Duty cycle", "percent"),
}


@dataclass(frozen=True)
class SeasonWork:
    """The field work of the reported season and of those before it.

    Attributes
    ----------
    by_site : DataFrame
        One row a site of the reported season: ``reach``, ``site``, ``river_km``, ``runs``, ``effort_h``, ``fish``, and the
        number of each species key; in downstream order.
    by_season : DataFrame
        One row a season: ``season``, ``sites``, ``runs``, ``effort_h``, ``fish``, and each species key.
    conditions : DataFrame
        One row a reading: ``name``, ``units``, ``n``, ``median``, ``minimum``, ``maximum``; readings never taken are absent.
    other_species : dict[str, int]
        Fish of species that the study does not name, this season.
    """

    season: int
    by_site: pd.DataFrame
    by_season: pd.DataFrame
    conditions: pd.DataFrame
    other_species: dict[str, int]


def _catch_table(fish: pd.DataFrame, by: str, keys: list[str]) -> pd.DataFrame:
    counts = pd.crosstab(fish[by], fish["species_key"]) if len(fish) else pd.DataFrame()
    return counts.reindex(columns=keys, fill_value=0).fillna(0).astype(int)


def season_work(study: Study, survey: Survey) -> SeasonWork:
    """Count effort and catch by site and by season, and summarise the readings taken at the runs."""
    season = study.season.year
    keys = [species.key for species in study.species.values()]
    runs, fish = survey.runs[survey.runs["season"] == season], survey.fish[survey.fish["season"] == season]
    places = runs.groupby("site", sort=False).agg(
        reach=("reach", "first"), river_km=("river_km", "mean"), runs=("run_id", "size"), effort_h=("effort_h", "sum")
    )
    places["fish"] = fish.groupby("site").size().reindex(places.index, fill_value=0)
    by_site = places.join(_catch_table(fish, "site", keys)).fillna(dict.fromkeys(keys, 0)).astype(dict.fromkeys(keys, int))
    by_site = by_site.reset_index().sort_values(["river_km", "site"], na_position="last", kind="stable").reset_index(drop=True)

    years = survey.runs.groupby("season").agg(sites=("site", "nunique"), runs=("run_id", "size"), effort_h=("effort_h", "sum"))
    years["fish"] = survey.fish.groupby("season").size().reindex(years.index, fill_value=0)
    by_season = years.join(_catch_table(survey.fish, "season", keys)).fillna(dict.fromkeys(keys, 0))
    by_season = by_season.astype(dict.fromkeys(keys, int)).reset_index()

    readings = []
    for column, (name, units) in CONDITIONS.items():
        values = runs[column].dropna().astype(float) if column in runs else pd.Series(dtype=float)
        if len(values):
            summary = {"n": len(values), "median": values.median(), "minimum": values.min(), "maximum": values.max()}
            readings.append({"name": name, "units": units, **summary})
    columns = ["name", "units", "n", "median", "minimum", "maximum"]
    others = fish.loc[~fish["species_key"].isin(keys), "species"].value_counts()
    return SeasonWork(
        season, by_site, by_season, pd.DataFrame(readings, columns=columns), {str(k): int(v) for k, v in others.items()}
    )


def handling_results(study: Study, survey: Survey) -> Results:
    """Share of handled fish that died or were injured, by species and season, with exact limits; runs are clusters."""
    found = []
    level = study.parameters.level
    for species in study.species.values():
        own = survey.fish[survey.fish["species_key"] == species.key]
        for season in survey.seasons:
            noted = own[(own["season"] == season) & own["fate"].notna() & own["fate"].ne("")]
            for detail, bad in (("died", ["dead"]), ("died or injured", ["dead", "injured"])):
                by_run = noted["fate"].isin(bad).groupby(noted["run_id"]).agg(["sum", "size"])
                if len(by_run):
                    estimate = handling_mortality(by_run["sum"].to_numpy(), by_run["size"].to_numpy(), level=level)
                else:
                    estimate = Estimate.not_estimable("the fate of no fish is recorded", units="percent", level=level)
                found.append(Result("handling_mortality", estimate, season, species.key, "all", detail=detail))
    return Results(found)


def counted_faults(survey: Survey) -> pd.DataFrame:
    """Faults left in the checked data: one row a ``severity`` and ``code`` with its ``count`` and an example ``message``."""
    faults = survey.faults
    if faults.empty:
        return pd.DataFrame(columns=["severity", "code", "count", "message"])
    grouped = faults.groupby(["severity", "code"], sort=False).agg(count=("code", "size"), message=("message", "first"))
    order = {"error": 0, "doubt": 1, "note": 2}
    table = grouped.reset_index()
    return table.iloc[np.argsort(table["severity"].map(order).to_numpy(), kind="stable")].reset_index(drop=True)


def survey_month(study: Study, survey: Survey) -> int:
    """Month of the standard survey: the middle one of the season's months, else of its runs, else October."""
    if study.season.months:
        return sorted(study.season.months)[len(study.season.months) // 2]
    months = survey.runs.loc[survey.runs["season"] == study.season.year, "date"].dt.month.dropna()
    return int(months.median()) if len(months) else 10
