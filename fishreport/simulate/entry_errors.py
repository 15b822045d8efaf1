"""Slips of the pen and the keyboard, planted in the tables as they are written down, each with what a check should say."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
import pandas as pd

Tables = dict[str, pd.DataFrame]
Severity = Literal["error", "doubt"]


@dataclass(frozen=True, slots=True)
class Planted:
    """One slip.

    Attributes
    ----------
    table : str
        Table it stands in.
    column : str
        Column that is wrong.
    row : int
        Line in the file; the header is line 1.
    kind : str
        What happened, in a word or two.
    severity : str
        ``error`` where the row cannot be used, ``doubt`` where it is only unlikely.
    written, true : str
        The text as it stands, and as it should stand.
    where : mapping
        Columns that name the row, with their text.
    reason : str
        Why the author sets the row aside; empty where it is left in.
    """

    table: str
    column: str
    row: int
    kind: str
    severity: Severity
    written: str
    true: str
    where: Mapping[str, str]
    reason: str = ""

    def record(self) -> dict[str, Any]:
        """In plain values, as written to ``truth.json``."""
        names = ("table", "row", "column", "kind", "severity", "written", "true")
        return {**{name: getattr(self, name) for name in names}, "set_aside": bool(self.reason)}


@dataclass(frozen=True, slots=True)
class _Slip:
    table: str
    column: str
    kind: str
    severity: Severity
    may: Callable[[pd.DataFrame], pd.Series]
    change: Callable[[str, pd.Series, pd.DataFrame], str]
    reason: str = ""


def _number(frame: pd.DataFrame, column: str) -> pd.Series:
    return pd.to_numeric(frame[column], errors="coerce")


def _both(low: float, high: float, *, plain: bool = True) -> Callable[[pd.DataFrame], pd.Series]:
    """Untagged, unaged brown trout with length between bounds, and weighed."""

    def may(fish: pd.DataFrame) -> pd.Series:
        length, weight = _number(fish, "length_mm"), _number(fish, "weight_g")
        found = length.between(low, high) & weight.notna() & (fish["species"] == "BNT")
        return found & (fish["tag"] == "") & (fish["age_sample"] == "") & (length % 10 != 0) & (weight % 10 != 0)

    return may


def _swap_digits(text: str, row: pd.Series, frame: pd.DataFrame) -> str:
    return text[1] + text[0] + text[2:]


def _clear_transposition(fish: pd.DataFrame) -> pd.Series:
    """Lengths of 420 to 429 mm: with the first two digits changed over, no other slip explains the weight as well."""
    return _both(420, 429)(fish)


def _recaptured(fish: pd.DataFrame) -> pd.Series:
    return (fish["recaptured"] == "yes") & (fish["species"] == "BNT") & (fish["age_sample"] == "")


def _recaptured_unweighed(fish: pd.DataFrame) -> pd.Series:
    return _recaptured(fish) & (fish["weight_g"] == "")


def _shorter_than_at_tagging(text: str, row: pd.Series, frame: pd.DataFrame) -> str:
    return str(int(frame.loc[frame["tag"] == row["tag"], "length_mm"].iloc[0]) - 22)


FISH_SLIPS = (
    _Slip(
        "fish",
        "weight_g",
        "digit lost",
        "doubt",
        _both(400, 480),
        lambda text, row, frame: text[:-1],
        "weight lacks its last digit; water has washed it off the sheet",
    ),
    _Slip(
        "fish",
        "weight_g",
        "digit lost",
        "doubt",
        _both(360, 440),
        lambda text, row, frame: text[:-1],
        "weight lacks its last digit; the field sheet was lost, so that it cannot be mended",
    ),
    _Slip(
        "fish",
        "length_mm",
        "centimetres",
        "doubt",
        _both(300, 380),
        lambda text, row, frame: f"{int(text) / 10:.1f}",
        "length was called out in centimetres; the sheet does not tell the last digit",
    ),
    _Slip("fish", "length_mm", "inches", "doubt", _both(280, 400), lambda text, row, frame: f"{int(text) / 25.4:.1f}"),
    _Slip("fish", "length_mm", "swapped with weight", "doubt", _both(225, 265), lambda text, row, frame: row["weight_g"]),
    _Slip(
        "fish",
        "length_mm",
        "digits transposed",
        "doubt",
        _clear_transposition,
        _swap_digits,
        "digits of the length changed places: it weighs five times too much; the sheet was lost, so that it cannot be mended",
    ),
    _Slip(
        "fish",
        "length_mm",
        "digit too many",
        "doubt",
        _both(300, 350),
        lambda text, row, frame: "1" + text,
        "length of more than a metre; a key was struck twice and the sheet is not readable",
    ),
    _Slip("fish", "species", "code unknown", "doubt", _both(240, 330), lambda text, row, frame: "BTN"),
    _Slip(
        "fish",
        "run_id",
        "run unknown",
        "error",
        _both(200, 400),
        lambda text, row, frame: row["run_id"][:8] + "-D",
        "no run of this name was made; the fish may belong to either bank",
    ),
    _Slip(
        "fish",
        "weight_g",
        "not a number",
        "error",
        _both(270, 360),
        lambda text, row, frame: text[:-1] + "o",
        "a letter was typed for a digit of the weight",
    ),
    _Slip(
        "fish",
        "length_mm",
        "not a number",
        "error",
        _both(250, 330),
        lambda text, row, frame: f"{text[:2]}?",
        "the last digit of the length is not readable on the sheet",
    ),
    _Slip("fish", "length_mm", "recapture shrank", "doubt", _recaptured_unweighed, _shorter_than_at_tagging),
    _Slip("fish", "species", "tag of two species", "doubt", _recaptured, lambda text, row, frame: "RBT"),
)
OTHER_SLIPS = (
    _Slip(
        "ages",
        "age_years",
        "not a number",
        "error",
        lambda ages: ages["reader"] == "2",
        lambda text, row, frame: text + "?",
        "the second reader was not sure of the edge and wrote a question mark",
    ),
    _Slip(
        "ages",
        "age_sample",
        "sample unknown",
        "error",
        lambda ages: ages["reader"] == "1",
        lambda text, row, frame: text[:-3] + "9" + text[-2:],
        "no fish carries a sample of this number",
    ),
)


def _plant(frame: pd.DataFrame, slip: _Slip, used: set[int], rng: np.random.Generator) -> Planted | None:
    candidates = [i for i in np.flatnonzero(slip.may(frame).to_numpy()).tolist() if i not in used]
    if not candidates:
        return None
    at = candidates[int(rng.random() * len(candidates))]
    used.add(at)
    row = frame.iloc[at].copy()
    true = str(row[slip.column])
    written = slip.change(true, row, frame)
    frame.loc[at, slip.column] = written
    if slip.kind == "swapped with weight":
        frame.loc[at, "weight_g"] = true
    first = "run_id" if slip.table == "fish" else "age_sample"
    names = dict.fromkeys((first, slip.column))
    where = {name: str(frame.loc[at, name]) for name in names}
    return Planted(slip.table, slip.column, at + 2, slip.kind, slip.severity, written, true, where, slip.reason)


def _insert(frame: pd.DataFrame, at: int, row: pd.Series) -> pd.DataFrame:
    return pd.concat([frame.iloc[:at], row.to_frame().T, frame.iloc[at:]], ignore_index=True)


def _plant_runs(runs: pd.DataFrame, rng: np.random.Generator) -> tuple[pd.DataFrame, list[Planted]]:
    """Three lines too many in the runs: one run entered twice, and two tries that came to nothing."""
    found: list[Planted] = []
    marks = sorted({int(len(runs) * (low + 0.2 * rng.random())) for low in (0.15, 0.45, 0.75)})
    for kind, at in reversed(list(zip(("twice", "date", "effort"), marks, strict=False))):
        row = runs.iloc[at].copy()
        name = f"{row['run_id'][:8]}-C"
        if kind == "twice":
            text = ("run_id", "name not unique", row["run_id"], "", "entered twice; both lines are alike")
        elif kind == "date":
            row["run_id"], row["date"], row["comments"] = name, f"{row['date'][:4]}-09-31", "trial run, nothing netted"
            text = ("date", "date impossible", row["date"], "", "trial of the boat before the season; nothing was netted")
        else:
            row["run_id"], row["effort_s"], row["comments"] = name, "-600", "generator stopped, run given up"
            text = ("effort_s", "negative", "-600", "", "the run was given up before current was on; it holds no fish")
        runs = _insert(runs, at + 1, row)
        where = {"run_id": str(row["run_id"]), **({text[0]: str(row[text[0]])} if text[0] != "run_id" else {})}
        found = [_moved(planted, 1) for planted in found]
        found.insert(0, Planted("runs", text[0], at + 3, text[1], "error", text[2], text[3], where, text[4]))
    return runs, found


def _moved(planted: Planted, lines: int) -> Planted:
    return replace(planted, row=planted.row + lines)


def plant_errors(tables: Tables, *, rng: np.random.Generator) -> tuple[Tables, list[Planted]]:
    """Plant some fifteen slips in the tables of text.

    Parameters
    ----------
    tables : dict of DataFrame
        Tables as text, a cell a string.
    rng : numpy.random.Generator
        Chooses the rows.

    Returns
    -------
    tuple
        New tables, and the slips in the order of tables and lines. A slip for which the survey has no fit row is left out.
    """
    changed = {name: frame.copy() for name, frame in tables.items()}
    found: list[Planted] = []
    used: dict[str, set[int]] = {"fish": set(), "ages": set()}
    for slip in (*FISH_SLIPS, *OTHER_SLIPS):
        planted = _plant(changed[slip.table], slip, used[slip.table], rng)
        if planted:
            found.append(planted)
    changed["runs"], in_runs = _plant_runs(changed["runs"], rng)
    found += in_runs
    flow = changed.get("flow")
    if flow is not None and len(flow) > 400:
        at = int(flow.index[flow["date"].str.endswith("-06-30")][-1])
        row = flow.iloc[at].copy()
        row["date"] = row["date"][:-2] + "31"
        changed["flow"] = _insert(flow, at + 1, row)
        found.append(
            Planted(
                "flow",
                "date",
                at + 3,
                "date impossible",
                "error",
                row["date"],
                "",
                {"date": row["date"]},
                "June has thirty days; the line repeats the one above",
            )
        )
    order = {name: i for i, name in enumerate(tables)}
    return changed, sorted(found, key=lambda planted: (order[planted.table], planted.row))
