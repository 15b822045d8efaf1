"""A management objective against an estimate: how probable it is that it is met, and what may be said of it."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

from scipy.stats import norm

from fishreport.exceptions import InputError
from fishreport.methods.contrast import mean_of
from fishreport.methods.estimate import Estimate

Verdict = Literal["met", "not met", "not yet known"]
Scale = Literal["identity", "log", "logit"]


@dataclass(frozen=True, slots=True)
class ObjectiveOutcome:
    """What the seasons say of one objective.

    Attributes
    ----------
    verdict : str
        ``met``, ``not met`` or ``not yet known``.
    probability : float
        Probability that the objective is met, 0 to 1; NaN when it could not be judged.
    mean : Estimate
        The mean over the seasons asked for, that the objective is held against.
    at_least, at_most : float
        The bounds, infinite where the objective has none.
    certainty : float
        Probability from which it is called met (or, of the contrary, not met).
    rule : str
        The rule in words.
    scale : str
        Scale on which the estimate's error was taken as normal.
    notes : tuple[str, ...]
        Seasons left out, or why it is not yet known.
    """

    verdict: Verdict
    probability: float
    mean: Estimate
    at_least: float
    at_most: float
    certainty: float
    rule: str
    scale: Scale
    notes: tuple[str, ...] = ()


def _logit(x: float) -> float:
    return math.inf if x >= 1 else -math.inf if x <= 0 else math.log(x / (1 - x))


def _transform(scale: Scale, units: str) -> Callable[[float], float]:
    if scale == "log":
        return lambda x: math.log(x) if x > 0 else -math.inf
    if scale == "logit":
        whole = 100.0 if units == "percent" else 1.0
        return lambda x: _logit(x / whole)
    return lambda x: x


def _sides(estimate: Estimate, scale: Scale) -> tuple[float, float] | None:
    turn = _transform(scale, estimate.units)
    low, middle, high = (turn(x) for x in (estimate.lower, estimate.value, estimate.upper))
    below, above = middle - low, high - middle
    if not (math.isfinite(below) and math.isfinite(above)) or below < 0 or above < 0:
        return None
    return below, above


def natural_scale(estimate: Estimate) -> Scale:
    """The scale on which the estimate's interval is most nearly symmetric: identity, log, or logit (for percent only).

    Log needs a lower limit above zero, logit one above zero and an upper limit below 100 percent; ties go to the identity.
    """
    candidates: tuple[Scale, ...] = ("identity", "log", "logit") if estimate.units == "percent" else ("identity", "log")
    best: Scale = "identity"
    least = math.inf
    for scale in candidates:
        sides = _sides(estimate, scale)
        if sides is None or min(sides) <= 0:
            continue
        lopsided = abs(math.log(sides[1] / sides[0]))
        if lopsided < least - 1e-6:
            best, least = scale, lopsided
    return best


def probability_above(estimate: Estimate, bound: float) -> float:
    """Probability that the true value is at least `bound`, from the estimate and its interval.

    The error is taken as normal on the estimate's `natural_scale`, with the spread of the side of the interval that the bound
    lies on, so that the answer is consistent with the interval: ½ at the value itself, (1 + level)/2 at the lower limit and
    (1 − level)/2 at the upper one. Read as the posterior probability under a flat prior on that scale. Without an interval,
    the standard error is used; without either, or when the value is not estimable, the answer is NaN. An interval that is a
    point gives 0 or 1.
    """
    if not estimate.estimable or math.isnan(bound):
        return math.nan
    if math.isinf(bound):
        return 0.0 if bound > 0 else 1.0
    z = float(norm.ppf((1 + estimate.level) / 2))
    scale = natural_scale(estimate)
    turn = _transform(scale, estimate.units)
    distance = turn(estimate.value) - turn(bound)
    below, above = (turn(estimate.value) - turn(estimate.lower), turn(estimate.upper) - turn(estimate.value))
    side = below if distance >= 0 else above
    if math.isnan(side):
        side = z * estimate.se
    if math.isnan(side):
        return math.nan
    if side <= 0:
        return 1.0 if distance >= 0 else 0.0
    if math.isinf(side):
        return 0.5
    return float(norm.cdf(z * distance / side))


def _bounds(
    at_least: float | None, at_most: float | None, between: tuple[float, float] | None, certainty: float
) -> tuple[float, float]:
    given = [name for name, x in (("at_least", at_least), ("at_most", at_most), ("between", between)) if x is not None]
    if len(given) != 1:
        raise InputError(f"an objective needs exactly one of at_least, at_most, between; got {', '.join(given) or 'none'}")
    if not 0.5 < certainty < 1:
        raise InputError(f"certainty must lie between 0.5 and 1, got {certainty:g}")
    low, high = between if between is not None else (at_least, at_most)
    low = -math.inf if low is None else float(low)
    high = math.inf if high is None else float(high)
    if math.isnan(low) or math.isnan(high) or low >= high:
        raise InputError(f"the bounds of an objective must be numbers in rising order, got {low:g} and {high:g}")
    return low, high


def _in_words(low: float, high: float, units: str, certainty: float, seasons: int) -> str:
    unit = f" {units}" if units else ""
    span = "the value of the season" if seasons == 1 else f"the mean of {seasons} seasons"
    if math.isinf(high):
        wish = f"at least {low:g}{unit}"
    elif math.isinf(low):
        wish = f"at most {high:g}{unit}"
    else:
        wish = f"between {low:g} and {high:g}{unit}"
    share = f"{100 * certainty:g}%"
    return (
        f"{span} is to be {wish}; called met when that is at least {share} probable, not met when the contrary is, "
        "and not yet known otherwise"
    )


def evaluate_objective(
    estimates: Estimate | Sequence[Estimate],
    *,
    at_least: float | None = None,
    at_most: float | None = None,
    between: tuple[float, float] | None = None,
    certainty: float = 0.9,
) -> ObjectiveOutcome:
    """Hold one season, or the mean of several, against an objective of the management plan.

    Parameters
    ----------
    estimates : Estimate or sequence of Estimate
        One for each season that the objective looks at, independent of each other, in the same units; seasons that could not be
        estimated or were missed are given as not estimable.
    at_least, at_most, between :
        Exactly one, in the units of the estimates; bounds are inclusive.
    certainty : float
        Probability, between 0.5 and 1, from which the objective is called met.

    Returns
    -------
    ObjectiveOutcome
        Probability by `probability_above` for the mean over the seasons (`contrast.mean_of`). ``met`` when it is at least
        `certainty`, ``not met`` when it is at most 1 − `certainty`, else ``not yet known``. Also ``not yet known``, without a
        probability, when a season asked for could not be estimated (the mean is then that of fewer seasons, and says nothing of
        the missing one), or when there is no measure of uncertainty. Common practice, no source.

    Raises
    ------
    InputError
        Not exactly one bound, bounds in falling order, certainty outside (0.5, 1), no estimate, or units or levels that differ.
    """
    seasons = [estimates] if isinstance(estimates, Estimate) else list(estimates)
    low, high = _bounds(at_least, at_most, between, certainty)
    mean = mean_of(seasons)
    rule = _in_words(low, high, mean.units, certainty, len(seasons))
    if not mean.estimable:
        return ObjectiveOutcome("not yet known", math.nan, mean, low, high, certainty, rule, "identity", mean.notes)
    scale = natural_scale(mean)
    used = sum(estimate.estimable for estimate in seasons)
    if used < len(seasons):
        notes = (f"not judged: {used} of the {len(seasons)} seasons could be estimated", *mean.notes)
        return ObjectiveOutcome("not yet known", math.nan, mean, low, high, certainty, rule, scale, notes)
    above_low = 1.0 if math.isinf(low) else probability_above(mean, low)
    above_high = 0.0 if math.isinf(high) else probability_above(mean, high)
    probability = above_low - above_high
    if math.isnan(probability):
        notes = ("not judged: the estimate has no measure of its uncertainty", *mean.notes)
        return ObjectiveOutcome("not yet known", math.nan, mean, low, high, certainty, rule, scale, notes)
    probability = min(max(probability, 0.0), 1.0)
    verdict: Verdict = "met" if probability >= certainty else "not met" if probability <= 1 - certainty else "not yet known"
    return ObjectiveOutcome(verdict, probability, mean, low, high, certainty, rule, scale, mean.notes)
