"""The brief: two pages for anglers and commissioners, and one small HTML page, from the results of the same build."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from fishreport.analysis.result import Results
from fishreport.exceptions import StudyError
from fishreport.exhibits.brief import CAUTION, Brief, Told, brief_content, tally_of
from fishreport.exhibits.brief_rules import RuleRow
from fishreport.exhibits.brief_work import HOW, whole_season
from fishreport.exhibits.exhibit import FIGURE_TYPE, TABLE_TYPE
from fishreport.exhibits.tabulate import counted
from fishreport.report.assemble import Document
from fishreport.report.chapter import result_from_record
from fishreport.report.html import COMPILED, verdict_kind
from fishreport.report.plan import FRONT
from fishreport.report.prose import Token, plain_text, read_prose, top_level
from fishreport.report.prose_writers import Place
from fishreport.resources import locate
from fishreport.study import Study

# Sentences beyond these are in the report, on paper and on the screen alike; the first of each species is always told.
MOST_TOLD = 12


@dataclass(frozen=True)
class Text:
    """A piece of the author's text, as parts that are shown or left for elsewhere as wholes.

    Attributes
    ----------
    name : str
        The file that it stands in, relative to the study.
    parts : tuple[Token, ...]
        Blocks; each item of a list is a list of its own, and ``group`` tells which belong together.
    """

    name: str = ""
    parts: tuple[Token, ...] = ()

    def leads(self) -> Text:
        """The same with only the first, strong words of each list item that begins with some."""
        return replace(self, parts=tuple(_lead(part) for part in self.parts))

    @property
    def has_leads(self) -> bool:
        """True when a list item goes on after strong first words."""
        return any(_lead(part) is not part for part in self.parts)

    def first(self, count: int) -> Text:
        """The first parts; no heading is left without what it is the heading of."""
        parts = self.parts[:count]
        while parts and parts[-1]["type"] == "heading":
            parts = parts[:-1]
        return replace(self, parts=parts)

    def tokens(self) -> list[Token]:
        """The parts with the items of each list brought together again."""
        joined: list[Token] = []
        for part in self.parts:
            if joined and "group" in part and joined[-1].get("group") == part["group"]:
                joined[-1] = {**joined[-1], "children": [*joined[-1]["children"], *part["children"]]}
            else:
                joined.append(part)
        return joined


def _lead(part: Token) -> Token:
    if part["type"] != "list":
        return part
    (item,) = part["children"]
    block = item["children"][0] if item.get("children") else {}
    words = block.get("children") or [{}]
    if words[0].get("type") != "strong" or (len(words) == 1 and len(item["children"]) == 1):
        return part
    if not plain_text(words[:1]).rstrip().endswith((".", "!", "?")):  # its sentence goes on, and with it what it hangs on
        return part
    return {**part, "children": [{**item, "children": [{**block, "children": words[:1]}]}]}


def _parted(tokens: Iterable[Token]) -> tuple[Token, ...]:
    parts: list[Token] = []
    for group, token in enumerate(tokens):
        if token["type"] == "list":
            start = token["attrs"].get("start", 1)
            for number, item in enumerate(token["children"]):
                attributes = {**token["attrs"], "start": start + number} if token["attrs"].get("ordered") else token["attrs"]
                parts.append({**token, "attrs": attributes, "children": [item], "group": group})
        elif token["type"] != "blank_line":
            parts.append(token)
    return tuple(parts)


def author_text(study: Study, name: str) -> Text:
    """A piece of the narrative in parts; empty when there is none."""
    folder = (study.folder / study.report.narrative).resolve()
    path = (folder / f"{name}.md").resolve()
    if not path.is_file() or not path.is_relative_to(folder):
        return Text()
    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError:
        raise StudyError("the narrative is not UTF-8 text; save it as UTF-8", path.name) from None
    inside = path.relative_to(study.folder).as_posix() if path.is_relative_to(study.folder) else path.name
    return Text(inside, _parted(read_prose(text.replace("\r\n", "\n"), inside)))


def _paragraphs(text: Text) -> Text:
    """Only the paragraphs of words: what stands in tables, lists, headings and pictures is left to the report."""
    kept = [
        part
        for part in text.parts
        if part["type"] == "paragraph" and not any(word["type"] in ("image", "block_formula") for word in part["children"])
    ]
    return replace(text, parts=tuple(kept))


@dataclass(frozen=True)
class Amounts:
    """How much of each part is shown."""

    told: int
    rows: int
    meaning: int
    coming: int
    rules: int
    reasons: bool = True


@dataclass(frozen=True)
class Sheet:
    """A brief with the author's words, before it takes a format.

    Attributes
    ----------
    document : Document
    brief : Brief
    meaning : Text
        The author's words on what it means; of the summary where no ``brief.md`` is written.
    own_words : bool
        True when they stand in ``brief.md``.
    coming : Text
        The author's recommendations.
    """

    document: Document
    brief: Brief
    meaning: Text
    own_words: bool
    coming: Text

    def whole(self) -> Amounts:
        """All that the page on the screen shows."""
        told = max(MOST_TOLD, sum(one.rank == 0 for one in self.brief.told))
        rules = len(self.brief.rules.rows) if self.brief.rules else 0
        return Amounts(
            min(told, len(self.brief.told)), len(self.brief.aims), len(self.meaning.parts), len(self.coming.parts), rules
        )

    def shown(self, amounts: Amounts) -> dict[str, Any]:
        """What the templates show, with a line wherever something is left for the report."""
        brief = self.brief
        coming = self.coming if amounts.reasons else self.coming.leads()
        return {
            "document": self.document,
            "brief": brief,
            "how": HOW,
            "caution": CAUTION,
            "species": _by_species(brief.told[: amounts.told]),
            "more_told": _more(len(brief.told) - amounts.told, "finding"),
            "rows": brief.aims[: amounts.rows],
            "more_rows": self._more_rows(amounts.rows),
            "alternatives": _by_fish(brief.rules.first(amounts.rules) if brief.rules else ()),
            "more_alternatives": brief.rules.more(amounts.rules) if brief.rules else "",
            "meaning": self.meaning.first(amounts.meaning),
            "more_meaning": self._more_meaning(amounts.meaning),
            "coming": coming.first(amounts.coming),
            "more_coming": self._more_coming(amounts),
            "kind": verdict_kind,
        }

    def _more_rows(self, shown: int) -> str:
        left = [row.verdict for row in self.brief.aims[shown:]]
        return f"{_more(len(left), 'aim').rstrip('.')}: {tally_of(left)}." if left else ""

    def _more_meaning(self, shown: int) -> str:
        left = len(self.meaning.parts) - len(self.meaning.first(shown).parts)
        if self.own_words:
            return f"And {counted(left, 'more part')} of this text in brief.html." if left else ""
        return "The whole summary is in the report." if self.meaning.parts else ""

    def _more_coming(self, amounts: Amounts) -> str:
        left = self.coming.parts[len(self.coming.first(amounts.coming).parts) :]
        nouns = ("recommendation or note", "recommendations or notes")
        if all(part["type"] != "list" for part in left):  # such as what an author says of all recommendations
            nouns = ("note on these", "notes on these")
        said = _more(len(left), *nouns)
        reasons = "" if amounts.reasons else "The reasons are in the report."
        return f"{said} {reasons}".strip()

    def place(self, text: Text, page: str = "") -> Place:
        """Where a piece of the author's text stands; what it refers to is in the full report, linked where that is a `page`."""
        tokens = list(text.parts)
        images = (self.document.folder / text.name).resolve().parent

        def resolve(kind: str, label: str) -> tuple[str, str]:
            anchor, name = self.document.resolve(FRONT, kind, label)
            return anchor if page else "", f"{name} of the full report" if anchor else name

        return Place(where=text.name, resolve=resolve, images=images, shift=2 - top_level(tokens), page=page)


def _more(left: int, noun: str, plural: str = "") -> str:
    if left <= 0:
        return ""
    name = noun if left == 1 else plural or f"{noun}s"
    return f"And {left} more {name} in the report."


def _by_species(told: Sequence[Told]) -> list[tuple[str, list[Told]]]:
    names = dict.fromkeys(one.species for one in told)
    return [(name, [one for one in told if one.species == name]) for name in names]


def _by_fish(rows: Sequence[RuleRow]) -> list[tuple[str, list[RuleRow]]]:
    names = dict.fromkeys(row.fish for row in rows)
    return [(name, [row for row in rows if row.fish == name]) for name in names]


def _behind(document: Document, label: str) -> list[dict[str, Any]]:
    """Rows behind a figure or table of the report, by its label; none when the report has no such figure or table."""
    for cell in document.notebook.cells:
        for output in cell.get("outputs", []):
            figure, table = (output.get("data", {}).get(kind) for kind in (FIGURE_TYPE, TABLE_TYPE))
            shown = figure or table
            if shown and shown["label"] == label:
                return list(((shown.get("table") or {}) if figure else shown).get("data") or [])
    return []


def read_sheet(document: Document, study: Study) -> Sheet:
    """The brief of a report that has been put together.

    Raises
    ------
    StudyError, ReportError
        If the author's text cannot be read.
    """
    brief = brief_content(
        study,
        Results(result_from_record(record) for record in document.results),
        work=_behind(document, "effort-history") or whole_season(_behind(document, "effort"), study.season.year),
        frequencies=_behind(document, "length-frequency"),
        tests=_behind(document, "trends"),
    )
    own = author_text(study, "brief")
    meaning = own if own.parts else _paragraphs(author_text(study, "summary"))
    return Sheet(document, brief, meaning, bool(own.parts), author_text(study, "recommendations"))


def environment(*, escape: bool) -> Environment:
    """Templates of the brief."""
    folder: Path = locate("templates")
    return Environment(
        loader=FileSystemLoader([str(folder / "brief"), str(folder / "html"), str(folder / "typst")]),
        autoescape=escape,
        bytecode_cache=COMPILED,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )


def render_brief(document: Document, study: Study, name: str, sheet: Sheet | None = None) -> bytes:
    """The brief as ``html`` or ``pdf``, of a sheet that has been read or of one to be read.

    Raises
    ------
    ReportError
        If the PDF cannot be set, or not in two pages.
    """
    sheet = sheet or read_sheet(document, study)
    if name == "html":
        from fishreport.report.brief_html import write_brief_html

        return write_brief_html(sheet)
    from fishreport.report.brief_pdf import write_brief_pdf

    return write_brief_pdf(sheet)
