"""What a rule changes in percent of what today's rule gives, and what the survey of anglers says of today's harvest."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import nbinom, norm

from fishreport.analysis.scenario_inputs import SpeciesInputs
from fishreport.analysis.vital_rates import log_sds
from fishreport.methods.estimate import Estimate
from fishreport.population.decision import Goal
from fishreport.population.projection import Projection

Floats = NDArray[np.float64]
OF_THE_COUNT = "of what the creel survey counted"
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


def chance_change(projection: Projection, goal: Goal, place: int, *, year: int, level: float) -> Estimate:
    """How much more often, in percentage points, the scenario at `place` meets a goal in a year than the first, draw by draw.

    Difference of two paired shares, its interval by the adjusted Wald method with a half added to each of the four counts
    (Agresti and Min 2005, Statistics in Medicine 24: 729-740, from memory). It tells how far the number of draws leaves the
    difference open, as the interval of a chance does.
    """
    met = goal.met(projection.at(goal.quantity, year=year, over_years=goal.over_years))
    n = met.shape[1]
    gained, lost = (float(x.sum()) + 0.5 for x in (met[place] & ~met[0], met[0] & ~met[place]))
    middle = (gained - lost) / (n + 2)
    se = math.sqrt(gained + lost - (gained - lost) ** 2 / (n + 2)) / (n + 2)
    half = float(norm.ppf(0.5 + level / 2)) * se
    low, high = max(middle - half, -1.0), min(middle + half, 1.0)
    method = "difference of the shares of the same draws that meet the goal; adjusted Wald interval for paired shares"
    value = (gained - lost) / n
    return Estimate(100 * value, 100 * se, 100 * low, 100 * high, level, "percentage points", method, n)


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
    def share(self) -> Estimate:
        """The model's harvest in percent of the counted one.

        The interval is that of the difference of two independent logarithms, each with the spread that its own limits (else its
        standard error) tell on the side concerned. Where the model rests on the same survey the two are not independent, and the
        interval is too wide rather than too short. Not estimable where either is not above 0.
        """
        counted, modelled = self.counted, self.modelled
        how = "ratio of the model's harvest to the counted one, limits by the logarithms"
        if counted.value <= 0 or modelled.value <= 0:
            reason = "no fish was kept by one of the two"
            return Estimate.not_estimable(reason, units="percent", method=how, level=counted.level)
        z, ratio = float(norm.ppf(0.5 + counted.level / 2)), modelled.value / counted.value
        (below, above), (under, over) = log_sds(modelled), log_sds(counted)
        low, high = ratio * math.exp(-z * math.hypot(below, over)), ratio * math.exp(z * math.hypot(above, under))
        se = ratio * (math.log(high / low) / (2 * z))
        return Estimate(100 * ratio, 100 * se, 100 * low, 100 * high, counted.level, "percent", how, counted.n)

    @property
    def notes(self) -> tuple[str, ...]:
        """What results carry on where the two do not agree; empty where they do, or where there is no ratio."""
        told = self.share.estimable and not self.agree
        return (f"the model's legal harvest of today is {self.share.value:.0f}% {OF_THE_COUNT}",) if told else ()

    @property
    def agree(self) -> bool:
        """Whether the interval of the model's harvest in percent of the counted one holds 100; without it, whether both are 0."""
        share = self.share
        return share.lower <= 100 <= share.upper if share.estimable else self.counted.value == self.modelled.value


def creel_check(kept: tuple[int, Estimate] | None, modelled: Estimate) -> CreelCheck | None:
    """The check of today's harvest; None without a survey of anglers that counted fish kept, or without a value."""
    if kept is None or not (kept[1].estimable and modelled.estimable):
        return None
    return CreelCheck(kept[0], kept[1], modelled)
