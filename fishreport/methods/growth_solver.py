"""Least squares for growth curves, for many weightings of the same fish at once (Levenberg-Marquardt).

Fish of the same age add to the sum of squares only by their number, mean and scatter about that mean, so data are reduced to
these three once. A bootstrap of thousands of replicates is then one batch of small problems that are solved side by side.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from fishreport.methods.growth_curves import POWER_BOUNDS, Floats, GrowthCurve, anchored_length

Model = Callable[[Floats], tuple[Floats, Floats]]
"""Parameters (batch, p) to expected response (batch, ages) and derivatives (batch, ages, p)."""

_CHUNK = 2_000_000


@dataclass(frozen=True, slots=True)
class AgeGroups:
    """Fish reduced to their distinct ages, in one or many weightings.

    Attributes
    ----------
    age : array (ages,)
        Distinct ages, ascending.
    weight, mean : array (batch, ages)
        Number of fish, and their mean response (0 where there are none).
    within : array (batch,)
        Sum of squares about those means.
    """

    age: Floats
    weight: Floats
    mean: Floats
    within: Floats

    def take(self, rows: slice) -> AgeGroups:
        """Some of the weightings."""
        return AgeGroups(self.age, self.weight[rows], self.mean[rows], self.within[rows])

    def repeat(self, times: int) -> AgeGroups:
        """The first weighting, `times` over."""
        shape = (times, self.age.size)
        return AgeGroups(
            self.age,
            np.broadcast_to(self.weight[:1], shape),
            np.broadcast_to(self.mean[:1], shape),
            np.broadcast_to(self.within[:1], (times,)),
        )


@dataclass(frozen=True, slots=True)
class Solution:
    """Least-squares parameters (batch, p), their residual sums of squares, and whether each converged."""

    parameters: Floats
    rss: Floats
    converged: np.ndarray


def group_ages(age: Floats, response: Floats, counts: Floats | None = None) -> AgeGroups:
    """Reduce fish to distinct ages.

    Parameters
    ----------
    age, response : array (fish,)
    counts : array (batch, fish), optional
        How often each fish stands in each weighting; once if omitted.
    """
    distinct, place = np.unique(age, return_inverse=True)
    centre = response.mean()
    centred = response - centre
    if counts is None:
        weight = np.bincount(place, minlength=distinct.size)[None].astype(float)
        total = np.bincount(place, centred, distinct.size)[None]
        square = np.bincount(place, centred**2, distinct.size)[None]
    elif distinct.size == age.size:
        order = np.argsort(age)
        weight = counts[:, order].astype(float)
        total, square = weight * centred[order], weight * centred[order] ** 2
    else:
        member = np.zeros((age.size, distinct.size))
        member[np.arange(age.size), place] = 1.0
        weight = counts @ member
        total = counts @ (member * centred[:, None])
        square = counts @ (member * (centred**2)[:, None])
    mean = np.divide(total, weight, out=np.zeros_like(total), where=weight > 0)
    within = np.maximum(square - weight * mean**2, 0.0).sum(axis=1)
    return AgeGroups(distinct, weight, np.where(weight > 0, mean + centre, 0.0), within)


def _sum_of_squares(groups_mean: Floats, weight: Floats, within: Floats, expected: Floats) -> Floats:
    rss = np.einsum("bk,bk->b", weight, (groups_mean - expected) ** 2) + within
    return np.where(np.isfinite(rss), rss, np.inf)


def minimise(
    groups: AgeGroups, model: Model, start: Floats, *, free: tuple[int, ...], tolerance: float = 1e-9, rounds: int = 200
) -> Solution:
    """Least squares over the `free` parameters; the others stay at their start.

    Converged where the relative offset (length of the projected residual against the whole) or the relative step is below
    `tolerance`. A step that would leave the region where the model exists is shortened until it does not.
    """
    at = np.array(start, float)
    columns = list(free)
    power_column = 3 if 3 in free else None
    with np.errstate(all="ignore"):
        expected, slopes = model(at)
    rss = _sum_of_squares(groups.mean, groups.weight, groups.within, expected)
    damping = np.full(len(at), 1e-4)
    converged = np.zeros(len(at), bool)
    active = np.flatnonzero(np.isfinite(rss))
    for _ in range(rounds):
        if active.size == 0:
            break
        weight, mean, jacobian = groups.weight[active], groups.mean[active], slopes[active][..., columns]
        residual = mean - expected[active]
        weighted = jacobian * weight[..., None]
        gradient = np.einsum("bkp,bk->bp", weighted, residual)
        normal = np.matmul(np.swapaxes(weighted, 1, 2), jacobian)
        size = np.sqrt(np.einsum("bpp->bp", normal))
        size = np.where(size > 0, size, 1.0)
        if power_column is not None:
            _hold_at_bounds(at[active], gradient, normal, columns.index(power_column))
        scaled = normal / (size[:, :, None] * size[:, None, :])
        scaled[:, np.arange(len(columns)), np.arange(len(columns))] += damping[active, None] + 1e-14
        step = np.linalg.solve(scaled, (gradient / size)[..., None])[..., 0] / size
        offset = np.einsum("bp,bp->b", step, gradient)
        trial = at[active]
        trial[:, columns] += step
        if power_column is not None:
            trial[:, 3] = np.clip(trial[:, 3], *POWER_BOUNDS)
        with np.errstate(all="ignore"):
            tried, tried_slopes = model(trial)
        tried_rss = _sum_of_squares(mean, weight, groups.within[active], tried)
        better = tried_rss <= rss[active] * (1 + 1e-15)
        small_step = np.max(np.abs(step) * size, axis=1) <= tolerance * np.sqrt(np.einsum("bk,bk->b", weight, mean**2) + 1e-300)
        done = (np.abs(offset) <= tolerance**2 * rss[active]) | (small_step & (damping[active] < 1))
        stuck = ~better & (damping[active] > 1e12)
        moved = active[better]
        at[moved], rss[moved] = trial[better], tried_rss[better]
        expected[moved], slopes[moved] = tried[better], tried_slopes[better]
        damping[active] = np.where(better, np.maximum(damping[active] / 10, 1e-12), damping[active] * 8)
        converged[active[done]] = True
        active = active[~done & ~stuck]
    return Solution(at, rss, converged)


def _hold_at_bounds(at: Floats, gradient: Floats, normal: Floats, column: int) -> None:
    """Take the power out of the step where it lies on a bound and would leave it (changes its arguments in place)."""
    held = ((at[:, 3] <= POWER_BOUNDS[0]) & (gradient[:, column] < 0)) | (
        (at[:, 3] >= POWER_BOUNDS[1]) & (gradient[:, column] > 0)
    )
    gradient[held, column] = 0.0
    normal[held, column, :] = 0.0
    normal[held, :, column] = 0.0
    normal[held, column, column] = 1.0


def respond(model: Model, logarithmic: bool) -> Model:
    """The model of the response: the length itself, or its logarithm."""
    if not logarithmic:
        return model

    def log_model(parameters: Floats) -> tuple[Floats, Floats]:
        length, slopes = model(parameters)
        safe = np.where(length > 0, length, np.nan)
        return np.log(safe), slopes / safe[..., None]

    return log_model


def anchored_model(groups: AgeGroups, curve: GrowthCurve, logarithmic: bool) -> Model:
    """The curve in anchored parameters at the ages of `groups`, as a model of the response."""
    young, old = float(groups.age[0]), float(groups.age[-1])
    return respond(lambda parameters: anchored_length(parameters, groups.age, curve, young, old), logarithmic)


def _starts(groups: AgeGroups, curve: GrowthCurve, logarithmic: bool) -> Floats:
    """Starting values: for each K of a grid, the curve is a straight line in its weight after a power transform."""
    young, old = float(groups.age[0]), float(groups.age[-1])
    span = old - young
    weight = groups.weight[0]
    length = np.exp(groups.mean[0]) if logarithmic else np.maximum(groups.mean[0], 1e-3 * groups.mean[0].max())
    powers = (curve.power,) if curve.power is not None else (1.0, 0.5, 0.0, -1.0)
    gap = float(np.diff(groups.age).min())
    coefficients = np.concatenate([[-1.0, -0.2, 0.2], np.geomspace(0.5, max(20.0, 4 * span / gap), 14)]) / span
    found = []
    for power in powers:
        transformed = np.log(length) if power == 0 else length**power
        for coefficient in coefficients:
            share = np.expm1(-coefficient * (groups.age - young)) / np.expm1(-coefficient * span)
            centre = np.average(share, weights=weight)
            spread = np.average((share - centre) ** 2, weights=weight)
            level = np.average(transformed, weights=weight)
            slope = np.average((share - centre) * (transformed - level), weights=weight) / max(spread, 1e-12)
            ends = level + slope * (np.array([0.0, 1.0]) - centre)
            if power == 1:
                ends = np.maximum(ends, 0.02 * length.min()) if logarithmic else ends
            elif power == 0:
                ends = np.exp(ends)
            else:
                ends = np.maximum(ends, 0.02 * transformed.min()) ** (1 / power)
            found.append((*ends, coefficient, power))
    return np.array(found)[:, : 3 if curve.power is not None else 4]


def solve_curve(groups: AgeGroups, curve: GrowthCurve, logarithmic: bool) -> Solution:
    """Least squares of one weighting, from several starts; the best is returned (batch of 1)."""
    starts = _starts(groups, curve, logarithmic)
    model = anchored_model(groups, curve, logarithmic)
    free = tuple(range(starts.shape[1]))
    many = groups.repeat(len(starts))
    with np.errstate(all="ignore"):
        first = _sum_of_squares(many.mean, many.weight, many.within, model(starts)[0])
    best = np.argsort(first)[:6]
    rough = minimise(groups.repeat(len(best)), model, starts[best], free=free, tolerance=1e-4, rounds=60)
    winner = rough.parameters[[int(np.argmin(rough.rss))]]
    return minimise(groups, model, winner, free=free, rounds=400)


def solve_replicates(
    age: Floats, response: Floats, counts: Floats, start: Floats, curve: GrowthCurve, logarithmic: bool
) -> Solution:
    """Least squares of every weighting of the fish, all from `start`, in chunks that fit into memory.

    Parameters
    ----------
    age, response : array (fish,)
    counts : array (batch, fish)
    start : array (p,)
        Anchored parameters between the youngest and the oldest of all fish.
    """
    distinct = np.unique(age).size
    size = max(1, _CHUNK // (distinct * start.size))
    parts = []
    for first in range(0, len(counts), size):
        groups = group_ages(age, response, counts[first : first + size])
        model = anchored_model(groups, curve, logarithmic)
        begin = np.repeat(start[None], len(groups.weight), axis=0)
        parts.append(minimise(groups, model, begin, free=tuple(range(start.size)), tolerance=1e-6, rounds=100))
    return Solution(
        np.concatenate([part.parameters for part in parts]),
        np.concatenate([part.rss for part in parts]),
        np.concatenate([part.converged for part in parts]),
    )
