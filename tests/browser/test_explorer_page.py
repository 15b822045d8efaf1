"""The explorer in Chromium: moved by keyboard, read out, silent without script, and on paper a table."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from nbformat import NotebookNode
from tiny import write_study

from fishreport.exhibits.exhibit import Column, Control, Explorer, Table
from fishreport.report.assemble import Document, assemble
from fishreport.report.html import render_html
from fishreport.report.pdf import render_pdf
from fishreport.report.plan import PlannedChapter
from fishreport.report.run import ExecutedChapter
from fishreport.study import read_study

pytestmark = [pytest.mark.build, pytest.mark.browser]
LENGTHS, EFFORTS = ("no minimum length", "250 mm", "500 mm"), ("half of today's", "as today")


def explorer(label: str) -> Explorer:
    """Two outcomes over three lengths and two efforts; a cell names its own place."""
    cells, bars = [], []
    for i in range(3):
        for j in range(2):
            for k in range(2):
                cells.append((f"{100 * i + 10 * j + k}", f"{i} to {i + 9}", f"+{j} </script><b>&"))
                bars.append((10.0 * i, 10.0 * i + 5 * j, 90.0) if k == 0 else None)
    columns = (Column("Minimum length", align="left"), Column("Harvest", "fish/km"))
    shades = ((None, 0.0), (None, 0.5), (None, 1.0))
    table = Table(label, "Outcomes by minimum length.", columns, tuple((length, "7") for length in LENGTHS), shades=shades)
    return Explorer(
        table, "Brown trout: move the minimum length.", (Control("Minimum length", LENGTHS, 1), Control("Angling", EFFORTS, 1)),
        ("Harvest, fish/km", "Trophy fish, fish/km"), tuple(cells), tuple(bars), ("Median", "95% interval", "Against today"),
    )  # fmt: skip


def node(value: Any) -> Any:
    if isinstance(value, dict):
        return NotebookNode({key: node(item) for key, item in value.items()})
    return [node(item) for item in value] if isinstance(value, list) else value


@pytest.fixture(scope="module")
def document(tmp_path_factory: pytest.TempPathFactory) -> Any:
    """A function that puts the document together anew, since rendering numbers its headings."""
    study = read_study(write_study(tmp_path_factory.mktemp("explorer") / "study"))

    def make() -> Document:
        outputs = [
            {"output_type": "display_data", "metadata": {}, "data": json.loads(json.dumps(explorer(label)._repr_mimebundle_()))}
            for label in ("first", "second")
        ]
        cell = {"cell_type": "code", "metadata": {}, "source": "show()", "execution_count": 1, "outputs": outputs}
        title = {"cell_type": "markdown", "metadata": {}, "source": "# Scenarios"}
        notebook = node({"nbformat": 4, "nbformat_minor": 5, "metadata": {}, "cells": [title, cell]})
        return assemble(
            study, [ExecutedChapter(PlannedChapter("scenarios", 1, Path("scenarios.ipynb")), notebook, "", False, 0.0)]
        )

    return make


@pytest.fixture(scope="module")
def address(document: Any, tmp_path_factory: pytest.TempPathFactory) -> str:
    path = tmp_path_factory.mktemp("page") / "report.html"
    path.write_bytes(render_html(document()))
    return path.as_uri()


@pytest.fixture
def visit(chromium: Any, address: str) -> Any:
    page = chromium.new_page(viewport={"width": 1100, "height": 900})
    said: list[str] = []
    page.on("console", lambda message: said.append(message.text))
    page.on("pageerror", lambda error: said.append(str(error)))
    page.on("request", lambda request: None if request.url == address else said.append(request.url))
    page.goto(address)
    yield page
    assert said == []
    page.close()


def shown(page: Any, label: str) -> list[list[str]]:
    return page.evaluate(
        "label => [...document.querySelectorAll(`#table-scenarios-${label} .explorer-live tbody tr`)]"
        ".map(row => [...row.querySelectorAll('td')].map(cell => cell.textContent.trim()))",
        label,
    )


def test_keys_move_it_and_the_outcome_follows(visit: Any) -> None:
    assert shown(visit, "first") == [["110", "1 to 10", "+1 </script><b>&"], ["111", "1 to 10", "+1 </script><b>&"]]
    slider = visit.locator("#table-scenarios-first").get_by_role("slider", name="Minimum length")
    slider.focus()
    visit.keyboard.press("ArrowRight")
    assert shown(visit, "first")[0][:2] == ["210", "2 to 11"]
    assert shown(visit, "second")[0][0] == "110"  # each explorer by itself
    assert slider.get_attribute("aria-valuetext") == "500 mm"
    visit.keyboard.press("Home")
    visit.keyboard.press("Tab")
    visit.keyboard.press("ArrowLeft")
    assert shown(visit, "first")[1][0] == "1"
    assert (
        visit.locator("#table-scenarios-first").get_by_role("slider", name="Angling").get_attribute("aria-valuetext")
        == "half of today's"
    )
    bars = visit.evaluate(
        "[...document.querySelectorAll('#table-scenarios-first .explorer-range')]"
        ".map(bar => [bar.hidden, bar.style.left, bar.style.width])"
    )
    assert bars[0] == [False, "0%", "90%"]
    assert bars[1][0] is True


def test_it_is_read_out_once_it_rests(visit: Any) -> None:
    live = visit.locator("#table-scenarios-first output")
    assert live.get_attribute("aria-live") == "polite"
    assert live.text_content() == ""
    visit.locator("#table-scenarios-first").get_by_role("slider", name="Minimum length").focus()
    visit.keyboard.press("ArrowRight")
    visit.wait_for_function("document.querySelector('#table-scenarios-first output').textContent !== ''")
    assert live.text_content() == "500 mm; as today. Harvest, fish/km: 210, 2 to 11. Trophy fish, fish/km: 211, 2 to 11."


def test_names_and_values_for_a_screen_reader(visit: Any) -> None:
    tree = visit.locator("#table-scenarios-first").aria_snapshot()
    assert 'slider "Minimum length"' in tree
    assert 'slider "Angling"' in tree


@pytest.mark.parametrize("width", [1100, 360])
def test_axe_finds_nothing(chromium: Any, address: str, width: int) -> None:
    from axe_playwright_python.sync_playwright import Axe

    page = chromium.new_page(viewport={"width": width, "height": 800})
    page.goto(address)
    page.evaluate("document.querySelectorAll('details.explorer-table').forEach(part => part.open = true)")
    found = Axe().run(page)
    assert found.violations_count == 0, found.generate_report()
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    page.close()


@pytest.mark.parametrize("width", [320, 390, 640])
def test_on_a_phone_every_cell_is_in_sight_under_its_heading(chromium: Any, address: str, width: int) -> None:
    page = chromium.new_page(viewport={"width": width, "height": 800})
    page.goto(address)
    found = page.evaluate(
        "[...document.querySelectorAll('#table-scenarios-first .explorer-live tbody td')].map(cell => {"
        "const box = cell.getBoundingClientRect();"
        "return [box.left, box.right, cell.scrollWidth > cell.clientWidth + 1, getComputedStyle(cell, '::before').content]})"
    )
    assert len(found) == 6
    for left, right, cut_off, heading in found:
        assert 0 <= left < right <= width
        assert not cut_off
        assert heading.strip('"') in ("Median", "95% interval", "Against today")
    tree = page.locator("#table-scenarios-first .explorer-live").aria_snapshot()
    assert 'rowheader "Harvest, fish/km"' in tree
    assert "cell" in tree
    page.close()


def test_without_script_there_is_the_table(chromium: Any, address: str) -> None:
    browsing = chromium.new_context(java_script_enabled=False)
    page = browsing.new_page()
    page.goto(address)
    assert not page.locator(".explorer-live").first.is_visible()
    assert page.locator("#table-scenarios-first .explorer-table table").is_visible()
    assert page.locator("#table-scenarios-first .explorer-table td").all_inner_texts() == ["7", "7", "7"]
    browsing.close()


def test_shades_are_a_ground_under_the_number(visit: Any) -> None:
    visit.evaluate("document.querySelectorAll('details.explorer-table').forEach(part => part.open = true)")
    grounds = visit.evaluate(
        "[...document.querySelectorAll('#table-scenarios-first .explorer-table td')]"
        ".map(cell => getComputedStyle(cell).backgroundColor)"
    )
    assert len(set(grounds)) == 3
    assert grounds[0] == "rgb(255, 255, 255)"


def test_no_handler_stands_in_the_markup_and_the_bytes_stay(document: Any) -> None:
    page = render_html(document())
    assert page == render_html(document())
    assert b"onclick" not in page
    assert b"oninput" not in page
    assert b"+1 </script>" not in page


@pytest.mark.pdf
def test_on_paper_it_is_a_table(document: Any, tmp_path: Path) -> None:
    import subprocess

    path = tmp_path / "report.pdf"
    path.write_bytes(render_pdf(document()))
    text = subprocess.run(["pdftotext", "-layout", str(path), "-"], capture_output=True, text=True, check=True).stdout
    assert "Table 1.1. Outcomes by minimum length." in text
    assert "no minimum length" in text
    assert "move the minimum length" not in text
