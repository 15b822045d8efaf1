"""Which rows of the field data were added, removed, changed or set aside between two reports, by table."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Literal

import pandas as pd

from fishreport.fielddata.faults import Faults
from fishreport.fielddata.grid import RawTable
from fishreport.fielddata.load import load_tables
from fishreport.fielddata.schema import TABLES
from fishreport.fielddata.setting_aside import row_text
from fishreport.report.compare_build import OpenBuild

# What tells a row of a table from another one, as far as anything does.
KEYS = {
    "runs": ("run_id",),
    "fish": ("run_id", "species"),
    "ages": ("age_sample", "reader"),
    "census": ("event", "species", "size_class"),
    "stocking": ("date", "species"),
    "flow": ("date",),
    "harvest": ("year", "species"),
}
_MOST_PAIRS = 250_000

Status = Literal["added", "removed", "changed", "set aside", "taken back in"]


@dataclass(frozen=True)
class RowChange:
    """One row that differs.

    Attributes
    ----------
    table : str
    status : str
        ``added``, ``removed``, ``changed``, ``set aside`` (it is still in the file, and in no estimate), ``taken back in``.
    line_before, line_after : int | None
        Its line in the file.
    text : str
        Its filled cells.
    cells : tuple of (column, before, after)
        Of a changed row, the cells that differ.
    reason : str
        Why it is, or was, set aside.
    """

    table: str
    status: Status
    line_before: int | None
    line_after: int | None
    text: str
    cells: tuple[tuple[str, str, str], ...] = ()
    reason: str = ""


@dataclass(frozen=True)
class RowChanges:
    """All changed rows, and what could not be compared."""

    rows: tuple[RowChange, ...] = ()
    notes: tuple[str, ...] = ()

    def counts(self) -> dict[str, dict[str, int]]:
        """Table → status → number of rows."""
        found: dict[str, dict[str, int]] = {}
        for row in self.rows:
            found.setdefault(row.table, {}).setdefault(row.status, 0)
            found[row.table][row.status] += 1
        return found


@dataclass
class _Rows:
    tables: dict[str, RawTable]
    aside: dict[tuple[str, str], list[str]] = field(default_factory=dict)


def _read(build: OpenBuild) -> _Rows | None:
    study = build.study()
    if study is None:
        return None
    loaded = load_tables(study, Faults())
    rows = _Rows(loaded.raw)
    for frame in loaded.set_aside:
        for record in frame.itertuples():
            rows.aside.setdefault((str(record.table), str(record.text)), []).append(str(record.reason))
    return rows


def _alike(first: pd.DataFrame, second: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    columns = list(dict.fromkeys((*first.columns, *second.columns)))
    return first.reindex(columns=columns, fill_value=""), second.reindex(columns=columns, fill_value="")


def _left_over(first: pd.DataFrame, second: pd.DataFrame) -> tuple[list[int], list[int]]:
    """Lines that have no equal row on the other side; equal rows go off against each other one by one."""
    waiting: dict[tuple[str, ...], list[int]] = defaultdict(list)
    for line, row in zip(second.index, second.itertuples(index=False, name=None), strict=True):
        waiting[row].append(line)
    alone = []
    for line, row in zip(first.index, first.itertuples(index=False, name=None), strict=True):
        same = waiting.get(row)
        if same:
            same.pop(0)
        else:
            alone.append(line)
    return alone, sorted(line for lines in waiting.values() for line in lines)


def _pairs(
    first: pd.DataFrame, second: pd.DataFrame, lines: tuple[list[int], list[int]], keys: list[str]
) -> list[tuple[int, int]]:
    """Rows that are one row changed: of one key, with most filled cells alike; the most alike go together first."""
    columns = list(first.columns)
    olds, news = first.loc[lines[0]], second.loc[lines[1]]
    groups: dict[tuple[str, ...], tuple[list[int], list[int]]] = defaultdict(lambda: ([], []))
    places = [columns.index(key) for key in keys]
    for side, frame in enumerate((olds, news)):
        for line, row in zip(frame.index, frame.itertuples(index=False, name=None), strict=True):
            groups[tuple(row[place] for place in places)][side].append(line)
    cells = [dict(zip(frame.index, frame.itertuples(index=False, name=None), strict=True)) for frame in (olds, news)]
    found = []
    for before, after in groups.values():
        if not before or not after or len(before) * len(after) > _MOST_PAIRS:
            continue
        only = len(before) == len(after) == 1 and bool(keys)
        scored = []
        for old in before:
            for new in after:
                compared = [(a, b) for a, b in zip(cells[0][old], cells[1][new], strict=True) if a or b]
                same = sum(a == b for a, b in compared)
                if 2 * same >= len(compared) or only:
                    scored.append((same - len(compared), abs(old - new), old, new))
        used: tuple[set[int], set[int]] = (set(), set())
        for _, _, old, new in sorted(scored, key=lambda item: (-item[0], item[1:])):
            if old not in used[0] and new not in used[1]:
                used[0].add(old)
                used[1].add(new)
                found.append((old, new))
    return found


def compare_tables(before: RawTable, after: RawTable) -> list[RowChange]:
    """Rows of one table that differ between two states of it."""
    first, second = _alike(before.cells, after.cells)
    alone = _left_over(first, second)
    keys = [key for key in KEYS[before.name] if key in first]
    pairs = _pairs(first, second, alone, keys)
    changes = []
    for old, new in pairs:
        cells = tuple(
            (after.headings.get(str(name), before.heading(str(name))), a, b)
            for name, a, b in zip(first.columns, first.loc[old], second.loc[new], strict=True)
            if a != b
        )
        changes.append(RowChange(before.name, "changed", old, new, row_text(after, new), cells))
    gone = set(alone[0]) - {old for old, _ in pairs}
    come = set(alone[1]) - {new for _, new in pairs}
    changes += [RowChange(before.name, "removed", line, None, row_text(before, line)) for line in sorted(gone)]
    changes += [RowChange(before.name, "added", None, line, row_text(after, line)) for line in sorted(come)]
    return changes


def _say_aside(change: RowChange, before: _Rows, after: _Rows) -> RowChange:
    key = (change.table, change.text)
    if change.status == "removed" and after.aside.get(key):
        return RowChange(change.table, "set aside", change.line_before, None, change.text, (), after.aside[key].pop(0))
    if change.status == "added" and before.aside.get(key):
        return RowChange(change.table, "taken back in", None, change.line_after, change.text, (), before.aside[key].pop(0))
    return change


def _whole(table: RawTable, status: Literal["added", "removed"]) -> Iterable[RowChange]:
    for line in table.cells.index:
        before, after = (line, None) if status == "removed" else (None, line)
        yield RowChange(table.name, status, before, after, row_text(table, line))


def compare_rows(before: OpenBuild, after: OpenBuild) -> RowChanges:
    """Rows that differ between the field data of two reports, of the tables as they stand, without the rows set aside."""
    first, second = _read(before), _read(after)
    if first is None or second is None:
        which = " and ".join(name for name, side in (("earlier", first), ("later", second)) if side is None)
        note = f"the {which} report does not hold its inputs, or they cannot be read by this version; rows are not compared"
        return RowChanges((), (note,))
    same = before.entities("#input/"), after.entities("#input/")
    found: list[RowChange] = []
    notes = []
    for name in TABLES:
        old, new = first.tables.get(name), second.tables.get(name)
        if old is None and new is None:
            continue
        if old is None or new is None:
            present = old if new is None else new
            assert present is not None
            status: Literal["added", "removed"] = "removed" if new is None else "added"
            notes.append(f"only the {'earlier' if new is None else 'later'} report has the table {name}")
            changes = list(_whole(present, status))
        else:
            changes = compare_tables(old, new)
        found += [_say_aside(change, first, second) for change in changes]
    if not found and any(same[0].get(name) != item for name, item in same[1].items() if name.endswith((".csv", ".xlsx"))):
        notes.append("a file of the field data differs, and no row does: its order, its spelling or its unread parts changed")
    return RowChanges(tuple(found), tuple(notes))
