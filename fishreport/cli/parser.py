"""The command ``fishreport``: parse, run one command, turn its exceptions into an exit code."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import Any

from fishreport import __version__
from fishreport.cli import commands
from fishreport.exceptions import FishreportError
from fishreport.terminal import say, visible

_EXITS = (
    "Exit status: 0 done; 1 the data or the study are at fault; 2 wrong usage; 3 a chapter failed; 4 a review found what "
    "--fail-on names; 130 interrupted."
)


class _Parser(argparse.ArgumentParser):
    """argparse's own messages repeat what was typed: they are shown as any other text on a terminal."""

    def _print_message(self, message: str, file: Any = None) -> None:
        if message:
            (file or sys.stderr).write(visible(message))


def _list(text: str) -> list[str]:
    return [part.strip() for part in text.split(",") if part.strip()]


def _positive(text: str) -> int:
    return _whole(text, 1)


def _whole(text: str, least: int, most: int | None = None) -> int:
    """A whole number within bounds, for an option."""
    bounds = f"from {least} on" if most is None else f"from {least} to {most}"
    try:
        value = int(text)
    except ValueError:
        value = least - 1
    if value < least or (most is not None and value > most):
        raise argparse.ArgumentTypeError(f"a whole number {bounds}, not {text!r}")
    return value


def _above_zero(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = 0.0
    if not 0 < value < float("inf"):
        raise argparse.ArgumentTypeError(f"a number above 0, not {text!r}")
    return value


def _add_study(parser: argparse.ArgumentParser, *, settings: bool) -> None:
    parser.add_argument("study", metavar="STUDY", type=Path, help="the study's folder, or its study.toml")
    if settings:
        _add_settings(parser)


def _add_settings(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--season", type=int, metavar="YEAR", help="report this season instead of the one in the study file")
    parser.add_argument(
        "--set",
        action="append",
        default=[],
        metavar="KEY=VALUE",
        help="change a setting for this time, such as --set level=0.9 or --set species.BNT.origin=stocked; may be repeated",
    )


def _add_building(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--chapters", type=_list, default=[], metavar="A,B", help="build only these chapters")
    parser.add_argument("--format", type=_list, default=["html", "pdf"], metavar="html,pdf", help="formats of the report")
    parser.add_argument("--jobs", type=_positive, metavar="N", help="how many run side by side; one a core otherwise")
    parser.add_argument("--quiet", action="store_true", help="tell nothing but the result")


def _parser() -> argparse.ArgumentParser:
    parser = _Parser(prog="fishreport", epilog=_EXITS)
    parser.description = "Field sheets of an electrofishing survey in, annual report out."
    parser.add_argument("--version", action="version", version=f"fishreport {__version__}")
    subparsers = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")

    def command(name: str, run: Callable[[argparse.Namespace], int], text: str) -> argparse.ArgumentParser:
        added = subparsers.add_parser(name, help=text, description=text[0].upper() + text[1:] + ".", epilog=_EXITS)
        added.set_defaults(run=run)
        return added

    new = command("new", commands.run_new, "lay out a new study: study file, empty tables, narrative")
    new.add_argument("folder", metavar="FOLDER", type=Path)
    new.add_argument("--name", default="", help="name of the water; the folder's otherwise")
    new.add_argument("--season", type=int, metavar="YEAR", help="season to report; this year otherwise")

    check = command("check", commands.run_check, "find every fault of the field data and list it")
    _add_study(check, settings=True)
    check.add_argument("--csv", type=Path, metavar="FILE", help="where the list is written; checks.csv in the study otherwise")

    build = command("build", commands.run_build, "build the report")
    _add_study(build, settings=True)
    build.add_argument("--out", type=Path, metavar="DIR", help="where the report goes; the folder report of the study otherwise")
    _add_building(build)
    build.add_argument("--fresh", action="store_true", help="run every chapter, whatever was kept of earlier builds")

    review = command(
        "review", commands.run_review, "hold two reports against each other, or a study against itself with other settings"
    )
    review.add_argument("paths", metavar="PATH", nargs="+", type=Path, help="BEFORE AFTER, two reports; or STUDY, with --set")
    _add_settings(review)
    review.add_argument("--out", type=Path, metavar="DIR", help="where the review goes; the folder review otherwise")
    _add_building(review)
    review.add_argument(
        "--fail-on",
        choices=("never", "verdict", "beyond", "moved", "any"),
        default="never",
        help="exit with status 4 when an objective changed its verdict, or also when a result moved beyond its interval, "
        "moved at all, or anything differs",
    )
    review.add_argument("--verify", action="store_true", help="say whether the report PATH can be repeated from what lies there")
    review.add_argument("--study", type=Path, help="with --verify: the study, where it is not the folder around the report")
    review.add_argument("--json", type=Path, metavar="FILE", help="with --verify: write the outcome as JSON as well")

    batch = command("batch", commands.run_batch, "build the report of every study below a folder, and a regional one")
    batch.add_argument("folder", metavar="FOLDER", type=Path)
    _add_settings(batch)
    batch.add_argument("--out", type=Path, metavar="DIR", help="where the reports go; each into its study otherwise")
    _add_building(batch)
    batch.add_argument("--fresh", action="store_true", help="build every water anew, whatever is finished")
    batch.add_argument("--scheduler", metavar="ADDRESS", help="use the Dask cluster at this address; its workers see these files")
    batch.add_argument("--no-rollup", action="store_true", help="leave out the regional report")
    batch.add_argument("--title", default="", help="title of the regional report")

    sheets = command("sheets", commands.run_sheets, "print field sheets, and a workbook to type them into")
    _add_study(sheets, settings=False)
    sheets.add_argument("--out", type=Path, metavar="DIR", help="where they go; the folder field-sheets of the study otherwise")
    sheets.add_argument("--conductivity", type=_above_zero, metavar="US_CM", help="tonight's ambient conductivity (µS/cm)")
    sheets.add_argument("--specific", type=_above_zero, metavar="US_CM", help="tonight's specific conductivity, at 25 °C (µS/cm)")
    sheets.add_argument("--temperature", type=float, metavar="C", help="tonight's water temperature (°C)")

    export = command("export", commands.run_export, "hand the data on: Darwin Core archive, data package, workbook of results")
    _add_study(export, settings=False)
    export.add_argument("--season", type=int, metavar="YEAR", help="the reported season instead of the one in the study file")
    export.add_argument("--to", type=Path, required=True, metavar="FOLDER", help="a new folder, or one of an earlier export")
    export.add_argument("--coarsen", type=float, metavar="KM", help="coarsen sensitive places to this many kilometres")
    export.add_argument("--report", type=Path, metavar="DIR", help="the built report; the folder report of the study otherwise")
    parts = ("darwin-core", "data-package", "results")
    export.add_argument("--only", type=_list, default=list(parts), metavar="A,B", help=f"some of {', '.join(parts)}")

    explore = command("explore", commands.run_explore, "learn a method in JupyterLab; without METHOD, list the methods")
    explore.add_argument("method", metavar="METHOD", nargs="?", default="", help="such as catch-rate")
    explore.add_argument("--folder", default="explore", metavar="DIR", help="where the notebook is copied to (default explore)")
    explore.add_argument("--study", default="", metavar="STUDY", help="begin with this study instead of the simulated water")
    explore.add_argument("--no-browser", action="store_true", help="open no browser; print the address to open")
    explore.add_argument("--html", default="", metavar="DIR", help="write the lessons as plain pages there instead")

    simulate = command("simulate", commands.run_simulate, "simulate a survey of an invented water whose truth is known")
    simulate.add_argument("folder", metavar="FOLDER", type=Path)
    simulate.add_argument(
        "--seed", type=partial(_whole, least=0), default=1, metavar="N", help="start of the random numbers (default 1)"
    )
    simulate.add_argument(
        "--seasons", type=partial(_whole, least=1, most=40), default=10, metavar="N", help="seasons (default 10)"
    )
    simulate.add_argument(
        "--sites", type=partial(_whole, least=3, most=36), default=12, metavar="N", help="fixed sites (default 12)"
    )
    simulate.add_argument("--clean", action="store_true", help="plant no slips of the pen in the tables")
    return parser


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line; returns its exit status."""
    try:
        parsed = _parser().parse_args(arguments)
        status: int = parsed.run(parsed)
    except FishreportError as error:
        say(f"fishreport: {error}", file=sys.stderr)
        return error.exit_code
    except KeyboardInterrupt:
        say("fishreport: interrupted", file=sys.stderr)
        return commands.INTERRUPTED
    except BrokenPipeError:  # the reader of our output, such as `head`, has had enough
        sys.stderr.close()
        return commands.DONE
    except OSError as error:  # such as a full disk, or a folder that was taken away meanwhile
        where = f": {error.filename}" if error.filename else ""
        say(f"fishreport: {error.strerror or type(error).__name__}{where}; mend that and run the command again", file=sys.stderr)
        return commands.AT_FAULT
    except MemoryError:
        say(
            "fishreport: the memory of this computer does not suffice; close other programs, or run with --jobs 1",
            file=sys.stderr,
        )
        return commands.AT_FAULT
    return status
