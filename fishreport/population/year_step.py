"""One year of a population: month by month, or at once where nothing depends on how many fish there are.

Numbers are pairs (scenario and draw) × cells. In a month with the hazards of `rates`, Z = M + c (1 - (1 - K)(1 - d)) and N fish
at its start, N exp(-Z) are alive at its end, and the mean number alive is A = N (1 - exp(-Z)) / Z. Each kind of event is A times
its hazard, so that natural deaths, harvest and release deaths add up to N - N exp(-Z). Of the harvest, b w is legal; the rest is
kept against the rule.

A bag limit makes K depend on the number of fish: b answers to the mean number of fish wanted per trip in the month, f v w A ×
hours of a trip / hours of effort, and A to b. Over b the number wanted is close to a straight line between its values at
b = 0 and 1; b is found on that line by two rounds from that of the same month a year before.

Without a bag limit a year is linear in the numbers at its start, and `LinearYear` works out that year once for all years;
`MonthlyYear` goes month by month. Both give the same answer.
"""

from __future__ import annotations

from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from fishreport.population.bag_limit import ShareTable, share_kept
from fishreport.population.rates import Rates

Floats = NDArray[np.float64]
FLOWS = (
    "catch", "harvest", "harvest_weight", "natural_deaths", "release_deaths", "catch_length", "legal_harvest", "legal_weight",
)  # fmt: skip
CATCH, HARVEST, WEIGHT, NATURAL, RELEASE, CATCH_LENGTH, LEGAL, LEGAL_WEIGHT = range(len(FLOWS))


class Year(Protocol):
    """What follows a population through a year."""

    def advance(self, numbers: Floats) -> tuple[Floats, Floats, Floats, Floats]:
        """From numbers on 1 January (pairs × cells): numbers on 31 December, flows, survey sums and spawning biomass."""


def mean_alive(hazard: Floats) -> Floats:
    """(1 - exp(-Z)) / Z, the mean share alive during a step."""
    positive = hazard > 1e-12
    return np.where(positive, -np.expm1(-hazard) / np.where(positive, hazard, 1.0), 1.0)


class LinearYear:
    """A year without a bag limit, as a linear operator on the numbers at its start.

    Parameters
    ----------
    rates : Rates
    capture_rate : array (pairs,)
        Captures a year of a fully vulnerable fish, f.
    survey_month, spawning_month : int
        Calendar months.
    flows : bool
        False leaves out the flows, which are then 0: for those who ask for the stock alone.
    """

    def __init__(self, rates: Rates, capture_rate: Floats, *, survey_month: int, spawning_month: int, flows: bool = True) -> None:
        pairs, cells = rates.capture.shape[1:]
        self.with_flows = flows
        self.flows = np.zeros((pairs, len(FLOWS), cells if flows else 1))
        alive = np.ones((pairs, cells))
        stay = (1 - rates.noncompliance)[:, None]
        for month in range(12):
            if month == survey_month - 1:
                self.survey = rates.survey * alive[:, None, :]
            if month == spawning_month - 1:
                self.spawning = rates.spawning * alive
            capture = capture_rate[:, None] * rates.capture[month]
            legal = sum(wanted[month] for wanted in rates.wanted)
            kept = rates.kept[month] + stay * legal
            die = rates.release[month][:, None]
            natural = rates.natural[month]
            hazard = natural + capture * (1 - (1 - kept) * (1 - die))
            if flows:
                mean = alive * mean_alive(hazard)
                caught = mean * capture
                harvest = caught * kept
                lawful = caught * legal
                parts = (caught, harvest, harvest * rates.weight[month], mean * natural, lawful, lawful * rates.weight[month])
                for place, flow in zip((CATCH, HARVEST, WEIGHT, NATURAL, LEGAL, LEGAL_WEIGHT), parts, strict=True):
                    self.flows[:, place] += flow
                self.flows[:, RELEASE] += np.maximum(caught - harvest, 0.0) * die
                self.flows[:, CATCH_LENGTH] += caught * rates.length[month]
            alive = alive * np.exp(-hazard)
        self.survival = alive

    def advance(self, numbers: Floats) -> tuple[Floats, Floats, Floats, Floats]:
        """See `Year`."""
        flows = np.einsum("pqc,pc->pq", self.flows, numbers) if self.with_flows else self.flows[:, :, 0]
        survey = np.einsum("pqc,pc->pq", self.survey, numbers)
        return numbers * self.survival, flows, survey, np.einsum("pc,pc->p", self.spawning, numbers)


class MonthlyYear:
    """A year month by month, with the bag limit set anew each month.

    Parameters
    ----------
    rates, capture_rate, survey_month, spawning_month, flows
        As for `LinearYear`.
    trip_share : array (pairs,)
        Hours of a trip over hours of a full year's effort today; 0 where there is no effort.
    dispersion : array (pairs,)
        Size of the negative binomial catch per trip.
    bag, bag_above : arrays (pairs,)
        Limits; infinite is none.
    usual_share : array (12, pairs)
        The b to start from in the first year.
    """

    def __init__(
        self,
        rates: Rates,
        capture_rate: Floats,
        *,
        survey_month: int,
        spawning_month: int,
        trip_share: Floats,
        dispersion: Floats,
        bag: Floats,
        bag_above: Floats,
        usual_share: Floats,
        flows: bool = True,
    ) -> None:
        self.rates, self.months = rates, (survey_month - 1, spawning_month - 1)
        self.dispersion, self.bag, self.bag_above = dispersion, bag, bag_above
        self.stay = 1 - rates.noncompliance
        capture = capture_rate[None, :, None] * rates.capture
        self.released_live = 1 - rates.release
        fixed = capture * (1 - (1 - rates.kept) * self.released_live[:, :, None])
        self.base = np.maximum(rates.natural + fixed, 1e-300)
        self.some_safe = bool(self.base.min() < 1e-12)
        self.wanted = wanted = [capture * item for item in rates.wanted]
        self.events = self._events(rates, capture, wanted) if flows else None
        self.classes = len(wanted)
        full = mean_alive(self.base + (self.stay * self.released_live)[:, :, None] * sum(wanted))
        none = mean_alive(self.base)
        self.sought = [(item * none, item * (full - none)) for item in wanted]
        self.guess = usual_share.copy()
        self.table = ShareTable(bag, dispersion) if self.classes == 1 else None
        with np.errstate(divide="ignore", invalid="ignore"):
            trips = trip_share[None, :] / rates.effort
        self.per_trip = np.where(rates.effort > 0, trips, 0.0)
        self.ledger: list[Floats] | None = None

    @staticmethod
    def _events(rates: Rates, capture: Floats, wanted: list[Floats]) -> Floats:
        """Hazards of what is counted, each with what a fish of the cell counts for, 12 × pairs × kinds × cells."""
        events = np.empty((12, capture.shape[1], 5 + 2 * len(wanted), capture.shape[2]))
        kept = capture * rates.kept
        places = [rates.natural, capture, capture * rates.length, kept, kept * rates.weight]
        for item in wanted:
            places += [item, item * rates.weight]
        for place, item in enumerate(places):
            events[:, :, place] = item
        return events

    def _bag_share(self, month: int, numbers: Floats) -> list[Floats]:
        lines = [
            [np.einsum("pc,pc->p", part[month], numbers) * self.per_trip[month] for part in sought] for sought in self.sought
        ]
        overall = self.guess[month]
        for _ in range(2):
            mean = [np.maximum(none + overall * slope, 0.0) for none, slope in lines]
            if self.table is not None:
                overall = self.table.share(mean[0])
                shares = [overall]
                continue
            shares = list(
                share_kept(mean[0], self.bag, dispersion=self.dispersion, mean_above=mean[1], limit_above=self.bag_above)
            )
            overall = (shares[0] * mean[0] + shares[1] * mean[1]) / np.maximum(mean[0] + mean[1], 1e-300)
        self.guess[month] = overall
        return shares

    def advance(self, numbers: Floats) -> tuple[Floats, Floats, Floats, Floats]:
        """See `Year`. With `ledger` a list, each month appends natural deaths, harvest, release deaths and numbers alive."""
        flows = np.zeros((numbers.shape[0], len(FLOWS)))
        for month in range(12):
            if month == self.months[0]:
                survey = np.einsum("pqc,pc->pq", self.rates.survey, numbers)
            if month == self.months[1]:
                spawning = np.einsum("pc,pc->p", self.rates.spawning, numbers)
            within = self._bag_share(month, numbers)
            shares = [self.stay * share for share in within]
            live = self.released_live[month]
            hazard = self.base[month]
            for k, share in enumerate(shares):
                hazard = hazard + (live * share)[:, None] * self.wanted[k][month]
            left = np.exp(-hazard)
            left *= numbers
            if self.events is None:
                numbers = left
                continue
            mean = (numbers - left) / hazard
            if self.some_safe:
                mean = np.where(hazard < 1e-12, numbers, mean)
            sums = np.einsum("pqc,pc->pq", self.events[month], mean)
            harvest, weight = sums[:, 3].copy(), sums[:, 4].copy()
            legal = np.zeros((2, len(sums)))
            for k, (share, bag) in enumerate(zip(shares, within, strict=True)):
                wanted = sums[:, 5 + 2 * k : 7 + 2 * k].T
                harvest += share * wanted[0]
                weight += share * wanted[1]
                legal += bag * wanted
            died = np.maximum(sums[:, 1] - harvest, 0.0) * (1 - live)
            flows += np.stack([sums[:, 1], harvest, weight, sums[:, 0], died, sums[:, 2], *legal], axis=1)
            numbers = left
            if self.ledger is not None:
                self.ledger.append(np.stack([sums[:, 0], harvest, died, left.sum(axis=1)], axis=1))
        return numbers, flows, survey, spawning
