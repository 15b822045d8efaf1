"""The rows that a crew writes down: runs, fish, ages, census, stocking and creel, in the columns of the schema."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from fishreport.fielddata.schema import TABLES
from fishreport.simulate.fieldwork import FRY_MM, Catch, Lanes, choose_for_ageing, read_age, ring_radii
from fishreport.simulate.population import Population
from fishreport.simulate.spec import SpeciesSpec, SurveySpec
from fishreport.simulate.water import SITES_A_NIGHT, Visit

FATES = np.array(["released", "injured", "dead"], dtype=object)
RING_INTERCEPT_MM, RING_MM_PER_MM = 28.0, 115.0
WEIGHED_FROM_MM = 80.0


def in_schema(table: str, frame: pd.DataFrame | None) -> pd.DataFrame:
    """A frame with the columns of the schema in their order; what is absent is empty (text) or NaN (numbers)."""
    schema = TABLES[table]
    n = 0 if frame is None else len(frame)
    columns: dict[str, Any] = {}
    for column in schema:
        if frame is not None and column.name in frame:
            columns[column.name] = frame[column.name].to_numpy()
        elif column.kind in ("number", "whole"):
            columns[column.name] = np.full(n, np.nan)
        elif column.kind == "date":
            columns[column.name] = np.full(n, np.datetime64("NaT", "us"))
        else:
            columns[column.name] = np.full(n, "", dtype=object)
    return pd.DataFrame(columns)


def site_names(spec: SurveySpec) -> list[str]:
    """Names of the sites, from the dam down."""
    return [f"S{site + 1:02d}" for site in range(spec.sites)]


def river_km(spec: SurveySpec, site: int) -> float:
    """Distance of a site from the dam (km)."""
    lengths = list(spec.reaches.values())
    reach = spec.reach_of_site[site]
    mates = [other for other, place in enumerate(spec.reach_of_site) if place == reach]
    return round(sum(lengths[:reach]) + lengths[reach] * (mates.index(site) + 0.5) / len(mates), 1)


def run_name(year: int, site: str, bank: int, number: int) -> str:
    """``2025-S04-A``, and ``2025-S04-A2`` for a second pass."""
    return f"{year}-{site}-{'ABCDEFGH'[bank % 8]}{number if number > 1 else ''}"


def run_rows(spec: SurveySpec, on_site: list[Visit], lanes: Lanes) -> pd.DataFrame:
    """One row a run of a season; pass numbers only where more than one pass was fished."""
    names, reaches = site_names(spec), list(spec.reaches)
    rows, clock, tonight = [], 0, None
    for visit in on_site:
        if visit.site // SITES_A_NIGHT != tonight:
            tonight, clock = visit.site // SITES_A_NIGHT, 19 * 60 + 35 + 5 * (visit.site % 4)
        for number in range(1, int(lanes.passes[visit.site].max()) + 1):
            for bank in range(spec.runs_per_site):
                hertz = float(lanes.hertz[visit.site, bank])
                seconds = round(float(lanes.effort_h[visit.site, bank]) * 3600)
                comments = "60 Hz set by mistake" if hertz > 30 else "stopped early, fog" if seconds < spec.effort_s / 2 else ""
                rows.append(
                    {
                        "run_id": run_name(spec.years[visit.season], names[visit.site], bank, number),
                        "site": names[visit.site],
                        "date": visit.date,
                        "start_time": f"{clock // 60 % 24:02d}:{clock % 60:02d}",
                        "effort_s": seconds,
                        "reach": reaches[spec.reach_of_site[visit.site]],
                        "river_km": river_km(spec, visit.site),
                        "pass_number": float(number) if lanes.passes[visit.site, bank] > 1 else np.nan,
                        "length_m": round(spec.site_length_km * 1000),
                        "gear": "boat",
                        "voltage_v": visit.voltage_v,
                        "current_a": visit.current_a,
                        "pulse_hz": hertz,
                        "duty_pct": 25.0,
                        "conductivity_us_cm": visit.conductivity_us_cm,
                        "water_temperature_c": visit.temperature_c,
                        "discharge_m3_s": visit.discharge_m3_s,
                        "visibility_m": visit.visibility_m,
                        "netters": visit.netters,
                        "comments": comments,
                    }
                )
                clock += 18
        clock += 22
    frame = in_schema("runs", pd.DataFrame(rows))
    frame["date"] = pd.to_datetime(frame["date"])
    return frame


def _species_rows(
    spec: SurveySpec, population: Population, catch: Catch, year: int, rng: np.random.Generator
) -> tuple[dict[str, np.ndarray], pd.DataFrame]:
    s, n = population.species, len(catch.index)
    true_age = population.age[catch.index]
    lane = (catch.site * spec.runs_per_site + catch.bank) * 16 + catch.pass_number
    fry = (catch.length_mm < FRY_MM) & (catch.fate == 0)
    order = np.cumsum(fry)
    starts = np.searchsorted(lane, lane)
    before = np.where(starts > 0, order[starts - 1], 0) if n else order
    tallied = fry & (order - before > spec.fry_measured)
    weighed = (rng.random(n) < spec.weighed) & (catch.length_mm >= WEIGHED_FROM_MM) & ~tallied
    allowed = ~tallied & (catch.old_tag == 0)
    aged = choose_for_ageing(catch.length_mm, allowed, bin_mm=spec.age_bin_mm, per_bin=s.aged_per_bin, rng=rng)
    sample = np.full(n, "", dtype=object)
    sample[aged] = [f"{year}-{s.code[:1]}{number:03d}" for number in range(1, len(aged) + 1)]
    tag = catch.old_tag + catch.new_tag
    tags = np.array([f"{s.code[:1]}{number:05d}" if number else "" for number in tag.tolist()], dtype=object)
    columns = {
        "lane": lane,
        "species": np.full(n, s.code, dtype=object),
        "length_mm": np.where(tallied, np.nan, catch.length_mm),
        "weight_g": np.where(weighed, catch.weight_g, np.nan),
        "count": np.ones(n),
        "mark": np.array(population.marks, dtype=object)[population.mark[catch.index]],
        "tag": tags,
        "recaptured": np.where(catch.old_tag > 0, "yes", np.where(catch.new_tag > 0, "no", "")).astype(object),
        "age_sample": sample,
        "fate": FATES[catch.fate],
        "tallied": tallied,
    }
    if tallied.any():
        _, first, counts = np.unique(lane[tallied], return_index=True, return_counts=True)
        keep = ~tallied
        keep[np.flatnonzero(tallied)[first]] = True
        columns["count"][np.flatnonzero(tallied)[first]] = counts
        columns = {name: values[keep] for name, values in columns.items()}
    return columns, _age_rows(spec, population, catch, aged, sample, true_age, rng)


def _age_rows(
    spec: SurveySpec,
    population: Population,
    catch: Catch,
    aged: np.ndarray,
    sample: np.ndarray,
    true_age: np.ndarray,
    rng: np.random.Generator,
) -> pd.DataFrame:
    first = read_age(true_age[aged], spec.misread, rng)
    second = read_age(true_age[aged], spec.misread * 1.4, rng)
    twice = rng.random(len(aged)) < spec.second_reader
    rows = []
    for i, fish in enumerate(aged.tolist()):
        age, length = int(true_age[fish]), float(catch.length_mm[fish])
        radius, zones = ring_radii(
            population,
            int(catch.index[fish]),
            age,
            int(first[i]),
            length,
            intercept=RING_INTERCEPT_MM,
            mm_per_mm=RING_MM_PER_MM,
            rng=rng,
        )
        common = {"age_sample": sample[fish], "structure": "scale"}
        widths = " ".join(f"{width:.2f}" for width in zones)
        rows.append({**common, "age_years": int(first[i]), "reader": "1", "radius_mm": round(radius, 2), "increments_mm": widths})
        if twice[i]:
            rows.append({**common, "age_years": int(second[i]), "reader": "2", "radius_mm": np.nan, "increments_mm": ""})
    return in_schema("ages", pd.DataFrame(rows) if rows else None)


def fish_and_age_rows(
    spec: SurveySpec, season: int, populations: list[Population], catches: list[Catch], rng: np.random.Generator
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """The fish of a season in the order in which they came out of the live well, run by run, and the ages read."""
    year, names = spec.years[season], site_names(spec)
    parts, ages = [], []
    for population, catch in zip(populations, catches, strict=True):
        columns, aged = _species_rows(spec, population, catch, year, rng)
        parts.append(columns)
        ages.append(aged)
    joined = {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}
    # Tallied fry are written down last of a run.
    order = np.lexsort((rng.random(len(joined["lane"])), joined["tallied"], joined["lane"]))
    joined = {name: values[order] for name, values in joined.items()}
    lanes, place = np.unique(joined.pop("lane"), return_inverse=True)
    del joined["tallied"]
    labels = [
        run_name(year, names[lane // 16 // spec.runs_per_site], lane // 16 % spec.runs_per_site, lane % 16)
        for lane in lanes.tolist()
    ]
    joined["run_id"] = np.array(labels, dtype=object)[place] if labels else np.empty(0, dtype=object)
    return in_schema("fish", pd.DataFrame(joined)), pd.concat(ages, ignore_index=True)


def census_rows(
    spec: SurveySpec, population: Population, year: int, events: int, rng: np.random.Generator
) -> tuple[pd.DataFrame, list[dict[str, Any]]]:
    """A mark-recapture census of the whole water by size class: rows of its events, and the true numbers."""
    bounds = population.species.census_bounds_mm
    length = population.length
    rows, true = [], []
    for low, high in zip(bounds, [*bounds[1:], np.inf], strict=True):
        label = f"{low:g}-{high:g} mm" if np.isfinite(high) else f"{low:g}- mm"
        number = int(np.count_nonzero((length >= low) & (length < high)))
        true.append({"year": year, "species_key": population.species.key, "size_class": label, "number": number})
        probability = spec.census_capture * min(1.0, low / 300 + 0.1)
        marked_before = np.zeros(number, dtype=bool)
        for event in range(1, events + 1):
            caught = rng.random(number) < probability
            again = int(np.count_nonzero(caught & marked_before))
            fresh = int(np.count_nonzero(caught)) - again if event < events else 0
            marked_before |= caught
            rows.append(
                {
                    "event": str(event),
                    "species": population.species.code,
                    "size_class": label,
                    "caught": int(np.count_nonzero(caught)),
                    "marked": fresh,
                    "recaptured": again,
                    "date": pd.Timestamp(year=year, month=10, day=15 + 4 * event if event < 4 else 30),
                    "year": year,
                }
            )
    return in_schema("census", pd.DataFrame(rows)), true


def stocking_rows(spec: SurveySpec) -> pd.DataFrame:
    """What was put in, as the hatchery's papers say."""
    rows = [
        {
            "date": pd.Timestamp(year=spec.years[lot.season], month=lot.month, day=12),
            "species": species.code,
            "number": lot.number,
            "mean_length_mm": lot.mean_length_mm,
            "mark": lot.mark,
        }
        for species in spec.species
        for lot in species.stocking
        if 0 <= lot.season < spec.seasons
    ]
    frame = in_schema("stocking", pd.DataFrame(rows) if rows else None)
    frame["date"] = pd.to_datetime(frame["date"])
    return frame.sort_values(["date", "species"], ignore_index=True)


def _creel(species: SpeciesSpec, row: pd.Series, effort: float, rng: np.random.Generator) -> dict[str, float]:
    noise = np.exp(0.1 * rng.standard_normal(2))
    caught = max(row["alive"] * 0.35 * species.angling_rate, row["harvested"]) * noise[0]
    kept = min(row["harvested"] * noise[1], caught)
    return {"caught": round(caught), "kept": round(kept), "se_caught": round(0.12 * caught), "se_kept": round(0.15 * kept)}


def harvest_rows(spec: SurveySpec, years: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Yearly creel estimates: true harvest since the survey before, seen with a relative error of a tenth."""
    rows = []
    for year in spec.years:
        effort = 100 * round(float(210 * np.exp(0.12 * rng.standard_normal())))
        for species in spec.species:
            row = years[(years["species_key"] == species.key) & (years["season"] == year)].iloc[0]
            rows.append(
                {
                    "year": year,
                    "species": species.code,
                    "effort_h": effort,
                    "se_effort_h": 100 * round(0.0008 * effort),
                    **_creel(species, row, effort, rng),
                }
            )
    return in_schema("harvest", pd.DataFrame(rows))
