"""The brief's page in Chromium, on a phone and on a desk."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from brief_sample import SPECIES, made_document, made_results, made_study, rule_results, with_rules

from fishreport.analysis.result import Results
from fishreport.report.brief import render_brief

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory, chromium: Any) -> Iterator[Any]:
    folder = tmp_path_factory.mktemp("brief")
    narrative = {
        "summary.md": "# Summary\n\nBrown trout carry the fishery.\n",
        "recommendations.md": "1. **Wait.** Look again.\n",
    }
    study = made_study(folder / "study", species=6, objectives=12, narrative=narrative)
    study = with_rules(study, SPECIES[:2])
    results = Results([*made_results(SPECIES), *rule_results(SPECIES[:2])])
    (folder / "brief.html").write_bytes(render_brief(made_document(study, results), study, "html"))
    opened = chromium.new_page()
    opened.goto((folder / "brief.html").as_uri())
    yield opened
    opened.close()


@pytest.mark.parametrize("width", [320, 360, 1280])
def test_nothing_sticks_out(page: Any, width: int) -> None:
    """No sideways scrolling down to 320 pixels (WCAG 2.1, criterion 1.4.10), with the folded numbers open."""
    page.set_viewport_size({"width": width, "height": 800})
    page.evaluate("document.querySelectorAll('details').forEach(part => part.open = true)")
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    wide = (
        "[...document.querySelectorAll('.panel svg, .aims, p, li')].filter(e => e.getBoundingClientRect().right > innerWidth + 1)"
    )
    assert page.evaluate(f"{wide}.length") == 0


def test_words_in_drawings_can_be_read_on_a_phone(page: Any) -> None:
    page.set_viewport_size({"width": 360, "height": 800})
    heights = page.evaluate("[...document.querySelectorAll('.panel svg text')].map(e => e.getBoundingClientRect().height)")
    assert len(heights) > 30
    assert min(heights) >= 9


@pytest.mark.parametrize("width", [360, 1280])
def test_axe_finds_nothing(page: Any, width: int) -> None:
    """axe-core, all its rules."""
    from axe_playwright_python.sync_playwright import Axe

    page.set_viewport_size({"width": width, "height": 800})
    found = Axe().run(page)
    assert found.violations_count == 0, found.generate_report()
