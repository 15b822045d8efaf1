"""A review for programs: JSON of all of it, and CSV of the results, rows and cells that differ."""

from __future__ import annotations

import dataclasses
import json
import math
from typing import Any

from fishreport.report.compare_build import OpenBuild
from fishreport.report.compare_results import Move
from fishreport.report.review import Review
from fishreport.report.tables import table_csv

_RECORD = ("value", "se", "lower", "upper", "n")


def _plain(value: Any) -> Any:
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {item.name: _plain(getattr(value, item.name)) for item in dataclasses.fields(value)}
    if isinstance(value, dict):
        return {str(key): _plain(item) for key, item in value.items() if key != "svg"}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    return None if isinstance(value, float) and math.isnan(value) else value


def _move(move: Move) -> dict[str, Any]:
    found = _plain(move)
    if found["reach"] == math.inf:  # JSON has no infinity; `beyond` says it
        found["reach"] = None
    return {**found, "relative": move.relative}


def _side(build: OpenBuild) -> dict[str, Any]:
    software = build.graph["#fishreport"]
    return {
        "title": build.title,
        "study": build.water,
        "season": build.season,
        "request": build.request,
        "version": software["version"],
        "results": len(build.results),
    }


def review_json(review: Review) -> bytes:
    """All that differs, but for the drawings; the same reports give the same bytes."""
    content = {
        "before": _side(review.before),
        "after": _side(review.after),
        "settings": _plain(review.settings),
        "files": _plain(review.files),
        "software": _plain(review.software),
        "rows": _plain(review.rows.rows),
        "row_notes": list(review.rows.notes),
        "verdicts": _plain(review.verdicts),
        "results": [_move(move) for move in review.moves],
        "tables": _plain(review.tables),
        "figures": _plain(review.figures),
        "texts": _plain(review.texts),
    }
    return (json.dumps(content, ensure_ascii=False, indent=1, allow_nan=False) + "\n").encode()


def moves_csv(review: Review) -> bytes:
    """Results that differ, a row each, in the order of the page."""
    rows = []
    for move in review.moves:
        record = move.record
        row: dict[str, Any] = {"id": move.id, "change": move.kind, "pairing": move.pairing}
        for name in ("quantity", "species", "size_class", "site", "scenario", "detail", "season", "units"):
            row[name] = record.get(name)
        for side, own in (("before", move.before), ("after", move.after)):
            row |= {f"{name}_{side}": own[name] if own else None for name in _RECORD}
        row |= {"difference": move.difference, "relative": move.relative, "reach": move.reach, "beyond": move.beyond}
        rows.append(row)
    return table_csv({"data": rows} if rows else _empty("id", "change"))


def rows_csv(review: Review) -> bytes:
    """Rows of the field data that differ; a changed row has a line for each of its cells."""
    rows = []
    for change in review.rows.rows:
        base = {
            "table": change.table,
            "status": change.status,
            "line_before": change.line_before,
            "line_after": change.line_after,
            "row": change.text,
            "reason": change.reason,
        }
        cells = change.cells or (("", "", ""),)
        rows += [{**base, "column": column, "before": before, "after": after} for column, before, after in cells]
    return table_csv({"data": rows} if rows else _empty("table", "status"))


def cells_csv(review: Review) -> bytes:
    """Cells of the report's tables that differ; a row that only one report has stands as a whole."""
    rows = []
    for table in review.tables:
        base = {"chapter": table.chapter, "table": table.label}
        for cell in table.cells:
            rows.append(
                {**base, "status": "changed", "row": cell.row, "column": cell.column, "before": cell.before, "after": cell.after}
            )
        for status, which in (("removed", table.rows_removed), ("added", table.rows_added)):
            for row in which:
                sides = (
                    {"before": " | ".join(row), "after": ""} if status == "removed" else {"before": "", "after": " | ".join(row)}
                )
                rows.append({**base, "status": status, "row": row[0] if row else "", "column": "", **sides})
    return table_csv({"data": rows} if rows else _empty("chapter", "table"))


def _empty(*names: str) -> dict[str, Any]:
    return {"columns": [{"heading": name, "units": ""} for name in names], "rows": []}
