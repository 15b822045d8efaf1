"""What each command does: call one function of the package, and print what came of it.

Libraries that are slow to import are imported by the command that needs them.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fishreport.exceptions import UsageError
from fishreport.terminal import say, visible

if TYPE_CHECKING:
    import pandas as pd

    from fishreport.report.progress import Progress

_ROWS_NAMED = 6
DONE, AT_FAULT, WRONG_USAGE, CHAPTER_FAILED, TRIPPED, INTERRUPTED = 0, 1, 2, 3, 4, 130


def _settings(given: Sequence[str]) -> dict[str, Any]:
    from fishreport.exceptions import StudyError
    from fishreport.study import parse_setting

    try:
        return dict(parse_setting(text) for text in given)
    except StudyError as error:
        raise UsageError(f"--set: {error}") from None


def run_new(arguments: argparse.Namespace) -> int:
    from fishreport.fielddata.new import lay_out

    for path in lay_out(arguments.folder, name=arguments.name, season=arguments.season):
        say(path)
    say(
        f"Next: name your species in {arguments.folder / 'study.toml'}, and fill in the tables, or print sheets and a workbook",
        file=sys.stderr,
    )
    say(f"for them: fishreport sheets {arguments.folder}; then: fishreport check {arguments.folder}", file=sys.stderr)
    return DONE


def _records(faults: pd.DataFrame) -> list[dict[str, Any]]:
    plain: list[Any] = faults.astype(object).where(faults.notna(), None).to_dict("records")
    return plain


def _together(faults: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """Faults that follow each other and differ in nothing but the row, as one that names the rows."""
    told: list[dict[str, Any]] = []
    for fault in faults:
        if (
            told
            and told[-1]["rows"]
            and fault["row"] is not None
            and {**told[-1], "row": 0, "rows": 0} == {**fault, "row": 0, "rows": 0}
        ):
            told[-1]["rows"].append(fault["row"])
        else:
            told.append({**fault, "rows": [] if fault["row"] is None else [fault["row"]]})
    return told


def _rows(rows: Sequence[int]) -> str:
    if len(rows) < 2:
        return "".join(f"row {row}" for row in rows)
    if rows[-1] - rows[0] == len(rows) - 1:
        return f"rows {rows[0]} to {rows[-1]}"
    listed = [str(row) for row in rows[:_ROWS_NAMED]] + ([f"{len(rows) - _ROWS_NAMED} more"] if len(rows) > _ROWS_NAMED else [])
    return f"rows {', '.join(listed[:-1])} and {listed[-1]}"


def _place(fault: Any) -> str:
    row = _rows(fault["rows"])
    parts = [fault["file"] or fault["table"], row, fault["column"]]
    return ", ".join(part for part in parts if part) + (f" {fault['value']!r}" if fault["value"] else "")


def _print_faults(faults: pd.DataFrame) -> None:
    rows = _together(_records(faults))
    if not sys.stdout.isatty():
        for fault in rows:
            advice = f"; {fault['advice']}" if fault["advice"] else ""
            say(f"{fault['severity']}: {_place(fault)}: {fault['message']}{advice}")
        return
    from rich.console import Console
    from rich.markup import escape
    from rich.table import Table

    table = Table("", "Where", "What", "What to do", show_lines=False, pad_edge=False)
    colours = {"error": "bold red", "doubt": "yellow", "note": "dim"}
    for fault in rows:
        severity = f"[{colours[fault['severity']]}]{fault['severity']}[/]"
        cells = (_place(fault), fault["message"], fault["advice"] or "")
        table.add_row(severity, *(escape(visible(cell)) for cell in cells))
    Console().print(table)


def _write_faults(faults: pd.DataFrame, path: Path) -> None:
    from fishreport.report.tables import table_csv

    records = tuple(_records(faults))
    empty = {"columns": [{"heading": name, "units": ""} for name in faults.columns], "rows": []}
    content = table_csv({"data": records} if records else empty)
    try:
        if path.exists() and path.read_bytes().partition(b"\n")[0].strip() != content.partition(b"\n")[0].strip():
            raise UsageError(f"--csv: {path} is not a list of checks; name another file")
        path.write_bytes(content)
    except OSError as error:
        raise UsageError(f"--csv: {path} cannot be written ({error.strerror}); name another file") from None


def run_check(arguments: argparse.Namespace) -> int:
    from fishreport.fielddata import check_survey
    from fishreport.study import read_study

    study = read_study(arguments.study, overrides=_settings(arguments.set), season=arguments.season)
    faults = check_survey(study)
    _print_faults(faults)
    listed = arguments.csv or study.folder / "checks.csv"
    written = f"; all of them in {listed}"
    try:
        _write_faults(faults, listed)
    except UsageError as error:
        if arguments.csv:
            raise
        written = f"; no list of them is written: {error}"  # the study may be read-only, or have a file of that name
    counts = faults["severity"].value_counts()
    words = [f"{counts.get(name, 0)} {name}{'' if counts.get(name, 0) == 1 else 's'}" for name in ("error", "doubt", "note")]
    say(f"{', '.join(words)}{written}", file=sys.stderr)
    return AT_FAULT if counts.get("error", 0) else DONE


def run_build(arguments: argparse.Namespace) -> int:
    from fishreport.report.build import build_report
    from fishreport.report.progress import Progress

    built = build_report(
        arguments.study,
        out=arguments.out,
        settings=_settings(arguments.set),
        season=arguments.season,
        chapters=arguments.chapters,
        formats=arguments.format,
        jobs=arguments.jobs,
        fresh=arguments.fresh,
        progress=Progress(quiet=arguments.quiet),
    )
    ran = f"{len(built.ran)} of {len(built.ran) + len(built.kept)} chapters run"
    say(f"{ran}, {built.seconds:.1f} s", file=sys.stderr)
    say(built.folder)
    return DONE


def run_sheets(arguments: argparse.Namespace) -> int:
    from fishreport.report.sheets import WORKBOOK, print_sheets
    from fishreport.study import read_study

    study = read_study(arguments.study)
    written = print_sheets(
        study,
        arguments.out,
        ambient_us_cm=arguments.conductivity,
        specific_us_cm=arguments.specific,
        temperature_c=arguments.temperature,
    )
    for path in written:
        say(path)
    workbook = written[0].parent / WORKBOOK
    if workbook not in written:
        say(f"{workbook} was there already and may hold data: left as it is; for a new one, move it away", file=sys.stderr)
    elif not study.data.workbook and workbook.is_relative_to(study.folder):
        inside = workbook.relative_to(study.folder).as_posix()
        say(f'To have the workbook read, write under [data] of study.toml: workbook = "{inside}"', file=sys.stderr)
    return DONE


def run_export(arguments: argparse.Namespace) -> int:
    from fishreport.report.handover import export_study
    from fishreport.study import read_study

    handed = export_study(
        read_study(arguments.study, season=arguments.season),
        arguments.to,
        coarsen_km=arguments.coarsen,
        report=arguments.report,
        parts=arguments.only,
    )
    for note in handed.notes:
        say(note, file=sys.stderr)
    say(handed.folder)
    return DONE


def run_explore(arguments: argparse.Namespace) -> int:
    from fishreport.explore import LINES, open_method

    if arguments.html:
        from fishreport.explore.pages import write_pages

        for path in write_pages(arguments.html, [arguments.method] if arguments.method else [], study=arguments.study):
            say(path)
        return DONE
    if not arguments.method:
        for name, line in LINES.items():
            say(f"{name:16} {line}")
        say("Open one with: fishreport explore METHOD", file=sys.stderr)
        return DONE
    return open_method(arguments.method, arguments.folder, browser=not arguments.no_browser, study=arguments.study)


def run_simulate(arguments: argparse.Namespace) -> int:
    from fishreport.simulate import simulate_study

    planted = simulate_study(
        arguments.folder,
        seed=arguments.seed,
        seasons=arguments.seasons,
        sites=arguments.sites,
        entry_errors=not arguments.clean,
    )
    say(f"{len(planted)} slips of the pen planted; truth.json holds the truth", file=sys.stderr)
    say(arguments.folder)
    return DONE


def run_review(arguments: argparse.Namespace) -> int:
    from fishreport.report.progress import Progress

    progress = Progress(quiet=arguments.quiet)
    if arguments.verify:
        return _verify(arguments, progress)
    from fishreport.report.review import review, review_study
    from fishreport.report.review_summary import print_review

    if len(arguments.paths) > 2:
        raise UsageError("review takes two reports, or one study")
    if len(arguments.paths) == 2:
        if arguments.set or arguments.season is not None:
            raise UsageError("two reports are held against each other as they are; --set and --season go with one study")
        found = review(*arguments.paths, out=arguments.out)
    else:
        found = review_study(
            arguments.paths[0],
            settings=_settings(arguments.set),
            season=arguments.season,
            out=arguments.out,
            chapters=arguments.chapters,
            formats=arguments.format,
            jobs=arguments.jobs,
            progress=progress,
        )
    print_review(found)
    if found.folder is not None:
        say(found.folder / "review.html")
    return TRIPPED if found.trips(arguments.fail_on) else DONE


def _verify(arguments: argparse.Namespace, progress: Progress) -> int:
    from fishreport.report.verify import verification_json, verify_build

    if len(arguments.paths) != 1:
        raise UsageError("--verify looks at one report")
    if arguments.json and not arguments.json.parent.is_dir():
        raise UsageError(f"--json: there is no folder {arguments.json.parent}; name another file")
    found = verify_build(arguments.paths[0], study=arguments.study, jobs=arguments.jobs, progress=progress)
    say("\n".join(found.lines()))
    if arguments.json:
        arguments.json.write_bytes(verification_json(found))
    return DONE if found.repeatable else AT_FAULT


def run_batch(arguments: argparse.Namespace) -> int:
    from fishreport.batch import batch
    from fishreport.batch.progress import BatchProgress, print_batch

    done = batch(
        arguments.folder,
        out=arguments.out,
        settings=_settings(arguments.set),
        season=arguments.season,
        chapters=arguments.chapters,
        formats=arguments.format,
        jobs=arguments.jobs,
        scheduler=arguments.scheduler,
        fresh=arguments.fresh,
        rollup=not arguments.no_rollup,
        title=arguments.title,
        progress=BatchProgress(quiet=arguments.quiet),
    )
    print_batch(done.outcomes)
    if done.rollup:
        say(done.rollup)
    if done.rollup_error:
        say(f"fishreport: the regional report was not made: {done.rollup_error}", file=sys.stderr)
    return done.exit_code
