"""Catchability: what part of the population one unit of effort catches, where both a catch rate and a population are known."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.stats import t

from fishreport.methods.estimate import Estimate
from fishreport.methods.inputs import FloatArray, check_level, dropped, numbers, same_size

MINIMUM_PAIRS = 3
"""Fewest pairs of catch rate and population (common practice, no source)."""

_PAIRS_FOR_SHAPE = 5


@dataclass(frozen=True, slots=True)
class Catchability:
    """The link between catch rate and population size.

    Attributes
    ----------
    catchability : Estimate
        q in catch rate = q × population: units of the catch rate per fish, such as ``1/h`` for fish/h and fish.
    scatter : float
        Standard deviation of ln(catch rate / population) between pairs: the error of both and the change of q itself.
    exponent : Estimate
        b in catch rate ∝ population^b: below 1 the catch rate hides declines, above 1 it overstates them.
    """

    catchability: Estimate
    scatter: float
    exponent: Estimate


def _deming_slope(x: FloatArray, y: FloatArray, ratio: float) -> float:
    """Slope of the line with error in both; `ratio` is the error variance of y over that of x."""
    sxx, syy = float(np.var(x, ddof=1)), float(np.var(y, ddof=1))
    sxy = float(np.cov(x, y, ddof=1)[0, 1])
    if sxy == 0:
        return math.nan
    gap = syy - ratio * sxx
    return (gap + math.sqrt(gap**2 + 4 * ratio * sxy**2)) / (2 * sxy)


def _exponent(log_n: FloatArray, log_u: FloatArray, ratio: float, level: float) -> Estimate:
    method = "slope of ln(catch rate) on ln(population) with error in both, jackknife t interval"
    pairs = log_n.size
    if pairs < _PAIRS_FOR_SHAPE:
        return Estimate.not_estimable(f"{pairs} pairs, {_PAIRS_FOR_SHAPE} needed", method=method, n=pairs, level=level)
    slope = _deming_slope(log_n, log_u, ratio)
    left_out = np.array([_deming_slope(np.delete(log_n, i), np.delete(log_u, i), ratio) for i in range(pairs)])
    if not (math.isfinite(slope) and np.isfinite(left_out).all()):
        return Estimate.not_estimable("catch rate and population do not vary together", method=method, n=pairs, level=level)
    se = math.sqrt((pairs - 1) / pairs * float(((left_out - left_out.mean()) ** 2).sum()))
    half = float(t.ppf(0.5 + level / 2, pairs - 2)) * se
    return Estimate(slope, se, slope - half, slope + half, level, "", method, pairs)


def _relative(name: str, se: ArrayLike | None, values: FloatArray) -> FloatArray:
    if se is None:
        return np.full(values.size, math.nan)
    errors = numbers(name, se, at_least=0)
    same_size(values=values, se=errors)
    return errors / values


def catchability(
    catch_rate: ArrayLike,
    population: ArrayLike,
    *,
    catch_rate_se: ArrayLike | None = None,
    population_se: ArrayLike | None = None,
    units: str = "1/h",
    level: float = 0.95,
) -> Catchability:
    """Catchability q = catch rate / population from pairs of both (sites, reaches or seasons).

    q = exp(mean of ln(U/N)); the scatter of ln(U/N) between pairs holds the sampling error of both and the true change of q, so
    the interval, exp(mean ± t sd/√pairs) with pairs − 1 degrees of freedom, carries them all; se = q sd/√pairs. The exponent is
    the slope of ln U on ln N with error in both (Deming), jackknife t interval, from 5 pairs on. Its ratio of error variances is
    1 unless both standard errors are given; then the error of N is its mean squared relative standard error, and that of U all
    other scatter of ln(U/N) (sampling and the change of q), not below its own mean squared relative standard error.
    Source: Ricker 1975, section 1.7 (definition of q; from memory).

    Parameters
    ----------
    catch_rate, population : array
        Pairs, above 0; pairs with a missing value are left out, with a note.
    catch_rate_se, population_se : array, optional
        Their standard errors, for the exponent.
    units : str
        Units of the catch rate divided by those of the population.
    level : float
        Confidence level.

    Returns
    -------
    Catchability
        Not estimable with fewer than 3 pairs.

    Raises
    ------
    InputError
        Unequal lengths, or a population or standard error that is not possible.
    """
    check_level(level)
    u, n = numbers("catch_rate", catch_rate, at_least=0), numbers("population", population, above=0)
    same_size(catch_rate=u, population=n)
    keep = ~(np.isnan(u) | np.isnan(n))
    notes = dropped(int((~keep).sum()), "pairs with a missing value")
    zero = keep & (u == 0)
    if zero.any():
        keep &= u > 0
        notes += (f"{int(zero.sum())} pairs with a catch rate of 0 left out, which makes catchability too high",)
    relative = [
        _relative(name, se, np.where(keep, values, math.nan))
        for name, se, values in (("catch_rate_se", catch_rate_se, u), ("population_se", population_se, n))
    ]
    pairs = int(keep.sum())
    method = "geometric mean of catch rate over population, t interval of the log ratio"
    if pairs < MINIMUM_PAIRS:
        reason = f"{pairs} pairs of catch rate and population, {MINIMUM_PAIRS} needed"
        refused = Estimate.not_estimable(reason, units=units, method=method, n=pairs, level=level).noting(*notes)
        return Catchability(refused, math.nan, Estimate.not_estimable(reason, n=pairs, level=level))
    log_u, log_n = np.log(u[keep]), np.log(n[keep])
    log_q = log_u - log_n
    value, scatter = math.exp(float(log_q.mean())), float(log_q.std(ddof=1))
    se = scatter / math.sqrt(pairs)
    stretch = math.exp(float(t.ppf(0.5 + level / 2, pairs - 1)) * se)
    errors = [float(np.nanmean(one[keep] ** 2)) if np.isfinite(one[keep]).any() else math.nan for one in relative]
    ratio = max(errors[0], scatter**2 - errors[1]) / errors[1] if all(one > 0 for one in errors) else 1.0
    estimate = Estimate(value, value * se, value / stretch, value * stretch, level, units, method, pairs, notes)
    return Catchability(estimate, scatter, _exponent(log_n, log_u, ratio, level))


def population_from_catch_rate(catch_rate: Estimate, link: Catchability, *, level: float = 0.95) -> Estimate:
    """Population size that a catch rate stands for, N = U/q, for a site or season like those behind `link`.

    On the log scale the variance is that of one new pair, scatter² (1 + 1/pairs), with t for pairs − 1: the scatter already
    holds the sampling error of a catch rate as precise as those behind it; where se(U)/U is larger, that is used instead.
    Not estimable when either part is not, or at a catch rate of 0.
    """
    check_level(level)
    q = link.catchability
    method = "catch rate over catchability, t prediction interval on the log scale"
    for name, part in (("catchability", q), ("catch rate", catch_rate)):
        if not part.estimable:
            return Estimate.not_estimable(f"{name} is not estimable", units="fish", method=method, n=q.n, level=level)
    if catch_rate.value <= 0:
        return Estimate.not_estimable("the catch rate is 0", units="fish", method=method, n=q.n, level=level)
    own = catch_rate.se / catch_rate.value if math.isfinite(catch_rate.se) else 0.0
    spread = math.sqrt(max(link.scatter, own) ** 2 + link.scatter**2 / q.n)
    value = catch_rate.value / q.value
    stretch = math.exp(float(t.ppf(0.5 + level / 2, q.n - 1)) * spread)
    return Estimate(value, value * spread, value / stretch, value * stretch, level, "fish", method, q.n)
