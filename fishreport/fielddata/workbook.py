"""Reading tables from the sheets of an .xlsx workbook, as text."""

from __future__ import annotations

import datetime
import re
import warnings
import zipfile
import zlib
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fishreport.fielddata.faults import Faults
from fishreport.fielddata.grid import Grid
from fishreport.fielddata.schema import TableSchema, plain_name
from fishreport.fielddata.text_file import MAX_FIELDS

if TYPE_CHECKING:
    from openpyxl.workbook import Workbook as OpenWorkbook

MAX_PACKED = 100_000_000
MAX_UNPACKED = 600_000_000
MAX_PARTS = 2_000
MAX_SHEET_ROWS = 1_048_576
_CHECK = "check that it is the right file"
_SAVE_AGAIN = "open it in a spreadsheet program and save it again"
_MAX_CELLS = 30_000_000
_SCAN_FOR_FORMULAS = 60_000_000
_NO_VALUE = re.compile(rb"</f>\s*(?:<v>\s*</v>|<v\s*/>)?\s*</c>")


def cell_text(value: Any) -> str:
    """A cell as the text that a person sees: ISO dates and times, whole numbers without a point, yes and no."""
    if value is None:
        return ""
    if isinstance(value, str):
        return value
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)
    if isinstance(value, datetime.datetime):
        return value.date().isoformat() if value.time() == datetime.time() else value.isoformat(sep=" ", timespec="seconds")
    if isinstance(value, datetime.date):
        return value.isoformat()
    if isinstance(value, datetime.time):
        return value.isoformat(timespec="seconds" if value.second else "minutes")
    if isinstance(value, datetime.timedelta):
        seconds = int(value.total_seconds())
        return f"{seconds // 3600:02d}:{seconds // 60 % 60:02d}:{seconds % 60:02d}"
    return str(value)


class Workbook:
    """The sheets of a workbook by plain name; close it after use (it is a context manager)."""

    def __init__(self, path: Path, file: str, book: OpenWorkbook | None) -> None:
        self.path, self.file, self._book = path, file, book
        self._sheets = {plain_name(title): title for title in book.sheetnames} if book is not None else {}

    def __enter__(self) -> Workbook:
        return self

    def __exit__(self, *error: object) -> None:
        if self._book is not None:
            self._book.close()

    @property
    def titles(self) -> list[str]:
        """Titles of the sheets as written."""
        return list(self._sheets.values())

    def find(self, name: str) -> str | None:
        """Title of the sheet of that name, whatever its case; ``fish.csv`` finds the sheet fish too."""
        return self._sheets.get(plain_name(name)) or self._sheets.get(plain_name(Path(name).stem))

    def grid(self, title: str, schema: TableSchema, faults: Faults) -> Grid | None:
        """The rows of a sheet, or None when it cannot be read (then an error says why)."""
        assert self._book is not None
        file = f"{self.file} (sheet {title})"
        sheet: Any = self._book[title]
        rows: list[list[str]] = []
        lines: list[int] = []
        cells = 0

        def fail(code: str, message: str, advice: str) -> None:
            faults.add(code, schema.name, message, advice, file=file)

        if not hasattr(sheet, "iter_rows"):
            fail("unreadable_file", "this sheet holds a chart and no table", "name a sheet with a table")
            return None
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")  # it warns of dates out of range, which the checks will find
                if hasattr(sheet, "reset_dimensions"):
                    sheet.reset_dimensions()
                for line, values in enumerate(sheet.iter_rows(values_only=True), start=1):
                    row = [cell_text(value) for value in values]
                    while row and not row[-1].strip():
                        row.pop()
                    cells += len(row)
                    if len(row) > MAX_FIELDS or cells > _MAX_CELLS or line > MAX_SHEET_ROWS:
                        fail("file_too_large", "the sheet has more cells than any survey", "check that it is the right sheet")
                        return None
                    if row:
                        rows.append(row)
                        lines.append(line)
        except Exception:
            # openpyxl raises whatever a damaged part makes it stumble on; the reader needs to know one thing only.
            fail(
                "unreadable_file",
                "the sheet is damaged: a part of it is missing or cannot be read",
                "open it in a spreadsheet program and save it again",
            )
            return None
        if not rows:
            fail("empty_file", "the sheet is empty", f"write the header of the {schema.name} table and its rows into it")
            return None
        return Grid(file, rows, lines, sheet=True)


def _note_formulas(packed: zipfile.ZipFile, file: str, faults: Faults) -> None:
    sheets = [part for part in packed.infolist() if part.filename.startswith("xl/worksheets/") and part.filename.endswith(".xml")]
    if sum(part.file_size for part in sheets) > _SCAN_FOR_FORMULAS:
        return
    count = sum(len(_NO_VALUE.findall(packed.read(part))) for part in sheets)
    if count:
        message = f"{count} formula{'s' if count > 1 else ''} of the workbook carry no stored value and read as empty"
        faults.add("formula_without_value", "", message, _SAVE_AGAIN, file=file)


def open_workbook(path: Path, file: str, faults: Faults) -> Workbook:
    """The workbook at `path`; without any sheet when it cannot be opened (then an error says why)."""

    def fail(code: str, message: str, advice: str) -> Workbook:
        faults.add(code, "", message, advice, file=file)
        return Workbook(path, file, None)

    if not path.is_file():
        return fail("missing_file", "the workbook is not there", "put it there, or change [data] workbook in the study file")
    again = "save it as .xlsx in a spreadsheet program"
    try:
        if path.stat().st_size > MAX_PACKED:
            return fail(
                "file_too_large", f"the workbook has more than {MAX_PACKED / 1e6:.0f} MB", "check that it is the right file"
            )
        with zipfile.ZipFile(path) as packed:
            parts = packed.infolist()
            if len(parts) > MAX_PARTS or sum(part.file_size for part in parts) > MAX_UNPACKED:
                return fail(
                    "file_too_large", "the workbook unpacks to more than any survey needs", "check that it is the right file"
                )
            if any(part.flag_bits & 1 for part in parts):
                return fail("unreadable_file", "the workbook is locked by a password", "save it without a password")
            _note_formulas(packed, file, faults)
    except (zipfile.BadZipFile, OSError, EOFError, RuntimeError, NotImplementedError, ValueError, zlib.error):
        return fail("unreadable_file", "this is no .xlsx workbook, or a damaged one", again)
    try:
        import openpyxl

        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # it warns of styles and extensions that hold no data
            return Workbook(path, file, openpyxl.load_workbook(path, read_only=True, data_only=True))
    except Exception:
        # openpyxl raises whatever a damaged part makes it stumble on; the reader needs to know one thing only.
        return fail("unreadable_file", "the workbook is damaged: a part of it is missing or cannot be read", again)
