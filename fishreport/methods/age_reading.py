"""How well readers, or readings, of the same hard parts agree."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
import pandas as pd
from scipy import stats

from fishreport.exceptions import InputError
from fishreport.methods.estimate import Estimate
from fishreport.methods.growth_curves import Floats


@dataclass(frozen=True)
class SymmetryTest:
    """Test that two readers differ only at random: that reading (i, j) is as common as (j, i).

    Attributes
    ----------
    form : str
        ``full``, ``by difference`` or ``pooled``.
    chi_square : float
    df : int
    p_value : float
    table : DataFrame
        One row a pair of cells compared: what it compares, the two counts, and their share of chi-square.
    notes : tuple[str, ...]
    """

    form: str
    chi_square: float
    df: int
    p_value: float
    table: pd.DataFrame = field(repr=False)
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class ReaderAgreement:
    """Agreement of two or more readers over the same fish.

    Attributes
    ----------
    percent_agreement, percent_within_one : Estimate
        Fish on which all readers agree exactly, or within one year (percent).
    average_percent_error, coefficient_of_variation : Estimate
        Means over fish (percent).
    bias : DataFrame
        For every age of the first reader: ``age``, ``n``, and of the second reader ``mean``, ``sd``, ``se``, ``lower``,
        ``upper`` and the ``p_value`` of a t test of no difference, adjusted over ages by Holm's method.
    symmetry : tuple[SymmetryTest, ...]
        Full, by difference, and pooled, for the first two readers.
    n : int
    readers : int
    notes : tuple[str, ...]
    """

    percent_agreement: Estimate
    percent_within_one: Estimate
    average_percent_error: Estimate
    coefficient_of_variation: Estimate
    bias: pd.DataFrame = field(repr=False)
    symmetry: tuple[SymmetryTest, ...] = field(repr=False)
    n: int
    readers: int
    notes: tuple[str, ...]


def _whole_ages(columns: tuple[Any, ...]) -> tuple[np.ndarray, int]:
    """Readings as (fish, readers), without the fish that lack one, and how many those are."""
    arrays = [np.atleast_1d(np.asarray(column, float)) for column in columns]
    if len({array.shape for array in arrays}) > 1 or arrays[0].ndim != 1:
        raise InputError(f"readings must be columns of equal length, got shapes {[array.shape for array in arrays]}")
    readings = np.column_stack(arrays)
    kept = ~np.isnan(readings).any(axis=1)
    readings = readings[kept]
    bad = (readings < 0) | (readings != np.floor(readings))
    if np.any(bad):
        raise InputError(f"ages read must be whole years of 0 or more, got {readings[bad][0]:g}")
    return readings.astype(int), int(np.sum(~kept))


def _percent(hits: int, n: int, level: float, what: str) -> Estimate:
    """A percentage with its exact binomial interval (Clopper and Pearson 1934)."""
    share, tail = hits / n, (1 - level) / 2
    lower = float(stats.beta.ppf(tail, hits, n - hits + 1)) if hits else 0.0
    upper = float(stats.beta.ppf(1 - tail, hits + 1, n - hits)) if hits < n else 1.0
    se = math.sqrt(share * (1 - share) / n)
    return Estimate(100 * share, 100 * se, 100 * lower, 100 * upper, level, "percent", f"{what}; exact binomial interval", n)


def _mean_percent(values: Floats, level: float, what: str) -> Estimate:
    n = values.size
    value, method = float(values.mean()), f"{what}; t interval over fish, held at 0 from below"
    if n < 2:
        note = ("no interval from a single fish",)
        return Estimate(value, math.nan, math.nan, math.nan, level, "percent", method, n, note)
    se = float(values.std(ddof=1) / math.sqrt(n))
    reach = float(stats.t.ppf((1 + level) / 2, n - 1)) * se
    return Estimate(value, se, max(value - reach, 0.0), value + reach, level, "percent", method, n)


def symmetry_test(first: Any, second: Any, *, form: Literal["full", "by difference", "pooled"] = "full") -> SymmetryTest:
    """Chi-square test of symmetry between two readers.

    Parameters
    ----------
    first, second : arrays (fish,)
        Whole ages; fish that lack either are left out and counted in a note.
    form : {"full", "by difference", "pooled"}
        Every pair of cells (i, j) and (j, i) by itself (Bowker 1948, J. Am. Stat. Assoc. 43:572-574); cells pooled by the
        size of the difference; all cells above against all below the diagonal (Evans and Hoenig 1998, Biometrics 54:620-629;
        McNemar 1947). All from memory.

    Returns
    -------
    SymmetryTest
        ``sum (n_ij - n_ji)^2 / (n_ij + n_ji)`` over the pairs that are not both 0, which count as degrees of freedom. With no
        disagreement at all chi-square is 0, df 0 and p 1.

    Raises
    ------
    InputError
        For columns of different length, ages that are not whole, or an unknown form.
    """
    if form not in ("full", "by difference", "pooled"):
        raise InputError(f"form must be full, by difference or pooled, got {form!r}")
    readings, dropped = _whole_ages((first, second))
    low, high = readings.min(axis=1), readings.max(axis=1)
    apart = high > low
    above = (readings[:, 1] > readings[:, 0])[apart].astype(int)
    low, high = low[apart], high[apart]
    names: Any
    if form == "full":
        pairs = list(zip(low.tolist(), high.tolist(), strict=True))
        names = sorted(set(pairs))
        place = np.array([names.index(pair) for pair in pairs], int)
        labels = [f"{i} and {j}" for i, j in names]
    elif form == "by difference":
        names, place = np.unique(high - low, return_inverse=True)
        labels = [f"{d} year{'s' if d > 1 else ''} apart" for d in names]
    else:
        labels, place = (["all"] if apart.any() else []), np.zeros(low.size, int)
    older = np.bincount(place, above, len(labels))
    total = np.bincount(place, minlength=len(labels)).astype(float)
    part = (2 * older - total) ** 2 / np.maximum(total, 1)
    table = pd.DataFrame(
        {"pair": labels, "second_older": older.astype(int), "first_older": (total - older).astype(int), "chi_square": part}
    )
    notes = [f"{dropped} fish without both readings left out"] if dropped else []
    if len(labels) and total.mean() < 5:
        notes.append(f"on average {total.mean():.1f} fish a pair: chi-square is rough; the pooled form is safer")
    chi_square, df = float(part.sum()), len(labels)
    p_value = float(stats.chi2.sf(chi_square, df)) if df else 1.0
    return SymmetryTest(form, chi_square, df, p_value, table, tuple(notes))


def _bias_table(first: np.ndarray, second: np.ndarray, level: float) -> pd.DataFrame:
    rows = []
    for age in np.unique(first):
        other = second[first == age]
        n, mean = other.size, float(other.mean())
        sd = float(other.std(ddof=1)) if n > 1 else math.nan
        se = sd / math.sqrt(n)
        reach = float(stats.t.ppf((1 + level) / 2, n - 1)) * se if n > 1 else math.nan
        if n > 1 and sd > 0:
            p_value = float(2 * stats.t.sf(abs(mean - age) / se, n - 1))
        else:
            p_value = math.nan
        rows.append((int(age), n, mean, sd, se, mean - reach, mean + reach, p_value))
    table = pd.DataFrame(rows, columns=["age", "n", "mean", "sd", "se", "lower", "upper", "p_value"])
    tested = table["p_value"].notna().to_numpy()
    raw = table["p_value"].to_numpy()[tested]
    order = np.argsort(raw)
    stepped = np.maximum.accumulate(raw[order] * np.arange(raw.size, 0, -1))
    adjusted = np.empty(raw.size)
    adjusted[order] = np.minimum(stepped, 1.0)
    table.loc[tested, "p_value"] = adjusted
    return table


def reader_agreement(*readings: Any, level: float = 0.95) -> ReaderAgreement:
    """Agreement between two or more readings of the same fish.

    Parameters
    ----------
    *readings : arrays (fish,)
        One column of whole ages a reader, at least two; fish that lack a reading are left out and counted in a note.
    level : float

    Returns
    -------
    ReaderAgreement
        Average percent error: mean over fish of ``100 / R sum |x_ij - mean_j| / mean_j`` (Beamish and Fournier 1981, Can. J.
        Fish. Aquat. Sci. 38:982-983). Coefficient of variation: mean over fish of ``100 sd_j / mean_j`` with R - 1 (Chang
        1982, same journal 39:1208-1210). Both from memory. A fish that all readers call 0 counts as agreement. Not
        estimable without a fish that all readers read.

    Raises
    ------
    InputError
        For fewer than two readers, columns of different length, or ages that are not whole.
    """
    if len(readings) < 2:
        raise InputError(f"reader_agreement needs two or more columns of readings, got {len(readings)}")
    ages, dropped = _whole_ages(readings)
    notes = [f"{dropped} fish without all readings left out"] if dropped else []
    names = ("percent agreement", "percent within one year", "average percent error", "coefficient of variation")
    n, readers = ages.shape
    if n == 0:
        empty = [Estimate.not_estimable("no fish was read by all readers", units="percent", method=w, level=level) for w in names]
        return ReaderAgreement(
            empty[0], empty[1], empty[2], empty[3], _bias_table(ages[:, 0], ages[:, 1], level), (), 0, readers, tuple(notes)
        )
    mean = ages.mean(axis=1)
    safe = np.where(mean > 0, mean, 1.0)
    spread = np.ptp(ages, axis=1)
    error = 100 * np.abs(ages - mean[:, None]).mean(axis=1) / safe
    variation = 100 * ages.std(axis=1, ddof=1) / safe
    if readers > 2:
        notes.append("bias and symmetry compare the first two readers")
    return ReaderAgreement(
        percent_agreement=_percent(int(np.sum(spread == 0)), n, level, names[0]),
        percent_within_one=_percent(int(np.sum(spread <= 1)), n, level, names[1]),
        average_percent_error=_mean_percent(error, level, names[2]),
        coefficient_of_variation=_mean_percent(variation, level, names[3]),
        bias=_bias_table(ages[:, 0], ages[:, 1], level),
        symmetry=tuple(symmetry_test(ages[:, 0], ages[:, 1], form=form) for form in ("full", "by difference", "pooled")),
        n=n,
        readers=readers,
        notes=tuple(notes),
    )
