"""A table of many intervals fits the column at a desk: an interval may go below its value, and is never broken itself."""

from __future__ import annotations

from typing import Any

import pytest
from jinja2 import Environment, FileSystemLoader

from fishreport.resources import locate

pytestmark = pytest.mark.browser

COLUMN = 829  # px, of the report's text on a window of 1280 px
CELL = "25.5% (−4.2 to 61.7)"


def _page(columns: int) -> str:
    folder = locate("templates") / "html"
    templates = Environment(loader=FileSystemLoader(str(folder)), autoescape=False)
    templates.filters |= {"line": lambda text, place: text, "drawing": str, "verdict_kind": str, "filter_data_type": list}
    data = {
        "columns": [{"heading": f"Head {i}", "units": "", "align": "right" if i else "left"} for i in range(columns)],
        "rows": [["Brown trout", *[CELL] * (columns - 1)]],
        "shades": [],
    }
    macros: Any = templates.get_template("exhibits.html.j2").module
    style = (folder / "style.css").read_text(encoding="utf-8")
    return f'<style>{style}</style><div class="scroll" style="width: {COLUMN}px">{macros.grid(data, "", "Caption")}</div>'


@pytest.mark.parametrize(("columns", "two_lines"), [(4, False), (5, False), (7, True)])
def test_an_interval_goes_below_its_value_only_where_there_is_no_room(chromium: Any, columns: int, two_lines: bool) -> None:
    page = chromium.new_page(viewport={"width": 1280, "height": 900})
    page.set_content(_page(columns))
    wide, room = page.evaluate("(e => [e.scrollWidth, e.clientWidth])(document.querySelector('.scroll'))")
    assert wide <= room
    heights = page.evaluate("[...document.querySelectorAll('td, .whole')].map(e => [e.className, e.getClientRects().length])")
    assert all(lines == 1 for _, lines in heights)
    tall = page.evaluate("document.querySelector('td').getBoundingClientRect().height")
    assert (tall > 40) is two_lines
    assert page.inner_text("td").split() == CELL.split()  # nothing is lost, and a space parts the two
    page.close()
