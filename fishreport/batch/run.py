"""A batch: plan, skip what is finished, build the rest, roll up."""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from fishreport.batch.progress import BatchProgress
from fishreport.batch.waters import Task, Water, plan_waters
from fishreport.exceptions import FishreportError, UsageError


@dataclass(frozen=True)
class Batch:
    """What became of a batch.

    Attributes
    ----------
    folder : Path
        The folder of the studies.
    outcomes : tuple[dict, ...]
        One a water in order of their paths: ``name``, ``status`` (``done``, ``kept`` or ``failed``), ``error``, ``ran``,
        ``kept``, ``seconds``, ``exit_code``, ``worker``.
    rollup : Path | None
        Folder of the regional report; None when none was asked for or no water has a report.
    rollup_error : str
        Why the regional report could not be made.
    seconds : float
    """

    folder: Path
    outcomes: tuple[dict[str, Any], ...]
    rollup: Path | None = None
    rollup_error: str = ""
    seconds: float = field(default=0.0, compare=False)

    @property
    def failed(self) -> tuple[dict[str, Any], ...]:
        """Waters without a new report."""
        return tuple(outcome for outcome in self.outcomes if outcome["status"] == "failed")

    @property
    def exit_code(self) -> int:
        """0 when every water has its report and the roll-up was made; else the highest of their exit codes (1 to 3)."""
        codes = [outcome["exit_code"] or 1 for outcome in self.failed]
        return max([*codes, 3 if self.rollup_error else 0])


def _tasks(waters: Sequence[Water], options: Mapping[str, Any]) -> list[Task]:
    return [Task(water.name, str(water.study), str(water.target), **options) for water in waters]


def batch(
    folder: Path | str,
    *,
    out: Path | str | None = None,
    settings: Mapping[str, Any] | None = None,
    season: int | None = None,
    chapters: Sequence[str] = (),
    formats: Sequence[str] = ("html", "pdf"),
    jobs: int | None = None,
    scheduler: str | None = None,
    fresh: bool = False,
    rollup: bool = True,
    title: str = "",
    progress: BatchProgress | None = None,
    notebooks: Path | None = None,
) -> Batch:
    """Build the report of every study below a folder, and a regional report on all of them.

    A water that fails is told at the end and stops no other one. A water that was finished before, and of which nothing has
    changed since, is skipped; a batch that was stopped goes on where it was.

    Parameters
    ----------
    folder : Path
        Studies are looked for in it and below it.
    out : Path, optional
        Reports go below it, the roll-up to its folder ``rollup``; otherwise into each study and ``FOLDER/rollup``.
    settings, season, chapters, formats, fresh, notebooks
        As in `fishreport.report.build.build_report`, for every water.
    jobs : int, optional
        Waters side by side on this machine; one a core otherwise. Not used on a cluster.
    scheduler : str, optional
        Address of a Dask scheduler whose workers see the same files under the same paths.
    rollup : bool
        Make the regional report.
    title : str
        Of the regional report; made from the folder's name otherwise.
    progress : BatchProgress, optional
        Where to tell what happens; silent otherwise.

    Raises
    ------
    StudyError
        If there is no study.
    UsageError
        If two reports would clash, another batch of the folder runs, or the cluster cannot be used. What
        goes wrong with one water is in the outcome.
    """
    from fishreport.batch.state import State, task_key
    from fishreport.report.build import FORMATS
    from fishreport.report.run import default_jobs

    began = time.monotonic()
    unknown = [name for name in formats if name not in FORMATS]
    if unknown or not formats:
        raise UsageError(f"a format is one of {', '.join(FORMATS)}, not {', '.join(unknown) or 'nothing'}")
    folder = Path(folder).resolve()
    waters, rollup_folder = plan_waters(folder, out=out)
    base = rollup_folder.parent
    base.mkdir(parents=True, exist_ok=True)
    progress = progress or BatchProgress(quiet=True)
    most = jobs or default_jobs()
    options: dict[str, Any] = {
        "settings": dict(settings or {}),
        "season": season,
        "chapters": tuple(chapters),
        "formats": tuple(formats),
        "fresh": fresh,
        "notebooks": str(notebooks) if notebooks else "",
    }
    tasks = _tasks(waters, options)
    with _only_batch(base), progress:
        state = State(base)
        progress.begin(task.name for task in tasks)
        keys = {task.name: task_key(task) for task in tasks}
        outcomes: dict[str, dict[str, Any]] = {}
        for task in tasks:
            if not fresh and state.finished(task, keys[task.name]):
                outcomes[task.name] = {**state.outcome(task.name), "status": "kept", "ran": 0, "seconds": 0.0}
                progress.ended(outcomes[task.name], kept=True)
        waiting = [task for task in tasks if task.name not in outcomes]
        for outcome in _run(waiting, scheduler, most, progress):
            task = next(task for task in waiting if task.name == outcome["name"])
            state.keep(task, keys[task.name], outcome)
            outcomes[task.name] = outcome
            progress.ended(outcome)
        ordered = tuple(outcomes[task.name] for task in tasks)
        made, error = None, ""
        if rollup and any(outcome["status"] != "failed" for outcome in ordered):
            made, error = _roll_up(waters, ordered, rollup_folder, title or f"Regional report: {folder.name}", formats)
    return Batch(folder, ordered, made, error, time.monotonic() - began)


def _only_batch(base: Path) -> Any:
    """Hold the lock of a folder's batch; two at once would write one state."""
    import contextlib

    from fishreport.report.place import _lock

    @contextlib.contextmanager
    def held() -> Any:
        path = base / ".fishreport-batch.lock"
        with path.open("a") as stream:
            if not _lock(stream):
                raise UsageError(f"another batch of {base} is running; wait for it")
            try:
                yield
            finally:
                path.unlink(missing_ok=True)

    return held()


def _run(tasks: Sequence[Task], scheduler: str | None, most: int, progress: BatchProgress) -> Any:
    if not tasks:
        return
    if scheduler:
        from fishreport.batch.cluster import Cluster

        with Cluster(scheduler) as cluster:
            yield from cluster.run(tasks, progress.started)
        return
    from dataclasses import replace

    from fishreport.batch.local import LocalWorkers

    count = min(most, len(tasks))
    with LocalWorkers(count) as workers:
        yield from workers.run([replace(task, jobs=max(1, most // count)) for task in tasks], progress.started)


def _roll_up(
    waters: Sequence[Water], outcomes: Sequence[Mapping[str, Any]], target: Path, title: str, formats: Sequence[str]
) -> tuple[Path | None, str]:
    from fishreport.batch.rollup import build_rollup

    try:
        return build_rollup(waters, outcomes, target, title=title, formats=formats), ""
    except FishreportError as error:
        return None, str(error)
