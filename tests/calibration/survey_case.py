"""One estimator under simulated surveys with known truth, and what the surveys say of it."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np

from fishreport.methods.estimate import Estimate

Rng = np.random.Generator
Drawn = dict[str, tuple[Estimate, float]]
"""Quantity → estimate of one survey and the truth behind it."""

SIZES = ("small", "usual", "large")
LOW, HIGH, MOST_BIAS = 93.0, 97.0, 2.0


@dataclass(frozen=True)
class Case:
    """An estimator at three sample sizes.

    Attributes
    ----------
    name : str
        The function, and what sets this case apart.
    chapter : str
        Heading of the table.
    unit : str
        What is counted as sample size.
    sizes : tuple of int
        Small, usual, large.
    draw : callable
        One simulated survey of a size, estimated.
    modules : tuple of str
        Modules of `fishreport` that hold the estimator; a change in them, or in what they import, makes kept surveys stale.
    most : int
        Surveys beyond which the command does not go, where one costs much time.
    scale : mapping
        Quantity → what bias and error are a percentage of, where that is not the truth itself (a truth near 0).
    """

    name: str
    chapter: str
    unit: str
    sizes: tuple[int, int, int]
    draw: Callable[[Rng, int], Drawn]
    modules: tuple[str, ...]
    most: int = 1000
    scale: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Measured:
    """What surveys of one size say of one quantity; numbers in percent."""

    surveys: int
    bias: float
    median_bias: float
    error: float
    coverage: float
    not_estimable: float

    @property
    def noise(self) -> float:
        """Two Monte Carlo standard errors of the coverage."""
        held = self.surveys * (1 - self.not_estimable / 100)
        share = min(max(self.coverage / 100, 0.02), 0.98)
        return 200 * math.sqrt(share * (1 - share) / held) if held > 0 else math.nan

    def misses(self, size: str) -> str:
        """In words, what falls outside the goal; ``?`` where it may be chance."""
        said = []
        if self.coverage < LOW:
            said.append("short" + ("?" if self.coverage + self.noise >= LOW else ""))
        if self.coverage > HIGH:
            said.append("wide" + ("?" if self.coverage - self.noise <= HIGH else ""))
        if size == "usual" and abs(self.bias) >= MOST_BIAS:
            spread = math.sqrt(max(self.error**2 - self.bias**2, 0.0))
            chance = 2 * spread / math.sqrt(max(self.surveys * (1 - self.not_estimable / 100), 1.0))
            said.append("bias" + ("?" if abs(self.bias) - chance < MOST_BIAS else ""))
        return ", ".join(said)


def measure(rows: Sequence[Sequence[float]], scale: float | None = None) -> Measured:
    """From rows of value, lower, upper and truth, one a survey; value NaN where it is not estimable."""
    value, lower, upper, truth = np.asarray(rows, dtype=float).reshape(-1, 4).T
    there = np.isfinite(value)
    missing = 100 * float((~there).mean())
    if not there.any():
        return Measured(len(value), math.nan, math.nan, math.nan, math.nan, missing)
    value, lower, upper, truth = value[there], lower[there], upper[there], truth[there]
    off = (value - truth) / (truth if scale is None else scale)
    return Measured(
        surveys=len(there),
        bias=100 * float(off.mean()),
        median_bias=100 * float(np.median(off)),
        error=100 * float(np.sqrt((off**2).mean())),
        coverage=100 * float(((lower <= truth) & (truth <= upper)).mean()),
        not_estimable=missing,
    )


def same_truth(estimates: dict[str, Estimate], truth: float | dict[str, float]) -> Drawn:
    """Every estimate beside the one truth, or beside its own by name (those without a truth are left out)."""
    if isinstance(truth, dict):
        return {name: (estimates[name], value) for name, value in truth.items()}
    return {name: (estimate, truth) for name, estimate in estimates.items()}
