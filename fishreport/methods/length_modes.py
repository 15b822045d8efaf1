"""Age groups as modes of a length frequency: a mixture of normals, with or without means on a growth curve."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
import pandas as pd
from scipy import optimize, stats

from fishreport.exceptions import InputError
from fishreport.methods.age_key import check_lengths
from fishreport.methods.estimate import Estimate
from fishreport.methods.growth_curves import Floats
from fishreport.methods.inputs import check_level
from fishreport.methods.length_at_age import check_choice

Means = Literal["growth curve", "free"]

_FISH_A_MODE = 10


@dataclass(frozen=True)
class LengthModes:
    """A mixture of normal distributions of length.

    Attributes
    ----------
    number : int
        Modes; 0 when not estimable.
    modes : DataFrame
        One row a mode, shortest first: ``mode`` (1, 2, ...), ``mean_mm``, ``mean_se``, ``lower``, ``upper``, ``sd_mm``,
        ``weight`` (share of the fish), ``weight_se``, ``fish`` (expected number).
    growth_coefficient : Estimate
        K (per year) where the means lie on a growth curve and modes are a year apart.
    asymptotic_length : Estimate
        Linf (mm), likewise.
    criterion : DataFrame
        ``number``, ``parameters``, ``log_likelihood``, ``bic``, ``difference`` of every number tried.
    means : str
        ``growth curve`` or ``free``.
    level : float
    n : int
    notes : tuple[str, ...]
    """

    number: int
    modes: pd.DataFrame
    growth_coefficient: Estimate
    asymptotic_length: Estimate
    criterion: pd.DataFrame = field(repr=False)
    means: str
    level: float
    n: int
    notes: tuple[str, ...]

    @property
    def estimable(self) -> bool:
        """True when there are modes."""
        return self.number > 0

    def density(self, length_mm: Any) -> Floats:
        """Density of each mode times its weight, (lengths, modes), per mm."""
        x = np.atleast_1d(np.asarray(length_mm, float))[:, None]
        mean, sd, weight = (self.modes[name].to_numpy(float) for name in ("mean_mm", "sd_mm", "weight"))
        return weight * np.exp(-(((x - mean) / sd) ** 2) / 2) / (sd * math.sqrt(2 * math.pi))

    def membership(self, length_mm: Any) -> Floats:
        """Probability that a fish of each length belongs to each mode, (lengths, modes)."""
        density = self.density(length_mm)
        return density / np.maximum(density.sum(axis=1, keepdims=True), 1e-300)


class _Mixture:
    """The likelihood of lengths, counted at their distinct values, in unbounded parameters."""

    def __init__(self, lengths: Floats, number: int, constrained: bool) -> None:
        self.x, self.count = np.unique(lengths, return_counts=True)
        self.number, self.constrained = number, constrained and number > 2
        self.centre, self.scale = float(lengths.mean()), float(lengths.std())
        self.floor = max(1e-3 * self.scale, 1e-9)
        self.size = (number - 1) + (3 if self.constrained else number) + (2 if number > 1 else 1)

    def unpack(self, at: Floats) -> tuple[Floats, Floats, Floats]:
        """Weights, means and standard deviations."""
        k = self.number
        eta = np.concatenate([[0.0], at[: k - 1]])
        weight = np.exp(eta - eta.max())
        weight /= weight.sum()
        rest = at[k - 1 :]
        if self.constrained:
            # first mean, log of the whole rise, log of K: steps between the means shrink by exp(-K)
            coefficient = math.exp(min(max(rest[2], -12.0), 2.5))
            share = np.expm1(-coefficient * np.arange(k)) / math.expm1(-coefficient * (k - 1))
            mean = rest[0] + math.exp(min(rest[1], 50.0)) * share
            rest = rest[3:]
        else:
            mean = rest[0] + np.concatenate([[0.0], np.cumsum(np.exp(np.minimum(rest[1:k], 50.0)))])
            rest = rest[k:]
        sd = np.exp(np.clip(rest[0], -20, 20)) * np.ones(k)
        if k > 1:
            # log sd changes in a straight line from the shortest mode to the longest
            sd = sd * np.exp(np.clip(rest[1], -3, 3) * (mean - mean[0]) / (mean[-1] - mean[0]))
        return weight, mean * self.scale + self.centre, sd * self.scale + self.floor

    def cost(self, at: Floats) -> float:
        """Minus the log-likelihood."""
        weight, mean, sd = self.unpack(at)
        z = (self.x[:, None] - mean) / sd
        terms = np.log(weight + 1e-300) - np.log(sd) - z**2 / 2 - math.log(2 * math.pi) / 2
        top = terms.max(axis=1)
        return -float(self.count @ (top + np.log(np.exp(terms - top[:, None]).sum(axis=1))))

    def starts(self) -> list[Floats]:
        """Means spread over the middle of the lengths, evenly or closing up, with equal weights."""
        k = self.number
        low, high = (np.quantile(np.repeat(self.x, self.count), q) for q in (0.5 / (k + 0.5), 1 - 0.3 / (k + 0.5)))
        a, b = (low - self.centre) / self.scale, (high - self.centre) / self.scale
        found = []
        for coefficient in (0.05, 0.3, 0.7) if k > 2 else (0.3,):
            for stretch in (1.0, 1.25):
                rise = (b - a) * stretch + 1e-3
                first = a - (stretch - 1) * (b - a) / 2
                sd = math.log(max(rise / (3.5 * max(k - 1, 1)), 0.05)) if k > 1 else 0.0
                if self.constrained:
                    mean = [first, math.log(rise), math.log(coefficient)]
                else:
                    share = np.expm1(-coefficient * np.arange(k)) / np.expm1(-coefficient * max(k - 1, 1))
                    mean = [first, *np.log(np.maximum(np.diff(first + rise * share), 1e-3))] if k > 1 else [0.0]
                found.append(np.array([*np.zeros(k - 1), *mean, sd, *([0.3] if k > 1 else [])]))
        return found

    def best(self) -> tuple[Floats, float]:
        """Parameters and minus log-likelihood at the best of the local maxima found."""
        answers = [
            optimize.minimize(self.cost, start, method="L-BFGS-B", options={"maxiter": 120, "ftol": 1e-7})
            for start in self.starts()
        ]
        winner = min(answers, key=lambda answer: answer.fun)
        polished = optimize.minimize(
            self.cost, winner.x, method="L-BFGS-B", options={"maxiter": 500, "ftol": 1e-13, "gtol": 1e-7}
        )
        return np.asarray(polished.x, float), float(polished.fun)

    def covariance(self, at: Floats) -> Floats:
        """Inverse of the curvature; NaN where it is not positive definite."""
        p, step = at.size, 1e-4
        unit = np.eye(p) * step
        hessian = np.empty((p, p))
        for i in range(p):
            for j in range(i, p):
                corners = [self.cost(at + s * unit[i] + t * unit[j]) for s in (1, -1) for t in (1, -1)]
                hessian[i, j] = hessian[j, i] = (corners[0] - corners[1] - corners[2] + corners[3]) / (4 * step**2)
        values = np.linalg.eigvalsh(hessian)
        if not np.all(np.isfinite(values)) or values[0] <= 1e-9 * values[-1]:
            return np.full((p, p), math.nan)
        return np.asarray(np.linalg.inv(hessian), float)


def _delta(call: Callable[[Floats], Floats], at: Floats, covariance: Floats) -> Floats:
    """Standard errors of a function of the parameters."""
    step = 1e-5
    slopes = np.array([(call(at + step * e) - call(at - step * e)) / (2 * step) for e in np.eye(at.size)])
    return np.sqrt(np.maximum(np.einsum("pi,pq,qi->i", slopes, covariance, slopes), 0.0))


_COLUMNS = ["mode", "mean_mm", "mean_se", "lower", "upper", "sd_mm", "weight", "weight_se", "fish"]


def fit_length_modes(
    length_mm: Any,
    *,
    number: int | None = None,
    largest: int = 6,
    means: Means = "growth curve",
    level: float = 0.95,
    minimum: int = 50,
) -> LengthModes:
    """Split a length frequency into normal modes by maximum likelihood.

    Parameters
    ----------
    length_mm : array (fish,)
        From one survey, so that age groups are a year apart (mm).
    number : int, optional
        How many modes; if omitted the number of least BIC from 1 up to `largest`.
    largest : int
    means : {"growth curve", "free"}
        Means of successive modes on a von Bertalanffy curve, each step between them exp(-K) of the one before (Schnute and
        Fournier 1980, Can. J. Fish. Aquat. Sci. 37:1337-1351, from memory), or wherever they fit best.
    level : float
    minimum : int
        Fish below which nothing is fitted.

    Returns
    -------
    LengthModes
        The logarithm of the standard deviation changes in a straight line with the mean. Standard errors by the delta
        method from the curvature of the log-likelihood, with normal intervals. BIC = -2 log L + p log n (Schwarz 1978).
        Not estimable: fewer than `minimum` fish or 10 a mode, or one length only. K needs three modes on a curve.

    Raises
    ------
    InputError
        For lengths of 0 or less, fewer than one mode, or an unknown option.
    """
    check_choice("means", means, ("growth curve", "free"))
    check_level(level)
    if (number is not None and number < 1) or largest < 1:
        raise InputError(f"number and largest must be at least 1, got {number} and {largest}")
    lengths = check_lengths(length_mm) if np.size(length_mm) else np.zeros(0)
    kept = ~np.isnan(lengths)
    lengths = lengths[kept]
    n = int(lengths.size)
    notes = [f"{int(np.sum(~kept))} fish without length left out"] if not kept.all() else []
    curve = means == "growth curve"
    method = (
        f"mixture of normals by maximum likelihood, means {'on a von Bertalanffy curve' if curve else 'free'}; normal interval"
    )

    def absent(reason: str, units: str) -> Estimate:
        return Estimate.not_estimable(reason, units=units, method=method, n=n, level=level)

    needed = max(minimum, _FISH_A_MODE * (number or 1))
    why = f"{n} fish, {needed} needed" if n < needed else "all fish have the same length" if np.ptp(lengths) == 0 else ""
    if why:
        return LengthModes(
            number=0,
            modes=pd.DataFrame(columns=_COLUMNS, dtype=float),
            growth_coefficient=absent(why, "1/yr"),
            asymptotic_length=absent(why, "mm"),
            criterion=pd.DataFrame(columns=["number", "parameters", "log_likelihood", "bic", "difference"], dtype=float),
            means=means,
            level=level,
            n=n,
            notes=(f"not estimable: {why}", *notes),
        )
    tried = [number] if number is not None else list(range(1, min(largest, n // _FISH_A_MODE) + 1))
    answers, rows = {}, []
    for k in tried:
        mixture = _Mixture(lengths, k, curve)
        at, cost = mixture.best()
        answers[k] = (mixture, at)
        rows.append((k, mixture.size, -cost, 2 * cost + mixture.size * math.log(n)))
    criterion = pd.DataFrame(rows, columns=["number", "parameters", "log_likelihood", "bic"])
    criterion["difference"] = criterion["bic"] - criterion["bic"].min()
    chosen = tried[int(np.argmin(criterion["bic"].to_numpy(float)))]
    if number is None:
        near = criterion[(criterion["difference"] < 2) & (criterion["number"] != chosen)]["number"].tolist()
        if near:
            notes.append(f"{' and '.join(str(int(k)) for k in near)} modes fit almost as well (BIC within 2)")
        if chosen == tried[-1] and chosen > 1:
            notes.append(f"{chosen} is the largest number tried; more modes may fit better")
    mixture, at = answers[chosen]
    covariance = mixture.covariance(at)
    weight, mean, sd = mixture.unpack(at)
    mean_se = _delta(lambda p: mixture.unpack(p)[1], at, covariance)
    weight_se = _delta(lambda p: mixture.unpack(p)[0], at, covariance)
    if np.isnan(covariance).any():
        notes.append("standard errors cannot be given: the likelihood is flat in some direction")
    z = float(stats.norm.ppf((1 + level) / 2))
    modes = pd.DataFrame(
        {
            "mode": np.arange(1, chosen + 1),
            "mean_mm": mean,
            "mean_se": mean_se,
            "lower": mean - z * mean_se,
            "upper": mean + z * mean_se,
            "sd_mm": sd,
            "weight": weight,
            "weight_se": weight_se,
            "fish": weight * n,
        }
    )
    gaps = np.diff(mean) / (sd[1:] + sd[:-1])
    if gaps.size and gaps.min() < 1:
        notes.append("neighbouring modes overlap (means closer than the sum of their standard deviations): read them with ages")
    if not mixture.constrained:
        why = "the means are free" if not curve else f"{chosen} mode{'s' if chosen > 1 else ''}, 3 needed for a curve"
        return LengthModes(chosen, modes, absent(why, "1/yr"), absent(why, "mm"), criterion, means, level, n, tuple(notes))

    notes.append("the longest mode may hold several ages: K then comes out low")

    def growth(p: Floats) -> Floats:
        """log K and log Linf."""
        k = p[chosen + 1]
        first, rise = p[chosen - 1], math.exp(p[chosen])
        asymptote = first + rise / -math.expm1(-math.exp(k) * (chosen - 1))
        return np.array([k, math.log(max(asymptote * mixture.scale + mixture.centre, 1e-12))])

    value, se = growth(at), _delta(growth, at, covariance)
    estimates = [
        Estimate(
            math.exp(v),
            math.exp(v) * s,
            math.exp(v - z * s),
            math.exp(min(v + z * s, 700.0)),
            level,
            units,
            method,
            n,
            tuple(notes),
        )
        for v, s, units in zip(value.tolist(), se.tolist(), ("1/yr", "mm"), strict=True)
    ]
    if math.exp(value[1]) > 10 * lengths.max():
        why = "the modes are evenly spaced, so K runs to 0 and Linf to infinity"
        estimates = [absent(why, "1/yr"), absent(why, "mm")]
    return LengthModes(chosen, modes, estimates[0], estimates[1], criterion, means, level, n, tuple(notes))
