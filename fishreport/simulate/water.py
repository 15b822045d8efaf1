"""The water itself: the release from the dam day by day, the nights of the survey, and the readings taken on them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from fishreport.simulate.spec import SurveySpec

Array = np.ndarray
SITES_A_NIGHT = 3


def daily_release(spec: SurveySpec, rng: np.random.Generator) -> pd.DataFrame:
    """Mean release of each day (m³/s) of every year surveyed: high in late spring, low in autumn, with wet and dry years."""
    days = pd.date_range(f"{spec.years[0]}-01-01", f"{spec.years[-1]}-12-31", freq="D")
    day = days.day_of_year.to_numpy()
    wet = dict(zip(spec.years, 0.22 * rng.standard_normal(spec.seasons), strict=True))
    year_effect = np.array([wet[year] for year in days.year])
    season = 0.55 * np.exp(-0.5 * ((day - 150) / 32) ** 2) - 0.25 * np.exp(-0.5 * ((day - 290) / 30) ** 2)
    noise = np.empty(len(days))
    shock = rng.standard_normal(len(days))
    noise[0] = 0.18 * shock[0]
    for i in range(1, len(days)):
        noise[i] = 0.93 * noise[i - 1] + 0.18 * np.sqrt(1 - 0.93**2) * shock[i]
    log_release = np.log(spec.discharge_m3_s * 1.15) + year_effect + season + noise
    for index in spec.missed:
        october = (days.year == spec.years[index]) & (days.month == 10) & (days.day >= 8)
        log_release = np.where(october, np.maximum(log_release, np.log(2.1 * spec.discharge_m3_s)), log_release)
    return pd.DataFrame({"date": days, "discharge_m3_s": np.round(np.exp(log_release), 1)})


@dataclass(frozen=True, slots=True)
class Visit:
    """One site on one night of one season."""

    season: int
    site: int
    date: pd.Timestamp
    discharge_m3_s: float
    temperature_c: float
    conductivity_us_cm: float
    visibility_m: float
    voltage_v: int
    current_a: float
    netters: int


def visits(spec: SurveySpec, season: int, flow: pd.DataFrame, rng: np.random.Generator) -> list[Visit]:
    """The site visits of one season, three a night from the first Monday on or after 4 October, from the dam down."""
    first = pd.Timestamp(year=spec.years[season], month=10, day=4)
    first += pd.Timedelta(days=(7 - first.day_of_week) % 7)
    release = dict(zip(flow["date"], flow["discharge_m3_s"], strict=True))
    found = []
    night_readings: dict[int, tuple[float, float]] = {}
    for site in range(spec.sites):
        night = site // SITES_A_NIGHT
        date = first + pd.Timedelta(days=night)
        noise = rng.standard_normal(4)
        if night not in night_readings:
            night_readings[night] = (float(11.3 + 0.5 * noise[0]), float(196 + 9 * noise[1]))
        temperature, conductivity = night_readings[night]
        # The release is held down while the crew is on the water, unless it cannot be.
        discharge = float(release[date]) * (0.85 if season not in spec.missed else 1.0)
        visibility = max(0.6, 3.4 - 0.05 * discharge + 0.2 * noise[2])
        multiplier = (1 + 115.0 / conductivity) / 2
        voltage = int(5 * round(330 * multiplier / 5))
        current = round(voltage * conductivity / 9000 + 0.15 * noise[3], 1)
        if site in spec.missed.get(season, ()):
            continue
        found.append(
            Visit(
                season,
                site,
                date,
                round(discharge, 1),
                round(temperature + 0.03 * site, 1),
                float(round(conductivity)),
                round(visibility, 1),
                voltage,
                current,
                2 + int(rng.random() < 0.25),
            )
        )
    return found
