"""What is true of a simulated survey: the living fish of every season and the rates that they lived by."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import pandas as pd

from fishreport.exceptions import InputError
from fishreport.simulate.fieldwork import vulnerability
from fishreport.simulate.spec import SpeciesSpec, SurveySpec

Array = np.ndarray


@dataclass(frozen=True, slots=True)
class Snapshot:
    """The living fish of one species at one survey, before any is caught; one element a fish."""

    age: Array
    length_mm: Array
    place: Array
    stocked: Array


@dataclass(frozen=True)
class Truth:
    """Everything that an estimate of the survey can be held against.

    Attributes
    ----------
    spec : SurveySpec
        The design and the rates.
    snapshots : mapping of (species key, year) to Snapshot
        All fish alive at each survey.
    years : DataFrame
        One row a species and season: ``alive`` at the survey, ``survey_deaths``, and what happened since the survey
        before: ``natural_deaths``, ``harvested``, ``recruits``, ``stocked``, ``stocked_died``; the rates that act from this
        survey on: ``natural_mortality``, ``fishing_mortality`` (of legal length); ``condition`` (shift of log10 weight),
        ``year_effect`` (shift of log catchability) and ``discharge_m3_s`` (mean of the runs).
    place_shares : mapping of species key to array
        Share of the fish in each stretch: the sites, then the rest of each reach.
    census : DataFrame
        True number of each census by ``year``, ``species_key`` and ``size_class``.
    """

    spec: SurveySpec
    snapshots: Mapping[tuple[str, int], Snapshot]
    years: pd.DataFrame
    place_shares: Mapping[str, Array]
    census: pd.DataFrame

    def species(self, key: str) -> SpeciesSpec:
        """The true rates of a species."""
        for species in self.spec.species:
            if key in (species.key, species.code):
                return species
        raise InputError(f"species must be one of {', '.join(s.key for s in self.spec.species)}; got {key!r}")

    def snapshot(self, species: str, season: int) -> Snapshot:
        """The living fish of a species at the survey of a calendar year."""
        try:
            return self.snapshots[self.species(species).key, season]
        except KeyError:
            years = self.spec.years
            raise InputError(f"season must be one of {years[0]} to {years[-1]}; got {season!r}") from None

    def number(self, species: str, season: int, *, minimum_length_mm: float = 0.0) -> int:
        """Living fish of that length and longer in the whole water."""
        return int(np.count_nonzero(self.snapshot(species, season).length_mm >= minimum_length_mm))

    def density_per_km(self, species: str, season: int, *, minimum_length_mm: float = 0.0) -> float:
        """Living fish of that length and longer per km of the water."""
        return self.number(species, season, minimum_length_mm=minimum_length_mm) / self.spec.length_km

    def proportional_size(self, species: str, season: int, *, stock_mm: float, bound_mm: float) -> float:
        """100 × living fish of `bound_mm` and longer over those of `stock_mm` and longer (not the share in the catch)."""
        return (
            100
            * self.number(species, season, minimum_length_mm=bound_mm)
            / self.number(species, season, minimum_length_mm=stock_mm)
        )

    def capture_probability(self, species: str, season: int, length_mm: Array) -> Array:
        """Probability that a fish on the bank is taken in one pass, averaged over the run effects, at the season's release."""
        s = self.species(species)
        row = self._row(species, season)
        hazard = s.capture_rate * vulnerability(s, np.asarray(length_mm, dtype=float)) * np.exp(row["year_effect"])
        hazard = hazard * (row["discharge_m3_s"] / self.spec.discharge_m3_s) ** s.discharge_exponent
        dose = hazard * self.spec.effort_s / 3600
        return 1 - (1 + dose / s.run_shape) ** -s.run_shape if np.isfinite(s.run_shape) else -np.expm1(-dose)

    def expected_catch_rate(self, species: str, season: int, *, minimum_length_mm: float = 0.0, at_sites: bool = True) -> float:
        """Expected fish per hour of a run.

        With `at_sites` the mean over the fixed sites as they are stocked with fish that season; without it, of a run at a
        random place of the whole water.
        """
        snap = self.snapshot(species, season)
        probability = self.capture_probability(species, season, snap.length_mm) * (snap.length_mm >= minimum_length_mm)
        per_bank = self.spec.accessible / self.spec.runs_per_site
        if at_sites:
            total = probability[snap.place < self.spec.sites].sum() / self.spec.sites
        else:
            total = probability.sum() * self.spec.site_length_km / self.spec.length_km
        return float(total * per_bank / (self.spec.effort_s / 3600))

    def mean_length_at_age(self, species: str, age: Array | float) -> Array:
        """Mean length (mm) of wild fish at an age at the survey, by the true curve (exact when only asymptotes vary)."""
        s = self.species(species)
        return s.asymptotic_length_mm * -np.expm1(-s.growth_coefficient * (np.asarray(age, dtype=float) - s.age_at_zero))

    def abundance(self) -> pd.DataFrame:
        """Living fish by ``species_key``, ``season``, ``age`` and ``origin`` (wild or stocked)."""
        rows: list[tuple[str, int, int, str, int]] = []
        for (key, year), snap in self.snapshots.items():
            for stocked, origin in ((False, "wild"), (True, "stocked")):
                counts = np.bincount(snap.age[snap.stocked == stocked])
                rows += [(key, year, age, origin, int(n)) for age, n in enumerate(counts) if n]
        return pd.DataFrame(rows, columns=["species_key", "season", "age", "origin", "number"])

    def length_frequency(self, *, bin_mm: float = 20.0) -> pd.DataFrame:
        """Living fish by ``species_key``, ``season`` and ``length_mm`` (lower bound of the bin)."""
        rows: list[tuple[str, int, float, int]] = []
        for (key, year), snap in self.snapshots.items():
            counts = np.bincount(np.floor(snap.length_mm / bin_mm).astype(int))
            rows += [(key, year, i * bin_mm, int(n)) for i, n in enumerate(counts) if n]
        return pd.DataFrame(rows, columns=["species_key", "season", "length_mm", "number"])

    def _row(self, species: str, season: int) -> pd.Series:
        key = self.species(species).key
        found = self.years[(self.years["species_key"] == key) & (self.years["season"] == season)]
        if found.empty:
            raise InputError(f"season must be one of the survey's; got {season!r}")
        return found.iloc[0]

    def record(self) -> dict[str, Any]:
        """The truth in plain values, as written to ``truth.json``."""
        abundance, lengths = self.abundance(), self.length_frequency()
        found: dict[str, Any] = {"water": self.spec.water, "design": self.spec.options(), "species": {}}
        for s in self.spec.species:
            rates = {name: value for name, value in asdict(s).items() if name not in ("stocking", "name", "code", "origin")}
            finite = {name: value for name, value in rates.items() if value != np.inf}
            years = self.years[self.years["species_key"] == s.key].drop(columns="species_key")
            by_age = abundance[abundance["species_key"] == s.key].groupby(["season", "age"], as_index=False)["number"].sum()
            by_length = lengths[lengths["species_key"] == s.key]
            found["species"][s.code] = {
                "name": s.name,
                "rates": {name: list(value) if isinstance(value, tuple) else value for name, value in finite.items()},
                "seasons": [
                    {name: round(float(value), 4) if isinstance(value, float) else int(value) for name, value in row.items()}
                    for row in years.to_dict("records")
                ],
                "number_by_age": {
                    str(year): {str(age): int(n) for age, n in zip(part["age"], part["number"], strict=True)}
                    for year, part in by_age.groupby("season")
                },
                "number_by_length_20_mm": {
                    str(year): {f"{low:g}": int(n) for low, n in zip(part["length_mm"], part["number"], strict=True)}
                    for year, part in by_length.groupby("season")
                },
            }
        found["census"] = self.census.to_dict("records")
        return found
