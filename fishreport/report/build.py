"""Build a report: from a study to a folder with everything, put in place in one step."""

from __future__ import annotations

import datetime
import gc
import json
import time
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fishreport.exceptions import StudyError, UsageError
from fishreport.fielddata import load_survey
from fishreport.report.place import Placing, check_target
from fishreport.report.progress import Progress
from fishreport.study import Study, read_study
from fishreport.terminal import visible

if TYPE_CHECKING:
    from fishreport.report.assemble import Document
    from fishreport.report.cache import Cache
    from fishreport.report.kernels import ForkServer
    from fishreport.report.rehearsal import Rehearsal
    from fishreport.report.run import ExecutedChapter

FORMATS = ("html", "pdf")
DEFAULT_FOLDER = "report"


@dataclass(frozen=True)
class Built:
    """A finished report.

    Attributes
    ----------
    folder : Path
        Where it lies.
    ran : tuple[str, ...]
        Chapters that ran.
    kept : tuple[str, ...]
        Chapters whose earlier work served.
    reasons : dict[str, str]
        Chapter → why it ran, or why it did not need to.
    seconds : float
        Time of the whole build.
    """

    folder: Path
    ran: tuple[str, ...]
    kept: tuple[str, ...]
    reasons: dict[str, str]
    seconds: float


def study_file(path: Path | str) -> Path:
    """The ``study.toml`` of a study that is named by its folder or its file.

    Raises
    ------
    StudyError
        If its path is no text, which no notebook and no report could hold.
    """
    given = Path(path)
    file = (given / "study.toml" if given.is_dir() else given).resolve()
    try:
        str(file).encode()
    except UnicodeEncodeError:
        raise StudyError("the path of the study holds bytes that are no UTF-8 text; rename the folder", visible(file)) from None
    return file


def results_bytes(document: Document) -> bytes:
    """``results.json``."""
    content = {"study": document.water, "season": document.season, "results": document.results}
    return (json.dumps(content, ensure_ascii=False, indent=1, allow_nan=False) + "\n").encode()


def _write_data(folder: Path, document: Document, executed: Sequence[ExecutedChapter], rehearsal: Rehearsal) -> None:
    from fishreport.report.tables import table_csv

    (folder / "results.json").write_bytes(results_bytes(document))
    (folder / "tables").mkdir()
    for name, data in document.tables:
        (folder / "tables" / name).write_bytes(table_csv(data))
    (folder / "chapters").mkdir()
    for done in executed:
        (folder / "chapters" / f"{done.chapter.file_name}.ipynb").write_bytes(rehearsal.chapter_file(done))


def _write_pages(folder: Path, pages: Mapping[str, bytes], briefs: Mapping[str, bytes]) -> None:
    for name, page in pages.items():
        (folder / f"report.{name}").write_bytes(page)
    for name, page in briefs.items():
        (folder / f"brief.{name}").write_bytes(page)


def build_report(
    study: Path | str,
    *,
    out: Path | str | None = None,
    settings: Mapping[str, Any] | None = None,
    season: int | None = None,
    chapters: Sequence[str] = (),
    formats: Sequence[str] = FORMATS,
    jobs: int | None = None,
    fresh: bool = False,
    progress: Progress | None = None,
    notebooks: Path | None = None,
    cell_seconds: int | None = None,
    server: ForkServer | None = None,
) -> Built:
    """Build the report of a study.

    Parameters
    ----------
    study : Path
        The study folder or its ``study.toml``.
    out : Path, optional
        Where the report goes; the folder ``report`` of the study otherwise. A folder that holds something else is refused.
    settings : mapping, optional
        Dotted key → value, set on top of the study file.
    season : int, optional
        Report this season.
    chapters : sequence of str, optional
        Only these chapters.
    formats : sequence of str
        ``html``, ``pdf`` or both.
    jobs : int, optional
        Chapters side by side; one a core otherwise.
    fresh : bool
        Run every chapter, whatever was kept of earlier builds.
    progress : Progress, optional
        Where to tell what happens; silent otherwise.
    notebooks : Path, optional
        Where the package's chapters lie, instead of where they travel.
    cell_seconds : int, optional
        A cell that runs longer is taken for hung.
    server : ForkServer, optional
        A preloaded process that several builds share (POSIX only).

    Raises
    ------
    StudyError, DataError
        If the study or its data are at fault.
    UsageError
        If a format, chapter or folder cannot be used.
    ChapterError
        If a chapter failed; the last report is untouched and the other chapters' work is kept.
    ReportError
        If the chapters do not fit together, a page cannot be set, or a file of the study was changed meanwhile.
    """
    began, clock = datetime.datetime.now(datetime.UTC), time.monotonic()
    unknown = [name for name in formats if name not in FORMATS]
    if unknown or not formats:
        raise UsageError(f"a format is one of {', '.join(FORMATS)}, not {', '.join(unknown) or 'nothing'}")
    progress = progress or Progress(quiet=True)
    settings = dict(settings or {})
    file = study_file(study)
    read = read_study(file, overrides=settings, season=season)
    target = check_target(Path(out) if out is not None else read.folder / DEFAULT_FOLDER, read.folder)

    # Imported here, so that a fault in the study is told without waiting for the Jupyter libraries.
    from fishreport.report.assemble import assemble
    from fishreport.report.cache import Cache, cache_folder
    from fishreport.report.manifest import how_it_was_made, keep_inputs, refuse_changed, write_manifest
    from fishreport.report.pages import page_digest, set_briefs, set_pages
    from fishreport.report.plan import is_whole, plan_chapters
    from fishreport.report.rehearsal import Rehearsal
    from fishreport.report.run import CELL_SECONDS, Runner, default_jobs
    from fishreport.report.temporary import remove_left_folders

    planned = plan_chapters(read, only=chapters, folder=notebooks)
    cache = Cache(cache_folder(read))
    with progress, ExitStack() as early:
        progress.start(len(planned) + 2 * len(formats) + 1)
        progress.working("reading the field data")
        remove_left_folders()
        rehearsal = early.enter_context(Rehearsal(read, file, planned, cache, settings=settings, formats=formats))
        own = None if server else _early_server(read, cache, fresh=fresh or bool(settings))
        if own is not None:
            early.callback(own.close)
        survey = load_survey(read)
        progress.done()
        placing = early.enter_context(Placing(target, study=read.water.name))
        runner = Runner(
            read, survey, study_path=str(file), season=season or read.season.year, settings=settings, cache=cache,
            progress=progress, jobs=jobs or default_jobs(), fresh=fresh, cell_seconds=cell_seconds or CELL_SECONDS,
            ignored=(target.name, DEFAULT_FOLDER), server=server or own, meanwhile=rehearsal,
        )  # fmt: skip
        executed = runner.run(planned)
        rehearsal.end()
        refuse_changed(read, file, executed, since=began.timestamp())
        if own is not None:
            own.release()  # it ends while the pages are set
        early.enter_context(_without_collection())
        document = assemble(read, executed, last=how_it_was_made(read, file, executed), whole=is_whole(planned, notebooks))
        texts = read.folder / read.report.narrative
        digest = page_digest(document, ignored=(target.name, DEFAULT_FOLDER), narrative=texts)
        with ThreadPoolExecutor(1, thread_name_prefix="pages") as beside:  # the setter of the PDF leaves Python to others
            paper, screen = ([name for name in formats if (name == "pdf") is wanted] for wanted in (True, False))
            pdf = beside.submit(set_pages, document, paper, cache, progress, digest=digest, rehearsal=rehearsal)
            pages = set_pages(document, screen, cache, progress, digest=digest)
            _write_data(placing.folder, document, executed, rehearsal)
            briefs = set_briefs(document, read, formats, cache, progress, digest=digest)
            pages |= pdf.result()
        _write_pages(placing.folder, pages, briefs)
        keep_inputs(placing.folder, read, file, executed)
        request = {"settings": settings, "season": season, "chapters": list(chapters), "formats": list(formats)}
        ended = datetime.datetime.now(datetime.UTC)
        write_manifest(placing.folder, read, file, executed, began=began, ended=ended, request=request)
        placing.finish()
    return Built(
        folder=target,
        ran=tuple(done.chapter.file_name for done in executed if not done.cached),
        kept=tuple(done.chapter.file_name for done in executed if done.cached),
        reasons={done.chapter.file_name: done.reason for done in executed},
        seconds=time.monotonic() - clock,
    )


@contextmanager
def _without_collection() -> Iterator[None]:
    """No looking for garbage in circles: there is hardly any, and among all that a report holds the look takes long."""
    before = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if before:
            gc.enable()


def _early_server(study: Study, cache: Cache, *, fresh: bool) -> ForkServer | None:
    """A preloaded process that gets ready while the field data are read, where it is likely that chapters must run."""
    from fishreport.report.kernels import ForkServer, forking_works

    if forking_works() and (fresh or cache.is_older_than(study.folder)):
        with suppress(OSError):  # told when chapters need it
            return ForkServer()
    return None
