"""The data package: valid by a general reader of the standard, and a study that gives the same estimates."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import frictionless
import numpy as np
import pandas as pd
import pytest

from fishreport.analysis import catch, sizes
from fishreport.analysis.classes import study_classes
from fishreport.fielddata import load_survey
from fishreport.fielddata.coarsen import coarsen
from fishreport.fielddata.data_package import data_package
from fishreport.fielddata.harmless import as_recorded
from fishreport.fielddata.schema import TABLES
from fishreport.study import read_study

# What cells of formulas and odd signs a season may hold; species and reach too are codes that must still match the study file.
HOSTILE = {
    "study": """
[water]
name = "Alder, \\"quoted\\" = water"
strata = [{ reach = "=cmd|' /C calc'!A0", length_km = 2.5 }, { reach = "lower" }]
[season]
year = 2025
[species."+BNT"]
name = "brown trout"
standard = "brown trout (lotic)"
[species.SMB]
name = "smallmouth bass"
[[objectives]]
quantity = "catch_rate"
species = "+BNT"
at_least = 10
[[scenarios]]
name = "Slot: 330\\nto 508"
species = "smallmouth bass"
protected_slot_mm = [330, 508]
stocking = { number_per_year = 1200, mean_length_mm = 232.5, month = 5 }
""",
    "runs": (
        "run_id,site,date,start_time,effort_s,reach,water_temperature_c,comments,crew_note\n"
        "-R1,@A,2025-10-01,20:00,600,=cmd|' /C calc'!A0,-0.5,=HYPERLINK(1),+1\n"
        '\'R2,B,2025-10-01,21:00,620.5,lower,9.25,"two\nlines, and a comma",plain\n'
    ),
    "fish": (
        "run_id,species,length_mm,weight_g,count,tag,recaptured,age_sample,fate,comments\n"
        "-R1,+BNT,300,280.4,1,-7,yes,@1,released,\n-R1,SMB,250,,3,,no,,dead,-\n'R2,+BNT,,,1,,,,,'quoted\n"
    ),
    "ages": "age_sample,age_years,reader,increments_mm\n@1,3,=me,0.42 0.45 0.405\n",
}


def _write(files: dict[str, bytes], folder: Path) -> Path:
    for name, content in files.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
    return folder


@pytest.fixture
def hostile(make_study):
    return make_study(**HOSTILE)


@pytest.fixture(scope="module")
def package(demo_study, demo_survey, tmp_path_factory):
    return _write(data_package(demo_study, demo_survey), tmp_path_factory.mktemp("package"))


def test_a_general_reader_finds_the_package_valid(package):
    # frictionless reads Data Package and Table Schema 1 (specs.frictionlessdata.io): types, constraints, keys, hashes, sizes.
    report = frictionless.validate(str(package / "datapackage.json"))
    assert report.valid, report.flatten(["code", "message"])[:5]
    assert len(report.tasks) == len(TABLES)


def test_the_reader_finds_planted_faults(package, tmp_path):
    """The schemas are not so wide that anything passes."""
    files = {str(path.relative_to(package)): path.read_bytes() for path in package.rglob("*") if path.is_file()}
    descriptor = json.loads(files["datapackage.json"])
    for resource in descriptor["resources"]:  # so that only the schema can object
        del resource["hash"], resource["bytes"]
    files["datapackage.json"] = json.dumps(descriptor).encode()
    lines = files["data/fish.csv"].decode().splitlines()
    lines[1] = lines[1].replace(lines[1].split(",")[0], "no such run", 1)
    lines[2] = lines[2].replace(",released", ",vanished")
    files["data/fish.csv"] = ("\n".join(lines) + "\n").encode()
    report = frictionless.validate(str(_write(files, tmp_path) / "datapackage.json"))
    assert {"foreign-key", "constraint-error"} <= {row[0] for row in report.flatten(["type"])}


def test_every_column_says_its_type_units_and_meaning(package):
    descriptor = json.loads((package / "datapackage.json").read_text(encoding="utf-8"))
    for resource in descriptor["resources"]:
        header = (package / resource["path"]).read_text(encoding="utf-8").splitlines()[0].split(",")
        fields = resource["schema"]["fields"]
        assert [field["name"] for field in fields] == header
        assert all(field["description"] for field in fields)
    runs = {field["name"]: field for field in descriptor["resources"][0]["schema"]["fields"]}
    assert runs["effort_s"]["unit"] == "s" and runs["effort_s"]["constraints"]["required"] is True
    assert runs["date"]["type"] == "date" and runs["netters"]["type"] == "integer"


def test_the_package_reads_back_as_the_same_survey(package, demo_survey):
    back = load_survey(read_study(package))
    for name in TABLES:
        there, here = getattr(back, name).drop(columns="row"), getattr(demo_survey, name).drop(columns="row")
        pd.testing.assert_frame_equal(there, here, check_exact=True)


def test_the_package_gives_the_same_estimates(package, demo_study, demo_survey):
    study = read_study(package)
    survey = load_survey(study)
    here, there = (study_classes(one) for one in (demo_study, study))
    first = [*catch.catch_rates(demo_study, demo_survey, here), *sizes.size_structure(demo_study, demo_survey, here)]
    second = [*catch.catch_rates(study, survey, there), *sizes.size_structure(study, survey, there)]
    assert len(first) > 100
    assert [result.record() for result in second] == [result.record() for result in first]


def test_formulas_are_harmless_and_nothing_is_lost(hostile, tmp_path):
    survey = load_survey(hostile)
    files = data_package(hostile, survey)
    for name, content in files.items():
        if name.endswith(".csv"):
            for row in csv.reader(io.StringIO(content.decode())):
                for cell in row:
                    assert not cell.startswith(("=", "+", "@", "\t", "\r")) and (cell[:1] != "-" or float(cell) < 0)
    folder = _write(files, tmp_path / "package")
    assert frictionless.validate(str(folder / "datapackage.json")).valid
    back = load_survey(read_study(folder))
    for name, column in (("runs", "run_id"), ("runs", "site"), ("runs", "reach"), ("runs", "comments"), ("runs", "crew_note")):
        assert getattr(back, name)[column].map(as_recorded).tolist() == getattr(survey, name)[column].tolist()
    for column in ("run_id", "tag", "age_sample", "comments"):
        assert back.fish[column].map(as_recorded).tolist() == survey.fish[column].tolist()
    assert back.fish["species_key"].tolist() == survey.fish["species_key"].tolist()
    assert back.ages["length_mm"].tolist() == [300.0] and back.ages["increments_mm"].tolist() == [(0.42, 0.45, 0.405)]
    np.testing.assert_array_equal(back.runs["water_temperature_c"], [-0.5, 9.25])


def test_the_study_file_travels_with_its_plan(hostile, tmp_path):
    back = read_study(_write(data_package(hostile, load_survey(hostile)), tmp_path / "package"))
    assert back.water.name == hostile.water.name and back.scenarios == hostile.scenarios
    assert [stratum.length_km for stratum in back.water.strata] == [2.5, None]
    assert back.find_species(back.objectives[0].species).key == "brown_trout"
    assert back.data.runs == "data/runs.csv" and back.data.harvest is None


def test_rows_set_aside_do_not_travel(demo_survey, package):
    assert len(demo_survey.set_aside) and "set_aside" not in (package / "study.toml").read_text(encoding="utf-8")
    assert len(pd.read_csv(package / "data" / "fish.csv")) == len(demo_survey.fish)


def test_own_standards_travel(make_study, tmp_path):
    study = make_study()
    (study.folder / "species.toml").write_text("# none yet\n", encoding="utf-8")
    assert data_package(study, load_survey(study))["species.toml"] == b"# none yet\n"


def test_a_coarse_package_is_valid_and_says_so(demo_study, demo_survey, tmp_path):
    coarse = coarsen(demo_survey, 5)
    folder = _write(data_package(demo_study, coarse.survey, statement=coarse.statement), tmp_path)
    assert frictionless.validate(str(folder / "datapackage.json")).valid
    assert "rounded to 5 km" in json.loads((folder / "datapackage.json").read_text(encoding="utf-8"))["description"]
    back = load_survey(read_study(folder))
    assert len(back.fish) == len(demo_survey.fish) and set(back.runs["site"]) == {"Upper", "Middle", "Lower"}


def test_the_same_survey_gives_the_same_bytes(hostile):
    assert data_package(hostile, load_survey(hostile)) == data_package(hostile, load_survey(hostile))
