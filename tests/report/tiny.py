"""A tiny study and tiny chapters, each for one behaviour of the pipeline."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

SETTINGS = {"parameters.level": 0.9, "water.region": "Lower Basin"}
NOTEBOOKS = Path(__file__).parent / "notebooks"

STUDY = """
[water]
name = "Alder Tailwater"
region = "Upper Basin"

[season]
year = 2025

[data]
runs = "runs.csv"
fish = "fish.csv"

[species.BNT]
name = "brown trout"

[report]
chapters = {chapters}
author = "A. Reporter"
"""

RUNS = """run_id,site,date,start_time,effort_s
R1,Weir,2024-09-14,21:00,600
R2,Ford,2024-09-14,21:30,620
R3,Weir,2025-09-15,21:00,600
R4,Ford,2025-09-15,21:30,610
"""

SUMMARY = """# Summary

The catch held steady; see {figure:counts} and {table:catch}. A formula: $W_r = 100 \\times \\frac{W}{W_s}$.

$$\\hat{N} = \\frac{(M + 1)(C + 1)}{R + 1} - 1$$

## Recommendations

1. Keep the **rule** as it is.
2. Age *twenty* more fish.
"""


def fish_table(rows: int = 40) -> str:
    """Fish of four runs; lengths follow from their order, so that every number can be worked out by hand."""
    lines = ["run_id,species,length_mm,weight_g"]
    lines += [f"R{1 + i % 4},BNT,{200 + 5 * i},{round(0.00001 * (200 + 5 * i) ** 3)}" for i in range(rows)]
    return "\n".join(lines) + "\n"


def write_study(folder: Path, chapters: tuple[str, ...] = ("catch", "length"), extra: str = "") -> Path:
    """Lay out a tiny study; returns its folder."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "study.toml").write_text(STUDY.format(chapters=json.dumps(list(chapters))) + extra, encoding="utf-8")
    (folder / "runs.csv").write_text(RUNS, encoding="utf-8")
    (folder / "fish.csv").write_text(fish_table(), encoding="utf-8")
    (folder / "narrative").mkdir(exist_ok=True)
    (folder / "narrative" / "summary.md").write_text(SUMMARY, encoding="utf-8")
    return folder


def write_notebook(path: Path, *cells: str, parameters: bool = True, metadata: dict[str, Any] | None = None) -> Path:
    """A chapter: a cell that begins with ``#md`` is Markdown, all others are code."""
    built: list[dict[str, Any]] = []
    if parameters:
        source = 'study = ""\nseason = 0\nsettings = {}\nresults = ""'
        built.append(_code(source, ["parameters"]))
    for cell in cells:
        if cell.startswith("#md\n"):
            built.append({"cell_type": "markdown", "metadata": {}, "source": cell.removeprefix("#md\n")})
        else:
            built.append(_code(cell, []))
    notebook = {
        "cells": [{**cell, "id": f"c{number}"} for number, cell in enumerate(built)],
        "metadata": {
            "kernelspec": {"display_name": "Python 3", "language": "python", "name": "python3"},
            "language_info": {"name": "python"},
            **({"fishreport": metadata} if metadata else {}),
        },
        "nbformat": 4,
        "nbformat_minor": 5,
    }
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(json.dumps(notebook, indent=1) + "\n", encoding="utf-8")
    return path


def _code(source: str, tags: list[str]) -> dict[str, Any]:
    metadata = {"tags": tags} if tags else {}
    return {"cell_type": "code", "execution_count": None, "metadata": metadata, "outputs": [], "source": source}
