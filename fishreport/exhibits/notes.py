"""Notes of estimators, which speak in millimetres and grams, in the units of the report."""

from __future__ import annotations

import re
from collections.abc import Iterable

from fishreport.analysis.classes import LATER_RUNS
from fishreport.analysis.mortality import AGES_USED, TOO_SHORT
from fishreport.analysis.result import Result
from fishreport.exhibits.units import Units
from fishreport.methods.estimate import Estimate

FIRST_PASS = "Where water was fished in several passes, the first alone counts."
"""Ends the caption of means and shares by season, which go by the runs that catch rates go by."""


def first_pass(results: Iterable[Result]) -> str:
    """`FIRST_PASS` and a blank before it, to end a caption with, where a result leaves out runs of later passes; else nothing."""
    return f" {FIRST_PASS}" if any(LATER_RUNS in result.estimate.notes for result in results) else ""


def ages_meant(estimate: Estimate) -> str:
    """The ages that a total mortality or survival holds for, as an attribute of the fish: ``of age 2 and older``; else empty."""
    said = next((note for note in estimate.notes if note.startswith(AGES_USED)), "")
    return f"of age {said.removeprefix(AGES_USED)}" if said and estimate.estimable else ""


def why_too_short(estimate: Estimate) -> str:
    """Why an interval is known to be too short: ``seasons share aged fish``; else empty."""
    return next((note.removeprefix(TOO_SHORT) for note in estimate.notes if note.startswith(TOO_SHORT)), "")


def too_short(estimate: Estimate) -> str:
    """`why_too_short` as a clause, with a blank before it: `` (interval too short: seasons share aged fish)``; else empty."""
    reason = why_too_short(estimate)
    return f" ({TOO_SHORT}{reason})" if reason else ""


_LACKING = re.compile(r"not judged: (\d+) of the (\d+) seasons could be estimated")


def seasons_lacking(notes: Iterable[str]) -> tuple[int, int] | None:
    """Seasons that could be estimated, and those that an objective asks for, where too few left it unjudged; else None."""
    found = next((match for note in notes if (match := _LACKING.fullmatch(note))), None)
    return (int(found[1]), int(found[2])) if found else None


_NUMBER = r"\d[\d,]*(?:\.\d+)?"
_MEASURE = re.compile(
    rf"(?<![\w.])(?P<low>{_NUMBER})(?:(?P<between>-| to )(?P<high>{_NUMBER})?)? (?P<unit>mm|km|kg|g)\b(?!\s*/| \([\d.]+ in\))"
)

_ONE = re.compile(r"(?<![\d.,])1 (runs|seasons|sites|units|classes|groups|recaptures|coefficients|passes|ages|bins|surveys)\b")
_SINGULAR = {"classes": "class", "passes": "pass"}


def singular(text: str) -> str:
    """``1 runs`` → ``1 run``; nothing else changes."""
    return _ONE.sub(lambda found: f"1 {_SINGULAR.get(found[1], found[1].removesuffix('s'))}", text)


def shown_note(note: str, units: Units) -> str:
    """A note with its lengths and weights in the units shown, and `singular` where it counts one.

    ``up to 22 mm`` becomes ``up to 0.9 in``, and ``400- mm`` becomes ``15.7 in and longer``; in a metric report nothing changes.
    """
    note = singular(note)
    if units.system == "metric":
        return note

    def shown(found: re.Match[str]) -> str:
        low, high = (None if text is None else float(text.replace(",", "")) for text in (found["low"], found["high"]))
        assert low is not None
        text = units.text(low, found["unit"])
        if high is not None:
            return f"{text.removesuffix(units.unit(found['unit'])).rstrip()}{found['between']}{units.text(high, found['unit'])}"
        return f"{text} and longer" if found["between"] else text

    return _MEASURE.sub(shown, note)
