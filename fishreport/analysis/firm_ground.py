"""Which estimates of mortality are firm enough to stand in front, and which one a short text tells of a species."""

from __future__ import annotations

import math
from dataclasses import replace

from fishreport.analysis.mortality import FOLLOWED, UNEQUAL
from fishreport.analysis.result import Result, Results
from fishreport.methods.estimate import Estimate

KEY_FISH, KEY_FACTOR = 30, 3.0
"""Fish of the ages used, and ratio of the limits, for an estimate to be a key finding (common practice, no source)."""


def is_firm(estimate: Estimate) -> bool:
    """Whether an estimate of mortality rests on enough fish and has an interval that says something."""
    return estimate.n >= KEY_FISH and estimate.lower > 0 and estimate.upper <= KEY_FACTOR * estimate.lower


def why_not_firm(estimate: Estimate) -> str:
    """Why an estimate is not firm: ``rests on 11 fish of the ages used, fewer than 30``."""
    if estimate.n < KEY_FISH:
        return f"rests on {estimate.n} fish of the ages used, fewer than {KEY_FISH}"
    return f"has an interval whose ends lie more than {KEY_FACTOR:g} times apart"


def why_shaky(quantity: str, estimate: Estimate) -> str:
    """Why what an aim is held against is no firm ground, as `why_not_firm` says it; a survival S is taken as the rate −ln S.

    Empty where it is firm, is not estimable, or is of a quantity other than total mortality and annual survival.
    """
    if quantity not in ("total_mortality", "annual_survival") or not estimate.estimable:
        return ""
    rate = estimate if quantity == "total_mortality" else _as_rate(estimate)
    return "" if is_firm(rate) else why_not_firm(rate)


def _as_rate(survival: Estimate) -> Estimate:
    def rate(share: float) -> float:
        return -math.log(share) if share > 0 else math.inf

    lower, upper = (math.nan if math.isnan(x) else rate(x) for x in (survival.upper, survival.lower))
    return replace(survival, value=rate(survival.value), se=math.nan, lower=lower, upper=upper, units="per year")


def total_to_tell(results: Results, species: str, season: int) -> Result | None:
    """Total mortality of a species that other rates may be worked out from, or None where none is firm.

    That of the season's catch curve, else of the latest seasons together, else of year classes followed; the other way round
    where year classes are known not to have been equal.
    """
    place = {"species": species, "size_class": "all", "season": season, "site": None}
    found = [r for r in results.where(quantity="total_mortality", **place) if r.estimate.estimable]
    one = {r.detail: r for r in found}
    ways = [None, *(r.detail for r in found if str(r.detail).startswith("seasons ")), FOLLOWED]
    if None in one and UNEQUAL in one[None].estimate.notes:
        ways.reverse()
    return next((one[how] for how in ways if how in one and is_firm(one[how].estimate)), None)


def survival_to_tell(results: Results, species: str, season: int) -> Result | None:
    """Annual survival of a species for a short text, or None where nothing is firm.

    That of the season's catch curve; that of year classes followed where the catch curve is not firm or its year classes are
    known not to have been equal. Where no total mortality stands beside it, survival is taken as it is.
    """
    place = {"species": species, "size_class": "all", "season": season, "site": None}
    lives = {r.detail: r for r in results.where(quantity="annual_survival", **place) if r.estimate.estimable}
    dies = {r.detail: r.estimate for r in results.where(quantity="total_mortality", **place)}
    order = [FOLLOWED, None] if None in dies and UNEQUAL in dies[None].notes else [None, FOLLOWED]
    return next((lives[how] for how in order if how in lives and (how not in dies or is_firm(dies[how]))), None)
