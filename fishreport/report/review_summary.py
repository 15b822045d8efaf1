"""A review in a terminal: what it comes to, on one screen."""

from __future__ import annotations

import sys
from typing import TextIO

from fishreport.report.review import Review
from fishreport.report.review_words import SaidMove, say_moves, summary

_MOST = 15


def print_review(review: Review, *, stream: TextIO | None = None) -> None:
    """Print the summary: sentences, verdicts that changed, and the results that moved most.

    Parameters
    ----------
    review : Review
    stream : TextIO, optional
        Standard output otherwise. On a terminal it is a table in colour, elsewhere a line a result.
    """
    stream = stream or sys.stdout
    for line in summary(review):
        print(line, file=stream)
    for change in review.verdicts:
        before, after = change.before or "(not in the earlier report)", change.after or "(not in the later report)"
        print(f"verdict: {change.objective}: {before} → {after}", file=stream)
    for setting in review.settings[:_MOST]:
        print(f"setting: {setting.name}: {setting.before or '(none)'} → {setting.after or '(none)'}", file=stream)
    said = [item for item in say_moves(review) if item.move.kind in ("value", "now estimable", "no longer estimable")]
    shown = said[:_MOST]
    if shown and stream.isatty():
        _table(shown, stream)
    else:
        for item in shown:
            reach = f", {item.reach} of the way to the limit" if item.move.reach is not None else ""
            print(f"result: {item.name}: {item.before} → {item.after} ({item.verdict}{reach})", file=stream)
    if len(said) > _MOST:
        print(f"and {len(said) - _MOST:,} more results that moved", file=stream)


def _table(shown: list[SaidMove], stream: TextIO) -> None:
    from rich.console import Console
    from rich.markup import escape
    from rich.table import Table

    table = Table("Result", "Before", "After", "Moved by", "Reach", "", pad_edge=False)
    for column in (1, 2, 3, 4):
        table.columns[column].justify = "right"
    for item in shown:
        colour = "bold yellow" if item.move.beyond else ""
        cells = (item.name, item.before, item.after, item.difference, item.reach, item.verdict)
        table.add_row(*map(escape, cells), style=colour)
    Console(file=stream).print(table)
