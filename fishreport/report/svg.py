"""Drawings made safe to stand beside each other in one page: shapes and text only, their ids and styles their own.

A drawing is read as XML and must hold nothing that is not known to be harmless. Since a page is read by the rules of HTML and not
of XML, what the two read differently (comments, CDATA sections, instructions) is taken out or refused.
"""

from __future__ import annotations

import re
from functools import lru_cache
from html import escape
from xml.etree import ElementTree

from fishreport.exceptions import ReportError

_HEAD = re.compile(r"\A.*?(?=<svg\b)", re.DOTALL)
_ID = re.compile(r'\bid="([^"]+)"')
_URL = re.compile(r"url\(#([^)]+)\)")
_LINK = re.compile(r'href="#([^"]+)"')
_ROOT = re.compile(r"<svg\b[^>]*>", re.DOTALL)
_TAG = re.compile(r"<[^>]*>")
_SIZE = re.compile(r'\s(?:width|height)="[^"]*"')
_STYLE = re.compile(r"(<style[^>]*>)(.*?)(</style>)", re.DOTALL)
_METADATA = re.compile(r"<metadata\b.*?</metadata>|<metadata\b[^>]*/>", re.DOTALL)
_COMMENT = re.compile(r"<!--.*?-->", re.DOTALL)
_VIEW = re.compile(r'viewBox="\s*([\d.+-]+)[\s,]+([\d.+-]+)[\s,]+([\d.+-]+)[\s,]+([\d.+-]+)\s*"')
_NAMESPACE = "{http://www.w3.org/2000/svg}"
_ELEMENTS = frozenset(
    (
        *(
            "svg",
            "g",
            "defs",
            "symbol",
            "use",
            "path",
            "rect",
            "circle",
            "ellipse",
            "line",
            "polyline",
            "polygon",
            "image",
            "style",
        ),
        *("text", "tspan", "textPath", "clipPath", "mask", "pattern", "marker", "linearGradient", "radialGradient", "stop"),
        *("filter", "feColorMatrix", "feGaussianBlur", "feOffset", "feBlend", "feFlood", "feComposite", "feMerge", "feMergeNode"),
    )
)
_PICTURE = re.compile(r"data:image/(?:png|jpeg|gif|webp);base64,[A-Za-z0-9+/=\s]*")
_OUTSIDE = re.compile(r"url\s*\(\s*['\"]?(?!#)|@import|javascript:|expression\s*\(|\\", re.IGNORECASE)


def _fault(root: ElementTree.Element) -> str:
    """What makes a drawing unsafe, or empty."""
    for element in root.iter():
        name = element.tag.removeprefix(_NAMESPACE)
        if name not in _ELEMENTS:
            return f"holds a {name.rpartition('}')[2]!r}"
        if name == "style" and (_OUTSIDE.search(element.text or "") or "<" in (element.text or "") or len(element)):
            return "has a style that refers to something outside itself"
        for key, value in element.attrib.items():
            attribute = key.rpartition("}")[2].casefold()
            if attribute.startswith("on"):
                return "holds a script"
            if attribute == "href" and not value.startswith("#") and not _PICTURE.fullmatch(value):
                return "refers to something outside itself"
            if attribute != "href" and (_OUTSIDE.search(value) or "<" in value or ">" in value):
                return f"has an attribute {attribute!r} that is not safe"
    return ""


@lru_cache(maxsize=128)  # the same drawing goes on the screen and on paper
def check_svg(svg: str, where: str) -> str:
    """The drawing from its root element on; what is no shape or text, scripts and outside references are refused."""
    drawing = _HEAD.sub("", svg, count=1)
    if not drawing.lstrip().startswith("<svg"):
        raise ReportError(f"{where}: the drawing is not an SVG")
    drawing = _COMMENT.sub("", _METADATA.sub("", drawing))
    if "<!" in drawing or "<?" in drawing:
        raise ReportError(f"{where}: the drawing holds a declaration, an instruction or a CDATA section; write it without")
    try:
        fault = _fault(ElementTree.fromstring(drawing))
    except (ElementTree.ParseError, ValueError, RecursionError):
        raise ReportError(f"{where}: the drawing is not well-formed XML; write it again") from None
    if fault:
        raise ReportError(f"{where}: the drawing {fault}; a drawing holds shapes and text only")
    return drawing


def inline_svg(svg: str, anchor: str, alt: str) -> str:
    """The drawing as an element of a page: ids begin with `anchor`, styles reach no further, `alt` is its text alternative."""

    def own(found: re.Match[str]) -> str:
        tag = _ID.sub(lambda one: f'id="{anchor}-{one[1]}"', found[0])
        tag = _URL.sub(lambda one: f"url(#{anchor}-{one[1]})", tag)
        return _LINK.sub(lambda one: f'href="#{anchor}-{one[1]}"', tag)

    def style(found: re.Match[str]) -> str:
        rules = re.sub(r"(^|\})\s*\*\s*\{", rf"\1#{anchor}-svg *{{", found[2])
        return found[1] + _URL.sub(lambda one: f"url(#{anchor}-{one[1]})", rules) + found[3]

    def root(found: re.Match[str]) -> str:
        kept = _SIZE.sub("", _ID.sub("", found[0]).replace("<svg", "", 1).removesuffix(">").removesuffix("/"))
        close = "/>" if found[0].endswith("/>") else ">"
        return f'<svg id="{anchor}-svg" role="img" aria-label="{escape(alt)}"{kept}{close}'

    drawing = _STYLE.sub(style, _TAG.sub(own, check_svg(svg, anchor)))
    return _ROOT.sub(root, drawing, count=1).strip()


def proportions(svg: str) -> float:
    """Height over width of the drawing; 0.6 when it does not say."""
    found = _VIEW.search(svg)
    try:
        width, height = (float(found[3]), float(found[4])) if found else (0.0, 0.0)
    except ValueError:
        return 0.6
    return min(height / width, 3.0) if width > 0 and height > 0 else 0.6
