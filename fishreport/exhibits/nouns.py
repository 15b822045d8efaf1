"""Plain names for quantities, species, length classes and units, as sentences use them."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from fishreport.exhibits.units import METRIC, NO_VALUE, Units
from fishreport.study import parse_size_range

# {fish}: the species with its length class; {species}: the species alone; {class}: the length class alone.
_PHRASES: dict[str, str] = {
    "catch_rate": "the catch rate of {fish}",
    "standardised_catch_rate": "the standardised catch rate of {fish}",
    "relative_weight": "the mean relative weight of {fish}",
    "condition_factor": "the mean condition factor of {fish}",
    "handling_mortality": "the share of {fish} that died in handling",
    "population_size": "the number of {fish}",
    "density_per_km": "the density of {fish}",
    "density_per_ha": "the density of {fish}",
    "biomass_per_ha": "the biomass of {fish}",
    "capture_probability": "the chance of catching one of the {fish}",
    "mean_length": "the mean length of {fish}",
    "length_weight_intercept": "the length-weight intercept of {fish}",
    "length_weight_slope": "the length-weight slope of {fish}",
    "growth_asymptotic_length": "the length that {fish} grow towards",
    "growth_coefficient": "the growth coefficient of {fish}",
    "growth_age_at_zero": "the age at length zero of {fish}",
    "age_at_length": "the age at which the mean {species} reaches the size {class}",
    "total_mortality": "the total mortality rate of {fish}",
    "annual_survival": "the annual survival of {fish}",
    "annual_mortality": "the share of {fish} that die in a year",
    "natural_mortality": "the natural mortality rate of {fish}",
    "fishing_mortality": "the fishing mortality rate of {fish}",
    "angling_effort": "angling effort",
    "angler_catch_rate": "anglers' catch rate of {fish}",
    "fish_kept": "the number of {fish} that anglers kept",
    "fish_open_to_harvest": "the number of {fish} open to harvest",
    "exploitation": "the share of {fish} open to harvest that anglers kept",
    "runs_needed": "the number of runs needed for the catch rate of {fish}",
    "scenario_harvest": "the projected legal harvest of {fish}",
    "scenario_yield": "the projected legal yield of {fish}",
    "scenario_kept_against_rule": "the projected number of {fish} kept against the rule",
    "scenario_catch_rate": "the projected catch rate of anglers for {fish}",
    "scenario_stock_density": "the projected density of {fish}",
    "scenario_trophy": "the projected density of {fish}",
    "scenario_proportional_size": "the projected share of {fish} in those of stock length",
    "scenario_spawning_potential": "the projected spawning potential of {fish}",
    "scenario_release_deaths": "the projected number of {fish} that die after release",
}
_WORDS = {
    "h": "hours",
    "fish/h": "fish per hour",
    "fish/km": "fish per km",
    "fish/mi": "fish per mile",
    "fish/ha": "fish per hectare",
    "fish/acre": "fish per acre",
    "kg/ha": "kg per hectare",
    "lb/acre": "pounds per acre",
    "in": "inches",
    "lb": "pounds",
    "mm/year": "mm per year",
    "in/year": "inches per year",
}


def unit_words(unit: str) -> str:
    """A unit as shown, spelled for a sentence: ``fish/mi`` → ``fish per mile``."""
    return _WORDS.get(unit, unit.replace("/", " per "))


@dataclass(frozen=True)
class Nouns:
    """What things are called in the sentences of one report.

    Attributes
    ----------
    units : Units
    species : mapping
        Species key → its name; a key that is not in it is read as words (``brown_trout`` → brown trout).
    categories : mapping
        Species key → (category → mm, category → inches), both as published.
    quantities : mapping
        Further phrases, with ``{fish}``, ``{species}`` or ``{class}``; they take precedence.
    """

    units: Units = METRIC
    species: Mapping[str, str] = field(default_factory=dict)
    categories: Mapping[str, tuple[Mapping[str, float], Mapping[str, float]]] = field(default_factory=dict)
    quantities: Mapping[str, str] = field(default_factory=dict)

    def species_name(self, key: str | None) -> str:
        """Readable name of a species, or ``fish`` for none."""
        if not key:
            return "fish"
        return self.species.get(key, key.replace("_", " "))

    def class_name(self, size_class: str | None, species: str | None = None) -> str:
        """A length class as an attribute: ``of quality length (9 in) and longer``, ``of 330 to 610 mm``; empty for all."""
        if not size_class or size_class == "all":
            return ""
        bounds = parse_size_range(size_class)
        if bounds is None:
            length = self._published(size_class, species)
            return f"of {size_class} length{length} and longer"
        low, high = bounds
        if low <= 0 and not math.isinf(high):
            return f"shorter than {self.units.length(high)}"
        return f"of {self.units.length_range(low, high, *self.categories.get(species or '', ({}, {})))}"

    def _published(self, size_class: str, species: str | None) -> str:
        mm, inches = self.categories.get(species or "", ({}, {}))
        length = self.units.class_length(size_class, mm, inches)
        return "" if length == NO_VALUE else f" ({length})"

    def fish(self, species: str | None, size_class: str | None = None) -> str:
        """The fish meant: ``brown trout of quality length (230 mm) and longer``."""
        return f"{self.species_name(species)} {self.class_name(size_class, species)}".strip()

    def phrase(self, quantity: str, species: str | None = None, size_class: str | None = None, site: str | None = None) -> str:
        """The quantity as the subject of a sentence, in lower case: ``the catch rate of brown trout``."""
        place = f" at {site}" if site else ""
        if quantity == "proportional_size" and quantity not in self.quantities:
            bound = size_class or "quality"
            length = self._published(bound, species)
            name = self.species_name(species)
            return f"the share of {name} of stock length that reach {bound} length{length}{place}"
        plain = quantity.replace("_", " ").replace("{", "{{").replace("}", "}}")
        pattern = self.quantities.get(quantity) or _PHRASES.get(quantity) or f"the {plain} of {{fish}}"
        named = {"fish": self.fish(species, size_class), "species": self.species_name(species)}
        return pattern.format(**named, **{"class": self.class_name(size_class, species)}) + place
