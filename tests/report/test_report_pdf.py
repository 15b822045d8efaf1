"""The PDF as poppler and pypdf see it."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pypdf
import pytest

from fishreport.report.build import Built

pytestmark = [pytest.mark.build, pytest.mark.pdf]


def poppler(program: str, *arguments: str) -> str:
    path = shutil.which(program)
    assert path, f"poppler's {program} is not there"
    return subprocess.run([path, *arguments], check=True, capture_output=True, text=True, encoding="utf-8").stdout


@pytest.fixture(scope="module")
def text(built: Built) -> list[str]:
    """Text of each page."""
    return poppler("pdftotext", "-layout", str(built.folder / "report.pdf"), "-").split("\f")[:-1]


@pytest.fixture(scope="module")
def pdf(built: Built) -> pypdf.PdfReader:
    return pypdf.PdfReader(built.folder / "report.pdf")


def test_title_language_and_tags(pdf: pypdf.PdfReader) -> None:
    """ISO 14289-1 (PDF/UA-1) 7.1 and 7.2: tagged, titled, with a language. Typst does not refuse a missing language."""
    root = pdf.trailer["/Root"]
    assert pdf.metadata is not None
    assert pdf.metadata.title == "Alder Tailwater: fishery survey report 2025"
    assert pdf.metadata.author == "A. Reporter"
    assert root["/MarkInfo"]["/Marked"]
    assert root["/Lang"] == "en"
    assert root["/ViewerPreferences"]["/DisplayDocTitle"]
    assert b"pdfuaid" in root["/Metadata"].get_data()


def structure(pdf: pypdf.PdfReader) -> list[dict[str, object]]:
    found: list[dict[str, object]] = []

    def walk(item: object) -> None:
        item = item.get_object() if hasattr(item, "get_object") else item
        if isinstance(item, list):
            for child in item:
                walk(child)
        elif isinstance(item, dict):
            if "/S" in item:
                found.append(item)
            if "/K" in item:
                walk(item["/K"])

    walk(pdf.trailer["/Root"]["/StructTreeRoot"]["/K"])
    return found


def test_structure(pdf: pypdf.PdfReader) -> None:
    elements = structure(pdf)
    kinds = [str(element["/S"]) for element in elements]
    assert kinds.count("/Table") >= 8
    assert {"/TH", "/TD", "/Caption", "/L", "/Link", "/Formula", "/H1", "/H2"} <= set(kinds)
    figures = [element for element in elements if element["/S"] == "/Figure"]
    alternatives = [str(element.get("/Alt", "")) for element in figures]
    assert "Bars: 20 fish at Ford and 20 fish at Weir." in alternatives
    formulas = [str(element.get("/Alt", "")) for element in elements if element["/S"] == "/Formula"]
    assert "W sub r equals 100 times the fraction W over W sub s, end fraction" in formulas
    tables = [element for element in elements if element["/S"] == "/Table"]
    for table in tables:
        below: list[str] = []

        def walk(item: object, below: list[str] = below) -> None:
            item = item.get_object() if hasattr(item, "get_object") else item
            if isinstance(item, list):
                for child in item:
                    walk(child)
            elif isinstance(item, dict):
                below.append(str(item.get("/S", "")))
                walk(item.get("/K", []))

        walk(table)
        assert "/TH" in below  # Typst does not refuse a table without a header


def test_bookmarks(pdf: pypdf.PdfReader) -> None:
    titles = [item.title for item in pdf.outline if not isinstance(item, list)]
    assert [title for title in titles if title != "Contents"] == [
        "Summary of the season",
        "1  Catch",
        "2  Length",
        "How this report was made",
    ]


def test_running_heads_and_page_numbers(text: list[str]) -> None:
    assert "Season 2025" not in text[0]
    for number, page in enumerate(text[1:], start=2):
        lines = [line.strip() for line in page.splitlines() if line.strip()]
        assert lines[0].startswith("Alder Tailwater")
        assert lines[0].endswith("Season 2025")
        assert lines[-1] == f"{number} of {len(text)}"


def test_captions_are_numbered_as_in_the_page(text: list[str]) -> None:
    whole = "\n".join(text)
    for caption in (
        "Table S.1. Objectives",
        "Table 1.1. Fish by site",
        "Figure 1.1. Fish by site",
        "Figure 2.1. Lengths",
        "Table 2.2. A wide",
    ):
        assert caption in whole
    assert "The catch is in Table 1.1." in whole


def test_a_long_table_repeats_its_header(text: list[str]) -> None:
    pages = [page for page in text if re.search(r"^\s*fish \d+ ", page, re.MULTILINE)]
    assert len(pages) >= 2
    assert all("Length" in page and "Noise" in page for page in pages)


def test_text_of_figures_can_be_selected(text: list[str]) -> None:
    assert "Length (mm)" in "\n".join(text)


def test_only_our_fonts_and_all_of_them_inside(built: Built) -> None:
    """A missing font is swapped in silence: name all that may occur."""
    lines = poppler("pdffonts", str(built.folder / "report.pdf")).splitlines()[2:]
    names = {line.split()[0].split("+")[-1] for line in lines}
    text = {"DejaVuSans", "DejaVuSans-Bold", "DejaVuSans-Oblique", "DejaVuSans-BoldOblique", "DejaVuSansMono"}
    assert {name for name in names if not name.startswith("NewCMMath-")} <= text, names
    assert {"DejaVuSans", "DejaVuSans-Bold", "DejaVuSansMono"} <= names
    assert all(line.split()[-5:-2] == ["yes", "yes", "yes"] for line in lines)  # embedded, subset, with Unicode


def test_pages_show_something(built: Built, tmp_path: Path) -> None:
    poppler("pdftoppm", "-r", "20", "-gray", str(built.folder / "report.pdf"), str(tmp_path / "page"))
    pages = sorted(tmp_path.glob("page*"))
    assert len(pages) >= 6
    for page in pages:
        header, size, depth, pixels = page.read_bytes().split(b"\n", 3)
        assert (header, depth) == (b"P5", b"255")
        assert min(pixels) < 100
        assert sum(pixels) / len(pixels) > 150, size
