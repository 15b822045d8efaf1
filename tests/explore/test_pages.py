"""Every lesson run by a real kernel, and read as a plain page."""

from __future__ import annotations

import itertools
import re
from pathlib import Path

import pytest
from bs4 import BeautifulSoup

from fishreport.exceptions import UsageError
from fishreport.explore import lesson
from fishreport.explore.catalogue import LINES
from fishreport.explore.pages import write_pages

pytestmark = [pytest.mark.build, pytest.mark.slow]


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, BeautifulSoup]:
    written = write_pages(tmp_path_factory.mktemp("pages") / "lessons")
    return {path.stem: BeautifulSoup(path.read_text(encoding="utf-8"), "html.parser") for path in written}


def test_the_index_leads_to_every_lesson(pages: dict[str, BeautifulSoup]) -> None:
    assert list(pages) == ["index", *LINES]
    links = {link["href"] for link in pages["index"].find("main").find_all("a")}  # type: ignore[union-attr]
    assert links == {f"{name}.html" for name in LINES}


@pytest.mark.parametrize("name", LINES)
def test_every_lesson_runs_and_shows_figures_and_numbers(name: str, pages: dict[str, BeautifulSoup]) -> None:
    page = pages[name]
    drawings = page.find_all("svg")
    assert len(drawings) == 2  # the panel's, and the repeats'
    assert all(drawing["role"] == "img" and len(str(drawing["aria-label"])) > 60 for drawing in drawings)
    said = [line.get_text() for line in page.find_all("p", role="status")]
    assert "the truth is" in said[0]
    assert "intervals hold the truth" in said[1]
    assert "No answer yet" in said[2]
    assert re.search(r"\d", page.find("pre", class_="printed").get_text())  # type: ignore[union-attr]
    assert len(page.find_all("table")) == 2
    assert page.find("math") is not None
    assert "Traceback" not in page.get_text()
    assert [item.get_text().split(":")[0] for item in page.find("ul", class_="settings").find_all("li")] == [  # type: ignore[union-attr]
        control.label.split(":")[0] for control in lesson(name).controls
    ]


@pytest.mark.parametrize("name", ["index", *LINES])
def test_pages_need_nothing_else_and_are_in_order(name: str, pages: dict[str, BeautifulSoup]) -> None:
    page = pages[name]
    assert page.html is not None
    assert page.html["lang"] == "en"
    assert not page.find_all(["script", "iframe", "link", "img"])
    assert all(not link["href"].startswith(("http", "//")) for link in page.find_all("a"))
    levels = [int(tag.name[1]) for tag in page.find_all(re.compile("^h[1-6]$"))]
    assert levels[0] == 1 and levels.count(1) == 1
    assert all(later <= earlier + 1 for earlier, later in itertools.pairwise(levels))
    assert all(cell.get("scope") in ("row", "col") for cell in page.find_all("th"))
    ids = [tag["id"] for tag in page.find_all(id=True)]
    assert len(ids) == len(set(ids))


def test_a_file_in_the_way_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "growth.html").write_text("mine", encoding="utf-8")
    with pytest.raises(UsageError, match="in the way"):
        write_pages(tmp_path, ["growth"])
    assert (tmp_path / "growth.html").read_text(encoding="utf-8") == "mine"


def test_a_page_of_ones_own_study_replaces_an_earlier_page(tmp_path: Path, repository: Path) -> None:
    for study in ("", str(repository / "demo_inputs")):
        written = write_pages(tmp_path, ["recapture"], study=study)
    assert [path.name for path in written] == ["index.html", "recapture.html"]
    text = written[1].read_text(encoding="utf-8")
    assert "Pellamy River" in text
