"""What a rule changes in percent of what today's rule gives, and what the survey of anglers says of today's harvest."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import nbinom

from fishreport.analysis.scenario_inputs import SpeciesInputs
from fishreport.methods.estimate import Estimate
from fishreport.population.projection import Projection

Floats = NDArray[np.float64]
_METHOD = "median and equal-tailed quantiles of the change within each draw, in percent of today's rule"


def percent_change(projection: Projection, quantity: str, *, level: float) -> tuple[Estimate, ...]:
    """Change of a quantity in the last year against the first scenario, in percent within each draw, one estimate a scenario.

    Not estimable where fewer than 2 draws have a value above 0 under the first scenario; draws without are left out and counted.
    """
    values = projection.at(quantity)
    found = []
    for other in values:
        known = np.isfinite(values[0]) & (values[0] > 0) & np.isfinite(other)
        n = int(known.sum())
        if n < 2:
            reason = f"{n} draws with a value under today's rule, 2 needed"
            found.append(Estimate.not_estimable(reason, units="percent", method=_METHOD, level=level, n=n))
            continue
        change = 100 * (other[known] / values[0][known] - 1)
        tail = (1 - level) / 2
        low, middle, high = (float(x) for x in np.quantile(change, [tail, 0.5, 1 - tail]))
        left_out = known.size - n
        notes = (f"{left_out} of {known.size} draws have none under today's rule and are left out",) if left_out else ()
        found.append(Estimate(middle, float(change.std(ddof=1)), low, high, level, "percent", _METHOD, n, notes))
    return tuple(found)


@dataclass(frozen=True)
class BagReach:
    """How often bag limits are reached: legal fish kept a trip under today's rule, and bag limit → share of trips (median).

    `trip_h` is the length of a trip in hours. The share is that of trips on which an angler would keep more than the limit, were
    there none, of a catch that is negative binomial about the mean of the draw.
    """

    trip_h: float
    kept_per_trip: Estimate
    share_of_trips: dict[int, float]


def bag_reach(projection: Projection, inputs: SpeciesInputs, *, level: float) -> BagReach | None:
    """How often the rules' bag limits are reached in the first year; None without such a limit or without harvest today."""
    limits = sorted({rule.bag_limit for rule in inputs.rules if rule.may_keep and rule.bag_limit})
    if not limits or inputs.angling is None or not inputs.rules[0].may_keep:
        return None
    hours = projection.at("effort_h", year=1)[0]
    kept = projection.at("legal_harvest_number", year=1)[0]
    trip, alike = (np.broadcast_to(x, kept.shape) for x in (inputs.angling.hours_per_trip, inputs.angling.catch_dispersion))
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = np.where(hours > 0, kept / hours * trip, np.nan)
    known = np.isfinite(mean) & (mean > 0)
    if known.sum() < 2:
        return None
    mean, alike = mean[known], np.minimum(alike[known], 1e9)  # infinite is Poisson
    tail = (1 - level) / 2
    low, middle, high = (float(x) for x in np.quantile(mean, [tail, 0.5, 1 - tail]))
    method = "median and equal-tailed quantiles over draws of the legal harvest over the trips"
    estimate = Estimate(middle, float(mean.std(ddof=1)), low, high, level, "fish", method, int(known.sum()))
    shares = {limit: float(np.median(nbinom.sf(limit, alike, alike / (alike + mean)))) for limit in limits}
    return BagReach(float(np.median(trip)), estimate, shares)


@dataclass(frozen=True)
class CreelCheck:
    """The harvest that the survey of anglers counted beside the legal harvest of the model's first year (both fish/km)."""

    year: int
    counted: Estimate
    modelled: Estimate

    @property
    def agree(self) -> bool:
        """Whether the two intervals meet."""
        return self.counted.lower <= self.modelled.upper and self.modelled.lower <= self.counted.upper


def creel_check(kept: tuple[int, Estimate] | None, modelled: Estimate) -> CreelCheck | None:
    """The check of today's harvest; None without a survey of anglers that counted fish kept, or without a value."""
    if kept is None or not (kept[1].estimable and modelled.estimable):
        return None
    return CreelCheck(kept[0], kept[1], modelled)
