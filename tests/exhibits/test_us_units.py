"""No metric unit is left in a report in US customary units, but where it is said below why it stays."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from fishreport.exhibits.exhibit import FIGURE_TYPE, FINDINGS_TYPE, SCORECARD_TYPE, TABLE_TYPE
from fishreport.exhibits.notes import shown_note
from fishreport.exhibits.nouns import Nouns
from fishreport.exhibits.units import METRIC, US
from fishreport.report.build import build_report

METRIC_UNIT = re.compile(
    r"(?<![\w./])(?:mm|cm|km|kg|g|ha|m|m²|m³/s|m3/s|°C)(?![\w'])|\d(?:mm|cm|km|kg)\b"
    r"|\b(?:grams?|kilograms?|millimet\w+|centimet\w+|met(?:re|er)s?|kilomet\w+|hectares?|celsius)\b"
)
# (exhibit, pattern): what stays metric, and why.
STAYS = (
    ("length-weight", r"log10 weight \(g\) = a \+ b log10 length \(mm\)"),  # coefficients are those of the published equations
    ("estimators", r"log10 weight \(g\) on log10 length \(mm\)"),
    ("standards", r"\(g, mm; total lengths of \d+ mm and longer\)"),  # the published equation with its published limits
    ("parameters", r"\((?:mm|°C)\)"),  # the units in which the study file gives the parameter
    ("power-goals", r"not corrected to 25 °C"),  # the reference temperature of conductivity
    ("length-weight", "log10 weight \\(g\\).*log10 length \\(mm\\)|Coefficients are for grams and millimetres"),
    ("checks", r"\d+ (?:mm|g)\b"),  # quotes what stands on the field sheets
    ("set-aside", r"centimetres|metre"),  # the author's own words
    ("rates", r"^cm$"),  # a symbol: conditional fishing mortality
)
# The chapters that need no projection; scenarios are named by the study's author, in the units of the regulation.
CHAPTERS = ["season", "abundance", "size-structure", "condition", "growth", "mortality", "trend", "methods"]
QUICK = {"parameters.resamples": 120, "report.chapters": CHAPTERS}


def _table(table: dict[str, Any]) -> Iterator[str]:
    yield table["caption"]
    yield from (text for column in table["columns"] for text in (column["heading"], column["units"]))
    yield from (cell for row in table["rows"] for cell in row)
    yield from table["notes"]


def texts(data: dict[str, Any]) -> Iterator[str]:
    """Every text that a reader of an exhibit meets."""
    if figure := data.get(FIGURE_TYPE):
        yield from (figure["caption"], figure["alt"])
        yield from (re.sub(r"<[^>]+>", "", found) for found in re.findall(r"<text[^>]*>.*?</text>", figure["svg"], re.DOTALL))
        yield from _table(figure["table"]) if figure["table"] else ()
    if table := data.get(TABLE_TYPE):
        yield from _table(table)
    if findings := data.get(FINDINGS_TYPE):
        yield from (item["text"] for item in findings["items"])
    if card := data.get(SCORECARD_TYPE):
        yield from (card["caption"], *card["notes"], *(text for row in card["rows"] for text in row.values()))


def label_of(data: dict[str, Any]) -> str:
    return next((value["label"] for value in data.values() if isinstance(value, dict) and "label" in value), "")


@pytest.fixture(scope="module")
def outputs(repository: Path, tmp_path_factory: pytest.TempPathFactory) -> list[dict[str, Any]]:
    """What the chapters of the demonstration show, in US units."""
    out = tmp_path_factory.mktemp("us") / "report"
    built = build_report(repository / "demo_inputs", out=out, settings={**QUICK, "report.units": "us"}, formats=("html",))
    found = []
    for path in sorted((built.folder / "chapters").glob("*.ipynb")):
        for cell in json.loads(path.read_text(encoding="utf-8"))["cells"]:
            found += [output["data"] for output in cell.get("outputs", []) if "data" in output]
    brief = re.sub(r"<style>.*?</style>|<svg .*?</svg>", "", (built.folder / "brief.html").read_text("utf-8"), flags=re.DOTALL)
    return [*found, {FINDINGS_TYPE: {"items": [{"text": re.sub(r"<[^>]+>", " ", brief)}]}}]


@pytest.mark.build
@pytest.mark.slow
def test_no_metric_unit_is_left(outputs: list[dict[str, Any]]) -> None:
    kept: set[str] = set()
    read = 0
    for data in outputs:
        label = label_of(data)
        for text in texts(data):
            read += 1
            bare = text.replace("µS/cm", "").replace("14.2 km", "")  # conductivity has no customary unit
            for exhibit, pattern in STAYS:
                if exhibit == label and re.search(pattern, bare):
                    kept.add(exhibit)
                    bare = re.sub(pattern, "", bare)
            found = METRIC_UNIT.search(bare)
            assert found is None, (label, text)
    assert read > 3000
    assert kept == {exhibit for exhibit, _ in STAYS}  # a reason that no longer serves is taken out


@pytest.mark.build
@pytest.mark.slow
def test_length_categories_are_the_published_inches(outputs: list[dict[str, Any]]) -> None:
    """Brown trout of lotic waters: 6, 9, 12, 15 and 18 in (Milewski & Brown 1994); 150 mm would convert to 5.9 in."""
    census = next(data[TABLE_TYPE] for data in outputs if label_of(data) == "census")
    assert [row[1] for row in census["rows"] if row[0] == "Brown trout"][:4] == [
        "6 to 9 in", "9 to 12 in", "12 to 15 in", "15 in and longer",
    ]  # fmt: skip
    rates = next(data[TABLE_TYPE] for data in outputs if label_of(data) == "catch-rates")
    assert {row[1] for row in rates["rows"] if row[0] == "Brown trout"} >= {"Stock, 6 in and longer", "Trophy, 18 in and longer"}


def test_a_range_with_published_and_other_bounds() -> None:
    mm, inches = {"stock": 150.0, "quality": 230.0}, {"stock": 6.0, "quality": 9.0}
    assert US.length_range(150, 230, mm, inches) == "6 to 9 in"
    assert US.length_range(230, float("inf"), mm, inches) == "9 in and longer"
    assert US.length_range(230, 254, mm, inches) == "9 to 10.0 in"
    assert METRIC.length_range(150, 254, mm, inches) == "150 to 254 mm"
    assert Nouns(US, categories={"brown_trout": (mm, inches)}).class_name("150-230 mm", "brown_trout") == "of 6 to 9 in"


@pytest.mark.parametrize(
    ("note", "shown"),
    [
        ("1 fish was shorter, by up to 22 mm: kept", "1 fish was shorter, by up to 0.9 in: kept"),
        ("150-230 mm had 2 recaptures", "5.9-9.1 in had 2 recaptures"),
        ("400- mm had 2 recaptures", "15.7 in and longer had 2 recaptures"),
        ("lengths span 100 to 254 mm only", "lengths span 3.9 to 10.0 in only"),
        ("half at 50 mm (2 in) more", "half at 50 mm (2 in) more"),
        ("log10 weight (g) on log10 length (mm)", "log10 weight (g) on log10 length (mm)"),
        ("24 runs, 3 of 25 bins", "24 runs, 3 of 25 bins"),
        ("heaviest 1,361 g", "heaviest 3.00 lb"),
    ],
)
def test_notes_of_estimators(note: str, shown: str) -> None:
    """1 in is 25.4 mm and 1 lb is 453.59237 g, exactly (international yard and pound agreement, 1959)."""
    assert shown_note(note, US) == shown
    assert shown_note(note, METRIC) == note
