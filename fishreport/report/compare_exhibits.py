"""What two reports show, held against each other: tables cell by cell, figures, and text paragraph by paragraph."""

from __future__ import annotations

import difflib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from fishreport.report.compare_build import OpenBuild, Shown

Row = tuple[str, ...]
_ALIKE = 0.4  # paragraphs less alike than this are one taken out and one put in


@dataclass(frozen=True)
class CellChange:
    """A cell that differs: the row by its first cells, the column by its heading."""

    row: str
    column: str
    before: str
    after: str


@dataclass(frozen=True)
class TableChange:
    """A table in which two reports differ.

    Attributes
    ----------
    chapter, label, caption : str
    status : str
        ``changed``, ``added`` or ``removed``.
    cells : tuple[CellChange, ...]
    rows_added, rows_removed : tuple of rows
        Rows that only one of the reports has.
    columns_added, columns_removed : tuple of str
    unchanged : int
        Rows that are alike.
    """

    chapter: str
    label: str
    caption: str
    status: Literal["changed", "added", "removed"]
    cells: tuple[CellChange, ...] = ()
    rows_added: tuple[Row, ...] = ()
    rows_removed: tuple[Row, ...] = ()
    columns_added: tuple[str, ...] = ()
    columns_removed: tuple[str, ...] = ()
    unchanged: int = 0


@dataclass(frozen=True)
class FigureChange:
    """A figure that is drawn otherwise; what a report does not have is None."""

    chapter: str
    label: str
    before: Mapping[str, Any] | None
    after: Mapping[str, Any] | None


@dataclass(frozen=True)
class TextChange:
    """A paragraph, finding, caption or note that differs; empty where a report does not have it."""

    chapter: str
    kind: str
    before: str
    after: str


def _heading(column: Mapping[str, Any]) -> str:
    return f"{column['heading']} ({column['units']})" if column.get("units") else str(column["heading"])


def _keyed(rows: Sequence[Row], other: Sequence[Row], most: int) -> int:
    """How many first cells name a row without doubt in both tables; 0 when none do."""
    for count in range(1, most + 1):
        if all(len({row[:count] for row in side}) == len(side) for side in (rows, other)):
            return count
    return 0


def _aligned(before: Sequence[Row], after: Sequence[Row], names: int) -> list[tuple[Row | None, Row | None]]:
    count = _keyed(before, after, names)
    if count:
        olds = {row[:count]: row for row in before}
        news = {row[:count]: row for row in after}
        return [(olds.get(key), news.get(key)) for key in dict.fromkeys((*news, *olds))]
    found: list[tuple[Row | None, Row | None]] = []
    matcher = difflib.SequenceMatcher(None, [row[:names] for row in before], [row[:names] for row in after], autojunk=False)
    for _, a, b, c, d in matcher.get_opcodes():
        pairs = min(b - a, d - c)
        found += [(before[a + place], after[c + place]) for place in range(pairs)]
        found += [(row, None) for row in before[a + pairs : b]] + [(None, row) for row in after[c + pairs : d]]
    return found


def _label_columns(columns: Sequence[Mapping[str, Any]]) -> int:
    count = next((place for place, column in enumerate(columns) if column.get("align", "right") != "left"), len(columns))
    return max(1, min(count, 6))


def compare_table(before: Shown, after: Shown) -> TableChange | None:
    """One table in both reports; None when it is the same in each cell."""
    old_heads, new_heads = ([_heading(column) for column in side.data["columns"]] for side in (before, after))
    shared = [name for name in new_heads if name in old_heads]
    old_rows = [tuple(map(str, row)) for row in before.data["rows"]]
    new_rows = [tuple(map(str, row)) for row in after.data["rows"]]
    if old_heads == new_heads and old_rows == new_rows:
        return None
    names = min(_label_columns(before.data["columns"]), _label_columns(after.data["columns"]))
    cells: list[CellChange] = []
    added: list[Row] = []
    removed: list[Row] = []
    unchanged = 0
    for old, new in _aligned(old_rows, new_rows, names):
        if new is None:
            removed += [old] if old else []
        elif old is None:
            added.append(new)
        else:
            name = ", ".join(cell for cell in new[:names] if cell)
            differing = [
                CellChange(name, head, old[old_heads.index(head)], new[new_heads.index(head)])
                for head in shared
                if old[old_heads.index(head)] != new[new_heads.index(head)]
            ]
            cells += differing
            unchanged += not differing
    return TableChange(
        after.chapter,
        after.label,
        after.data["caption"],
        "changed",
        tuple(cells),
        tuple(added),
        tuple(removed),
        tuple(name for name in new_heads if name not in old_heads),
        tuple(name for name in old_heads if name not in new_heads),
        unchanged,
    )


def _by_label(build: OpenBuild, kind: str) -> dict[tuple[str, str], Shown]:
    return {(shown.chapter, shown.label): shown for shown in build.shown if shown.kind == kind}


def compare_all_tables(before: OpenBuild, after: OpenBuild) -> list[TableChange]:
    """Tables in which two reports differ, in the order of the later one; those that only one has come last."""
    olds, news = _by_label(before, "table"), _by_label(after, "table")
    found = [change for key, new in news.items() if key in olds and (change := compare_table(olds[key], new))]
    found += [_only(new, "added") for key, new in news.items() if key not in olds]
    found += [_only(old, "removed") for key, old in olds.items() if key not in news]
    return found


def _only(shown: Shown, status: Literal["added", "removed"]) -> TableChange:
    rows = tuple(tuple(map(str, row)) for row in shown.data["rows"])
    added, removed = (rows, ()) if status == "added" else ((), rows)
    return TableChange(shown.chapter, shown.label, shown.data["caption"], status, rows_added=added, rows_removed=removed)


def compare_figures(before: OpenBuild, after: OpenBuild) -> list[FigureChange]:
    """Figures that are drawn otherwise, or that only one report has."""
    olds, news = _by_label(before, "figure"), _by_label(after, "figure")
    changes = []
    for key in dict.fromkeys((*news, *olds)):
        old, new = olds.get(key), news.get(key)
        if old is None or new is None or old.data["svg"] != new.data["svg"]:
            changes.append(FigureChange(*key, old.data if old else None, new.data if new else None))
    return changes


def _texts(build: OpenBuild) -> dict[str, list[tuple[str, str]]]:
    found: dict[str, list[tuple[str, str]]] = {}
    for shown in build.shown:
        texts = found.setdefault(shown.chapter, [])
        if shown.kind in ("table", "figure"):
            texts.append(("caption", shown.data["caption"]))
            texts += [("note", str(note)) for note in shown.data.get("notes", ())]
        else:
            texts.append((shown.kind, shown.data["text"]))
    return found


def _pair_up(chapter: str, olds: list[tuple[str, str]], news: list[tuple[str, str]]) -> list[TextChange]:
    """Paragraphs of one replaced stretch: the most alike of one kind belong together."""
    changes: list[TextChange] = []
    left = list(olds)
    for kind, text in news:
        candidates = [
            (difflib.SequenceMatcher(None, old[1].split(), text.split(), autojunk=False).ratio(), -place, old)
            for place, old in enumerate(left)
            if old[0] == kind
        ]
        best = max(candidates, default=None, key=lambda item: item[:2])
        if best is not None and best[0] >= _ALIKE:
            left.remove(best[2])
            changes.append(TextChange(chapter, kind, best[2][1], text))
        else:
            changes.append(TextChange(chapter, kind, "", text))
    return changes + [TextChange(chapter, kind, text, "") for kind, text in left]


def compare_texts(before: OpenBuild, after: OpenBuild) -> list[TextChange]:
    """Text that differs, chapter by chapter: findings, narrative, captions, notes."""
    olds, news = _texts(before), _texts(after)
    found: list[TextChange] = []
    for chapter in dict.fromkeys((*news, *olds)):
        first, second = olds.get(chapter, []), news.get(chapter, [])
        matcher = difflib.SequenceMatcher(None, first, second, autojunk=False)
        for what, a, b, c, d in matcher.get_opcodes():
            if what != "equal":
                found += _pair_up(chapter, first[a:b], second[c:d])
    return found


def marked_words(before: str, after: str) -> list[tuple[Literal["same", "out", "in"], str]]:
    """A text as runs of words that are the same, taken out or put in."""
    first, second = before.split(), after.split()
    found: list[tuple[Literal["same", "out", "in"], str]] = []
    for what, a, b, c, d in difflib.SequenceMatcher(None, first, second, autojunk=False).get_opcodes():
        if what == "equal":
            found.append(("same", " ".join(first[a:b])))
            continue
        found += [("out", " ".join(first[a:b]))] if b > a else []
        found += [("in", " ".join(second[c:d]))] if d > c else []
    return found
