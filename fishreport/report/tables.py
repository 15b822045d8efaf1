"""Tables on paper and in files: how wide, how small, in how many parts; and CSV that a spreadsheet cannot take for formulas."""

from __future__ import annotations

import csv
import io
import itertools
import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from fishreport.fielddata.harmless import FORMULA_SIGNS
from fishreport.report.prose import seen
from fishreport.report.typst_text import width_of

PORTRAIT, LANDSCAPE = 470.0, 700.0  # points of text width
SIZES = (8.5, 8.0, 7.5, 7.0, 6.5)
_PER_SIGN = 0.60  # width of an average sign of the report's font, in ems
_INSET = 9.0  # points beside each cell
_SHORT = 15  # signs; a column of no more is as wide as its text
_BLANK = 0.58  # signs between words of a heading
_WANTED = 28  # signs of a line that a column of more text wants
_LEAST_KEPT, _MOST_KEPT = 3, 8  # rows that are kept together at the start and at the end of a table
INTERVAL = re.compile(r"\(?[-−+]?\d[\d.,]*%? to [-−+]?\d[\d.,]*%?\)?")
_JOINED = "\N{NO-BREAK SPACE}"
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")


@dataclass(frozen=True)
class TableLayout:
    """A part of a table as it is set: which columns, how large, on a page turned or not, which part of how many.

    `shares` holds for each column its share of the width that is left, or 0 where it is as wide as its text;
    `points` its width where others share and it does not. `breaks` is False where each cell stands on one
    line, and `head_lines` then tells the lines of the head; `whole` is True where at least no interval needs to be broken.
    """

    columns: tuple[int, ...]
    shares: tuple[int, ...]
    size: float
    turned: bool
    part: int
    parts: int
    points: tuple[float, ...] = ()
    whole: bool = False
    breaks: bool = True
    head_lines: int = 1

    @property
    def tracks(self) -> tuple[str, ...]:
        """Width of each column as Typst writes it."""
        points = self.points or (0.0,) * len(self.shares)
        return tuple(
            f"{share}fr" if share else f"{fixed:.1f}pt" if fixed else "auto"
            for share, fixed in zip(self.shares, points, strict=True)
        )


def _signs(text: str, *, bold: bool = False) -> float:
    """Width of a text in signs of average width."""
    return width_of(text, bold=bold) / _PER_SIGN


def _words(text: str, whole: bool) -> list[str]:
    """What of a text is never broken: words, and, where intervals are left whole, these."""
    return (INTERVAL.sub(lambda found: found[0].replace(" ", _JOINED), text) if whole else text).split(" ")


@dataclass(frozen=True)
class _Widths:
    """Signs of each column: of its longest word and its longest cell; of its heading on one line, and of the words of that."""

    words: tuple[float, ...]
    cells: tuple[float, ...]
    heads: tuple[float, ...]
    heading: tuple[tuple[float, ...], ...]
    units: bool

    def head_lines(self, places: Sequence[int], signs: Sequence[float]) -> int:
        """Lines of the tallest heading, its units among them, where columns have room for so many signs."""
        most = 1
        for place, room in zip(places, signs, strict=True):
            lines, used = 1, 0.0
            for word in self.heading[place]:
                if used and used + _BLANK + word > room:
                    lines, used = lines + 1, 0.0
                used += (_BLANK if used else 0.0) + word
            most = max(most, lines)
        return most + self.units

    def firm(self, place: int) -> bool:
        """A column of single words, or of little text, cannot give way without words running over its edge."""
        return self.cells[place] <= max(_SHORT, 1.6 * self.words[place])


def _measured(columns: Sequence[Mapping[str, Any]], rows: Sequence[Sequence[str]], whole: bool) -> _Widths:
    words, cells, heads, heading = [], [], [], []
    for place, column in enumerate(columns):
        texts = [str(row[place]) for row in rows]
        plain = max((_signs(word) for text in (column["units"], *texts) for word in _words(text, whole)), default=1.0)
        heading.append(tuple(_signs(word, bold=True) for word in str(column["heading"]).split()))
        words.append(max(plain, *heading[-1], 1.0))
        cells.append(max(map(_signs, texts), default=1.0))
        heads.append(_signs(str(column["heading"]), bold=True))
    return _Widths(tuple(words), tuple(cells), tuple(heads), tuple(heading), any(column["units"] for column in columns))


def _needed(signs: Iterable[float], size: float) -> float:
    return sum(count * _PER_SIGN * size + _INSET for count in signs)


def _usual(rows: Sequence[Sequence[str]], place: int) -> int:
    """The share of a column that gives way: of long cells the length that four of five keep to, so that few do not take all."""
    lengths = sorted(math.ceil(_signs(str(row[place]))) for row in rows) or [1]
    return lengths[-1] if lengths[-1] <= 40 else min(max(lengths[4 * (len(rows) - 1) // 5], 35), 60)


def _layout(
    widths: _Widths, usual: Sequence[int], places: tuple[int, ...], size: float, *,
    whole: bool, turned: bool = False, part: int = 1, parts: int = 1,
) -> TableLayout:  # fmt: skip
    width = LANDSCAPE if turned else PORTRAIT
    words, cells, heads = widths.words, widths.cells, widths.heads
    least = {place: max(words[place], cells[place]) for place in places}
    fits = _needed(least.values(), size) <= width
    if fits and _needed((max(least[place], heads[place]) for place in places), size) > width:
        # The cells fit on one line and the headings do not: those are broken, and share what the cells leave.
        spare = (width - _needed(least.values(), size)) / max(1, sum(heads[p] > least[p] for p in places))
        wide = {p: min(spare, _needed([heads[p]], size) - _needed([least[p]], size)) for p in places if heads[p] > least[p]}
        points = tuple(_needed([least[p]], size) + wide.get(p, 0.0) for p in places)
        lines = widths.head_lines(places, [(point - _INSET) / (_PER_SIGN * size) for point in points])
        return TableLayout(places, (0,) * len(places), size, turned, part, parts, points, whole, False, lines)
    firm = {place for place in places if widths.firm(place)}
    # Beside columns that share what is left, a column as wide as its heading would leave them nothing.
    roomy = {place: least[place] for place in firm}
    others = [words[place] for place in places if place not in firm]
    if _needed([*roomy.values(), *others], size) > width:
        roomy = {place: words[place] for place in firm}
    # A share that is too little for the longest word of a column, or for an interval, is as wide as that instead.
    while not fits and len(roomy) < len(places):
        sharing = [place for place in places if place not in roomy]
        left = (width - _needed(roomy.values(), size)) / sum(usual[place] for place in sharing)
        short = {place: words[place] for place in sharing if left * usual[place] < _needed([words[place]], size)}
        if not short or len(short) == len(sharing):
            break
        roomy |= short
    shares = tuple(0 if fits or place in roomy else usual[place] for place in places)
    points = tuple(0.0 if fits or place not in roomy else _needed([roomy[place]], size) for place in places)
    return TableLayout(places, shares, size, turned, part, parts, points, whole, not fits, 1 + widths.units)


def lay_out_table(columns: Sequence[Mapping[str, Any]], rows: Sequence[Sequence[str]]) -> list[TableLayout]:
    """How a table is set: as large as fits, else on a turned page, else in parts that repeat the first column.

    Cells of little text, such as a number with its interval, are set on one line if a smaller size can do that; else they are
    broken before an interval, and within it only where nothing else fits.
    """
    every = tuple(range(len(columns)))
    usual = [_usual(rows, place) for place in every]
    whole, broken = _measured(columns, rows, True), _measured(columns, rows, False)

    def most(widths: _Widths, place: int) -> float:
        return max(widths.words[place], min(widths.cells[place], _WANTED))

    unbroken = [max(whole.words[p], whole.cells[p]) if whole.firm(p) else most(whole, p) for p in every]
    for wanted in (unbroken, [most(whole, p) if not whole.firm(p) else whole.words[p] for p in every]):
        for size in SIZES[:3]:
            if _needed(wanted, size) <= PORTRAIT:
                return [_layout(whole, usual, every, size, whole=True)]
    for widths in (whole, broken):
        for size in SIZES:
            if _needed(widths.words, size) <= PORTRAIT:
                return [_layout(widths, usual, every, size, whole=widths is whole)]
    for size in SIZES:
        if _needed(broken.words, size) <= LANDSCAPE:
            return [_layout(broken, usual, every, size, whole=False, turned=True)]
    size, parts = SIZES[2], []
    first = _needed(broken.words[:1], size)
    current, used = [0], first
    for place in every[1:]:
        width = _needed(broken.words[place : place + 1], size)
        if len(current) > 1 and used + width > PORTRAIT:
            parts.append(tuple(current))
            current, used = [0], first
        current.append(place)
        used += width
    parts.append(tuple(current))
    return [
        _layout(broken, usual, part, size, whole=False, part=number, parts=len(parts))
        for number, part in enumerate(parts, start=1)
    ]


def group_sizes(rows: Sequence[Sequence[str]]) -> tuple[int, int]:
    """Rows of the first group and of the last: of rows that begin alike, or three where the table has no groups of a handful."""
    groups = [len(list(group)) for _, group in itertools.groupby(str(row[0]) if row else "" for row in rows)]
    first, last = (groups[0], groups[-1]) if groups else (0, 0)
    return (
        first if _LEAST_KEPT < first <= _MOST_KEPT else _LEAST_KEPT,
        last if _LEAST_KEPT < last <= _MOST_KEPT else _LEAST_KEPT,
    )


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
