"""Length distribution: frequency table, mean, quantiles, and the comparison of two seasons."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.special import ndtri

from fishreport.exceptions import InputError
from fishreport.methods.estimate import Estimate
from fishreport.methods.inputs import FloatArray, IntArray, check_level, codes, dropped, numbers
from fishreport.methods.proportion import effective_trials, wilson_interval
from fishreport.methods.resampling import cluster_totals, ratio_of_totals
from fishreport.methods.sample_mean import mean_of_fish

_STEPS = 2000  # lengths at which two distributions are compared, at most


def _measured(length_mm: Any, run: Any) -> tuple[FloatArray, IntArray | None, tuple[str, ...]]:
    length = numbers("length_mm", length_mm, above=0)
    used = np.isfinite(length)
    notes = dropped(int((~used).sum()), "fish without a length")
    if run is None:
        return length[used], None, notes
    code, _ = codes("run", run, len(length))
    notes += dropped(int((used & (code < 0)).sum()), "fish without a run")
    used &= code >= 0
    return length[used], code[used], notes


def mean_length(length_mm: npt.ArrayLike, *, run: npt.ArrayLike | None = None, level: float = 0.95) -> Estimate:
    """Mean total length (mm) of the measured fish; variance and interval as in `sample_mean.mean_of_fish`."""
    check_level(level)
    length, code, notes = _measured(length_mm, run)
    return mean_of_fish(length, code, level=level, units="mm", what="mean total length", notes=notes)


def length_quantile(
    length_mm: npt.ArrayLike, probability: float, *, run: npt.ArrayLike | None = None, level: float = 0.95
) -> Estimate:
    """A quantile of length (0.5: the median).

    Parameters
    ----------
    length_mm : array
        Total length (mm); missing ones are left out, with a note.
    probability : float
        Between 0 and 1.
    run : array, optional
        Run of each fish; runs are then the clusters.
    level : float
        Confidence level.

    Returns
    -------
    Estimate
        Millimetres. The standard error is the width of the interval over twice its normal quantile. Not estimable with fewer
        than 5 fish, or 2 runs when `run` is given. A limit beyond the measured fish is infinite (upper) or 0 (lower).

    Notes
    -----
    Woodruff 1952 (Journal of the American Statistical Association 47:635-646, from memory): Wilson limits of the share of
    fish up to the quantile, on the effective number of fish (Korn and Graubard 1998) when runs are given, read back from
    the empirical distribution.
    """
    check_level(level)
    if not 0 < probability < 1:
        raise InputError(f"probability must lie between 0 and 1; got {probability!r}")
    length, code, notes = _measured(length_mm, run)
    n = len(length)
    method = f"{100 * probability:g} % quantile of length, Woodruff limits{'' if code is None else ', runs as clusters'}"
    runs = 0 if code is None else len(np.unique(code))
    if n < 5 or (code is not None and runs < 2):
        reason = f"{n} fish, 5 needed" if n < 5 else "1 run, 2 needed"
        units_n = n if code is None else runs
        return Estimate.not_estimable(reason, units="mm", method=method, n=units_n, level=level).noting(*notes)
    ordered = np.sort(length)
    value = float(np.quantile(ordered, probability))
    trials = float(n)
    if code is not None:
        below = (length <= value).astype(float)
        clusters = int(code.max()) + 1
        ratio = ratio_of_totals(cluster_totals(code, below, clusters), cluster_totals(code, np.ones(n), clusters))
        trials = effective_trials(ratio.value, ratio.variance, n, runs, level)
    low_p, high_p = (float(limit) for limit in wilson_interval(probability * trials, trials, level=level))
    low = float(ordered[math.floor(low_p * n) - 1]) if low_p * n >= 1 else 0.0
    high = float(ordered[math.ceil(high_p * n) - 1]) if high_p * n <= n - 1 else math.inf
    z = 2 * float(ndtri(0.5 + level / 2))
    return Estimate(value, (high - low) / z, low, high, level, "mm", method, n if code is None else runs, notes)


def length_frequency(
    length_mm: npt.ArrayLike,
    *,
    bin_mm: float = 20.0,
    run: npt.ArrayLike | None = None,
    simultaneous: bool = True,
    level: float = 0.95,
) -> pd.DataFrame:
    """Length-frequency table.

    Parameters
    ----------
    length_mm : array
        Total length (mm); missing ones are left out.
    bin_mm : float
        Width of the classes [k bin, (k + 1) bin), in mm.
    run : array, optional
        Run of each fish; widens the limits by the mean design effect of the classes.
    simultaneous : bool
        Limits that hold for all classes together.
    level : float
        Confidence level.

    Returns
    -------
    DataFrame
        ``lower_mm``, ``upper_mm``, ``count``, ``share``, ``lower``, ``upper`` (shares of 1), a row a class from the shortest to
        the longest fish, empty classes included; no rows without fish. Limits are NaN with `run` and fewer than 2 runs.

    Notes
    -----
    Score limits at 1 − (1 − level)/classes when `simultaneous` (Goodman 1965, Technometrics 7:247-254, from memory). With
    runs the number of fish is divided by the mean design effect over classes, never below 1 (first-order correction of Rao
    and Scott 1981, Journal of the American Statistical Association 76:221-230, from memory).
    """
    check_level(level)
    if not (math.isfinite(bin_mm) and bin_mm > 0):
        raise InputError(f"bin_mm must be above 0; got {bin_mm!r}")
    length, code, _ = _measured(length_mm, run)
    columns = ["lower_mm", "upper_mm", "count", "share", "lower", "upper"]
    n = len(length)
    if n == 0:
        return pd.DataFrame({name: pd.Series(dtype="int64" if name == "count" else "float64") for name in columns})
    place = np.floor(length / bin_mm + 1e-9).astype(np.intp)
    first = int(place.min())
    place -= first
    k = int(place.max()) + 1
    if k > 100_000:
        raise InputError(f"bin_mm must be wide enough for at most 100000 classes; got {bin_mm:g}, which makes {k}")
    count = np.bincount(place, minlength=k)
    share = count / n
    effect = 1.0 if code is None else _mean_design_effect(place, code, share, n)
    each = 1 - (1 - level) / k if simultaneous else level
    low, high = wilson_interval(count / effect, np.full(k, n / effect), level=each)
    edge = (first + np.arange(k + 1)) * bin_mm
    return pd.DataFrame(dict(zip(columns, (edge[:-1], edge[1:], count, share, low, high), strict=True)))


def _mean_design_effect(place: IntArray, code: IntArray, share: FloatArray, n: int) -> float:
    _, compact = np.unique(code, return_inverse=True)
    runs = int(compact.max()) + 1
    if runs < 2:
        return math.nan
    size = np.bincount(compact, minlength=runs).astype(float)
    used = np.flatnonzero((share > 0) & (share < 1))
    if not len(used):
        return 1.0
    square = np.zeros(len(share))
    cell, inverse = np.unique(compact * len(share) + place, return_inverse=True)
    held = np.bincount(inverse).astype(float)
    run_of, bin_of = np.divmod(cell, len(share))
    # Σ(y − p m)² over runs = Σy² − 2p Σ y m + p² Σm², with y zero in most cells
    np.add.at(square, bin_of, held**2 - 2 * share[bin_of] * held * size[run_of])
    square += share**2 * float((size**2).sum())
    variance = runs / (runs - 1) * square[used] / n**2
    effects = variance / (share[used] * (1 - share[used]) / n)
    weight = 1 - share[used]
    return max(float((effects * weight).sum() / weight.sum()), 1.0)


@dataclass(frozen=True, slots=True)
class LengthComparison:
    """How far two length distributions lie apart.

    Attributes
    ----------
    distance : float
        Largest difference between the two cumulative distributions (0 to 1); NaN when it is not estimable.
    at_mm : float
        Length at which it lies (mm).
    p_value : float
        Share of permutations with a distance at least as large, the data counted as one of them.
    runs, fish : tuple[int, int]
        Runs and measured fish of each side.
    method : str
    notes : tuple[str, ...]
    """

    distance: float
    at_mm: float
    p_value: float
    runs: tuple[int, int]
    fish: tuple[int, int]
    method: str
    notes: tuple[str, ...] = ()


def compare_lengths(
    length_mm: npt.ArrayLike,
    group: npt.ArrayLike,
    *,
    run: npt.ArrayLike,
    rng: np.random.Generator,
    resamples: int = 2000,
) -> LengthComparison:
    """Test whether two seasons (or reaches) have the same length distribution.

    Parameters
    ----------
    length_mm : array
        Total length (mm); missing ones are left out.
    group : array
        Exactly two labels; each run belongs to one of them.
    run : array
        Run of each fish.
    rng : numpy.random.Generator
    resamples : int
        Random permutations, at least 99.

    Returns
    -------
    LengthComparison
        Not estimable (NaN) with fewer than 2 runs on a side.

    Notes
    -----
    The Kolmogorov-Smirnov distance with its textbook p value would take the fish of a run as independent and reject far too
    often. Here whole runs change sides at random, the number of runs on each side kept (permutation of clusters; Good 2005,
    Permutation, Parametric and Bootstrap Tests of Hypotheses, from memory). Valid when runs are exchangeable if nothing
    changed. Beyond 2000 distinct lengths the distance is taken at 2000 quantiles.
    """
    if not isinstance(resamples, int | np.integer) or resamples < 99:
        raise InputError(f"resamples must be a whole number of 99 or more; got {resamples!r}")
    length = numbers("length_mm", length_mm, above=0)
    run_code, _ = codes("run", run, len(length))
    side, sides = codes("group", group, len(length))
    used = np.isfinite(length) & (run_code >= 0) & (side >= 0)
    notes = dropped(int((~used).sum()), "fish without a length, run or group")
    if len(sides) != 2:
        raise InputError(f"group must hold exactly two labels; got {len(sides)}")
    length, side = length[used], side[used]
    _, run_code = np.unique(run_code[used], return_inverse=True)
    runs = int(run_code.max()) + 1 if len(length) else 0
    method = f"largest distance between cumulative length distributions, {resamples} permutations of whole runs"
    size = np.bincount(run_code, minlength=runs).astype(float)
    in_second = np.bincount(run_code, weights=side, minlength=runs)
    if ((in_second > 0) & (in_second < size)).any():
        raise InputError("each run must belong to one group; got a run with fish of both")
    second = in_second > 0
    counts = (int((~second).sum()), int(second.sum()))
    fish = (int((side == 0).sum()), int((side == 1).sum()))
    if min(counts) < 2:
        notes += (f"not estimable: {counts[0]} and {counts[1]} runs with measured fish, 2 on each side needed",)
        return LengthComparison(math.nan, math.nan, math.nan, counts, fish, method, notes)
    grid = np.unique(length)
    if len(grid) > _STEPS:
        grid = np.unique(np.quantile(length, np.linspace(0, 1, _STEPS), method="lower"))
    below = np.zeros((runs, len(grid)))
    np.add.at(below, (run_code, np.searchsorted(grid, length)), 1.0)
    below = below.cumsum(axis=1)
    gap = _gap(second[None, :].astype(float), below, size)[0]
    distance = float(gap.max())
    larger = 1
    for start in range(0, resamples, 200):
        block = min(200, resamples - start)
        order = rng.permuted(np.tile(second.astype(float), (block, 1)), axis=1)
        larger += int((_gap(order, below, size).max(axis=1) >= distance - 1e-12).sum())
    return LengthComparison(distance, float(grid[gap.argmax()]), larger / (resamples + 1), counts, fish, method, notes)


def _gap(second: FloatArray, below: FloatArray, size: FloatArray) -> FloatArray:
    total, all_below = float(size.sum()), below.sum(axis=0)
    held = (second @ size)[:, None]
    inside = second @ below
    return np.abs(inside / held - (all_below[None, :] - inside) / (total - held))
