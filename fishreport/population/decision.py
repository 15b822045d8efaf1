"""Rules compared over every draw: outcomes, differences, chances to meet objectives, dominance and regret.

All scenarios of a projection share their draws, so a difference is taken within each draw and its interval is that of the paired
differences. Intervals are equal-tailed quantiles over the draws: they carry the uncertainty of the inputs and the chance of
recruitment, not the error of the model's form. Simulations inform; licensed managers and the public process decide.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.stats import norm

from fishreport.exceptions import InputError
from fishreport.methods.estimate import Estimate
from fishreport.population.projection import Projection, units_of

Floats = NDArray[np.float64]


def _level(level: float) -> float:
    if not 0 < level < 1:
        raise InputError(f"level must be between 0 and 1, got {level!r}")
    return level


def _quantiles(values: Floats, *, level: float, units: str, what: str) -> Estimate:
    """Median and equal-tailed interval over draws; draws without a value are left out and counted."""
    known = values[np.isfinite(values)]
    method = f"median, standard deviation and equal-tailed quantiles of {what} over draws"
    if known.size < 2:
        return Estimate.not_estimable(f"{known.size} draws with a value, 2 needed", units=units, method=method, n=known.size)
    tail = (1 - level) / 2
    lower, median, upper = np.quantile(known, [tail, 0.5, 1 - tail])
    left_out = values.size - known.size
    notes = (f"{left_out} of {values.size} draws have no value and are left out",) if left_out else ()
    return Estimate(float(median), float(known.std(ddof=1)), float(lower), float(upper), level, units, method, known.size, notes)


@dataclass(frozen=True, slots=True)
class Verdict:
    """Whether the draws tell two rules apart.

    Attributes
    ----------
    first, second : str
        Scenarios.
    quantity : str
    difference : Estimate
        Second less first, within each draw.
    probability_higher : float
        Share of draws in which the second is higher (ties count half).
    cannot_tell : bool
        True when the interval of the paired difference spans zero.
    sentence : str
        That, in words.
    """

    first: str
    second: str
    quantity: str
    difference: Estimate
    probability_higher: float
    cannot_tell: bool
    sentence: str


@dataclass(frozen=True, slots=True)
class Outcome:
    """One scenario: the quantity itself, and its difference from the reference scenario."""

    scenario: str
    rule: str
    quantity: str
    year: int
    value: Estimate
    verdict: Verdict


def cannot_tell(
    projection: Projection,
    first: str | int,
    second: str | int,
    quantity: str,
    *,
    year: int | None = None,
    over_years: int = 1,
    level: float = 0.95,
) -> Verdict:
    """Compare two scenarios on one quantity.

    Parameters
    ----------
    projection : Projection
    first, second : str or int
        Scenarios by name or place; the difference is second less first.
    quantity : str
    year : int, optional
        Year counted from 1; None is the last. `over_years` takes the mean of that many years up to it.
    level : float
        Level of the interval of the paired difference.

    Returns
    -------
    Verdict
    """
    one, two = projection.scenario(first), projection.scenario(second)
    values = projection.at(quantity, year=year, over_years=over_years)
    gap = values[two] - values[one]
    units = units_of(quantity)
    found = _quantiles(gap, level=_level(level), units=units, what="paired differences")
    known = gap[np.isfinite(gap)]
    higher = float(np.mean((known > 0) + 0.5 * (known == 0))) if known.size else math.nan
    names = projection.scenarios[one], projection.scenarios[two]
    place = projection.year(year) + 1
    label = quantity.replace("_", " ")
    same = bool(known.size) and not known.any()
    unclear = not found.estimable or found.lower <= 0 <= found.upper
    # Paired differences as far apart as rounding are no difference.
    if known.size and float(np.abs(known).max()) <= 1e-12 * max(float(np.nanmax(np.abs(values))), 1e-300):
        same, unclear = True, True
    head = f"{names[1]} against {names[0]}, {label} in year {place}:"
    if not found.estimable:
        text = f"{head} there is no value to compare."
    elif same:
        text = f"{head} both rules give the same."
    elif unclear:
        text = (
            f"{head} the data cannot tell the two rules apart "
            f"({100 * level:g} % interval of the difference {found.lower:.3g} to {found.upper:.3g} {units} spans zero)."
        )
    else:
        way = "higher" if found.value > 0 else "lower"
        text = (
            f"{head} {way} by {abs(found.value):.3g} {units} "
            f"({100 * level:g} % interval of the difference {found.lower:.3g} to {found.upper:.3g})."
        )
    return Verdict(names[0], names[1], quantity, found, higher, unclear, text)


def compare(
    projection: Projection,
    quantity: str,
    *,
    year: int | None = None,
    over_years: int = 1,
    reference: str | int = 0,
    level: float = 0.95,
) -> tuple[Outcome, ...]:
    """Every scenario on one quantity, with its difference from the reference (the first, today's rule, unless named)."""
    values = projection.at(quantity, year=year, over_years=over_years)
    found = []
    for place, name in enumerate(projection.scenarios):
        value = _quantiles(values[place], level=_level(level), units=units_of(quantity), what="the outcome")
        verdict = cannot_tell(projection, reference, place, quantity, year=year, over_years=over_years, level=level)
        found.append(Outcome(name, projection.sentences[place], quantity, projection.year(year) + 1, value, verdict))
    return tuple(found)


@dataclass(frozen=True, slots=True)
class Goal:
    """What a plan asks of a quantity: exactly one of `at_least`, `at_most`, `between`, as a mean of `over_years` years."""

    quantity: str
    at_least: float | None = None
    at_most: float | None = None
    between: tuple[float, float] | None = None
    over_years: int = 1
    name: str = ""

    def __post_init__(self) -> None:
        given = [name for name in ("at_least", "at_most", "between") if getattr(self, name) is not None]
        if len(given) != 1:
            raise InputError(f"a goal needs exactly one of at_least, at_most, between; got {', '.join(given) or 'none'}")
        if self.between is not None and not self.between[0] < self.between[1]:
            raise InputError(f"between needs a lower and a higher number, got {self.between}")

    def met(self, values: Floats) -> NDArray[np.bool_]:
        """Whether values meet the goal; a value that does not exist (NaN) does not."""
        low, high = self.between or (self.at_least, self.at_most)
        answer = np.isfinite(values)
        if low is not None:
            answer &= values >= low
        if high is not None:
            answer &= values <= high
        return answer


@dataclass(frozen=True, slots=True)
class Chance:
    """The probability that a scenario meets a goal in a year."""

    scenario: str
    goal: Goal
    year: int
    probability: Estimate


def goal_probability(projection: Projection, goal: Goal) -> Floats:
    """Share of draws that meet the goal, scenarios × years (means over the years that exist up to each year)."""
    met = [goal.met(projection.at(goal.quantity, year=int(year), over_years=goal.over_years)) for year in projection.years]
    return np.stack(met, axis=-1).mean(axis=1)


def chances(
    projection: Projection, goals: Sequence[Goal], *, years: Sequence[int] | None = None, level: float = 0.95
) -> tuple[Chance, ...]:
    """The decision table: every scenario, goal and horizon year (the last unless named).

    The interval is Wilson's (1927) for the number of draws alone: how far the simulation was long enough.
    """
    z = float(norm.ppf(0.5 + _level(level) / 2))
    n = projection.by_scenario.shape[1]
    found = []
    for goal in goals:
        table = goal_probability(projection, goal)
        for place, name in enumerate(projection.scenarios):
            for year in years if years is not None else (int(projection.years[-1]),):
                p = float(table[place, projection.year(year)])
                centre, half = (p + z * z / (2 * n)) / (1 + z * z / n), z * math.sqrt(p * (1 - p) / n + (z / (2 * n)) ** 2)
                half /= 1 + z * z / n
                estimate = Estimate(
                    p,
                    math.sqrt(p * (1 - p) / n),
                    max(0.0, min(p, centre - half)),  # at 0 and 1 the limit is p itself, whatever rounding leaves
                    min(1.0, max(p, centre + half)),
                    level,
                    "",
                    "share of draws that meet the goal; Wilson interval for the number of draws",
                    n,
                )
                found.append(Chance(name, goal, year, estimate))
    return tuple(found)


@dataclass(frozen=True, slots=True)
class Dominance:
    """Which scenarios leave others behind on all goals at once.

    `probability[i, j]` is the share of draws in which scenario i is at least as good as j on every quantity and better on one.
    `dominated` lists pairs (loser, winner) where that share is at least `certainty`.
    """

    scenarios: tuple[str, ...]
    probability: Floats
    dominated: tuple[tuple[str, str], ...]
    certainty: float


def dominance(
    projection: Projection,
    wanted: Mapping[str, Literal["more", "less"]],
    *,
    year: int | None = None,
    over_years: int = 1,
    certainty: float = 0.9,
) -> Dominance:
    """Dominance between scenarios on several quantities, each wanted 'more' or 'less' of."""
    if not wanted or any(way not in ("more", "less") for way in wanted.values()):
        raise InputError(f"wanted must map quantities to 'more' or 'less', got {dict(wanted)}")
    signs = [1.0 if way == "more" else -1.0 for way in wanted.values()]
    values = np.stack(
        [sign * projection.at(name, year=year, over_years=over_years) for sign, name in zip(signs, wanted, strict=True)], axis=-1
    )
    one, two = values[:, None], values[None, :]
    share = ((one >= two).all(axis=-1) & (one > two).any(axis=-1)).mean(axis=-1)
    names = projection.scenarios
    pairs = [(names[j], names[i]) for i in range(len(names)) for j in range(len(names)) if share[i, j] >= certainty]
    return Dominance(names, share, tuple(pairs), certainty)


@dataclass(frozen=True, slots=True)
class Regret:
    """What is lost against the best scenario of each draw, by scenario, in the units of the quantity.

    `mean` and `high` (the upper quantile at `level`, one-sided) of the regret; `probability_best` (ties shared); `least_mean` and
    `least_high` name the scenarios with the smallest of each.
    """

    scenarios: tuple[str, ...]
    quantity: str
    mean: Floats
    high: Floats
    probability_best: Floats
    least_mean: str
    least_high: str
    level: float


def regret(
    projection: Projection,
    quantity: str,
    *,
    want: Literal["more", "less"] = "more",
    year: int | None = None,
    over_years: int = 1,
    level: float = 0.95,
) -> Regret:
    """Regret of each scenario on one quantity; draws without a value in some scenario are left out."""
    if want not in ("more", "less"):
        raise InputError(f"want must be 'more' or 'less', got {want!r}")
    values = projection.at(quantity, year=year, over_years=over_years) * (1 if want == "more" else -1)
    values = values[:, np.isfinite(values).all(axis=0)]
    if values.shape[1] == 0:
        raise InputError(f"{quantity} has no value in any draw; regret needs one")
    best = values.max(axis=0)
    loss = best - values
    ties = values == best
    mean, high = loss.mean(axis=1), np.quantile(loss, _level(level), axis=1)
    names = projection.scenarios
    return Regret(
        names,
        quantity,
        mean,
        high,
        (ties / ties.sum(axis=0)).mean(axis=1),
        names[int(mean.argmin())],
        names[int(high.argmin())],
        level,
    )
