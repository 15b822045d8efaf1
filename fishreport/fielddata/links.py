"""Rows that belong together: fish and their run, ages and their fish."""

from __future__ import annotations

import difflib

import numpy as np
import pandas as pd

from fishreport.fielddata.faults import Faults
from fishreport.fielddata.grid import RawTable

NO_LINK = -1
_WHOLE_RUN = 3


def find_duplicate_runs(runs: pd.DataFrame, raw: RawTable, faults: Faults) -> None:
    """Every run_id after its first is an error."""
    named = runs[runs["run_id"] != ""]
    first = named.drop_duplicates("run_id")
    line_of = pd.Series(first.index, index=first["run_id"])
    for line, run_id in named.loc[named["run_id"].duplicated(), "run_id"].items():
        message = f"run {run_id} stands in line {line_of[run_id]} already"
        raw.tell(faults, "duplicate_run", line, "run_id", message, "give it its own run_id, or set one of the two rows aside")


def _near(text: str, known: list[str]) -> str:
    near = difflib.get_close_matches(text, known, n=1, cutoff=0.75) if len(known) <= 20_000 else []
    folded = [name for name in known if name.casefold() == text.casefold()] or near
    return f"perhaps {folded[0]}; " if folded else ""


def _day(values: pd.Series) -> pd.Series:
    return values.dt.strftime("%Y-%m-%d")


def _match_by_day(fish: pd.DataFrame, runs: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """For fish without run_id: position of the run of their site, day (and pass, where given), and how many there are."""
    position, count = np.full(len(fish), NO_LINK), np.zeros(len(fish), dtype=np.int64)
    passes = runs["pass_number"].fillna(1)
    for with_pass in (False, True):
        mask = (fish["pass_number"].notna() == with_pass).to_numpy()
        if not mask.any() or runs.empty:
            continue
        keys = pd.DataFrame({"site": runs["site"].to_numpy(), "date": runs["date"].to_numpy(), "position": np.arange(len(runs))})
        wanted = pd.DataFrame({"site": fish["site"].to_numpy()[mask], "date": fish["date"].to_numpy()[mask]})
        by = ["site", "date"]
        if with_pass:
            keys["pass"], wanted["pass"] = passes.to_numpy(), fish["pass_number"].to_numpy()[mask]
            by.append("pass")
        grouped = keys.groupby(by, sort=False)["position"].agg(["min", "size"]).reset_index()
        found = wanted.merge(grouped, on=by, how="left")
        position[mask] = found["min"].fillna(NO_LINK).to_numpy(dtype=np.int64)
        count[mask] = found["size"].fillna(0).to_numpy(dtype=np.int64)
    return position, count


def run_positions(fish: pd.DataFrame, runs: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Position in `runs` of the run of each fish (-1 for none), by run_id or else by site, date and pass; and how many fit."""
    first = ~runs["run_id"].duplicated().to_numpy() & (runs["run_id"] != "").to_numpy()
    lookup = pd.Series(np.flatnonzero(first), index=runs["run_id"].to_numpy()[first])
    position = fish["run_id"].map(lookup).fillna(NO_LINK).to_numpy(dtype=np.int64, copy=True)
    count = (position >= 0).astype(np.int64)
    by_day = ((fish["run_id"] == "") & (fish["site"] != "") & fish["date"].notna()).to_numpy()
    if by_day.any():
        position[by_day], count[by_day] = _match_by_day(fish[by_day], runs)
    return position, count


def link_fish(fish: pd.DataFrame, runs: pd.DataFrame, raw: RawTable, faults: Faults) -> np.ndarray:
    """Position in `runs` of the run of each fish, -1 where there is none; fish without one are errors."""
    position, count = run_positions(fish, runs)
    lines = fish.index.to_numpy()
    silent = np.isin(lines, list(faults.rows("fish")))
    known = runs.loc[runs["run_id"] != "", "run_id"].drop_duplicates().tolist()
    named = (fish["run_id"] != "").to_numpy()
    orphan = named & (position < 0) & ~silent
    hints = {run_id: _near(run_id, known) for run_id in fish.loc[orphan, "run_id"].unique()[:200]}
    orphans = fish.loc[orphan, "run_id"]
    for (line, run_id), fellows in zip(orphans.items(), orphans.groupby(orphans).transform("size"), strict=True):
        advice = f"{hints.get(run_id, '')}add the run, or correct the run_id of this fish"
        if fellows >= _WHOLE_RUN:  # so many fish are not misspelt one by one
            advice = f"{fellows} fish name it: add the run, or correct its run_id in the runs table"
        raw.tell(faults, "orphan_run", line, "run_id", f"the runs table has no run {run_id}", advice)
    no_key = ~named & ((fish["site"] == "") | fish["date"].isna()).to_numpy() & ~silent
    for line in lines[no_key]:
        advice = "write the run_id, or site and date of the run"
        raw.tell(faults, "empty_cell", line, "run_id", "run_id is empty, and so is site or date", advice)
    lost = ~named & ~no_key & (count == 0) & ~silent
    for line, site, day in zip(lines[lost], fish.loc[lost, "site"], _day(fish.loc[lost, "date"]), strict=True):
        advice = "add the run, or correct site and date of this fish"
        raw.tell(faults, "fish_without_run", line, "date", f"there was no run at site {site} on {day}", advice)
    several = ~named & (count > 1) & ~silent
    for line, site, day in zip(lines[several], fish.loc[several, "site"], _day(fish.loc[several, "date"]), strict=True):
        raw.tell(faults, "ambiguous_run", line, "run_id", f"there were several runs at site {site} on {day}", "write the run_id")
    position[several] = NO_LINK
    _compare(fish, runs, np.where(named, position, NO_LINK), silent, raw, faults)
    return position


def _compare(
    fish: pd.DataFrame, runs: pd.DataFrame, position: np.ndarray, silent: np.ndarray, raw: RawTable, faults: Faults
) -> None:
    """A date, site or pass typed beside the fish must be that of its run."""
    linked = (position >= 0) & ~silent
    if not linked.any():
        return
    mine, theirs = fish[linked], runs.iloc[position[linked]]
    lines = mine.index.to_numpy()
    told: set[int] = set()
    for name in ("date", "site", "pass_number"):
        own, run = mine[name].to_numpy(), theirs[name].to_numpy()
        given = (own != "") if name == "site" else ~pd.isna(own)
        known = (run != "") if name == "site" else ~pd.isna(run)
        for place in np.flatnonzero(given & known & (own != run)):
            line, run_id = int(lines[place]), theirs["run_id"].iloc[place]
            if line in told:
                continue
            told.add(line)
            text, other = (str(value)[:10].removesuffix(".0") for value in (own[place], run[place]))
            word = name.replace("_number", "")
            message = f"the {word} of this fish is {text}, and run {run_id} has {other}"
            advice = f"correct the {word}, or the run_id of the fish"
            raw.tell(faults, "differs_from_run", line, name, message, advice)


def link_ages(ages: pd.DataFrame, fish: pd.DataFrame, raw: RawTable, fish_raw: RawTable, faults: Faults) -> np.ndarray:
    """Position in `fish` of the fish that each age sample was taken from, -1 where there is none."""
    carried = fish["age_sample"]
    filled = (carried != "").to_numpy()
    doubled = filled & carried.duplicated().to_numpy()
    lookup = pd.Series(np.flatnonzero(filled & ~doubled), index=carried.to_numpy()[filled & ~doubled])
    for line, sample in carried[doubled].items():
        message = f"sample {sample} was taken from the fish of line {fish.index[lookup[sample]]} already"
        fish_raw.tell(faults, "sample_on_two_fish", line, "age_sample", message, "give every sample its own number")
    position = ages["age_sample"].map(lookup).fillna(NO_LINK).to_numpy(dtype=np.int64, copy=True)
    own = ((ages["species"] != "") & ages["length_mm"].notna() & ages["date"].notna()).to_numpy()
    silent = np.isin(ages.index.to_numpy(), list(faults.rows("ages")))
    sampled = (ages["age_sample"] != "").to_numpy()
    lost = sampled & (position < 0) & ~silent & ~own
    for line, sample in ages.loc[lost, "age_sample"].items():
        advice = "correct the number here or in the fish table, or write species, length_mm and date"
        raw.tell(faults, "sample_without_fish", line, "age_sample", f"no fish carries the sample {sample}", advice)
    for line in ages.index[~sampled & ~own & ~silent]:
        message = "the age has neither a sample number nor species, length_mm and date"
        raw.tell(faults, "unlinked_age", line, "age_sample", message, "write one or the other")
    return position
