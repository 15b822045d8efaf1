"""Reading a table from a text file with separated fields: UTF-8, commas, semicolons or tabs."""

from __future__ import annotations

import csv
import io
import unicodedata
from itertools import islice
from pathlib import Path

from fishreport.fielddata.faults import Faults
from fishreport.fielddata.grid import HEADER_WITHIN, Grid, find_header
from fishreport.fielddata.schema import TableSchema

MAX_BYTES = 300_000_000
MAX_ROWS = 5_000_000
MAX_FIELDS = 1_000
_DELIMITERS = {",": "commas", ";": "semicolons", "\t": "tabs"}
_OTHER_DELIMITERS = {"|": "vertical bars", ":": "colons", " ": "spaces"}
_SAVE_AS = "save it as 'CSV UTF-8' in your spreadsheet program"
_KINDS = (
    (
        b"PK\x03\x04",
        "a workbook or another packed file",
        "name it by [data] workbook, or save the sheet as CSV",
    ),
    (b"\xd0\xcf\x11\xe0", "a workbook of the old kind (.xls)", "save it as .xlsx or as CSV"),
    (b"%PDF", "a PDF document", "save the table as CSV"),
    (b"{\\rtf", "a word-processor document", "save the table as CSV"),
)


def _decode(data: bytes, table: str, file: str, faults: Faults) -> str | None:
    def fail(code: str, message: str, advice: str, row: int | None = None) -> None:
        faults.add(code, table, message, advice, file=file, row=row)

    if not data.strip():
        fail("empty_file", "the file is empty", f"write the header of the {table} table and its rows into it")
        return None
    for start, kind, advice in _KINDS:
        if data.startswith(start):
            fail("unreadable_file", f"this is {kind}, not a text file with separated fields", advice)
            return None
    head = data[:4096]
    if data[:2] in (b"\xff\xfe", b"\xfe\xff") or head.count(0) > len(head) // 5:
        fail("wrong_encoding", "the file is UTF-16 or UTF-32 text, not UTF-8", _SAVE_AS)
        return None
    if b"\0" in data:
        row = data[: data.index(b"\0")].count(b"\n") + 1
        fail("unreadable_file", "the file holds bytes that are no text", "save the table as CSV again", row)
        return None
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        row = data[: error.start].count(b"\n") + 1
        line = data[max(data.rfind(b"\n", 0, error.start) + 1, error.start - 15) : error.start + 10]
        seen = line.decode("cp1252", errors="replace").strip().splitlines()[0] if line.strip() else ""
        fail("wrong_encoding", f"the file is not UTF-8 text (perhaps Windows or Latin-1 text; near {seen!r})", _SAVE_AS, row)
        return None
    return text if unicodedata.is_normalized("NFC", text) else unicodedata.normalize("NFC", text)


def _choose_delimiter(text: str, schema: TableSchema) -> str:
    """The separator under which the first lines name most columns of the schema; a comma when none does."""

    def score(delimiter: str) -> tuple[int, int]:
        lines = islice(io.StringIO(text, newline=""), HEADER_WITHIN)
        try:
            rows = [row for row in csv.reader(lines, delimiter=delimiter) if row]
        except csv.Error:
            return (0, 0)
        position, found = find_header(rows, schema)
        return len(found), len(rows[position]) if rows else 0

    scores = {delimiter: score(delimiter) for delimiter in (*_DELIMITERS, *_OTHER_DELIMITERS)}
    return max(scores, key=lambda delimiter: scores[delimiter])


def _unclosed(row: list[str], first: int, last: int, lines: list[str], delimiter: str, width: int) -> bool:
    """Whether a row that takes several lines swallowed rows after a quotation mark that was never closed."""
    inner = [line for cell in row if "\n" in cell or "\r" in cell for line in cell.splitlines()[1:]]
    if any(line.count(delimiter) >= max(1, width // 2) for line in inner):
        return True
    try:
        list(csv.reader(lines[first - 1 : last], delimiter=delimiter, strict=True))
    except csv.Error as error:
        return "unexpected end" in str(error)
    return False


def read_text(data: bytes, schema: TableSchema, file: str, faults: Faults) -> Grid | None:
    """The rows of a text file, or None when it cannot be read (then an error says why)."""
    table = schema.name

    def fail(code: str, message: str, advice: str, row: int | None = None) -> None:
        faults.add(code, table, message, advice, file=file, row=row)

    text = _decode(data, table, file, faults)
    if text is None:
        return None
    delimiter = _choose_delimiter(text, schema)
    if delimiter in _OTHER_DELIMITERS:
        seen = _OTHER_DELIMITERS[delimiter]
        fail("wrong_delimiter", f"the fields are separated by {seen}", "separate them by commas, semicolons or tabs")
        return None
    lines = io.StringIO(text, newline="").readlines()
    reader = csv.reader(lines, delimiter=delimiter)
    rows: list[list[str]] = []
    starts: list[int] = []
    start, open_quote = 1, "a quotation mark is opened here and not closed"
    advice = 'close it, or write a quotation mark inside a text twice ("")'
    try:
        for row in reader:
            if row and (len(row) > 1 or row[0].strip()):
                if reader.line_num > start and _unclosed(
                    row, start, reader.line_num, lines, delimiter, len(rows[0]) if rows else 2
                ):
                    fail("unclosed_quote", open_quote, advice, start)
                    return None
                rows.append(row)
                starts.append(start)
            start = reader.line_num + 1
            if len(row) > MAX_FIELDS or len(rows) > MAX_ROWS:
                what = f"{MAX_ROWS:,} rows" if len(rows) > MAX_ROWS else f"{MAX_FIELDS:,} fields in a row"
                fail("file_too_large", f"the file has more than {what}", "check that it is the right file", start - 1)
                return None
    except csv.Error:
        fail("unclosed_quote", open_quote, advice, start)
        return None
    if rows and _unclosed(rows[-1], starts[-1], len(lines), lines, delimiter, len(rows[0])):
        fail("unclosed_quote", open_quote, advice, starts[-1])
        return None
    if not rows:
        fail("empty_file", "the file is empty", f"write the header of the {table} table and its rows into it")
        return None
    return Grid(file, rows, starts, decimal_comma=delimiter == ";")


def read_text_file(path: Path, schema: TableSchema, file: str, faults: Faults) -> Grid | None:
    """`read_text` of a file on disk, within bounds of size."""
    try:
        size = path.stat().st_size
        if size > MAX_BYTES:
            message = f"the file has {size / 1e6:.0f} MB; {MAX_BYTES / 1e6:.0f} MB is the most"
            faults.add("file_too_large", schema.name, message, "check that it is the right file", file=file)
            return None
        data = path.read_bytes()
    except OSError as error:
        reason = error.strerror or type(error).__name__
        faults.add("unreadable_file", schema.name, f"the file cannot be opened ({reason})", "check its permissions", file=file)
        return None
    return read_text(data, schema, file, faults)
