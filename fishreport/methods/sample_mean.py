"""The mean of measured fish, with runs as clusters where they are known."""

from __future__ import annotations

import math

import numpy as np

from fishreport.methods.estimate import Estimate
from fishreport.methods.inputs import FloatArray, IntArray
from fishreport.methods.resampling import cluster_totals, ratio_of_totals, t_limits

_FEW = "too few: the interval would reach below 0"
_ALIKE = 1e-9  # of the half-width: with one fish a run the two intervals are the same but for rounding


def mean_of_fish(
    value: FloatArray, run: IntArray | None, *, level: float, units: str, what: str, notes: tuple[str, ...] = ()
) -> Estimate:
    """Mean of `value` over fish.

    Parameters
    ----------
    value : array
        One number a fish, none missing.
    run : array of codes, optional
        Run of each fish (0, 1, …).
    level, units, what, notes
        Of the Estimate; `what` begins its method.

    Notes
    -----
    Without runs: s/√n and t on n − 1. With runs: the mean is a ratio of run totals with variance
    n/(n − 1) Σ(y − ȳ m)²/(Σm)² and t on (Σm)²/Σm² − 1 degrees of freedom (at least 1), where m is the number of fish of a
    run: runs of unequal size count for fewer. Between few runs that happen to be alike this can be less than independent fish
    would give: the standard error and each limit are then those of independent fish, with a note, so that the interval is
    never narrower than without runs. Not estimable with fewer than 2 fish or 2 runs, or so few that the interval of what is
    above 0 in every fish would not be.
    """
    n = len(value)
    if run is None:
        method = f"{what}; fish taken as independent, t limits"
        if n < 2:
            return Estimate.not_estimable(f"{n} fish, 2 needed", units=units, method=method, n=n, level=level).noting(*notes)
        mean, se = float(value.mean()), float(value.std(ddof=1)) / math.sqrt(n)
        low, high = t_limits(mean, se, n - 1, level)
        if low <= 0 < value.min():
            return Estimate.not_estimable(f"{n} fish, {_FEW}", units=units, method=method, n=n, level=level).noting(*notes)
        return Estimate(mean, se, low, high, level, units, method, n, notes)
    method = f"{what}; runs as clusters, linearised ratio variance, t limits on the effective number of runs − 1"
    clusters = int(run.max()) + 1 if n else 0
    size = cluster_totals(run, np.ones(n), clusters)
    ratio = ratio_of_totals(cluster_totals(run, value, clusters), size)
    k = ratio.clusters
    if k < 2:
        reason = f"{n} fish in {k} run{'' if k == 1 else 's'}, 2 runs needed"
        return Estimate.not_estimable(reason, units=units, method=method, n=k, level=level).noting(*notes)
    df = max(ratio.denominator**2 / float((size**2).sum()) - 1, 1.0)
    low, high = t_limits(ratio.value, ratio.se, df, level)
    apart = float(value.std(ddof=1)) / math.sqrt(n)
    alone = t_limits(ratio.value, apart, n - 1, level)
    if low - alone[0] > _ALIKE * (ratio.value - alone[0]):
        low, high = alone
        notes += ("runs differ less than chance alone would make them: the limits are those of independent fish",)
    if low <= 0 < value.min():
        return Estimate.not_estimable(f"{n} fish in {k} runs, {_FEW}", units=units, method=method, n=k, level=level).noting(
            *notes
        )
    return Estimate(ratio.value, max(ratio.se, apart), low, high, level, units, method, k, notes)
