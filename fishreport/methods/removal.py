"""Population size and capture probability from removal: two or more passes of equal effort through a closed reach."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import brentq
from scipy.special import gammaln, xlog1py, xlogy
from scipy.stats import chi2

from fishreport.exceptions import InputError
from fishreport.methods.estimate import Estimate
from fishreport.methods.inputs import FloatArray, check_level, numbers

MINIMUM_CATCH = 5
"""Fewest fish of all passes together (common practice, no source)."""

_BIAS = (
    "removal assumes the same capture probability at every pass; as it mostly falls after the first, "
    "abundance tends to be too low (Peterson, Thurow & Guzevich 2004)"
)


@dataclass(frozen=True, slots=True)
class RemovalFit:
    """How well one capture probability at all passes describes the catches.

    Attributes
    ----------
    catches, expected : tuple[float, ...]
        Fish caught at each pass and expected after the fit.
    chi2, df, p : float, int, float
        Σ (caught − expected)²/expected with passes − 2 degrees of freedom; NaN, 0, NaN with two passes.
    """

    catches: tuple[float, ...]
    expected: tuple[float, ...]
    chi2: float
    df: int
    p: float


@dataclass(frozen=True, slots=True)
class Removal:
    """Result of a removal survey.

    Attributes
    ----------
    population_size : Estimate
        Fish in the reach before the first pass.
    capture_probability : Estimate
        Chance that a fish present is caught in one pass.
    fit : RemovalFit
        Goodness of fit.
    whole_fish : float
        The whole number of fish of greatest likelihood, for comparison with `population_size`.
    """

    population_size: Estimate
    capture_probability: Estimate
    fit: RemovalFit
    whole_fish: float


def _statistics(catches: FloatArray) -> tuple[int, float, float]:
    """k passes, T fish caught, and X = Σ (k − i) c_i."""
    k = catches.size
    return k, float(catches.sum()), float((np.arange(k - 1, -1, -1) * catches).sum())


def declines(catches: FloatArray) -> bool:
    """True when catches fall enough for a finite estimate: X > T (k − 1)/2 (Seber & Whale 1970, from memory)."""
    k, total, x = _statistics(catches)
    return x > total * (k - 1) / 2


def log_likelihood(population: ArrayLike, catches: FloatArray) -> FloatArray:
    """Profile log-likelihood of the population size (capture probability at its best), without the constant of the catches."""
    k, total, x = _statistics(catches)
    n = np.asarray(population, dtype=float)
    trials = k * n - x
    p = total / trials
    return np.asarray(gammaln(n + 1) - gammaln(n - total + 1) + xlogy(total, p) + xlog1py(trials - total, -p))


def _log_likelihood_far(catches: FloatArray) -> float:
    """Its limit as the population grows without bound: n!/(n − T)! ~ n^T and p ~ T/(k n)."""
    k, total, _ = _statistics(catches)
    return float(xlogy(total, total / k)) - total


def two_pass(first: float, second: float) -> tuple[float, float, float, float]:
    """Explicit two-pass estimates (Seber & Le Cren 1967): N = c1²/(c1 − c2), its se, p = 1 − c2/c1, its se.

    var(N) = c1² c2² (c1 + c2)/(c1 − c2)⁴, var(p) = c2 (c1 + c2)/c1³ (as printed in Bohlin et al. 1989).
    """
    value = first**2 / (first - second)
    variance = first**2 * second**2 * (first + second) / (first - second) ** 4
    return value, math.sqrt(variance), 1 - second / first, math.sqrt(second * (first + second) / first**3)


def three_pass(catches: ArrayLike) -> tuple[float, float]:
    """Explicit three-pass estimates of N and p, as printed in Bohlin et al. 1989 (Hydrobiologia 173), with A = 2 c1 + c2."""
    c = np.asarray(catches, dtype=float)
    total, a = float(c.sum()), float(2 * c[0] + c[1])
    root = math.sqrt(total**2 + 6 * a * total - 3 * a**2)
    return (6 * a**2 - 3 * a * total - total**2 + total * root) / (18 * (a - total)), (3 * a - total - root) / (2 * a)


def removal_se(population: float, total: float, probability: float, passes: int) -> float:
    """Asymptotic standard error of N (Zippin 1958): √{N (N − T) T / [T² − N (N − T)(k p)²/(1 − p)]}; infinite where that fails."""
    if probability >= 1 or population <= total:
        return 0.0
    unseen = population * (population - total)
    denominator = total**2 - unseen * (passes * probability) ** 2 / (1 - probability)
    return math.sqrt(unseen * total / denominator) if denominator > 0 else math.inf


def _probability_se(population: float, probability: float, passes: int) -> float:
    """Asymptotic standard error of p from the joint information of N and p."""
    if probability >= 1:
        return 0.0
    q = 1 - probability
    caught = 1 - q**passes
    denominator = caught**2 - (passes * probability) ** 2 * q ** (passes - 1)
    return probability * q * math.sqrt(caught / (population * q * denominator)) if denominator > 0 else math.inf


def _conditional(catches: FloatArray) -> tuple[float, float]:
    """N = T/(1 − q^k) with p from the likelihood of the catches given their sum (Zippin's equations)."""
    k, total, x = _statistics(catches)
    if catches[1:].sum() == 0:
        return total, 1.0
    mean_pass = (k * total - x - total) / total  # passes survived by a caught fish, counted from 0

    def excess(p: float) -> float:
        q = 1 - p
        return q / p - k * q**k / (1 - q**k) - mean_pass

    p = float(brentq(excess, 1e-7, 1 - 1e-12, xtol=1e-14))
    return total / (1 - (1 - p) ** k), p


def _smallest_whole(total: float, falls: Callable[[float], bool]) -> float:
    """Smallest whole number from `total` on at which the criterion falls; the criterion has one peak."""
    step, low = 1.0, total
    if falls(low):
        return low
    while not falls(low + step):
        low += step
        step *= 2
        if step > 1e15:
            return math.inf
    high = low + step
    while high - low > 1:
        middle = math.floor((low + high) / 2)
        low, high = (low, middle) if falls(middle) else (middle, high)
    return high


def _whole(catches: FloatArray) -> float:
    """Whole number of fish with the greatest likelihood."""
    total = float(catches.sum())
    return _smallest_whole(total, lambda n: bool(log_likelihood(n + 1, catches) <= log_likelihood(n, catches)))


def _weighted(catches: FloatArray, alpha: float = 1.0, beta: float = 1.0) -> float:
    """Smallest N ≥ T with (N + 1)/(N − T + 1) Π (kN − X − T + β + k − i)/(kN − X + α + β + k − i) ≤ 1 (Carle & Strub 1978)."""
    k, total, x = _statistics(catches)
    later = np.arange(k - 1, -1, -1)

    def falls(n: float) -> bool:
        kept = k * n - x - total + beta + later
        logs = np.log(kept / (kept + total + alpha)).sum()
        return math.log((n + 1) / (n - total + 1)) + logs <= 0

    return _smallest_whole(total, falls)


def _population_limits(catches: FloatArray, level: float) -> tuple[float, float]:
    """Profile-likelihood limits of N: down to the catch, up to infinity when the likelihood never falls far enough."""
    total = float(catches.sum())
    drop = float(chi2.ppf(level, 1)) / 2
    peak = _whole(catches)
    top = float(log_likelihood(peak, catches))

    def excess(n: float) -> float:
        return float(log_likelihood(n, catches)) - top + drop

    lower = total if excess(total) >= 0 else float(brentq(excess, total, peak))
    if _log_likelihood_far(catches) - top + drop >= 0:
        return lower, math.inf
    high = peak + 1.0
    while excess(high) > 0:
        high = total + 2 * (high - total)
    return lower, float(brentq(excess, peak, high)) if excess(peak) > 0 else peak


def _probability_limits(catches: FloatArray, level: float) -> tuple[float, float]:
    """Profile-likelihood limits of p; for each p the best N is T/(1 − q^k) rounded down."""
    k, total, x = _statistics(catches)

    def best(p: float) -> float:
        n = max(math.floor(total / (1 - (1 - p) ** k)), total)
        trials = k * n - x - total
        return float(gammaln(n + 1) - gammaln(n - total + 1) + xlogy(total, p) + xlog1py(trials, -p))

    top_n = _whole(catches)
    peak = total / (k * top_n - x)
    floor = best(peak) - float(chi2.ppf(level, 1)) / 2
    least = 1e-6
    lower = 0.0 if best(least) >= floor else float(brentq(lambda p: best(p) - floor, least, peak))
    upper = 1.0 if best(1.0) >= floor else float(brentq(lambda p: best(p) - floor, peak, 1.0))
    return lower, upper


def _check(catches: ArrayLike) -> FloatArray:
    array = numbers("catches", catches, at_least=0)
    if array.size < 2:
        raise InputError(f"catches must have two or more passes, got {array.size}")
    if np.isnan(array).any():
        raise InputError("catches must have a number for every pass (no fish is 0), got a missing value")
    if (array != np.round(array)).any():
        raise InputError(f"catches must be whole numbers of fish, got {array[array != np.round(array)][0]:g}")
    return array


def _fit(catches: FloatArray, population: float, probability: float) -> RemovalFit:
    expected = population * probability * (1 - probability) ** np.arange(catches.size)
    df, used = catches.size - 2, expected > 0
    statistic = float((((catches - expected) ** 2)[used] / expected[used]).sum()) if df else math.nan
    p = float(chi2.sf(statistic, df)) if df else math.nan
    return RemovalFit(tuple(catches.tolist()), tuple(expected.tolist()), statistic, df, p)


def removal(
    catches: ArrayLike, *, method: Literal["likelihood", "whole", "weighted"] = "likelihood", level: float = 0.95
) -> Removal:
    """Population size by removal with constant effort and capture probability (Zippin 1956, 1958).

    ``likelihood``: N = T/(1 − q^k), p from the likelihood of the catches given their sum T; these are Zippin's equations and
    for two and three passes the explicit formulas of Seber & Le Cren 1967 and of Bohlin et al. 1989. ``whole``: the whole number
    of greatest full likelihood, which is 1 to 5 % lower when p is small. ``weighted``: Carle & Strub 1978 with both weights 1,
    whole numbers, steadier with few fish. p = T/(k N − X), X = Σ (k − i) c_i, for the last two.
    se(N) = √{N (N − T) T / [T² − N (N − T)(k p)²/q]}. Intervals of N and p: profile likelihood, for N never below the
    catch, and without an upper limit when the catches set none.
    Assumes a closed reach, equal effort, and the same capture probability for all fish at all passes. Formulas of the explicit
    forms seen in Bohlin et al. 1989 (Hydrobiologia 173); the others from memory.

    Parameters
    ----------
    catches : array
        Fish caught at pass 1, 2, … k, whole numbers, at least two passes.
    method : {"likelihood", "whole", "weighted"}
        See above.
    level : float
        Confidence level.

    Returns
    -------
    Removal
        Not estimable with fewer than 5 fish, or when catches do not fall from pass to pass (X ≤ T (k − 1)/2): the likelihood then
        has no peak and any larger population fits as well; the notes say that the catch is a lower bound.

    Raises
    ------
    InputError
        Fewer than two passes, negative, missing or broken numbers, an unknown method.
    """
    check_level(level)
    c = _check(catches)
    if method not in ("likelihood", "whole", "weighted"):
        raise InputError(f"method must be 'likelihood', 'whole' or 'weighted', got {method!r}")
    k, total, x = _statistics(c)
    kinds = {
        "likelihood": "maximum likelihood (Zippin's equations)",
        "whole": "maximum likelihood of whole numbers",
        "weighted": "weighted likelihood (Carle & Strub)",
    }
    name = f"{k}-pass removal, {kinds[method]}, profile-likelihood interval"
    n = int(total)
    reason = ""
    if total < MINIMUM_CATCH:
        reason = f"{n} fish caught in {k} passes, {MINIMUM_CATCH} needed"
    elif not declines(c):
        reason = "catches do not decline from pass to pass, so they set no upper limit"
    if reason:
        size = Estimate.not_estimable(reason, units="fish", method=name, n=n, level=level)
        size = size.noting(f"at least the {n} fish caught were present")
        chance = Estimate.not_estimable(reason, method=name, n=n, level=level)
        nothing = RemovalFit(tuple(c.tolist()), (math.nan,) * k, math.nan, 0, math.nan)
        return Removal(size, chance, nothing, math.nan)
    whole = float(_whole(c))
    if method == "likelihood":
        population, probability = _conditional(c)
    else:
        population = whole if method == "whole" else float(_weighted(c))
        probability = total / (k * population - x)
    lower, upper = _population_limits(c, level)
    fit = _fit(c, population, probability)
    notes: tuple[str, ...] = (_BIAS,)
    if math.isinf(upper):
        notes += ("the catches set no upper limit",)
    if c[1:].sum() == 0:
        notes += ("all fish were caught in the first pass",)
    if k == 2:
        notes += ("two passes cannot test whether capture probability stayed the same; three or more are better",)
    elif fit.p < 0.05:
        notes += (f"capture probability does not look constant (chi-square {fit.chi2:.2f}, df {fit.df}, p {fit.p:.3g})",)
    chance_limits = _probability_limits(c, level)
    size = Estimate(
        population,
        removal_se(population, total, probability, k),
        min(lower, population),
        max(upper, population),
        level,
        "fish",
        name,
        n,
        notes,
    )
    chance = Estimate(probability, _probability_se(population, probability, k), *chance_limits, level, "", name, n, notes)
    return Removal(size, chance, fit, whole)
