"""Least squares for growth curves, for many weightings of the same fish at once (Levenberg-Marquardt)."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from fishreport.methods.age_groups import (
    AgeGroups,
    NodeGroups,
    chebyshev_nodes,
    group_ages,
    group_at_nodes,
    node_polynomials,
)
from fishreport.methods.growth_curves import POWER_BOUNDS, Floats, GrowthCurve, anchored_length

Model = Callable[[Floats], tuple[Floats, Floats]]
"""Parameters (batch, p) to expected response (batch, ages) and derivatives (batch, ages, p)."""

_CHUNK = 2_000_000
_MANY_AGES = 60


@dataclass(frozen=True, slots=True)
class Solution:
    """Least-squares parameters (batch, p), their residual sums of squares, and whether each converged."""

    parameters: Floats
    rss: Floats
    converged: np.ndarray


def minimise(
    groups: AgeGroups | NodeGroups,
    model: Model,
    start: Floats,
    *,
    free: tuple[int, ...],
    tolerance: float = 1e-9,
    rounds: int = 200,
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
        rss, size_of_data = np.where(_usable(slopes), groups.sum_of_squares(expected), np.inf), groups.size
    damping = np.full(len(at), 1e-4)
    converged = np.zeros(len(at), bool)
    active = np.flatnonzero(np.isfinite(rss))
    for _ in range(rounds):
        if active.size == 0:
            break
        here = groups if active.size == len(at) else groups.take(active)
        jacobian = slopes[active][..., columns]
        gradient = np.einsum("bkp,bk->bp", jacobian, here.pull(expected[active]))
        normal = np.matmul(np.swapaxes(jacobian * here.weight[..., None], 1, 2), jacobian)
        size = np.sqrt(np.maximum(np.einsum("bpp->bp", normal), 0.0))
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
            tried_rss = np.where(_usable(tried_slopes), here.sum_of_squares(tried), np.inf)
        better = tried_rss <= rss[active] * (1 + 1e-15)
        small_step = np.max(np.abs(step) * size, axis=1) <= tolerance * size_of_data[active]
        done = (np.abs(offset) <= tolerance**2 * rss[active]) | (small_step & (damping[active] < 1))
        stuck = ~better & (damping[active] > 1e12)
        moved = active[better]
        at[moved], rss[moved] = trial[better], tried_rss[better]
        expected[moved], slopes[moved] = tried[better], tried_slopes[better]
        damping[active] = np.where(better, np.maximum(damping[active] / 10, 1e-12), damping[active] * 8)
        converged[active[done]] = True
        active = active[~done & ~stuck]
    return Solution(at, rss, converged)


def _usable(slopes: Floats) -> np.ndarray:
    """Whether the derivatives of each weighting are numbers that can be squared."""
    return np.asarray(np.all(np.abs(slopes) < 1e100, axis=(1, 2)))


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


def anchored_model(groups: AgeGroups | NodeGroups, curve: GrowthCurve, logarithmic: bool) -> Model:
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
        first = many.sum_of_squares(model(starts)[0])
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
    distinct = np.unique(age)
    nodes = chebyshev_nodes(float(distinct[0]), float(distinct[-1]))
    by_nodes = distinct.size > _MANY_AGES and _nodes_serve(distinct, nodes, start, curve, logarithmic)
    size = max(1, _CHUNK // ((nodes if by_nodes else distinct).size * start.size))
    parts = []
    for first in range(0, len(counts), size):
        chunk = counts[first : first + size]
        groups = group_at_nodes(age, response, chunk, nodes) if by_nodes else group_ages(age, response, chunk)
        model = anchored_model(groups, curve, logarithmic)
        begin = np.repeat(start[None], len(chunk), axis=0)
        parts.append(minimise(groups, model, begin, free=tuple(range(start.size)), tolerance=1e-6, rounds=100))
    return Solution(
        np.concatenate([part.parameters for part in parts]),
        np.concatenate([part.rss for part in parts]),
        np.concatenate([part.converged for part in parts]),
    )


def _nodes_serve(age: Floats, nodes: Floats, start: Floats, curve: GrowthCurve, logarithmic: bool) -> bool:
    """Whether the polynomial through the nodes follows the curve and its square at every age, to 1e-7 of its rise."""
    young, old = float(age[0]), float(age[-1])
    polynomials = node_polynomials(age, nodes)
    with np.errstate(all="ignore"):
        exact, at_nodes = (
            respond(lambda p, a=ages: anchored_length(p, a, curve, young, old), logarithmic)(start)[0]  # type: ignore[misc]
            for ages in (age, nodes)
        )
    rise = float(np.ptp(exact))
    middle = float(exact.mean())
    worst = max(float(np.max(np.abs(polynomials @ (at_nodes - middle) ** k - (exact - middle) ** k))) / rise**k for k in (1, 2))
    return bool(worst < 1e-7)
