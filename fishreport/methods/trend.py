"""Trend over seasons without and with a model: Mann-Kendall test, Sen slope, log-linear trend."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from fishreport.exceptions import InputError
from fishreport.methods.estimate import Estimate
from fishreport.methods.inputs import check_level
from fishreport.methods.random_effects import as_percent, fit_autocorrelated, fit_random_effects
from fishreport.methods.series import FloatArray, Series, dependence_note, filled_errors, lag_one, read_series, to_log

Correction = Literal["none", "hamed-rao", "ar1"]
Alternative = Literal["two-sided", "increasing", "decreasing"]
_EXACT_UP_TO = 50
_STRONG = "successive seasons resemble each other so much that even the corrected interval may be too narrow"


@dataclass(frozen=True, slots=True)
class MannKendall:
    """Result of a Mann-Kendall test.

    Attributes
    ----------
    statistic : float
        S, the number of rising less the number of falling pairs of seasons.
    variance : float
        Variance of S without a trend, with ties, and with the correction for autocorrelation where asked.
    z : float
        Normal score with continuity correction; 0 when S is 0.
    p : float
        Probability of an S at least this far out without a trend; NaN when it cannot be tested.
    tau : float
        S over the number of pairs of different seasons, −1 to 1.
    variance_factor : float
        By how much the correction widened the variance; 1 without correction.
    alternative, method : str
    n : int
        Number of observations.
    notes : tuple[str, ...]
    """

    statistic: float
    variance: float
    z: float
    p: float
    tau: float
    variance_factor: float
    alternative: Alternative
    method: str
    n: int
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class LogLinearTrend:
    """A straight line through the logarithms of a yearly index.

    Attributes
    ----------
    trend_per_year : Estimate
        Percent change per year, 100 (exp(slope) − 1).
    slope : Estimate
        Change of the natural logarithm per year.
    middle : Estimate
        The index on the line at `middle_year`, in the units of the values.
    middle_year : float
    between_year_sd : float
        Standard deviation of the logarithm about the line beyond sampling error.
    autocorrelation : float
        Correlation of successive seasons about the line; NaN when taken as independent.
    year, fitted, lower, upper : array
        Each year from first to last, the line, and the limits of the line (not of single seasons), in the units of the values.
    """

    trend_per_year: Estimate
    slope: Estimate
    middle: Estimate
    middle_year: float
    between_year_sd: float
    autocorrelation: float
    year: FloatArray
    fitted: FloatArray
    lower: FloatArray
    upper: FloatArray


def _tie_sum(x: FloatArray) -> tuple[float, float, float]:
    counts = np.unique(x, return_counts=True)[1].astype(float)
    return (
        float((counts * (counts - 1) * (2 * counts + 5)).sum()),
        float((counts * (counts - 1) * (counts - 2)).sum()),
        float((counts * (counts - 1)).sum()),
    )


def _kendall_variance(t: FloatArray, x: FloatArray) -> float:
    n = t.size
    (ties_x, triples_x, pairs_x), (ties_t, triples_t, pairs_t) = _tie_sum(x), _tie_sum(t)
    variance = (n * (n - 1) * (2 * n + 5) - ties_x - ties_t) / 18
    if n > 2:
        variance += triples_x * triples_t / (9 * n * (n - 1) * (n - 2))
    return float(variance + pairs_x * pairs_t / (2 * n * (n - 1)))


def _pairs(series: Series) -> tuple[FloatArray, FloatArray]:
    i, j = np.triu_indices(series.year.size, 1)
    apart = series.year[j] > series.year[i]
    return (series.year[j] - series.year[i])[apart], (series.value[j] - series.value[i])[apart]


def _yearly_medians(series: Series, slope: float) -> tuple[FloatArray, FloatArray]:
    years = np.unique(series.year)
    detrended = series.value - slope * series.year
    return years, np.array([np.median(detrended[series.year == y]) for y in years])


def _lag_correlation(years: FloatArray, x: FloatArray, lag: int) -> float:
    centred = x - x.mean()
    total = float((centred**2).sum())
    if total <= 0:
        return 0.0
    at = {float(y): v for y, v in zip(years, centred, strict=True)}
    products = [v * at[y + lag] for y, v in at.items() if y + lag in at]
    if not products:
        return 0.0
    return float(np.sum(products) / len(products) * years.size / total * (1 - lag / years.size))


def _variance_factor(series: Series, correction: Correction) -> float:
    steps, rises = _pairs(series)
    years, x = _yearly_medians(series, float(np.median(rises / steps)))
    n = years.size
    if correction == "hamed-rao":
        ranks = stats.rankdata(x)
        factor = 1.0
        for lag in range(1, n - 2):
            rho = _lag_correlation(years, ranks, lag)
            if abs(rho) > stats.norm.ppf(0.975) / math.sqrt(n):
                factor += 2 * (n - lag) * (n - lag - 1) * (n - lag - 2) * rho / (n * (n - 1) * (n - 2))
        return max(factor, 1.0)
    raw = _lag_correlation(years, x, 1)
    rho = min(max((n * raw + 2) / (n - 4), 0.0), 0.9) if n > 4 else 0.0
    lags = np.arange(1, n)
    return float(1 + 2 * ((1 - lags / n) * rho**lags).sum())


def mann_kendall(
    year: ArrayLike,
    value: ArrayLike,
    *,
    level: float = 0.95,
    correction: Correction = "none",
    alternative: Alternative = "two-sided",
) -> MannKendall:
    """Mann-Kendall test for a monotone trend.

    Parameters
    ----------
    year : array (n,)
        Season of each observation; several observations of one season are allowed, seasons may be missing.
    value : array (n,)
        In any units; NaN is left out.
    level : float
        Not used in the test; checked so that calls are alike.
    correction : str
        For seasons that are not independent: ``none``; ``hamed-rao``, variance by the rank autocorrelations of the series less
        its Sen slope that are significant at 5 % (Hamed & Rao 1998, J. Hydrol. 204:182-196, from memory); ``ar1``, the factor
        1 + 2 Σ (1 − k/n) ρ^k of Yue & Wang (2004, Water Resour. Manag. 18:201-218, from memory) with the lag-1 autocorrelation
        of the series less its Sen slope, corrected for the bias of short series as (n r + 2)/(n − 4) and kept within 0 and 0.9.
        Lags count years. A factor below 1 is never applied. Both leave the test too liberal in short strongly autocorrelated
        series, see ``tests/calibration``.
    alternative : str
        ``two-sided``, ``increasing`` or ``decreasing``.

    Returns
    -------
    MannKendall
        S sums the signs over pairs of different seasons; its variance has the full correction for ties in value and year
        (Kendall 1975; Gilbert 1987, equations 16.2 and 16.5; from memory); z = (S ∓ 1)/√variance. The probability is exact up to
        50 observations without ties or correction (as in R's ``cor.test``), else normal. Fewer than four seasons, or all values
        alike: p is NaN and the notes give the reason.

    Raises
    ------
    InputError
        Wrong shapes, infinite values, unknown option.
    """
    check_level(level)
    if correction not in ("none", "hamed-rao", "ar1"):
        raise InputError(f"correction must be one of none, hamed-rao, ar1; got {correction!r}")
    if alternative not in ("two-sided", "increasing", "decreasing"):
        raise InputError(f"alternative must be one of two-sided, increasing, decreasing; got {alternative!r}")
    series = read_series(year, value)
    n = series.value.size
    _, rises = _pairs(series)
    score = float(np.sign(rises).sum())
    tau = score / rises.size if rises.size else math.nan
    variance = _kendall_variance(series.year, series.value) if n > 1 else 0.0
    reason = series.shortage or ("all values are alike" if variance <= 0 else None)
    if reason:
        nan = math.nan
        notes = (*series.notes, f"not estimable: {reason}")
        return MannKendall(score, variance, nan, nan, tau, 1.0, alternative, "Mann-Kendall test", n, notes)
    factor = 1.0 if correction == "none" else _variance_factor(series, correction)
    variance *= factor
    z = (score - math.copysign(1, score)) / math.sqrt(variance) if score else 0.0
    ties = np.unique(series.value).size < n or np.unique(series.year).size < n
    exact = not ties and correction == "none" and n <= _EXACT_UP_TO
    if exact:
        side = {"two-sided": "two-sided", "increasing": "greater", "decreasing": "less"}[alternative]
        p = float(stats.kendalltau(series.year, series.value, method="exact", alternative=side).pvalue)
    elif alternative == "two-sided":
        p = float(2 * stats.norm.sf(abs(z))) if score else 1.0
    else:
        up = (score - 1) if alternative == "increasing" else (-score - 1)
        p = float(stats.norm.sf(up / math.sqrt(variance)))
    fixed = "" if correction == "none" else f", variance corrected for autocorrelation ({correction})"
    method = f"Mann-Kendall test, {'exact' if exact else 'normal approximation with ties'}{fixed}"
    notes = series.notes + series.few_notes
    if factor > 2:
        notes += ("successive seasons resemble each other so much that even the corrected test finds trends too easily",)
    return MannKendall(score, variance, z, p, tau, factor, alternative, method, n, notes)


def _at_rank(ordered: FloatArray, rank: float) -> float:
    if rank < 1:
        return -math.inf
    if rank > ordered.size:
        return math.inf
    low = math.floor(rank)
    high = min(low + 1, ordered.size)
    return float(ordered[low - 1] + (rank - low) * (ordered[high - 1] - ordered[low - 1]))


def sen_slope(
    year: ArrayLike, value: ArrayLike, *, level: float = 0.95, units: str = "", correction: Correction = "none"
) -> Estimate:
    """Sen slope: the median of the slopes between all pairs of different seasons.

    Parameters
    ----------
    year, value : arrays (n,)
        As for `mann_kendall`; several observations of one season are allowed.
    units : str
        Units of the values; the slope has them per year (percent become percentage points per year).
    correction : str
        As for `mann_kendall`; it widens the interval.

    Returns
    -------
    Estimate
        Interval: the slopes of ranks (N − C)/2 and (N + C)/2 + 1 of the N ordered slopes, C = z √Var(S), interpolated between
        ranks (Sen 1968, J. Am. Stat. Assoc. 63:1379-1389; Gilbert 1987, section 16.4; from memory). A rank below 1 sets no
        bound: that limit is infinite. The standard error is the width of a finite interval over 2 z. `n` counts the seasons.
        Not estimable with fewer than four seasons; four to six bring a note.

    Raises
    ------
    InputError
        Wrong shapes, infinite values, unknown option.
    """
    check_level(level)
    if correction not in ("none", "hamed-rao", "ar1"):
        raise InputError(f"correction must be one of none, hamed-rao, ar1; got {correction!r}")
    series = read_series(year, value)
    units = f"{'percentage points' if units == 'percent' else units} per year".strip()
    method = "Sen slope, median of pairwise slopes; interval by ranks" + ("" if correction == "none" else f" ({correction})")
    if series.shortage:
        return Estimate.not_estimable(series.shortage, units=units, method=method, n=series.seasons, level=level)
    steps, rises = _pairs(series)
    slopes = np.sort(rises / steps)
    factor = 1.0 if correction == "none" else _variance_factor(series, correction)
    z = float(stats.norm.ppf((1 + level) / 2))
    reach = z * math.sqrt(factor * _kendall_variance(series.year, series.value))
    lower = _at_rank(slopes, (slopes.size - reach) / 2)
    upper = _at_rank(slopes, (slopes.size + reach) / 2 + 1)
    notes = series.notes + series.few_notes
    if factor > 2:
        notes += (_STRONG,)
    if correction == "none" and series.seasons == series.value.size:
        detrended = series.value - float(np.median(slopes)) * series.year
        notes += dependence_note(lag_one(series.year, detrended - detrended.mean(), 2))
    if math.isinf(lower) or math.isinf(upper):
        notes += (f"{series.seasons} seasons are too few to bound the slope at level {level:g}",)
    se = (upper - lower) / (2 * z) if math.isfinite(upper - lower) else math.nan
    return Estimate(float(np.median(slopes)), se, lower, upper, level, units, method, series.seasons, notes)


def log_linear(
    year: ArrayLike,
    value: ArrayLike,
    *,
    se: ArrayLike | None = None,
    level: float = 0.95,
    units: str = "",
    correlation: Literal["none", "ar1"] = "none",
) -> LogLinearTrend:
    """Log-linear trend of a yearly index, weighted by the yearly standard errors.

    Parameters
    ----------
    year, value : arrays (n,)
        Season and index (above zero; zeros are left out and counted). Seasons may be missing.
    se : array (n,), optional
        Standard errors of the values. A season without one takes the largest relative one of the others, and is noted.
    units : str
        Units of the values.
    correlation : str
        ``none``: seasons scatter independently about the line. ``ar1``: their scatter beyond sampling error is a first-order
        autoregression in years.

    Returns
    -------
    LogLinearTrend
        log(value) = a + b year + u + e, with e the known sampling error (variance (se/value)²) and u the scatter of seasons
        about the line (variance τ²), so that a precise season never counts for more than seasons scatter. ``none``: τ² by
        Paule & Mandel, interval by Student's t with n − 2 degrees of freedom and the variance factor of Knapp & Hartung (not
        below 1), see `random_effects.fit_random_effects`; without standard errors it is ordinary least squares. ``ar1``:
        slope averaged over τ and the autocorrelation, see `random_effects.fit_autocorrelated`; it covers somewhat too often
        when seasons are independent and somewhat too seldom at an autocorrelation of 0.7, see ``tests/calibration``. Not
        estimable with fewer than four seasons above zero; four to six bring a note.

    Raises
    ------
    InputError
        Wrong shapes, negative values or standard errors, several values of one season, unknown option.
    """
    check_level(level)
    if correlation not in ("none", "ar1"):
        raise InputError(f"correlation must be none or ar1; got {correlation!r}")
    series = to_log(read_series(year, value, se))
    n = series.value.size
    if series.seasons < n:
        raise InputError(f"log_linear takes one value a season; got {n} values of {series.seasons} seasons")
    weighted = "weighted by sampling and between-season variance" if se is not None else "least squares"
    method = f"log-linear regression, {weighted}" + (", autocorrelated seasons" if correlation == "ar1" else "")
    if series.shortage:
        empty = np.empty(0)
        missing = Estimate.not_estimable(series.shortage, units="percent per year", method=method, n=n, level=level)
        slope = Estimate.not_estimable(series.shortage, units="per year", method=method, n=n, level=level)
        middle = Estimate.not_estimable(series.shortage, units=units, method=method, n=n, level=level)
        return LogLinearTrend(missing, slope, middle, math.nan, math.nan, math.nan, empty, empty, empty, empty)
    variance, lacking = filled_errors(series)
    notes = series.notes + lacking + series.few_notes
    centre = float(series.year.mean())
    design = np.column_stack([np.ones(n), series.year - centre])
    years = np.arange(series.year[0], series.year[-1] + 1)
    at = np.column_stack([np.ones(years.size), years - centre])
    if correlation == "ar1":
        fit = fit_autocorrelated(series.year, design, series.value, variance)
        if fit.autocorrelation > 0.5:
            notes += (_STRONG,)
    else:
        fit = fit_random_effects(design, series.value, variance)
        notes += dependence_note(lag_one(series.year, series.value - design @ fit.coefficients[0], 2))
    (b, b_se, b_low, b_high), (a, a_se, a_low, a_high) = fit.contrast([0.0, 1.0], level), fit.contrast([1.0, 0.0], level)
    line = np.array([fit.contrast(row, level) for row in at])
    slope = Estimate(b, b_se, b_low, b_high, level, "per year", method, n, notes)
    percent = as_percent((b, b_se, b_low, b_high), level, "percent per year", method, n, notes)
    level_mid = math.exp(a)
    middle = Estimate(level_mid, level_mid * a_se, math.exp(a_low), math.exp(a_high), level, units, method, n, notes)
    fitted, lower, upper = np.exp(line[:, [0, 2, 3]]).T
    return LogLinearTrend(percent, slope, middle, centre, fit.between_sd, fit.autocorrelation, years, fitted, lower, upper)
