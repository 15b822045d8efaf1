"""Tables on paper and in files: how wide, how small, in how many parts; and CSV that a spreadsheet cannot take for formulas."""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from fishreport.fielddata.harmless import FORMULA_SIGNS
from fishreport.report.prose import seen

PORTRAIT, LANDSCAPE = 470.0, 700.0  # points of text width
SIZES = (8.5, 8.0, 7.5, 7.0, 6.5)
_PER_SIGN = 0.60  # width of an average sign of the report's font, in ems
_BOLD = 1.12  # a heading is set bold, and so much wider
_INSET = 9.0  # points beside each cell
_SHORT = 15  # signs; a column of no more is as wide as its text
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")


@dataclass(frozen=True)
class TableLayout:
    """A part of a table as it is set: which columns, how large, on a page turned or not, which part of how many.

    `shares` holds for each column its share of the width that is left, or 0 where it is as wide as its text;
    `points` its width where others share and it does not.
    """

    columns: tuple[int, ...]
    shares: tuple[int, ...]
    size: float
    turned: bool
    part: int
    parts: int
    points: tuple[float, ...] = ()

    @property
    def tracks(self) -> tuple[str, ...]:
        """Width of each column as Typst writes it."""
        points = self.points or (0.0,) * len(self.shares)
        return tuple(
            f"{share}fr" if share else f"{fixed:.1f}pt" if fixed else "auto"
            for share, fixed in zip(self.shares, points, strict=True)
        )


def _widths(columns: Sequence[Mapping[str, Any]], rows: Sequence[Sequence[str]]) -> tuple[list[int], list[int]]:
    """Signs of the longest word, and of the longest cell, of each column."""
    words, cells = [], []
    for place, column in enumerate(columns):
        texts = [column["units"], *(row[place] for row in rows)]
        plain = max((len(word) for text in texts for word in str(text).split()), default=1)
        head = max((len(word) for word in str(column["heading"]).split()), default=1)
        words.append(max(plain, math.ceil(_BOLD * head)))
        cells.append(max((len(str(row[place])) for row in rows), default=1))
    return words, cells


def _needed(signs: Sequence[int], size: float) -> float:
    return sum(count * _PER_SIGN * size + _INSET for count in signs)


def lay_out_table(columns: Sequence[Mapping[str, Any]], rows: Sequence[Sequence[str]]) -> list[TableLayout]:
    """How a table is set: as large as fits, else on a turned page, else in parts that repeat the first column."""
    words, cells = _widths(columns, rows)
    wanted = [max(word, min(cell, 28)) for word, cell in zip(words, cells, strict=True)]
    every = tuple(range(len(columns)))
    # Of a column with long cells the length that four of five keep to: few long cells do not take the width from the others.
    most = [sorted(len(str(row[place])) for row in rows)[4 * (len(rows) - 1) // 5] if rows else 1 for place in every]
    usual = [cells[place] if cells[place] <= 40 else min(max(most[place], 35), 60) for place in every]

    def layout(places: tuple[int, ...], size: float, turned: bool, part: int = 1, parts: int = 1) -> TableLayout:
        width = LANDSCAPE if turned else PORTRAIT
        least = {place: max(words[place], cells[place]) for place in places}
        fits = _needed(list(least.values()), size) <= width
        heads = {place: math.ceil(_BOLD * len(str(columns[place]["heading"]))) for place in places}
        if fits and _needed([max(least[place], heads[place]) for place in places], size) > width:
            # The cells fit on one line and the headings do not: those are broken, and share what the cells leave.
            spare = (width - _needed(list(least.values()), size)) / max(1, sum(heads[p] > least[p] for p in places))
            wide = {p: min(spare, _needed([heads[p]], size) - _needed([least[p]], size)) for p in places if heads[p] > least[p]}
            return TableLayout(
                places, (0,) * len(places), size, turned, part, parts,
                tuple(_needed([least[p]], size) + wide.get(p, 0.0) for p in places),
            )  # fmt: skip
        # A column of single words, or of little text, cannot give way without words running over its edge.
        firm = {place for place in places if cells[place] <= max(_SHORT, 1.6 * words[place])}
        shares = tuple(0 if fits or place in firm else usual[place] for place in places)
        # Beside columns that share what is left, a column as wide as its heading would leave them nothing.
        roomy = {place: max(words[place], cells[place]) for place in firm}
        others = sum(words[place] for place in places if place not in firm)
        if _needed([*roomy.values(), others], size) > width:
            roomy = {place: words[place] for place in firm}
        points = tuple(0.0 if fits or place not in firm else _needed([roomy[place]], size) for place in places)
        return TableLayout(places, shares, size, turned, part, parts, points)

    for size in SIZES[:3]:
        if _needed(wanted, size) <= PORTRAIT:
            return [layout(every, size, False)]
    for size in SIZES:
        if _needed(words, size) <= PORTRAIT:
            return [layout(every, size, False)]
    for size in SIZES:
        if _needed(words, size) <= LANDSCAPE:
            return [layout(every, size, True)]
    size, parts = SIZES[2], []
    first = _needed(words[:1], size)
    current, used = [0], first
    for place in every[1:]:
        width = _needed(words[place : place + 1], size)
        if len(current) > 1 and used + width > PORTRAIT:
            parts.append(tuple(current))
            current, used = [0], first
        current.append(place)
        used += width
    parts.append(tuple(current))
    return [layout(part, size, False, number, len(parts)) for number, part in enumerate(parts, start=1)]


def safe_cell(value: Any) -> str:
    """A cell as text; text that a spreadsheet would run as a formula is marked as text with an apostrophe."""
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return ""
    if isinstance(value, bool | int):
        return str(value)
    if isinstance(value, float):
        return repr(value)
    text = seen(str(value))
    if text.startswith(FORMULA_SIGNS) and not _NUMBER.fullmatch(text):
        text = f"'{text}"
    return text.replace("\r\n", "\n").replace("\r", "\n")  # a bare carriage return would end the row for many readers


def table_csv(data: Mapping[str, Any]) -> bytes:
    """A table as CSV (UTF-8): its full-precision records where it has them, else the cells as shown."""
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    records = data.get("data") or ()
    if records:
        names = list(dict.fromkeys(name for record in records for name in record))
        writer.writerow([safe_cell(name) for name in names])
        writer.writerows([[safe_cell(record.get(name)) for name in names] for record in records])
    elif "columns" in data:
        heads = [
            f"{column['heading']} ({column['units']})" if column["units"] else column["heading"] for column in data["columns"]
        ]
        writer.writerow([safe_cell(head) for head in heads])
        writer.writerows([[safe_cell(cell) for cell in row] for row in data["rows"]])
    else:
        names = ["objective", "target", "value", "interval", "probability", "verdict", "source"]
        writer.writerow(names)
        writer.writerows([[safe_cell(row.get(name, "")) for name in names] for row in data["rows"]])
    return stream.getvalue().encode()
