"""Intervals of a proportion: exact, Wilson's, and exact on an effective sample size when units are clustered."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import special

from fishreport.exceptions import InputError
from fishreport.methods.inputs import FloatArray, check_level, measurements


def _counts(successes: npt.ArrayLike, trials: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
    given = measurements("successes", successes), measurements("trials", trials)
    try:
        x, n = np.broadcast_arrays(*given)
    except ValueError as error:
        raise InputError(f"successes and trials must be numbers of matching shape; {error}") from None
    wrong = (x < 0) | (n < 0) | (x > n)
    if wrong.any():
        raise InputError(f"successes must lie between 0 and trials; got {x[wrong].flat[0]:g} of {n[wrong].flat[0]:g}")
    return x, n


def _placed(x: FloatArray, n: FloatArray, limit: FloatArray, without: float) -> FloatArray:
    """`limit` where there are trials, `without` where there are none, NaN where a count is missing."""
    return np.where(np.isnan(x) | np.isnan(n), np.nan, np.where(n > 0, limit, without))


def beta_limits(x: Any, n: Any, level: float) -> tuple[FloatArray, FloatArray]:
    """Clopper-Pearson limits for real-valued counts (the beta form); (0, 1) when there are no trials."""
    x, n = np.asarray(x, dtype=float), np.asarray(n, dtype=float)
    tail = (1 - level) / 2
    inside_low, inside_high = x > 0, x < n
    a = np.where(inside_low, x, 1.0)
    low = np.where(inside_low, special.betaincinv(a, n - np.where(inside_low, x, 0.0) + 1, tail), 0.0)
    b = np.where(inside_high, n - x, 1.0)
    high = np.where(inside_high, special.betaincinv(x + 1, b, 1 - tail), 1.0)
    return _placed(x, n, low, 0.0), _placed(x, n, high, 1.0)


def exact_interval(successes: npt.ArrayLike, trials: npt.ArrayLike, *, level: float = 0.95) -> tuple[FloatArray, FloatArray]:
    """Exact interval of a binomial proportion.

    Parameters
    ----------
    successes, trials : array
        Counts, of shapes that broadcast.
    level : float
        Confidence level; each tail holds at most half of the rest.

    Returns
    -------
    lower, upper : array
        Limits as shares of 1. No trials: 0 and 1. NaN in, NaN out.

    Notes
    -----
    Clopper and Pearson 1934 (Biometrika 26:404-413) in the beta form. It assumes independent trials: for fish of a few runs
    it is too narrow.
    """
    x, n = _counts(successes, trials)
    return beta_limits(x, n, check_level(level))


def wilson_interval(successes: npt.ArrayLike, trials: npt.ArrayLike, *, level: float = 0.95) -> tuple[FloatArray, FloatArray]:
    """Score interval of a binomial proportion.

    Arguments and returns as `exact_interval`.

    Notes
    -----
    Wilson 1927 (Journal of the American Statistical Association 22:209-212), without continuity correction; method 3 of
    Newcombe 1998 (Statistics in Medicine 17:857-872).
    """
    x, n = _counts(successes, trials)
    z = float(special.ndtri(0.5 + check_level(level) / 2))
    safe = np.where(n > 0, n, 1.0)
    p = x / safe
    centre = (p + z**2 / (2 * safe)) / (1 + z**2 / safe)
    half = z * np.sqrt(p * (1 - p) / safe + z**2 / (4 * safe**2)) / (1 + z**2 / safe)
    low = np.where(x > 0, np.maximum(centre - half, 0.0), 0.0)
    high = np.where(x < n, np.minimum(centre + half, 1.0), 1.0)
    return _placed(x, n, low, 0.0), _placed(x, n, high, 1.0)


def effective_trials(share: float, variance: float, trials: float, units: int, level: float) -> float:
    """Number of independent trials that would give the clustered `variance`.

    n* = min(p (1 − p) / v, `trials`) · (t(`trials` − 1) / t(units − 1))², never above `trials` (Korn and Graubard 1998, Survey
    Methodology 24:193-201, from memory, but bounded before it is multiplied by the ratio of t as well: units that happen to vary
    less than independent trials would do not make up for how few they are). Degrees of freedom are at least 1. Where the share
    is 0 or 1, or the variance is 0, the data show no variation between units and `trials` takes the place of p (1 − p) / v.
    """
    quantile = 0.5 + level / 2
    ratio = float(special.stdtrit(max(trials - 1, 1), quantile) / special.stdtrit(max(units - 1, 1), quantile))
    spread = share * (1 - share)
    base = spread / variance if variance > 0 and spread > 0 else trials
    return float(min(min(base, trials) * ratio**2, trials))
