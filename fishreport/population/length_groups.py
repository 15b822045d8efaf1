"""The spread of length within an age class, as growth types that a fish keeps for life.

A fish of growth type *z* has the length L(t) (1 + cv·z), where L(t) is the mean length at age t and z is standard normal, cut
off at ±3. The range of z is divided into groups of equal width. A length limit then acts on part of an age class, and takes fast
growers first. Within a group the part below a limit follows the normal distribution exactly; the one approximation is that fish
of a group share their rates.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr

from fishreport.exceptions import InputError

Floats = NDArray[np.float64]
CUT = 3.0


@dataclass(frozen=True)
class LengthGroups:
    """Growth types in groups.

    Attributes
    ----------
    share : array (groups,)
        Share of an age class at its start in each group; they sum to 1.
    mean, variance : array (groups,)
        Mean and variance of z within each group.
    below : array (groups + 1,)
        Normal probability below each edge of the groups.
    """

    share: Floats
    mean: Floats
    variance: Floats
    below: Floats

    @classmethod
    def make(cls, number: int) -> LengthGroups:
        """That many groups of equal width between -3 and 3."""
        if not isinstance(number, int) or isinstance(number, bool) or not 1 <= number <= 500:
            raise InputError(f"the number of growth groups must be a whole number from 1 to 500, got {number!r}")
        edges = np.linspace(-CUT, CUT, number + 1)
        below = ndtr(edges)
        density = np.exp(-(edges**2) / 2) / np.sqrt(2 * np.pi)
        mass = np.diff(below)
        mean = -np.diff(density) / mass
        variance = 1 - np.diff(edges * density) / mass - mean**2
        share = mass / mass.sum()
        return cls(share / share.sum(), mean, np.maximum(variance, 0.0), below)

    def lengths(self, mean_mm: ArrayLike, cv: ArrayLike) -> Floats:
        """Mean length of each group, with the groups as a new last axis."""
        mean, cv = np.asarray(mean_mm, dtype=float), np.asarray(cv, dtype=float)
        return mean[..., None] * np.maximum(1 + cv[..., None] * self.mean, 0.01)

    def power_mean(self, mean_mm: ArrayLike, cv: ArrayLike, power: ArrayLike) -> Floats:
        """Mean of length**power within each group (to the second order in the spread within the group), new last axis."""
        cv, power = np.asarray(cv, dtype=float)[..., None], np.asarray(power, dtype=float)[..., None]
        relative = np.maximum(1 + cv * self.mean, 0.01)
        curve = 1 + power * (power - 1) / 2 * self.variance * (cv / relative) ** 2
        return (np.asarray(mean_mm, dtype=float)[..., None] * relative) ** power * curve

    def share_below(
        self, limit_mm: ArrayLike, start_mm: ArrayLike, end_mm: ArrayLike, cv: ArrayLike, *, points: int = 3
    ) -> Floats:
        """Share of each group shorter than a limit, on average over a step in which mean length grows from start to end.

        All arguments broadcast; the groups are a new last axis. With a spread, the mean of `points` evenly placed moments;
        without any spread, the exact part of the step before the length is reached. Exactly 0 and 1 where the limit is beyond
        the group for the whole step.
        """
        limit, start, end, cv = np.broadcast_arrays(*(np.asarray(item, dtype=float) for item in (limit_mm, start_mm, end_mm, cv)))
        if np.isposinf(limit).all():
            return np.ones((*start.shape, self.share.size))
        safe = np.where(cv > 0, cv, 1.0)
        low, width = self.below[:-1], np.diff(self.below)
        total = np.zeros((*start.shape, self.share.size))
        for point in range(points):
            length = start + (end - start) * (point + 0.5) / points
            z = (limit / np.maximum(length, 1e-6) - 1) / safe
            total += np.clip((ndtr(z)[..., None] - low) / width, 0.0, 1.0)
        total /= points
        if (cv <= 0).any():
            growth = end - start
            moving = growth > 0
            part = np.where(moving, (limit - start) / np.where(moving, growth, 1.0), np.where(limit > start, 1.0, 0.0))
            total = np.where((cv <= 0)[..., None], np.clip(part, 0.0, 1.0)[..., None], total)
        return total

    def share_within(
        self, ranges: tuple[tuple[float, float], ...], start_mm: ArrayLike, end_mm: ArrayLike, cv: ArrayLike
    ) -> Floats:
        """Share of each group within any of the ranges of length (mm), on average over a step; groups as a new last axis."""
        shape = np.broadcast_shapes(np.shape(start_mm), np.shape(end_mm), np.shape(cv))
        total = np.zeros((*shape, self.share.size))
        for low, high in ranges:
            total += self.share_below(high, start_mm, end_mm, cv)
            if low > 0:
                total -= self.share_below(low, start_mm, end_mm, cv)
        return np.clip(total, 0.0, 1.0)
