"""Checks of the typed tables: what the whole says that single cells do not."""

from __future__ import annotations

import numpy as np
import pandas as pd

from fishreport.fielddata.check_fish import check_codes, check_sizes, check_standards, check_twice
from fishreport.fielddata.check_others import check_ages, check_census, check_flow, check_harvest
from fishreport.fielddata.check_runs import (
    check_effort,
    check_repeats,
    check_seasons,
    check_settings,
    note_empty_runs,
)
from fishreport.fielddata.check_tags import check_tags
from fishreport.fielddata.derive import species_keys
from fishreport.fielddata.faults import Faults
from fishreport.fielddata.grid import RawTable
from fishreport.study import Study

_OTHERS = {"ages": check_ages, "census": check_census, "flow": check_flow, "harvest": check_harvest}


def _without_errors(frame: pd.DataFrame, table: str, faults: Faults) -> pd.DataFrame:
    bad = faults.rows(table)
    return frame[~frame.index.isin(list(bad))] if bad else frame


def _check_runs(runs: pd.DataFrame, run_line: np.ndarray, study: Study, raw: RawTable, faults: Faults) -> None:
    if raw.cells.empty:
        faults.add("no_rows", "runs", "there are no runs yet", f"type rows into {raw.file}", file=raw.file)
        return
    usable = _without_errors(runs, "runs", faults)
    check_effort(usable, raw, faults)
    check_repeats(usable, raw, faults)
    check_settings(usable, study, raw, faults)
    dated = runs[runs["date"].notna()]
    if len(dated) or not faults.rows("runs"):
        check_seasons(dated, study, raw, faults)
    note_empty_runs(usable, run_line, raw, faults)


def _check_fish(
    fish: pd.DataFrame, runs: pd.DataFrame | None, run_line: np.ndarray, study: Study, raw: RawTable, faults: Faults
) -> None:
    if raw.cells.empty:
        faults.add("no_fish", "fish", "there are no fish; every run counts as a zero catch", file=raw.file)
        return
    line = run_line if runs is not None else np.full(len(fish), -1)
    dates = runs["date"].reindex(line).to_numpy() if runs is not None else fish["date"].to_numpy()
    linked = fish.assign(run_line=line, run_date=dates, species_key=species_keys(fish["species"], study))
    usable = _without_errors(linked, "fish", faults)
    check_sizes(usable, study, raw, faults)
    check_tags(usable, raw, faults)
    check_twice(usable, raw, faults)


def _note_later(frame: pd.DataFrame, study: Study, raw: RawTable, faults: Faults) -> None:
    years = frame["date"].dt.year if "date" in frame else frame["year"]
    if count := int((years > study.season.year).sum()):
        message = f"{count} row{'s' if count > 1 else ''} after the reported season {study.season.year} left out"
        faults.add("later_season", raw.name, message, file=raw.file)


def check_tables(
    raw: dict[str, RawTable], values: dict[str, pd.DataFrame], run_line: np.ndarray, study: Study, faults: Faults
) -> None:
    """Everything that needs more than one cell to see.

    Parameters
    ----------
    raw, values : dict
        Text and typed values of the tables that could be read, without the rows set aside.
    run_line : ndarray
        Line in the runs table of the run of each fish, -1 for none.
    """
    check_standards(study, faults)
    if "runs" in values:
        _check_runs(values["runs"], run_line, study, raw["runs"], faults)
    if "fish" in values:
        _check_fish(values["fish"], values.get("runs"), run_line, study, raw["fish"], faults)
    for name, check in _OTHERS.items():
        if name in values and len(values[name]):
            check(_without_errors(values[name], name, faults), raw[name], faults)
    for name, frame in values.items():
        check_codes(frame, study, raw[name], faults)
        if name not in ("runs", "fish"):
            _note_later(frame, study, raw[name], faults)
