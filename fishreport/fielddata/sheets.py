"""A workbook to type field data into: a sheet a table, with explanations, formats and lists to choose from."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING

from fishreport.exceptions import UsageError
from fishreport.fielddata.harmless import FORMULA_SIGNS
from fishreport.fielddata.schema import KINDS, TABLES, Column, TableSchema
from fishreport.study import Study

if TYPE_CHECKING:
    from openpyxl.cell import Cell, MergedCell
    from openpyxl.workbook import Workbook
    from openpyxl.worksheet.datavalidation import DataValidation
    from openpyxl.worksheet.worksheet import Worksheet

ROWS = 5_000
LONGEST_CELL = 32_767
_NOT_ALLOWED = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff\ufffe\uffff]")
MARKS = (
    "adipose clip",
    "left pelvic clip",
    "right pelvic clip",
    "left pectoral clip",
    "right pectoral clip",
    "upper caudal clip",
    "lower caudal clip",
    "dorsal tag",
    "internal tag",
)
_FORMATS = {"date": "yyyy-mm-dd", "time": "hh:mm", "text": "@", "numbers": "@", "yes_no": "@"}


def explain(column: Column) -> str:
    """What is written in a column, in one line: meaning, type, bounds, and whether it may be empty."""
    kind = "text" if column.choices else KINDS[column.kind]
    parts = [column.meaning, f"{kind}{', in ' + column.units if column.units else ''}"]
    if column.allowed and column.kind != "text":
        parts.append(column.allowed)
    parts.append("must be filled in" if column.required else "may be empty")
    if column.example:
        parts.append(f"such as {column.example}")
    return "; ".join(parts)


def _write_text(cell: Cell | MergedCell, text: str) -> None:
    """Put text into a cell as text: a formula it is never, and signs that no workbook may hold are left out."""
    cell.value = _NOT_ALLOWED.sub("", text)[:LONGEST_CELL]
    cell.data_type = "s"
    if text.startswith(FORMULA_SIGNS):
        cell.quotePrefix = True  # type: ignore[attr-defined,unused-ignore]


def _list_columns(book: Workbook, study: Study) -> dict[str, str]:
    """Write the lists to choose from on a sheet of their own; name → range."""
    sheet = book.create_sheet("Lists")
    lists = {
        "species": list(study.species),
        "fate": list(TABLES["fish"]["fate"].choices),
        "yes or no": ["yes", "no"],
        "mark": list(MARKS),
        "reach": [stratum.reach for stratum in study.water.strata],
    }
    ranges: dict[str, str] = {}
    for number, (name, words) in enumerate(lists.items(), start=1):
        cell = sheet.cell(1, number, name)
        for row, word in enumerate(words, start=2):
            _write_text(sheet.cell(row, number), word)
        if words:
            ranges[name] = f"Lists!${cell.column_letter}$2:${cell.column_letter}${len(words) + 1}"
    return ranges


def _validation(schema: TableSchema, column: Column, ranges: dict[str, str]) -> DataValidation | None:
    """The check that the spreadsheet program makes while a cell is typed; lists only advise, bounds refuse."""
    from openpyxl.worksheet.datavalidation import DataValidation

    chosen = "yes or no" if column.kind == "yes_no" else column.name
    if column.name == "run_id" and schema.name == "fish":
        return DataValidation(type="list", formula1=f"runs!$A$2:$A${ROWS}", allow_blank=True, showErrorMessage=False)
    if chosen in ranges:
        strict = chosen in ("species", "fate", "yes or no")
        validation = DataValidation(type="list", formula1=ranges[chosen], allow_blank=True, showErrorMessage=strict)
        validation.errorStyle = "stop" if chosen in ("fate", "yes or no") else "warning"
        return validation
    if column.kind not in ("number", "whole"):
        return None
    low = column.at_least if column.above is None else column.above
    if low is None or column.at_most is None:
        return None
    whole = column.kind == "whole"
    validation = DataValidation(type="whole" if whole else "decimal", operator="between", allow_blank=True)
    validation.formula1, validation.formula2 = f"{low:.10g}", f"{column.at_most:.10g}"
    validation.showErrorMessage, validation.errorStyle = True, "warning"
    return validation


def _fill(sheet: Worksheet, schema: TableSchema, ranges: dict[str, str]) -> None:
    from openpyxl.comments import Comment
    from openpyxl.styles import Alignment, Font, PatternFill

    for number, column in enumerate(schema, start=1):
        cell = sheet.cell(1, number, column.name)
        cell.font = Font(bold=column.required)
        cell.fill = PatternFill("solid", fgColor="E8EEF2")
        cell.alignment = Alignment(vertical="top")
        cell.comment = Comment(explain(column), "fishreport", width=320, height=110)
        dimension = sheet.column_dimensions[cell.column_letter]
        dimension.width = max(11, len(column.name) + 3)
        dimension.number_format = _FORMATS.get(column.kind, "General")
        validation = _validation(schema, column, ranges)
        if validation is not None:
            validation.error = f"{column.name}: {column.allowed or column.meaning}"[:250]
            validation.errorTitle = "Please look again"
            sheet.add_data_validation(validation)
            validation.add(f"{cell.column_letter}2:{cell.column_letter}{ROWS}")
    sheet.freeze_panes = "B2" if schema.name in ("runs", "fish") else "A2"


def _notes(book: Workbook, study: Study) -> None:
    from openpyxl.styles import Alignment, Font

    sheet = book.create_sheet("Notes")
    about = f"Field data of {study.water.name}: one sheet a table, one row a thing, nothing where nothing was recorded."
    _write_text(sheet.cell(1, 1), about)
    sheet.append(["Bold columns must be filled in. Leave the names of the columns and of the sheets as they are."])
    sheet.append([])
    sheet.append(["table", "column", "what is written there"])
    for cell in sheet[sheet.max_row]:
        cell.font = Font(bold=True)
    for schema in TABLES.values():
        for column in schema:
            sheet.append([schema.name, column.name, explain(column)])
            sheet.cell(sheet.max_row, 3).alignment = Alignment(wrap_text=True, vertical="top")
    for letter, width in (("A", 12), ("B", 22), ("C", 100)):
        sheet.column_dimensions[letter].width = width


def write_workbook(study: Study, path: Path | str) -> Path:
    """Write an empty workbook for a study's field data, to be named by ``[data] workbook`` once rows are in it.

    Parameters
    ----------
    study : Study
        Its species codes and strata go into the lists.
    path : Path
        The .xlsx to write; nothing is overwritten.

    Raises
    ------
    UsageError
        If `path` does not end in .xlsx, is there already, or cannot be written.
    """
    import openpyxl

    path = Path(path)
    if path.suffix.lower() != ".xlsx":
        raise UsageError(f"a workbook ends in .xlsx; got {path.name!r}")
    if path.exists():
        raise UsageError(f"{path} is there already, perhaps with data; nothing was written")
    book = openpyxl.Workbook()
    first = book.active
    if first is not None:
        book.remove(first)
    sheets = {name: book.create_sheet(name) for name in TABLES}
    _notes(book, study)
    ranges = _list_columns(book, study)
    for name, sheet in sheets.items():
        _fill(sheet, TABLES[name], ranges)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        book.save(path)
    except OSError as error:
        raise UsageError(f"{path} cannot be written ({error.strerror})") from None
    return path
