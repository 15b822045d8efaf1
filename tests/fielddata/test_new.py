"""A study laid out anew, and a workbook to type into: both load as soon as rows are in them."""

from __future__ import annotations

import csv
import tomllib

import openpyxl
import pytest

from fishreport.exceptions import StudyError, UsageError
from fishreport.fielddata import SurveyFaults, load_survey
from fishreport.fielddata.new import lay_out
from fishreport.fielddata.schema import TABLES
from fishreport.fielddata.sheets import write_workbook
from fishreport.study import read_study


def append(path, **cells):
    with path.open(encoding="utf-8", newline="") as file:
        header = next(csv.reader(file))
    with path.open("a", encoding="utf-8", newline="") as file:
        csv.writer(file).writerow([cells.get(name, "") for name in header])


def test_a_new_study_loads_as_soon_as_rows_are_typed_in(tmp_path):
    folder = tmp_path / "Alder"
    files = lay_out(folder, name='Alder "Upper" Tailwater', season=2025)
    assert all(file.is_file() for file in files)
    study = read_study(folder)
    assert study.water.name == 'Alder "Upper" Tailwater'
    with pytest.raises(SurveyFaults, match=r"there are no runs yet; type rows into runs\.csv"):
        load_survey(study)
    append(folder / "runs.csv", run_id="R1", site="A", date="2025-10-01", effort_s="600")
    survey = load_survey(study)
    assert survey.seasons == [2025] and survey.fish.empty
    append(folder / "fish.csv", run_id="R1", species="BNT", length_mm="312", weight_g="318")
    append(folder / "ages.csv", species="BNT", length_mm="312", date="2025-10-01", age_years="3")
    append(folder / "flow.csv", date="2025-10-01", discharge_m3_s="12")
    survey = load_survey(study)
    assert len(survey.fish) == 1 and len(survey.ages) == 1 and len(survey.flow) == 1
    assert "error" not in set(survey.faults["severity"]) and survey.doubts.empty


def test_headers_are_those_of_the_schema_and_every_section_is_explained(tmp_path):
    lay_out(tmp_path / "new", season=2025)
    for name, schema in TABLES.items():
        assert (tmp_path / "new" / f"{name}.csv").read_text(encoding="utf-8").strip().split(",") == schema.names
    text = (tmp_path / "new" / "study.toml").read_text(encoding="utf-8")
    for section in (
        "water",
        "season",
        "data",
        "species",
        "objectives",
        "scenarios",
        "events",
        "parameters",
        "report",
        "set_aside",
    ):
        assert section in text
    assert read_study(tmp_path / "new").water.name == "new"


def test_the_lines_commented_out_are_good_keys_too(tmp_path):
    """Every example in a comment of the study file is itself a valid setting."""
    lay_out(tmp_path / "new", season=2025)
    file = tmp_path / "new" / "study.toml"
    lines = []
    for line in file.read_text(encoding="utf-8").splitlines():
        bare = line.removeprefix("# ").removeprefix("#")
        starts_setting = bare.startswith("[") or " = " in bare.split("#")[0] or bare.strip() in ("]",)
        prose = bare[:1].isupper() and not bare.startswith("[")
        lines.append(bare if line.startswith("#") and starts_setting and not prose else line)
    text = "\n".join(lines).replace("[[set_aside.fish]]", "[[set_aside.fish]]")
    assert "strata" in tomllib.loads(text)["water"] and "objectives" in tomllib.loads(text)
    file.write_text(text, encoding="utf-8")
    study = read_study(file)
    assert study.objectives and len(study.scenarios) == 2 and study.events and study.set_aside.fish
    assert study.water.strata[1].reach == "lower" and study.species["BNT"].life_history.natural_mortality.value == 0.45


@pytest.mark.parametrize("there", ["study.toml", "runs.csv", "narrative/summary.md"])
def test_nothing_is_overwritten(tmp_path, there):
    file = tmp_path / there
    file.parent.mkdir(exist_ok=True)
    file.write_text("mine", encoding="utf-8")
    with pytest.raises(StudyError, match=there):
        lay_out(tmp_path)
    assert file.read_text(encoding="utf-8") == "mine"
    assert [path for path in tmp_path.rglob("*") if path.is_file()] == [file]


def test_places_where_no_study_can_be(tmp_path):
    (tmp_path / "file").write_text("", encoding="utf-8")
    with pytest.raises(StudyError, match="this is a file"):
        lay_out(tmp_path / "file")
    with pytest.raises(StudyError, match="cannot be written"):
        lay_out(tmp_path / "file" / "inside")
    with pytest.raises(StudyError, match="between 1900 and 2200"):
        lay_out(tmp_path / "x", season=1)


WORKBOOK_STUDY = """
[water]
name = "Alder"
strata = [{ reach = "upper" }]
[season]
year = 2025
[data]
workbook = "field.xlsx"
[species.BNT]
name = "brown trout"
"""


def test_a_workbook_reads_straight_back(tmp_path):
    (tmp_path / "study.toml").write_text(WORKBOOK_STUDY, encoding="utf-8")
    study = read_study(tmp_path)
    path = write_workbook(study, tmp_path / "field.xlsx")
    with pytest.raises(SurveyFaults, match="no runs yet"):
        load_survey(study)
    book = openpyxl.load_workbook(path)
    assert book.sheetnames[: len(TABLES)] == list(TABLES)
    for name, schema in TABLES.items():
        sheet = book[name]
        assert [cell.value for cell in sheet[1]] == schema.names
        assert all(cell.comment.text for cell in sheet[1]) and sheet.freeze_panes
    lists = [validation for validation in book["fish"].data_validations.dataValidation if validation.type == "list"]
    assert {validation.formula1.split("!")[0] for validation in lists} == {"runs", "Lists"}
    words = {cell.value for row in book["Lists"].iter_rows() for cell in row}
    assert {"BNT", "dead", "yes", "adipose clip", "upper"} <= words

    def fill(sheet, row, **cells):
        for number, name in enumerate(TABLES[sheet].names, start=1):
            book[sheet].cell(row, number, cells.get(name))

    fill("runs", 2, run_id="001", site="A", date="2025-10-01", effort_s=600, reach="upper")
    fill("fish", 2, run_id="001", species="BNT", length_mm=312, weight_g=318, recaptured="yes", fate="released")
    fill("ages", 2, age_years=3, species="BNT", length_mm=312, date="2025-10-01")
    book.save(path)
    survey = load_survey(study)
    assert survey.fish["run_id"].tolist() == ["001"] and survey.fish["recaptured"].tolist() == [True]
    assert len(survey.ages) == 1 and "error" not in set(survey.faults["severity"])


def test_a_workbook_is_never_overwritten(tmp_path):
    (tmp_path / "study.toml").write_text(WORKBOOK_STUDY, encoding="utf-8")
    study = read_study(tmp_path)
    (tmp_path / "field.xlsx").write_bytes(b"mine")
    with pytest.raises(UsageError, match="already"):
        write_workbook(study, tmp_path / "field.xlsx")
    with pytest.raises(UsageError, match=r"ends in \.xlsx"):
        write_workbook(study, tmp_path / "field.csv")
    assert (tmp_path / "field.xlsx").read_bytes() == b"mine"
