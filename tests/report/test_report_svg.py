"""Drawings beside each other in one page."""

from __future__ import annotations

import xml.etree.ElementTree as ElementTree

import pytest

from fishreport.exceptions import ReportError
from fishreport.report.svg import check_svg, inline_svg, proportions

DRAWING = """<?xml version="1.0"?>
<!DOCTYPE svg PUBLIC "-//W3C//DTD SVG 1.1//EN" "x">
<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink"
 width="200pt" height="100pt" viewBox="0 0 200 100">
<metadata>when</metadata>
<defs><style type="text/css">*{stroke-linejoin: round}</style><clipPath id="p1"><rect width="1" height="1"/></clipPath></defs>
<g id="g1" clip-path="url(#p1)"><use xlink:href="#g1"/><text>α &lt; 5</text></g>
</svg>"""


def test_ids_links_and_styles_are_its_own() -> None:
    inline = inline_svg(DRAWING, "figure-a-b", 'Bars: "20" fish & <more>')
    root = ElementTree.fromstring(inline)
    ids = [element.get("id") for element in root.iter() if element.get("id")]
    assert ids == ["figure-a-b-svg", "figure-a-b-p1", "figure-a-b-g1"]
    assert "url(#figure-a-b-p1)" in inline
    assert 'href="#figure-a-b-g1"' in inline
    assert "#figure-a-b-svg *{stroke-linejoin" in inline.replace("* {", "*{")
    assert root.get("role") == "img"
    assert root.get("aria-label") == 'Bars: "20" fish & <more>'
    assert root.get("viewBox") == "0 0 200 100"
    assert root.get("width") is None
    assert "when" not in inline
    assert not inline.startswith("<?xml")


@pytest.mark.parametrize(
    "bad",
    [
        "<svg><script>x</script></svg>",
        '<svg onload="x"></svg>',
        '<svg><image href="https://example.org/x.png"/></svg>',
        '<svg><a href="javascript:x">y</a></svg>',
        "<p>no drawing</p>",
    ],
)
def test_unsafe_drawings_are_refused(bad: str) -> None:
    with pytest.raises(ReportError, match="figure-x"):
        check_svg(bad, "figure-x")


def test_proportions() -> None:
    assert proportions(DRAWING) == 0.5
    assert proportions("<svg></svg>") == 0.6
