"""Reading text files and workbooks: what stands in the file is what is read, and the line is cited."""

from __future__ import annotations

import csv
import datetime
import io
import zipfile

import openpyxl
import pandas as pd
import pytest

from fishreport.fielddata import workbook as workbook_reader
from fishreport.fielddata.faults import Faults
from fishreport.fielddata.grid import make_table
from fishreport.fielddata.read import read_table
from fishreport.fielddata.schema import TABLES
from fishreport.fielddata.text_file import read_text
from fishreport.fielddata.typed import parse_date, parse_number, parse_time, read_values


def read(content: str | bytes, table: str = "fish"):
    faults = Faults()
    data = content if isinstance(content, bytes) else content.encode()
    grid = read_text(data, TABLES[table], f"{table}.csv", faults)
    raw = make_table(grid, TABLES[table], faults) if grid else None
    return raw, faults.frame()


ROWS = [
    ["R1", "BNT", "300", "281.5", 'said "big", and was'],
    ["R1", "SMB", "", "", "zwei\nZeilen"],
    ["R2", "BNT", "410", "700", ""],
]
HEADER = ["run_id", "species", "length_mm", "weight_g", "comments"]


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
@pytest.mark.parametrize("bom", [b"", b"\xef\xbb\xbf"])
@pytest.mark.parametrize("ending", ["\n", "\r\n"])
def test_reads_what_the_csv_module_wrote(delimiter, bom, ending):
    text = io.StringIO()
    csv.writer(text, delimiter=delimiter, lineterminator=ending).writerows([HEADER, *ROWS])
    raw, faults = read(bom + text.getvalue().encode())
    assert faults.empty
    assert raw.cells.to_numpy().tolist() == ROWS
    assert raw.cells.index.tolist() == [2, 3, 5]  # the second row takes lines 3 and 4


def test_lines_are_those_of_the_file_with_blank_lines_between():
    raw, _ = read("run_id,species\n\nR1,BNT\n,\n\nR2,BNT\n")
    assert raw.cells.index.tolist() == [3, 6]


def test_frames_agree_with_pandas(tmp_path, rng):
    frame = pd.DataFrame({"run_id": "R1", "species": "BNT", "length_mm": rng.integers(100, 600, 500).astype(float)})
    frame["weight_g"] = (frame["length_mm"] ** 3 / 1e5).round(1)
    frame.to_csv(tmp_path / "fish.csv", index=False)
    raw = read_table(tmp_path / "fish.csv", "fish", Faults())
    values = read_values(raw, Faults())
    reference = pd.read_csv(tmp_path / "fish.csv")
    assert values["length_mm"].to_numpy().tolist() == reference["length_mm"].tolist()
    assert values["weight_g"].to_numpy().tolist() == reference["weight_g"].tolist()


def test_headings_in_any_case_and_unknown_columns_kept():
    raw, faults = read("Run ID,SPECIES,Length (mm),colour\nR1,BNT,300,red\n")
    assert list(raw.cells) == ["run_id", "species", "length_mm", "colour"]
    assert faults["code"].tolist() == ["unknown_column"] and faults["severity"].tolist() == ["note"]
    assert read_values(raw, Faults())["colour"].tolist() == ["red"]


@pytest.mark.parametrize(("heading", "near"), [("length_in", "length_mm"), ("wieght_g", "weight_g"), ("weight_lb", "weight_g")])
def test_an_unknown_column_near_a_known_one_is_asked_about(heading, near):
    _, faults = read(f"run_id,species,{heading}\nR1,BNT,12\n")
    assert f"rename it {near}" in faults["advice"][0]


def test_a_column_that_the_tool_works_out_is_not_read():
    raw, faults = read("run_id,species,season\nR1,BNT,1999\n")
    assert "season" not in raw.cells
    assert faults["code"].tolist() == ["column_ignored"]


@pytest.mark.parametrize(
    ("content", "code", "words"),
    [
        (b"", "empty_file", "empty"),
        (b" \r\n\r\n", "empty_file", "empty"),
        ("run_id,species\nR1,BNT\n".encode("utf-16"), "wrong_encoding", "UTF-16"),
        ("run_id,species\nR1,BNT\n".encode("utf-16-le"), "wrong_encoding", "UTF-16"),
        ("run_id,species,comments\nR1,BNT,caf\xe9\n".encode("latin-1"), "wrong_encoding", "café"),
        (b"PK\x03\x04rest", "unreadable_file", "workbook"),
        (b"\xd0\xcf\x11\xe0rest", "unreadable_file", "old kind"),
        (b"%PDF-1.7", "unreadable_file", "PDF"),
        (b"run_id,species\nR1,\0\n", "unreadable_file", "no text"),
        (b"run_id|species|length_mm\nR1|BNT|300\n", "wrong_delimiter", "vertical bars"),
        (b"a,b,c\n1,2,3\n", "header_not_found", "names a column"),
        (b"run_id,species,length_mm,Length mm\nR1,BNT,300,300\n", "duplicate_column", "two columns"),
        (b"run_id,,species\nR1,300,BNT\n", "unnamed_column", "no name"),
        (b"run_id,species,size,\n,,length_mm,weight_g\nR1,BNT,300,280\n", "unnamed_column", "no name"),
        (b"run_id,fish,\n,species,length_mm\nR1,BNT,300\n", "header_spread", "spread over lines 1 and 2"),
        (b"run_id,specie,length_mm\nR1,BNT,300\n", "missing_column", "no column species"),
        (b"species,length_mm\nBNT,300\n", "missing_column", "run_id or site + date"),
        (b'run_id,species,comments\nR1,BNT,"open\nR2,BNT,\nR3,BNT,\n', "unclosed_quote", "not closed"),
        (b'run_id,species,comments\nR1,BNT,"open\nR2,BNT,\nR3,BNT,"\n', "unclosed_quote", "not closed"),
        (b'run_id,species\nR1,"BNT', "unclosed_quote", "not closed"),
        (b'run_id,species\nR1,"' + b"x" * 200_000, "unclosed_quote", "not closed"),
        (b"run_id,species" + b"," * 2_000 + b"\n", "file_too_large", "1,000 fields"),
    ],
)
def test_a_file_that_cannot_be_read_gives_one_clear_error(content, code, words):
    raw, faults = read(content)
    errors = faults[faults["severity"] == "error"]
    assert raw is None
    assert errors["code"].tolist() == [code]
    assert words in errors["message"][0]
    assert errors["advice"][0]


def test_a_title_above_the_header_is_passed_over():
    raw, faults = read("Fish of the autumn survey,,\n\nrun_id,species,length_mm\nR1,BNT,300\n")
    assert raw.cells.index.tolist() == [4]
    assert faults["code"].tolist() == ["lines_above_header"]


def test_a_missing_column_names_the_near_one():
    _, faults = read("run_id,specie\nR1,BNT\n")
    assert "'specie'" in faults["advice"][0]


def test_ragged_rows():
    raw, faults = read("run_id,species,length_mm,weight_g\nR1,BNT,300\nR1,BNT,300,281,,\nR1,BNT,300,12,5\n")
    assert raw.cells["weight_g"].tolist() == ["", "281", "12"]
    assert faults[["code", "row"]].to_numpy().tolist() == [["long_row", 4], ["short_row", pd.NA]]


def typed_faults(text: str, table: str = "fish"):
    raw, _ = read(text, table)
    found = Faults()
    values = read_values(raw, found, last_year=2026)
    return values, found.frame()


def test_decimal_comma_is_understood_between_semicolons_only():
    values, faults = typed_faults("run_id;species;length_mm\nR1;BNT;312,5\nR1;BNT;300.5\n")
    assert faults.empty and values["length_mm"].tolist() == [312.5, 300.5]
    values, faults = typed_faults('run_id,species,length_mm\nR1,BNT,"312,5"\n')
    assert faults["code"].tolist() == ["decimal_comma"] and "312.5" in faults["advice"][0]


@pytest.mark.parametrize(
    ("column", "text", "code"),
    [
        ("length_mm", "31o", "unreadable_number"),
        ("length_mm", "312 mm", "unreadable_number"),
        ("length_mm", "inf", "unreadable_number"),
        ("length_mm", "1_000", "unreadable_number"),
        ("length_mm", "-3", "out_of_bounds"),
        ("length_mm", "0", "out_of_bounds"),
        ("weight_g", "1e300", "out_of_bounds"),
        ("count", "0", "out_of_bounds"),
        ("count", "1.5", "unreadable_number"),
        ("recaptured", "perhaps", "unknown_yes_no"),
        ("fate", "relesed", "unknown_fate"),
        ("date", "24.10.2025", "unreadable_date"),
        ("date", "45954", "unreadable_date"),
        ("date", "2025-02-30", "impossible_date"),
        ("date", "2031-01-01", "impossible_date"),
        ("date", "1825-01-01", "impossible_date"),
    ],
)
def test_a_cell_at_fault_is_cited_as_it_stands(column, text, code):
    _, faults = typed_faults(f"run_id,species,{column}\nR1,BNT,\nR1,BNT,{text}\n")
    assert faults[["code", "row", "column", "value"]].to_numpy().tolist() == [[code, 3, column, text]]
    assert faults["severity"][0] == "error" and faults["advice"][0]


def test_words_for_not_recorded_are_noted_once():
    values, faults = typed_faults("run_id,species,length_mm\nR1,BNT,NA\nR1,BNT,n/a\nR1,BNT,300\n")
    assert values["length_mm"].isna().tolist() == [True, True, False]
    assert faults["code"].tolist() == ["not_recorded_word"] and "2 cells" in faults["message"][0]


def test_numbers_dates_and_times():
    assert parse_number("−5", decimal_comma=False) == -5
    assert parse_number(".5", decimal_comma=False) == 0.5
    assert str(parse_date("2025/3/7", last_year=2026)) == "2025-03-07T00:00:00.000000"
    assert str(parse_date("2025-03-07 21:30:00", last_year=2026))[:10] == "2025-03-07"
    assert [parse_time(text) for text in ("9:05", "21:30:15", "9:30 pm", "12:00 AM")] == ["09:05", "21:30", "21:30", "00:00"]
    assert parse_time("25:00").code == "unreadable_time"


def test_rings_are_read_as_numbers():
    values, faults = typed_faults("age_sample,age_years,increments_mm\nS1,3+,0.42 0.45 0.40\nS2,2,\nS3,1,0.4 x\n", "ages")
    assert values["increments_mm"].tolist() == [(0.42, 0.45, 0.40), (), ()]
    assert values["age_years"].tolist() == [3, 2, 1]
    assert faults["row"].tolist() == [4]


def workbook(path, **sheets):
    book = openpyxl.Workbook()
    book.remove(book.active)
    for title, rows in sheets.items():
        sheet = book.create_sheet(title)
        for row in rows:
            sheet.append(row)
    book.save(path)
    return path


def test_a_workbook_reads_dates_times_numbers_and_text(tmp_path):
    header = ["run_id", "site", "date", "start_time", "effort_s", "netters"]
    rows = [
        ["001", "A", datetime.date(2025, 10, 1), datetime.time(20, 5), 600, 2.0],
        [2, "A", datetime.datetime(2025, 10, 2, 0, 0), datetime.datetime(2025, 10, 2, 21, 30), "612", None],
        [None, None, None, None, None, None],
        [3.0, "A", "2025-10-03", datetime.timedelta(hours=22), 600.5, 1],
    ]
    path = workbook(tmp_path / "field.xlsx", Runs=[header, *rows])
    faults = Faults()
    raw = read_table(path, "runs", faults)
    values = read_values(raw, faults)
    assert not len(faults), faults.frame().to_string()
    assert values.index.tolist() == [2, 3, 5]
    assert values["run_id"].tolist() == ["001", "2", "3"]
    assert values["date"].dt.strftime("%Y-%m-%d").tolist() == ["2025-10-01", "2025-10-02", "2025-10-03"]
    assert values["start_time"].tolist() == ["20:05", "21:30", "22:00"]
    assert values["effort_s"].tolist() == [600, 612, 600.5]


def test_formulas_read_as_their_stored_values_and_are_noted_without(tmp_path):
    path = workbook(tmp_path / "field.xlsx", fish=[["run_id", "species", "length_mm"], ["R1", "BNT", "=300+12"]])
    faults = Faults()
    assert read_table(path, "fish", faults).cells["length_mm"].tolist() == [""]
    assert faults.frame()["code"].tolist() == ["formula_without_value"]
    stored = tmp_path / "stored.xlsx"
    with zipfile.ZipFile(path) as old, zipfile.ZipFile(stored, "w") as new:
        for part in old.namelist():
            data = old.read(part)
            new.writestr(
                part, data.replace(b"<v></v>", b"<v>312</v>").replace(b"<v/>", b"<v>312</v>").replace(b"<v />", b"<v>312</v>")
            )
    faults = Faults()
    assert read_table(stored, "fish", faults).cells["length_mm"].tolist() == ["312"]
    assert not len(faults)


def test_merged_header_cells_of_a_workbook_are_an_error(tmp_path):
    path = workbook(tmp_path / "field.xlsx", fish=[["run_id", "species", "length_mm", None], ["R1", "BNT", 300, 280]])
    book = openpyxl.load_workbook(path)
    book["fish"].merge_cells("C1:D1")
    book.save(path)
    faults = Faults()
    assert read_table(path, "fish", faults) is None
    assert faults.frame()["code"].tolist() == ["unnamed_column"]


def test_workbooks_that_cannot_be_read_give_one_clear_error(tmp_path, monkeypatch):
    def code(path):
        faults = Faults()
        assert read_table(path, "fish", faults) is None
        return faults.frame()["code"].tolist()

    (tmp_path / "text.xlsx").write_text("run_id,species\n", encoding="utf-8")
    assert code(tmp_path / "text.xlsx") == ["unreadable_file"]
    with zipfile.ZipFile(tmp_path / "other.xlsx", "w") as other:
        other.writestr("hello.txt", "hello")
    assert code(tmp_path / "other.xlsx") == ["unreadable_file"]
    bomb = zipfile.ZipFile(tmp_path / "bomb.xlsx", "w", zipfile.ZIP_DEFLATED)
    with bomb, bomb.open("xl/worksheets/sheet1.xml", "w", force_zip64=True) as part:
        part.write(b"\0" * 20_000_000)
    assert (tmp_path / "bomb.xlsx").stat().st_size < 100_000
    monkeypatch.setattr(workbook_reader, "MAX_UNPACKED", 10_000_000)
    assert code(tmp_path / "bomb.xlsx") == ["file_too_large"]
    assert code(workbook(tmp_path / "none.xlsx", other=[["a"]], another=[["b"]])) == ["missing_file"]
    assert code(workbook(tmp_path / "blank.xlsx", fish=[])) == ["empty_file"]
    assert code(tmp_path / "absent.xlsx") == ["missing_file"]


@pytest.mark.slow
def test_a_hundred_thousand_fish_are_read_and_checked_quickly(make_study, rng):
    import time

    from fishreport.fielddata import load_survey

    length = rng.normal(300, 60, 100_000).clip(100).round()
    weight = (1e-5 * length**3 * rng.lognormal(0, 0.08, length.size)).round()
    rows = [f"R{1 + k % 2},BNT,{x:.0f},{w:.0f}" for k, (x, w) in enumerate(zip(length, weight, strict=True))]
    study = make_study(fish="run_id,species,length_mm,weight_g\n" + "\n".join(rows) + "\n")
    start = time.process_time()
    survey = load_survey(study)
    assert len(survey.fish) == 100_000
    assert time.process_time() - start < 10
