"""The report in its formats; a document that has not changed is not set again."""

from __future__ import annotations

import contextlib
import dataclasses
import hashlib
import importlib.metadata
import json
from collections.abc import Callable, Sequence
from functools import cache as cache_call
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from fishreport.report.assemble import Document
from fishreport.report.cache import Cache, code_digest, versions, write_whole
from fishreport.report.progress import Progress
from fishreport.report.reads import folder_digest
from fishreport.resources import locate
from fishreport.study import Study

if TYPE_CHECKING:
    from fishreport.report.brief import Sheet
    from fishreport.report.rehearsal import Rehearsal

SETTERS = ("typst", "nbconvert", "mistune", "jinja2")
KEPT = 24


def page_digest(document: Document, *, ignored: tuple[str, ...] = (), narrative: Path | None = None) -> str:
    """Digest of all that a page is set from: the document, the code, the templates, the libraries, the study's images.

    `ignored` names folders of the study that hold reports, not inputs; `narrative` is the folder of its texts, wherever that is.
    """
    within = ("notebook", "folder", "references", "results", "tables")  # the notebook holds what is in these
    names = [field.name for field in dataclasses.fields(Document) if field.name not in within]
    text = json.dumps(document.notebook, sort_keys=True)
    folders = [(document.folder, ignored)] + ([(narrative, ())] if narrative is not None and narrative.is_dir() else [])
    basis = [
        [repr(getattr(document, name)) for name in names],
        code_digest(),
        folder_digest(locate("templates")),
        versions(),
        {name: importlib.metadata.version(name) for name in SETTERS},
        [folder_digest(folder, left_out) for folder, left_out in folders] if "![" in text else "",
    ]
    return hashlib.sha256(f"{json.dumps(basis, sort_keys=True)}\0{text}".encode()).hexdigest()[:32]


def _kept(path: Path) -> bytes | None:
    """A page kept by an earlier build, unless it is damaged."""
    try:
        checksum, _, page = path.read_bytes().partition(b"\n")
    except OSError:
        return None
    if hashlib.sha256(page).hexdigest().encode() == checksum:
        return page
    path.unlink(missing_ok=True)
    return None


def _keep(path: Path, page: bytes) -> None:
    with contextlib.suppress(OSError):  # a full disk costs time later, not this report
        write_whole(path, hashlib.sha256(page).hexdigest().encode() + b"\n" + page)
        for old in sorted(path.parent.iterdir(), key=lambda item: item.stat().st_mtime_ns, reverse=True)[KEPT:]:
            old.unlink(missing_ok=True)


def _kept_or_set(cache: Cache, name: str, make: Callable[[], bytes]) -> bytes:
    path = cache.folder / "pages" / name
    page = _kept(path)
    if page is None:
        page = make()
        _keep(path, page)
    return page


def _set(document: Document, name: str, rehearsal: Rehearsal | None) -> bytes:
    if name == "html":
        from fishreport.report.html import render_html

        return render_html(document)
    if rehearsal is not None:
        return rehearsal.paper.set(document)
    from fishreport.report.pdf import render_pdf

    return render_pdf(document)


def set_pages(
    document: Document,
    formats: Sequence[str],
    cache: Cache,
    progress: Progress,
    *,
    digest: str,
    rehearsal: Rehearsal | None = None,
) -> dict[str, bytes]:
    """The report in each format.

    Parameters
    ----------
    document : Document
    formats : sequence of str
        ``html``, ``pdf``.
    cache : Cache
        Where pages are kept.
    progress : Progress
    digest : str
        The document's `page_digest`, worked out once for all that is set from it.
    rehearsal : Rehearsal, optional
        Of the same report, whose setter then sets the PDF.

    Raises
    ------
    ReportError
        If a format cannot be set.
    """
    pages: dict[str, bytes] = {}
    for name in formats:
        progress.working(f"setting {name.upper()}")
        pages[name] = _kept_or_set(cache, f"{digest}.{name}", partial(_set, document, name, rehearsal))
        progress.done()
    return pages


def set_briefs(
    document: Document, study: Study, formats: Sequence[str], cache: Cache, progress: Progress, *, digest: str
) -> dict[str, bytes]:
    """The brief in each format; the arguments are those of `set_pages`, and the study, whose plan and text the brief holds.

    Raises
    ------
    StudyError, ReportError
        If the author's text cannot be read, or the brief cannot be set in two pages.
    """
    narrative = study.folder / study.report.narrative
    basis = [digest, study.model_dump_json(), folder_digest(narrative) if narrative.is_dir() else ""]
    own = hashlib.sha256(json.dumps(basis).encode()).hexdigest()[:32]

    @cache_call
    def sheet() -> Sheet:
        from fishreport.report.brief import read_sheet

        return read_sheet(document, study)

    def make(name: str) -> bytes:
        from fishreport.report.brief import render_brief

        return render_brief(document, study, name, sheet())

    briefs: dict[str, bytes] = {}
    for name in formats:
        progress.working(f"setting the brief as {name.upper()}")
        briefs[name] = _kept_or_set(cache, f"{own}-brief.{name}", partial(make, name))
        progress.done()
    return briefs
