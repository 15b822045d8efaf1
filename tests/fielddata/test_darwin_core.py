"""The Darwin Core archive against the text guidelines of the standard, and through a general reader of such archives.

Darwin Core text guide (dwc.tdwg.org/text): meta.xml names every file, its columns by term, and the column that links it to the
core. Terms are checked against a list of those of http://rs.tdwg.org/dwc/terms/ that the archive uses (from memory of the
quick reference guide, dwc.tdwg.org/terms).
"""

from __future__ import annotations

import csv
import io
import zipfile
from collections import Counter
from xml.etree import ElementTree

import pytest
from dwca.read import DwCAReader

from fishreport.fielddata import load_survey
from fishreport.fielddata.coarsen import coarsen
from fishreport.fielddata.darwin_core import darwin_core, scientific_names, zipped

TEXT = "{http://rs.tdwg.org/dwc/text/}"
TERMS = "http://rs.tdwg.org/dwc/terms/"
KNOWN = {
    "basisOfRecord", "coordinateUncertaintyInMeters", "dataGeneralizations", "day", "decimalLatitude", "decimalLongitude",
    "eventDate", "eventID", "eventRemarks", "eventTime", "geodeticDatum", "individualCount", "informationWithheld", "kingdom",
    "locality", "locationID", "measurementID", "measurementMethod", "measurementRemarks", "measurementType", "measurementUnit",
    "measurementValue", "month", "occurrenceID", "occurrenceRemarks", "occurrenceStatus", "organismID", "sampleSizeUnit",
    "sampleSizeValue", "samplingEffort", "samplingProtocol", "scientificName", "taxonRank", "verbatimIdentification",
    "vernacularName", "waterBody", "year",
}  # fmt: skip


@pytest.fixture(scope="module")
def files(demo_study, demo_survey):
    return darwin_core(demo_study, demo_survey)


def _rows(content: bytes) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(content.decode("utf-8"), newline="")))


def _check_meta(files: dict[str, bytes]) -> None:
    """Every file that meta.xml names is there, every column has a term of the standard, every row a core row."""
    archive = ElementTree.fromstring(files["meta.xml"])
    assert archive.tag == f"{TEXT}archive" and archive.get("metadata") in files
    core, extensions = archive.find(f"{TEXT}core"), archive.findall(f"{TEXT}extension")
    assert core.get("rowType") == f"{TERMS}Event"
    assert {part.get("rowType") for part in extensions} == {
        f"{TERMS}Occurrence",
        "http://rs.iobis.org/obis/terms/ExtendedMeasurementOrFact",
    }
    named, ids = set(), []
    for part in (core, *extensions):
        assert (part.get("encoding"), part.get("ignoreHeaderLines")) == ("UTF-8", "1")
        assert (part.get("fieldsTerminatedBy"), part.get("fieldsEnclosedBy")) == (",", '"')
        location = part.find(f"{TEXT}files/{TEXT}location").text
        named.add(location)
        header, *rows = csv.reader(io.StringIO(files[location].decode("utf-8"), newline=""))
        link = part.find(f"{TEXT}id" if part is core else f"{TEXT}coreid")
        key = [row[int(link.get("index"))] for row in rows]
        if part is core:
            ids = key
            assert len(set(ids)) == len(ids) and all(ids)
        else:
            assert set(key) <= set(ids)
        fields = {int(field.get("index")): field.get("term") for field in part.findall(f"{TEXT}field")}
        assert set(fields) | {int(link.get("index"))} == set(range(len(header)))
        for index, term in fields.items():
            assert term == TERMS + header[index] and header[index] in KNOWN
        assert all(len(row) == len(header) for row in rows)
    assert named | {"meta.xml", "eml.xml"} == set(files)


def test_meta_describes_every_file_column_and_link(files):
    _check_meta(files)


def test_a_general_reader_reads_it(files, demo_survey, tmp_path):
    path = tmp_path / "archive.zip"
    path.write_bytes(zipped(files, 2025))
    with DwCAReader(str(path)) as archive:
        assert archive.descriptor.core.type == f"{TERMS}Event" and len(archive.rows) == len(demo_survey.runs)
        assert archive.metadata.find("dataset/title").text
        row = archive.get_corerow_by_id(demo_survey.runs["run_id"].iloc[0])
        caught = [part for part in row.extensions if part.rowtype == f"{TERMS}Occurrence"]
        present = [part for part in caught if part.data[f"{TERMS}occurrenceStatus"] == "present"]
        assert len(present) == (demo_survey.fish["run_id"] == row.id).sum()
        read = [part.data for part in row.extensions if part.rowtype.endswith("ExtendedMeasurementOrFact")]
        volts = [data for data in read if data[f"{TERMS}measurementType"] == "peak voltage"]
        assert float(volts[0][f"{TERMS}measurementValue"]) == demo_survey.runs["voltage_v"].iloc[0]


def test_every_fish_is_an_occurrence_and_every_miss_an_absence(files, demo_study, demo_survey):
    rows = _rows(files["occurrence.csv"])
    assert len({row["occurrenceID"] for row in rows}) == len(rows)
    present = Counter((row["eventID"], row["vernacularName"]) for row in rows if row["occurrenceStatus"] == "present")
    absent = [(row["eventID"], row["vernacularName"]) for row in rows if row["occurrenceStatus"] == "absent"]
    names = {species.key: species.name for species in demo_study.species.values()}
    caught = Counter(zip(demo_survey.fish["run_id"], demo_survey.fish["species_key"].map(names).fillna(""), strict=True))
    assert present == caught
    missed = {(run, name) for run in demo_survey.runs["run_id"] for name in names.values() if not caught[run, name]}
    assert set(absent) == missed and len(absent) == len(missed)
    assert {row["individualCount"] for row in rows if row["occurrenceStatus"] == "absent"} == {"0"}


def test_measurements_belong_to_occurrences_and_have_units(files, demo_survey):
    known = {row["occurrenceID"]: row["eventID"] for row in _rows(files["occurrence.csv"])}
    rows = _rows(files["extendedmeasurementorfact.csv"])
    assert all(known[row["occurrenceID"]] == row["eventID"] for row in rows if row["occurrenceID"])
    lengths = [float(row["measurementValue"]) for row in rows if row["measurementType"] == "total length"]
    assert sorted(lengths) == sorted(demo_survey.fish["length_mm"].dropna())
    assert {row["measurementUnit"] for row in rows if row["measurementType"] in ("total length", "wet weight")} == {"mm", "g"}
    ages = [row for row in rows if row["measurementType"] == "age"]
    assert len(ages) == demo_survey.ages["age_sample"].isin(demo_survey.fish["age_sample"]).sum()
    of_sample = demo_survey.ages.iloc[0]
    fish = demo_survey.fish[demo_survey.fish["age_sample"] == of_sample["age_sample"]].iloc[0]
    assert float(ages[0]["measurementValue"]) == of_sample["age_years"] and ages[0]["eventID"] == fish["run_id"]


def test_scientific_names_come_from_the_published_standards(demo_study):
    assert scientific_names(demo_study) == {
        "brown_trout": "Salmo trutta",
        "rainbow_trout": "Oncorhynchus mykiss",
        "smallmouth_bass": "Micropterus dolomieu",
    }


def test_events_carry_effort_and_date(files, demo_survey):
    rows = _rows(files["event.csv"])
    assert [float(row["sampleSizeValue"]) for row in rows] == demo_survey.runs["effort_s"].tolist()
    assert rows[0]["eventDate"] == f"{demo_survey.runs['date'].iloc[0]:%Y-%m-%d}" and rows[0]["sampleSizeUnit"] == "second"


def test_eml_has_what_the_standard_wants_in_its_order(files):
    # Order of the parts of a data set in the schema of EML 2.2.0 (from memory).
    root = ElementTree.fromstring(files["eml.xml"])
    assert root.tag == "{https://eml.ecoinformatics.org/eml-2.2.0}eml" and root.get("packageId") and root.get("system")
    order = [part.tag for part in root.find("dataset")]
    wanted = ["title", "creator", "pubDate", "language", "abstract", "intellectualRights", "coverage", "contact", "methods"]
    assert order == wanted


def test_coordinates_and_formulas(make_study):
    study = make_study(
        runs=(
            "run_id,site,date,start_time,effort_s,latitude,longitude,comments\n"
            "=R1,Willow,2025-10-01,20:00,600,44.1234,-71.5678,=1+1\nR2,Ford,2025-10-01,21:00,600,,,\n"
        ),
        fish="run_id,species,length_mm,comments\n=R1,XYZ,300,@cmd\n",
    )
    survey = load_survey(study)
    files = darwin_core(study, survey)
    _check_meta(files)
    events, found = _rows(files["event.csv"]), _rows(files["occurrence.csv"])
    assert (events[0]["eventID"], events[0]["eventRemarks"], events[0]["decimalLongitude"]) == ("'=R1", "'=1+1", "-71.5678")
    assert events[1]["decimalLatitude"] == "" and found[0]["occurrenceRemarks"] == "'@cmd"
    assert (found[0]["vernacularName"], found[0]["verbatimIdentification"], found[0]["scientificName"]) == ("", "XYZ", "")
    coarse = darwin_core(study, survey, coarse=coarsen(survey, 10))
    _check_meta(coarse)
    assert b"Willow" not in b"".join(coarse.values()) and b"44.1234" not in b"".join(coarse.values())
    row = _rows(coarse["event.csv"])[0]
    # Half the diagonal of a cell of 10 km: 10 km / √2.
    assert row["coordinateUncertaintyInMeters"] == "7071" and row["eventTime"] == "" and row["dataGeneralizations"]


def test_a_season_without_fish_is_all_absences(make_study):
    study = make_study(fish="run_id,species,length_mm\n")
    survey = load_survey(study)
    files = darwin_core(study, survey)
    _check_meta(files)
    assert Counter(row["occurrenceStatus"] for row in _rows(files["occurrence.csv"])) == {"absent": 4}


def test_the_zip_has_the_same_bytes(files):
    assert zipped(files, 2025) == zipped(files, 2025)
    with zipfile.ZipFile(io.BytesIO(zipped(files, 1950))) as archive:
        assert archive.testzip() is None and set(archive.namelist()) == set(files)
