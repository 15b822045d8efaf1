"""Drawings made safe to stand beside each other in one page: their ids and styles are their own."""

from __future__ import annotations

import re
from html import escape

from fishreport.exceptions import ReportError

_HEAD = re.compile(r"\A.*?(?=<svg\b)", re.DOTALL)
_ID = re.compile(r'\bid="([^"]+)"')
_URL = re.compile(r"url\(#([^)]+)\)")
_LINK = re.compile(r'href="#([^"]+)"')
_ROOT = re.compile(r"<svg\b[^>]*>", re.DOTALL)
_SIZE = re.compile(r'\s(?:width|height)="[^"]*"')
_STYLE = re.compile(r"(<style[^>]*>)(.*?)(</style>)", re.DOTALL)
_METADATA = re.compile(r"<metadata>.*?</metadata>", re.DOTALL)
_UNSAFE = re.compile(r"<script\b|<foreignObject\b|\son[a-z]+\s*=|href=\"(?!#|data:image/)", re.IGNORECASE)
_VIEW = re.compile(r'viewBox="\s*([\d.+-]+)[\s,]+([\d.+-]+)[\s,]+([\d.+-]+)[\s,]+([\d.+-]+)\s*"')


def check_svg(svg: str, where: str) -> str:
    """The drawing from its root element on; scripts and outside references are refused."""
    drawing = _HEAD.sub("", svg, count=1)
    if not drawing.lstrip().startswith("<svg"):
        raise ReportError(f"{where}: the drawing is not an SVG")
    if _UNSAFE.search(drawing):
        raise ReportError(f"{where}: the drawing holds a script or refers to something outside itself")
    return _METADATA.sub("", drawing)


def inline_svg(svg: str, anchor: str, alt: str) -> str:
    """The drawing as an element of a page: ids begin with `anchor`, styles reach no further, `alt` is its text alternative."""
    drawing = check_svg(svg, anchor)
    drawing = _ID.sub(lambda found: f'id="{anchor}-{found[1]}"', drawing)
    drawing = _URL.sub(lambda found: f"url(#{anchor}-{found[1]})", drawing)
    drawing = _LINK.sub(lambda found: f'href="#{anchor}-{found[1]}"', drawing)
    drawing = _STYLE.sub(
        lambda found: found[1] + re.sub(r"(^|\})\s*\*\s*\{", rf"\1#{anchor}-svg *{{", found[2]) + found[3], drawing
    )

    def root(found: re.Match[str]) -> str:
        kept = _SIZE.sub("", _ID.sub("", found[0]).replace("<svg", "", 1).rstrip(">"))
        return f'<svg id="{anchor}-svg" role="img" aria-label="{escape(alt)}"{kept}>'

    return _ROOT.sub(root, drawing, count=1).strip()


def proportions(svg: str) -> float:
    """Height over width of the drawing; 0.6 when it does not say."""
    found = _VIEW.search(svg)
    return float(found[4]) / float(found[3]) if found and float(found[3]) > 0 else 0.6
