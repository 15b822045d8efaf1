"""Narrative trees written as HTML and as Typst calls."""

from __future__ import annotations

import base64
import mimetypes
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from html import escape
from pathlib import Path
from urllib.parse import unquote

from fishreport.exceptions import ReportError
from fishreport.report.formula_writers import formula_mathml, formula_typst
from fishreport.report.picture_file import IMAGES, picture_fault
from fishreport.report.prose import Levels, Token, plain_text, shorten
from fishreport.report.typst_text import literal

# (kind, label) → (anchor, "Figure 2.1")
Resolve = Callable[[str, str], tuple[str, str]]
# (words of a heading, those words as HTML without links) → its anchor
NameHeading = Callable[[str, str], str]


@dataclass
class Place:
    """Where a piece of narrative stands: what its references mean, where its images lie, how deep its headings are.

    `name_heading`, where it is given, is told of the headings of the highest level in a chapter. `kept` is True where its
    paragraphs announce what follows, and stay on one page with it. `page` is the HTML file that references lie in, where that is
    another one.
    """

    where: str
    resolve: Resolve
    images: Path
    levels: Levels = field(default_factory=Levels)
    shift: int = 0
    kept: bool = False
    name_heading: NameHeading | None = None
    page: str = ""


def find_image(place: Place, token: Token) -> tuple[Path, str]:
    """File and text alternative of an image; it must be sound, lie inside the folder of its text and have an alternative."""
    url = unquote(token["attrs"]["url"])
    shown = repr(shorten(url))
    alternative = plain_text(token["children"]).strip()
    try:
        path = (place.images / url).resolve()
        there = path.is_file()
    except (OSError, ValueError, RuntimeError):  # a name too long, a NUL in it, links in a circle
        raise ReportError(f"{place.where}: an image must be a file inside the folder {place.images.name}, not {shown}") from None
    if "://" in url or url.startswith("data:") or not path.is_relative_to(place.images):
        raise ReportError(f"{place.where}: an image must be a file inside the folder {place.images.name}, not {shown}")
    if path.suffix.lower() not in IMAGES:
        raise ReportError(f"{place.where}: an image is one of {', '.join(IMAGES)}, not {shown}")
    if not there:
        raise ReportError(f"{place.where}: there is no image {shown} in the folder {place.images.name}")
    if len(alternative) < 5:
        raise ReportError(f"{place.where}: the image {shown} needs a text that says what it shows, between its square brackets")
    if fault := picture_fault(path):
        raise ReportError(f"{place.where}: the image {shown} cannot be shown: {fault}; save it again from a drawing program")
    return path, alternative


class HtmlWriter:
    """Writes narrative as HTML; a heading of level 1 in a chapter becomes ``h2``."""

    def __init__(self, place: Place) -> None:
        self.place = place

    def write(self, tokens: Iterable[Token]) -> str:
        """All tokens, one after the other."""
        return "".join(getattr(self, f"_{token['type']}")(token) for token in tokens)

    def _inside(self, token: Token) -> str:
        return self.write(token.get("children", ()))

    def _paragraph(self, token: Token) -> str:
        return f"<p>{self._inside(token)}</p>\n"

    def _heading(self, token: Token) -> str:
        level = self.place.levels.place(token["attrs"]["level"] + self.place.shift) + 1
        named = ""
        if level == 3 and self.place.name_heading is not None:
            anchor = self.place.name_heading(plain_text(token["children"]), self._words(token["children"]))
            named = f' id="{escape(anchor)}"'
        return f"<h{level}{named}>{self._inside(token)}</h{level}>\n"

    def _words(self, tokens: Iterable[Token]) -> str:
        """Text and formulas without links, emphasis and pictures."""
        parts = []
        for token in tokens:
            if token["type"] == "reference":
                parts.append(escape(self.place.resolve(token["attrs"]["kind"], token["attrs"]["label"])[1]))
            elif token["type"] == "formula":
                parts.append(self._formula(token))
            elif token["type"] != "image":
                parts.append(self._words(token["children"]) if "children" in token else escape(plain_text([token]), quote=False))
        return "".join(parts)

    def _text(self, token: Token) -> str:
        return escape(token["raw"], quote=False)

    def _emphasis(self, token: Token) -> str:
        return f"<em>{self._inside(token)}</em>"

    def _strong(self, token: Token) -> str:
        return f"<strong>{self._inside(token)}</strong>"

    def _codespan(self, token: Token) -> str:
        return f"<code>{escape(token['raw'], quote=False)}</code>"

    def _linebreak(self, token: Token) -> str:
        return "<br>\n"

    def _softbreak(self, token: Token) -> str:
        return "\n"

    def _link(self, token: Token) -> str:
        return f'<a href="{escape(token["attrs"]["url"])}">{self._inside(token)}</a>'

    def _image(self, token: Token) -> str:
        path, alternative = find_image(self.place, token)
        kind = mimetypes.guess_type(path.name)[0] or "image/png"
        data = base64.b64encode(path.read_bytes()).decode()
        return f'<img class="picture" src="data:{kind};base64,{data}" alt="{escape(alternative)}">'

    def _list(self, token: Token) -> str:
        name = "ol" if token["attrs"].get("ordered") else "ul"
        start = token["attrs"].get("start", 1)
        first = f' start="{start}"' if name == "ol" and start != 1 else ""
        return f"<{name}{first}>\n{self._inside(token)}</{name}>\n"

    def _list_item(self, token: Token) -> str:
        return f"<li>{self._inside(token)}</li>\n"

    def _block_text(self, token: Token) -> str:
        return self._inside(token)

    def _block_code(self, token: Token) -> str:
        return f'<pre tabindex="0" role="group" aria-label="Listing"><code>{escape(token["raw"], quote=False)}</code></pre>\n'

    def _block_quote(self, token: Token) -> str:
        return f"<blockquote>\n{self._inside(token)}</blockquote>\n"

    def _thematic_break(self, token: Token) -> str:
        return "<hr>\n"

    def _blank_line(self, token: Token) -> str:
        return ""

    def _formula(self, token: Token) -> str:
        return _located(self.place, lambda: formula_mathml(token["raw"], block=False))

    def _block_formula(self, token: Token) -> str:
        return _located(self.place, lambda: formula_mathml(token["raw"], block=True)) + "\n"

    def _reference(self, token: Token) -> str:
        anchor, text = self.place.resolve(token["attrs"]["kind"], token["attrs"]["label"])
        if not anchor:
            return escape(text)
        return f'<a class="reference" href="{escape(self.place.page)}#{escape(anchor)}">{escape(text)}</a>'

    def _table(self, token: Token) -> str:
        inside = self._inside(token)
        return f'<div class="scroll" tabindex="0" role="group" aria-label="Table in the text"><table>{inside}</table></div>\n'

    def _table_head(self, token: Token) -> str:
        return f"<thead><tr>{self._inside(token)}</tr></thead>"

    def _table_body(self, token: Token) -> str:
        return f"<tbody>{self._inside(token)}</tbody>"

    def _table_row(self, token: Token) -> str:
        return f"<tr>{self._inside(token)}</tr>"

    def _table_cell(self, token: Token) -> str:
        align = token["attrs"].get("align")
        kind = f' class="{align}"' if align else ""
        if token["attrs"].get("head"):
            return f'<th scope="col"{kind}>{self._inside(token)}</th>'
        return f"<td{kind}>{self._inside(token)}</td>"


def _located(place: Place, write: Callable[[], str]) -> str:
    try:
        return write()
    except ReportError as error:
        raise ReportError(f"{place.where}: {error}") from None


class TypstWriter:
    """Writes narrative as Typst: calls and string literals only, so that no text can be taken for mark-up.

    `add_file` takes the path of an image and returns the name under which the compiler finds it.
    """

    def __init__(self, place: Place, add_file: Callable[[Path], str]) -> None:
        self.place, self.add_file = place, add_file

    def write(self, tokens: Iterable[Token]) -> str:
        """All tokens as one code expression that gives content."""
        parts = [part for token in tokens if (part := getattr(self, f"_{token['type']}")(token))]
        return "{" + "; ".join(parts) + "}" if parts else "[]"

    def _inside(self, token: Token) -> str:
        return self.write(token.get("children", ()))

    def _paragraph(self, token: Token) -> str:
        children = token.get("children", ())
        if len(children) == 1 and children[0]["type"] in ("image", "block_formula"):
            return self._inside(token)
        return f"kept(par({self._inside(token)}))" if self.place.kept else f"par({self._inside(token)})"

    def _heading(self, token: Token) -> str:
        level = self.place.levels.place(token["attrs"]["level"] + self.place.shift)
        return f"heading(level: {level}, {self._inside(token)})"

    def _text(self, token: Token) -> str:
        return f"text({literal(token['raw'])})"

    def _emphasis(self, token: Token) -> str:
        return f"emph({self._inside(token)})"

    def _strong(self, token: Token) -> str:
        return f"strong({self._inside(token)})"

    def _codespan(self, token: Token) -> str:
        return f"raw({literal(token['raw'])})"

    def _linebreak(self, token: Token) -> str:
        return "linebreak()"

    def _softbreak(self, token: Token) -> str:
        return 'text(" ")'

    def _link(self, token: Token) -> str:
        url = token["attrs"]["url"]
        return self._inside(token) if url.startswith("#") else f"link({literal(url)}, {self._inside(token)})"

    def _image(self, token: Token) -> str:
        path, alternative = find_image(self.place, token)
        name = self.add_file(path)
        return f"picture({literal(name)}, {literal(alternative)})"

    def _list(self, token: Token) -> str:
        items = ", ".join(self._list_item(item) for item in token["children"])
        tight = str(bool(token.get("tight", True))).lower()
        if token["attrs"].get("ordered"):
            return f"enum(tight: {tight}, start: {token['attrs'].get('start', 1)}, {items})"
        return f"list(tight: {tight}, {items})"

    def _list_item(self, token: Token) -> str:
        return self._inside(token)

    def _block_text(self, token: Token) -> str:
        return self._inside(token)

    def _block_code(self, token: Token) -> str:
        return f"raw(block: true, {literal(token['raw'].rstrip())})"

    def _block_quote(self, token: Token) -> str:
        return f"quote(block: true, {self._inside(token)})"

    def _thematic_break(self, token: Token) -> str:
        return "rule()"

    def _blank_line(self, token: Token) -> str:
        return ""

    def _formula(self, token: Token) -> str:
        return _located(self.place, lambda: formula_typst(token["raw"], block=False))

    def _block_formula(self, token: Token) -> str:
        return _located(self.place, lambda: formula_typst(token["raw"], block=True))

    def _reference(self, token: Token) -> str:
        anchor, text = self.place.resolve(token["attrs"]["kind"], token["attrs"]["label"])
        return f"link(label({literal(anchor)}), {literal(text)})" if anchor else f"text({literal(text)})"

    def _table(self, token: Token) -> str:
        head, *bodies = token["children"]
        aligns = ", ".join(cell["attrs"].get("align") or "left" for cell in head["children"])
        header = ", ".join(self._inside(cell) for cell in head["children"])
        rows = [row for body in bodies for row in body["children"]]
        cells = ", ".join(self._inside(cell) for row in rows for cell in row["children"])
        return f"text-table(({aligns},), ({header},), ({cells},))" if cells else f"text-table(({aligns},), ({header},), ())"


def write_html(tokens: list[Token], place: Place) -> str:
    """Narrative as HTML."""
    return HtmlWriter(place).write(tokens)


def write_typst(tokens: list[Token], place: Place, add_file: Callable[[Path], str]) -> str:
    """Narrative as a Typst code expression."""
    return TypstWriter(place, add_file).write(tokens)
