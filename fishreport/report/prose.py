"""Narrative text: a safe part of Markdown, read once into a tree that both report formats are written from.

Known are headings, paragraphs, emphasis, links, images of the study folder, lists, quotations, code, tables, rules, formulas
in ``$…$`` and ``$$…$$``, and references such as ``{figure:catch-rate}`` and ``{chapter:scenarios}``. Comments of HTML
are left out. Anything else, raw HTML above all, is an error that names the file: it would read well in one format and be lost
in the other.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from functools import lru_cache
from typing import Any

import mistune

from fishreport.exceptions import ReportError

_INLINE_FORMULA = r"\$(?P<tex>(?![\s$])(?:[^$\\\n]|\\.|\n(?!\s*\n))*?(?<!\s))\$(?!\d)"
_INLINE_BLOCK_FORMULA = r"\$\$(?P<display_tex>[^$]+?)\$\$"
_BLOCK_FORMULA = r"^ {0,3}\$\$(?P<block_tex>(?:[^$\\]|\\.)+?)\$\$[ \t]*(?:\n|$)"
REFERENCE = re.compile(r"\{(?P<reference_kind>figure|table|chapter):(?P<reference_label>[A-Za-z0-9_./-]+)\}")
_COMMENT = re.compile(r"<!--(?:(?!-->).)*-->", re.DOTALL)
_LINKS = ("https://", "http://", "mailto:", "#")
# Typst gives up where its own rules for these are nested too deep, quotations first; this is a little over half of that.
DEEPEST = 40
_WEIGHTS = {"block_quote": 4, "list": 2}
LONGEST = 2_000_000
# Characters that no page may hold, and no reader could see.
_UNSEEN = re.compile("[\\x00-\\x08\\x0b\\x0c\\x0e-\\x1f\\x7f-\\x9f\\ud800-\\udfff\\ufffe\\uffff]")
KNOWN = {
    "paragraph",
    "heading",
    "text",
    "emphasis",
    "strong",
    "codespan",
    "linebreak",
    "softbreak",
    "link",
    "image",
    "list",
    "list_item",
    "block_text",
    "block_code",
    "block_quote",
    "thematic_break",
    "blank_line",
    "table",
    "table_head",
    "table_body",
    "table_row",
    "table_cell",
    "formula",
    "block_formula",
    "reference",
}

Token = dict[str, Any]


def _inline_formula(inline: Any, match: re.Match[str], state: Any) -> int:
    state.append_token({"type": "formula", "raw": match.group("tex")})
    return match.end()


def _inline_block_formula(inline: Any, match: re.Match[str], state: Any) -> int:
    state.append_token({"type": "block_formula", "raw": match.group("display_tex")})
    return match.end()


def _block_formula(block: Any, match: re.Match[str], state: Any) -> int:
    state.append_token({"type": "block_formula", "raw": match.group("block_tex")})
    return match.end()


def _reference(inline: Any, match: re.Match[str], state: Any) -> int:
    attributes = {"kind": match.group("reference_kind"), "label": match.group("reference_label")}
    state.append_token({"type": "reference", "attrs": attributes})
    return match.end()


def _additions(markdown: mistune.Markdown) -> None:
    markdown.inline.register("block_formula", _INLINE_BLOCK_FORMULA, _inline_block_formula, before="link")
    markdown.inline.register("formula", _INLINE_FORMULA, _inline_formula, before="link")
    markdown.inline.register("reference", REFERENCE.pattern, _reference, before="link")
    markdown.block.register("block_formula", _BLOCK_FORMULA, _block_formula, before="list")


@lru_cache(maxsize=1)
def _parser() -> mistune.Markdown:
    return mistune.create_markdown(renderer=None, plugins=["table", _additions])  # type: ignore[list-item]


def _without_comments(tokens: Iterable[Token]) -> list[Token]:
    kept = []
    for token in tokens:
        if token["type"] in ("block_html", "inline_html") and _COMMENT.fullmatch(token.get("raw", "").strip()):
            continue
        if "children" in token:
            token = {**token, "children": _without_comments(token["children"])}
        kept.append(token)
    return kept


def _walk(tokens: Iterable[Token]) -> Iterator[Token]:
    for token in tokens:
        yield token
        yield from _walk(token.get("children", ()))


def _depth(tokens: Iterable[Token]) -> int:
    return max((_WEIGHTS.get(token["type"], 1) + _depth(token.get("children", ())) for token in tokens), default=0)


def seen(text: str) -> str:
    """The same text without control characters and lone surrogates."""
    return _UNSEEN.sub("", text)


def code_span(text: str) -> str:
    """Any text as a code span on one line, in which nothing is mark-up (CommonMark 0.31, section 6.1)."""
    line = " ".join(text.split())
    fence = "`" * (1 + max((len(run) for run in re.findall("`+", line)), default=0))
    return f"{fence} {line} {fence}" if line.startswith("`") or line.endswith("`") or not line else f"{fence}{line}{fence}"


def shorten(text: str, longest: int = 80) -> str:
    """The beginning of a text that is too long for a message."""
    return text if len(text) <= longest else text[:longest] + "…"


def read_prose(text: str, where: str) -> list[Token]:
    """The tree of a piece of Markdown.

    Parameters
    ----------
    text : str
        Markdown.
    where : str
        File or chapter, for messages.

    Raises
    ------
    ReportError
        If it holds raw HTML, a construct that is not known, or a link that is no web or mail address, or is too long or nested
        too deeply.
    """
    if len(text) > LONGEST:
        raise ReportError(f"{where}: the text has {len(text):,} characters, and {LONGEST:,} are the most; check the file")
    try:
        tokens: list[Token] = _without_comments(_parser()(seen(text)))  # type: ignore[arg-type]
        depth = _depth(tokens)
    except RecursionError:
        depth = DEEPEST + 1
    if depth > DEEPEST:
        raise ReportError(f"{where}: lists, quotations or emphasis are nested too deep; write it with fewer levels")
    for token in _walk(tokens):
        kind = token["type"]
        if kind in ("block_html", "inline_html"):
            sample = token.get("raw", "").strip().splitlines()[0][:60]
            raise ReportError(f"{where}: raw HTML is not known in narrative text ({sample!r}); write it as Markdown")
        if kind not in KNOWN:
            raise ReportError(f"{where}: Markdown of the kind {kind!r} is not known in narrative text; write it another way")
        if kind == "link" and not token["attrs"]["url"].startswith(_LINKS):
            raise ReportError(
                f"{where}: a link leads to a web address, a mail address or a #place, not {shorten(token['attrs']['url'])!r}"
            )
    return tokens


def plain_text(tokens: Iterable[Token]) -> str:
    """The text of inline tokens without any mark-up."""
    parts = []
    for token in tokens:
        if token["type"] in ("softbreak", "linebreak"):
            parts.append(" ")
        else:
            parts.append(plain_text(token["children"]) if "children" in token else token.get("raw", ""))
    return "".join(parts)


class Levels:
    """Heading levels of a document, without gaps: a heading is at most one level below the one before it."""

    def __init__(self) -> None:
        self.last = 1

    def enter(self, level: int) -> None:
        """Begin a part whose own heading is of this level."""
        self.last = level

    def place(self, level: int) -> int:
        """The level at which a heading that asks for `level` is set."""
        self.last = min(max(2, level), self.last + 1, 6)
        return self.last


def top_level(tokens: Iterable[Token]) -> int:
    """The highest heading level used, or 1."""
    return min((token["attrs"]["level"] for token in tokens if token["type"] == "heading"), default=1)
