"""A rehearsal of the pages: while chapters still run and a core is idle, the report is set from what there is by then.

Nothing of it is shown. But what the setters have read, checked and laid out once they need not again, so that the report itself
is set in a fraction of the time. A chapter that has not run yet stands there as it ran before, or empty. The brief is left out:
its pictures are drawn by matplotlib, which must not draw in two threads at once.
"""

from __future__ import annotations

import contextlib
import importlib
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any

from nbformat import NotebookNode

from fishreport.report.cache import Cache
from fishreport.report.plan import PlannedChapter
from fishreport.study import Study

if TYPE_CHECKING:
    from fishreport.report.pdf import PdfSetter
    from fishreport.report.run import ExecutedChapter


class Rehearsal:
    """Called with the chapters that are done, from a thread beside those that run chapters.

    Parameters
    ----------
    study : Study
    study_file : Path
    planned : sequence of PlannedChapter
    cache : Cache
        Where chapters lie as they ran before.
    settings : mapping
        Settings changed on the command line.
    formats : sequence of str
        What will be set: ``html``, ``pdf``.
    """

    def __init__(
        self,
        study: Study,
        study_file: Path,
        planned: Sequence[PlannedChapter],
        cache: Cache,
        *,
        settings: Mapping[str, Any],
        formats: Sequence[str],
    ) -> None:
        self._study, self._file, self._planned, self._cache = study, study_file, planned, cache
        self._settings, self._formats = settings, formats
        self._written: dict[str, tuple[NotebookNode, bytes]] = {}
        self._wanted: Mapping[str, ExecutedChapter] | None = None
        self._working = False
        self._ended = self._closed = False
        self._lock = threading.Lock()
        self._paper: PdfSetter | None = None

    @property
    def paper(self) -> PdfSetter:
        """The setter of the PDF, which remembers what it has laid out."""
        from fishreport.report.pdf import PdfSetter

        with self._lock:
            if self._closed:
                raise RuntimeError("the rehearsal is over")
            self._paper = self._paper or PdfSetter()
            return self._paper

    def chapter_file(self, done: ExecutedChapter) -> bytes:
        """A chapter as it is published, with the parameters of this build."""
        from fishreport.report.notebook import notebook_bytes, with_parameters

        notebook, written = self._written.get(done.chapter.name, (None, b""))
        if notebook is not done.notebook:
            written = notebook_bytes(with_parameters(done.notebook, self._study.season.year, self._settings))
            self._written[done.chapter.name] = (done.notebook, written)
        return written

    def __call__(self, done: Mapping[str, ExecutedChapter]) -> None:
        """Rehearse in a thread; what is asked for while another rehearsal goes on follows it, and only the last of it."""
        with self._lock:
            self._wanted = dict(done)
            if self._working or self._ended:
                return
            self._working = True
        threading.Thread(target=self._work, daemon=True, name="rehearsal").start()

    def end(self) -> None:
        """Begin no more rehearsals."""
        with self._lock:
            self._ended, self._wanted = True, None

    def close(self) -> None:
        """Remove what was laid out."""
        self.end()
        with self._lock:
            self._closed = True
        if self._paper is not None:
            self._paper.close()

    def __enter__(self) -> Rehearsal:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self.close()

    def _work(self) -> None:
        get_ready()
        while True:
            with self._lock:
                done, self._wanted = self._wanted, None
                if done is None:
                    self._working = False
                    return
            for part in self._parts(done) if done else ():
                if self._ended:
                    return
                with contextlib.suppress(Exception):  # told when the report itself is set
                    part()

    def _parts(self, done: Mapping[str, ExecutedChapter]) -> Iterator[Callable[[], object]]:
        from fishreport.report.assemble import assemble
        from fishreport.report.html import render_html
        from fishreport.report.manifest import how_it_was_made
        from fishreport.report.run import ExecutedChapter

        chapters = [
            done.get(chapter.name) or ExecutedChapter(chapter, self._cache.newest(chapter), "", True, 0.0)
            for chapter in self._planned
        ]
        try:
            document = assemble(self._study, chapters, last=how_it_was_made(self._study, self._file, chapters), whole=False)
        except Exception:  # as above
            return
        if "pdf" in self._formats:
            yield lambda: self.paper.set(document)
        if "html" in self._formats:
            yield lambda: render_html(document)
        yield lambda: [self.chapter_file(one) for one in done.values()]


def get_ready() -> None:
    """Import what pages are set with."""
    for name in ("html", "pdf", "brief", "brief_html", "brief_pdf"):
        with contextlib.suppress(Exception):  # told when the page is set
            importlib.import_module(f"fishreport.report.{name}")
    with contextlib.suppress(Exception):
        importlib.import_module("typst")
