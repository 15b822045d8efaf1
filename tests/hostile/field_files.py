"""Field tables as hostile input: CSV and XLSX. What is read agrees with what was written, or somebody is told."""

from __future__ import annotations

import csv
import io
import random
import zipfile
from decimal import Decimal, InvalidOperation
from typing import Any

import openpyxl
import pandas as pd
from ground import Case, Surface, Wrong
from material import DATES, NUMBERS, any_text, damage_bytes, damage_text

from fishreport.exceptions import FishreportError
from fishreport.fielddata import CODES, Survey, check_survey, load_survey
from fishreport.study import Study, read_study

STUDY = """
[water]
name = "Alder Tailwater"
[season]
year = 2025
[data]
{data}
[species.BNT]
name = "brown trout"
standard = "brown trout (lotic)"
[species.RBT]
name = "rainbow trout"
"""
ROWS: dict[str, list[list[str]]] = {
    "runs": [
        ["run_id", "site", "date", "start_time", "effort_s", "water_temperature_c", "comments"],
        ["R1", "Weir", "2024-10-01", "21:00", "600", "8.5", ""],
        ["R2", "Ford", "2024-10-01", "21:30", "620", "8.4", ""],
        ["R3", "Weir", "2025-10-02", "21:00", "590", "9.1", "fog"],
        ["R4", "Ford", "2025-10-02", "21:40", "610", "", ""],
    ],
    "fish": [
        ["run_id", "species", "length_mm", "weight_g", "count", "mark", "tag", "recaptured", "age_sample", "fate", "comments"],
        *(
            [f"R{1 + i % 4}", "BNT" if i % 3 else "RBT", str(210 + 9 * i), str(round(1e-5 * (210 + 9 * i) ** 3)), "", "", "", "no", "", "", ""]
            for i in range(16)
        ),
        ["R3", "BNT", "", "", "3", "", "", "", "", "released", ""],
        ["R4", "BNT", "402", "650", "1", "", "T7", "yes", "S1", "kept", "old"],
    ],
    "ages": [["age_sample", "age_years", "reader"], ["S1", "4", "AB"]],
    "census": [["event", "species", "size_class", "date", "caught", "marked", "recaptured"], ["1", "BNT", "all", "2025-09-01", "50", "50", "0"], ["2", "BNT", "all", "2025-09-08", "60", "0", "12"]],
    "stocking": [["date", "species", "number", "mean_length_mm"], ["2025-05-01", "RBT", "500", "250"]],
    "flow": [["date", "discharge_m3_s"], ["2025-10-01", "12.5"], ["2025-10-02", "12.1"]],
    "harvest": [["year", "species", "effort_h", "caught", "kept"], ["2024", "BNT", "900", "700", "90"]],
}  # fmt: skip
KINDS = tuple(ROWS)
_PLAIN = set("0123456789+-.eE")


def copy_rows() -> dict[str, list[list[str]]]:
    """A fresh copy of the sound tables."""
    return {name: [list(row) for row in rows] for name, rows in ROWS.items()}


def write_csv(rows: list[list[str]], delimiter: str = ",") -> str:
    """Rows as CSV text."""
    stream = io.StringIO()
    csv.writer(stream, delimiter=delimiter, lineterminator="\n").writerows(rows)
    return stream.getvalue()


def spoil_cells(chance: random.Random, tables: dict[str, list[list[str]]]) -> None:
    """Put hostile texts, numbers and dates into a few cells, double and reorder rows, break keys."""
    for _ in range(chance.randint(1, 5)):
        name = chance.choices(KINDS, (3, 6, 1, 1, 1, 1, 1))[0]
        rows = tables[name]
        row = chance.randrange(1, len(rows))
        column = chance.randrange(min(len(rows[0]), len(rows[row])) or 1)
        if not rows[row]:
            continue
        match chance.randrange(8):
            case 0:
                rows[row][column] = any_text(chance)
            case 1 | 2:
                rows[row][column] = chance.choice(NUMBERS)
            case 3:
                rows[row][column] = chance.choice(DATES)
            case 4:
                rows.insert(row, list(rows[row]))
            case 5:
                rows[0][column] = chance.choice((any_text(chance), rows[0][chance.randrange(len(rows[0]))], ""))
            case 6:
                rows[row] = rows[row][:column]
            case _:
                rows[row] = [chance.choice((cell, any_text(chance), "")) for cell in rows[row]]


def lay_out(case: Case, files: dict[str, bytes], workbook: str | None = None) -> Study:
    """A study with these files."""
    if workbook is not None:
        data = f'workbook = "{workbook}"'
    else:
        data = "\n".join(f'{name} = "{name}.csv"' for name in KINDS)
    (case.study / "study.toml").write_text(STUDY.format(data=data), encoding="utf-8")
    for name, content in files.items():
        (case.study / name).write_bytes(content)
    return read_study(case.study)


def _strict_number(text: str) -> float | None:
    """The number that a plain decimal notation means, or None for anything else."""
    plain = text.strip().replace("\u2212", "-")
    if not plain or not set(plain) <= _PLAIN:
        return None
    try:
        return float(Decimal(plain))
    except (InvalidOperation, OverflowError):
        return None


def _written(text: str) -> tuple[list[dict[str, str]], list[int]] | None:
    """Rows of a comma-separated text as a general reader sees them, with the line on which each begins."""
    reader = csv.reader(io.StringIO(text, newline=""))
    found, lines, start, header = [], [], 1, None
    for row in reader:
        if any(cell.strip() for cell in row):
            if header is None:
                header = [cell.strip() for cell in row]
            else:
                found.append(dict(zip(header, (cell.strip() for cell in row), strict=False)))
                lines.append(start)
        start = reader.line_num + 1
    return (found, lines) if header and len(set(header)) == len(header) else None


def told_of_table(faults: pd.DataFrame, name: str) -> bool:
    """Whether an error says that a whole table could not be read."""
    return bool((faults["table"].eq(name) & faults["severity"].eq("error")).any())


def accounted(survey: Survey, faults: pd.DataFrame, texts: dict[str, str]) -> None:
    """Every row that was written is in the survey, set aside, of another season, or named by a fault; numbers are as written."""
    told = {
        name: set(faults.loc[faults["table"].eq(name) & faults["severity"].eq("error"), "row"].dropna().astype(int))
        for name in KINDS
    }
    written = {name: _written(text) for name, text in texts.items()}
    if written["runs"] is None or written["fish"] is None:
        return
    runs, run_lines = written["runs"]
    kept_runs = set(survey.runs["row"])
    for row, line in zip(runs, run_lines, strict=True):
        later = row.get("date", "")[:4] > "2025"
        if line not in kept_runs | told["runs"] and not later:
            raise Wrong(f"line {line} of runs.csv was lost without a word: {row}")
    if survey.fish.empty and told_of_table(faults, "fish"):
        return
    fish, fish_lines = written["fish"]
    kept_fish = survey.fish["row"].value_counts().to_dict()
    lost_runs = {row.get("run_id") for row, line in zip(runs, run_lines, strict=True) if line not in kept_runs}
    for row, line in zip(fish, fish_lines, strict=True):
        if line in told["fish"] or row.get("run_id") in lost_runs:
            continue
        expected = int(_strict_number(row.get("count", "")) or 1)
        if kept_fish.get(line, 0) != expected:
            raise Wrong(
                f"line {line} of fish.csv stands for {expected} fish and {kept_fish.get(line, 0)} are in the survey: {row}"
            )
    _same_numbers(survey.fish, dict(zip(fish_lines, fish, strict=True)), ("length_mm", "weight_g"))
    _same_numbers(survey.runs, dict(zip(run_lines, runs, strict=True)), ("effort_s", "water_temperature_c"))


def _same_numbers(frame: pd.DataFrame, written: dict[int, dict[str, str]], columns: tuple[str, ...]) -> None:
    for column in columns:
        for line, value in zip(frame["row"], frame[column], strict=True):
            text = written.get(int(line), {}).get(column, "")
            meant = _strict_number(text)
            if pd.notna(value) and (meant is None or abs(value - meant) > 1e-9 * max(1.0, abs(meant))):
                raise Wrong(f"line {line}, {column}: {text!r} was read as {value!r}")
            if pd.isna(value) and meant is not None and abs(meant) < 1e300:
                raise Wrong(f"line {line}, {column}: {text!r} was left out without a word")


def judge(study: Study, texts: dict[str, str] | None) -> str:
    """Check, load strictly, load leniently: all three agree."""
    faults = check_survey(study)
    if not set(faults["code"]) <= set(CODES):
        raise Wrong(f"unknown codes {set(faults['code']) - set(CODES)}")
    at_fault = "error" in set(faults["severity"])
    outcome: FishreportError | None = None
    try:
        lenient = load_survey(study, strict=False)
        if texts is not None:
            accounted(lenient, faults, texts)
    except FishreportError as error:
        if not at_fault:
            raise Wrong(f"no error was found and yet: {error}") from error
    try:
        survey = load_survey(study)
        if at_fault:
            raise Wrong("errors were found and the survey was taken")
        if texts is not None:
            accounted(survey, faults, texts)
    except FishreportError as error:
        outcome = error
        if not at_fault:
            raise Wrong(f"no error was found and yet: {error}") from error
    if outcome is not None:
        raise outcome
    return "taken"


def csv_cells(case: Case) -> str:
    """Sound CSV files with hostile cells, headings and rows."""
    tables = copy_rows()
    spoil_cells(case.chance, tables)
    texts = {name: write_csv(rows) for name, rows in tables.items()}
    files = {f"{name}.csv": text.encode("utf-8", "replace") for name, text in texts.items()}
    return judge(lay_out(case, files), texts if "\0" not in "".join(texts.values()) else None)


def csv_bytes(case: Case) -> str:
    """CSV files with damaged bytes or lines, other separators and encodings."""
    chance = case.chance
    files = {f"{name}.csv": write_csv(rows).encode() for name, rows in ROWS.items()}
    name = chance.choices(KINDS, (3, 4, 1, 1, 1, 1, 1))[0]
    key = f"{name}.csv"
    match chance.randrange(7):
        case 0 | 1:
            files[key] = damage_bytes(chance, files[key])
        case 2 | 3:
            files[key] = damage_text(chance, files[key].decode()).encode("utf-8", "replace")
        case 4:
            text = write_csv(ROWS[name], chance.choice(";\t|:, "))
            files[key] = text.encode(chance.choice(("utf-8", "utf-8-sig", "utf-16", "utf-32", "cp1252", "utf-7")), "replace")
        case 5:
            files[key] = chance.choice((b"", b"\0" * 4000, b"\n" * 9000, b'"' * 3001, b"," * 9000, chance.randbytes(5000)))
        case _:
            wide = [*ROWS[name][0], *(f"c{i}" for i in range(chance.choice((5, 990, 1200))))]
            files[key] = write_csv([wide, *ROWS[name][1:], *ROWS[name][1:] * chance.choice((1, 300))]).encode()
    return judge(lay_out(case, files), None)


def csv_places(case: Case) -> str:
    """A table that is a folder, a link to a file outside, a device, missing, or not to be read."""
    files = {f"{name}.csv": write_csv(rows).encode() for name, rows in ROWS.items()}
    study = lay_out(case, files)
    victim = case.study / f"{case.chance.choice(('runs', 'fish', 'flow'))}.csv"
    content = victim.read_bytes()
    victim.unlink()
    escapes = False
    match case.chance.randrange(6):
        case 0:
            victim.mkdir()
        case 1:
            (case.folder / "table.csv").write_bytes(content)
            victim.symlink_to(case.folder / "table.csv")
            escapes = True
        case 2:
            victim.symlink_to(victim)
        case 3:
            victim.symlink_to("/dev/zero")
            escapes = True
        case 4:
            import os

            os.mkfifo(victim)
        case _:
            pass
    outcome = judge(read_study(study.folder) if escapes else study, None)
    if escapes:
        raise Wrong("a table outside the study folder was read through a link")
    return outcome


def _sheet_value(chance: random.Random, text: str) -> Any:
    import datetime

    if chance.random() < 0.995:
        return float(text) if text.isascii() and text.replace(".", "", 1).isdigit() and len(text) < 15 else text
    return chance.choice(
        (
            True,
            None,
            -1.5,
            1e300,
            datetime.datetime(2025, 10, 1, 3),
            datetime.time(4),
            datetime.timedelta(days=400),
            "=1/0",
            "=A1",
            10**15,
        )
    )


def make_workbook(chance: random.Random) -> bytes:
    """A workbook of the tables with hostile sheet names, types and cells."""
    book = openpyxl.Workbook()
    book.remove(book.active)
    tables = copy_rows()
    if chance.random() < 0.5:
        spoil_cells(chance, tables)
    for name, rows in tables.items():
        title = name if chance.random() < 0.95 else chance.choice(("Runs ", name.upper(), "a'b", "=1+1", "<script>"))
        sheet = book.create_sheet(title[:31])
        for row in rows:
            cleaned = [openpyxl.cell.cell.ILLEGAL_CHARACTERS_RE.sub("", cell)[:30000] for cell in row]
            sheet.append([_sheet_value(chance, cell) for cell in cleaned])
    stream = io.BytesIO()
    book.save(stream)
    return stream.getvalue()


def _repack(data: bytes, change: Any) -> bytes:
    """The package with each part passed through `change(name, content)`, which may return None to leave it out."""
    stream = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as new:
        for part in old.infolist():
            content = change(part.filename, old.read(part))
            if content is not None:
                new.writestr(part.filename, content)
    return stream.getvalue()


_BOMB = b'<?xml version="1.0"?><!DOCTYPE x [<!ENTITY a "' + b"b" * 1000 + b'">' + b"".join(
    f'<!ENTITY a{i} "{f"&a{i - 1};" * 10}">'.replace("&a-1;", "&a;").encode() for i in range(9)
) + b"]>"  # fmt: skip


def workbook_parts(case: Case) -> str:
    """A workbook whose package or parts are damaged, swollen or malicious."""
    chance = case.chance
    data = make_workbook(chance)
    match chance.randrange(8):
        case 0:
            data = damage_bytes(chance, data)
        case 1:
            names = [part.filename for part in zipfile.ZipFile(io.BytesIO(data)).infolist()]
            gone = chance.choice(names)
            data = _repack(data, lambda name, content: None if name == gone else content)
        case 2:
            data = _repack(data, lambda name, content: damage_bytes(chance, content) if chance.random() < 0.3 else content)
        case 3:  # entities that unfold to a billion letters

            def bomb(name: str, content: bytes) -> bytes:
                if "sheet1.xml" not in name and "sharedStrings" not in name:
                    return content
                body = content.partition(b"?>")[2] if content.startswith(b"<?xml") else content
                return _BOMB + body.replace(b"run_id", b"&a8;").replace(b"<v>", b"<v>&a8;", 1)

            data = _repack(data, bomb)
        case 4:  # a part that unpacks to far more than it says it holds
            data = _repack(
                data,
                lambda name, content: (
                    content + b" " * 700_000_000
                    if name.endswith("sheet2.xml") and chance.random() < 0.02
                    else content + b" " * 2_000_000
                ),
            )
        case 5:
            stream = io.BytesIO(data)
            with zipfile.ZipFile(stream, "a") as packed:
                for name in ("../../outside/secret.txt", "/tmp/x", "xl/worksheets/../../../y", "xl/worksheets/sheet1.xml"):
                    packed.writestr(name, b"overwritten")
            data = stream.getvalue()
        case 6:
            outside = b'<!DOCTYPE x [<!ENTITY e SYSTEM "file:///etc/hostname">]>'
            data = _repack(
                data,
                lambda name, content: (
                    outside + content.partition(b"?>")[2].replace(b"R1", b"&e;")
                    if name.endswith(".xml") and chance.random() < 0.4
                    else content
                ),
            )
        case _:
            wanted = chance.choice((b'r="XFD1048576"', b'r="A99999999999"', b'r=""', b'r="\xc3\xa9"'))
            data = _repack(
                data, lambda name, content: content.replace(b'r="A2"', wanted, 1).replace(b't="s"', b't="q"', chance.randrange(3))
            )
    return judge(lay_out(case, {"book.xlsx": data}, "book.xlsx"), None)


def workbook_cells(case: Case) -> str:
    """A sound workbook with hostile cells, types and sheet names."""
    return judge(lay_out(case, {"book.xlsx": make_workbook(case.chance)}, "book.xlsx"), None)


SURFACES = (
    Surface("CSV cells", csv_cells, share=6, fixed=14),
    Surface("CSV bytes", csv_bytes, share=5, fixed=12),
    Surface("table files", csv_places, share=0.5, fixed=6),
    Surface("XLSX cells", workbook_cells, share=2, fixed=4),
    Surface("XLSX parts", workbook_parts, share=3, fixed=8, seconds=40),
)
