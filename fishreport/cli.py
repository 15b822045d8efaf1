"""The command ``fishreport``: parse, call one function, turn its exceptions into an exit code.

Libraries that are slow to import are imported by the command that needs them.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fishreport import __version__
from fishreport.exceptions import FishreportError, UsageError

if TYPE_CHECKING:
    import pandas as pd

DONE, AT_FAULT, WRONG_USAGE, CHAPTER_FAILED, INTERRUPTED = 0, 1, 2, 3, 130
_EXITS = "Exit status: 0 done; 1 the data or the study are at fault; 2 wrong usage; 3 a chapter failed."


def _list(text: str) -> list[str]:
    return [part.strip() for part in text.split(",") if part.strip()]


def _positive(text: str) -> int:
    value = int(text)
    if value < 1:
        raise argparse.ArgumentTypeError(f"a whole number from 1 on, not {text}")
    return value


def _settings(given: Sequence[str]) -> dict[str, Any]:
    from fishreport.exceptions import StudyError
    from fishreport.study import parse_setting

    try:
        return dict(parse_setting(text) for text in given)
    except StudyError as error:
        raise UsageError(f"--set: {error.message}") from None


def _new(arguments: argparse.Namespace) -> int:
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


def _check(arguments: argparse.Namespace) -> int:
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


def _build(arguments: argparse.Namespace) -> int:
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


def _sheets(arguments: argparse.Namespace) -> int:
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


def _export(arguments: argparse.Namespace) -> int:
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


def _explore(arguments: argparse.Namespace) -> int:
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


def _simulate(arguments: argparse.Namespace) -> int:
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


def _add_study(parser: argparse.ArgumentParser, *, settings: bool) -> None:
    parser.add_argument("study", metavar="STUDY", type=Path, help="the study's folder, or its study.toml")
    if settings:
        parser.add_argument("--season", type=int, metavar="YEAR", help="report this season instead of the one in the study file")
        parser.add_argument(
            "--set",
            action="append",
            default=[],
            metavar="KEY=VALUE",
            help="change a setting for this time, such as --set level=0.9 or --set species.BNT.origin=stocked; may be repeated",
        )


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="fishreport", epilog=_EXITS)
    parser.description = "Field sheets of an electrofishing survey in, annual report out."
    parser.add_argument("--version", action="version", version=f"fishreport {__version__}")
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")

    def command(name: str, run: Callable[[argparse.Namespace], int], text: str) -> argparse.ArgumentParser:
        added = commands.add_parser(name, help=text, description=text[0].upper() + text[1:] + ".", epilog=_EXITS)
        added.set_defaults(run=run)
        return added

    new = command("new", _new, "lay out a new study: study file, empty tables, narrative")
    new.add_argument("folder", metavar="FOLDER", type=Path)
    new.add_argument("--name", default="", help="name of the water; the folder's otherwise")
    new.add_argument("--season", type=int, metavar="YEAR", help="season to report; this year otherwise")

    check = command("check", _check, "find every fault of the field data and list it")
    _add_study(check, settings=True)
    check.add_argument("--csv", type=Path, metavar="FILE", help="where the list is written too; checks.csv in the study otherwise")

    build = command("build", _build, "build the report")
    _add_study(build, settings=True)
    build.add_argument("--out", type=Path, metavar="DIR", help="where the report goes; the folder report of the study otherwise")
    build.add_argument("--chapters", type=_list, default=[], metavar="A,B", help="build only these chapters")
    build.add_argument("--format", type=_list, default=["html", "pdf"], metavar="html,pdf", help="formats of the report")
    build.add_argument("--jobs", type=_positive, metavar="N", help="chapters side by side; one a core otherwise")
    build.add_argument("--fresh", action="store_true", help="run every chapter, whatever was kept of earlier builds")
    build.add_argument("--quiet", action="store_true", help="tell nothing but the result")

    sheets = command("sheets", _sheets, "print field sheets, and a workbook to type them into")
    _add_study(sheets, settings=False)
    sheets.add_argument("--out", type=Path, metavar="DIR", help="where they go; the folder field-sheets of the study otherwise")
    sheets.add_argument("--conductivity", type=float, metavar="US_CM", help="tonight's ambient conductivity (µS/cm)")
    sheets.add_argument("--specific", type=float, metavar="US_CM", help="tonight's specific conductivity, at 25 °C (µS/cm)")
    sheets.add_argument("--temperature", type=float, metavar="C", help="tonight's water temperature (°C)")

    export = command("export", _export, "hand the data on: Darwin Core archive, data package, workbook of results")
    _add_study(export, settings=False)
    export.add_argument("--season", type=int, metavar="YEAR", help="the reported season instead of the one in the study file")
    export.add_argument("--to", type=Path, required=True, metavar="FOLDER", help="a new folder, or one of an earlier export")
    export.add_argument("--coarsen", type=float, metavar="KM", help="coarsen sensitive places to this many kilometres")
    export.add_argument("--report", type=Path, metavar="DIR", help="the built report; the folder report of the study otherwise")
    parts = ("darwin-core", "data-package", "results")
    export.add_argument("--only", type=_list, default=list(parts), metavar="A,B", help=f"some of {', '.join(parts)}")

    explore = command("explore", _explore, "learn a method in JupyterLab; without METHOD, list the methods")
    explore.add_argument("method", metavar="METHOD", nargs="?", default="", help="such as catch-rate")
    explore.add_argument("--folder", default="explore", metavar="DIR", help="where the notebook is copied to (default explore)")
    explore.add_argument("--study", default="", metavar="STUDY", help="begin with this study instead of the simulated water")
    explore.add_argument("--no-browser", action="store_true", help="open no browser; print the address to open")
    explore.add_argument("--html", default="", metavar="DIR", help="write the lessons as plain pages there instead")

    simulate = command("simulate", _simulate, "simulate a survey of an invented water whose truth is known")
    simulate.add_argument("folder", metavar="FOLDER", type=Path)
    simulate.add_argument("--seed", type=int, default=1, metavar="N", help="start of the random numbers (default 1)")
    simulate.add_argument("--seasons", type=_positive, default=10, metavar="N", help="seasons (default 10)")
    simulate.add_argument("--sites", type=_positive, default=12, metavar="N", help="fixed sites (default 12)")
    simulate.add_argument("--clean", action="store_true", help="plant no slips of the pen in the tables")
    return parser


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line; returns its exit status."""
    parsed = _parser().parse_args(arguments)
    try:
        status: int = parsed.run(parsed)
    except FishreportError as error:
        print(f"fishreport: {error}", file=sys.stderr)
        return error.exit_code
    except KeyboardInterrupt:
        print("fishreport: interrupted", file=sys.stderr)
        return INTERRUPTED
    except BrokenPipeError:  # the reader of our output, such as `head`, has had enough
        sys.stderr.close()
        return DONE
    return status
