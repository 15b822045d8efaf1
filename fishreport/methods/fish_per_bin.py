"""How many fish to weigh and to age in each length bin."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy import stats

from fishreport.exceptions import InputError
from fishreport.methods.estimate import Estimate
from fishreport.methods.inputs import FloatArray, check_level, numbers, same_size
from fishreport.methods.precision import units_needed

FEWEST_FISH = 10
NO_INTERVAL = (
    "no interval: bins hold too few aged fish to tell how sure the spread of their ages is, and a bootstrap of runs, in which "
    "fewer ages are met, would be too low"
)
_OWN_SPREAD_FROM = 10


@dataclass(frozen=True, slots=True)
class BinPlan:
    """Fish to take in each length bin.

    Attributes
    ----------
    frame : DataFrame
        One row a bin: ``lower_mm``, ``upper_mm``, ``share`` (of the catch, 0 to 1), ``seen`` (fish that the spread rests on),
        ``spread`` and ``needed`` (fish).
    total : Estimate
        Fish in all bins, without an interval: `NO_INTERVAL` says why.
    rule : str
        What `needed` reaches, in words.
    """

    frame: pd.DataFrame
    total: Estimate
    rule: str


def _bins(length: FloatArray, bin_mm: float) -> tuple[np.ndarray, FloatArray]:
    if not 0 < bin_mm < math.inf:
        raise InputError(f"bin_mm must be above 0, got {bin_mm:g}")
    lowest = math.floor(float(length.min()) / bin_mm)
    index = np.floor(length / bin_mm).astype(int) - lowest
    return index, (lowest + np.arange(index.max() + 1)) * bin_mm


def weights_per_bin(
    length_mm: ArrayLike, weight_g: ArrayLike, *, bin_mm: float = 50.0, relative_error: float = 0.05, level: float = 0.95
) -> BinPlan:
    """Fish to weigh in each length bin, for a mean condition of the bin within a share of itself.

    Parameters
    ----------
    length_mm, weight_g : arrays (n,)
        Weighed fish of earlier seasons; NaN pairs are left out.
    bin_mm : float
        Width of the bins.
    relative_error : float
        Wanted half-width of the interval of mean weight at length in a bin, as a share, 0 to 1.

    Returns
    -------
    BinPlan
        `spread` is the standard deviation of ln weight about the log-log line: of the fish of the bin where there are ten or
        more, else of all. `needed` is `precision.units_needed` for that spread and ln(1 + relative_error). Fish of one run
        are taken as no more alike than others. Not estimable, with an empty frame, with fewer than ten fish.

    Raises
    ------
    InputError
        Lengths or weights not above zero, columns of different length, relative_error outside (0, 1).
    """
    check_level(level)
    if not 0 < relative_error < 1:
        raise InputError(f"relative_error must lie between 0 and 1, got {relative_error:g}")
    x, w = numbers("length_mm", length_mm, above=0), numbers("weight_g", weight_g, above=0)
    same_size(length_mm=x, weight_g=w)
    keep = ~(np.isnan(x) | np.isnan(w))
    x, w = x[keep], w[keep]
    method = "fish to weigh per length bin, from the scatter about the length-weight line"
    rule = f"mean weight at length of each bin within {100 * relative_error:g}%, at level {level:g}"
    columns = ["lower_mm", "upper_mm", "share", "seen", "spread", "needed"]
    if x.size < FEWEST_FISH or np.unique(x).size < 3:
        reason = f"{x.size} weighed fish, {FEWEST_FISH} of different lengths needed"
        lost = Estimate.not_estimable(reason, units="fish", method=method, n=x.size, level=level)
        return BinPlan(pd.DataFrame(columns=columns), lost, rule)
    design = np.column_stack([np.ones(x.size), np.log(x)])
    residual = np.log(w) - design @ np.linalg.lstsq(design, np.log(w), rcond=None)[0]
    overall = float(np.sqrt((residual**2).sum() / (x.size - 2)))
    index, edges = _bins(x, bin_mm)
    rows = []
    for k, edge in enumerate(edges):
        inside = residual[index == k]
        spread = float(inside.std(ddof=1)) if inside.size >= _OWN_SPREAD_FROM else overall
        needed = units_needed(spread, math.log1p(relative_error), level=level)
        rows.append((edge, edge + bin_mm, inside.size / x.size, inside.size, spread, needed))
    frame = pd.DataFrame(rows, columns=columns)
    nan = math.nan
    total = Estimate(float(frame["needed"].sum()), nan, nan, nan, level, "fish", method, x.size)
    return BinPlan(frame, total, rule)


def ages_per_bin(
    length_mm: ArrayLike,
    age: ArrayLike,
    catch_length_mm: ArrayLike,
    *,
    bin_mm: float = 20.0,
    half_width: float = 5.0,
    level: float = 0.95,
    most: int = 100_000,
) -> BinPlan:
    """Fish to age in each length bin, for shares of ages in the catch within some points.

    Parameters
    ----------
    length_mm, age : arrays (n,)
        Aged fish of earlier seasons; NaN pairs are left out.
    catch_length_mm : array (m,)
        Lengths of the whole catch; they weight the bins.
    bin_mm : float
        Width of the bins.
    half_width : float
        Wanted half-width, in percentage points, of the interval of the least certain age share.
    most : int
        Largest total tried.

    Returns
    -------
    BinPlan
        `spread` is √(1 − Σ_a p_ja²), p_ja the share of age a among aged fish of bin j (one fish of each age seen in the bins
        beside it is added, so that no bin looks certain from a few fish). Fish are shared out in proportion to share × spread
        (Neyman), at least two in a bin with spread. The total is the smallest for which z √(Σ_j w_j² p_ja (1 − p_ja)/n_j),
        the variance of an age share with lengths known (first term of Kimura 1977, J. Fish. Res. Board Can. 34:317-324, from
        memory), is at most `half_width` for every age. Not estimable with fewer than ten aged fish, or without a measured
        catch.

    Raises
    ------
    InputError
        Lengths not above zero, negative ages, columns of different length, half_width not above 0.
    """
    check_level(level)
    if not 0 < half_width < 100:
        raise InputError(f"half_width must lie between 0 and 100 percentage points, got {half_width:g}")
    x, a = numbers("length_mm", length_mm, above=0), numbers("age", age, at_least=0)
    same_size(length_mm=x, age=a)
    caught = numbers("catch_length_mm", catch_length_mm, above=0)
    caught = caught[~np.isnan(caught)]
    keep = ~(np.isnan(x) | np.isnan(a))
    x, a = x[keep], a[keep]
    method = "fish to age per length bin, shared out by share and spread of ages"
    rule = f"every age share of the catch within {half_width:g} percentage points, at level {level:g}"
    columns = ["lower_mm", "upper_mm", "share", "seen", "spread", "needed"]
    reason = "" if caught.size else "no fish was measured"
    if x.size < FEWEST_FISH:
        reason = f"{x.size} aged fish, {FEWEST_FISH} needed"
    if reason:
        lost = Estimate.not_estimable(reason, units="fish", method=method, n=x.size, level=level)
        return BinPlan(pd.DataFrame(columns=columns), lost, rule)
    index, edges = _bins(np.concatenate([caught, x]), bin_mm)
    weight = np.bincount(index[: caught.size], minlength=edges.size) / caught.size
    ages, code = np.unique(a, return_inverse=True)
    counts = np.zeros((edges.size, ages.size))
    np.add.at(counts, (index[caught.size :], code), 1)
    seen = counts.sum(axis=1).astype(int)
    beside = counts.copy()
    beside[1:] += counts[:-1]
    beside[:-1] += counts[1:]
    prior = (beside > 0).astype(float)
    prior[prior.sum(axis=1) == 0] = (counts.sum(axis=0) > 0).astype(float)
    shares = counts + prior
    shares /= shares.sum(axis=1, keepdims=True)
    spread = np.sqrt(np.maximum(1 - (shares**2).sum(axis=1), 0))
    z = float(stats.norm.ppf((1 + level) / 2))
    pull = weight * spread
    variance = shares * (1 - shares)

    def shared_out(total: int) -> FloatArray:
        given = np.ceil(total * pull / pull.sum()) if pull.sum() > 0 else np.zeros(edges.size)
        return np.where(pull > 0, np.maximum(given, 2), 0.0)

    def reach(given: FloatArray) -> float:
        each = np.divide(weight[:, None] ** 2 * variance, given[:, None], out=np.zeros_like(variance), where=given[:, None] > 0)
        return 100 * z * float(np.sqrt(each.sum(axis=0)).max())

    low, high = 1, most
    while low < high:
        middle = (low + high) // 2
        low, high = (low, middle) if reach(shared_out(middle)) <= half_width else (middle + 1, high)
    needed = shared_out(low)
    frame = pd.DataFrame(
        {
            "lower_mm": edges,
            "upper_mm": edges + bin_mm,
            "share": weight,
            "seen": seen,
            "spread": spread,
            "needed": needed.astype(int),
        }
    )
    notes = (
        (NO_INTERVAL, f"the wanted precision is not reached with {most:,} fish") if reach(needed) > half_width else (NO_INTERVAL,)
    )
    nan = math.nan
    total = Estimate(float(needed.sum()), nan, nan, nan, level, "fish", method, x.size, notes)
    return BinPlan(frame[frame["share"] > 0].reset_index(drop=True), total, rule)
