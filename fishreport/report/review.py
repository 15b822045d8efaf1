"""Review: two reports side by side, or a study as it is against the same study with other settings."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fishreport.exceptions import UsageError
from fishreport.report.compare_build import OpenBuild, open_build
from fishreport.report.compare_exhibits import (
    FigureChange,
    TableChange,
    TextChange,
    compare_all_tables,
    compare_figures,
    compare_texts,
)
from fishreport.report.compare_results import Move, VerdictChange, compare_results, compare_verdicts
from fishreport.report.compare_rows import RowChanges, compare_rows
from fishreport.report.compare_settings import Change, compare_files, compare_settings, compare_software
from fishreport.report.place import Placing, check_target

if TYPE_CHECKING:
    from fishreport.report.kernels import ForkServer
    from fishreport.report.progress import Progress

DEFAULT_FOLDER = "review"
PAGE, DATA = "review.html", "review.json"
FAIL_ON = ("never", "verdict", "beyond", "moved", "any")


@dataclass(frozen=True)
class Review:
    """All that differs between two reports.

    Attributes
    ----------
    before, after : OpenBuild
    settings, files, software : list[Change]
        What went in: settings of the study, input files, versions.
    rows : RowChanges
        Rows of the field data.
    verdicts : list[VerdictChange]
        Objectives whose verdict changed.
    moves : list[Move]
        Results, what matters most first.
    tables, figures, texts
        What is shown otherwise.
    folder : Path | None
        Where the review was written.
    """

    before: OpenBuild
    after: OpenBuild
    settings: list[Change]
    files: list[Change]
    software: list[Change]
    rows: RowChanges
    verdicts: list[VerdictChange]
    moves: list[Move]
    tables: list[TableChange] = field(repr=False)
    figures: list[FigureChange] = field(repr=False)
    texts: list[TextChange] = field(repr=False)
    folder: Path | None = None

    @property
    def beyond(self) -> list[Move]:
        """Results that moved beyond their interval, and those that can be estimated in one of the reports only."""
        return [move for move in self.moves if move.beyond or move.kind in ("now estimable", "no longer estimable")]

    @property
    def moved(self) -> list[Move]:
        """Results whose value or interval moved, that appeared or went, without those of another wording only."""
        return [move for move in self.moves if move.kind != "wording"]

    def trips(self, fail_on: str) -> bool:
        """Whether a script that asked to stop on `fail_on` is to stop.

        Parameters
        ----------
        fail_on : str
            ``never``; ``verdict``: an objective changed its verdict; ``beyond``: that, or a result moved beyond its interval or
            could be estimated in one of the reports only; ``moved``: that, or any result moved; ``any``: anything that went in
            or is shown differs.

        Raises
        ------
        UsageError
            If it is none of these.
        """
        if fail_on not in FAIL_ON:
            raise UsageError(f"a review stops a script on one of {', '.join(FAIL_ON)}, not {fail_on!r}")
        reached = FAIL_ON.index(fail_on)
        shown = (self.tables, self.figures, self.texts, self.settings, self.files, self.software, self.rows.rows, self.moves)
        happened = (False, bool(self.verdicts), bool(self.beyond), bool(self.moved), any(map(bool, shown)))
        return any(happened[: reached + 1])


def compare(before: Path | str, after: Path | str) -> Review:
    """Hold two finished reports against each other; writes nothing.

    Raises
    ------
    ReportError
        If one of the folders holds no report.
    """
    first, second = open_build(before), open_build(after)
    return Review(
        before=first,
        after=second,
        settings=compare_settings(first, second),
        files=compare_files(first, second),
        software=compare_software(first, second),
        rows=compare_rows(first, second),
        verdicts=compare_verdicts(first, second),
        moves=compare_results(first, second),
        tables=compare_all_tables(first, second),
        figures=compare_figures(first, second),
        texts=compare_texts(first, second),
    )


def _write(review: Review, folder: Path, links: tuple[str, str]) -> None:
    from fishreport.report.review_files import cells_csv, moves_csv, review_json, rows_csv
    from fishreport.report.review_page import render_review

    (folder / PAGE).write_bytes(render_review(review, links))
    (folder / DATA).write_bytes(review_json(review))
    (folder / "results.csv").write_bytes(moves_csv(review))
    (folder / "rows.csv").write_bytes(rows_csv(review))
    (folder / "cells.csv").write_bytes(cells_csv(review))


def review(before: Path | str, after: Path | str, *, out: Path | str | None = None) -> Review:
    """Hold two finished reports against each other and write what differs.

    Parameters
    ----------
    before, after : Path
        Folders of reports.
    out : Path, optional
        Where the review goes: ``review.html``, ``review.json``, ``results.csv``, ``rows.csv``, ``cells.csv``; the folder
        ``review`` of the working directory otherwise. A folder that holds something else is refused.

    Raises
    ------
    ReportError
        If one of the folders holds no report.
    UsageError
        If the review cannot go where it should.
    """
    found = compare(before, after)
    target = Path(out) if out is not None else Path(DEFAULT_FOLDER)
    for build in (found.before.folder, found.after.folder):
        target = check_target(target, build)
    with Placing(target, study=found.after.water) as placing:
        _write(found, placing.folder, ("", ""))
        placing.finish()
    return Review(**{**vars(found), "folder": target})


def review_study(
    study: Path | str,
    *,
    settings: Mapping[str, Any],
    season: int | None = None,
    out: Path | str | None = None,
    chapters: Sequence[str] = (),
    formats: Sequence[str] = ("html", "pdf"),
    jobs: int | None = None,
    progress: Progress | None = None,
    notebooks: Path | None = None,
    server: ForkServer | None = None,
) -> Review:
    """What if: build a study as it is and with other settings, and hold the two reports against each other.

    Only chapters that read one of the settings run again. Both reports are kept beside the review, in ``before`` and ``after``.

    Parameters
    ----------
    study : Path
        The study folder or its ``study.toml``.
    settings : mapping
        Dotted key → value, set for the second report.
    season : int, optional
        Season of the second report; the study's otherwise.
    out : Path, optional
        Where the review goes; the folder ``review`` of the study otherwise.
    chapters, formats, jobs, progress, notebooks, server
        As in `fishreport.report.build.build_report`.

    Raises
    ------
    UsageError
        If nothing is to be changed, or the review cannot go where it should.
    FishreportError
        As in a build.
    """
    from fishreport.report.build import build_report, study_file
    from fishreport.report.kernels import preloaded

    if not settings and season is None:
        raise UsageError(
            "a review of a study needs what is to be changed: --set KEY=VALUE or --season YEAR; two reports: both paths"
        )
    file = study_file(study)
    target = check_target(Path(out) if out is not None else file.parent / DEFAULT_FOLDER, file.parent)
    options: dict[str, Any] = {
        "chapters": chapters,
        "formats": formats,
        "jobs": jobs,
        "progress": progress,
        "notebooks": notebooks,
    }
    with preloaded(server) as shared, Placing(target, study=file.parent.name) as placing:
        options["server"] = shared
        before = build_report(file, out=placing.folder / "before", **options)
        after = build_report(file, out=placing.folder / "after", settings=settings, season=season, **options)
        found = compare(before.folder, after.folder)
        _write(found, placing.folder, ("before/report.html", "after/report.html") if "html" in formats else ("", ""))
        placing.finish()
    return Review(
        **{**vars(found), "before": open_build(target / "before"), "after": open_build(target / "after"), "folder": target}
    )
