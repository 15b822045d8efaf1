"""Likelihood of both lengths of recaptured fish when each fish has an asymptotic length and an age of its own."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import optimize

from fishreport.methods.growth_curves import Floats

_NODES = np.linspace(-4.5, 4.5, 181)
_WEIGHTS = np.exp(-(_NODES**2) / 2) / np.exp(-(_NODES**2) / 2).sum()


@dataclass(frozen=True, slots=True)
class BetweenFish:
    """Maximum of the likelihood.

    Attributes
    ----------
    parameters : array (2,)
        Mean Linf (mm) and K (per year).
    covariance : array (2, 2)
    asymptote_sd, asymptote_sd_se : float
        Standard deviation of Linf between fish (mm), and its standard error.
    error_sd : float
        Standard deviation of a measured length (mm).
    log_likelihood : float
    settled : bool
    """

    parameters: Floats
    covariance: Floats
    asymptote_sd: float
    asymptote_sd_se: float
    error_sd: float
    log_likelihood: float
    settled: bool


def log_likelihood(logs: Floats, start: Floats, end: Floats, years: Floats) -> float:
    """Log-likelihood of both lengths.

    Given its relative age a (years since length 0) a fish of mean asymptotic length has ``Linf f(a)`` and ``Linf f(a + dt)``,
    ``f(a) = 1 - exp(-K a)``; own asymptotic lengths and measuring errors are normal, so both lengths are bivariate normal
    with covariance ``s^2 f f' + e^2 I``. Relative age is lognormal and is summed out on an even grid of its normal score.

    Parameters
    ----------
    logs : array (6,)
        Logarithms of Linf, K, s, e, the median relative age, and the standard deviation of its logarithm.
    """
    asymptote, coefficient, sd, error, age, spread = np.exp(np.clip(logs, -30, 30))
    relative = age * np.exp(spread * _NODES)[:, None]
    first, second = -np.expm1(-coefficient * relative), -np.expm1(-coefficient * (relative + years))
    var_first, var_second = (sd * first) ** 2 + error**2, (sd * second) ** 2 + error**2
    shared = sd**2 * first * second
    determinant = var_first * var_second - shared**2
    off_first, off_second = start - asymptote * first, end - asymptote * second
    form = (off_first**2 * var_second - 2 * shared * off_first * off_second + off_second**2 * var_first) / determinant
    terms = np.log(_WEIGHTS)[:, None] - 0.5 * np.log(determinant) - 0.5 * form - math.log(2 * math.pi)
    top = terms.max(axis=0)
    return float(np.sum(top + np.log(np.exp(terms - top).sum(axis=0))))


def _curvature(at: Floats, start: Floats, end: Floats, years: Floats) -> Floats:
    """Second derivatives of the log-likelihood by central differences."""
    p, step = at.size, 1e-3
    unit = np.eye(p) * step
    hessian = np.empty((p, p))
    for i in range(p):
        for j in range(i, p):
            corners = [log_likelihood(at + s * unit[i] + t * unit[j], start, end, years) for s in (1, -1) for t in (1, -1)]
            hessian[i, j] = hessian[j, i] = (corners[0] - corners[1] - corners[2] + corners[3]) / (4 * step**2)
    return hessian


def fit_between_fish(start: Floats, end: Floats, years: Floats, guess: Floats) -> BetweenFish:
    """Maximise the likelihood from several starts.

    Parameters
    ----------
    start, end, years : arrays (fish,)
        Length when marked and when recaptured (mm), and the time between (years).
    guess : array (2,)
        Linf and K without variation between fish.

    Returns
    -------
    BetweenFish
        The standard deviation of a measured length is held at 0.3 % of the mean length or more: below that the grid of ages
        is too coarse. The covariance is the inverse of the curvature on the logarithms, brought back by the delta method, times
        n / (n - 4): without that factor simulated 95 % intervals from 20 fish held the truth in 90 %.
    """
    mean_length = float(np.mean(end))
    floor = math.log(0.003 * mean_length)
    bounds = [
        (math.log(0.5 * end.max()), math.log(6 * end.max())),
        (math.log(0.01), math.log(10)),
        (math.log(1e-3 * mean_length), math.log(mean_length)),
        (floor, math.log(mean_length)),
        (math.log(0.05), math.log(50)),
        (math.log(0.05), math.log(3)),
    ]
    best = None
    for factor, share in ((1.0, 0.03), (1.2, 0.1)):
        coefficient = guess[1] * factor
        asymptote = max(guess[0] / factor**0.3, 1.02 * float(np.mean(end)))
        depth = np.clip(1 - start / max(asymptote, 1.02 * start.max()), 0.02, 0.98)
        ages = -np.log(depth) / coefficient
        begin = [asymptote, coefficient, share * asymptote, 0.01 * mean_length, np.median(ages), max(np.std(np.log(ages)), 0.1)]
        clipped = np.clip(np.log(begin), [b[0] for b in bounds], [b[1] for b in bounds])
        found = optimize.minimize(
            lambda at: -log_likelihood(at, start, end, years),
            clipped,
            method="L-BFGS-B",
            bounds=bounds,
            options={"ftol": 1e-12, "gtol": 1e-6, "maxiter": 400, "maxfun": 6000},
        )
        if best is None or found.fun < best.fun:
            best = found
    assert best is not None
    at = np.asarray(best.x, float)
    inside = np.array([low + 1e-6 < x < high - 1e-6 for x, (low, high) in zip(at, bounds, strict=True)])
    moving = np.flatnonzero(inside)
    settled = bool(inside[0] and inside[1])
    covariance = np.full((6, 6), math.nan)
    if settled:
        information = -_curvature(at, start, end, years)[np.ix_(moving, moving)]
        values = np.linalg.eigvalsh(information)
        settled = bool(values[0] > 1e-8 * values[-1])
        if settled:
            covariance[np.ix_(moving, moving)] = np.linalg.inv(information) * start.size / (start.size - 4)
    parameters = np.exp(at[:2])
    sd = float(np.exp(at[2]))
    return BetweenFish(
        parameters=parameters,
        covariance=covariance[:2, :2] * np.outer(parameters, parameters),
        asymptote_sd=sd,
        asymptote_sd_se=float(sd * math.sqrt(covariance[2, 2])) if covariance[2, 2] >= 0 else math.nan,
        error_sd=float(np.exp(at[3])),
        log_likelihood=-float(best.fun),
        settled=settled,
    )
