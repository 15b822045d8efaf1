"""Run the chapters of a report through papermill, side by side, on kernels of this build alone."""

from __future__ import annotations

import asyncio
import json
import os
import pickle
import re
import time
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from nbformat import NotebookNode

from fishreport.exceptions import ChapterError
from fishreport.exhibits.exhibit import FINDINGS_TYPE, RESULTS_TYPE
from fishreport.fielddata.survey import Survey
from fishreport.report.cache import Cache, Inputs
from fishreport.report.chapter import handover_key
from fishreport.report.notebook import clean_notebook, code_cell_number, notebook_bytes, shown, uses_parameters
from fishreport.report.plan import PlannedChapter, check_parameters
from fishreport.report.progress import Progress
from fishreport.report.reads import EVERYTHING, changed_at
from fishreport.study import Study

CELL_SECONDS = 1800
START_SECONDS = 90
_COLOURS = re.compile(r"\x1b\[[0-9;]*m")


@dataclass(frozen=True)
class ExecutedChapter:
    """A chapter as run: its cleaned notebook, why it ran (or did not need to), the time it took, and the files that it read."""

    chapter: PlannedChapter
    notebook: NotebookNode
    reason: str
    cached: bool
    seconds: float
    files: tuple[str, ...] = ()


def _engine() -> Any:
    from nbclient.exceptions import CellTimeoutError, DeadKernelError
    from papermill.clientwrap import PapermillNotebookClient
    from papermill.engines import NBClientEngine

    class BuildEngine(NBClientEngine):
        """papermill's engine, with the kernels of this build; a kernel that does not start is tried once more, plainly."""

        @classmethod
        def execute_managed_notebook(cls, nb_man: Any, kernel_name: str, **options: Any) -> Any:
            kernels = options["kernels"]
            client = PapermillNotebookClient(
                nb_man,
                timeout=options["cell_seconds"],
                startup_timeout=START_SECONDS,
                kernel_name=kernel_name,
                shutdown_kernel="immediate",
                store_widget_state=False,
                iopub_timeout=120,  # on a busy machine the last output may come long after the cell has ended
            )
            cls.start(client, kernels)
            running = [0]
            client.on_cell_execute = lambda cell, cell_index: running.__setitem__(0, cell_index)
            try:
                return client.execute()
            except (CellTimeoutError, DeadKernelError) as error:
                error.cell = code_cell_number(nb_man.nb, running[0])
                # papermill writes the notebook only when a cell raised; keep it here too, for its author to look at.
                Path(options["as_run"]).write_bytes(notebook_bytes(clean_notebook(nb_man.nb)))
                raise

        @staticmethod
        def start(client: Any, kernels: Any) -> None:
            for plain in (False, True):
                client.km = kernels.manager(plain=plain)
                try:
                    client.start_new_kernel(**kernels.start_arguments())
                    client.start_new_kernel_client()
                    return
                except Exception:
                    if client.km is not None:
                        client._cleanup_kernel()
                    if plain:
                        raise

    return BuildEngine


def _one_sentence(name: str, value: str) -> str:
    text = _COLOURS.sub("", value).strip().splitlines()
    first = text[0].strip() if text else ""
    ours = {"StudyError", "DataError", "InputError", "StandardError", "ReportError", "UsageError"}
    if name in ours and first:
        return first
    return f"{name}: {first}" if first else name


def _failed_cell(notebook: NotebookNode) -> tuple[int | None, str]:
    """Number of the failed cell and the failure in one sentence."""
    for index, cell in enumerate(notebook.cells):
        for output in cell.get("outputs", []):
            if output.get("output_type") == "error":
                return code_cell_number(notebook, index), _one_sentence(output["ename"], output["evalue"])
    return None, "it failed"


def _joined(failures: Sequence[ChapterError], planned: Sequence[PlannedChapter]) -> ChapterError:
    """The failures of a build as one: the first in the order of the report, with the others named."""
    order = [chapter.file_name for chapter in planned]
    first, *others = sorted(failures, key=lambda error: order.index(error.chapter))
    if not others:
        return first
    alike = [error.chapter for error in others if error.reason == first.reason]
    told = [f"{', '.join(alike)}, for the same reason"] if alike else []
    told += [f"chapter {error.chapter}: {error.reason}" for error in others if error.chapter not in alike]
    return ChapterError(first.chapter, first.cell, f"{first.reason}; also failed: {'; '.join(told)}", first.notebook)


class Runner:
    """Runs the chapters of one build.

    Parameters
    ----------
    study, survey : Study, Survey
        What the chapters report on.
    study_path : str
        The study as the chapters are told it.
    season : int
        The reported season.
    settings : mapping
        Settings changed on the command line.
    cache : Cache
        Earlier work.
    progress : Progress
        Where to tell what happens.
    jobs : int
        Chapters side by side.
    fresh : bool
        Run everything, whatever the cache holds.
    cell_seconds : int
        A cell that runs longer is taken for hung.
    ignored : tuple of str
        Folders of the study that hold reports, not inputs.
    server : ForkServer, optional
        A preloaded process that several builds share.
    meanwhile : callable, optional
        Called once it is known that a chapter must run, and whenever fewer run than could while others wait for them: with the
        chapters that are done. It must return at once.
    """

    def __init__(
        self,
        study: Study,
        survey: Survey | None,
        *,
        study_path: str,
        season: int,
        settings: Mapping[str, Any],
        cache: Cache,
        progress: Progress,
        jobs: int,
        fresh: bool = False,
        cell_seconds: int = CELL_SECONDS,
        ignored: tuple[str, ...] = (),
        server: Any = None,
        meanwhile: Callable[[Mapping[str, ExecutedChapter]], None] | None = None,
    ) -> None:
        self.study, self.survey = study, survey
        self.study_path, self.season, self.settings = study_path, season, dict(settings)
        self.cache, self.progress, self.jobs, self.fresh = cache, progress, jobs, fresh
        self.cell_seconds = cell_seconds
        self.inputs = Inputs(study, survey, ignored=ignored)
        self._server, self._meanwhile = server, meanwhile
        self._kernels: Any = None

    def run(self, planned: Sequence[PlannedChapter]) -> list[ExecutedChapter]:
        """All chapters as run, in the order planned; each starts once those whose results it uses are done.

        Raises
        ------
        ChapterError
            When one failed, once those that can do without it have finished: their work is kept.
        """
        found: dict[str, ExecutedChapter] = {}
        failures: list[ChapterError] = []
        waiting = sorted(planned, key=lambda chapter: not chapter.long)
        running: dict[Future[ExecutedChapter], str] = {}
        with ThreadPoolExecutor(max_workers=max(1, min(self.jobs, len(planned))), thread_name_prefix="chapter") as pool:
            try:
                while True:
                    ready = [one for one in waiting if all(other.name in found for other in one.needs(planned))]
                    waiting = [one for one in waiting if one not in ready]
                    for chapter in ready:
                        kept, reason = self._look(chapter, [found[other.name] for other in chapter.needs(planned)])
                        if kept is not None:
                            found[chapter.name] = kept
                        else:
                            self._prepare()
                            running[pool.submit(self._run_one, chapter, reason)] = chapter.name
                    if ready:
                        continue  # what was kept may let others start
                    if not running:
                        break
                    if waiting and len(running) < self.jobs and self._meanwhile is not None:
                        self._meanwhile(found)
                    for future in wait(running, return_when=FIRST_COMPLETED).done:
                        name = running.pop(future)
                        try:
                            found[name] = future.result()
                        except ChapterError as error:
                            failures.append(error)
            except BaseException:
                for future in running:
                    future.cancel()
                if self._kernels is not None:
                    self._kernels.close()  # cells that run now end at once, and with them their threads
                raise
            finally:
                pool.shutdown()
                if self._kernels is not None:
                    self._kernels.close()
        if failures:
            raise _joined(failures, planned)
        return [found[chapter.name] for chapter in planned]

    def _look(self, chapter: PlannedChapter, used: Sequence[ExecutedChapter]) -> tuple[ExecutedChapter | None, str]:
        """The chapter as kept, or why it must run, now that those whose results it uses are done."""
        if chapter.wave:
            self.inputs.collected[chapter.leaves_out] = collect(used)
        looked = self.cache.look(chapter, self.inputs)
        if looked.notebook is None or self.fresh:
            return None, "asked for afresh" if looked.notebook is not None else looked.reason
        self.progress.done(f"{chapter.file_name}: kept, {looked.reason}")
        return ExecutedChapter(chapter, looked.notebook, looked.reason, True, 0.0, looked.files), ""

    def _prepare(self) -> None:
        """Start the kernels' preloaded process and lay out the survey for them, once."""
        if self._kernels is not None:
            return
        from fishreport.report.kernels import Kernels

        self._kernels = Kernels(self._server)
        if self._meanwhile is not None:
            self._meanwhile({})
        key = handover_key(self.study_path, self.season, self.settings)
        handed = self._kernels.runtime / f"survey-{key}.pickle"
        if self.survey is not None:
            handed.write_bytes(pickle.dumps((self.study, self.survey), protocol=pickle.HIGHEST_PROTOCOL))
        from papermill.engines import papermill_engines

        papermill_engines.register("fishreport", _engine())

    def _run_one(self, chapter: PlannedChapter, reason: str) -> ExecutedChapter:
        self.progress.working(f"chapter {chapter.file_name}")
        began, clock = time.monotonic(), time.time()
        check_parameters(chapter)
        results = ""
        if chapter.wave:
            path = self._kernels.runtime / f"collected-{chapter.name}.json"
            path.write_bytes(self.inputs.collected[chapter.leaves_out])
            results = str(path)
        parameters = {"study": self.study_path, "season": self.season, "settings": self.settings, "results": results}
        try:
            notebook = self._execute(chapter, parameters)
        finally:
            _close_loop()
        seconds = time.monotonic() - began
        record = self._kernels.runtime / f"reads-{chapter.name}.json"
        reads = json.loads(record.read_text(encoding="utf-8")) if record.is_file() else None
        files = tuple(reads["files"]) if reads is not None else ()
        if reads is not None and self._changed_since(clock, [chapter.notebook, *map(self.study.folder.joinpath, reads["files"])]):
            reads = None  # a file was edited while the chapter ran: nobody knows which state it saw
        if reads is not None and uses_parameters(notebook):
            reads = {**reads, "settings": [EVERYTHING], "results": True}
        self.cache.keep(chapter, self.inputs, reads, notebook)
        self.progress.done(f"{chapter.file_name}: ran in {seconds:.1f} s, {reason}")
        return ExecutedChapter(chapter, notebook, reason, False, seconds, files)

    @staticmethod
    def _changed_since(clock: float, files: Sequence[Path]) -> bool:
        return any(changed_at(path) >= clock for path in files if path.is_file())

    def _execute(self, chapter: PlannedChapter, parameters: Mapping[str, Any]) -> NotebookNode:
        import nbformat
        import papermill
        from nbclient.exceptions import CellTimeoutError, DeadKernelError
        from papermill.exceptions import PapermillExecutionError

        as_run = self._kernels.runtime / f"{chapter.file_name}.ipynb"
        try:
            executed = papermill.execute_notebook(
                str(chapter.notebook),
                str(as_run),
                parameters=dict(parameters),
                engine_name="fishreport",
                kernel_name="python3",
                language="python",
                progress_bar=False,
                request_save_on_cell_execute=False,
                kernels=self._kernels,
                cell_seconds=self.cell_seconds,
                as_run=str(as_run),
            )
        except PapermillExecutionError:
            cell, reason = _failed_cell(nbformat.read(as_run, as_version=4))
        except CellTimeoutError as error:
            cell, reason = error.cell, f"the cell did not finish within {self.cell_seconds} s"
        except DeadKernelError as error:
            cell, reason = error.cell, "its kernel ended while the cell was running (out of memory, or stopped from outside)"
        except (RuntimeError, OSError) as error:
            raise ChapterError(chapter.file_name, None, f"no kernel started, twice: {error}", str(chapter.notebook)) from None
        except Exception as error:
            raise ChapterError(
                chapter.file_name, None, _one_sentence(type(error).__name__, str(error)), str(chapter.notebook)
            ) from error
        else:
            return clean_notebook(executed)
        kept = self.cache.keep_failed(chapter, as_run.read_bytes()) if as_run.is_file() else None
        raise ChapterError(chapter.file_name, cell, reason, str(kept or chapter.notebook)) from None


def collect(executed: Sequence[ExecutedChapter]) -> bytes:
    """Results and findings of chapters in the order of the report, as the front page reads them."""
    results: list[Any] = []
    findings: list[Any] = []
    for done in executed:
        for shown_results in shown(done.notebook, RESULTS_TYPE):
            results.extend(shown_results["results"])
        for shown_findings in shown(done.notebook, FINDINGS_TYPE):
            findings.extend({**item, "chapter": done.chapter.name} for item in shown_findings["items"])
    return json.dumps({"results": results, "findings": findings}, ensure_ascii=False, sort_keys=True).encode()


def _close_loop() -> None:
    """Close this thread's event loop, which the Jupyter libraries leave open, with what a hung cell left waiting in it."""
    from jupyter_core.utils import ensure_event_loop

    loop = ensure_event_loop()
    waiting = asyncio.all_tasks(loop)
    for task in waiting:
        task.cancel()
    loop.run_until_complete(asyncio.gather(*waiting, return_exceptions=True))
    loop.run_until_complete(loop.shutdown_asyncgens())
    loop.close()
    asyncio.set_event_loop(None)


def default_jobs() -> int:
    """Chapters side by side when nobody says otherwise: one a core."""
    affinity = getattr(os, "sched_getaffinity", None)
    return max(1, len(affinity(0)) if affinity else os.cpu_count() or 1)
