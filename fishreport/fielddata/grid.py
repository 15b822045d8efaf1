"""Rows of text as they stand in a file or sheet, and the table that a header makes of them."""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from fishreport.fielddata.faults import Faults
from fishreport.fielddata.schema import WORKED_OUT, TableSchema, plain_name

HEADER_WITHIN = 20
_CHUNK = 65_536


@dataclass(frozen=True)
class Grid:
    """Rows of text, with the line in the file on which each begins; lines without any text are not in it.

    In a `sheet`, rows end with their last filled cell.
    """

    file: str
    rows: Sequence[Sequence[str]]
    lines: Sequence[int]
    decimal_comma: bool = False
    sheet: bool = False


@dataclass(frozen=True)
class RawTable:
    """A table as text.

    Attributes
    ----------
    schema : TableSchema
        The table that it should be.
    file : str
        The file, for the reader; with the sheet of a workbook.
    cells : DataFrame
        Text without surrounding blanks, under plain names; indexed by line in the file. Columns that the schema does
        not define follow those that it does.
    headings : dict[str, str]
        Plain name → heading as written.
    decimal_comma : bool
        Whether a comma in a number is its decimal sign.
    """

    schema: TableSchema
    file: str
    cells: pd.DataFrame
    headings: dict[str, str]
    decimal_comma: bool

    @property
    def name(self) -> str:
        """Name of the table, such as ``fish``."""
        return self.schema.name

    def heading(self, column: str) -> str:
        """The heading of a column as written in the file, or its plain name."""
        return self.headings.get(column, column)

    def tell(self, faults: Faults, code: str, line: Any, column: str, message: str, advice: str = "") -> None:
        """Add a fault of one row; the heading and the text of the cell as they stand in the file go with it."""
        value = self.cells.at[line, column] if column in self.cells else ""
        faults.add(code, self.name, message, advice, file=self.file, row=int(line), column=self.heading(column), value=value)

    def without(self, lines: Sequence[int] | set[int]) -> RawTable:
        """The same table without those lines."""
        kept = self.cells[~self.cells.index.isin(list(lines))] if lines else self.cells
        return RawTable(self.schema, self.file, kept, self.headings, self.decimal_comma)


def known_names(row: Sequence[str], schema: TableSchema) -> set[str]:
    """Which columns of the schema a row of headings names."""
    names = set(schema.names)
    return {plain for cell in row if len(cell) < 100 and (plain := plain_name(cell)) in names}


def find_header(rows: Sequence[Sequence[str]], schema: TableSchema) -> tuple[int, set[str]]:
    """Position of the row that names most columns of the schema, and which it names."""
    best, found = 0, set[str]()
    for position, row in enumerate(rows[:HEADER_WITHIN]):
        names = known_names(row, schema)
        if len(names) > len(found):
            best, found = position, names
    return best, found


def _complete(names: set[str], schema: TableSchema) -> bool:
    return set(schema.required) <= names and (not schema.either or any(set(group) <= names for group in schema.either))


def _columns(rows: Sequence[Sequence[str]], width: int) -> list[np.ndarray]:
    """Columns of stripped text; equal texts share one object, which keeps a million rows small and quick to read."""
    parts: list[list[np.ndarray]] = [[] for _ in range(width)]
    for start in range(0, len(rows), _CHUNK):
        chunk = rows[start : start + _CHUNK]
        if any(len(row) != width for row in chunk):
            chunk = [list(row[:width]) + [""] * (width - len(row)) for row in chunk]
        for column, cells in enumerate(zip(*chunk, strict=True)):
            codes, texts = pd.factorize(np.array(cells, dtype=object))
            stripped = np.array([text.strip() for text in texts], dtype=object)
            parts[column].append(stripped[codes])
    return [np.concatenate(part) if part else np.array([], dtype=object) for part in parts]


def _names(header: Sequence[str], schema: TableSchema, file: str, line: int, faults: Faults) -> list[str | None] | None:
    """Plain name of each column; None for a column without heading; None altogether when known names are doubled."""
    names: list[str | None] = []
    doubled = False
    for position, heading in enumerate(header, start=1):
        plain = plain_name(heading[:200]) or (f"column_{position}" if heading.strip() else None)
        if plain in names:
            if plain in schema:
                doubled = True
                faults.add(
                    "duplicate_column",
                    schema.name,
                    f"two columns are named {plain}",
                    "leave one of them out, or give it another name",
                    file=file,
                    row=line,
                    column=heading.strip(),
                )
            count = 2
            while f"{plain}_{count}" in names:
                count += 1
            plain = f"{plain}_{count}"
        names.append(plain)
    return None if doubled else names


def _report_missing(names: list[str | None], schema: TableSchema, file: str, line: int, faults: Faults) -> bool:
    present = {name for name in names if name}
    unknown = [name for name in present if name not in schema]
    missing = [name for name in schema.required if name not in present]
    if schema.either and not any(set(group) <= present for group in schema.either):
        missing.append(" or ".join(" + ".join(group) for group in schema.either))
    for name in missing:
        near = difflib.get_close_matches(name.split()[0], sorted(unknown), n=1, cutoff=0.6)
        hint = f"rename the column {near[0]!r} if that is it" if near else "add the column"
        if name in schema:
            column = schema[name]
            hint += f" ({column.meaning}{', in ' + column.units if column.units else ''})"
        faults.add(
            "missing_column", schema.name, f"the {schema.name} table has no column {name}", hint, file=file, row=line, column=name
        )
    return bool(missing)


def _report_width(grid: Grid, body: int, least: int, width: int, schema: TableSchema, faults: Faults) -> None:
    """Rows with more fields than the header is wide, or fewer than it names."""
    short = 0
    for row, line in zip(grid.rows[body:], grid.lines[body:], strict=True):
        if len(row) < least:
            short += 1
        elif len(row) > width and (extra := [cell.strip() for cell in row[width:] if cell.strip()]):
            faults.add(
                "long_row",
                schema.name,
                f"the row has {len(row)} fields and the header {width}",
                "put text that holds the separator in quotation marks, and write decimals with a point",
                file=grid.file,
                row=line,
                value=" ".join(extra),
            )
    if short:
        s = "s have" if short > 1 else " has"
        faults.add(
            "short_row",
            schema.name,
            f"{short} row{s} fewer fields than the header; what is missing is read as not recorded",
            file=grid.file,
        )


def _report_unknown(
    heading: str, name: str, names: list[str | None], schema: TableSchema, file: str, line: int, faults: Faults
) -> bool:
    """Note a column that the schema does not define; whether it is kept."""
    where: dict[str, Any] = {"file": file, "row": line, "column": heading}
    if name in WORKED_OUT[schema.name]:
        message = f"the column {heading!r} is worked out by the tool and not read from the file"
        faults.add("column_ignored", schema.name, message, **where)
        return False
    near = difflib.get_close_matches(name, [known for known in schema.names if known not in names], n=1, cutoff=0.75)
    advice = ""
    if near:
        units = schema[near[0]].units
        advice = f"rename it {near[0]} if that is it" + (f", with its values in {units}" if units else "")
    message = f"the {schema.name} table does not define the column {heading!r}; it is kept and not used"
    faults.add("unknown_column", schema.name, message, advice, **where)
    return True


def make_table(grid: Grid, schema: TableSchema, faults: Faults) -> RawTable | None:
    """The table that a grid holds, or None when its header is at fault (then an error says how)."""
    table, file = schema.name, grid.file
    position, found = find_header(grid.rows, schema)
    if not found:
        wanted = ", ".join(schema.required or schema.names[:3])
        faults.add(
            "header_not_found",
            table,
            f"no line among the first {HEADER_WITHIN} names a column of the {table} table",
            f"the first line must name the columns ({wanted} …), separated by commas, semicolons or tabs",
            file=file,
        )
        return None
    line = grid.lines[position]
    if not _complete(found, schema):
        for near in (position - 1, position + 1):
            if 0 <= near < len(grid.rows) and len(known_names(grid.rows[near], schema) - found):
                lines = sorted((line, grid.lines[near]))
                faults.add(
                    "header_spread",
                    table,
                    f"the names of the columns are spread over lines {lines[0]} and {lines[1]}",
                    "undo merged cells, and write the name of every column in one line",
                    file=file,
                    row=lines[0],
                )
                return None
    header = list(grid.rows[position])
    body = position + 1
    width = max(map(len, grid.rows[position:])) if grid.sheet else len(header)
    header += [""] * (width - len(header))
    named = max(number for number, heading in enumerate(header, start=1) if heading.strip())
    names = _names(header, schema, file, line, faults)
    if names is None or _report_missing(names, schema, file, line, faults):
        return None
    if position:
        faults.add(
            "lines_above_header", table, f"the header is line {line}; what stands above it is not read", file=file, row=line
        )
    if not grid.sheet:
        _report_width(grid, body, named, width, schema, faults)
    columns = _columns(grid.rows[body:], width)
    lines_of = np.array(grid.lines[body:], dtype=np.int64)
    filled = np.zeros(len(lines_of), dtype=bool)
    for column in columns:
        filled |= column != ""
    kept: dict[str, np.ndarray] = {}
    for number, (name, column) in enumerate(zip(names, columns, strict=True), start=1):
        if name is None:
            if used := int((column != "").sum()):
                faults.add(
                    "unnamed_column",
                    table,
                    f"column {number} has no name and holds something in {used} row{'s' if used > 1 else ''}",
                    "give every column its own name; undo merged header cells",
                    file=file,
                    row=line,
                )
                return None
            continue
        if name not in schema:
            heading = header[number - 1].strip()
            if not _report_unknown(heading, name, names, schema, file, line, faults):
                continue
        kept[name] = column[filled]
    ordered = [name for name in schema.names if name in kept] + [name for name in kept if name not in schema]
    cells = pd.DataFrame({name: kept[name] for name in ordered}, index=lines_of[filled], dtype=object)
    headings = {name: heading.strip() for name, heading in zip(names, header, strict=True) if name}
    return RawTable(schema, file, cells, headings, grid.decimal_comma)
