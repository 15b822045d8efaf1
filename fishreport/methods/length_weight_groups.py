"""Analysis of covariance of length-weight lines between groups."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy import special

from fishreport.methods.estimate import Estimate
from fishreport.methods.inputs import FloatArray, IntArray
from fishreport.methods.regression import FTest, LeastSquares, f_test, least_squares, wald_test

MINIMUM_FISH = 5
_MEAN = "geometric mean weight at the common length, parallel log10 lines"


@dataclass(frozen=True)
class LengthWeightComparison:
    """Length-weight lines of groups compared.

    Attributes
    ----------
    slopes : FTest
        Test that all groups have the same slope.
    intercepts : FTest
        Test that parallel lines coincide.
    common_slope : Estimate
        Slope of the parallel lines.
    slope_by_group : mapping
        Group → Estimate of its own slope, residual variance pooled.
    adjusted_means : mapping
        Group → Estimate of the weight (g) of a fish of `at_length_mm`: the median, from the parallel lines.
    at_length_mm : float
        10 to the mean of log10 length of all fish used.
    n : mapping
        Group → fish used.
    notes : tuple[str, ...]
    """

    slopes: FTest
    intercepts: FTest
    common_slope: Estimate
    slope_by_group: Mapping[Any, Estimate]
    adjusted_means: Mapping[Any, Estimate]
    at_length_mm: float
    n: Mapping[Any, int]
    notes: tuple[str, ...] = ()

    @property
    def estimable(self) -> bool:
        """True when at least two groups could be compared."""
        return math.isfinite(self.at_length_mm)


def _usable(x: FloatArray, group: IntArray, groups: list[Any], run: IntArray | None) -> tuple[list[int], tuple[str, ...]]:
    kept, notes = [], []
    for index, name in enumerate(groups):
        rows = group == index
        n = int(rows.sum())
        if n < MINIMUM_FISH:
            notes.append(f"group {name} left out: {n} weighed fish, {MINIMUM_FISH} needed")
        elif float(np.ptp(x[rows])) < 1e-6:
            notes.append(f"group {name} left out: all its fish have the same length")
        elif run is not None and len(np.unique(run[rows])) < 2:
            notes.append(f"group {name} left out: its fish come from one run, 2 needed")
        else:
            kept.append(index)
    return kept, tuple(notes)


def _with_run_df(fit: LeastSquares, groups: int) -> LeastSquares:
    return fit if fit.clusters == 0 else replace(fit, t_df=fit.clusters - groups)


def compare_groups(
    x: FloatArray,
    y: FloatArray,
    group: IntArray,
    groups: list[Any],
    run: IntArray | None,
    *,
    level: float,
    notes: tuple[str, ...],
) -> LengthWeightComparison:
    """Compare lines of log10 weight `y` on log10 length `x` between groups; see `length_weight.compare_length_weight`."""
    kept, left_out = _usable(x, group, groups, run)
    notes += left_out
    k = len(kept)
    nan = math.nan
    if k < 2:
        nothing = FTest(nan, nan, nan, nan)
        reason = f"{k} group{'' if k == 1 else 's'} with enough weighed fish, 2 needed"
        slope = Estimate.not_estimable(reason, method="common slope of parallel log10 lines", level=level)
        return LengthWeightComparison(nothing, nothing, slope, {}, {}, nan, {}, (f"not estimable: {reason}", *notes))
    rows = np.isin(group, kept)
    x, y = x[rows], y[rows]
    member = (group[rows][:, None] == np.array(kept)[None, :]).astype(float)
    code = None if run is None else np.unique(run[rows], return_inverse=True)[1].astype(np.intp)
    n, centre = len(x), float(x.mean())
    slope_column = (x - centre)[:, None]
    base = np.column_stack([np.ones(n), slope_column])
    parallel = _with_run_df(least_squares(np.column_stack([member, slope_column]), y, code), k)
    own = _with_run_df(least_squares(np.column_stack([member, member * slope_column]), y, code), k)
    if code is None:
        single = least_squares(base, y)
        scale = own.sse / own.df
        slopes = f_test((parallel.sse - own.sse) / (k - 1) / scale if scale > 0 else nan, k - 1, own.df)
        scale = parallel.sse / parallel.df
        intercepts = f_test((single.sse - parallel.sse) / (k - 1) / scale if scale > 0 else nan, k - 1, parallel.df)
    else:
        differing = np.column_stack([member, slope_column, member[:, 1:] * slope_column])
        slopes = wald_test(_with_run_df(least_squares(differing, y, code), k), slice(k + 1, 2 * k))
        shifted = np.column_stack([base, member[:, 1:]])
        intercepts = wald_test(_with_run_df(least_squares(shifted, y, code), k), slice(2, k + 1))
    names = [groups[index] for index in kept]
    size = {name: int(member[:, i].sum()) for i, name in enumerate(names)}

    def estimate(fit: LeastSquares, index: int, units: str, method: str, count: int) -> Estimate:
        value, se = float(fit.coefficients[index]), math.sqrt(float(fit.covariance[index, index]))
        half = float(special.stdtrit(fit.t_df, 0.5 + level / 2)) * se if fit.t_df > 0 else nan
        return Estimate(value, se, value - half, value + half, level, units, method, count)

    how = "t limits" if code is None else "standard error by leaving out one run at a time, t on runs − groups"
    adjusted = {}
    for i, name in enumerate(names):
        log = estimate(parallel, i, "log10 g", "", size[name])
        value = 10.0**log.value
        adjusted[name] = Estimate(
            value, value * math.log(10) * log.se, 10.0**log.lower, 10.0**log.upper, level, "g", f"{_MEAN}, {how}", size[name]
        )
    per = "log10 g per log10 mm"
    if slopes.p_value < 0.05:
        notes += (
            "slopes differ: the difference between groups depends on length, and one test of intercepts cannot describe it",
        )
    return LengthWeightComparison(
        slopes=slopes,
        intercepts=intercepts,
        common_slope=estimate(parallel, k, per, f"common slope of parallel log10 lines, {how}", n),
        slope_by_group={
            name: estimate(own, k + i, per, f"own slope, pooled residual variance, {how}", size[name])
            for i, name in enumerate(names)
        },
        adjusted_means=adjusted,
        at_length_mm=10.0**centre,
        n=size,
        notes=notes,
    )
