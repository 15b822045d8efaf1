"""Rows that the study sets aside by name and reason: taken out before anything is checked."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pandas as pd

from fishreport.fielddata.faults import Faults
from fishreport.fielddata.grid import RawTable
from fishreport.fielddata.schema import plain_name
from fishreport.study import SetAside

COLUMNS = ["table", "file", "row", "reason", "text"]
_FILE = "study.toml"


def row_text(raw: RawTable, line: int) -> str:
    """The filled cells of a row, as ``heading=text`` in one line."""
    cells = raw.cells.loc[line]
    return ", ".join(f"{raw.heading(str(name))}={' '.join(text.split())}" for name, text in cells.items() if text)


def _matches(raw: RawTable, item: SetAside, number: int, faults: Faults) -> list[int]:
    key = f"set_aside.{raw.name}.{number}"
    mask = np.ones(len(raw.cells), dtype=bool)
    for heading, text in item.where.items():
        column = plain_name(heading)
        if column not in raw.cells:
            message = f"{raw.file} has no column {heading!r} to set a row aside by"
            advice = f"its columns are {', '.join(raw.headings.values())}"
            faults.add("set_aside_unmatched", raw.name, message, advice, file=_FILE, column=key)
            return []
        mask &= (raw.cells[column] == text.strip()).to_numpy()
    said = ", ".join(f"{heading}={text}" for heading, text in item.where.items())
    if item.row is None:
        found = raw.cells.index[mask].tolist()
        if not found:
            message = f"no row of {raw.file} has {said}, so none can be set aside"
            faults.add("set_aside_unmatched", raw.name, message, "correct it, or take it out", file=_FILE, column=key)
        return found
    if item.row not in raw.cells.index:
        message = f"{raw.file} has no row in line {item.row} to set aside"
        faults.add("set_aside_unmatched", raw.name, message, "the header is line 1; correct the line", file=_FILE, column=key)
        return []
    if not mask[raw.cells.index.get_loc(item.row)]:
        message = f"line {item.row} of {raw.file} is set aside as {said}, and holds {row_text(raw, item.row)}"
        others = raw.cells.index[mask].tolist()
        advice = f"the row that says so is line {others[0]}" if len(others) == 1 else "the table has changed; name the row anew"
        faults.add("set_aside_disagrees", raw.name, message, advice, file=_FILE, column=key)
        return []
    return [item.row]


def set_aside_rows(raw: RawTable, items: Iterable[SetAside], faults: Faults) -> tuple[RawTable, dict[int, str]]:
    """The table without the rows that are set aside, and the reason for each of those by its line."""
    reasons: dict[int, str] = {}
    for number, item in enumerate(items):
        for line in _matches(raw, item, number, faults):
            reasons.setdefault(line, item.reason)
    return raw.without(set(reasons)), reasons


def record_set_aside(raw: RawTable, reasons: dict[int, str]) -> pd.DataFrame:
    """One row a row set aside: table, file, row, reason, and its text."""
    records = [(raw.name, raw.file, line, reason, row_text(raw, line)) for line, reason in sorted(reasons.items())]
    frame = pd.DataFrame(records, columns=COLUMNS)
    return frame.astype({"table": "str", "file": "str", "row": "int64", "reason": "str", "text": "str"})
