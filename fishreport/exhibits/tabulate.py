"""Tables of estimates: a value and its interval a cell, with full-precision data behind."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import Any

from fishreport.analysis.result import Result
from fishreport.exhibits.exhibit import Column, Table
from fishreport.exhibits.notes import shown_note
from fishreport.exhibits.units import NO_VALUE, Units, format_estimate


def heading(name: str) -> str:
    """A name as a heading or at the start of a sentence: its first letter in upper case."""
    return name[:1].upper() + name[1:]


def _named(places: Sequence[Sequence[str]]) -> str:
    """Rows by what names them within their first word: ``memorable; trophy``."""
    return "; ".join(filter(None, (", ".join(word[:1].lower() + word[1:] for word in place[1:]) for place in places)))


def placed_notes(notes: Iterable[tuple[str, Sequence[str]]], rows: Iterable[Sequence[str]], *, noun: str = "row") -> list[str]:
    """Notes once each, as sentences, with the rows that they belong to: ``Brown trout (memorable; trophy): 6 runs only.``

    Parameters
    ----------
    notes : iterable of (note, place)
        The place is what names a row, widest first, such as species and length class.
    rows : iterable of places
        Those of all rows of the table. A note on every one of them (of two or more) needs no place, one on every row of a
        species only that. Where it is on all but a few, those are named: ``Brown trout (every row but all lengths)``.
    noun : str
        What a place names: ``row`` or ``cell``.
    """
    every = list(dict.fromkeys(map(tuple, rows)))
    found: dict[str, dict[tuple[str, ...], None]] = {}
    for note, place in notes:
        found.setdefault(note, {})[tuple(place)] = None
    said = []
    for note, places in found.items():
        where = []
        for first in dict.fromkeys(place[0] if place else "" for place in places if len(places) < len(every) or len(every) == 1):
            named = [place for place in places if place[:1] == (first,)]
            others = [place for place in every if place[:1] == (first,) and place not in places]
            within = _named(named)
            if not others and len(named) > 1:
                within = ""
            elif len(others) < min(4, len(named)) and len(named) > 3:
                within = f"every {noun} but {_named(others)}"
            where.append(f"{first} ({within})" if within else first)
        text = f"{'; '.join(where)}: {note}" if any(where) else note
        said.append(f"{heading(text).rstrip('.')}.")
    return said


def frame_table(
    label: str,
    caption: str,
    columns: Sequence[Column],
    rows: Iterable[Sequence[Any]],
    *,
    notes: Sequence[str] = (),
    data: Any = (),
) -> Table:
    """A table from cells that are shown as they are; None becomes a dash."""
    text = tuple(tuple(NO_VALUE if cell is None else str(cell) for cell in row) for row in rows)
    return Table(label, caption, tuple(columns), text, tuple(notes), tuple(data))


def estimates_table(
    label: str,
    caption: str,
    results: Iterable[Result],
    units: Units,
    *,
    keys: Sequence[tuple[str, Callable[[Result], str]]],
    value_heading: str,
    n_heading: str = "n",
    notes: Sequence[str] = (),
) -> Table:
    """One row a result: what it is (`keys`: heading and text), its value, its interval, and the sample size.

    Notes of the results are listed once each under the table, with the rows that they belong to.
    """
    listed = list(results)
    shown = [format_estimate(result.estimate, units) for result in listed]
    unit = next((text.unit for text in shown if text.unit), "")
    level = f"{100 * listed[0].estimate.level:.0f}%" if listed else ""
    columns = [
        *(Column(name, align="left") for name, _ in keys),
        Column(value_heading, unit),
        Column(f"{level} interval".strip()),
        Column(n_heading),
    ]
    rows = [
        [*(say(result) for _, say in keys), text.value, text.interval, str(result.estimate.n)]
        for result, text in zip(listed, shown, strict=True)
    ]
    places = [[say(result) for _, say in keys] for result in listed]
    said = placed_notes(
        (
            (shown_note(note, units), place)
            for result, place in zip(listed, places, strict=True)
            for note in result.estimate.notes
        ),
        places,
    )
    return Table(
        label, caption, tuple(columns), tuple(map(tuple, rows)), (*notes, *said), tuple(result.record() for result in listed)
    )


def grid_table(
    label: str,
    caption: str,
    results: Sequence[Result],
    units: Units,
    *,
    row: Callable[[Result], str],
    column: Callable[[Result], str],
    row_heading: str,
    notes: Sequence[str] = (),
    say_notes: bool = True,
) -> Table:
    """Results crossed: one row and one column a place, each cell the value with its interval.

    `say_notes` lists their notes with the cells that they belong to.
    """
    rows = list(dict.fromkeys(row(result) for result in results))
    columns = list(dict.fromkeys(column(result) for result in results))
    cells = {(row(result), column(result)): format_estimate(result.estimate, units) for result in results}
    unit = next((text.unit for text in cells.values() if text.unit), "")

    def cell(r: str, c: str) -> str:
        text = cells.get((r, c))
        if text is None:
            return NO_VALUE
        return text.value if text.interval == NO_VALUE else f"{text.value} ({text.interval})"

    body = tuple((r, *(cell(r, c) for c in columns)) for r in rows)
    said = placed_notes(
        ((shown_note(note, units), [column(result), row(result)])
         for result in results for note in result.estimate.notes if say_notes),
        ([column(result), row(result)] for result in results), noun="cell",
    )  # fmt: skip
    heads = (Column(row_heading, align="left"), *(Column(c, unit) for c in columns))
    return Table(label, caption, heads, body, (*notes, *said), tuple(result.record() for result in results))


def joined(words: Sequence[str], last: str = "and") -> str:
    """``a``, ``a and b``, ``a, b and c``."""
    words = list(words)
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} {last} {words[-1]}"


def counted(number: int, noun: str, plural: str = "") -> str:
    """``1 run``, ``24 runs``, ``1 fish``."""
    name = noun if number == 1 or noun == "fish" else plural or f"{noun}s"
    return f"{number:,} {name}"
