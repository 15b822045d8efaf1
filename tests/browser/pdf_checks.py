"""What a PDF must carry to be read out: checks by machine of PDF/UA-1 (ISO 14289-1) on the file as written.

Typst refuses to write a PDF/UA-1 file whose tags it knows to be wrong; these look at the file itself, as far as a machine can.
Whether an alternative says what a figure shows, a person must judge.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

_SHOWS = {b"Tj", b"TJ", b"'", b'"', b"S", b"s", b"f", b"F", b"f*", b"B", b"B*", b"b", b"b*", b"Do", b"sh", b"EI"}


def _elements(node: Any, above: tuple[str, ...] = ()) -> Iterator[tuple[str, Any, tuple[str, ...]]]:
    """Every structure element with its type and the types above it."""
    from pypdf.generic import ArrayObject, DictionaryObject

    node = node.get_object()
    if isinstance(node, ArrayObject):
        for item in node:
            yield from _elements(item, above)
    elif isinstance(node, DictionaryObject):
        kind = str(node.get("/S", ""))
        if kind:
            yield kind, node, above
        if "/K" in node:
            yield from _elements(node["/K"], (*above, kind) if kind else above)


def _untagged(page: Any, reader: Any) -> int:
    """How many drawing operators of a page lie neither in tagged content nor in an artifact."""
    from pypdf.generic import ContentStream

    depth, loose = 0, 0
    content = page.get_contents()
    if content is None:
        return 0
    for _, operator in ContentStream(content, reader).operations:
        if operator in (b"BDC", b"BMC"):
            depth += 1
        elif operator == b"EMC":
            depth -= 1
        elif operator in _SHOWS and depth == 0:
            loose += 1
    return loose


def _fonts_inside(page: Any, found: dict[str, bool]) -> None:
    for font in (page.get("/Resources") or {}).get("/Font", {}).values():
        font = font.get_object()
        inner = font["/DescendantFonts"][0].get_object() if "/DescendantFonts" in font else font
        descriptor = inner.get("/FontDescriptor", {})
        whole = font.get("/Subtype") == "/Type3" or any(f"/FontFile{end}" in descriptor for end in ("", "2", "3"))
        found[str(font.get("/BaseFont", "Type 3"))] = whole and "/ToUnicode" in font


def pdf_faults(path: Path) -> dict[str, list[str]]:
    """Each check of a PDF with what is wrong; an empty list passes."""
    from pypdf import PdfReader

    reader = PdfReader(path)
    root = reader.trailer["/Root"]
    xmp = root["/Metadata"].get_object().get_data().decode("utf-8", "replace") if "/Metadata" in root else ""
    tree = list(_elements(root["/StructTreeRoot"].get("/K"))) if "/StructTreeRoot" in root else []
    kinds = Counter(kind for kind, _, _ in tree)
    roles = {str(kind) for kind in (root.get("/StructTreeRoot") or {}).get("/RoleMap", {})}
    levels = [int(kind[2:]) for kind, _, _ in tree if re.fullmatch(r"/H[1-6]", kind)]
    title = str((reader.metadata or {}).get("/Title", ""))
    fonts: dict[str, bool] = {}
    links, orderless = [], []
    for number, page in enumerate(reader.pages, start=1):
        _fonts_inside(page, fonts)
        notes = [note.get_object() for note in page.get("/Annots", ())]
        links += [f"page {number}" for note in notes if note.get("/Subtype") == "/Link" and not note.get("/Contents")]
        orderless += [f"page {number}" for _ in notes[:1] if page.get("/Tabs") != "/S"]
    known = _STANDARD | roles
    return {
        "says it is PDF/UA-1": [] if re.search(r"pdfuaid:part[>=\"' ]*1", xmp) else ["no pdfuaid:part 1 in its metadata"],
        "tagged": [] if (root.get("/MarkInfo") or {}).get("/Marked") and tree else ["no structure"],
        "language": [] if re.fullmatch(r"[A-Za-z]{2,3}(-.+)?", str(root.get("/Lang", ""))) else ["no /Lang"],
        "title, shown": _title_faults(title, xmp, root),
        "everything tagged or artifact": [
            f"page {number}: {loose}" for number, page in enumerate(reader.pages, start=1) if (loose := _untagged(page, reader))
        ],
        "known structure types": sorted(kind for kind in kinds if kind not in known),
        "headings without a gap": [
            f"H{before} then H{after}" for before, after in zip([0, *levels], levels, strict=False) if after > before + 1
        ],
        "figures have alternatives": [
            kind for kind, node, _ in tree if len(str(node.get("/Alt", ""))) < _SHORTEST_ALTERNATIVE.get(kind, 0)
        ],
        "tables have header cells": ["/Table"] if kinds["/Table"] and not kinds["/TH"] else [],
        "cells lie in rows": [kind for kind, _, above in tree if kind in ("/TD", "/TH") and (not above or above[-1] != "/TR")],
        "headers have a scope": [kind for kind, node, _ in tree if kind == "/TH" and "/Scope" not in str(node.get("/A", ""))],
        "items lie in lists": [kind for kind, _, above in tree if kind == "/LI" and (not above or above[-1] != "/L")],
        "links have words": links,
        "tab order by structure": orderless,
        "fonts inside, with Unicode": [name for name, whole in fonts.items() if not whole],
        "bookmarks": [] if len(reader.pages) < _LONG or reader.outline else ["none"],
    }


_LONG = 5  # pages; a shorter document needs no bookmarks
_SHORTEST_ALTERNATIVE = {"/Figure": 20, "/Formula": 1}  # letters; a formula may be one letter
_STANDARD = {
    f"/{name}"
    for name in (
        "Document Part Art Sect Div BlockQuote Caption TOC TOCI Index NonStruct Private P H H1 H2 H3 H4 H5 H6 L LI Lbl LBody Table TR TH "
        "TD THead TBody TFoot Span Quote Note Reference BibEntry Code Link Annot Ruby RB RT RP Warichu WT WP Figure Formula Form"
    ).split()
}


def _title_faults(title: str, xmp: str, root: Any) -> list[str]:
    faults = [] if title.strip() else ["no title"]
    faults += [] if "dc:title" in xmp else ["no dc:title"]
    return faults + ([] if (root.get("/ViewerPreferences") or {}).get("/DisplayDocTitle") else ["the file name is shown instead"])
