"""What an estimator is given: numbers, labels and a confidence level, checked and with missing values counted."""

from __future__ import annotations

import datetime
import math
from collections.abc import Iterable, Mapping
from numbers import Real
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from fishreport.exceptions import InputError

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]

MOST, LEAST = 1e15, 1e-15
"""Size of the largest number that is taken, and of the smallest where numbers must be above 0; fish are counted whole to 2^53."""


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
        As `measurements`, and for a table.
    """
    array = np.atleast_1d(measurements(name, values, at_least=at_least, above=above))
    if array.ndim != 1:
        raise InputError(f"{name} must be one column of numbers; got an array of shape {array.shape}")
    return array


def measurements(name: str, values: Any, *, at_least: float | None = None, above: float | None = None) -> FloatArray:
    """`values` as a float array of their own shape, such as none for a single number; missing values are NaN.

    Raises
    ------
    InputError
        If a value is no number, is a date or a duration, is infinite, is larger than 1e15 in size, is below `at_least`, or is not
        above `above`; where it must be above 0, also if it is below 1e-15.
    """
    array = _floats(name, values)
    if np.isinf(array).any():
        raise InputError(f"{name} must hold finite numbers; got {array[np.isinf(array)][0]}")
    if at_least is not None and (array < at_least).any():
        raise InputError(f"{name} must be {at_least:g} or more; got {array[array < at_least][0]:g}")
    if above is not None and (array <= above).any():
        raise InputError(f"{name} must be above {above:g}; got {array[array <= above][0]:g}")
    if (np.abs(array) > MOST).any():
        raise InputError(f"{name} must be at most {MOST:g} in size; got {array[np.abs(array) > MOST][0]:g}")
    if above == 0 and (array < LEAST).any():
        raise InputError(f"{name} must be {LEAST:g} or more; got {array[array < LEAST][0]:g}")
    return array


def number(
    name: str, value: Any, *, at_least: float | None = None, above: float | None = None, missing: bool = False, units: str = ""
) -> float:
    """`value` as a float, if it is one finite number; NaN where `missing` allows it. Bounds and errors as `measurements`."""
    plain = value.item() if isinstance(value, np.ndarray) and value.ndim == 0 else value
    if not isinstance(plain, Real) or isinstance(plain, bool | np.timedelta64):
        raise InputError(f"{name} must be a finite number{units and f' of {units}'}; got {_sample(value)}")
    try:
        found = float(plain)
    except OverflowError:
        raise InputError(f"{name} must be at most {MOST:g} in size; got far more") from None
    if math.isinf(found) or (math.isnan(found) and not missing):
        raise InputError(f"{name} must be a finite number{units and f' of {units}'}; got {value!r}")
    return float(measurements(name, found, at_least=at_least, above=above))


def same_size(**columns: npt.NDArray[Any]) -> int:
    """The common length of the named columns; InputError when they differ."""
    sizes = {name: len(column) for name, column in columns.items()}
    if len(set(sizes.values())) > 1:
        listed = ", ".join(f"{name} {size}" for name, size in sizes.items())
        raise InputError(f"the columns must have the same number of rows; got {listed}")
    return next(iter(sizes.values()))


def codes(name: str, labels: Any, size: int) -> tuple[IntArray, list[Any]]:
    """Labels as codes 0, 1, … of sorted levels (−1 where missing), and the levels."""
    if isinstance(labels, str) or not isinstance(labels, Iterable):
        raise InputError(f"{name} must have one label a row; got {_sample(labels)}")
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
    if not isinstance(weight, Mapping):
        raise InputError(f"{name} must map each stratum to a number of 0 or more; got {_sample(weight)}")
    clean = {key: number(f"{name} of {key}", value, missing=True) for key, value in weight.items()}
    if not clean or any(not value >= 0 for value in clean.values()) or sum(clean.values()) <= 0:
        raise InputError(f"{name} must map each stratum to a number of 0 or more, not all 0; got {dict(weight)}")
    total = sum(clean.values())
    return {key: value / total for key, value in clean.items()}


def _floats(name: str, values: Any) -> FloatArray:
    if isinstance(values, np.ndarray) and values.dtype == np.float64:
        return values
    try:
        given = values if hasattr(values, "dtype") else np.asarray(values)
        kind = getattr(given.dtype, "kind", "O")
        loose = list(np.asarray(given, dtype=object).flat) if kind == "O" else []
        times = kind in "mM" or any(map(_is_time, loose))
        text = kind in "SUT" or any(isinstance(value, str | bytes) for value in loose)
        if not times and not text and kind != "c" and values is not None:
            if isinstance(given, pd.Series | pd.Index):
                return np.asarray(pd.Series(given).to_numpy(dtype=float, na_value=np.nan))
            return np.asarray(given if isinstance(given, np.ndarray) else values, dtype=float)
    except (TypeError, ValueError, OverflowError):
        times = False
    if times:
        raise InputError(f"{name} must hold numbers, not times or durations; got {_sample(values)}")
    raise InputError(f"{name} must hold numbers only; got {_sample(values)}")


def _is_time(value: Any) -> bool:
    times = (datetime.date, datetime.time, datetime.timedelta, np.datetime64, np.timedelta64, pd.Period)
    return isinstance(value, times) and value is not pd.NaT


def _sample(values: Any) -> str:
    plain = values[:20].tolist() if isinstance(values, pd.Series | pd.Index) else values
    text = " ".join(repr(plain).split())
    return text if len(text) <= 60 else f"{text[:57]}..."
