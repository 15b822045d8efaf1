"""Draws in which the inputs of a scenario do not fit together: how many they are, read from the notes that results carry."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

from fishreport.analysis.vital_rates import NOTHING_LEFT
from fishreport.population.todays_population import OVERSTOCKED, WIPED_OUT

MOST_IN_SILENCE = 0.10  # share of draws above which a doubt stands beside what it bears on (our own choice)
_KINDS = (NOTHING_LEFT, OVERSTOCKED, WIPED_OUT)
_COUNT = re.compile(r"in (\d+) of (\d+) draws (.*)")


@dataclass(frozen=True, slots=True)
class Doubt:
    """One thing that does not fit: `kind` is one of the constants above, `share` that of the draws (0 to 1)."""

    kind: str
    share: float


def doubts(notes: Iterable[str], *, above: float = MOST_IN_SILENCE) -> tuple[Doubt, ...]:
    """What does not fit in a larger share of the draws than `above`, in the order of the notes, each kind once."""
    found: dict[str, Doubt] = {}
    for note in notes:
        count = _COUNT.match(note)
        kind = next((kind for kind in _KINDS if count and count[3].startswith(kind)), "")
        if count and kind and int(count[1]) > above * int(count[2]):
            found.setdefault(kind, Doubt(kind, int(count[1]) / int(count[2])))
    return tuple(found.values())
