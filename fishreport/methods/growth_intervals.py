"""Intervals of growth parameters that need no symmetry: by profile, and by bootstrap of the aged fish."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import optimize, stats

from fishreport.methods.age_groups import AgeGroups
from fishreport.methods.growth_curves import POWER_BOUNDS, Floats, GrowthCurve, natural_length, to_natural
from fishreport.methods.growth_solver import Solution, anchored_model, minimise, respond, solve_replicates

_FARTHEST = 40


@dataclass(frozen=True, slots=True)
class FitState:
    """What an interval needs of a least-squares fit.

    Attributes
    ----------
    groups : AgeGroups
    curve : GrowthCurve
    logarithmic : bool
        Whether the response is log length.
    anchored, natural : array (p,)
        The estimates in both kinds of parameters.
    covariance : array (p, p)
        Of the natural parameters.
    rss : float
    df : int
        n - p.
    """

    groups: AgeGroups
    curve: GrowthCurve
    logarithmic: bool
    anchored: Floats
    natural: Floats
    covariance: Floats
    rss: float
    df: int

    @property
    def variance(self) -> float:
        """Residual variance, RSS / (n - p)."""
        return self.rss / self.df


def _signed_root(state: FitState, rss: float) -> float:
    return math.sqrt(max(rss - state.rss, 0.0) / state.variance)


def _without(index: int, p: int) -> tuple[int, ...]:
    return tuple(column for column in range(p) if column != index)


class _Profile:
    """Root of the excess sum of squares when one parameter is held; each solution is the start of the next."""

    def __init__(self, state: FitState, index: int) -> None:
        self.state, self.index = state, index
        self.anchored = index in (1, 3)
        self.column = 2 if index == 1 else index  # where the held parameter stands among those the search moves in
        self.at = np.array(state.anchored if self.anchored else state.natural, float)
        if self.anchored:
            self.model = anchored_model(state.groups, state.curve, state.logarithmic)
        else:
            self.model = respond(lambda parameters: natural_length(parameters, state.groups.age, state.curve), state.logarithmic)

    def _start(self, held: float) -> Floats:
        start = self.at.copy()
        start[self.column] = held
        if self.index == 0:
            # keep the length at the youngest age and its slope, so that the start follows the asymptote however far it goes
            young = self.state.groups.age[:1]
            with np.errstate(all="ignore"):
                first = float(natural_length(self.at, young, self.state.curve)[0][0])
                coefficient = self.at[1] * (self.at[0] - first) / (held - first)
                power = self.state.curve.power if self.state.curve.power is not None else self.at[3]
                ratio = first / held
                depth = math.nan
                if power == 1:
                    depth = 1 - ratio
                elif 1e-12 < ratio < 1:
                    depth = -math.log(ratio) if abs(power) < 1e-6 else (1 - ratio**power) / power
                if depth > 0 and coefficient > 0:
                    start[1], start[2] = coefficient, young[0] + math.log(depth) / coefficient
        elif self.index == 2:
            start[:2] = self._scaled(start)
        return start

    def _scaled(self, start: Floats) -> Floats:
        """Linf and K for a held t_i: for each K of a grid Linf is the scale that fits best."""
        state = self.state
        trial = np.tile(start, (41, 1))
        trial[:, 0] = 1.0
        trial[:, 1] = self.at[1] * np.geomspace(0.05, 20, 41)
        weight, mean = state.groups.weight[0], state.groups.mean[0]
        with np.errstate(all="ignore"):
            unit = natural_length(trial, state.groups.age, state.curve)[0]
            if state.logarithmic:
                offset = mean - np.log(np.where(unit > 0, unit, np.nan))
                log_scale = offset @ weight / weight.sum()
                scale = np.exp(log_scale)
                cost = (offset - log_scale[:, None]) ** 2 @ weight
            else:
                scale = (unit * mean) @ weight / (unit**2 @ weight)
                cost = (mean - scale[:, None] * unit) ** 2 @ weight
        if not np.isfinite(cost).any():
            return start[:2]
        best = int(np.nanargmin(cost))
        return np.array([scale[best], trial[best, 1]])

    def __call__(self, held: float) -> float:
        best: Solution | None = None
        for start in (self._start(held), self._held(self.at, held)):
            found = minimise(
                self.state.groups, self.model, start[None], free=_without(self.column, start.size), tolerance=1e-7, rounds=80
            )
            if best is None or found.rss[0] < best.rss[0]:
                best = found
            if found.converged[0]:
                break
        if best is None or not np.isfinite(best.rss[0]):
            return math.inf
        root = _signed_root(self.state, float(best.rss[0]))
        if root < 50:
            self.at = best.parameters[0]
        return root

    def _held(self, at: Floats, held: float) -> Floats:
        start = at.copy()
        start[self.column] = held
        return start


def _limit(
    root: Callable[[float], float], centre: float, step: float, quantile: float, *, end: float, farthest: int = _FARTHEST
) -> float:
    """Where the root reaches `quantile`, going from `centre` by growing steps towards `end`; `end` if it never does."""
    seen = {centre: 0.0}

    def excess(x: float) -> float:
        if x not in seen:
            seen[x] = min(root(x), 1e6)
        return seen[x] - quantile

    inside = centre
    for _ in range(farthest):
        outside = inside + step
        if (step > 0) == (outside >= end):
            return end
        if excess(outside) >= 0:
            return float(optimize.brentq(excess, inside, outside, xtol=1e-10 * abs(step), rtol=1e-8))
        inside, step = outside, step * 1.6
    return end


def profile_limits(state: FitState, level: float) -> Floats:
    """Profile limits of every natural parameter.

    The limits are the values at which ``[RSS(held) - RSS] / s^2`` reaches the `level` quantile of F(1, n - p) (Bates and Watts
    1988, Nonlinear Regression Analysis, section 6.1, from memory). Where even growth without an asymptote (K = 0) lies
    within, the upper limit of Linf is infinite and the lower limit of K is 0.

    Returns
    -------
    array (p, 2)
    """
    quantile = float(stats.t.ppf((1 + level) / 2, state.df))
    p = state.natural.size
    se = np.sqrt(np.diag(state.covariance))
    flat = state.anchored.copy()
    flat[2] = 0.0
    model = anchored_model(state.groups, state.curve, state.logarithmic)
    straight = minimise(state.groups, model, flat[None], free=_without(2, p), tolerance=1e-7, rounds=80)
    open_ended = _signed_root(state, float(straight.rss[0])) < quantile
    limits = np.full((p, 2), np.nan)
    for index in range(p):
        first_step = quantile * se[index]
        if not math.isfinite(first_step) or first_step == 0:
            continue
        value = float(state.natural[index])
        for side, sign in enumerate((-1.0, 1.0)):
            profile = _Profile(state, index)
            if index == 0:
                if sign > 0 and open_ended:
                    limits[0, 1] = math.inf
                    continue
                # on the scale of 1 / Linf the profile is nearly straight, and infinity is a point like any other
                inverse = _limit(
                    lambda x, call=profile: call(1 / x),  # type: ignore[misc]
                    1 / value,
                    -sign * min(first_step / value**2, 0.4 / value),
                    quantile,
                    end=0.0 if sign > 0 else math.inf,
                )
                limits[0, side] = 1 / inverse if inverse > 0 else math.inf
            elif index == 1:
                if sign < 0 and open_ended:
                    limits[1, 0] = 0.0
                    continue
                step = first_step if sign > 0 else -min(first_step, 0.5 * value)
                limits[1, side] = _limit(profile, value, step, quantile, end=math.inf if sign > 0 else 0.0)
            elif index == 2:
                limits[2, side] = _limit(profile, value, sign * first_step, quantile, end=sign * math.inf, farthest=14)
            else:
                limits[3, side] = _limit(profile, value, sign * first_step, quantile, end=POWER_BOUNDS[side] + sign * 1e-12)
    return limits


def draw_counts(n: int, resamples: int, rng: np.random.Generator) -> Floats:
    """How often each of `n` fish is drawn, in each of `resamples` samples with replacement, (resamples, n)."""
    drawn = rng.integers(n, size=(resamples, n))
    drawn += np.arange(resamples)[:, None] * n
    return np.bincount(drawn.ravel(), minlength=resamples * n).reshape(resamples, n).astype(np.float64)


def resample_parameters(
    state: FitState, age: Floats, response: Floats, resamples: int, rng: np.random.Generator
) -> tuple[Floats, np.ndarray]:
    """Natural parameters of `resamples` samples of the fish drawn with replacement.

    Returns
    -------
    replicates : array (resamples, p)
        Where a replicate has no asymptote Linf is infinite, K 0 and t_i NaN.
    converged : array (resamples,)
    """
    n = age.size
    counts = draw_counts(n, resamples, rng)
    found = solve_replicates(age, response, counts, state.anchored, state.curve, state.logarithmic)
    young, old = float(state.groups.age[0]), float(state.groups.age[-1])
    with np.errstate(all="ignore"):
        return to_natural(found.parameters, state.curve, young, old), found.converged


def corrected_percentiles(value: float, replicates: Floats, influence: Floats, level: float) -> tuple[float, float]:
    """Bias-corrected and accelerated percentile limits (Efron 1987, J. Am. Stat. Assoc. 82:171-185, from memory).

    Parameters
    ----------
    value : float
    replicates : array
        NaN left out; infinite values keep their rank.
    influence : array (fish,)
        Influence of each fish on the estimate, for the acceleration.
    """
    kept = np.sort(replicates[~np.isnan(replicates)])
    below = (np.sum(kept < value) + 0.5 * np.sum(kept == value)) / kept.size
    below = min(max(below, 0.5 / kept.size), 1 - 0.5 / kept.size)
    bias = float(stats.norm.ppf(below))
    squares = float(np.sum(influence**2))
    acceleration = float(np.sum(influence**3)) / (6 * squares**1.5) if squares > 0 else 0.0
    limits = []
    for tail in ((1 - level) / 2, (1 + level) / 2):
        z = bias + float(stats.norm.ppf(tail))
        share = float(stats.norm.cdf(bias + z / max(1 - acceleration * z, 1e-6)))
        limits.append(float(kept[min(int(share * kept.size), kept.size - 1)]))
    return limits[0], limits[1]
