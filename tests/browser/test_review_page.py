"""The page of a review in Chromium: axe finds nothing, nothing is loaded from elsewhere, it fits a phone."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import pytest
from page_checks import spaced_out, squeezed

from fishreport.report.build import Built
from fishreport.report.review import review

pytestmark = [pytest.mark.browser, pytest.mark.build]


@pytest.fixture(scope="module")
def page_file(built: Built, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A review of a report against a copy in which a result, a table, a figure, a verdict, a row and a sentence differ."""
    folder = tmp_path_factory.mktemp("review")
    other = folder / "other"
    shutil.copytree(built.folder, other)
    changes = {
        "results.json": (('"value": 40.0', '"value": 70.0'), ('"upper": 60.0', '"upper": 90.0')),
        "chapters/01-catch.ipynb": (("#0b5d7a", "#9c3f0c"), ('"Ford",\n', '"Weir pool",\n'), ("fell.", "rose.")),
        "chapters/00-front.ipynb": (('"verdict": "met"', '"verdict": "not met"'),),
        "inputs/fish.csv": (("R2,BNT,205", "R2,BNT,305"),),
    }
    for name, pairs in changes.items():
        text = (other / name).read_text(encoding="utf-8")
        for before, after in pairs:
            assert before in text, (name, before)
            text = text.replace(before, after)
        (other / name).write_text(text, encoding="utf-8")
    done = review(built.folder, other, out=folder / "page")
    assert done.beyond or done.moves
    assert done.verdicts and done.tables and done.figures and done.texts and done.rows.rows
    return folder / "page" / "review.html"


@pytest.mark.parametrize("width", [1280, 360])
def test_axe_finds_nothing(chromium: Any, page_file: Path, width: int) -> None:
    from axe_playwright_python.sync_playwright import Axe

    asked: list[str] = []
    page = chromium.new_page(viewport={"width": width, "height": 900})
    page.on("request", lambda request: asked.append(request.url))
    page.goto(page_file.as_uri())
    for details in page.query_selector_all("details"):
        details.evaluate("element => element.open = true")
    found = Axe().run(page).response["violations"]
    assert [(rule["id"], [node["html"][:120] for node in rule["nodes"][:3]]) for rule in found] == []
    assert asked == [page_file.as_uri()]
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    page.close()


def test_a_phone_gives_the_text_its_width(chromium: Any, page_file: Path) -> None:
    page = chromium.new_page(viewport={"width": 320, "height": 256})
    page.goto(page_file.as_uri())
    assert squeezed(page) == [] and spaced_out(page) == []
    page.close()
