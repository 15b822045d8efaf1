"""The terms of a catch model: which columns are factors and which are numbers, and their design matrix."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from pandas.api import types

from fishreport.exceptions import InputError
from fishreport.methods.inputs import FloatArray, numbers

CALENDAR = ("season", "year")
_CALL = re.compile(r"^(?:(C|factor|linear)\()?\s*([A-Za-z_]\w*)\s*(\))?$")


@dataclass(frozen=True, slots=True)
class Term:
    """One term of the model.

    Attributes
    ----------
    column : str
        Column of the frame.
    levels : tuple | None
        Levels of a factor in order, the first that is not in `empty` being the baseline; None for a number.
    empty : tuple
        Levels without any catch: their rate is estimated as 0 and they take no part in the fit.
    centre, scale : float
        A number enters as (x − centre)/scale.
    """

    column: str
    levels: tuple[Any, ...] | None
    empty: tuple[Any, ...] = ()
    centre: float = 0.0
    scale: float = 1.0

    @property
    def contrasts(self) -> tuple[Any, ...]:
        """Levels with a coefficient of their own."""
        return () if self.levels is None else tuple(level for level in self.levels if level not in self.empty)[1:]

    @property
    def names(self) -> list[str]:
        """Names of the coefficients."""
        return [self.column] if self.levels is None else [f"{self.column}[{level}]" for level in self.contrasts]


def column_names(name: str, given: str | Sequence[str]) -> list[str]:
    """One name, or several, as a list; InputError for something else than text."""
    found = [given] if isinstance(given, str) else list(given) if isinstance(given, Iterable) else [given]
    if not all(isinstance(one, str) for one in found):
        raise InputError(f"{name} must be the name of a column, or a list of names; got {given!r}")
    return found


def check_columns(frame: pd.DataFrame, names: Sequence[str]) -> None:
    """InputError unless `frame` is a table that has the columns `names`."""
    if not isinstance(frame, pd.DataFrame):
        raise InputError(f"frame must be a table with one row a run; got {type(frame).__name__}")
    missing = [name for name in names if name not in frame.columns]
    if missing:
        raise InputError(f"frame must have the columns {', '.join(names)}; {', '.join(missing)} not found")


def parse_terms(terms: str | Sequence[str]) -> list[tuple[str, str]]:
    """Column and kind (``factor``, ``linear``, ``auto``) of each term of ``"season + C(site)"`` or ``["season", "C(site)"]``."""
    parts = terms.removeprefix("~").split("+") if isinstance(terms, str) else column_names("terms", terms)
    found: list[tuple[str, str]] = []
    for part in parts:
        text = part.strip()
        if text in ("", "1"):
            continue
        match = _CALL.match(text)
        if match is None or bool(match.group(1)) != bool(match.group(3)):
            raise InputError(f"a term must be a column, C(column) for a factor or linear(column) for a number; got {text!r}")
        kind = {"C": "factor", "factor": "factor", "linear": "linear", None: "auto"}[match.group(1)]
        if match.group(2) in (column for column, _ in found):
            raise InputError(f"each column may stand in terms once; got {match.group(2)!r} twice")
        found.append((match.group(2), kind))
    return found


def make_terms(frame: pd.DataFrame, parsed: list[tuple[str, str]]) -> list[Term]:
    """Terms with their levels (sorted, or in the order of a categorical) and scaling, from the rows of `frame`.

    Text, true/false, categorical and calendar columns (``season``, ``year``) are factors unless ``linear(...)`` says otherwise.
    """
    made = []
    for column, kind in parsed:
        values = frame[column]
        categorical = isinstance(values.dtype, pd.CategoricalDtype)
        numeric = types.is_numeric_dtype(values.dtype) and not types.is_bool_dtype(values.dtype)
        if kind == "factor" or (kind == "auto" and (not numeric or categorical or column in CALENDAR)):
            present = values.dropna().unique()
            levels = [level for level in values.cat.categories if level in set(present)] if categorical else sorted(present)
            made.append(Term(column, tuple(level.item() if isinstance(level, np.generic) else level for level in levels)))
            continue
        if not numeric:
            raise InputError(f"linear({column}) needs a column of numbers; got dtype {values.dtype}")
        held = numbers(column, values)
        spread = float(held.std()) if len(held) else 0.0
        made.append(Term(column, None, centre=float(held.mean()) if len(held) else 0.0, scale=spread or 1.0))
    return made


def without_empty_levels(frame: pd.DataFrame, terms: list[Term], catch: FloatArray) -> tuple[list[Term], npt.NDArray[np.bool_]]:
    """Terms that know their levels without catch, and the rows that are left for the fit."""
    fitted = np.ones(len(frame), dtype=bool)
    marked = list(terms)
    changed = True
    while changed:
        changed = False
        for index, term in enumerate(marked):
            if term.levels is None:
                continue
            values = frame[term.column].to_numpy()
            for level in term.levels:
                rows = fitted & (values == level)
                if level not in term.empty and catch[rows].sum() == 0:
                    term = replace(term, empty=(*term.empty, level))
                    marked[index] = term
                    fitted &= values != level
                    changed = True
    return marked, fitted


def design_matrix(frame: pd.DataFrame, terms: Sequence[Term]) -> tuple[FloatArray, npt.NDArray[np.bool_]]:
    """Design matrix (intercept first, numbers scaled), and the rows that lie in a level without catch.

    Raises
    ------
    InputError
        For a level that the model has never seen.
    """
    n = len(frame)
    columns = [np.ones(n)]
    empty = np.zeros(n, dtype=bool)
    for term in terms:
        values = frame[term.column]
        if term.levels is None:
            columns.append((numbers(term.column, values) - term.centre) / term.scale)
            continue
        held = values.to_numpy()
        unknown = ~np.isin(held.astype(object), np.array(term.levels, dtype=object))
        if unknown.any():
            raise InputError(f"{term.column} must be one of the levels of the model; got {held[unknown][0]!r}")
        for level in term.empty:
            empty |= held == level
        columns += [(held == level).astype(float) for level in term.contrasts]
    return np.column_stack(columns), empty


def independent_columns(x: FloatArray) -> npt.NDArray[np.bool_]:
    """Which columns of `x` are not linear combinations of those before them."""
    basis: list[FloatArray] = []
    keep = np.zeros(x.shape[1], dtype=bool)
    for j in range(x.shape[1]):
        column = x[:, j].astype(float)
        length = float(np.linalg.norm(column))
        for _ in range(2):
            for vector in basis:
                column = column - (vector @ column) * vector
        rest = float(np.linalg.norm(column))
        if length > 0 and rest > 1e-8 * length:
            keep[j] = True
            basis.append(column / rest)
    return keep
