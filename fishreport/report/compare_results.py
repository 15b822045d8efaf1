"""Which results moved from one report to another, by how much, and whether that is more than their intervals allow for.

Two reports of one season rest mostly on the same data, so their estimates are not independent and no test of their difference is
made: a move lies *beyond* the interval when the later value lies outside the interval of the earlier one. Two reports of
different seasons rest on different fieldwork: the value of the reported season is held against the value of the season
reported before by the interval of their difference, recovered from both intervals (Zou and Donner 2008, Statistics in Medicine
27:1693-1702, from memory), and a move lies beyond it when that interval holds no zero.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

from fishreport.report.compare_build import OpenBuild

Kind = Literal["value", "interval", "appeared", "gone", "now estimable", "no longer estimable", "wording"]
Pairing = Literal["same", "season"]
# Two values nearer than this share of their size are the same number, computed on another machine or by another version.
SAME = 1e-9
VERDICT = "verdict: "


@dataclass(frozen=True)
class Move:
    """One result in which two reports differ.

    Attributes
    ----------
    id : str
        Its id; of the later report where both have one.
    kind : str
        ``value`` (the value moved), ``interval`` (only its limits did), ``now estimable``, ``no longer estimable``,
        ``appeared``, ``gone``, ``wording`` (its method, sample size or notes).
    pairing : str
        ``same``: one result in both reports; ``season``: the reported season against the one reported before.
    before, after : dict | None
        Its records.
    difference : float | None
        After less before.
    reach : float | None
        The move over the distance from the earlier value to the limit that it moved towards (over the half-interval of the
        difference between seasons); 1 is at the limit. None where there is no interval.
    beyond : bool | None
        Whether the move lies beyond the interval; None where there is none.
    """

    id: str
    kind: Kind
    pairing: Pairing
    before: Mapping[str, Any] | None
    after: Mapping[str, Any] | None
    difference: float | None = None
    reach: float | None = None
    beyond: bool | None = None

    @property
    def record(self) -> Mapping[str, Any]:
        """The later record, or the earlier one of a result that is gone."""
        record = self.after if self.after is not None else self.before
        assert record is not None
        return record

    @property
    def relative(self) -> float | None:
        """Difference as a share of the earlier value; None where that is zero or missing."""
        start = self.before["value"] if self.before else None
        return None if self.difference is None or not start else self.difference / abs(start)


@dataclass(frozen=True)
class VerdictChange:
    """An objective whose verdict changed; an empty verdict means that the report does not have the objective."""

    objective: str
    target: str
    before: str
    after: str
    value_before: str = ""
    value_after: str = ""
    target_before: str = ""


def near(first: float | None, second: float | None) -> bool:
    """The same number, up to what another machine may change."""
    if first is None or second is None:
        return first is second
    return first == second or math.isclose(first, second, rel_tol=SAME, abs_tol=1e-300)


def reach_within(before: Mapping[str, Any], after: Mapping[str, Any]) -> float | None:
    """The move over the distance from the earlier value to its limit on that side; 0 towards an open side."""
    lower, upper, start = before["lower"], before["upper"], before["value"]
    if lower is None and upper is None:
        return None
    moved = after["value"] - start
    if (lower is not None and start < lower) or (upper is not None and start > upper):
        # An interval that does not hold its own value has no side to measure along.
        held = (lower is None or lower <= after["value"]) and (upper is None or after["value"] <= upper)
        return 0.0 if held else math.inf
    limit = upper if moved > 0 else lower
    if limit is None or moved == 0:
        return 0.0
    room = abs(limit - start)
    return math.inf if room == 0 else abs(moved) / room


def reach_between(before: Mapping[str, Any], after: Mapping[str, Any]) -> float | None:
    """The difference over its half-interval towards zero, recovered from both intervals; None where one is open or missing."""
    if any(record[name] is None for record in (before, after) for name in ("lower", "upper")):
        return None
    moved = after["value"] - before["value"]
    towards_zero = (
        (after["value"] - after["lower"], before["upper"] - before["value"])
        if moved > 0
        else (after["upper"] - after["value"], before["value"] - before["lower"])
    )
    room = math.hypot(*towards_zero)
    if moved == 0:
        return 0.0
    return math.inf if room == 0 else abs(moved) / room


def compare_records(before: Mapping[str, Any], after: Mapping[str, Any], pairing: Pairing) -> Move | None:
    """How a result differs between two reports; None when it does not."""
    name = after["id"]
    if not before["estimable"] or not after["estimable"]:
        if before["estimable"] != after["estimable"]:
            kind: Kind = "now estimable" if after["estimable"] else "no longer estimable"
            return Move(name, kind, pairing, before, after)
        return Move(name, "wording", pairing, before, after) if _reworded(before, after) else None
    if not near(before["value"], after["value"]):
        reach = reach_within(before, after) if pairing == "same" else reach_between(before, after)
        difference = after["value"] - before["value"]
        return Move(name, "value", pairing, before, after, difference, reach, None if reach is None else reach > 1)
    if not all(near(before[limit], after[limit]) for limit in ("lower", "upper", "se")):
        return Move(name, "interval", pairing, before, after, 0.0, 0.0, False)
    return Move(name, "wording", pairing, before, after, 0.0) if _reworded(before, after) else None


def _reworded(before: Mapping[str, Any], after: Mapping[str, Any]) -> bool:
    return any(before[name] != after[name] for name in ("method", "n", "units", "notes", "level"))


def _order(move: Move) -> tuple[Any, ...]:
    rank = {"value": 0, "no longer estimable": 1, "now estimable": 1, "interval": 3, "gone": 4, "appeared": 4, "wording": 5}
    first = 0 if move.beyond else 1 if move.kind in ("no longer estimable", "now estimable") else 2
    size = move.reach if move.reach is not None else -1.0
    return (first, rank[move.kind], -size, -abs(move.relative or 0.0), move.id)


def _is_chance_of_rule(record: Mapping[str, Any]) -> bool:
    """The chance that a rule meets an aim in years to come, which are other years in another report."""
    return record["quantity"] == "objective_probability" and record.get("scenario") is not None


def _of_season(build: OpenBuild) -> dict[tuple[Any, ...], Mapping[str, Any]]:
    names = ("quantity", "species", "size_class", "site", "scenario", "detail")
    return {
        tuple(record.get(name) for name in names): record
        for record in build.results.values()
        if record["season"] == build.season and not _is_chance_of_rule(record)
    }


def compare_results(before: OpenBuild, after: OpenBuild) -> list[Move]:
    """Every result in which two reports differ, what matters most first: beyond the interval by size, then the others."""
    moves: list[Move] = []
    for name in dict.fromkeys((*before.results, *after.results)):
        old, new = before.results.get(name), after.results.get(name)
        if old is None:
            moves.append(Move(name, "appeared", "same", None, new))
        elif new is None:
            moves.append(Move(name, "gone", "same", old, None))
        else:
            moves += [move] if (move := compare_records(old, new, "same")) else []
    if before.season != after.season:
        olds, news = _of_season(before), _of_season(after)
        for place, record in news.items():
            if place in olds and (move := compare_records(olds[place], record, "season")):
                moves.append(move)
    return sorted(moves, key=_order)


def _verdicts(build: OpenBuild) -> list[dict[str, str]]:
    """Objectives with their verdicts as the front page shows them, or from the results where it shows none."""
    for shown in build.shown:
        if shown.kind == "table" and shown.label == "scorecard":
            names = ("objective", "target", "value", "interval", "probability", "verdict")
            return [dict(zip(names, row, strict=True)) for row in shown.data["rows"]]
    found = []
    for record in build.results.values():
        if record["quantity"] == "objective_probability" and not _is_chance_of_rule(record):
            said = [note.removeprefix(VERDICT) for note in record["notes"] if note.startswith(VERDICT)]
            quantity, _, target = str(record["detail"]).partition("/")
            objective = " ".join(str(part) for part in (quantity, record["species"], record["size_class"]))
            found.append({"objective": objective, "target": target, "verdict": (said or ["not estimable"])[0], "value": ""})
    return found


def compare_verdicts(before: OpenBuild, after: OpenBuild) -> list[VerdictChange]:
    """Objectives whose verdict changed, or that only one of the reports has."""
    olds, news = _verdicts(before), _verdicts(after)
    changes = []
    left = list(olds)
    paired: list[tuple[dict[str, str], dict[str, str]]] = []
    for names in (("objective", "target"), ("objective",)):  # a target that moved is the same objective; its own goes before
        for new in [one for one in news if not any(one is taken for taken, _ in paired)]:
            old = next((one for one in left if all(one[name] == new[name] for name in names)), None)
            if old is not None:
                left.remove(old)
                paired.append((new, old))
    for new in news:
        old = next((old for taken, old in paired if taken is new), None)
        if old is None:
            changes.append(VerdictChange(new["objective"], new["target"], "", new["verdict"], "", new["value"]))
            continue
        if old["verdict"].casefold() != new["verdict"].casefold():
            changes.append(
                VerdictChange(
                    new["objective"], new["target"], old["verdict"], new["verdict"], old["value"], new["value"], old["target"]
                )
            )
    changes += [VerdictChange(old["objective"], old["target"], old["verdict"], "", old["value"]) for old in left]
    return sorted(changes, key=lambda change: not (change.before and change.after))
