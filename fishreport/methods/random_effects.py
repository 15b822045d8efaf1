"""Regression of yearly values with known sampling error and further scatter between seasons."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import optimize, special

from fishreport.methods.estimate import Estimate
from fishreport.methods.series import FloatArray

_GRID_RHO = np.linspace(0.0, 0.95, 20)
_GRID_SD = np.geomspace(0.05, 8.0, 30)


@dataclass(frozen=True)
class RegressionFit:
    """Coefficients with their covariance, as a mixture over the parameters of the scatter (one component when these are fixed).

    Attributes
    ----------
    weights : array (m,)
        Weight of each component; sums to 1.
    coefficients : array (m, p)
    covariances : array (m, p, p)
    degrees_of_freedom : int
        Of Student's t; n − p.
    between_sd : float
        Scatter of seasons beyond sampling error.
    autocorrelation : float
        Of successive years; NaN when taken as independent.
    """

    weights: FloatArray
    coefficients: FloatArray
    covariances: FloatArray
    degrees_of_freedom: int
    between_sd: float
    autocorrelation: float

    def contrast(self, row: ArrayLike, level: float) -> tuple[float, float, float, float]:
        """Value, standard error and limits of a linear combination of the coefficients."""
        c = np.asarray(row, dtype=float)
        means = self.coefficients @ c
        spreads = np.sqrt(np.maximum(np.einsum("i,mij,j->m", c, self.covariances, c), 0.0))
        value = float(self.weights @ means)
        se = float(np.sqrt(max(self.weights @ (spreads**2 + means**2) - value**2, 0.0)))
        if means.size == 1:
            half = float(special.stdtrit(self.degrees_of_freedom, (1 + level) / 2)) * se
            return value, se, value - half, value + half
        lower, upper = (self._quantile(q, means, spreads) for q in ((1 - level) / 2, (1 + level) / 2))
        return value, se, lower, upper

    def _quantile(self, q: float, means: FloatArray, spreads: FloatArray) -> float:
        used = self.weights > 1e-9
        weight, mean, spread = self.weights[used], means[used], np.maximum(spreads[used], 1e-12)

        def excess(x: float) -> float:
            return float(weight @ special.ndtr((x - mean) / spread)) / float(weight.sum()) - q

        reach = 40 * float(spread.max())
        return float(optimize.brentq(excess, float(mean.min()) - reach, float(mean.max()) + reach, xtol=1e-10))


def _weighted(design: FloatArray, y: FloatArray, variance: FloatArray) -> tuple[FloatArray, FloatArray, float]:
    weighted = design / variance[:, None]
    covariance = np.asarray(np.linalg.inv(design.T @ weighted), dtype=np.float64)
    beta = covariance @ (weighted.T @ y)
    return beta, covariance, float(((y - design @ beta) ** 2 / variance).sum())


def fit_random_effects(design: FloatArray, y: FloatArray, sampling_variance: FloatArray) -> RegressionFit:
    """Weighted regression with variance (sampling + between), the latter by Paule & Mandel.

    The between-season variance makes the weighted residual sum of squares equal to its expectation n − p (Paule & Mandel 1982,
    J. Res. Natl. Bur. Stand. 87:377-385; DerSimonian & Kacker 2007; from memory), and is zero when the sum is smaller already.
    The covariance of the coefficients is that of weighted least squares times the mean squared residual, not below 1
    (Knapp & Hartung 2003, Stat. Med. 22:2693-2710; the bound of 1 by Röver, Knapp & Friede 2015; from memory), with Student's t
    on n − p degrees of freedom. With all sampling variances zero it is ordinary least squares.

    Parameters
    ----------
    design : array (n, p), n > p
    y, sampling_variance : arrays (n,)
    """
    n, p = design.shape
    free = n - p
    beta, unscaled, total = _weighted(design, y, np.ones(n))
    if not sampling_variance.any():
        spread = total / free
        one = np.ones(1)
        return RegressionFit(one, beta[None], (unscaled * spread)[None], free, float(np.sqrt(spread)), float("nan"))
    floor = max(float(sampling_variance.max()), 1e-12) * 1e-9

    def excess(between: float) -> float:
        return _weighted(design, y, np.maximum(sampling_variance + between, floor))[2] - free

    between = 0.0
    if excess(0.0) > 0:
        top = max(total / free, floor)
        while excess(top) > 0:
            top *= 2
        between = float(optimize.brentq(excess, 0.0, top, xtol=1e-14, rtol=1e-12))
    beta, covariance, total = _weighted(design, y, np.maximum(sampling_variance + between, floor))
    covariance = covariance * max(total / free, 1.0)
    return RegressionFit(np.ones(1), beta[None], covariance[None], free, float(np.sqrt(between)), float("nan"))


def fit_autocorrelated(year: FloatArray, design: FloatArray, y: FloatArray, sampling_variance: FloatArray) -> RegressionFit:
    """Regression whose between-season scatter is autoregressive in years, averaged over how strong it is.

    Variance matrix: diag(sampling) + τ² ρ^|Δyear|. Coefficients and their covariance are generalised least squares for each of a
    grid of τ (from a twentieth to eight times the residual scatter) and ρ (0 to 0.95), weighted by the restricted likelihood and
    a prior proportional to √(1 − ρ)/(τ + s), s the root mean sampling variance; limits are quantiles of that mixture.
    Averaging, rather than taking the most likely ρ, keeps short series from claiming an independence that they cannot show. The
    restricted likelihood is textbook; grid and prior are our own, judged by the coverage in ``tests/calibration``.

    Parameters
    ----------
    year, y, sampling_variance : arrays (n,)
    design : array (n, p), n > p
    """
    n, p = design.shape
    residual = y - design @ np.linalg.lstsq(design, y, rcond=None)[0]
    scale = max(float(np.sqrt((residual**2).sum() / (n - p))), 1e-8)
    sds = scale * _GRID_SD
    gaps = np.abs(year[:, None] - year[None, :])
    correlation = _GRID_RHO[:, None, None] ** gaps
    matrices = np.diag(sampling_variance) + (sds**2)[:, None, None, None] * correlation
    matrices = matrices.reshape(-1, n, n)
    whole = np.linalg.solve(matrices, np.broadcast_to(np.column_stack([design, y]), (len(matrices), n, p + 1)))
    information = np.einsum("ni,mnj->mij", design, whole[:, :, :p])
    covariances = np.linalg.inv(information)
    coefficients = np.einsum("mij,mj->mi", covariances, np.einsum("ni,mn->mi", design, whole[:, :, p]))
    squares = np.einsum("n,mn->m", y, whole[:, :, p]) - np.einsum("mi,mij,mj->m", coefficients, information, coefficients)
    likelihood = -0.5 * (np.linalg.slogdet(matrices)[1] + np.linalg.slogdet(information)[1] + squares)
    usual = float(np.sqrt(sampling_variance.mean()))
    prior = np.outer(sds / (sds + usual), np.sqrt(1 - _GRID_RHO)).ravel()  # dτ grows with τ on this grid
    weights = prior * np.exp(likelihood - likelihood.max())
    weights /= weights.sum()
    between = float(weights @ np.repeat(sds, _GRID_RHO.size))
    rho = float(weights @ np.tile(_GRID_RHO, sds.size))
    return RegressionFit(weights, coefficients, covariances, n - p, between, rho)


def as_percent(
    effect: tuple[float, float, float, float], level: float, units: str, method: str, n: int, notes: tuple[str, ...]
) -> Estimate:
    """An effect on the natural logarithm (value, se, limits) as a percent change; standard error by the delta method."""
    value, se, lower, upper = effect
    low, high = (float(100 * np.expm1(x)) for x in (lower, upper))
    return Estimate(100 * math.expm1(value), 100 * math.exp(value) * se, low, high, level, units, method, n, notes)


def two_sided(effect: tuple[float, float, float, float], degrees_of_freedom: float) -> float:
    """Two-sided probability of such an effect (value, se, limits) without one, by Student's t."""
    value, se = effect[:2]
    if se > 0:
        return float(2 * special.stdtr(degrees_of_freedom, -abs(value) / se))
    return 1.0 if value == 0 else 0.0
