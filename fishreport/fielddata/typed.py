"""From text to typed values, with every cell that cannot be read or cannot be true as a fault."""

from __future__ import annotations

import datetime
import difflib
import math
import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from fishreport.fielddata.faults import Faults
from fishreport.fielddata.grid import RawTable
from fishreport.fielddata.schema import Column, TableSchema, frame_schema

NOT_RECORDED = frozenset({"na", "n/a", "#n/a", "nan", "null", "none", "nil", "-", "--", "–", "."})
_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?")
_COMMA_NUMBER = re.compile(r"[+-]?[0-9]+,[0-9]+")
_DATE = re.compile(r"([0-9]{4})([-/.])([0-9]{1,2})\2([0-9]{1,2})(?:[T ][0-9:.]+Z?)?")
_OTHER_DATE = re.compile(r"[0-9]{1,2}[-/. ][0-9A-Za-z]{1,9}[-/. ][0-9]{2,4}")
_TIME = re.compile(
    r"(?:[0-9]{4}-[0-9]{2}-[0-9]{2}[T ])?([0-9]{1,2}):([0-9]{2})(?::[0-5][0-9](?:\.[0-9]+)?)?\s*(?:([AaPp])\.?[Mm]\.?)?"
)
_YES = frozenset({"yes", "y", "true", "1", "x"})
_NO = frozenset({"no", "n", "false", "0"})
_CORRECT = "correct it from the field sheet, or set the row aside with a reason"
_CORRECT_OR_EMPTY = "correct it from the field sheet, or leave the cell empty where it was not recorded"


@dataclass(frozen=True, slots=True)
class _Problem:
    code: str
    message: str
    advice: str


def parse_number(text: str, *, decimal_comma: bool) -> float | _Problem:
    """A plain number; with `decimal_comma`, ``12,5`` is 12.5."""
    plain = text.replace("\u2212", "-")
    if _COMMA_NUMBER.fullmatch(plain):
        if not decimal_comma:
            return _Problem(
                "decimal_comma",
                f"{text} has a comma, which is read as a decimal sign only in files separated by semicolons",
                f"write {plain.replace(',', '.')} if that is meant",
            )
        plain = plain.replace(",", ".")
    if _NUMBER.fullmatch(plain) and math.isfinite(value := float(plain)):
        return value
    unit = re.fullmatch(r"([+-]?[0-9.]+)\s*([A-Za-zµ°%/³]+)", plain)
    advice = (
        f"write {unit[1]} without the unit, which the heading names" if unit else "write a plain number such as 12.5, or nothing"
    )
    return _Problem("unreadable_number", f"{text!r} is not a number", advice)


def parse_date(text: str, *, last_year: int) -> np.datetime64 | _Problem:
    """A day of the calendar, year first, not after the end of `last_year`."""
    found = _DATE.fullmatch(text)
    if not found:
        if re.fullmatch(r"[2-7][0-9]{4}(\.[0-9]+)?", text):
            advice = "this is a spreadsheet's day number; format the cells as dates and save again"
        elif _OTHER_DATE.fullmatch(text):
            advice = "write the year first, as 2025-10-24; day and month cannot be told apart otherwise"
        else:
            advice = "write dates as YYYY-MM-DD, such as 2025-10-24"
        return _Problem("unreadable_date", f"{text!r} is not a date", advice)
    year, month, day = int(found[1]), int(found[3]), int(found[4])
    try:
        date = datetime.date(year, month, day)
    except ValueError:
        return _Problem("impossible_date", f"{text!r} is not in the calendar", _CORRECT)
    if not 1900 <= year <= last_year:
        return _Problem("impossible_date", f"the date must lie between 1900 and {last_year}, not {text}", _CORRECT)
    return np.datetime64(date, "us")


def parse_time(text: str) -> str | _Problem:
    """A time of day as ``HH:MM``."""
    found = _TIME.fullmatch(text)
    if found:
        hour, minute, half = int(found[1]), int(found[2]), (found[3] or "").lower()
        if half and 1 <= hour <= 12:
            hour = hour % 12 + (12 if half == "p" else 0)
        if hour < 24 and minute < 60:
            return f"{hour:02d}:{minute:02d}"
    return _Problem("unreadable_time", f"{text!r} is not a time of day", "write times as HH:MM, such as 21:30")


def parse_yes_no(text: str) -> bool | _Problem:
    """Yes or no."""
    word = text.casefold()
    if word in _YES or word in _NO:
        return word in _YES
    return _Problem("unknown_yes_no", f"{text!r} is neither yes nor no", "write yes or no, or nothing for no")


def parse_numbers(text: str, *, decimal_comma: bool) -> tuple[float, ...] | _Problem:
    """Positive numbers separated by blanks, semicolons or bars (or commas, where a comma is no decimal sign)."""
    values = []
    for part in re.split(r"[\s;|]+" if decimal_comma else r"[\s;|,]+", text.strip(" ;|,")):
        value = parse_number(part, decimal_comma=decimal_comma)
        if isinstance(value, _Problem):
            return _Problem(
                value.code, f"{part!r} in {text!r} is not a number", "write numbers separated by spaces: 0.42 0.45 0.40"
            )
        if value <= 0:
            return _Problem("out_of_bounds", f"every ring must be above 0, not {part}", _CORRECT_OR_EMPTY)
        values.append(value)
    return tuple(values)


def _reader(column: Column, raw: RawTable, last_year: int) -> tuple[Callable[[str], Any], Any, Any]:
    """How to read a text of that column, the value of an empty cell, and the dtype."""
    comma = raw.decimal_comma

    def whole(text: str) -> float | _Problem:
        value = parse_number(text.removesuffix("+") if column.name == "age_years" else text, decimal_comma=comma)
        if isinstance(value, float) and not value.is_integer():
            return _Problem("unreadable_number", f"{column.name} must be a whole number, not {text}", _CORRECT)
        return value

    def word(text: str) -> str:
        return text.casefold() if column.choices else text

    match column.kind:
        case "number" if column.name != "age_years":
            return (lambda text: parse_number(text, decimal_comma=comma)), np.nan, np.float64
        case "whole" | "number":
            return whole, np.nan, np.float64
        case "date":
            return (lambda text: parse_date(text, last_year=last_year)), np.datetime64("NaT", "us"), "datetime64[us]"
        case "time":
            return parse_time, "", object
        case "yes_no":
            return parse_yes_no, False, np.bool_
        case "numbers":
            return (lambda text: parse_numbers(text, decimal_comma=comma)), (), object
        case _:
            return word, "", object


def _filled(values: list[Any], dtype: Any) -> np.ndarray:
    if dtype is object:
        made = np.empty(len(values), dtype=object)
        made[:] = values
        return made
    return np.array(values, dtype=dtype)


def _read_column(column: Column, raw: RawTable, last_year: int, faults: Faults) -> np.ndarray:
    read, empty, dtype = _reader(column, raw, last_year)
    lines = raw.cells.index.to_numpy()
    if column.name not in raw.cells:
        made = _filled([empty], dtype)
        return np.repeat(made, len(lines))
    codes, texts = pd.factorize(raw.cells[column.name].to_numpy())
    values: list[Any] = []
    words: set[int] = set()
    for number, text in enumerate(texts):
        if text == "":
            value = empty
        elif text.casefold() in NOT_RECORDED and column.name != "comments":
            value = empty
            words.add(number)
        else:
            value = read(text)
        if isinstance(value, _Problem):
            for line in lines[codes == number]:
                raw.tell(faults, value.code, line, column.name, value.message, value.advice)
            value = empty
        elif column.required and (text == "" or number in words):
            message = f"{column.name} is empty and must be filled in"
            problem = _Problem("empty_cell", message, "write it in every row (merged cells do not count)")
            for line in lines[codes == number]:
                raw.tell(faults, problem.code, line, column.name, problem.message, problem.advice)
        values.append(value)
    if words and not column.required:
        count = int(np.isin(codes, list(words)).sum())
        said = ", ".join(repr(str(texts[number])) for number in sorted(words))
        faults.add(
            "not_recorded_word",
            raw.name,
            f"{count} cell{'s say' if count > 1 else ' says'} {said} and {'are' if count > 1 else 'is'} read as not recorded",
            file=raw.file,
            column=raw.heading(column.name),
        )
    return _filled(values, dtype)[codes] if len(texts) else _filled([], dtype)


def _check_bounds(typed: pd.DataFrame, raw: RawTable, faults: Faults) -> None:
    import pandera.errors

    try:
        frame_schema(raw.name).validate(typed, lazy=True)
        return
    except pandera.errors.SchemaErrors as error:
        cases = error.failure_cases
    seen: set[tuple[str, int]] = set()
    for name, line in sorted(zip(cases["column"], cases["index"], strict=True), key=lambda case: (case[1], case[0])):
        if (name, line) in seen:
            continue
        seen.add((name, line))
        column = raw.schema[name]
        text = str(raw.cells.at[line, name])
        if column.choices:
            near = difflib.get_close_matches(text.casefold(), column.choices, n=1)
            hint = f"perhaps {near[0]}" if near else f"write {column.allowed}, or nothing"
            problem = _Problem("unknown_fate", f"{name} must be {column.allowed}, not {text!r}", hint)
        else:
            advice = _CORRECT if column.required else _CORRECT_OR_EMPTY
            problem = _Problem("out_of_bounds", f"{name} must be {column.allowed}, not {text}", advice)
        raw.tell(faults, problem.code, line, column.name, problem.message, problem.advice)


def read_values(raw: RawTable, faults: Faults, *, last_year: int = 2201) -> pd.DataFrame:
    """Typed values of a table, indexed by line in the file; a cell at fault reads as empty and is listed in `faults`.

    Text is object (empty where not recorded), numbers float64 (NaN), dates datetime64[us] (NaT), yes/no bool (False),
    lists of numbers tuples; columns that the schema does not define follow as text.
    """
    columns = {column.name: _read_column(column, raw, last_year, faults) for column in raw.schema}
    index = raw.cells.index
    columns |= {str(name): raw.cells[name].to_numpy() for name in raw.cells if name not in raw.schema}
    typed = pd.DataFrame({name: pd.Series(values, index, values.dtype) for name, values in columns.items()}, index)
    if len(typed):
        _check_bounds(typed, raw, faults)
    return typed


def no_values(schema: TableSchema) -> pd.DataFrame:
    """A typed table without rows, for a study that has no such table."""
    nothing = RawTable(schema, "", pd.DataFrame(index=np.array([], dtype=np.int64)), {}, False)
    return read_values(nothing, Faults())
