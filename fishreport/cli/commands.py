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

if TYPE_CHECKING:
    import pandas as pd

    from fishreport.report.progress import Progress

DONE, AT_FAULT, WRONG_USAGE, CHAPTER_FAILED, TRIPPED, INTERRUPTED = 0, 1, 2, 3, 4, 130


def _settings(given: Sequence[str]) -> dict[str, Any]:
    from fishreport.exceptions import StudyError
    from fishreport.study import parse_setting

    try:
        return dict(parse_setting(text) for text in given)
    except StudyError as error:
        raise UsageError(f"--set: {error.message}") from None


def run_new(arguments: argparse.Namespace) -> int:
    from fishreport.fielddata.new import lay_out

    for path in lay_out(arguments.folder, name=arguments.name, season=arguments.season):
        print(path)
    print(f"Type the season's runs and fish into the tables, then: fishreport check {arguments.folder}", file=sys.stderr)
    return DONE


def _records(faults: pd.DataFrame) -> list[dict[str, Any]]:
    plain: list[Any] = faults.astype(object).where(faults.notna(), None).to_dict("records")
    return plain


def _place(fault: Any) -> str:
    row = "" if fault["row"] is None else f"row {fault['row']}"
    parts = [fault["file"] or fault["table"], row, fault["column"]]
    return ", ".join(part for part in parts if part) + (f" {fault['value']!r}" if fault["value"] else "")


def _print_faults(faults: pd.DataFrame) -> None:
    rows = _records(faults)
    if not sys.stdout.isatty():
        for fault in rows:
            advice = f"; {fault['advice']}" if fault["advice"] else ""
            print(f"{fault['severity']}: {_place(fault)}: {fault['message']}{advice}")
        return
    from rich.console import Console
    from rich.markup import escape
    from rich.table import Table

    table = Table("", "Where", "What", "What to do", show_lines=False, pad_edge=False)
    colours = {"error": "bold red", "doubt": "yellow", "note": "dim"}
    for fault in rows:
        severity = f"[{colours[fault['severity']]}]{fault['severity']}[/]"
        table.add_row(severity, escape(_place(fault)), escape(fault["message"]), escape(fault["advice"] or ""))
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
    _write_faults(faults, listed)
    counts = faults["severity"].value_counts()
    words = [f"{counts.get(name, 0)} {name}{'' if counts.get(name, 0) == 1 else 's'}" for name in ("error", "doubt", "note")]
    print(f"{', '.join(words)}; all of them in {listed}", file=sys.stderr)
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
    print(f"{ran}, {built.seconds:.1f} s", file=sys.stderr)
    print(built.folder)
    return DONE


def run_sheets(arguments: argparse.Namespace) -> int:
    from fishreport.report.sheets import print_sheets
    from fishreport.study import read_study

    written = print_sheets(
        read_study(arguments.study),
        arguments.out,
        ambient_us_cm=arguments.conductivity,
        specific_us_cm=arguments.specific,
        temperature_c=arguments.temperature,
    )
    for path in written:
        print(path)
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
        print(note, file=sys.stderr)
    print(handed.folder)
    return DONE


def run_explore(arguments: argparse.Namespace) -> int:
    from fishreport.explore import LINES, open_method

    if arguments.html:
        from fishreport.explore.pages import write_pages

        for path in write_pages(arguments.html, [arguments.method] if arguments.method else [], study=arguments.study):
            print(path)
        return DONE
    if not arguments.method:
        for name, line in LINES.items():
            print(f"{name:16} {line}")
        print("Open one with: fishreport explore METHOD", file=sys.stderr)
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
    print(f"{len(planted)} slips of the pen planted; truth.json holds the truth", file=sys.stderr)
    print(arguments.folder)
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
        print(found.folder / "review.html")
    return TRIPPED if found.trips(arguments.fail_on) else DONE


def _verify(arguments: argparse.Namespace, progress: Progress) -> int:
    from fishreport.report.verify import verification_json, verify_build

    if len(arguments.paths) != 1:
        raise UsageError("--verify looks at one report")
    found = verify_build(arguments.paths[0], study=arguments.study, jobs=arguments.jobs, progress=progress)
    print("\n".join(found.lines()))
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
        print(done.rollup)
    if done.rollup_error:
        print(f"fishreport: the regional report was not made: {done.rollup_error}", file=sys.stderr)
    return done.exit_code
