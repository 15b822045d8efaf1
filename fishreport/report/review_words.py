"""How a review says what it found: names of results, numbers in the units of the report, sentences that count."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from fishreport.exhibits.nouns import Nouns
from fishreport.exhibits.tabulate import counted, heading
from fishreport.exhibits.units import MINUS, NO_VALUE, Units, format_estimate, format_number
from fishreport.report.chapter import result_from_record
from fishreport.report.compare_build import OpenBuild
from fishreport.report.compare_results import Move
from fishreport.report.review import Review


@dataclass(frozen=True)
class SaidMove:
    """A result that moved, in words and formatted numbers."""

    name: str
    before: str
    after: str
    difference: str
    verdict: str
    reach: str
    move: Move


def _units(build: OpenBuild) -> Units:
    study = build.study()
    return Units(study.report.units if study is not None else "metric")


def _nouns(build: OpenBuild, units: Units) -> Nouns:
    study = build.study()
    names = {species.key: species.name for species in study.species.values()} if study is not None else {}
    return Nouns(units=units, species=names)


def _amount(record: Any, units: Units) -> str:
    return NO_VALUE if record is None else format_estimate(result_from_record(record).estimate, units).text


def _signed(value: float, units: Units, unit: str) -> str:
    shown, name = units.quantity(value, unit, difference=True)
    text = format_number(shown, digits=2)
    sign = "" if text.startswith(MINUS) or float(shown) == 0 else "+"
    points = "points" if name == "percent" else name
    return f"{sign}{text} {points}".strip()


def _verdict(move: Move) -> str:
    kinds = {
        "interval": "only its interval moved",
        "appeared": "only in the later report",
        "gone": "only in the earlier report",
        "now estimable": "can now be estimated",
        "no longer estimable": "can no longer be estimated",
        "wording": "same value; its method, sample or notes differ",
    }
    if move.kind in kinds:
        return kinds[move.kind]
    if move.beyond is None:
        return "no interval to hold it against"
    where = "its interval" if move.pairing == "same" else "the interval of the difference"
    return f"beyond {where}" if move.beyond else f"within {where}"


def _reach(move: Move) -> str:
    if move.kind != "value" or move.reach is None:
        return NO_VALUE
    return "∞" if math.isinf(move.reach) else format_number(move.reach, digits=2)


def _name(record: Any, nouns: Nouns) -> tuple[str, list[str | None]]:
    place = (record["species"], record["size_class"], record["site"])
    detail = record.get("detail")
    if record["quantity"] == "objective_probability" and detail and "/" in detail:
        quantity, _, target = detail.partition("/")
        return f"Probability that {nouns.phrase(quantity, *place)} is {target}", [record.get("scenario")]
    return heading(nouns.phrase(record["quantity"], *place)), [record.get("scenario"), detail]


def say_moves(review: Review) -> list[SaidMove]:
    """Every result that moved, in words, in the order of the review."""
    units = _units(review.after)
    nouns = _nouns(review.after, units)
    said = []
    for move in review.moves:
        record = move.record
        name, parts = _name(record, nouns)
        if move.pairing == "season" and move.before is not None:
            parts.append(f"{move.before['season']} → {record['season']}")
        else:
            parts.append(None if record["season"] is None else str(record["season"]))
        name = ", ".join([name, *(str(part) for part in parts if part)])
        difference = NO_VALUE if not move.difference else _signed(move.difference, units, record["units"])
        said.append(
            SaidMove(
                name, _amount(move.before, units), _amount(move.after, units), difference, _verdict(move), _reach(move), move
            )
        )
    return said


def summary(review: Review) -> list[str]:
    """A few sentences that count what went in and what came out."""
    lines = []
    went_in = [counted(len(review.settings), "setting")] if review.settings else []
    rows = len(review.rows.rows)
    went_in += [counted(rows, "row") + " of field data"] if rows else []
    others = [change for change in review.files if not change.name.endswith((".csv", ".xlsx", "study.toml"))]
    went_in += [counted(len(others), "other input file")] if others else []
    went_in += [f"software ({counted(len(review.software), 'item')})"] if review.software else []
    lines.append(f"What went in differs in {_and(went_in)}." if went_in else "Nothing that went in differs.")
    lines += [f"{heading(note)}." for note in review.rows.notes]
    if review.before.season != review.after.season:
        lines.append(f"The earlier report is on season {review.before.season}, the later one on season {review.after.season}.")
    changed = [change for change in review.verdicts if change.before and change.after]
    if changed:
        lines.append(f"{counted(len(changed), 'objective')} changed verdict.")
    elif review.verdicts:
        lines.append("No objective changed verdict; the reports do not have the same objectives.")
    else:
        lines.append("No objective changed verdict.")
    moved = review.moved
    total = len(review.after.results)
    if not moved:
        lines.append(f"None of {counted(total, 'result')} moved.")
    else:
        beyond = sum(bool(move.beyond) for move in moved)
        values = sum(move.kind == "value" and move.pairing == "same" for move in moved)
        limits = sum(move.kind == "interval" for move in moved)
        lines.append(
            f"Of {total:,} results, the value of {values:,} moved and only the interval of {limits:,} more; "
            f"{counted(beyond, 'move')} went beyond the interval."
        )
        come = sum(move.kind == "appeared" for move in moved)
        gone = sum(move.kind == "gone" for move in moved)
        lines += [f"{counted(come, 'result')} appeared and {gone:,} went."] if come or gone else []
    shown = [
        counted(len(review.tables), "table"),
        counted(len(review.figures), "figure"),
        counted(len(review.texts), "piece") + " of text",
    ]
    lines.append(f"{_and(shown)} differ in what is shown.")
    return lines


def _and(parts: list[str]) -> str:
    return " and ".join(parts) if len(parts) < 3 else f"{', '.join(parts[:-1])} and {parts[-1]}"
