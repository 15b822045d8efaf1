"""What a chapter shows: figures, tables and findings, as data that both report formats render natively.

An exhibit displays itself in a notebook as a mimebundle with a MIME type of our own and ``text/plain``; the HTML and the
PDF are rendered from that same bundle, so both show the same digits.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field, fields, is_dataclass
from typing import Any, Literal

from fishreport.analysis.result import Result

FIGURE_TYPE = "application/vnd.fishreport.figure+json"
TABLE_TYPE = "application/vnd.fishreport.table+json"
FINDINGS_TYPE = "application/vnd.fishreport.findings+json"
RESULTS_TYPE = "application/vnd.fishreport.results+json"
SCORECARD_TYPE = "application/vnd.fishreport.scorecard+json"
EXPLORER_TYPE = "application/vnd.fishreport.explorer+json"


def _plain(value: Any) -> Any:
    """A value as JSON has it: numpy scalars as numbers, what is not a finite number as null, anything else as text."""
    if is_dataclass(value) and not isinstance(value, type):
        return {one.name: _plain(getattr(value, one.name)) for one in fields(value)}
    if isinstance(value, dict):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if hasattr(value, "item") and not isinstance(value, str | bytes):
        value = value.item()
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    return value if isinstance(value, str | int | bool) or value is None else str(value)


@dataclass(frozen=True)
class Column:
    """A column of a table: its heading, the units under it, and how it is aligned."""

    heading: str
    units: str = ""
    align: Literal["left", "right", "center"] = "right"


@dataclass(frozen=True)
class Table:
    """A table of formatted text with a caption.

    Attributes
    ----------
    label : str
        Short name, unique in its chapter (lower case, hyphens); names the CSV and the anchor.
    caption : str
        One or two sentences; the number is added by the templates.
    columns : tuple[Column, ...]
    rows : tuple[tuple[str, ...], ...]
        Formatted cells; the first cell of a row is its row header.
    notes : tuple[str, ...]
        Lines under the table.
    data : tuple[dict, ...]
        The same table as full-precision records, for its CSV; empty means that `rows` are written.
    shades : tuple[tuple[float | None, ...], ...]
        How dark the ground of each cell is, from 0 to 1, or None for plain; empty for a table without shades. The text of a
        cell says the same: a shade never carries anything alone.
    """

    label: str
    caption: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[str, ...], ...]
    notes: tuple[str, ...] = ()
    data: tuple[dict[str, Any], ...] = field(default=(), repr=False)
    shades: tuple[tuple[float | None, ...], ...] = ()

    def __post_init__(self) -> None:
        if not self.caption.strip():
            raise ValueError(f"table {self.label!r} needs a caption")
        for row in self.rows:
            if len(row) != len(self.columns):
                raise ValueError(f"table {self.label!r}: a row has {len(row)} cells, {len(self.columns)} columns")
        if self.shades and [len(row) for row in self.shades] != [len(row) for row in self.rows]:
            raise ValueError(f"table {self.label!r}: shades need one entry a cell")
        for shade in (shade for row in self.shades for shade in row):
            if shade is not None and not 0 <= shade <= 1:
                raise ValueError(f"table {self.label!r}: a shade is from 0 to 1, not {shade!r}")

    def _repr_mimebundle_(self, include: Any = None, exclude: Any = None) -> dict[str, Any]:
        return {TABLE_TYPE: _plain(self), "text/plain": f"Table {self.label}: {self.caption}"}


@dataclass(frozen=True)
class Figure:
    """A drawing with a caption, a text alternative written from its numbers, and the table behind it.

    Attributes
    ----------
    label : str
        Short name, unique in its chapter (lower case, hyphens).
    caption : str
    alt : str
        What the figure shows, with its numbers, for a reader who cannot see it.
    svg : str
        The drawing, text kept as text.
    table : Table | None
        The numbers drawn.
    """

    label: str
    caption: str
    alt: str
    svg: str = field(repr=False)
    table: Table | None = None

    def __post_init__(self) -> None:
        for name in ("caption", "alt"):
            if len(getattr(self, name).strip()) < 10:
                raise ValueError(f"figure {self.label!r} needs a {name} that says what it shows")

    def _repr_mimebundle_(self, include: Any = None, exclude: Any = None) -> dict[str, Any]:
        return {FIGURE_TYPE: _plain(self), "text/plain": f"Figure {self.label}: {self.alt}"}


@dataclass(frozen=True)
class Finding:
    """A sentence that follows from results.

    Attributes
    ----------
    text : str
        The sentence.
    results : tuple[str, ...]
        Ids of the results that it rests on; never empty.
    direction : str
        ``up``, ``down``, ``steady``, ``unclear`` or ``none`` (it states a level, not a change).
    key : bool
        True when it belongs on the front page.
    """

    text: str
    results: tuple[str, ...]
    direction: Literal["up", "down", "steady", "unclear", "none"] = "none"
    key: bool = False


@dataclass(frozen=True)
class Findings:
    """Sentences of a chapter, shown as a list."""

    items: tuple[Finding, ...]

    def _repr_mimebundle_(self, include: Any = None, exclude: Any = None) -> dict[str, Any]:
        return {
            FINDINGS_TYPE: {"items": [asdict(item) for item in self.items]},
            "text/plain": "\n".join(item.text for item in self.items),
        }


@dataclass(frozen=True)
class Remark:
    """A plain sentence that rests on no result, such as why a section shows nothing; Markdown without numbers."""

    text: str

    def _repr_mimebundle_(self, include: Any = None, exclude: Any = None) -> dict[str, Any]:
        return {"text/markdown": self.text, "text/plain": self.text}


@dataclass(frozen=True)
class ResultsExhibit:
    """Results handed on to ``results.json``; it shows nothing in the report."""

    results: Sequence[Result]

    def _repr_mimebundle_(self, include: Any = None, exclude: Any = None) -> dict[str, Any]:
        return {
            RESULTS_TYPE: {"results": [result.record() for result in self.results]},
            "text/plain": f"{len(self.results)} results",
        }


@dataclass(frozen=True)
class ScorecardRow:
    """One objective of the plan and how the season stands to it; every field is text as it is shown."""

    objective: str
    target: str
    value: str
    interval: str
    probability: str
    verdict: str
    source: str = ""
    subject: str = ""


@dataclass(frozen=True)
class Scorecard:
    """The objectives of the management plan side by side, for the front page.

    Attributes
    ----------
    caption : str
        One or two sentences; the number is added by the templates.
    rows : tuple[ScorecardRow, ...]
    notes : tuple[str, ...]
        Lines under the table.
    label : str
        Short name, as of a table.
    """

    caption: str
    rows: tuple[ScorecardRow, ...]
    notes: tuple[str, ...] = ()
    label: str = "scorecard"

    def __post_init__(self) -> None:
        if not self.caption.strip():
            raise ValueError("the scorecard needs a caption")

    def _repr_mimebundle_(self, include: Any = None, exclude: Any = None) -> dict[str, Any]:
        lines = [f"{row.objective}: {row.value} ({row.target}), {row.verdict}" for row in self.rows]
        return {SCORECARD_TYPE: _plain(self), "text/plain": "\n".join(lines)}


@dataclass(frozen=True)
class Control:
    """Something that a reader moves: its name, the text of each step, and the step that it starts on."""

    name: str
    steps: tuple[str, ...]
    start: int = 0

    def __post_init__(self) -> None:
        if len(self.steps) < 2 or not 0 <= self.start < len(self.steps):
            raise ValueError(f"control {self.name!r} needs two steps or more and a start among them")


@dataclass(frozen=True)
class Explorer:
    """Precomputed outcomes that a reader of the HTML page walks through; a table without script and on paper.

    Attributes
    ----------
    table : Table
        What stands in the report anyway, with the label, caption and notes of the exhibit.
    introduction : str
        What the reader can move, in a sentence.
    controls : tuple[Control, Control]
    outcomes : tuple[str, ...]
        Name and unit of each outcome.
    cells : tuple[tuple[str, str, str], ...]
        Value, interval, and difference, as text; outcomes within the second control within the first.
    bars : tuple[tuple[float, float, float] | None, ...]
        Lower limit, value and upper limit of each cell on a scale of 0 to 100 of its outcome.
    headings : tuple[str, str, str]
        Over the columns of `cells`.
    """

    table: Table
    introduction: str
    controls: tuple[Control, Control]
    outcomes: tuple[str, ...]
    cells: tuple[tuple[str, str, str], ...]
    bars: tuple[tuple[float, float, float] | None, ...]
    headings: tuple[str, str, str]

    def __post_init__(self) -> None:
        expected = len(self.outcomes) * len(self.controls[0].steps) * len(self.controls[1].steps)
        if len(self.cells) != expected or len(self.bars) != expected:
            raise ValueError(f"explorer {self.table.label!r} needs {expected} cells and bars, one an outcome and step")

    def _repr_mimebundle_(self, include: Any = None, exclude: Any = None) -> dict[str, Any]:
        return {EXPLORER_TYPE: _plain(self), "text/plain": f"Table {self.table.label}: {self.table.caption}"}
