"""What may drive the catch: release from the dam, water temperature, stocking, season by season."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from fishreport.analysis.result import Result
from fishreport.analysis.trend import IndexTrend, adjusted_p
from fishreport.fielddata.survey import Survey
from fishreport.methods.covariates import fit_covariates, lagged
from fishreport.methods.estimate import Estimate
from fishreport.study import Study

RELEASE_DAYS = 90
STOCKED_DAYS = 365


@dataclass(frozen=True)
class Driver:
    """A covariate: one value a year.

    Attributes
    ----------
    name : str
        Short name in results: ``release``, ``temperature``, ``stocking``.
    short, more : str
        What it is, for a table; and how a sentence goes on after an amount of it.
    units : str
    species : str | None
        The species that it bears on; None for all.
    values : Series
        Year → value.
    """

    name: str
    short: str
    more: str
    units: str
    species: str | None
    values: pd.Series


@dataclass(frozen=True)
class DriverEffect:
    """The effect of one driver on one index, beside a steady trend.

    Attributes
    ----------
    driver : Driver
    trend : IndexTrend
    step : float
        One standard deviation of the driver between seasons, in its units: what the effect is for.
    result : Result
        ``covariate_effect``, in percent of the index (or its units) for one `step` more.
    p : float
    seasons : int
        Seasons used.
    adjusted_p : float
        `p` adjusted for the number of effects tried.
    """

    driver: Driver
    trend: IndexTrend
    step: float
    result: Result
    p: float
    seasons: int
    adjusted_p: float = math.nan


def _survey_starts(survey: Survey, years: range) -> pd.Series:
    """First survey day of each year; for a year without runs, the usual day of the others."""
    first = survey.runs.groupby("season")["date"].min()
    usual = int(first.dt.day_of_year.median())
    dates = {year: first.get(year, pd.Timestamp(year, 1, 1) + pd.Timedelta(days=usual - 1)) for year in years}
    return pd.Series(dates)


def _window(table: pd.DataFrame, column: str, starts: pd.Series, days: int, how: str) -> pd.Series:
    """Mean or sum of a dated column over the days before each start; NaN without a row, or with under half of the days (mean)."""
    found = {}
    for year, start in starts.items():
        inside = table[(table["date"] < start) & (table["date"] >= start - pd.Timedelta(days=days))][column].dropna()
        if how == "mean":
            found[year] = float(inside.mean()) if inside.size * 2 >= days else np.nan
        else:
            found[year] = float(inside.sum())
    return pd.Series(found, dtype=float)


def drivers(study: Study, survey: Survey) -> list[Driver]:
    """The covariates that the data hold.

    Release: mean discharge of the 90 days before the first survey night. Temperature: mean of the runs, as measured.
    Stocking: fish of the species put in during the year before the first survey night. Windows are common practice, no source.
    """
    if survey.runs.empty:
        return []
    now = study.season.year
    first_years = [int(survey.runs["season"].min())]
    first_years += [int(t["date"].dt.year.min()) for t in (survey.flow, survey.stocking) if len(t)]
    starts = _survey_starts(survey, range(min(first_years), now + 1))
    found = []
    if len(survey.flow):
        release = _window(survey.flow, "discharge_m3_s", starts, RELEASE_DAYS, "mean")
        short, more = f"Release, {RELEASE_DAYS} days before", f"more of mean release in the {RELEASE_DAYS} days before the survey"
        found.append(Driver("release", short, more, "m3/s", None, release))
    temperature = survey.runs.groupby("season")["water_temperature_c"].mean()
    if temperature.notna().any():
        more = "more of water temperature on the survey nights"
        found.append(Driver("temperature", "Water temperature", more, "°C", None, temperature))
    if len(survey.stocking):
        since = int(survey.stocking["date"].dt.year.min())
        for key, table in survey.stocking.groupby("species_key"):
            number = _window(table, "number", starts[starts.index >= since], STOCKED_DAYS, "sum")
            more = "fish more stocked in the year before the survey"
            found.append(Driver("stocking", "Stocking, year before", more, "fish", str(key), number))
    return found


def driver_effects(study: Study, given: Sequence[Driver], trends: Sequence[IndexTrend]) -> list[DriverEffect]:
    """Effect of each driver on each index, one driver at a time beside a steady trend, lagged as the study asks.

    `adjusted_p` is for the number of them all (`trend.adjusted_p`).
    """
    lag = study.parameters.lag_years
    found = []
    for trend in trends:
        s = trend.series
        for driver in given:
            if driver.species not in (None, s.species) or s.year.size < 2 or not np.ptp(s.value) > 0:
                continue
            x = lagged(s.year, driver.values.index.to_numpy(float), driver.values.to_numpy(float), lag_years=lag)
            step = float(np.nanstd(x, ddof=1)) if np.isfinite(x).sum() > 1 else 0.0
            if not step > 0:
                continue
            fit = fit_covariates(
                s.year, s.value, {driver.name: x / step}, se=s.se, level=s.level, units=s.units, scale=s.scale
            )  # fmt: skip
            estimate = _told(fit.coefficients[driver.name], driver, step, lag)
            detail = f"{s.quantity}/{driver.name}" + (f" {lag} year{'s' if lag > 1 else ''} before" if lag else "")
            result = Result("covariate_effect", estimate, None, s.species, s.size_class, detail=detail)
            p = fit.p[driver.name] if estimate.estimable else math.nan
            found.append(DriverEffect(driver, trend, step, result, p, estimate.n))
    return [replace(one, adjusted_p=q) for one, q in zip(found, adjusted_p([one.p for one in found]), strict=True)]


def _told(effect: Estimate, driver: Driver, step: float, lag: int) -> Estimate:
    note = f"for one standard deviation between seasons ({step:.3g} {driver.units})"
    if lag:
        note += f", {lag} season{'s' if lag > 1 else ''} before"
    return replace(effect, units=effect.units.removesuffix(" per unit")).noting(note)
