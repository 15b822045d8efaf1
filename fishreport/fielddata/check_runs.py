"""Doubts and notes about runs: effort, settings, sites, strata, and what the seasons lack."""

from __future__ import annotations

import difflib

import numpy as np
import pandas as pd

from fishreport.fielddata.faults import Faults
from fishreport.fielddata.grid import RawTable
from fishreport.fielddata.schema import plain_name
from fishreport.study import Study

SALMONIDS = ("trout", "salmon", "char", "whitefish", "grayling", "kokanee", "huchen", "taimen")
HIGHEST_PULSE_HZ = 30.0
_MINIMUM_RUNS = 5
_EFFORT_SLIPS = (
    (60.0, "in minutes it would be {:.0f} s"),
    (3600.0, "in hours it would be {:.0f} s"),
    (10.0, "with its last digit lost it would be {:.0f} s"),
    (0.1, "with a digit too many it would be {:.0f} s"),
)


def check_effort(runs: pd.DataFrame, raw: RawTable, faults: Faults) -> None:
    """Runs far longer or shorter than usual for their gear: five scales on log effort, and two and a half times at least."""
    if len(runs) < _MINIMUM_RUNS:
        return
    for _, group in runs.groupby("gear", sort=True):
        usual = np.log((group if len(group) >= _MINIMUM_RUNS else runs)["effort_s"].to_numpy())
        middle = float(np.median(usual))
        allowed = max(5 * 1.4826 * float(np.median(np.abs(usual - middle))), np.log(2.5))
        lines, log = group.index.to_numpy(), np.log(group["effort_s"].to_numpy())
        for place in np.flatnonzero(np.abs(log - middle) > allowed):
            line, effort = int(lines[place]), float(group["effort_s"].iloc[place])
            hints = [text.format(effort * k) for k, text in _EFFORT_SLIPS if abs(log[place] + np.log(k) - middle) < np.log(1.35)]
            message = f"the effort of {effort:.6g} s is far from the usual {np.exp(middle):.0f} s"
            advice = "; or ".join([*hints, "see the field sheet"])
            raw.tell(faults, "effort_unusual", line, "effort_s", message, advice)


def check_repeats(runs: pd.DataFrame, raw: RawTable, faults: Faults) -> None:
    """The same run under two names, and one site under two spellings."""
    timed = runs[runs["start_time"] != ""]
    same = ["site", "date", "start_time", "effort_s"]
    first = timed.assign(line=timed.index).groupby(same, sort=False)["line"].transform("first")
    for line, twin in first[timed.duplicated(same)].items():
        message = f"site, date, start time and effort are those of the run in line {twin}"
        raw.tell(faults, "run_entered_twice", line, "run_id", message, "take one out if it was entered twice")
    spellings: dict[str, tuple[str, int]] = {}
    for site, line in runs.reset_index(names="_line").groupby("site", sort=False)["_line"].first().items():
        plain = plain_name(str(site)).replace("_", "")
        other, seen = spellings.setdefault(plain, (str(site), int(line)))
        if other != site and plain:
            message = f"the sites {site!r} and {other!r} (line {seen}) differ in case, spaces or signs only"
            raw.tell(faults, "site_spelt_two_ways", int(line), "site", message, "spell a site alike in all rows")


def check_settings(runs: pd.DataFrame, study: Study, raw: RawTable, faults: Faults) -> None:
    """Pulse rates over 30 Hz in water of salmonids, each rate once; reaches that are no stratum, each once."""
    salmonids = [item.name for item in study.species.values() if any(word in item.name.casefold() for word in SALMONIDS)]
    high = runs[runs["pulse_hz"] > HIGHEST_PULSE_HZ]
    if salmonids and len(high):
        for rate, rows in high.groupby("pulse_hz", sort=True):
            count = len(rows)
            message = f"a pulse rate of {rate:g} Hz, in {count} run{'s' if count > 1 else ''}, is over {HIGHEST_PULSE_HZ:.0f} Hz"
            advice = f"rates above that injure more {salmonids[0]}; check the entry, your permit and local rules"
            raw.tell(faults, "pulse_rate_high", int(rows.index[0]), "pulse_hz", message, advice)
    strata = [stratum.reach for stratum in study.water.strata]
    if not strata:
        return
    for reach, rows in runs.groupby("reach", sort=True):
        if reach in strata:
            continue
        near = difflib.get_close_matches(str(reach), strata, n=1)
        count = len(rows)
        of = f"the reach {reach!r}" if reach else "an empty reach"
        message = f"{of}, in {count} run{'s' if count > 1 else ''}, is none of the strata {', '.join(strata)}"
        advice = f"perhaps {near[0]}" if near else "correct it, or name it under [water] strata"
        raw.tell(faults, "unknown_reach", int(rows.index[0]), "reach", message, advice)


def check_seasons(runs: pd.DataFrame, study: Study, raw: RawTable, faults: Faults) -> None:
    """The reported season has runs; what is left out, and what is missing."""
    year, months = study.season.year, study.season.months
    seasons = runs["date"].dt.year
    kept = pd.Series(True, runs.index)
    if months:
        kept = runs["date"].dt.month.isin(months)
        if count := int((~kept & (seasons <= year)).sum()):
            message = f"{count} run{'s' if count > 1 else ''} outside months {', '.join(map(str, months))} left out"
            faults.add("outside_months", "runs", message, "change [season] months to take them in", file=raw.file)
    if count := int((seasons > year).sum()):
        message = f"{count} run{'s' if count > 1 else ''} after the reported season {year} left out"
        faults.add("later_season", "runs", message, "change [season] year to report a later one", file=raw.file)
    there = sorted(seasons[kept].unique())
    if len(runs) and year not in there:
        said = ", ".join(str(int(season)) for season in there) or "none"
        message = f"there are no runs of the season {year}; the seasons with runs are {said}"
        faults.add("season_without_runs", "runs", message, "change [season] year, or add the runs", file=raw.file)
    kept &= seasons <= year
    _note_gaps(runs["site"][kept], seasons[kept], raw, faults)


def _note_gaps(site: pd.Series, season: pd.Series, raw: RawTable, faults: Faults) -> None:
    if site.empty:
        return
    visited = pd.crosstab(site, season).to_numpy() > 0
    names, years = sorted(site.unique()), sorted(season.unique())
    for name, row in zip(names, visited, strict=True):
        span = np.flatnonzero(row)
        gaps = [str(int(years[k])) for k in range(span[0], span[-1]) if not row[k]]
        if gaps:
            message = f"site {name} has no run in {', '.join(gaps)}, and has runs before and after"
            faults.add(
                "site_not_sampled", "runs", message, "add the run if it is missing", file=raw.file, column="site", value=name
            )


def note_empty_runs(runs: pd.DataFrame, run_line: np.ndarray, raw: RawTable, faults: Faults) -> None:
    """Runs that caught nothing: zero catches, unless their fish are missing."""
    if not len(run_line):
        return
    for line, run_id in runs.loc[~runs.index.isin(run_line), "run_id"].items():
        message = f"run {run_id} has no fish and counts as a zero catch"
        raw.tell(faults, "run_without_fish", line, "run_id", message, "add its fish if they are missing")
