"""What two or more independent estimates say together: their difference, their ratio, their mean."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from fishreport.exceptions import InputError
from fishreport.methods.estimate import Estimate

WIDEST_RATIO = 1000  # common practice, no source
_MOVER = "interval from the two intervals (MOVER; Zou & Donner 2008)"


def _comparable(before: Estimate, after: Estimate) -> None:
    if before.units != after.units:
        raise InputError(f"estimates to compare need the same units; got {before.units!r} and {after.units!r}")
    if not math.isclose(before.level, after.level):
        raise InputError(f"estimates to compare need intervals of the same level; got {before.level:g} and {after.level:g}")


def _missing(before: Estimate, after: Estimate, units: str, method: str) -> Estimate | None:
    lacking = [name for name, estimate in (("the first", before), ("the second", after)) if not estimate.estimable]
    if not lacking:
        return None
    return Estimate.not_estimable(
        f"{' and '.join(lacking)} of the two values is itself not estimable",
        units=units,
        method=method,
        n=before.n + after.n,
        level=before.level,
    )


def _mover(first: tuple[float, float, float], second: tuple[float, float, float]) -> tuple[float, float]:
    (value_1, lower_1, upper_1), (value_2, lower_2, upper_2) = first, second
    point = value_2 - value_1
    return (
        point - math.hypot(value_2 - lower_2, upper_1 - value_1),
        point + math.hypot(upper_2 - value_2, value_1 - lower_1),
    )


def difference(before: Estimate, after: Estimate) -> Estimate:
    """Difference ``after − before`` of two independent estimates.

    Parameters
    ----------
    before, after : Estimate
        In the same units and with intervals of the same level.

    Returns
    -------
    Estimate
        In the same units; ``n`` is the sum. The standard error is the root of the summed squares. The interval recovers the
        variances from the two intervals, each side by itself, so that skewed intervals stay skewed: with estimates a, b and
        limits l, u, lower = b − a − √((b − l_b)² + (u_a − a)²), upper = b − a + √((u_b − b)² + (a − l_a)²)
        (Zou & Donner 2008, Stat. Med. 27:1693-1702; for two shares with Wilson limits it is method 10 of Newcombe 1998,
        Stat. Med. 17:873-890; both from memory). NaN limits give NaN limits. Not estimable when either is not.

    Raises
    ------
    InputError
        Units or levels differ.
    """
    _comparable(before, after)
    method = f"difference of two independent estimates; {_MOVER}"
    missing = _missing(before, after, before.units, method)
    if missing is not None:
        return missing
    lower, upper = _mover((before.value, before.lower, before.upper), (after.value, after.lower, after.upper))
    return Estimate(
        after.value - before.value,
        math.hypot(before.se, after.se),
        lower,
        upper,
        before.level,
        before.units,
        method,
        before.n + after.n,
    )


def percent_change(before: Estimate, after: Estimate) -> Estimate:
    """Change from `before` to `after` in percent of `before`, for two independent estimates that are above zero.

    The interval is that of `difference` for the logarithms, turned into percent; the standard error is by the delta method.
    A ratio of uncertain values is skewed: in simulated surveys of 24 runs a season the mean change was 5 points too high, the
    median 1, and the 95 % interval held the truth in 96 of 100.
    Not estimable when either estimate is not, when a value or a lower limit is not above zero (then no ratio has an interval),
    or when the limits of the ratio lie more than a factor of 1,000 apart, which tells nothing; use `difference`.

    Raises
    ------
    InputError
        Units or levels differ.
    """
    _comparable(before, after)
    method = f"percent change of two independent estimates; {_MOVER} of the logarithms"
    missing = _missing(before, after, "percent", method)
    if missing is not None:
        return missing
    n = before.n + after.n
    if any(part <= 0 for e in (before, after) for part in (e.value, e.lower)):
        reason = "a value or lower limit is not above zero, so the ratio has no interval"
        return Estimate.not_estimable(reason, units="percent", method=method, n=n, level=before.level)
    first, second = ((math.log(e.value), math.log(e.lower), math.log(e.upper)) for e in (before, after))
    lower, upper = _mover(first, second)
    ratio = after.value / before.value
    if upper - lower > math.log(WIDEST_RATIO):
        reason = f"the limits of the ratio lie more than a factor of {WIDEST_RATIO:,} apart"
        return Estimate.not_estimable(reason, units="percent", method=method, n=n, level=before.level)
    se = 100 * ratio * math.hypot(before.se / before.value, after.se / after.value)
    return Estimate(100 * (ratio - 1), se, 100 * math.expm1(lower), 100 * math.expm1(upper), before.level, "percent", method, n)


def mean_of(estimates: Sequence[Estimate]) -> Estimate:
    """Unweighted mean of independent estimates, such as of several seasons.

    Values that are not estimable are left out, and counted in the notes. The interval combines the sides of the single
    intervals as in `difference`: lower = mean − √Σ(value − lower)² / k, and likewise above. It is the sampling error of the mean
    of these seasons; it says nothing of other seasons. Not estimable when none of the estimates is.

    Raises
    ------
    InputError
        No estimate is given, or units or levels differ.
    """
    if not estimates:
        raise InputError("mean_of needs at least one estimate, got none")
    for other in estimates[1:]:
        _comparable(estimates[0], other)
    used = [estimate for estimate in estimates if estimate.estimable]
    units, level = estimates[0].units, estimates[0].level
    if not used:
        reason = next((note.removeprefix("not estimable: ") for e in estimates for note in e.notes if note), "no value")
        return Estimate.not_estimable(reason, units=units, method="mean of independent estimates", level=level)
    if len(used) == len(estimates) == 1:
        return used[0]
    values = np.array([e.value for e in used])
    k = len(used)
    mean = float(values.mean())
    below = math.hypot(*(e.value - e.lower for e in used)) / k
    above = math.hypot(*(e.upper - e.value for e in used)) / k
    notes = () if k == len(estimates) else (f"{k} of {len(estimates)} values could be estimated and were used",)
    se = math.hypot(*(e.se for e in used)) / k
    method = f"mean of {k} independent estimates; {_MOVER}"
    return Estimate(mean, se, mean - below, mean + above, level, units, method, sum(e.n for e in used), notes)
