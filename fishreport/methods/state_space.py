"""A local level: the true level of a yearly index, with sampling error told from real change."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy import optimize, stats

from fishreport.exceptions import InputError
from fishreport.methods.estimate import Estimate
from fishreport.methods.inputs import check_level
from fishreport.methods.random_effects import as_percent
from fishreport.methods.series import FloatArray, filled_errors, read_series, to_log

_GRID = 60


@dataclass(frozen=True, slots=True)
class LocalLevel:
    """The smoothed level of a yearly index.

    Attributes
    ----------
    year : array (m,)
        Every year from first to last, missed seasons too.
    level, lower, upper : array (m,)
        The smoothed level and its limits, in the units of the values; NaN arrays are empty when it is not estimable.
    process_sd : Estimate
        Standard deviation of the real change from one year to the next; of the logarithm on the log scale.
    change : Estimate
        Change of the level from first to last year, in percent (log scale) or in the units of the values.
    sampling_share : float
        Share of the variance of successive differences that is sampling error.
    log_likelihood : float
        Diffuse log-likelihood at the most likely `process_sd`.
    notes : tuple[str, ...]
    """

    year: FloatArray
    level: FloatArray
    lower: FloatArray
    upper: FloatArray
    process_sd: Estimate
    change: Estimate
    sampling_share: float
    log_likelihood: float
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class FilterPass:
    """One pass of the Kalman filter and smoother of a local level, with a diffuse start.

    Attributes
    ----------
    predicted, predicted_variance : array (m,)
        Before each year's value; the first is infinite in variance.
    filtered, filtered_variance : array (m,)
        With it.
    smoothed, smoothed_variance : array (m,)
        With all values.
    lag_covariance : array (m, m)
        Covariances of the smoothed levels.
    log_likelihood : float
        Of all values but the first (which the diffuse start takes).
    """

    predicted: FloatArray
    predicted_variance: FloatArray
    filtered: FloatArray
    filtered_variance: FloatArray
    smoothed: FloatArray
    smoothed_variance: FloatArray
    lag_covariance: FloatArray
    log_likelihood: float


def _log_likelihood(y: FloatArray, sampling: FloatArray, process: float) -> float:
    level, variance, total, started = 0.0, math.inf, 0.0, False
    for value, error in zip(y.tolist(), sampling.tolist(), strict=True):
        if started:
            variance += process
        if math.isnan(value):
            continue
        if not started:
            level, variance, started = value, error, True
            continue
        spread = variance + error
        if spread <= 0:
            return -math.inf
        total -= 0.5 * (math.log(2 * math.pi * spread) + (value - level) ** 2 / spread)
        gain = variance / spread
        level += gain * (value - level)
        variance *= 1 - gain
    return total


def filter_local_level(y: ArrayLike, sampling_variance: ArrayLike, process_variance: float) -> FilterPass:
    """Kalman filter and fixed-interval smoother of ``y_t = μ_t + ε_t``, ``μ_{t+1} = μ_t + η_t``.

    Parameters
    ----------
    y : array (m,)
        One value a year, in order; NaN for a missed season. The first must be given.
    sampling_variance : array (m,)
        Known variance of ε of each year (ignored where `y` is missing).
    process_variance : float
        Variance of η.

    Returns
    -------
    FilterPass
        With a diffuse first level (Harvey 1989, chapter 3; Durbin & Koopman 2012, chapter 2; from memory): the first value starts
        the filter and has no part in the likelihood. Smoothing by Rauch, Tung & Striebel.
    """
    x, error = np.asarray(y, dtype=float), np.asarray(sampling_variance, dtype=float)
    m = x.size
    if not m or math.isnan(x[0]):
        raise InputError("the first year of a local level needs a value")
    predicted, predicted_variance = np.empty(m), np.empty(m)
    filtered, filtered_variance = np.empty(m), np.empty(m)
    predicted[0], predicted_variance[0] = math.nan, math.inf
    filtered[0], filtered_variance[0] = x[0], error[0]
    for t in range(1, m):
        predicted[t], predicted_variance[t] = filtered[t - 1], filtered_variance[t - 1] + process_variance
        filtered[t], filtered_variance[t] = predicted[t], predicted_variance[t]
        spread = predicted_variance[t] + error[t]
        if not math.isnan(x[t]) and spread > 0:
            gain = predicted_variance[t] / spread
            filtered[t] += gain * (x[t] - predicted[t])
            filtered_variance[t] *= 1 - gain
    smoothed, smoothed_variance = filtered.copy(), filtered_variance.copy()
    back = np.zeros(m)
    for t in range(m - 2, -1, -1):
        ahead = predicted_variance[t + 1]
        back[t] = filtered_variance[t] / ahead if ahead > 0 else 1.0
        smoothed[t] += back[t] * (smoothed[t + 1] - predicted[t + 1])
        smoothed_variance[t] += back[t] ** 2 * (smoothed_variance[t + 1] - ahead)
    covariance = np.diag(smoothed_variance)
    for t in range(m - 2, -1, -1):
        covariance[t, t + 1 :] = back[t] * covariance[t + 1, t + 1 :]
        covariance[t + 1 :, t] = covariance[t, t + 1 :]
    likelihood = _log_likelihood(x, error, process_variance)
    return FilterPass(
        predicted, predicted_variance, filtered, filtered_variance, smoothed, smoothed_variance, covariance, likelihood
    )


def _most_likely(y: FloatArray, error: FloatArray, top: float) -> tuple[float, float]:
    found = optimize.minimize_scalar(
        lambda sd: -_log_likelihood(y, error, sd**2), bounds=(0.0, top), method="bounded", options={"xatol": top * 1e-7}
    )
    at_zero = _log_likelihood(y, error, 0.0)
    return (float(found.x), float(-found.fun)) if -found.fun > at_zero + 1e-9 else (0.0, at_zero)


def _profile_limits(y: FloatArray, error: FloatArray, best: tuple[float, float], top: float, level: float) -> tuple[float, float]:
    drop = float(stats.chi2.ppf(level, 1)) / 2

    def excess(sd: float) -> float:
        return _log_likelihood(y, error, sd**2) - best[1] + drop

    lower = 0.0 if best[0] == 0 or excess(0.0) >= 0 else float(optimize.brentq(excess, 0.0, best[0], xtol=top * 1e-9))
    high = max(best[0], top * 1e-3)
    while excess(high) > 0 and high < 1e3 * top:
        high *= 1.6
    upper = float(optimize.brentq(excess, best[0], high, xtol=top * 1e-9)) if excess(high) <= 0 else math.inf
    return lower, upper


def local_level(
    year: ArrayLike,
    value: ArrayLike,
    *,
    se: ArrayLike,
    level: float = 0.95,
    units: str = "",
    scale: Literal["log", "identity"] = "log",
) -> LocalLevel:
    """Smooth a yearly index so that its known sampling error is told from real change.

    Parameters
    ----------
    year, value, se : arrays (n,)
        Season, index and its standard error; one value a season, missed seasons simply absent (or NaN). A season without a
        standard error takes the largest relative one of the others, and is noted.
    units : str
        Units of the values.
    scale : str
        ``log``: changes are relative; zeros are left out and counted. ``identity``: in the units of the values.

    Returns
    -------
    LocalLevel
        Random walk of the true level, observed with known variances (`filter_local_level`). `process_sd` is the maximum of
        the diffuse likelihood, with a profile-likelihood interval (on average a tenth too low with 11 seasons). Levels and
        change are averaged over process standard deviations in proportion to the likelihood (flat prior), so that the doubt
        about how much the level moves widens their limits; limits are normal with the variance of that mixture (they cover
        too often when the level does not move at all). Not estimable with fewer than four seasons, or without any standard
        error (then sampling error and change cannot be told apart); four to six seasons bring a note.

    Raises
    ------
    InputError
        Wrong shapes, several values of one season, unknown option, years that are not whole numbers.
    """
    check_level(level)
    if scale not in ("log", "identity"):
        raise InputError(f"scale must be log or identity; got {scale!r}")
    raw = read_series(year, value, se)
    series = to_log(raw) if scale == "log" else raw
    n = series.value.size
    if series.seasons < n:
        raise InputError(f"local_level takes one value a season; got {n} values of {series.seasons} seasons")
    if not np.array_equal(series.year, np.round(series.year)):
        raise InputError("local_level needs whole years")
    method = f"local level with known sampling error, Kalman smoother{' of the logarithm' if scale == 'log' else ''}"
    change_units = "percent" if scale == "log" else ("percentage points" if units == "percent" else units)
    error, lacking = filled_errors(series)
    reason = series.shortage or (None if error.any() else "no standard errors, so sampling error and change cannot be told apart")
    if reason:
        lost = [Estimate.not_estimable(reason, units=u, method=method, n=n, level=level) for u in ("", change_units)]
        none = np.empty(0)
        nan = math.nan
        return LocalLevel(none, none, none, none, lost[0], lost[1], nan, nan, (*series.notes, f"not estimable: {reason}"))
    notes = (*series.notes, *lacking, *series.few_notes)
    first = int(series.year[0])
    years = np.arange(first, int(series.year[-1]) + 1, dtype=float)
    at = (series.year - first).astype(int)
    y, v = np.full(years.size, math.nan), np.zeros(years.size)
    y[at], v[at] = series.value, error
    steps, gaps = np.diff(series.value), np.diff(series.year)
    top = 4 * math.sqrt(float((steps**2 / gaps).mean()) + float(error.mean()))
    best = _most_likely(y, v, top)
    low, high = _profile_limits(y, v, best, top, level)
    process = Estimate(best[0], math.nan, low, high, level, change_units if scale == "identity" else "", method, n, notes)
    z = float(stats.norm.ppf((1 + level) / 2))
    grid = np.linspace(0.0, top, _GRID)
    passes = [filter_local_level(y, v, sd**2) for sd in grid]
    likelihood = np.array([one.log_likelihood for one in passes])
    weights = np.exp(likelihood - likelihood.max())
    weights[0] /= 2
    weights /= weights.sum()
    means = np.array([one.smoothed for one in passes])
    smooth = weights @ means
    variance = weights @ (np.array([one.smoothed_variance for one in passes]) + means**2) - smooth**2
    half = z * np.sqrt(np.maximum(variance, 0))
    moved = means[:, -1] - means[:, 0]
    spread = np.array([one.smoothed_variance[[0, -1]].sum() - 2 * one.lag_covariance[0, -1] for one in passes])
    shift = float(weights @ moved)
    shift_se = math.sqrt(max(float(weights @ (spread + moved**2)) - shift**2, 0.0))
    effect = (shift, shift_se, shift - z * shift_se, shift + z * shift_se)
    share = 2 * float(error.mean()) / (2 * float(error.mean()) + best[0] ** 2)
    levels = (smooth, smooth - half, smooth + half)
    if scale == "log":
        change = as_percent(effect, level, change_units, method, n, notes)
        levels = (np.exp(levels[0]), np.exp(levels[1]), np.exp(levels[2]))
    else:
        change = Estimate(*effect, level=level, units=change_units, method=method, n=n, notes=notes)
    return LocalLevel(years, *levels, process, change, share, best[1], notes)
