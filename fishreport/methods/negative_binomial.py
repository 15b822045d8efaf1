"""Maximum likelihood of negative binomial (NB2) and Poisson regression with an offset."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import optimize, special

from fishreport.methods.inputs import FloatArray

_LARGEST = 1e7  # theta from which the negative binomial is told from the Poisson by rounding only
_ROUNDS = 200


@dataclass(frozen=True)
class CountFit:
    """A fitted count regression.

    Attributes
    ----------
    coefficients : array
        On the log scale.
    theta : float
        Size of the negative binomial, variance μ + μ²/θ; infinite for the Poisson.
    mean : array
        Fitted counts.
    log_likelihood : float
    converged : bool
    """

    coefficients: FloatArray
    theta: float
    mean: FloatArray
    log_likelihood: float
    converged: bool


def log_mass(y: FloatArray, mean: FloatArray, theta: float) -> FloatArray:
    """Log probability of each count."""
    if math.isinf(theta):
        return special.xlogy(y, mean) - mean - special.gammaln(y + 1)
    return (
        special.gammaln(y + theta)
        - special.gammaln(theta)
        - special.gammaln(y + 1)
        - theta * np.log1p(mean / theta)
        + special.xlogy(y, mean / (theta + mean))
    )


def working_weight(mean: FloatArray, theta: float) -> FloatArray:
    """Expected information of each row on the linear predictor."""
    return mean if math.isinf(theta) else mean / (1 + mean / theta)


def _solve(x: FloatArray, weight: FloatArray, target: FloatArray) -> FloatArray:
    root = np.sqrt(weight)
    return np.asarray(np.linalg.lstsq(x * root[:, None], target * root, rcond=1e-12)[0], dtype=np.float64)


def _coefficients(
    x: FloatArray, y: FloatArray, offset: FloatArray, theta: float, start: FloatArray
) -> tuple[FloatArray, FloatArray, bool]:
    beta = start
    mean = np.exp(np.clip(x @ beta + offset, -500, 500))
    current = float(log_mass(y, mean, theta).sum())
    for _ in range(_ROUNDS):
        weight = np.maximum(working_weight(mean, theta), 1e-300)
        step = _solve(x, weight, (y - mean) / np.maximum(mean, 1e-300))
        size = 1.0
        while True:
            moved = beta + size * step
            moved_mean = np.exp(np.clip(x @ moved + offset, -500, 500))
            reached = float(log_mass(y, moved_mean, theta).sum())
            if reached >= current - 1e-12 * abs(current) or size < 1e-8:
                break
            size /= 2
        if size < 1e-8:
            return beta, mean, True
        change = float(np.abs(moved - beta).max(initial=0.0))
        beta, mean = moved, moved_mean
        gain, current = reached - current, reached
        if change < 1e-10 or (abs(gain) < 1e-13 * (1 + abs(current)) and change < 1e-6):
            return beta, mean, True
    return beta, mean, False


def _theta_score(log_theta: float, y: FloatArray, mean: FloatArray) -> float:
    theta = math.exp(log_theta)
    terms = special.digamma(y + theta) - special.digamma(theta) - np.log1p(mean / theta) + (mean - y) / (mean + theta)
    return float(terms.sum()) * theta


def _theta(y: FloatArray, mean: FloatArray, near: float = math.inf) -> float:
    """The most likely θ; looked for beside `near` first, then over the whole range."""
    if math.isfinite(near):
        low, high = math.log(near) - 0.5, math.log(near) + 0.5
        if high < math.log(_LARGEST) and _theta_score(low, y, mean) > 0 > _theta_score(high, y, mean):
            return math.exp(float(optimize.brentq(_theta_score, low, high, args=(y, mean), xtol=1e-13, rtol=1e-14)))
    grid = np.linspace(-12, math.log(_LARGEST), 40)
    height = [float(log_mass(y, mean, math.exp(value)).sum()) for value in grid]
    best = int(np.argmax(height))
    low, high = grid[max(best - 1, 0)], grid[min(best + 1, len(grid) - 1)]
    if best == len(grid) - 1 or _theta_score(high, y, mean) >= 0:
        return math.inf
    if _theta_score(low, y, mean) <= 0:
        return math.exp(low)
    root = optimize.brentq(_theta_score, low, high, args=(y, mean), xtol=1e-13, rtol=1e-14)
    return math.exp(float(root))


def fit_counts(x: FloatArray, y: FloatArray, offset: FloatArray, *, poisson: bool = False) -> CountFit:
    """Fit E[y] = exp(x β + offset).

    Iteratively reweighted least squares with step halving for β given θ, a bracketed root of the score for θ given β, in turn
    until neither moves. Where the likelihood rises towards θ = ∞ the answer is the Poisson fit.

    Parameters
    ----------
    x : array (n, p)
        Full rank, first column constant.
    y : array
        Counts, not all zero.
    offset : array
    poisson : bool
        Do not look for overdispersion.
    """
    pooled = math.log(float(y.sum()) / float(np.exp(offset).sum()))
    begin = np.zeros(x.shape[1])
    begin[0] = pooled
    beta, mean, converged = _coefficients(x, y, offset, math.inf, begin)
    ll = float(log_mass(y, mean, math.inf).sum())
    plain = CountFit(beta, math.inf, mean, ll, converged)
    if poisson:
        return plain
    theta = _theta(y, mean)
    if math.isinf(theta):
        return plain
    settled = False
    for _ in range(_ROUNDS):
        beta, mean, inner = _coefficients(x, y, offset, theta, beta)
        previous, theta = theta, _theta(y, mean, theta)
        if math.isinf(theta):
            return plain
        if abs(math.log(theta / previous)) < 1e-11 and inner:
            settled = True
            break
    ll = float(log_mass(y, mean, theta).sum())
    return CountFit(beta, theta, mean, ll, settled) if ll > plain.log_likelihood else plain


def theta_se(y: FloatArray, mean: FloatArray, theta: float) -> float:
    """Standard error of θ from the observed information at fixed means."""
    information = -(
        special.polygamma(1, y + theta)
        - special.polygamma(1, theta)
        + 1 / theta
        - 2 / (mean + theta)
        + (y + theta) / (mean + theta) ** 2
    ).sum()
    return 1 / math.sqrt(float(information)) if information > 0 else math.nan


def zero_probability(mean: FloatArray, theta: float) -> FloatArray:
    """Probability of a count of 0."""
    return np.exp(-mean) if math.isinf(theta) else np.exp(-theta * np.log1p(mean / theta))


def cumulative(y: FloatArray, mean: FloatArray, theta: float) -> FloatArray:
    """Probability of a count of at most `y` (0 for negative `y`)."""
    inside = y >= 0
    at = np.where(inside, y, 0.0)
    if math.isinf(theta):
        value = special.pdtr(at, mean)
    else:
        value = special.betainc(theta, at + 1, theta / (theta + mean))
    return np.where(inside, value, 0.0)


def deviance(y: FloatArray, mean: FloatArray, theta: float) -> float:
    """Residual deviance at fixed θ."""
    if math.isinf(theta):
        return float(2 * (special.xlogy(y, y / mean) - (y - mean)).sum())
    return float(2 * (special.xlogy(y, y / mean) - (y + theta) * np.log((y + theta) / (mean + theta))).sum())
