"""Keyboard, zoom, text spacing and PDF/UA-1 of a small report; and that the checks find what is wrong.

WCAG 2.2 (W3C Recommendation 2023-10-05) and ISO 14289-1. The whole table, over the demonstration study: ``accessibility.py`` here.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from page_checks import keyboard_walk, keys_do_what_they_say, open_details, sideways, spaced_out, squeezed
from pdf_checks import pdf_faults

from fishreport.report.build import Built

BAD = """<!doctype html><html lang="en"><title>Bad</title><style>.bare:focus { outline: none } .over { position: fixed; inset: 0 0 auto;
height: 60px; background: white; z-index: 3 } .cut { height: 1.2em; overflow: hidden; width: 9em } main { width: 40% }</style>
<div class="over">in the way</div><main><a href="#a" style="position: absolute; top: 10px">under it</a>
<button class="bare" style="margin-top: 90px">no ring</button><a href="#b" tabindex="2">out of order</a>
<p class="cut">just fits in</p><div style="width: 700px">wide</div></main></html>"""


@pytest.fixture(params=[1280, 320])
def page(request: pytest.FixtureRequest, chromium: Any, built: Built) -> Iterator[Any]:
    """The report at a desk, and at 400 % in the same window."""
    page = chromium.new_page(viewport={"width": request.param, "height": 1024 * request.param // 1280}, reduced_motion="reduce")
    page.goto((built.folder / "report.html").as_uri())
    yield page
    page.close()


@pytest.mark.build
@pytest.mark.browser
def test_tab_meets_everything_in_order_and_in_sight(page: Any) -> None:
    walk = keyboard_walk(page)
    assert walk.faults == []
    assert walk.stops == walk.wanted > 10
    assert {"skip link", "contents", "details", "scrolling part"} <= set(walk.kinds)


@pytest.mark.build
@pytest.mark.browser
def test_keys_do_what_they_say(page: Any) -> None:
    assert keys_do_what_they_say(page) == {"skip link": True, "details": True, "slider": None}


@pytest.mark.build
@pytest.mark.browser
def test_zoom_and_text_spacing_leave_all_of_it(page: Any) -> None:
    for opened in (False, True):
        open_details(page, opened)
        assert sideways(page) <= 0
    assert spaced_out(page) == [] and squeezed(page) == []


@pytest.mark.build
@pytest.mark.parametrize("name", ["report.pdf", "brief.pdf"])
def test_pdf_as_far_as_a_machine_can_tell(name: str, built: Built) -> None:
    found = pdf_faults(built.folder / name)
    assert {check: wrong for check, wrong in found.items() if wrong} == {}
    assert len(found) > 10


@pytest.mark.browser
def test_a_bad_page_is_found_out(chromium: Any, tmp_path: Path) -> None:
    (tmp_path / "bad.html").write_text(BAD, encoding="utf-8")
    page = chromium.new_page(viewport={"width": 320, "height": 256})
    page.goto((tmp_path / "bad.html").as_uri())
    walk = keyboard_walk(page)
    assert walk.hidden == ("link under it",)
    assert walk.without_ring == ("button no ring",)
    assert walk.out_of_order == ("under it",)
    assert sideways(page) > 300
    assert any("cut" in part for part in spaced_out(page))
    assert squeezed(page) == ["the text has 38% of the window"]
    page.close()


def test_a_bad_pdf_is_found_out(tmp_path: Path) -> None:
    import typst

    source = tmp_path / "bad.typ"
    source.write_text('= Head\n=== Deep\n#link("https://example.org")[x] #rect() text $x$', encoding="utf-8")
    file = tmp_path / "bad.pdf"
    file.write_bytes(typst.compile(str(source)))
    found = {check for check, wrong in pdf_faults(file).items() if wrong}
    assert {"says it is PDF/UA-1", "title, shown", "headings without a gap", "figures have alternatives"} <= found
