"""Picture files of the study folder: whether they hold what their names say."""

from __future__ import annotations

import warnings
from pathlib import Path
from xml.etree import ElementTree

from fishreport.exceptions import ReportError
from fishreport.report.svg import check_svg

IMAGES = {".png": "png", ".jpg": "jpg", ".jpeg": "jpg", ".gif": "gif", ".svg": "svg", ".webp": "webp"}
MAX_BYTES = 30_000_000
MAX_POINTS = 60_000_000
_FORMATS = {"png": "PNG", "jpg": "JPEG", "gif": "GIF", "webp": "WEBP"}


def _drawing_fault(path: Path) -> str:
    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError:
        return "it is not UTF-8 text"
    if "<!ENTITY" in text:
        return "it defines entities"
    try:
        check_svg(text, path.name)
    except ReportError:
        return "it is no drawing, holds a script, or refers to something outside itself"
    try:
        ElementTree.fromstring(text)
    except ElementTree.ParseError:
        return "it is damaged"
    return ""


def _photograph_fault(path: Path, kind: str) -> str:
    from PIL import Image

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of sizes; these are looked at here
            with Image.open(path, formats=[kind]) as image:
                if image.width * image.height > MAX_POINTS:
                    return f"it has {image.width} by {image.height} points, and {MAX_POINTS // 1_000_000} million are the most"
                image.load()
    except Exception:  # whatever a damaged file makes the reader stumble on
        return f"it is damaged, or no {kind} file"
    return ""


def picture_fault(path: Path) -> str:
    """What keeps a picture from being shown, in words; empty when nothing does."""
    try:
        size = path.stat().st_size
        if size > MAX_BYTES:
            return f"it has {size / 1e6:.0f} MB, and {MAX_BYTES / 1e6:.0f} are the most"
        kind = IMAGES[path.suffix.lower()]
        return _drawing_fault(path) if kind == "svg" else _photograph_fault(path, _FORMATS[kind])
    except OSError as error:
        return f"it cannot be read ({error.strerror})"
