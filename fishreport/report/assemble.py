"""One document from many chapters: numbered exhibits, references that point at them, results, tables."""

from __future__ import annotations

import hashlib
import re
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from nbformat import NotebookNode

from fishreport.exceptions import ReportError
from fishreport.exhibits.exhibit import (
    EXPLORER_TYPE,
    FIGURE_TYPE,
    FINDINGS_TYPE,
    RESULTS_TYPE,
    SCORECARD_TYPE,
    TABLE_TYPE,
)
from fishreport.report.bundle import check_bundle
from fishreport.report.chapter import AUTHOR_TYPE
from fishreport.report.notebook import INJECTED
from fishreport.report.prose import REFERENCE
from fishreport.report.run import ExecutedChapter
from fishreport.study import Study

# Numbers of exhibits outside the numbered chapters.
FRONT_NUMBER, LAST_NUMBER = "S", "P"
OURS = (FIGURE_TYPE, TABLE_TYPE, FINDINGS_TYPE, SCORECARD_TYPE, EXPLORER_TYPE, RESULTS_TYPE, AUTHOR_TYPE)
_TITLE = re.compile(r"\A\s*#\s+(?P<title>[^\n]+?)\s*#*\s*(?:\n|\Z)")
_PART = re.compile(r"\A\s*(?P<marks>#{2,6})\s")
_SAFE = re.compile(r"[^A-Za-z0-9-]+")
_LONGEST = 120  # signs of an anchor; file names on disk are made of them


@dataclass(frozen=True)
class Section:
    """A chapter in the document: its number as printed, title, anchor and code."""

    name: str
    number: str
    title: str
    anchor: str
    code: tuple[str, ...] = ()


@dataclass
class Document:
    """The whole report before it takes a format.

    Attributes
    ----------
    notebook : NotebookNode
        All cells in reading order; exhibits carry ``number`` and ``anchor``; each cell names its chapter.
    sections : list[Section]
    references : dict
        (kind, chapter, label) → (anchor, text such as ``Figure 2.1``); a chapter's label is its name: ``chapter 2``.
    results : list[dict]
        Records for ``results.json``.
    tables : list[tuple[str, dict]]
        File name and data of every table that is shown, and of the numbers behind every figure.
    whole : bool
        False when chapters are left out.
    """

    title: str
    water: str
    region: str
    season: int
    author: str
    language: str
    units: str
    folder: Path
    notebook: NotebookNode
    sections: list[Section] = field(default_factory=list)
    references: dict[tuple[str, str, str], tuple[str, str]] = field(default_factory=dict)
    results: list[dict[str, Any]] = field(default_factory=list)
    tables: list[tuple[str, dict[str, Any]]] = field(default_factory=list)
    whole: bool = True

    def resolve(self, chapter: str, kind: str, label: str) -> tuple[str, str]:
        """Anchor and text of a figure, table or chapter; a label that several other chapters have is written ``chapter/label``.

        In a report without some of the chapters, what lies in those has no anchor, and the text says so.
        """
        if "/" in label:
            found = [self.references.get((kind, *label.split("/", 1)))]  # type: ignore[arg-type]
        elif (kind, chapter, label) in self.references:
            found = [self.references[kind, chapter, label]]
        else:
            found = [place for (other, _, name), place in self.references.items() if (other, name) == (kind, label)]
        known = [place for place in found if place is not None]
        if len(known) == 1:
            return known[0]
        if known:
            raise ReportError(
                f"chapter {chapter}: {{{kind}:{label}}} is in {len(known)} chapters; write {{{kind}:CHAPTER/{label}}}"
            )
        if not self.whole:
            return "", f"a {kind} that this report leaves out"
        labels = sorted(name for other, _, name in self.references if other == kind)
        raise ReportError(f"chapter {chapter}: there is no {kind} {label!r}; there are {', '.join(labels) or 'none'}")

    def plain(self, text: str, chapter: str) -> str:
        """Text in which references are written out, without the backticks of code."""
        return REFERENCE.sub(lambda m: self.resolve(chapter, m["reference_kind"], m["reference_label"])[1], text.replace("`", ""))


def anchor_name(*parts: str) -> str:
    """A name that is safe in HTML, in Typst and as part of a file's name; what it cannot hold is told by a few digits."""
    given = "-".join(parts)
    name = _SAFE.sub("-", given).strip("-").lower()
    if len(name) > _LONGEST or any(sign.isalnum() and not sign.isascii() for sign in given):
        digits = hashlib.sha256(unicodedata.normalize("NFC", given).encode("utf-8", "replace")).hexdigest()[:8]
        name = f"{name[:_LONGEST].strip('-')}-{digits}".strip("-")
    return name


def _take_title(cells: Sequence[NotebookNode], name: str) -> str:
    for cell in cells:
        if cell.cell_type == "markdown":
            found = _TITLE.match(cell.source)
            if found:
                cell.source = cell.source[found.end() :]
                return found["title"]
            break
    return name.replace("-", " ").capitalize()


def _level(cell: NotebookNode) -> int:
    """Level of the heading below the chapter's that a cell begins with; 0 without one."""
    found = _PART.match(cell.source) if cell.cell_type == "markdown" else None
    return len(found["marks"]) if found else 0


def _shows(cell: NotebookNode) -> bool:
    """Whether a reader sees anything of what a cell gave out."""
    shown = [output.get("data", {}) for output in cell.get("outputs", [])]
    return any(data[FINDINGS_TYPE]["items"] if FINDINGS_TYPE in data else RESULTS_TYPE not in data for data in shown)


def _without_empty_parts(cells: Sequence[NotebookNode]) -> list[NotebookNode]:
    """The cells without the headings (and what introduces them) of parts whose code had nothing to show.

    What could not be estimated is told, with its reason, among the findings at the head of the chapter.
    """
    kept: list[NotebookNode] = []
    part: list[NotebookNode] = []
    for cell in reversed(cells):
        part.append(cell)
        level = _level(cell)
        if not level:
            continue
        code = [one for one in part if one.cell_type == "code"]
        follows = next((_level(one) for one in reversed(kept) if _level(one)), 0)
        alone = not any(one.cell_type == "markdown" for one in part[:-1])
        if code and alone and not any(map(_shows, code)) and follows <= level:
            part.pop()
        kept += part
        part = []
    return [*kept, *part][::-1]


class _Numbering:
    def __init__(self, document: Document, section: Section, file_name: str) -> None:
        self.document, self.section, self.file_name = document, section, file_name
        self.counts = {"figure": 0, "table": 0}
        self.files: set[str] = set()

    def number(self, kind: str, data: dict[str, Any]) -> None:
        label = data["label"]
        key = (kind, self.section.name, label)
        if key in self.document.references:
            raise ReportError(f"chapter {self.section.name}: two {kind}s are labelled {label!r}; labels are unique in a chapter")
        self.counts[kind] += 1
        number = f"{self.section.number}.{self.counts[kind]}"
        text = f"{kind.capitalize()} {number}"
        data["anchor"] = anchor_name(kind, self.section.name, label)
        data["number"] = text
        if any(anchor == data["anchor"] for anchor, _ in self.document.references.values()):
            raise ReportError(
                f"chapter {self.section.name}: the label {label[:80]!r} differs from another in signs that anchors cannot hold; "
                "make labels of letters, digits and hyphens"
            )
        self.document.references[key] = (data["anchor"], text)
        if kind == "table":
            self.keep_table(anchor_name(label), data)
        elif data.get("table"):
            self.keep_table(anchor_name("figure", label), data["table"])

    def keep_table(self, name: str, data: dict[str, Any]) -> None:
        if name in self.files:
            raise ReportError(f"chapter {self.section.name}: two tables would be written to {name}.csv; change a label")
        self.files.add(name)
        self.document.tables.append((f"{self.file_name}-{name}.csv", data))


def _check_output(output: NotebookNode, chapter: str) -> None:
    if output.output_type not in ("display_data", "execute_result"):
        return
    kinds = set(output.data)
    if not kinds & set(OURS) and any(kind.startswith("image/") for kind in kinds):
        raise ReportError(
            f"chapter {chapter}: a picture is shown without a caption and a text alternative; show an exhibits.exhibit.Figure"
        )


def _numbered(number: int) -> str:
    return str(number) if number else FRONT_NUMBER


def assemble(
    study: Study, executed: Sequence[ExecutedChapter], *, last: NotebookNode | None = None, whole: bool = True
) -> Document:
    """Put chapters together, the front page first.

    Parameters
    ----------
    study : Study
    executed : sequence of ExecutedChapter
        In the order in which they ran.
    last : NotebookNode, optional
        Cells that follow the chapters: how the report was made.
    whole : bool
        False when chapters are left out: then a reference may lead nowhere.

    Raises
    ------
    ReportError
        If two results have one id, two exhibits of a chapter one label, or a picture has no text alternative.
    """
    title = study.report.title or f"{study.water.name}: fishery survey report {study.season.year}"
    document = Document(
        title=title,
        water=study.water.name,
        region=study.water.region,
        season=study.season.year,
        author=study.report.author,
        language=study.report.language,
        units=study.report.units,
        folder=study.folder,
        notebook=NotebookNode(nbformat=4, nbformat_minor=5, metadata=NotebookNode(), cells=[]),
        whole=whole,
    )
    parts = [(done.chapter.name, _numbered(done.chapter.number), done.chapter.file_name, done.notebook) for done in executed]
    parts.sort(key=lambda part: (part[1] != FRONT_NUMBER, int(part[1]) if part[1].isdigit() else 0))
    if last is not None:
        parts.append(("provenance", LAST_NUMBER, "99-provenance", last))
    owners: dict[str, str] = {}
    for name, number, file_name, notebook in parts:
        _add_chapter(document, name, number, file_name, notebook, owners)
    return document


def _add_chapter(
    document: Document, name: str, number: str, file_name: str, notebook: NotebookNode, owners: dict[str, str]
) -> None:
    cells = [_copy(cell) for cell in notebook.cells if "remove" not in cell.metadata.get("tags", [])]
    code = tuple(
        cell.source.strip()
        for cell in cells
        if cell.cell_type == "code" and cell.source.strip() and not {INJECTED, "parameters"} & set(cell.metadata.get("tags", []))
    )
    section = Section(name, number, _take_title(cells, name), anchor_name("chapter", name), code)
    cells = _without_empty_parts(cells)
    numbering = _Numbering(document, section, file_name)
    for place, cell in enumerate(cells, start=1):
        for output in cell.get("outputs", []):
            _check_output(output, name)
            data: Mapping[str, Any] = output.get("data", {})
            check_bundle(data, name)
            if FIGURE_TYPE in data:
                numbering.number("figure", data[FIGURE_TYPE])
            if TABLE_TYPE in data:
                numbering.number("table", data[TABLE_TYPE])
            if EXPLORER_TYPE in data:
                numbering.number("table", data[EXPLORER_TYPE]["table"])
            if SCORECARD_TYPE in data:
                data[SCORECARD_TYPE].setdefault("label", "scorecard")
                numbering.number("table", data[SCORECARD_TYPE])
            for record in data.get(RESULTS_TYPE, {}).get("results", []):
                if record["id"] in owners:
                    raise ReportError(
                        f"the result {record['id']!r} is recorded twice: by chapter {owners[record['id']]} and by {name}"
                    )
                owners[record["id"]] = name
                document.results.append(record)
        cell.metadata["chapter"] = name
        cell["id"] = anchor_name(name, str(place))
    if not cells:
        cells = [NotebookNode(cell_type="markdown", metadata=NotebookNode(chapter=name), id=anchor_name(name), source="")]
    cells[0].metadata["opens"] = cells[-1].metadata["closes"] = True
    document.sections.append(section)
    if number.isdigit():
        document.references["chapter", name, name] = (section.anchor, f"chapter {number}")
    document.notebook.cells.extend(cells)


def _copy(cell: NotebookNode) -> NotebookNode:
    def node(value: Any) -> Any:
        if isinstance(value, Mapping):
            return NotebookNode({key: node(item) for key, item in value.items()})
        return [node(item) for item in value] if isinstance(value, list) else value

    copied: NotebookNode = node(cell)
    return copied
