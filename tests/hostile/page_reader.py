"""What a page, a drawing, a Typst source or a table file really holds, read by general readers and not by the tool."""

from __future__ import annotations

import csv
import io
import re
import unicodedata
from html.parser import HTMLParser
from pathlib import Path
from xml.etree import ElementTree

from ground import SECRET, Escape
from material import WORD

_VOID = {"meta", "br", "hr", "img", "input", "col", "link"}
_PAGE = set(
    "html head meta title style body a header p h1 h2 h3 h4 h5 h6 div nav details summary ol ul li span main section figure figcaption table "
    "caption thead tbody tr th td strong em code pre blockquote hr br img footer script label input output svg g path defs "
    "use del ins clippath rect text tspan image circle line polyline polygon title desc metadata".split()
)
_MATHS = set("math mrow mi mn mo mtext mspace mfrac msqrt mroot msub msup msubsup munder mover munderover".split())
_LINKS = ("#", "https://", "http://", "mailto:", "data:image/", "before/report.html#", "after/report.html#")
_JSON_DATA = "application/json"


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.stack: list[str] = []
        self.faults: list[str] = []
        self.texts: list[str] = []
        self.labels: list[str] = []
        self.scripts: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag not in _PAGE | _MATHS:
            self.faults.append(f"element <{tag}>")
        for name, value in attrs:
            value = value or ""
            if name.startswith("on") or not re.fullmatch(r"[a-z][a-z0-9:_-]*", name):
                self.faults.append(f"attribute {name}={value[:60]!r} of <{tag}>")
            loads = name in ("src", "srcset", "srcdoc", "action", "data") or (tag in ("link", "image", "use") and "href" in name)
            if (loads and not value.startswith(("data:image/", "#"))) or ("href" in name and not value.startswith(_LINKS)):
                self.faults.append(f"{name}={value[:60]!r} of <{tag}>")
            if name == "style" and ("url(" in value.replace("url(#", "") or "expression" in value):
                self.faults.append(f"style={value[:60]!r}")
            if name in ("alt", "aria-label", "title", "aria-valuetext"):
                self.labels.append(value)
        if tag == "script":
            self.scripts.append(dict(attrs).get("type") or "")
        if tag not in _VOID:
            self.stack.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in _VOID:
            self.stack.pop()

    def handle_endtag(self, tag: str) -> None:
        if not self.stack or self.stack[-1] != tag:
            self.faults.append(f"</{tag}> closes {self.stack[-1] if self.stack else 'nothing'}")
        if tag in self.stack:
            while self.stack.pop() != tag:
                pass

    def handle_comment(self, data: str) -> None:
        if WORD in data:
            self.faults.append(f"comment {data[:60]!r}")

    def handle_decl(self, decl: str) -> None:
        if decl.lower() != "doctype html":
            self.faults.append(f"declaration {decl[:60]!r}")

    def unknown_decl(self, data: str) -> None:
        self.faults.append(f"declaration {data[:60]!r}")

    def handle_pi(self, data: str) -> None:
        self.faults.append(f"instruction {data[:60]!r}")

    def handle_data(self, data: str) -> None:
        if self.stack and self.stack[-1] == "style":
            if WORD in data:
                self.faults.append("hostile text in a style sheet")
        elif self.stack and self.stack[-1] == "script":
            if self.scripts[-1] != _JSON_DATA and WORD in data:
                self.faults.append("hostile text in a script")
        else:
            self.texts.append(data)


def squeezed(text: str) -> str:
    """Text without blanks, control and format characters, composed: what stays the same however a text is set."""
    return "".join(
        sign for sign in unicodedata.normalize("NFC", text) if not sign.isspace() and unicodedata.category(sign)[0] != "C"
    )


def check_page(page: str, *, scripts: bool = False, whole: bool = True) -> str:
    """The text of a page; Escape when user text became an element, attribute, script, style, comment or foreign link."""
    reader = _Reader()
    reader.feed(page)
    reader.close()
    if reader.stack:
        reader.faults.append(f"never closed: {reader.stack[:5]}")
    if not scripts and reader.scripts:
        reader.faults.append("a script")
    if whole and not page.lstrip().lower().startswith("<!doctype html>"):
        reader.faults.append("no document type")
    if SECRET in page or "root:x:0:0" in page:
        reader.faults.append("text of a file outside the study")
    if any(ord(sign) < 32 and sign not in "\t\n\r" for sign in page):
        reader.faults.append("control characters")
    if reader.faults:
        raise Escape("page: " + "; ".join(reader.faults[:4]))
    return "".join(reader.texts)


def check_drawing(svg: str) -> ElementTree.Element:
    """The drawing as XML; Escape when it is not well formed or holds more than shapes and text."""
    try:
        root = ElementTree.fromstring(svg)
    except ElementTree.ParseError as error:
        raise Escape(f"the SVG is not well formed: {error}") from None
    for element in root.iter():
        name = element.tag.rpartition("}")[2].lower()
        if name not in _PAGE or name in ("script", "a"):
            raise Escape(f"the SVG holds <{name}>")
        for attribute in element.attrib:
            if attribute.rpartition("}")[2].lower().startswith("on"):
                raise Escape(f"the SVG holds the attribute {attribute}")
    return root


_TYPST_TEXT = re.compile(r'"(?:[^"\\]|\\.)*"', re.DOTALL)


def check_typst_code(code: str) -> None:
    """Outside its string literals a piece of narrative written as Typst holds no hostile text and is balanced."""
    bare = _TYPST_TEXT.sub('""', code)
    if WORD in bare or WORD[:6] in bare:
        raise Escape(f"hostile text outside a literal: {bare[max(0, bare.find(WORD[:6]) - 60) :][:160]!r}")
    if '"' in bare.replace('""', ""):
        raise Escape(f"an open literal: {bare[-200:]!r}")


def check_csv(content: bytes, columns: int | None = None) -> list[list[str]]:
    """Rows of a table file; Escape when a spreadsheet would run a cell, or cells fall apart."""
    rows = list(csv.reader(io.StringIO(content.decode(), newline="")))
    for row in rows:
        if columns is not None and len(row) != columns:
            raise Escape(f"{len(row)} cells in a table of {columns} columns: {row[:5]}")
        for cell in row:
            if cell.startswith(("=", "@", "\t", "\r")) or (cell[:1] in ("+", "-") and WORD in cell):
                raise Escape(f"a spreadsheet would run the cell {cell[:60]!r}")
    return rows


_RESERVED = re.compile(r"(?i)(con|prn|aux|nul|com\d|lpt\d)(\..*)?")


def check_names(folder: Path) -> None:
    """Names of files are safe on every system."""
    for path in folder.rglob("*"):
        name = path.name
        if (
            _RESERVED.fullmatch(name)
            or re.search(r'[<>:"|?*\\\x00-\x1f]', name)
            or name.endswith((" ", "."))
            or len(name.encode()) > 200
        ):
            raise Escape(f"a file is called {name[:80]!r}")
        if path.is_symlink():
            raise Escape(f"{name} is a link")
