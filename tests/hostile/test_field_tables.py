"""Whatever a person can do wrong with the tables: a usable survey, or one clear message; never a traceback."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import openpyxl
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from fishreport.exceptions import DataError, FishreportError
from fishreport.fielddata import CODES, Survey, check_survey, load_survey
from fishreport.fielddata.faults import Faults
from fishreport.fielddata.grid import make_table
from fishreport.fielddata.schema import TABLES
from fishreport.fielddata.text_file import read_text
from fishreport.fielddata.typed import read_values
from fishreport.study import Study, read_study

STUDY = """
[water]
name = "Alder Tailwater"
[season]
year = 2025
[species.BNT]
name = "brown trout"
standard = "brown trout (lotic)"
[species.RBT]
name = "rainbow trout"
"""
RUNS = "run_id,site,date,effort_s\nR1,A,2025-10-01,600\nR2,B,2025-10-01,600\nR3,A,2024-10-01,600\n"
FISH = "run_id,species,length_mm,weight_g\nR1,BNT,300,290\nR2,RBT,250,160\nR3,BNT,400,680\n"


def study(folder: Path, *, runs: str | bytes = RUNS, fish: str | bytes = FISH) -> Study:
    (folder / "study.toml").write_text(STUDY, encoding="utf-8")
    for name, content in (("runs", runs), ("fish", fish)):
        (folder / f"{name}.csv").write_bytes(content if isinstance(content, bytes) else content.encode())
    return read_study(folder)


def usable(folder: Path, **tables: str | bytes) -> Survey:
    survey = load_survey(study(folder, **tables))
    assert len(survey.runs)
    return survey


def message(folder: Path, **tables: str | bytes) -> str:
    """The one message, which is short, in plain words, and names the file."""
    with pytest.raises(DataError) as caught:
        load_survey(study(folder, **tables))
    text = str(caught.value)
    assert ".csv" in text and len(text) < 500
    for jargon in ("codec", "Traceback", "NoneType", "dtype", "KeyError", "ParserError", "NaN"):
        assert jargon not in text
    return text


@pytest.mark.parametrize("table", ["runs", "fish"])
def test_empty_file(tmp_path, table):
    assert "the file is empty" in message(tmp_path, **{table: b""})


@pytest.mark.parametrize("encoding", ["utf-16", "utf-16-le", "utf-32", "latin-1", "cp1252", "mac-roman"])
def test_wrong_encoding(tmp_path, encoding):
    text = "run_id,site,date,effort_s\nR1,Café Müller,2025-10-01,600\n"
    assert "UTF-8" in message(tmp_path, runs=text.encode(encoding))


def test_other_delimiters(tmp_path):
    for delimiter in ";\t":
        survey = usable(tmp_path, runs=RUNS.replace(",", delimiter), fish=FISH.replace(",", delimiter))
        assert len(survey.fish) == 3
    assert "separated by" in message(tmp_path, fish=FISH.replace(",", "|"))
    assert "separated by" in message(tmp_path, fish=FISH.replace(",", " "))


def test_decimal_comma(tmp_path):
    fish = "run_id;species;length_mm;weight_g\nR1;BNT;300,5;290,5\n"
    assert usable(tmp_path, fish=fish).fish[["length_mm", "weight_g"]].to_numpy().tolist() == [[300.5, 290.5]]
    assert "write 300.5" in message(tmp_path, fish='run_id,species,length_mm\nR1,BNT,"300,5"\n')
    assert "5 fields" in message(tmp_path, fish="run_id,species,length_mm,weight_g\nR1,BNT,300,290,5\n")


def test_merged_header(tmp_path):
    assert "no name" in message(tmp_path, fish="run_id,species,size,\nR1,BNT,300,290\n")
    assert "spread over lines 1 and 2" in message(tmp_path, fish="run_id,fish,,\n,species,length_mm,weight_g\nR1,BNT,300,290\n")
    titled = "Electrofishing of the autumn,,,\n" + FISH
    assert len(usable(tmp_path, fish=titled).fish) == 3


def test_duplicate_columns(tmp_path):
    assert "two columns are named length_mm" in message(tmp_path, fish="run_id,species,length_mm,length_mm\nR1,BNT,300,301\n")
    assert len(usable(tmp_path, fish="run_id,species,colour,colour\nR1,BNT,red,blue\n").fish) == 1


def test_no_fish_in_a_run_and_none_at_all(tmp_path):
    survey = usable(tmp_path, fish="run_id,species,length_mm\nR1,BNT,300\n")
    assert survey.faults["code"].tolist().count("run_without_fish") == 2
    survey = usable(tmp_path, fish="run_id,species,length_mm,weight_g\n")
    assert survey.fish.empty and len(survey.runs) == 3 and "no_fish" in set(survey.faults["code"])


def test_no_weights_and_no_lengths(tmp_path):
    survey = usable(tmp_path, fish="run_id,species,length_mm\nR1,BNT,300\nR2,RBT,250\nR3,BNT,400\n")
    assert survey.fish["weight_g"].isna().all() and "no_weights" in set(survey.faults["code"])
    assert "no_lengths" in set(usable(tmp_path, fish="run_id,species\nR1,BNT\n").faults["code"])


def test_one_species_one_season_one_site_once(tmp_path):
    one = usable(tmp_path, runs="run_id,site,date,effort_s\nR1,A,2025-10-01,600\n", fish="run_id,species,length_mm\nR1,BNT,300\n")
    assert one.seasons == [2025] and one.fish["species_key"].unique().tolist() == ["brown_trout"]
    survey = usable(tmp_path, runs=RUNS + "R4,C,2024-10-02,600\n")
    assert "site_not_sampled" not in set(survey.faults["code"])


@pytest.mark.parametrize("table", ["runs", "fish"])
def test_a_file_of_another_table(tmp_path, table):
    other = {"runs": FISH, "fish": "date,number\n2025-01-01,5\n"}[table]
    assert "has no column" in message(tmp_path, **{table: other})


def test_old_line_ends_and_a_last_line_without_end(tmp_path):
    assert len(usable(tmp_path, runs=RUNS.replace("\n", "\r"), fish=FISH.rstrip().replace("\n", "\r\n")).fish) == 3


def test_invisible_signs(tmp_path):
    fish = "\ufeffrun_id ,\u00a0species\u00a0,length_mm\r\n R1\u00a0,BNT , 300 \r\n"
    assert usable(tmp_path, fish=fish).fish["length_mm"].tolist() == [300]
    composed = usable(tmp_path, runs="run_id,site,date,effort_s\nR1,Cafe\u0301,2025-10-01,600\n", fish="run_id,species\nR1,BNT\n")
    assert composed.runs["site"].tolist() == ["Café"]


def test_formulas_of_spreadsheets_stay_text(tmp_path):
    fish = 'run_id,species,comments\nR1,BNT,"=HYPERLINK(""x"")"\nR1,BNT,@SUM(1)\n'
    assert usable(tmp_path, fish=fish).fish["comments"].tolist() == ['=HYPERLINK("x")', "@SUM(1)"]


def test_a_count_beyond_belief_is_refused_and_not_spread_out(tmp_path):
    assert "at most 10000" in message(tmp_path, fish="run_id,species,count\nR1,BNT,1000000000\n")


def test_a_table_that_is_a_folder(tmp_path):
    made = study(tmp_path)
    (tmp_path / "fish.csv").unlink()
    (tmp_path / "fish.csv").mkdir()
    with pytest.raises(DataError, match="not there"):
        load_survey(made)


def test_a_workbook_named_as_text_and_text_named_as_workbook(tmp_path):
    openpyxl.Workbook().save(tmp_path / "book.xlsx")
    assert "workbook" in message(tmp_path, fish=(tmp_path / "book.xlsx").read_bytes())
    made = study(tmp_path)
    (tmp_path / "text.xlsx").write_text(FISH, encoding="utf-8")
    (tmp_path / "study.toml").write_text(STUDY + '[data]\nworkbook = "text.xlsx"\n', encoding="utf-8")
    with pytest.raises(DataError, match=r"no \.xlsx workbook"):
        load_survey(read_study(made.folder))


def test_a_workbook_of_one_empty_sheet(tmp_path):
    openpyxl.Workbook().save(tmp_path / "book.xlsx")
    (tmp_path / "study.toml").write_text(STUDY + '[data]\nworkbook = "book.xlsx"\n', encoding="utf-8")
    with pytest.raises(DataError, match="no sheet for the runs table"):
        load_survey(read_study(tmp_path))


# Arbitrary input ------------------------------------------------------------------------------------------------------

HOSTILE = settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
WHOLE = settings(HOSTILE, max_examples=30)  # each of them reads, checks and derives a survey three times over


def survives(folder: Path, **tables: str | bytes) -> None:
    made = study(folder, **tables)
    faults = check_survey(made)
    assert set(faults["code"]) <= set(CODES)
    try:
        survey = load_survey(made)
        assert "error" not in set(faults["severity"])
        assert len(survey.runs)
    except FishreportError as error:
        assert "error" in set(faults["severity"])
        assert str(error)
    try:
        lenient = load_survey(made, strict=False)
        assert set(lenient.fish["run_id"]) <= set(lenient.runs["run_id"])
    except FishreportError as error:
        assert str(error)


@WHOLE
@given(data=st.binary(max_size=300))
@example(b"\xef\xbb\xbf")
@example(b"\xef\xbb\xbf\xef\xbb\xbfrun_id,species\nR1,BNT\n")
@example(b"run_id,species\n\x85\x0b\x1c,\n")
@example("run_id,species\u2028R1,BNT\n".encode())
def test_any_bytes(tmp_path, data):
    survives(tmp_path, fish=data)
    survives(tmp_path, runs=data)


_cell = st.sampled_from(
    ["", "R1", "R2", "R9", "BNT", "A", "2025-10-01", "2025-02-30", "600", "-5", "0", "1e999", "nan", "NA"]
) | st.text(st.characters(exclude_categories=["Cs"]), max_size=8)


def _table(name: str) -> st.SearchStrategy[str]:
    """A text file with headings of the table, some others, and any cells."""
    headings = st.lists(st.sampled_from(TABLES[name].names) | st.text(max_size=6), min_size=1, max_size=8)
    body = st.lists(st.lists(_cell, max_size=9), max_size=6)

    def write(parts: tuple[list[str], list[list[str]], str, list[str]]) -> str:
        heads, rows, delimiter, required = parts
        text = io.StringIO()
        csv.writer(text, delimiter=delimiter).writerows([[*required, *heads], *rows])
        return text.getvalue()

    needed = {"runs": ["run_id", "site", "date", "effort_s"], "fish": ["run_id", "species"]}[name]
    return st.tuples(headings, body, st.sampled_from([",", ";", "\t", "|"]), st.sampled_from([needed, []])).map(write)


@WHOLE
@given(runs=_table("runs") | st.just(RUNS), fish=_table("fish") | st.just(FISH))
def test_any_table(tmp_path, runs, fish):
    survives(tmp_path, runs=runs.encode(errors="replace"), fish=fish.encode(errors="replace"))


_sensible = {
    "run_id": st.sampled_from(["R1", "R2", "R3", "R4", ""]),
    "species": st.sampled_from(["BNT", "RBT", "XYZ", "brown trout"]),
    "length_mm": st.integers(1, 2000).map(str) | st.sampled_from(["", "12.5", "300"]),
    "weight_g": st.integers(1, 9000).map(str) | st.sampled_from(["", "0.3"]),
    "count": st.sampled_from(["", "1", "3"]),
    "tag": st.sampled_from(["", "T1", "T2"]),
    "site": st.sampled_from(["", "A", "B"]),
    "date": st.sampled_from(["", "2025-10-01", "2024-10-01"]),
}


@WHOLE
@given(rows=st.lists(st.tuples(*_sensible.values()), max_size=40))
def test_any_sensible_fish(tmp_path, rows):
    """Rows that can nearly be true reach every check of the whole."""
    text = "\n".join(",".join(row) for row in [tuple(_sensible), *rows])
    survives(tmp_path, fish=text)


@HOSTILE
@given(table=st.sampled_from(sorted(TABLES)), rows=st.lists(st.lists(_cell, max_size=12), max_size=5))
def test_any_cell_of_any_table_is_read_or_told(table, rows):
    schema = TABLES[table]
    text = io.StringIO()
    csv.writer(text).writerows([schema.names, *rows])
    faults = Faults()
    grid = read_text(text.getvalue().encode(errors="replace"), schema, "x.csv", faults)
    raw = make_table(grid, schema, faults) if grid else None
    if raw is None:
        assert faults.has_error()
        return
    values = read_values(raw, faults)
    assert values.index.equals(raw.cells.index)
