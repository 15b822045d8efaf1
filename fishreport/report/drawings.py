"""How large drawings are set on paper, and whether the table that follows one comes before it: chosen so that pages fill.

The setter lays out all pages with what has been chosen so far, and notes at each drawing how much of its page is left. The
first drawing of a chapter that is not yet chosen for is then chosen for, and those after it as long as nothing has moved.
Chapters begin on pages of their own, so all of them are gone through side by side. That is done for drawings of several sizes;
each chapter takes the size that leaves least of its pages empty.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

SIZES = (1.0, 0.88, 0.78)  # shares of the full size; at the least of them a drawing still reads well
SMALLER = 0.9  # a drawing is set that small before its table is set before it
ABOVE, ABOVE_LEAD = 18.0, 26.0  # points above a drawing, and above what announces it
TORN = 170.0  # points; a taller table goes on on the next page, and may begin where this is left
PAGE = 700.0  # points of text on a page, near enough to weigh what is empty
PASSES = 12

Note = Mapping[str, Any]


@dataclass(frozen=True)
class Choice:
    """The share of its full size at which a drawing is set, and whether the table after it comes first."""

    share: float = 1.0
    first: bool = False


@dataclass(frozen=True)
class Chosen:
    """What is chosen for drawings by their anchors, and the share of its size for those not yet chosen for."""

    share: float = 1.0
    drawings: Mapping[str, Choice] = field(default_factory=dict)

    def text(self, measuring: bool) -> str:
        """What the templates read; `measuring` is True as long as notes are wanted."""
        drawings = {anchor: {"share": choice.share, "first": choice.first} for anchor, choice in self.drawings.items()}
        return json.dumps({"measuring": measuring, "share": self.share, "drawings": drawings})


LayOut = Callable[[Chosen], Sequence[Note]]


def _left(note: Note) -> float:
    return float(note["left"]) - ABOVE - (note["lead"] + ABOVE_LEAD if note["lead"] else 0.0)


def _height(note: Note, share: float) -> float:
    return float(note["figure"]) - (1.0 - share) * float(note["drawing"])


def choose(note: Note, share: float = 1.0) -> Choice:
    """What is best for a drawing.

    Parameters
    ----------
    note : mapping
        Of the setter, in points: what is ``left`` of the page, and the heights of the ``lead`` that announces it (0 without), the
        ``figure`` with its caption, the ``drawing`` alone at full size, and the ``table`` that follows (0 without).
    share : float
        The share of its full size that it has where there is room.
    """
    left = _left(note)
    most = 1.0 + (left - note["figure"]) / max(note["drawing"], 1.0)
    if most >= share:
        return Choice(share)
    table_fits = note["table"] and (note["table"] <= left or (note["table"] > TORN and left >= TORN))
    if most >= (SMALLER if table_fits else SIZES[-1]):
        return Choice(int(most * 1000) / 1000)
    return Choice(share, bool(table_fits))


def empty(note: Note, choice: Choice) -> float:
    """Share of a page that stays empty before a drawing."""
    left = _left(note)
    if choice.first:
        left -= note["table"]
    # Where a drawing has moved on, what is left of the page is told without the space above the drawing, else with it.
    return min(max(left, 0.0) / PAGE, 1.0) if _height(note, choice.share) > left + ABOVE else 0.0


def _chapters(notes: Sequence[Note]) -> Iterator[tuple[str, int, list[Note]]]:
    """Name, pages and drawings of each chapter."""
    drawings: list[Note] = []
    before = 0
    for note in notes:
        if "chapter" in note:
            yield note["chapter"], note["page"] - before, drawings
            drawings, before = [], note["page"]
        else:
            drawings.append(note)


def _at_size(lay_out: LayOut, share: float) -> dict[str, tuple[float, dict[str, Choice]]]:
    """Chapter → how bad it is, and what is chosen for its drawings, where they have this share of their size."""
    chosen: dict[str, Choice] = {}
    for _ in range(PASSES):
        notes, moved = lay_out(Chosen(share, chosen)), False
        for _, _, drawings in _chapters(notes):
            for note in drawings:
                if note["anchor"] not in chosen:
                    chosen[note["anchor"]] = choose(note, share)
                    if chosen[note["anchor"]] != Choice(share):
                        moved = True
                        break
        if not moved:
            break
    rated = {}
    for name, pages, drawings in _chapters(notes):
        taken = {note["anchor"]: chosen.get(note["anchor"], Choice(share)) for note in drawings}
        gaps = sum(empty(note, taken[note["anchor"]]) for note in drawings)
        rated[name] = (pages + gaps + 0.3 * (1.0 - share) * len(drawings), taken)
    return rated


def choose_drawings(lay_out: LayOut) -> Chosen:
    """What is chosen for every drawing; `lay_out` lays out all pages by what is chosen so far, and gives the setter's notes."""
    best = _at_size(lay_out, SIZES[0])
    if any(taken for _, taken in best.values()):
        for share in SIZES[1:]:
            for name, rated in _at_size(lay_out, share).items():
                best[name] = min(best[name], rated, key=lambda one: one[0])
    return Chosen(drawings={anchor: choice for _, taken in best.values() for anchor, choice in taken.items()})
