"""Limits of a population size from the number of recaptures: exact by hypergeometric or Poisson chances."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from scipy.special import gammaln
from scipy.stats import chi2

from fishreport.methods.inputs import FloatArray


def poisson_limits(count: float, level: float) -> tuple[float, float]:
    """Exact limits of a Poisson mean (Garwood 1936, Biometrika 28:437-442): (0, …) when the count is 0."""
    tail = (1 - level) / 2
    lower = float(chi2.ppf(tail, 2 * count)) / 2 if count > 0 else 0.0
    return lower, float(chi2.ppf(1 - tail, 2 * count + 2)) / 2


def _log_choose(n: float, k: FloatArray) -> FloatArray:
    return np.asarray(gammaln(n + 1) - gammaln(k + 1) - gammaln(n - k + 1))


def chance_of_at_most(recaptured: int, population: int, marked: int, caught: int) -> float:
    """P(R ≤ recaptured) when `caught` fish are drawn without replacement from `population`, of which `marked` bear a mark."""
    fewest, most = max(0, marked + caught - population), min(marked, caught)
    if recaptured < fewest:
        return 0.0
    if recaptured >= most:
        return 1.0
    r = np.arange(fewest, recaptured + 1, dtype=float)
    logs = (
        _log_choose(marked, r) + _log_choose(population - marked, caught - r) - _log_choose(population, np.array([float(caught)]))
    )
    top = logs.max()
    return min(float(np.exp(top) * np.exp(logs - top).sum()), 1.0)


def _first_where(condition: Callable[[int], bool], start: int, guess: int, cap: int) -> int | None:
    """Smallest whole number from `start` on where a condition that stays true once true holds; None beyond `cap`.

    `guess` only makes it quicker.
    """
    if condition(start):
        return start
    step, low = max(1, (guess - start) // 2), start
    while not condition(low + step):
        low += step
        step *= 2
        if low > cap:
            return None
    high = low + step
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if condition(middle) else (middle, high)
    return high


def hypergeometric_limits(marked: int, caught: int, recaptured: int, tail: float) -> tuple[float, float]:
    """All populations for which neither `recaptured` or fewer nor `recaptured` or more has a chance of `tail` or less.

    The test-inversion interval: its coverage is at least 1 − 2 tail for every population. Infinite upper limit when no marked
    fish was recaptured.
    """
    least, guess = marked + caught - recaptured, marked * caught // (recaptured + 1)
    cap = 10**12
    # As the population grows recaptures get fewer: P(R ≤ r) rises and P(R ≥ r) falls.
    lower = _first_where(lambda n: chance_of_at_most(recaptured, n, marked, caught) > tail, least, guess, cap)
    if recaptured == 0:
        return float(lower if lower is not None else cap), math.inf
    beyond = _first_where(lambda n: 1 - chance_of_at_most(recaptured - 1, n, marked, caught) <= tail, least, guess, cap)
    return float(lower if lower is not None else cap), math.inf if beyond is None else float(beyond - 1)
