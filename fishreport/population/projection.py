"""What a projection returns: quantities of each year, by scenario and draw, with the books that balance them.

=====================================  ========  ========================================================================
quantity                               units     what it is
=====================================  ========  ========================================================================
harvest_number, harvest_weight         fish/km,  kept in the year (in break of the rule too)
                                       kg/km
legal_harvest_number,                  fish/km,  of these, kept as the rule allows
legal_harvest_weight                   kg/km
kept_against_rule                      fish/km   of these, kept in break of the rule
catch, released, release_deaths        fish/km   caught in the year (a fish counts each time), released, and dead of release
release_death_share                    percent   release deaths of the deaths by angling (harvest and release)
effort_h                               h/km      angler hours in the year
catch_per_hour                         fish/h    catch over effort; NaN without effort
mean_length_in_catch                   mm        of the fish caught; NaN without catch
recruits, stocked, natural_deaths      fish/km   in the year
density_all, density_<category>        fish/km   at the start of the survey month; of the category's length and longer
biomass                                kg/km     at the start of the survey month
mean_length                            mm        of fish of the first category and longer, then
proportional_size,                     percent   fish of the second category (of the named category) in those of the first
proportional_size_<category>
spawning_biomass                       kg/km     mature fish at the start of the spawning month
spawning_potential                     percent   spawning biomass in that of the unfished population at its mean recruitment
=====================================  ========  ========================================================================
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from fishreport.exceptions import InputError

Floats = NDArray[np.float64]
LEDGER = ("start", "recruits", "stocked", "natural_deaths", "harvest", "release_deaths", "old_age", "end")
UNITS = {
    "harvest_number": "fish/km",
    "harvest_weight": "kg/km",
    "legal_harvest_number": "fish/km",
    "legal_harvest_weight": "kg/km",
    "kept_against_rule": "fish/km",
    "catch": "fish/km",
    "released": "fish/km",
    "release_deaths": "fish/km",
    "release_death_share": "percent",
    "effort_h": "h/km",
    "catch_per_hour": "fish/h",
    "mean_length_in_catch": "mm",
    "recruits": "fish/km",
    "stocked": "fish/km",
    "natural_deaths": "fish/km",
    "biomass": "kg/km",
    "mean_length": "mm",
    "spawning_biomass": "kg/km",
    "spawning_potential": "percent",
}


def quantity_names(categories: Mapping[str, float]) -> tuple[str, ...]:
    """Every quantity that a projection with these length categories can give."""
    names = list(categories)
    sizes = ["proportional_size", *(f"proportional_size_{name}" for name in names[1:])] if len(names) > 1 else []
    return (*UNITS, "density_all", *(f"density_{name}" for name in names), *sizes)


def units_of(quantity: str) -> str:
    """Units of a quantity."""
    if quantity.startswith("density_"):
        return "fish/km"
    if quantity.startswith("proportional_size"):
        return "percent"
    return UNITS[quantity]


@dataclass(frozen=True)
class Projection:
    """Scenarios × draws × years × quantities.

    Attributes
    ----------
    values : array
        Draws × years × quantities for one regulation; scenarios × draws × years × quantities for a sequence.
    quantities : tuple of str
        Names along the last axis (see the module).
    years : array
        1 for the first year, and so on.
    scenarios : tuple of str
        Names of the regulations (or their sentences where they have no name).
    sentences : tuple of str
        What each regulation says.
    today : dict
        Stock quantities of today's population on today's rule: name → array (draws,).
    inputs : dict
        Uncertain inputs: name → array (draws,), with `recruitment_luck`, the mean deviation of log recruitment over the years.
    ledger : array or None
        Scenarios × draws × steps × the columns of `LEDGER`, fish per km: start + recruits + stocked = natural_deaths + harvest +
        release_deaths + old_age + end, each step.
    notes : tuple of str
        What a reader must know.
    """

    values: Floats
    quantities: tuple[str, ...]
    years: NDArray[np.int64]
    scenarios: tuple[str, ...]
    sentences: tuple[str, ...]
    today: dict[str, Floats]
    inputs: dict[str, Floats]
    ledger: Floats | None = None
    notes: tuple[str, ...] = field(default=())

    @property
    def by_scenario(self) -> Floats:
        """The values as scenarios × draws × years × quantities, also for one regulation."""
        return self.values if self.values.ndim == 4 else self.values[None]

    def take(self, index: NDArray[np.intp]) -> Projection:
        """The same over some of the draws, as scenarios × draws × years × quantities and without the ledger."""
        today = {name: values[index] for name, values in self.today.items()}
        inputs = {name: values[index] for name, values in self.inputs.items()}
        return replace(self, values=self.by_scenario[:, index], today=today, inputs=inputs, ledger=None)

    def get(self, quantity: str) -> Floats:
        """One quantity, scenarios × draws × years."""
        if quantity not in self.quantities:
            raise InputError(f"quantity must be one of {', '.join(self.quantities)}, got {quantity!r}")
        return self.by_scenario[..., self.quantities.index(quantity)]

    def scenario(self, which: str | int) -> int:
        """Place of a scenario given by name or number."""
        if isinstance(which, str):
            if which not in self.scenarios:
                raise InputError(f"scenario must be one of {', '.join(self.scenarios)}, got {which!r}")
            return self.scenarios.index(which)
        if not 0 <= which < len(self.scenarios):
            raise InputError(f"scenario must be from 0 to {len(self.scenarios) - 1}, got {which!r}")
        return which

    def year(self, year: int | None) -> int:
        """Place of a year counted from 1; None is the last."""
        if year is None:
            return self.years.size - 1
        if not 1 <= year <= self.years.size:
            raise InputError(f"year must be from 1 to {self.years.size}, got {year!r}")
        return year - 1

    def at(self, quantity: str, *, year: int | None = None, over_years: int = 1) -> Floats:
        """Mean of a quantity over `over_years` years up to `year`, scenarios × draws (years before the first are left out)."""
        last = self.year(year)
        if over_years < 1:
            raise InputError(f"over_years must be 1 or more, got {over_years!r}")
        return self.get(quantity)[..., max(0, last + 1 - over_years) : last + 1].mean(axis=-1)


def _ratio(upper: Floats, lower: Floats, factor: float = 1.0) -> Floats:
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(lower > 0, factor * upper / np.where(lower > 0, lower, 1.0), np.nan)


def stock_quantities(survey: Floats, spawners: Floats, unfished: Floats, categories: Mapping[str, float]) -> dict[str, Floats]:
    """Quantities of the standing stock from the sums of a survey (last axis) and the spawning biomass."""
    counts = {name: survey[..., 3 + place] for place, name in enumerate(categories)}
    first = next(iter(counts.values())) if counts else survey[..., 1]
    found = {
        "biomass": survey[..., 0],
        "mean_length": _ratio(survey[..., 2], first),
        "spawning_biomass": spawners,
        "spawning_potential": _ratio(spawners, np.broadcast_to(unfished, spawners.shape), 100.0),
        "density_all": survey[..., 1],
    }
    found |= {f"density_{name}": count for name, count in counts.items()}
    for place, (name, count) in enumerate(counts.items()):
        if place == 1:
            found["proportional_size"] = _ratio(count, first, 100.0)
        if place >= 1:
            found[f"proportional_size_{name}"] = _ratio(count, first, 100.0)
    return found


def flow_quantities(flows: Floats, effort: Floats) -> dict[str, Floats]:
    """Quantities of the year from its flows (last axis, in the order of `year_step.FLOWS`) and angler hours."""
    catch, harvest, weight, natural, died, length, legal, legal_weight = (flows[..., place] for place in range(8))
    effort = np.broadcast_to(effort, catch.shape)
    return {
        "harvest_number": harvest,
        "harvest_weight": weight,
        "legal_harvest_number": legal,
        "legal_harvest_weight": legal_weight,
        "kept_against_rule": np.maximum(harvest - legal, 0.0),
        "catch": catch,
        "released": np.maximum(catch - harvest, 0.0),
        "release_deaths": died,
        "release_death_share": _ratio(died, died + harvest, 100.0),
        "effort_h": effort,
        "catch_per_hour": _ratio(catch, effort),
        "mean_length_in_catch": _ratio(length, catch),
        "natural_deaths": natural,
    }
