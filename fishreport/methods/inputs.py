"""What an estimator is given: numbers, labels and a confidence level, checked and with missing values counted."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from fishreport.exceptions import InputError

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]


def check_level(level: float) -> float:
    """The confidence level, if it lies strictly between 0 and 1."""
    if not isinstance(level, int | float | np.floating) or not 0 < float(level) < 1:
        raise InputError(f"level must be a number between 0 and 1, such as 0.95; got {level!r}")
    return float(level)


def numbers(name: str, values: Any, *, at_least: float | None = None, above: float | None = None) -> FloatArray:
    """`values` as a one-dimensional float array; missing values are NaN.

    Raises
    ------
    InputError
        If a value is no number, is infinite, is below `at_least`, or is not above `above`.
    """
    try:
        array = np.asarray(
            pd.Series(values).to_numpy(dtype=float, na_value=np.nan) if _is_pandas(values) else values, dtype=float
        )
    except (TypeError, ValueError):
        raise InputError(f"{name} must hold numbers only; got {_sample(values)}") from None
    array = np.atleast_1d(array)
    if array.ndim != 1:
        raise InputError(f"{name} must be one column of numbers; got an array of shape {array.shape}")
    if np.isinf(array).any():
        raise InputError(f"{name} must hold finite numbers; got {array[np.isinf(array)][0]}")
    if at_least is not None and (array < at_least).any():
        raise InputError(f"{name} must be {at_least:g} or more; got {array[array < at_least][0]:g}")
    if above is not None and (array <= above).any():
        raise InputError(f"{name} must be above {above:g}; got {array[array <= above][0]:g}")
    return array


def same_size(**columns: npt.NDArray[Any]) -> int:
    """The common length of the named columns; InputError when they differ."""
    sizes = {name: len(column) for name, column in columns.items()}
    if len(set(sizes.values())) > 1:
        listed = ", ".join(f"{name} {size}" for name, size in sizes.items())
        raise InputError(f"the columns must have the same number of rows; got {listed}")
    return next(iter(sizes.values()))


def codes(name: str, labels: Any, size: int) -> tuple[IntArray, list[Any]]:
    """Labels as codes 0, 1, … of sorted levels (−1 where missing), and the levels."""
    # a list of a large array of numbers takes ten times as long as the array itself; other arrays may hold mixed labels
    plain = isinstance(labels, pd.Series | pd.Index) or (isinstance(labels, np.ndarray) and labels.dtype.kind in "biuf")
    series = pd.Series(labels if plain else list(labels))
    if len(series) != size:
        raise InputError(f"{name} must have one label a row; got {len(series)} labels for {size} rows")
    try:
        found, levels = pd.factorize(series, sort=True)
    except TypeError:
        raise InputError(f"{name} must hold text, numbers or dates; got {_sample(labels)}") from None
    return found.astype(np.intp), [level.item() if isinstance(level, np.generic) else level for level in levels]


def dropped(count: int, what: str) -> tuple[str, ...]:
    """The note about rows left out because something was missing; empty when there were none."""
    return (f"{count} {what} left out",) if count else ()


def positive_weights(name: str, weight: Mapping[Any, float]) -> dict[Any, float]:
    """Weights that are finite, not negative and not all zero, scaled to sum to 1."""
    clean = {key: float(value) for key, value in weight.items()}
    if not clean or any(not math.isfinite(value) or value < 0 for value in clean.values()) or sum(clean.values()) <= 0:
        raise InputError(f"{name} must map each stratum to a number of 0 or more, not all 0; got {dict(weight)}")
    total = sum(clean.values())
    return {key: value / total for key, value in clean.items()}


def _is_pandas(values: Any) -> bool:
    return isinstance(values, pd.Series | pd.Index)


def _sample(values: Any) -> str:
    text = repr(values)
    return text if len(text) <= 60 else f"{text[:57]}..."
