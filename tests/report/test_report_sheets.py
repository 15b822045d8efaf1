"""Field sheets as printed: what stands on each page, that nothing runs out of it, and that nobody's file is lost."""

from __future__ import annotations

import io
import subprocess
from pathlib import Path

import numpy as np
import openpyxl
import pypdf
import pytest
from PIL import Image
from tiny import NOTEBOOKS, RUNS, SETTINGS, fish_table, write_study

from fishreport.analysis.care import WaterToday, power_goals
from fishreport.exceptions import InputError, UsageError
from fishreport.fielddata import load_survey
from fishreport.fielddata.schema import TABLES
from fishreport.report.build import build_report
from fishreport.report.sheets import MAKER, mark_codes, print_sheets, render_sheets, sheet_content
from fishreport.study import read_study

PAGES = ("Run header", "Fish log", "Fish care and anaesthetic", "Power for tonight’s water")
LETTER, A4 = (612.0, 792.0), (595.276, 841.89)


def _content(study, survey, water=137.0):
    return sheet_content(study, survey, power_goals(study, WaterToday(water, 8.0, "read today")))


def _pages(pdf: bytes) -> list[str]:
    return [" ".join(page.extract_text().split()) for page in pypdf.PdfReader(io.BytesIO(pdf)).pages]


@pytest.fixture(scope="module")
def demo_pdf(demo_study, demo_survey):
    return render_sheets(_content(demo_study, demo_survey), season=2025)


def test_four_pages_with_what_belongs_on_them(demo_pdf, demo_study):
    pages = _pages(demo_pdf)
    assert len(pages) == len(PAGES) and all(page.startswith(name) for page, name in zip(pages, PAGES, strict=True))
    assert all("run page of" in page and demo_study.water.name in page for page in pages)
    header, log, care, power = pages
    for word in (
        "Before current is switched on",
        "Emergency stop",
        "No current until every box is ticked",
        "µS/cm",
        "Duty",
        "S12",
    ):
        assert word in header
    for code, species in demo_study.species.items():
        assert f"{code} {species.name}" in log and f"{code}, not measured" in header
    for word in ("adipose clip", "left pelvic clip", "R released", "D dead", "Length mm"):
        assert word in log
    for word in ("Dose mg/L", "Withdrawal time", "licensed person", "Stop and look", "Fish harmed"):
        assert word in care
    for word in ("137", "today", "reference", "30 Hz", "Local rules, permits and licensed practice decide"):
        assert word in power


def test_goals_on_paper_are_those_of_the_table(demo_study, demo_pdf):
    table = power_goals(demo_study, WaterToday(137.0, 8.0, "read today")).table
    power = _pages(demo_pdf)[3]
    for water, volts, amperes in zip(table.water_us_cm, table.voltage_v, table.current_a, strict=True):
        assert f"{water:,.0f} " in power and f"{volts:,.0f} {amperes:.1f}" in power


def test_the_pdf_is_tagged_and_says_whose_it_is(demo_pdf):
    reader = pypdf.PdfReader(io.BytesIO(demo_pdf))
    root = reader.trailer["/Root"]
    assert root["/MarkInfo"]["/Marked"] and root["/Lang"] == "en" and "/StructTreeRoot" in root
    assert reader.metadata.title.startswith("Field sheets") and MAKER in str(reader.metadata["/Keywords"])
    assert MAKER.encode() in demo_pdf
    assert {font for page in reader.pages for font in _fonts(page)} <= {"DejaVuSans", "DejaVuSans-Bold", "DejaVuSans-Oblique"}


def _fonts(page) -> set[str]:
    return {str(font.get_object()["/BaseFont"]).split("+")[-1] for font in page["/Resources"]["/Font"].values()}


@pytest.mark.parametrize(("units", "size"), [("metric", A4), ("us", LETTER)])
def test_paper_follows_the_units_of_the_study(repository, demo_survey, units, size):
    study = read_study(repository / "demo_inputs", overrides={"report.units": units})
    reader = pypdf.PdfReader(io.BytesIO(render_sheets(_content(study, demo_survey), season=2025)))
    assert len(reader.pages) == 4
    assert all((float(page.mediabox.width), float(page.mediabox.height)) == pytest.approx(size, abs=0.5) for page in reader.pages)


def _many(demo_study, demo_survey):
    """More species, longer names and stranger signs than any crew will have."""
    species = {f"SP{number}": one for number, one in enumerate(list(demo_study.species.values()) * 3)}
    water = demo_study.water.model_copy(update={"name": '#eval("1/0") Long Water below the Dam of Many Words *bold* \u0007'})
    report = demo_study.report.model_copy(update={"units": "us"})
    study = demo_study.model_copy(update={"species": species, "water": water, "report": report})
    content = _content(study, demo_survey)
    content["sites"] = [f"Site {number} with a long name, upper, km {number}.5" for number in range(30)]
    return content


@pytest.mark.pdf
@pytest.mark.parametrize("which", ["demo", "many"])
def test_nothing_runs_out_of_the_paper(which, demo_pdf, demo_study, demo_survey, tmp_path):
    pdf = demo_pdf if which == "demo" else render_sheets(_many(demo_study, demo_survey), season=2025)
    (tmp_path / "sheets.pdf").write_bytes(pdf)
    command = ["pdftoppm", "-r", "50", "-gray", "-png", str(tmp_path / "sheets.pdf"), str(tmp_path / "page")]
    subprocess.run(command, check=True, capture_output=True)
    images = sorted(tmp_path.glob("page-*.png"))
    assert len(images) == 4
    for path in images:
        dark = np.asarray(Image.open(path)) < 128
        margin = round(50 * 5 / 25.4)  # 5 mm all round stay white
        edge = np.ones_like(dark)
        edge[margin:-margin, margin:-margin] = False
        assert dark.mean() > 0.01 and not (dark & edge).any(), path.name
        assert dark[: len(dark) // 3].any() and dark[2 * len(dark) // 3 :].any()


def test_text_of_the_study_is_never_markup(demo_study, demo_survey):
    pages = _pages(render_sheets(_many(demo_study, demo_survey), season=2025))
    assert all('#eval("1/0")' in page and "*bold*" in page for page in pages)


def test_the_same_study_gives_the_same_bytes(demo_study, demo_survey, demo_pdf):
    assert render_sheets(_content(demo_study, demo_survey), season=2025) == demo_pdf


def test_marks_have_codes_of_their_own():
    codes = dict(mark_codes(["adipose clip", "left pelvic clip", "left pectoral clip", "red dot", "red disc", "rapid drift"]))
    assert codes["AC"] == "adipose clip" and codes["LPELC"] == "left pelvic clip" and codes["LPECC"] == "left pectoral clip"
    assert len(codes) == 6
    assert [code for code, _ in mark_codes(["clip", "clip one", "clip  one"])] == ["C", "CO", "CO2"]


def test_a_new_study_has_sheets_before_its_first_season(tmp_path):
    study = read_study(write_study(tmp_path / "study"))
    for name in ("runs.csv", "fish.csv"):
        (study.folder / name).unlink()
    written = print_sheets(study, ambient_us_cm=90)
    assert [path.name for path in written] == ["field-sheets.pdf", "field-data.xlsx"]
    pages = _pages(written[0].read_bytes())
    assert "No share is on record yet" in pages[2] and "names no settings that worked" in pages[3]


def test_printing_again_keeps_the_workbook_and_refuses_foreign_files(study, tmp_path):
    read = read_study(study)
    pdf, workbook = print_sheets(read, tmp_path / "out")
    workbook.write_bytes(b"typed in all night")
    assert print_sheets(read, tmp_path / "out") == [pdf] and workbook.read_bytes() == b"typed in all night"
    pdf.write_bytes(b"%PDF-1.7 somebody's permit")
    with pytest.raises(UsageError, match="no field sheet made by fishreport"):
        print_sheets(read, tmp_path / "out")
    assert pdf.read_bytes().endswith(b"permit") and {path.name for path in (tmp_path / "out").iterdir()} == {
        pdf.name,
        workbook.name,
    }
    with pytest.raises(InputError, match="not both"):
        print_sheets(read, tmp_path / "out", ambient_us_cm=100, specific_us_cm=100)
    (tmp_path / "file").write_text("", encoding="utf-8")
    with pytest.raises(UsageError, match="cannot be written"):
        print_sheets(read, tmp_path / "file" / "below")


def _type_in(workbook: Path, **tables: str) -> None:
    """Type CSV text into the sheets, each value under its heading, numbers as numbers."""
    book = openpyxl.load_workbook(workbook)
    for name, text in tables.items():
        header, *lines = [line.split(",") for line in text.strip().splitlines()]
        for row, line in enumerate(lines, start=2):
            for heading, value in zip(header, line, strict=True):
                number = value.replace(".", "", 1).isdigit()
                book[name].cell(row, TABLES[name].names.index(heading) + 1, float(value) if number else value)
    book.save(workbook)


@pytest.mark.build
def test_a_filled_workbook_builds_the_same_report(built, server, tmp_path):
    plain = write_study(tmp_path / "plain")
    typed = write_study(tmp_path / "typed")
    _, workbook = print_sheets(read_study(plain), typed)
    _type_in(workbook, runs=RUNS, fish=fish_table())
    text = (typed / "study.toml").read_text(encoding="utf-8")
    text = text.replace('runs = "runs.csv"\nfish = "fish.csv"', f'workbook = "{workbook.name}"')
    (typed / "study.toml").write_text(text, encoding="utf-8")
    for name in ("runs.csv", "fish.csv"):
        (typed / name).unlink()
    here, there = load_survey(read_study(plain)), load_survey(read_study(typed))
    for column in ("run_id", "species_key", "length_mm", "weight_g", "site", "season"):
        assert here.fish[column].tolist() == there.fish[column].tolist()
    report = build_report(typed, notebooks=NOTEBOOKS, settings=SETTINGS, formats=("html",), server=server).folder
    assert (report / "results.json").read_bytes() == (built.folder / "results.json").read_bytes()
