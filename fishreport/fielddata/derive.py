"""From checked values to the tables that the estimates read: seasons, species keys, and what links bring along."""

from __future__ import annotations

import numpy as np
import pandas as pd

from fishreport.fielddata.schema import TABLES
from fishreport.study import Study

_COUNTS = {
    "fish": ("count",),
    "census": ("caught", "marked", "recaptured"),
    "stocking": ("number",),
}


def finish(frame: pd.DataFrame, table: str) -> pd.DataFrame:
    """A table as the survey holds it: text as ``str``, counts as whole numbers, the line as a column, a fresh index."""
    frame = frame.copy()
    frame.insert(0, "row", frame.index.to_numpy(dtype=np.int64))
    kinds = {column.name: column.kind for column in TABLES[table]}
    for name in frame.columns:
        if name != "increments_mm" and (kinds.get(name) in ("text", "time") or frame[name].dtype == object):
            frame[name] = frame[name].astype("str")
    for name in _COUNTS.get(table, ()):
        frame[name] = frame[name].astype(np.int64)
    frame["season"] = frame["season"].astype(np.int64)
    return frame.reset_index(drop=True)


def species_keys(codes: pd.Series, study: Study) -> pd.Series:
    """Code, name or key as written → key of the species; what the study does not name keeps its code."""
    known: dict[str, str] = {}
    for code, species in study.species.items():
        for text in (code, species.name, species.key):
            known.setdefault(text.casefold(), species.key)
    keys = {text: known.get(text.casefold(), text) for text in codes.unique()}
    return codes.map(keys).astype(object)


def derive_runs(runs: pd.DataFrame) -> pd.DataFrame:
    """Runs with ``season`` and ``effort_h``, in order of date, start time and line; still indexed by line."""
    frame = runs.assign(season=runs["date"].dt.year, effort_h=runs["effort_s"] / 3600.0)
    frame["_line"] = frame.index
    return frame.sort_values(["date", "start_time", "_line"], kind="stable").drop(columns="_line")


def derive_fish(fish: pd.DataFrame, runs: pd.DataFrame, line_of_run: np.ndarray, study: Study) -> pd.DataFrame:
    """One row a fish, with season, site, reach, date and pass of its run; fish whose run is not in `runs` are left out.

    `runs` as `derive_runs` gives them; `line_of_run` is the line of the run of each fish, -1 for none.
    """
    place = pd.Series(np.arange(len(runs)), index=runs.index).reindex(line_of_run).to_numpy(dtype=np.float64, na_value=np.nan)
    there = ~np.isnan(place)
    frame, place = fish[there], place[there].astype(np.int64)
    order = np.argsort(place, kind="stable")
    frame, place = frame.iloc[order], place[order]
    brought = {name: runs[name].to_numpy()[place] for name in ("run_id", "season", "site", "reach", "date", "pass_number")}
    frame = frame.assign(**brought, species_key=species_keys(frame["species"], study))
    count = frame["count"].fillna(1).to_numpy(dtype=np.int64)
    if (count > 1).any():
        frame = frame.iloc[np.repeat(np.arange(len(frame)), count)]
    return frame.assign(count=1)


def derive_dated(frame: pd.DataFrame, study: Study) -> pd.DataFrame:
    """A table of its own dates or years, with ``season`` and (where there is a species) ``species_key``."""
    year = frame["year"] if "year" in frame else pd.Series(np.nan, frame.index)
    if "date" in frame:
        year = year.fillna(frame["date"].dt.year)
    frame = frame.assign(season=year.fillna(study.season.year))
    return frame.assign(species_key=species_keys(frame["species"], study)) if "species" in frame else frame


def derive_ages(
    ages: pd.DataFrame, fish: pd.DataFrame, runs: pd.DataFrame, *, position: np.ndarray, line_of_run: np.ndarray, study: Study
) -> pd.DataFrame:
    """Ages with species, length, date, site and run of the fish that the sample was taken from.

    `position` is the place in `fish` of the fish of each age, -1 for none; an age whose fish has no run in `runs` is left
    out, and so is an age with neither fish nor date.
    """
    frame = ages.assign(site="", run_id="").astype({"site": object, "run_id": object})
    linked = position >= 0
    source = fish.iloc[position[linked]]
    run = runs.reindex(line_of_run[position[linked]])
    lines = frame.index[linked]
    frame.loc[lines, "species"] = source["species"].to_numpy()
    own_length = frame.loc[lines, "length_mm"].to_numpy()
    frame.loc[lines, "length_mm"] = np.where(source["length_mm"].notna(), source["length_mm"], own_length)
    frame.loc[lines, "date"] = run["date"].to_numpy()
    for name in ("site", "run_id"):
        frame.loc[lines, name] = run[name].astype(object).fillna("").to_numpy()
    frame = frame[frame["date"].notna()]
    return frame.assign(season=frame["date"].dt.year, species_key=species_keys(frame["species"], study))
