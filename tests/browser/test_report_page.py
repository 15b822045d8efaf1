"""The page in Chromium: reachable, readable on a phone, quiet, and complete in itself."""

from __future__ import annotations

import itertools
import re
from typing import Any

import pytest

from fishreport.report.build import Built

pytestmark = [pytest.mark.build, pytest.mark.browser]


class Visit:
    """A page with what it asked for and what it complained of."""

    def __init__(self, browser: Any, built: Built, width: int, height: int) -> None:
        self.requests: list[str] = []
        self.complaints: list[str] = []
        self.page = browser.new_page(viewport={"width": width, "height": height})
        self.page.on("request", lambda request: self.requests.append(request.url))
        self.page.on("console", lambda message: self.complaints.append(message.text))
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.page.goto((built.folder / "report.html").as_uri())


@pytest.fixture(scope="module")
def desk(chromium: Any, built: Built) -> Visit:
    return Visit(chromium, built, 1280, 900)


@pytest.fixture(scope="module")
def phone(chromium: Any, built: Built) -> Visit:
    return Visit(chromium, built, 360, 740)


def test_needs_nothing_else(desk: Visit) -> None:
    assert [url for url in desk.requests if not url.startswith("data:")] == [desk.page.url]
    assert desk.complaints == []


@pytest.mark.parametrize("opened", [False, True])
@pytest.mark.parametrize("which", ["desk", "phone"])
def test_axe_finds_nothing(which: str, opened: bool, request: pytest.FixtureRequest) -> None:
    """axe-core, all its rules, with the folded parts closed and open."""
    from axe_playwright_python.sync_playwright import Axe

    page = request.getfixturevalue(which).page
    page.evaluate(
        f"document.querySelectorAll('details.code, details.numbers').forEach(part => part.open = {str(opened).lower()})"
    )
    found = Axe().run(page)
    assert found.violations_count == 0, found.generate_report()


def test_headings_have_no_gap(desk: Visit) -> None:
    levels = [
        int(name[1]) for name in desk.page.evaluate("[...document.querySelectorAll('h1,h2,h3,h4,h5,h6')].map(h => h.tagName)")
    ]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(later <= earlier + 1 for earlier, later in itertools.pairwise(levels))


def test_every_drawing_says_what_it_shows(desk: Visit) -> None:
    """axe does not flag inline SVG without a text alternative: checked here."""
    drawings = desk.page.evaluate(
        "[...document.querySelectorAll('svg')].map(s => [s.getAttribute('role'), s.getAttribute('aria-label') || ''])"
    )
    assert len(drawings) == 2
    assert all(role == "img" and len(words) > 20 for role, words in drawings)
    assert re.search(r"""- '?img "[^"\n]*Bars""", desk.page.locator("body").aria_snapshot())


def test_ids_are_unique_and_links_lead_somewhere(desk: Visit) -> None:
    assert (
        desk.page.evaluate(
            "(() => { const i = [...document.querySelectorAll('[id]')].map(e => e.id); return i.length - new Set(i).size })()"
        )
        == 0
    )
    broken = desk.page.evaluate(
        "[...document.querySelectorAll('a[href^=\"#\"]')].map(a => a.getAttribute('href').slice(1))"
        ".filter(i => !document.getElementById(i))"
    )
    assert broken == []


def test_every_table_has_a_caption_or_name_and_scoped_headers(desk: Visit) -> None:
    assert desk.page.evaluate("[...document.querySelectorAll('.exhibit table, .numbers table')].every(t => t.caption)")
    assert desk.page.evaluate("[...document.querySelectorAll('th')].every(t => ['row', 'col'].includes(t.scope))")


def test_a_phone_never_scrolls_the_page_sideways(phone: Visit) -> None:
    assert phone.page.evaluate("document.documentElement.scrollWidth") <= 360
    wide = phone.page.evaluate(
        "[...document.querySelectorAll('.scroll, .drawing')].filter(s => s.scrollWidth > s.clientWidth + 1)"
        ".map(s => [s.tabIndex, s.getAttribute('aria-label')])"
    )
    assert wide
    assert all(index == 0 and label for index, label in wide)


def test_captions_stay_in_sight_on_a_phone(phone: Visit) -> None:
    widths = phone.page.evaluate(
        "[...document.querySelectorAll('.exhibit.table caption')].map(c => c.getBoundingClientRect().right)"
    )
    assert max(widths) <= 360


def test_contents_list_the_parts_of_chapters(desk: Visit) -> None:
    """Every heading below a chapter's own is listed under its chapter, in order, and seen beside the report at a desk."""
    listed = desk.page.evaluate(
        "[...document.querySelectorAll('.contents li.folds')].map(item => [item.querySelector('a').hash.slice(1),"
        " [...item.querySelectorAll('.parts a')].map(a => [a.hash.slice(1), a.textContent, a.getClientRects().length > 0])])"
    )
    there = desk.page.evaluate(
        "[...document.querySelectorAll('.chapter')].map(part => [part.id,"
        " [...part.querySelectorAll('h3')].map(head => [head.id, head.textContent, true])]).filter(part => part[1].length)"
    )
    assert listed == there
    assert sum(len(parts) for _, parts in listed) >= 3


def test_contents_fold_by_chapter_on_a_phone(chromium: Any, built: Built) -> None:
    page = Visit(chromium, built, 390, 844).page
    parts = page.locator(".contents .parts").first
    first = parts.locator("a").first
    assert not first.is_visible()
    parts.locator("summary").focus()
    page.keyboard.press("Enter")
    assert first.is_visible()
    first.click()
    page.wait_for_function("Math.abs(document.getElementById(location.hash.slice(1)).getBoundingClientRect().top) < 5")


def test_wide_parts_say_that_they_scroll_and_keep_their_first_column(phone: Visit) -> None:
    """The words stand where there is more to the side, and only there; the first column stays when the rest moves."""
    told = phone.page.evaluate(
        """() => [...document.querySelectorAll('.scroll:has(caption)')].filter(part => part.checkVisibility()).map(part =>
             [part.scrollWidth > part.clientWidth,
              getComputedStyle(part.querySelector('caption'), '::after').visibility === 'visible'])"""
    )
    assert {wide for wide, _ in told} == {True, False}
    assert all(wide == said for wide, said in told)
    moved = phone.page.evaluate(
        """() => [...document.querySelectorAll('.exhibit.table:not(.scorecard) > .scroll')]
             .filter(part => part.scrollWidth > part.clientWidth + 20).map(part => {
               const cell = part.querySelector('tbody th'), before = cell.getBoundingClientRect().left;
               part.scrollLeft = 20;
               const after = cell.getBoundingClientRect().left, other = part.scrollLeft;
               part.scrollLeft = 0;
               return [other, Math.abs(after - before) < 1]; })"""
    )
    assert moved
    assert all(by == 20 and kept for by, kept in moved)


def test_the_keyboard_reaches_the_report(desk: Visit) -> None:
    desk.page.evaluate("window.scrollTo(0, 0); document.activeElement.blur()")
    desk.page.keyboard.press("Tab")
    assert desk.page.evaluate("document.activeElement.className") == "skip"
    desk.page.keyboard.press("Enter")
    assert desk.page.evaluate("document.activeElement.id") == "report"


def test_numbers_of_a_figure_unfold(desk: Visit) -> None:
    desk.page.evaluate("document.querySelectorAll('details.numbers').forEach(part => part.open = false)")
    numbers = desk.page.locator("#figure-catch-counts details.numbers")
    assert not numbers.locator("table").is_visible()
    numbers.locator("summary").click()
    assert numbers.locator("table").is_visible()
    assert numbers.locator("td").all_inner_texts() == ["20", "20"]


def test_paper_shows_no_code(chromium: Any, built: Built) -> None:
    visit = Visit(chromium, built, 1000, 800)
    visit.page.emulate_media(media="print")
    assert not visit.page.locator("nav.contents").is_visible()
    assert not visit.page.locator("details.code").first.is_visible()
    assert visit.page.locator("h1").is_visible()


def test_formulas_are_drawn(desk: Visit) -> None:
    boxes = desk.page.evaluate("[...document.querySelectorAll('math')].map(m => m.getBoundingClientRect().height)")
    assert len(boxes) == 2
    assert all(height > 10 for height in boxes)
