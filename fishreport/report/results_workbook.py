"""The results of a build as a workbook: one row a result, made to be filtered."""

from __future__ import annotations

import datetime
import io
import re
import zipfile
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from fishreport.fielddata.harmless import FORMULA_SIGNS

if TYPE_CHECKING:
    from openpyxl.worksheet.worksheet import Worksheet

COLUMNS = (
    ("quantity", 26),
    ("species", 18),
    ("size_class", 14),
    ("site", 10),
    ("season", 9),
    ("scenario", 30),
    ("detail", 24),
    ("value", 12),
    ("se", 12),
    ("lower", 12),
    ("upper", 12),
    ("level", 8),
    ("units", 14),
    ("n", 8),
    ("estimable", 11),
    ("method", 60),
    ("notes", 60),
    ("id", 50),
)
_MEANINGS = {
    "quantity": "what is estimated",
    "species": "the species; empty for all of them together",
    "site": "the site; empty for the whole water",
    "season": "the season; empty for all of them together",
    "scenario": "the regulation that is looked at; empty where there is none",
    "detail": "what else tells the result from its neighbours",
    "units": "units of the value, its standard error and its limits",
    "estimable": "whether there is a value",
    "method": "the exact estimator and interval",
    "notes": "what a reader must know of the value",
    "value": "the estimate, in full precision; empty where it cannot be estimated (the notes say why)",
    "se": "standard error, in the units of the value; empty where the method has none",
    "lower": "lower limit of the interval; empty where there is none or it has no bound",
    "upper": "upper limit of the interval; empty where there is none or it has no bound",
    "level": "confidence level of the interval",
    "n": "number of sampling units that the estimate rests on",
    "size_class": "all, a length category (that length and longer), or a range of lengths",
    "id": "stable name of the result, as in results.json",
}
_NOT_ALLOWED = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff\ufffe\uffff]")
_LONGEST = 32_767


def _cell(value: Any) -> Any:
    """What goes into a cell: numbers as numbers, lists as lines of text."""
    if isinstance(value, list | tuple):
        value = "\n".join(map(str, value))
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, str):
        return _NOT_ALLOWED.sub("", value)[:_LONGEST]
    return value


def _write_row(sheet: Worksheet, row: int, values: Sequence[Any]) -> None:
    """A row whose text is always text: what begins like a formula is stored as a text cell and marked so."""
    for column, value in enumerate(values, start=1):
        cell = sheet.cell(row, column)
        plain = _cell(value)
        if plain is None or plain == "":
            continue
        cell.value = plain
        if isinstance(plain, str):
            cell.data_type = "s"
            if plain.startswith(FORMULA_SIGNS):
                cell.quotePrefix = True  # type: ignore[attr-defined,unused-ignore]


def results_workbook(results: Sequence[Mapping[str, Any]], about: Mapping[str, str], *, year: int) -> bytes:
    """The records of ``results.json`` as an .xlsx.

    Parameters
    ----------
    results : sequence of mapping
        As they stand in the file.
    about : mapping
        What the first sheet says of them: name → text.
    year : int
        The season; the workbook's date is its last day, so that the same results give the same bytes.

    Returns
    -------
    bytes
        Sheets *About* (with what each column means) and *Results* (one row a result, with filters). No cell holds a formula.
    """
    import openpyxl
    from openpyxl.styles import Alignment, Font, PatternFill

    book = openpyxl.Workbook()
    first: Any = book.active
    first.title = "About"
    row = 0
    for name, text in about.items():
        row += 1
        _write_row(first, row, [name, text])
        first.cell(row, 1).font = Font(bold=True)
    row += 2
    _write_row(first, row, ["Column", "What it holds"])
    for number in (1, 2):
        first.cell(row, number).font = Font(bold=True)
    for name, _ in COLUMNS:
        row += 1
        _write_row(first, row, [name, _MEANINGS[name]])
    first.column_dimensions["A"].width, first.column_dimensions["B"].width = 32, 100
    for line in first.iter_rows(min_col=2, max_col=2):
        line[0].alignment = Alignment(wrap_text=True, vertical="top")

    sheet = book.create_sheet("Results")
    _write_row(sheet, 1, [name for name, _ in COLUMNS])
    for number, (_, width) in enumerate(COLUMNS, start=1):
        cell = sheet.cell(1, number)
        cell.font, cell.fill = Font(bold=True), PatternFill("solid", fgColor="E8EEF2")
        sheet.column_dimensions[cell.column_letter].width = width
    for number, record in enumerate(results, start=2):
        _write_row(sheet, number, [record.get(name) for name, _ in COLUMNS])
    sheet.freeze_panes = "B2"
    sheet.auto_filter.ref = sheet.dimensions
    stream = io.BytesIO()
    moment = datetime.datetime(year, 12, 31)
    book.properties.creator, book.properties.created, book.properties.modified = "fishreport", moment, moment
    book.save(stream)
    return _steady(stream.getvalue(), moment)


def _steady(packed: bytes, moment: datetime.datetime) -> bytes:
    """The same workbook with one date on all its parts."""
    stream = io.BytesIO()
    date = (min(max(moment.year, 1980), 2107), moment.month, moment.day, 0, 0, 0)
    stamp = f"{moment:%Y-%m-%dT%H:%M:%SZ}".encode()
    with zipfile.ZipFile(io.BytesIO(packed)) as given, zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as made:
        for part in given.infolist():
            content = given.read(part)
            if part.filename == "docProps/core.xml":  # saving writes the time of day into it
                content = re.sub(rb"(<dcterms:modified[^>]*>)[^<]*", rb"\g<1>" + stamp, content)
            entry = zipfile.ZipInfo(part.filename, date)
            entry.compress_type = zipfile.ZIP_DEFLATED
            made.writestr(entry, content)
    return stream.getvalue()
