"""From a study to its checked survey: read, set aside, check, derive."""

from __future__ import annotations

import gc
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from fishreport.fielddata.check import check_tables
from fishreport.fielddata.derive import derive_ages, derive_dated, derive_fish, derive_runs, finish
from fishreport.fielddata.faults import Faults, SurveyFaults
from fishreport.fielddata.grid import RawTable
from fishreport.fielddata.links import NO_LINK, find_duplicate_runs, link_ages, link_fish, run_positions
from fishreport.fielddata.read import read_tables
from fishreport.fielddata.schema import TABLES
from fishreport.fielddata.setting_aside import record_set_aside, set_aside_rows
from fishreport.fielddata.survey import Survey
from fishreport.fielddata.typed import no_values, read_values
from fishreport.study import Study


@contextmanager
def _no_collection() -> Iterator[None]:
    """Without the search for cyclic garbage: a million rows of text hold none, and searching them takes most of the time."""
    enabled = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if enabled:
            gc.enable()


@dataclass
class Loaded:
    """Tables on their way from text to survey.

    Attributes
    ----------
    raw, values : dict
        Text and typed values of each table that could be read, without the rows set aside.
    run_line : ndarray
        Line in the runs table of the run of each fish of ``values["fish"]``, -1 for none.
    fish_place : ndarray
        Place in ``values["fish"]`` of the fish of each age, -1 for none.
    set_aside : list
        Records of the rows set aside.
    """

    raw: dict[str, RawTable]
    values: dict[str, pd.DataFrame]
    run_line: np.ndarray = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    fish_place: np.ndarray = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    set_aside: list[pd.DataFrame] = field(default_factory=list)


def _last_year(study: Study) -> int:
    return max(study.season.year, study.written_year) + 1


def _set_aside(tables: dict[str, RawTable], study: Study, faults: Faults) -> Loaded:
    """Take out the rows that the study sets aside, the fish of runs set aside, and the ages of those fish."""
    loaded = Loaded({}, {})
    last_year = _last_year(study)
    reasons: dict[str, dict[int, str]] = {}
    for name in TABLES:
        items = getattr(study.set_aside, name)
        if name in tables:
            loaded.raw[name], reasons[name] = set_aside_rows(tables[name], items, faults)
        elif items and not faults.has_error(name):
            message = f"the study sets rows of the {name} table aside and names no such table"
            advice = f"name it by [data] {name}"
            faults.add("set_aside_unmatched", name, message, advice, file="study.toml", column=f"set_aside.{name}")
    if reasons.get("runs") and "fish" in loaded.raw:
        _follow_runs(tables, loaded, reasons, last_year, faults)
    if reasons.get("fish") and "ages" in loaded.raw:
        _follow_fish(tables, loaded, reasons)
    for name, raw in loaded.raw.items():
        loaded.values[name] = read_values(raw, faults, last_year=last_year)
    loaded.set_aside = [record_set_aside(tables[name], lines) for name, lines in reasons.items() if lines]
    return loaded


def _follow_runs(
    tables: dict[str, RawTable], loaded: Loaded, reasons: dict[str, dict[int, str]], last_year: int, faults: Faults
) -> None:
    """Fish of a run set aside follow it, unless another run of that name is left."""

    def quietly(raw: RawTable) -> pd.DataFrame:
        named = [name for name in ("run_id", "site", "date", "pass_number") if name in raw.cells]
        return read_values(replace(raw, cells=raw.cells[named]), Faults(), last_year=last_year)

    out = quietly(tables["runs"].without(set(loaded.raw["runs"].cells.index)))
    fish = quietly(loaded.raw["fish"])
    gone, _ = run_positions(fish, out)
    kept, _ = run_positions(fish, quietly(loaded.raw["runs"]))
    follows = (gone >= 0) & (kept < 0)
    for line, place in zip(fish.index[follows], gone[follows], strict=True):
        run_line = int(out.index[place])
        name = out["run_id"].iloc[place] or f"in line {run_line}"
        reasons["fish"].setdefault(int(line), f"its run {name} is set aside: {reasons['runs'][run_line]}")
    if count := int(follows.sum()):
        message = f"{count} fish set aside together with {'their runs' if count > 1 else 'its run'}"
        faults.add("set_aside_with_run", "fish", message, file=loaded.raw["fish"].file)
    loaded.raw["fish"] = loaded.raw["fish"].without(set(fish.index[follows]))


def _follow_fish(tables: dict[str, RawTable], loaded: Loaded, reasons: dict[str, dict[int, str]]) -> None:
    """Ages of a fish set aside follow it."""
    ages, fish = loaded.raw["ages"], loaded.raw["fish"]
    if "age_sample" not in fish.cells or "age_sample" not in ages.cells:
        return
    samples = tables["fish"].cells["age_sample"]
    out = {sample: line for line in reasons["fish"] if (sample := samples.loc[line])}
    carried = ages.cells["age_sample"]
    follows = carried[carried.isin(list(out)) & ~carried.isin(fish.cells["age_sample"])]
    for line, sample in follows.items():
        reasons["ages"].setdefault(int(str(line)), f"its fish (line {out[sample]} of the fish table) is set aside")
    loaded.raw["ages"] = ages.without(set(follows.index))


def _link(loaded: Loaded, faults: Faults) -> None:
    values, raw = loaded.values, loaded.raw
    loaded.run_line = np.full(len(values.get("fish", ())), NO_LINK)
    loaded.fish_place = np.full(len(values.get("ages", ())), NO_LINK)
    if "runs" not in values:
        return
    find_duplicate_runs(values["runs"], raw["runs"], faults)
    if "fish" not in values:
        return
    position = link_fish(values["fish"], values["runs"], raw["fish"], faults)
    lines = values["runs"].index.to_numpy()
    loaded.run_line = np.where(position >= 0, lines[np.maximum(position, 0)] if len(lines) else NO_LINK, NO_LINK)
    if "ages" in values:
        loaded.fish_place = link_ages(values["ages"], values["fish"], raw["ages"], raw["fish"], faults)


def load_tables(study: Study, faults: Faults) -> Loaded:
    """Read, set aside, type, link and check all tables of a study; every fault goes to `faults`."""
    named = {name: getattr(study.data, name) for name in TABLES}
    tables = read_tables(study.folder, named, study.data.workbook, faults)
    loaded = _set_aside(tables, study, faults)
    _link(loaded, faults)
    check_tables(loaded.raw, loaded.values, loaded.run_line, study, faults)
    return loaded


def check_survey(study: Study) -> pd.DataFrame:
    """Every fault of the field data of a study, errors first.

    Returns
    -------
    DataFrame
        ``severity`` (error, doubt, note), ``code``, ``table``, ``file``, ``row`` (line in the file; the header is line 1),
        ``column``, ``value`` (as it stands in the file), ``message`` (what is wrong), ``advice`` (what to do); no rows when
        nothing is to be said. `fishreport.fielddata.faults.CODES` explains each code.
    """
    faults = Faults()
    with _no_collection():
        load_tables(study, faults)
    return faults.frame()


def load_survey(study: Study, *, strict: bool = True) -> Survey:
    """The checked field data of a study.

    Parameters
    ----------
    study : Study
        As `fishreport.study.read_study` gives it.
    strict : bool
        Whether errors raise; without it, rows in error (and fish of runs in error) are left out, and the errors are
        among `Survey.faults`.

    Raises
    ------
    SurveyFaults
        (a DataError) if there is any error and `strict`, or if no table of runs can be read at all; its text names the
        first error and how many more there are, its `faults` holds all.
    """
    faults = Faults()
    with _no_collection():
        loaded = load_tables(study, faults)
    if faults.has_error() and (strict or "runs" not in loaded.values):
        raise SurveyFaults(faults.frame())
    return _survey(loaded, study, faults)


def _usable(loaded: Loaded, name: str, faults: Faults) -> pd.DataFrame:
    frame = loaded.values.get(name)
    if frame is None:
        return no_values(TABLES[name])
    bad = faults.rows(name)
    return frame[~frame.index.isin(list(bad))] if bad else frame


def _survey(loaded: Loaded, study: Study, faults: Faults) -> Survey:
    runs = derive_runs(_usable(loaded, "runs", faults))
    if study.season.months:
        runs = runs[runs["date"].dt.month.isin(study.season.months)]
    runs = runs[runs["season"] <= study.season.year]
    all_fish = loaded.values.get("fish", no_values(TABLES["fish"]))
    usable = ~all_fish.index.isin(list(faults.rows("fish")))
    line_of_run = np.where(usable, loaded.run_line, NO_LINK)
    fish = derive_fish(all_fish, runs, line_of_run, study)
    ages = _usable(loaded, "ages", faults)
    place = loaded.fish_place
    if "ages" in loaded.values:
        place = place[loaded.values["ages"].index.isin(ages.index)]
    ages = derive_ages(ages, all_fish, runs, position=place, line_of_run=line_of_run, study=study)
    frames = {"runs": runs, "fish": fish, "ages": ages[ages["season"] <= study.season.year]}
    for name in ("census", "stocking", "flow", "harvest"):
        frame = derive_dated(_usable(loaded, name, faults), study)
        frames[name] = frame[frame["season"] <= study.season.year]
    finished = {name: finish(frame, name) for name, frame in frames.items()}
    empty = record_set_aside(RawTable(TABLES["runs"], "", pd.DataFrame(), {}, False), {})
    records = pd.concat(loaded.set_aside, ignore_index=True) if loaded.set_aside else empty
    return Survey(**finished, faults=faults.frame(), set_aside=records)
