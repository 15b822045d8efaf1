"""Writes a simulated survey as a study folder: tables, study file, narrative and the truth."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from fishreport.exceptions import StudyError
from fishreport.fielddata.schema import TABLES
from fishreport.simulate.entry_errors import Planted, plant_errors
from fishreport.simulate.plan import study_text
from fishreport.simulate.presets import demo_spec
from fishreport.simulate.survey import SimulatedSurvey, simulate_survey

DEMO_SEED = 2025


def _cell(value: Any, kind: str) -> str:
    if kind == "date":
        return "" if pd.isna(value) else f"{value:%Y-%m-%d}"
    if kind in ("number", "whole"):
        if math.isnan(value):
            return ""
        return str(int(value)) if float(value).is_integer() else f"{value:.2f}".rstrip("0").rstrip(".")
    return str(value)


def as_text(survey: SimulatedSurvey) -> dict[str, pd.DataFrame]:
    """The tables as they are typed: a string a cell, empty where nothing was recorded, columns nobody filled left out."""
    found = {}
    for name, schema in TABLES.items():
        frame: pd.DataFrame = getattr(survey, name)
        columns = {}
        for column in schema:
            if column.name not in frame:
                continue
            cells = [_cell(value, column.kind) for value in frame[column.name].tolist()]
            if (name, column.name) == ("fish", "count"):
                cells = ["" if cell == "1" else cell for cell in cells]
            if column.required or any(cells) or (name, column.name) == ("runs", "comments"):
                columns[column.name] = cells
        found[name] = pd.DataFrame(columns, dtype=object)
    return found


def csv_text(frame: pd.DataFrame) -> str:
    """A table as CSV: comma, quotes only where needed, a line feed a row."""

    def quoted(cell: str) -> str:
        return '"' + cell.replace('"', '""') + '"' if any(sign in cell for sign in ',"\n') else cell

    lines = [",".join(frame.columns)]
    lines += [",".join(map(quoted, row)) for row in zip(*(frame[name].tolist() for name in frame.columns), strict=True)]
    return "\n".join(lines) + "\n"


def write_study(
    folder: Path | str,
    survey: SimulatedSurvey,
    *,
    entry_errors: np.random.Generator | None = None,
    narrative: Mapping[str, str] | None = None,
) -> list[Planted]:
    """Write ``study.toml``, the tables as CSV, ``narrative/*.md`` and ``truth.json`` into a folder.

    Parameters
    ----------
    folder : Path
        Made when it does not exist.
    survey : SimulatedSurvey
        What to write.
    entry_errors : numpy.random.Generator, optional
        Plants slips of the pen in the tables; the rows that cannot be used are set aside in ``study.toml``. Without it
        the tables are clean.
    narrative : mapping of str to str, optional
        File name → Markdown; by default two pages that say that the study is simulated.

    Returns
    -------
    list of Planted
        The slips planted.

    Raises
    ------
    StudyError
        If one of the files exists already; nothing is written then.
    """
    folder = Path(folder)
    tables = as_text(survey)
    planted: list[Planted] = []
    if entry_errors is not None:
        tables, planted = plant_errors(tables, rng=entry_errors)
    tables = {name: frame for name, frame in tables.items() if name in ("runs", "fish") or len(frame)}
    truth = {**survey.truth.record(), "entry_errors": [slip.record() for slip in planted]}
    files = {f"{name}.csv": csv_text(frame) for name, frame in tables.items()}
    files["study.toml"] = study_text(survey, tables=list(tables), planted=planted)
    files["truth.json"] = _json_text(truth)
    files |= {f"narrative/{name}": text for name, text in (narrative or _plain_narrative(survey)).items()}
    there = [name for name in files if (folder / name).exists()]
    if there:
        raise StudyError(f"nothing is written over; move away {', '.join(sorted(there))} or name another folder", str(folder))
    for name, text in files.items():
        target = folder / name
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_text(text, encoding="utf-8", newline="\n")
    return planted


def _json_text(value: Any) -> str:
    """JSON with the outer levels a line an entry and lists of numbers on one line."""

    def lines(item: Any, depth: int) -> str:
        flat = json.dumps(item, ensure_ascii=False)
        if len(flat) <= 150 or not isinstance(item, dict | list):
            return flat
        pad = " " * (depth + 1)
        if isinstance(item, dict):
            inner = [f"{pad}{json.dumps(key, ensure_ascii=False)}: {lines(part, depth + 1)}" for key, part in item.items()]
            return "{\n" + ",\n".join(inner) + "\n" + " " * depth + "}"
        return "[\n" + ",\n".join(pad + lines(part, depth + 1) for part in item) + "\n" + " " * depth + "]"

    return lines(value, 0) + "\n"


def _plain_narrative(survey: SimulatedSurvey) -> dict[str, str]:
    spec = survey.truth.spec
    return {
        "summary.md": (
            f"This study is simulated. The water, its fish and its catches are invented; what is true of them is in the file\n"
            f"`truth.json` beside the study. It has {spec.seasons} season{'s' if spec.seasons > 1 else ''} at {spec.sites} "
            f"fixed sites, and {len(spec.species)} species.\n"
        ),
        "recommendations.md": (
            "Nothing is recommended for an invented water. Compare the estimates of this report with the truth, and see how\n"
            "often its intervals hold it.\n"
        ),
    }


def simulate_study(
    folder: Path | str,
    *,
    seed: int = DEMO_SEED,
    seasons: int = 10,
    sites: int = 12,
    entry_errors: bool = True,
    narrative: Mapping[str, str] | None = None,
) -> list[Planted]:
    """Simulate the demo's tailwater and write it as a study.

    With the default seed, seasons and sites the tables, ``study.toml`` and ``truth.json`` are those of the demo, byte for
    byte.

    Parameters
    ----------
    folder : Path
        Where to write; no file there is written over.
    seed : int
        Start of the random generator: the same seed gives the same files.
    seasons, sites : int
        Seasons from 2016 on (1 to 40), and fixed sites (3 to 36).
    entry_errors : bool
        Plant slips of the pen in the tables.
    narrative : mapping of str to str, optional
        File name → Markdown of the author's pages.

    Returns
    -------
    list of Planted
        The slips planted.
    """
    if isinstance(seed, bool) or seed < 0:
        raise StudyError(f"seed must be 0 or a positive whole number; got {seed!r}", str(folder))
    pen = np.random.default_rng([seed, 1]) if entry_errors else None
    survey = simulate_survey(demo_spec(seasons=seasons, sites=sites), rng=np.random.default_rng(seed))
    return write_study(folder, survey, entry_errors=pen, narrative=narrative)
