"""The report as one HTML file that needs nothing else."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from html import escape
from typing import Any

from jinja2 import BytecodeCache, Environment
from jinja2.bccache import Bucket
from nbconvert.exporters import TemplateExporter
from nbformat import NotebookNode
from traitlets.config import Config

from fishreport.exceptions import ReportError
from fishreport.report.assemble import OURS, Document, anchor_name
from fishreport.report.prose import Levels, Token, read_prose, seen, top_level
from fishreport.report.prose_writers import Place, write_html
from fishreport.report.svg import inline_svg
from fishreport.resources import locate

# Stands for the contents until all headings are known; text is escaped, so that nothing else can read like it.
CONTENTS = "<!--contents-->"
SHOWN = (*OURS, "text/markdown", "text/plain")


def report_config() -> Config:
    """Configuration of both exporters: our MIME types come first, and pictures without a caption are not shown."""
    config = Config()
    config.NbConvertBase.display_data_priority = list(SHOWN)
    return config


def verdict_kind(verdict: str) -> str:
    """``met``, ``missed``, ``unclear`` or ``unknown``: how a verdict is marked, besides its words."""
    words = verdict.casefold()
    if words.startswith(("not met", "missed", "below", "above")):
        return "missed"
    if words.startswith("met"):
        return "met"
    return "unknown" if words.startswith(("not estimable", "no data", "not measured")) else "unclear"


class Filters:
    """What the templates call to write text of a chapter; one object a rendering, since headings follow each other."""

    def __init__(self, document: Document, write: Callable[[list[Token], Place], str]) -> None:
        self.document, self._write = document, write
        self.levels = Levels()
        self.headings: dict[str, list[tuple[str, str]]] = {}
        self._taken: set[str] = set()

    def name_heading(self, chapter: str, words: str, written: str) -> str:
        """The anchor of a heading of the highest level in a chapter; `written` is what the contents show for it."""
        name = wanted = anchor_name("part", chapter, words)
        number = 1
        while name in self._taken:
            number += 1
            name = f"{wanted}-{number}"
        self._taken.add(name)
        self.headings.setdefault(chapter, []).append((name, written))
        return name

    def open_chapter(self, name: str) -> str:
        """Start of a chapter: its own heading is of level 1."""
        self.levels.enter(1)
        return ""

    def _place(self, chapter: str, where: str) -> Place:
        return Place(
            where=where,
            resolve=lambda kind, label: self.document.resolve(chapter, kind, label),
            images=self.document.folder,
            levels=self.levels,
            name_heading=lambda words, written: self.name_heading(chapter, words, written),
        )

    def read(self, text: str, chapter: str) -> tuple[list[Token], Place]:
        """Text of a chapter as a tree, and where it stands."""
        where = f"chapter {chapter}"
        return read_prose(text, where), self._place(chapter, where)

    def prose(self, text: str, chapter: str) -> str:
        """Text of a chapter."""
        return self._write(*self.read(text, chapter))

    def author(self, data: dict[str, Any], chapter: str) -> str:
        """The author's narrative: its highest heading stands one level below the chapter's own, its images beside it."""
        tokens = read_prose(data["text"], data["name"])
        place = self._place(chapter, data["name"])
        place.shift = 2 - top_level(tokens)
        place.images = (self.document.folder / data["name"]).resolve().parent
        if not place.images.is_relative_to(self.document.folder):
            raise ReportError(f"{data['name']}: a narrative lies inside the study folder")
        return self._write(tokens, place)

    def line(self, text: str, chapter: str) -> str:
        """A caption, finding or note: plain text with references written out."""
        return self.document.plain(text, chapter)


class _AsItIs(NotebookNode):
    """A notebook that is rendered as it is: nothing changes it, and a copy of a whole report takes long."""

    def __deepcopy__(self, memo: dict[int, Any]) -> _AsItIs:
        return self


class _CompiledTemplates(BytecodeCache):
    """Templates as compiled earlier in this process; jinja looks whether their text is still the same."""

    def __init__(self) -> None:
        self._known: dict[str, bytes] = {}

    def load_bytecode(self, bucket: Bucket) -> None:
        if bucket.key in self._known:
            bucket.bytecode_from_string(self._known[bucket.key])

    def dump_bytecode(self, bucket: Bucket) -> None:
        self._known[bucket.key] = bucket.bytecode_to_string()


COMPILED = _CompiledTemplates()


class ReportExporter(TemplateExporter):
    """nbconvert's template exporter with the report's templates."""

    def __init__(self, document: Document, **options: Any) -> None:
        self._report = document
        super().__init__(config=report_config(), **options)

    def _create_environment(self) -> Environment:
        environment: Environment = super()._create_environment()
        environment.bytecode_cache = COMPILED
        return environment

    def from_notebook_node(self, nb: NotebookNode, resources: Any = None, **options: Any) -> tuple[str, Any]:
        """What the templates make of the document."""
        found: tuple[str, Any] = super().from_notebook_node(_AsItIs(nb), resources, **options)
        return found

    def _extra_template_basedirs_default(self) -> list[str]:
        return [str(locate("templates"))]

    def _preprocess(self, nb: NotebookNode, resources: Any) -> tuple[NotebookNode, Any]:
        """The document as it was put together: there is nothing to take out, and copies of it take long."""
        return nb, resources


class HtmlExporter(ReportExporter):
    """The page."""

    output_mimetype = "text/html"

    def __init__(self, document: Document, **options: Any) -> None:
        self.written = Filters(document, write_html)
        super().__init__(document, **options)

    def _file_extension_default(self) -> str:
        return ".html"

    def _template_extension_default(self) -> str:
        return ".html.j2"

    def _template_name_default(self) -> str:
        return "html"

    def default_filters(self) -> Iterable[tuple[str, Any]]:
        """nbconvert's filters and ours."""
        yield from super().default_filters()
        filters = self.written
        yield "open_chapter", filters.open_chapter
        yield "prose", filters.prose
        yield "author", filters.author
        yield "line", lambda text, chapter: escape(filters.line(text, chapter))
        yield "drawing", lambda data: inline_svg(data["svg"], data["anchor"], data["alt"])
        yield "verdict_kind", verdict_kind


def render_html(document: Document) -> bytes:
    """The page."""
    exporter = HtmlExporter(document)
    sections = {section.name: section for section in document.sections}
    resources = {"report": document, "sections": sections, "contents": CONTENTS}
    page, _ = exporter.from_notebook_node(document.notebook, resources=resources)
    contents = exporter.environment.get_template("contents.html.j2")
    listed = contents.render(sections=document.sections, headings=exporter.written.headings)
    return seen(page.replace(CONTENTS, listed.strip(), 1)).encode()
