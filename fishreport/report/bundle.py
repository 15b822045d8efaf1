"""What a chapter shows, looked at before it is set: an exhibit of the wrong shape is told by chapter and field."""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import lru_cache
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError, model_validator

from fishreport.exceptions import ReportError
from fishreport.exhibits.exhibit import (
    EXPLORER_TYPE,
    FIGURE_TYPE,
    FINDINGS_TYPE,
    RESULTS_TYPE,
    SCORECARD_TYPE,
    TABLE_TYPE,
)

_INSTANCE = re.compile(r" or instance of \w+")
AUTHOR_TYPE = "application/vnd.fishreport.author+json"
Text = Annotated[str, Field(max_length=2_000_000)]
Label = Annotated[str, Field(min_length=1, max_length=200)]
Words = Annotated[str, Field(min_length=1, pattern=r"\S", max_length=100_000)]


class _Shape(BaseModel):
    model_config = ConfigDict(strict=True, extra="allow")


class _Column(_Shape):
    heading: Text
    units: Text
    align: Literal["left", "right", "center"]


class _Table(_Shape):
    label: Label
    caption: Words
    columns: Annotated[list[_Column], Field(min_length=1)]
    rows: list[list[Text]]
    notes: list[Text] = []
    data: list[dict[str, Any]] = []  # cells of the CSV, which writes any value as text
    shades: list[list[Annotated[float, Field(ge=0, le=1)] | None]] = []

    @model_validator(mode="after")
    def _rectangular(self) -> _Table:
        if any(len(row) != len(self.columns) for row in self.rows):
            raise ValueError(f"every row needs {len(self.columns)} cells, one a column")
        if self.shades and [len(row) for row in self.shades] != [len(row) for row in self.rows]:
            raise ValueError("shades need one entry a cell")
        return self


class _Figure(_Shape):
    label: Label
    caption: Words
    alt: Words
    svg: Annotated[str, Field(max_length=60_000_000)]
    table: _Table | None = None


class _Finding(_Shape):
    text: Text
    results: list[str]
    direction: Literal["up", "down", "steady", "unclear", "none"]
    key: bool


class _Findings(_Shape):
    items: list[_Finding]


class _Row(_Shape):
    objective: Text
    target: Text
    value: Text
    interval: Text
    probability: Text
    verdict: Text
    source: Text = ""
    subject: Text = ""


class _Scorecard(_Shape):
    caption: Words
    rows: list[_Row]
    notes: list[Text] = []
    label: Label = "scorecard"


class _Control(_Shape):
    name: Text
    steps: Annotated[list[Text], Field(min_length=2)]
    start: Annotated[int, Field(ge=0)]

    @model_validator(mode="after")
    def _among(self) -> _Control:
        if self.start >= len(self.steps):
            raise ValueError("the start must be one of the steps")
        return self


class _Explorer(_Shape):
    table: _Table
    introduction: Text
    controls: Annotated[list[_Control], Field(min_length=2, max_length=2)]
    outcomes: list[Text]
    cells: list[Annotated[list[Text], Field(min_length=3, max_length=3)]]
    bars: list[Annotated[list[float], Field(min_length=3, max_length=3)] | None]
    headings: Annotated[list[Text], Field(min_length=2, max_length=3)]


class _Result(_Shape):
    id: Words  # long names of sites and scenarios are in it
    quantity: Label
    species: str | None
    size_class: str | None
    site: str | None
    season: int | None
    method: str
    value: float | None
    se: float | None
    lower: float | None
    upper: float | None
    level: float
    units: str
    n: int
    estimable: bool
    notes: list[str]
    scenario: str | None = None
    detail: str | None = None

    @model_validator(mode="after")
    def _said_once(self) -> _Result:
        if self.estimable != (self.value is not None):
            raise ValueError("a result is estimable just when it has a value")
        return self


class _Results(_Shape):
    results: list[_Result]


class _Author(_Shape):
    name: Label
    text: Text


_SHAPES: dict[str, Any] = {
    FIGURE_TYPE: _Figure,
    TABLE_TYPE: _Table,
    FINDINGS_TYPE: _Findings,
    SCORECARD_TYPE: _Scorecard,
    EXPLORER_TYPE: _Explorer,
    RESULTS_TYPE: _Results,
    AUTHOR_TYPE: _Author,
    "text/markdown": str,
    "text/plain": str,
}
_NAMES = {
    FIGURE_TYPE: "a figure",
    TABLE_TYPE: "a table",
    FINDINGS_TYPE: "a list of findings",
    SCORECARD_TYPE: "a scorecard",
    EXPLORER_TYPE: "an explorer",
    RESULTS_TYPE: "a list of results",
    AUTHOR_TYPE: "a narrative",
    "text/markdown": "Markdown",
    "text/plain": "plain text",
}


@lru_cache(maxsize=len(_SHAPES))
def _adapter(kind: str) -> TypeAdapter[Any]:
    return TypeAdapter(_SHAPES[kind], config=None if isinstance(_SHAPES[kind], type(_Shape)) else ConfigDict(strict=True))


def check_bundle(data: Mapping[str, Any], chapter: str) -> None:
    """Refuse an output of a known kind whose content is not what the report can set.

    Raises
    ------
    ReportError
        It names the chapter, the exhibit and the field.
    """
    for kind in data:
        if kind not in _SHAPES:
            continue
        try:
            _adapter(kind).validate_python(data[kind])
        except ValidationError as error:
            first = error.errors(include_url=False, include_context=False)[0]
            place = ".".join(str(part) for part in first["loc"])
            label = data[kind].get("label") if isinstance(data[kind], Mapping) else None
            named = f" {label[:80]!r}" if isinstance(label, str) else ""
            said = _INSTANCE.sub("", first["msg"].removeprefix("Value error, "))
            said = said[:1].lower() + said[1:]
            where = f", {place}" if place else ""
            raise ReportError(
                f"chapter {chapter}: {_NAMES[kind]}{named} cannot be set{where}: {said}; show exhibits of fishreport.exhibits"
            ) from None
