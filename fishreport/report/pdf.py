"""The report as a tagged PDF, set by Typst."""

from __future__ import annotations

import datetime
import json
import shutil
import threading
from collections.abc import Iterable, Sequence
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any

from fishreport.exceptions import ReportError
from fishreport.report.assemble import Document
from fishreport.report.drawings import Chosen, choose_drawings
from fishreport.report.html import Filters, ReportExporter, verdict_kind
from fishreport.report.prose import Token, plain_text
from fishreport.report.prose_writers import write_typst
from fishreport.report.svg import check_svg, proportions
from fishreport.report.tables import TableLayout, group_sizes, lay_out_table
from fishreport.report.temporary import private_folder
from fishreport.report.typst_text import FONT, MONO, drawable, font_folder, literal

if TYPE_CHECKING:
    import typst

# A text that announces what follows it is a heading and so many paragraphs, of so many signs in all.
MOST_ANNOUNCING, LONGEST_ANNOUNCING = 3, 700
CHOICES = "choices.json"


class Workspace:
    """Files that the compiler reads beside its source: drawings and images."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._known: dict[Path, str] = {}

    def add_file(self, path: Path) -> str:
        """Copy an image in; the name under which the compiler finds it."""
        if path not in self._known:
            name = f"image-{len(self._known) + 1}{path.suffix.lower()}"
            (self.folder / name).write_bytes(path.read_bytes())
            self._known[path] = name
        return f"/{self._known[path]}"

    def add_drawing(self, data: dict[str, Any]) -> str:
        """Write a drawing; the name under which the compiler finds it."""
        name = f"{data['anchor']}.svg"
        (self.folder / name).write_text(drawable(check_svg(data["svg"], data["anchor"])), encoding="utf-8")
        return f"/{name}"


def announces(tokens: Sequence[Token]) -> bool:
    """Whether a text is a heading with a sentence or two at most, so that it must not be parted from what it announces."""
    kinds = [token["type"] for token in tokens if token["type"] != "blank_line"]
    alone = kinds[:1] == ["heading"] and len(kinds) <= MOST_ANNOUNCING and set(kinds[1:]) <= {"paragraph"}
    return alone and len(plain_text(tokens)) <= LONGEST_ANNOUNCING


class Pairing:
    """Drawings with what announces them and the table that follows, so that the setter can choose their order.

    What may belong to the next exhibit is held back until that comes, or something else does.
    """

    def __init__(self) -> None:
        self._lead = self._drawing = ""

    def release(self, text: str = "") -> str:
        """What is held back, before anything else is set."""
        lead, drawing = self._lead, self._drawing
        self._lead = self._drawing = ""
        if drawing:
            return f"#with-drawing(chosen, {drawing}{f', lead: {lead}' if lead else ''})\n{text}"
        return f"#{lead}\n{text}" if lead else text

    def lead(self, call: str) -> str:
        """A text that announces what follows."""
        before, self._lead = self.release(), call
        return before

    def hold(self, call: str, kind: str) -> str:
        """A ``drawing``, a ``table``, or a ``turned`` table, which stands on a page of its own."""
        call = call.strip()
        if kind == "drawing":
            before = self.release() if self._drawing else ""
            self._drawing = call
            return before
        if kind == "turned" or not self._drawing:
            return self.release(f"#{call}")
        lead, drawing = self._lead, self._drawing
        self._lead = self._drawing = ""
        return f"#with-drawing(chosen, {drawing}{f', lead: {lead}' if lead else ''}, table: {call})"


class TypstExporter(ReportExporter):
    """The source that Typst sets."""

    def __init__(self, document: Document, workspace: Workspace, **options: Any) -> None:
        self._workspace = workspace
        super().__init__(document, **options)

    output_mimetype = "text/vnd.typst"

    def _file_extension_default(self) -> str:
        return ".typ"

    def _template_extension_default(self) -> str:
        return ".typ.j2"

    def _template_name_default(self) -> str:
        return "typst"

    def default_filters(self) -> Iterable[tuple[str, Any]]:
        """nbconvert's filters and ours."""
        yield from super().default_filters()
        filters = Filters(self._report, lambda tokens, place: write_typst(tokens, place, self._workspace.add_file))
        pairing = Pairing()

        def prose(text: str, chapter: str) -> str:
            tokens, place = filters.read(text, chapter)
            place.kept = announces(tokens)
            written = write_typst(tokens, place, self._workspace.add_file)
            if not tokens:
                return ""
            return pairing.lead(written) if place.kept else pairing.release(f"#{written}")

        yield "held", pairing.hold
        yield "released", pairing.release
        yield "open_chapter", filters.open_chapter
        yield "prose", prose
        yield "author", filters.author
        yield "line", lambda text, chapter: literal(filters.line(text, chapter))
        yield "literal", literal
        yield "drawing", lambda data: literal(self._workspace.add_drawing(data))
        yield "proportions", lambda data: proportions(data["svg"])
        yield "layout", self._layout
        yield "group_sizes", group_sizes
        yield "verdict_kind", verdict_kind

    def _layout(self, data: dict[str, Any]) -> list[TableLayout]:
        return lay_out_table(data["columns"], data["rows"])


def render_typst(document: Document, workspace: Workspace) -> str:
    """The Typst source."""
    exporter = TypstExporter(document, workspace)
    sections = {section.name: section for section in document.sections}
    resources = {"report": document, "sections": sections, "font": FONT, "mono": MONO, "choices": CHOICES}
    source, _ = exporter.from_notebook_node(document.notebook, resources=resources)
    return str(source)


class PdfSetter:
    """Sets reports on paper in a folder of its own.

    A document that is much like one that it has set takes a fraction of the time, since the compiler keeps what it has laid out.
    Use it as a context manager, or close it.
    """

    def __init__(self) -> None:
        self._folder = private_folder().resolve()
        self._lock = threading.Lock()
        self._compiler: typst.Compiler | None = None

    def set(self, document: Document) -> bytes:
        """The PDF; its date is the last day of the season, so that the same inputs give the same bytes.

        Raises
        ------
        ReportError
            If Typst refuses the document (it checks PDF/UA-1).
        """
        import typst

        with self._lock:
            try:
                return self._set(document)
            except typst.TypstError as error:
                hints = f" ({'; '.join(error.hints)})" if error.hints else ""
                other = "; the page can be had without it by --format html" if "codepoints" in error.message else ""
                raise ReportError(f"the PDF could not be set: {error.message}{hints}{other}\n{error.diagnostic}") from None

    def _set(self, document: Document) -> bytes:
        main, choices = self._folder / "report.typ", self._folder / CHOICES
        main.write_text(render_typst(document, Workspace(self._folder)), encoding="utf-8")
        compiler = self._compiler = self._compiler or _compiler(main)

        def lay_out(chosen: Chosen) -> Any:
            choices.write_text(chosen.text(measuring=True), encoding="utf-8")
            return json.loads(compiler.query("metadata", field="value"))

        choices.write_text(choose_drawings(lay_out).text(measuring=False), encoding="utf-8")
        moment = datetime.datetime(document.season, 12, 31, tzinfo=datetime.UTC)
        pdf, _warnings = compiler.compile_with_warnings(format="pdf", pdf_standards=["ua-1"], timestamp=moment)
        assert isinstance(pdf, bytes)
        return pdf

    def close(self) -> None:
        """Remove the folder, once nothing is being set there; whoever sets for long finds it gone."""
        free = self._lock.acquire(timeout=3)
        shutil.rmtree(self._folder, ignore_errors=True)
        if free:
            self._lock.release()

    def __enter__(self) -> PdfSetter:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self.close()


def _compiler(main: Path) -> typst.Compiler:
    import typst

    return typst.Compiler(str(main), root=str(main.parent), font_paths=[str(font_folder())], ignore_system_fonts=True)


def render_pdf(document: Document) -> bytes:
    """The PDF of one document; see `PdfSetter.set`."""
    with PdfSetter() as setter:
        return setter.set(document)
