"""Sensitive places made coarse: a survey that tells what was caught, and only roughly where and when."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from fishreport.exceptions import UsageError
from fishreport.fielddata.schema import TABLES
from fishreport.fielddata.survey import Survey

LATITUDE = ("latitude", "decimal_latitude", "decimallatitude", "lat")
LONGITUDE = ("longitude", "decimal_longitude", "decimallongitude", "lon", "long", "lng")
_KM_PER_DEGREE = 111.195  # mean of the sphere: 2 π 6371.0 km / 360
_WITHHELD = "withheld"
_DERIVED = ("row", "season", "effort_h", "species_key", "reach", "site", "run_id")


@dataclass(frozen=True)
class Coarsened:
    """A survey whose places are coarse.

    Attributes
    ----------
    survey : Survey
    km : float
        What places are rounded to.
    statement : str
        What was done, for whoever gets the data.
    """

    survey: Survey
    km: float
    statement: str


def find_coordinates(runs: pd.DataFrame) -> tuple[str, str] | None:
    """Names of the columns of latitude and longitude in decimal degrees, or None without both."""
    latitude = next((name for name in LATITUDE if name in runs), None)
    longitude = next((name for name in LONGITUDE if name in runs), None)
    return (latitude, longitude) if latitude and longitude else None


def coordinates(runs: pd.DataFrame) -> tuple[np.ndarray, np.ndarray] | None:
    """Latitude and longitude of each run in decimal degrees, NaN where there is none or it cannot be on a globe."""
    named = find_coordinates(runs)
    if named is None:
        return None
    latitude, longitude = (pd.to_numeric(runs[name], errors="coerce").to_numpy(dtype=float) for name in named)
    outside = ~((np.abs(latitude) <= 90) & (np.abs(longitude) <= 180))
    return np.where(outside, np.nan, latitude), np.where(outside, np.nan, longitude)


def rounded_coordinates(latitude: np.ndarray, longitude: np.ndarray, km: float) -> tuple[np.ndarray, np.ndarray]:
    """Coordinates on a grid of about `km`, by latitude; four decimals."""
    step = km / _KM_PER_DEGREE
    north = np.clip(np.round(latitude / step) * step, -90, 90)
    across = step / np.maximum(np.cos(np.radians(north)), 0.01)
    east = np.clip(np.round(longitude / across) * across, -180, 180)
    return np.round(north, 4), np.round(east, 4)


def _renamed(names: pd.Series, letter: str) -> dict[str, str]:
    """New names in the order met; empty stays empty."""
    known = [name for name in names.unique() if name]
    return {"": "", **{name: f"{letter}{number:05d}" for number, name in enumerate(known, start=1)}}


def _mapped(names: pd.Series, known: dict[str, str]) -> pd.Series:
    return pd.Series([known.get(name, "") for name in names], names.index, dtype="str")


def _without_text(frame: pd.DataFrame, table: str) -> pd.DataFrame:
    """Without remarks, and without columns that the schema does not know: either could name a place."""
    kept = [name for name in frame if name in TABLES[table] or name in _DERIVED]
    frame = frame[kept].copy()
    if "comments" in frame:
        frame["comments"] = ""
    return frame


def coarsen(survey: Survey, km: float) -> Coarsened:
    """The same survey with coarse places.

    Sites take the name of their reach, kilometres along the river and coordinates are rounded to `km`, times of day are left
    out, runs and age samples get new names (the old ones often hold the site), and remarks and columns that the schema does not
    define are left out. Faults and rows set aside, which quote the files, are left out as well.

    Parameters
    ----------
    survey : Survey
    km : float
        Above 0.

    Raises
    ------
    UsageError
        If `km` is not a number above 0.
    """
    if not 0 < km < np.inf:
        raise UsageError(f"places are coarsened to a distance above 0 km; got {km:g}")
    reach = survey.runs["reach"].where(survey.runs["reach"].ne(""), _WITHHELD)
    run_names = _renamed(survey.runs["run_id"], "R")
    samples = _renamed(pd.concat([survey.fish["age_sample"], survey.ages["age_sample"]]), "A")

    runs = _without_text(survey.runs, "runs")
    places = coordinates(survey.runs)
    runs["site"] = reach.astype("str")
    runs["river_km"] = np.round(runs["river_km"] / km) * km
    runs["start_time"] = ""
    runs["run_id"] = _mapped(runs["run_id"], run_names)
    named = find_coordinates(survey.runs)
    if places is not None and named is not None:
        for name, values in zip(named, rounded_coordinates(*places, km), strict=True):
            runs[name] = pd.Series(["" if np.isnan(value) else f"{value:.4f}" for value in values], runs.index).astype("str")

    site_of = dict(zip(survey.runs["run_id"], reach, strict=True))
    fish = _without_text(survey.fish, "fish")
    fish["site"] = _mapped(survey.fish["run_id"], site_of)
    ages = _without_text(survey.ages, "ages")
    ages["site"] = _mapped(survey.ages["run_id"], site_of)
    for frame in (fish, ages):
        frame["run_id"] = _mapped(frame["run_id"], run_names)
        frame["age_sample"] = _mapped(frame["age_sample"], samples)
    others = {name: _without_text(getattr(survey, name), name) for name in ("census", "stocking", "flow", "harvest")}
    statement = (
        f"Places are coarse: sites carry the name of their reach, kilometres along the river and coordinates are rounded to "
        f"{km:g} km, times of day, remarks and columns of the owner's own are left out, runs and age samples are renamed. "
        "Estimates that use sites are those of reaches."
    )
    made = replace(
        survey, runs=runs, fish=fish, ages=ages, faults=survey.faults.iloc[:0], set_aside=survey.set_aside.iloc[:0], **others
    )
    return Coarsened(made, km, statement)
