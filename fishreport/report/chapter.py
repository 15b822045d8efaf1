"""What a chapter's notebook calls: its study, its data, its generator, and the few ways to show something."""

from __future__ import annotations

import hashlib
import json
import math
import os
import pickle
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from fishreport.analysis.result import Result, Results
from fishreport.exceptions import ReportError, StudyError
from fishreport.exhibits.exhibit import Finding, Findings, ResultsExhibit
from fishreport.fielddata.survey import Survey
from fishreport.methods.estimate import Estimate
from fishreport.report.bundle import AUTHOR_TYPE
from fishreport.report.plan import short_name
from fishreport.report.reads import Reads
from fishreport.study import Study, read_study

RUNTIME_VARIABLE = "FISHREPORT_RUNTIME"


def chapter_seed(seed: int, chapter: str) -> list[int]:
    """Entropy for the generator of a chapter: from the study's seed and the chapter's name, whatever runs before it."""
    digest = hashlib.sha256(f"{seed}\0{chapter}".encode()).digest()
    return [int.from_bytes(digest[start : start + 4], "little") for start in range(0, 32, 4)]


def handover_key(study: str, season: int, settings: Mapping[str, Any]) -> str:
    """Name under which a build hands a survey that it has read to its chapters."""
    text = json.dumps([str(study), season, dict(settings)], sort_keys=True, default=str)
    return hashlib.sha256(text.encode()).hexdigest()[:24]


def result_from_record(record: Mapping[str, Any]) -> Result:
    """A result as it stood in ``results.json``."""

    def number(name: str) -> float:
        return math.nan if record[name] is None else float(record[name])

    lower, upper = number("lower"), number("upper")
    if math.isnan(lower) != math.isnan(upper):  # JSON has no infinity: the side that is missing is open
        lower, upper = (-math.inf if math.isnan(lower) else lower), (math.inf if math.isnan(upper) else upper)
    estimate = Estimate(
        value=number("value"),
        se=number("se"),
        lower=lower,
        upper=upper,
        level=float(record["level"]),
        units=record["units"],
        method=record["method"],
        n=int(record["n"]),
        notes=tuple(record["notes"]),
    )
    place = {name: record.get(name) for name in ("season", "species", "size_class", "site", "scenario", "detail")}
    return Result(record["quantity"], estimate, **place)


class _AuthorText:
    """Narrative of the report's author, told apart from what the tool writes."""

    def __init__(self, name: str, text: str) -> None:
        self.name, self.text = name, text

    def _repr_mimebundle_(self, include: Any = None, exclude: Any = None) -> dict[str, Any]:
        return {AUTHOR_TYPE: {"name": self.name, "text": self.text}, "text/markdown": self.text, "text/plain": self.text}


class Chapter:
    """One chapter while it runs.

    Attributes
    ----------
    name : str
        Name of the chapter, such as ``abundance``.
    study : Study
        The study, with the season and the settings of this build.
    survey : Survey
        Its checked tables; read when first asked for.
    rng : numpy.random.Generator
        Random numbers that depend on the study's seed and the chapter's name alone.
    """

    def __init__(self, name: str, study: Study, survey: Survey | None, results: str, reads: Reads) -> None:
        self.name = name
        self._reads = reads
        self._plain_study = study
        self._plain_survey = survey
        self._survey: Survey | None = None
        self._collected = results
        self._rng: np.random.Generator | None = None
        self.study = reads.watch_study(study)

    @property
    def number(self) -> int:
        """Place of the chapter in the report, counted from 1; 0 for the front page."""
        chapters = [short_name(name) for name in self.study.report.chapters]
        return chapters.index(self.name) + 1 if self.name in chapters else 0

    @property
    def parameters(self) -> Any:
        """The study's parameters."""
        return self.study.parameters

    @property
    def season(self) -> int:
        """The reported season."""
        return self.study.season.year

    @property
    def units(self) -> str:
        """``metric`` or ``us``."""
        return self.study.report.units

    @property
    def survey(self) -> Survey:
        """The checked tables."""
        if self._survey is None:
            if self._plain_survey is None:
                from fishreport.fielddata import load_survey

                self._plain_survey = load_survey(self._plain_study)
            self._survey = self._reads.watch_survey(self._plain_survey)
        return self._survey

    @property
    def rng(self) -> np.random.Generator:
        """The chapter's generator; one and the same at every call."""
        if self._rng is None:
            self._rng = np.random.default_rng(chapter_seed(self.study.parameters.seed, self.name))
        return self._rng

    def _collected_file(self) -> dict[str, Any]:
        self._reads.results = True
        if not self._collected:
            return {"results": [], "findings": []}
        loaded: dict[str, Any] = json.loads(Path(self._collected).read_text(encoding="utf-8"))
        return loaded

    @property
    def results(self) -> Results:
        """Results of the chapters that ran before this one (none, except on the front page)."""
        return Results(result_from_record(record) for record in self._collected_file()["results"])

    @property
    def findings(self) -> Findings:
        """Key findings of the chapters that ran before this one, in the order of the report."""
        found = [item for item in self._collected_file()["findings"] if item["key"]]
        return Findings(tuple(Finding(item["text"], tuple(item["results"]), item["direction"], True) for item in found))

    def show(self, *exhibits: Any) -> None:
        """Show exhibits in this order; None is left out."""
        from IPython.display import display

        for exhibit in exhibits:
            if exhibit is not None:
                display(exhibit)

    def record(self, results: Any) -> None:
        """Hand results on to ``results.json``; nothing appears in the report."""
        self.show(ResultsExhibit(tuple(results)))

    def narrative(self, name: str) -> None:
        """Show the author's ``NAME.md`` of the narrative folder; nothing when there is none."""
        folder = (self._plain_study.folder / self.study.report.narrative).resolve()
        path = (folder / f"{name}.md").resolve()
        if not path.is_relative_to(folder):
            raise ReportError(f"a narrative is a file of the narrative folder, not {name!r}")
        self._reads.files.add(str(path))
        if not path.is_file():
            return
        try:
            text = path.read_text(encoding="utf-8-sig")
        except UnicodeDecodeError:
            raise StudyError("the narrative is not UTF-8 text; save it as UTF-8", path.name) from None
        if text.strip():
            inside = path.relative_to(self._plain_study.folder).as_posix()
            self.show(_AuthorText(inside, text.replace("\r\n", "\n")))


def _handed_over(study: str, season: int, settings: Mapping[str, Any]) -> tuple[Study, Survey] | None:
    runtime = os.environ.get(RUNTIME_VARIABLE)
    if not runtime:
        return None
    path = Path(runtime) / f"survey-{handover_key(study, season, settings)}.pickle"
    if not path.is_file():
        return None
    # Written by the build that started this kernel, in a folder that only its user can enter.
    handed: tuple[Study, Survey] = pickle.loads(path.read_bytes())
    return handed


def _write_reads(reads: Reads, name: str) -> None:
    runtime = os.environ.get(RUNTIME_VARIABLE)
    if not runtime:
        return
    path = Path(runtime) / f"reads-{name}.json"
    partial = path.with_suffix(".partial")
    partial.write_text(json.dumps(reads.record()), encoding="utf-8")
    partial.replace(path)


def open_chapter(
    name: str, *, study: str = "", season: int = 0, settings: Mapping[str, Any] | None = None, results: str = ""
) -> Chapter:
    """Open a chapter; called once, in the first cells of its notebook.

    Parameters
    ----------
    name : str
        Name of the chapter, as in the study's ``report.chapters``.
    study : str
        The study folder or its ``study.toml``; empty takes the demo study, so that a chapter can be opened and run by hand.
    season : int
        The season to report; 0 takes the one in the study file.
    settings : mapping, optional
        Dotted key → value, set on top of the study file.
    results : str
        Path of what the earlier chapters found; only the front page uses it.

    Raises
    ------
    StudyError, DataError
        If the study or its data are at fault.
    """
    settings = dict(settings or {})
    handed = _handed_over(study, season, settings)
    if handed is None:
        from fishreport.resources import locate

        read = read_study(study or locate("demo_inputs"), overrides=settings, season=season or None)
        handed = (read, None)  # type: ignore[assignment]
    assert handed is not None
    reads = Reads(handed[0].folder)
    chapter = Chapter(name, handed[0], handed[1], results, reads)
    try:
        from IPython import get_ipython

        shell = get_ipython()
    except ImportError:
        shell = None
    if shell is not None and os.environ.get(RUNTIME_VARIABLE):
        reads.watch_files()
        shell.events.register("post_run_cell", lambda *_: _write_reads(reads, name))
    return chapter
