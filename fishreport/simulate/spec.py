"""What a simulated survey is made from: the vital rates of each species and the design of the fieldwork."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from fishreport.exceptions import InputError
from fishreport.study import species_key


def _refuse(what: str, allowed: str, got: object) -> None:
    raise InputError(f"{what} must be {allowed}; got {got!r}")


@dataclass(frozen=True, slots=True)
class StockingSpec:
    """Fish put in during the year that ends with a survey.

    Attributes
    ----------
    season : int
        Index of the season (0 is the first) whose survey first meets these fish.
    month : int
        Month of stocking; the survey is in October.
    number : int
        Fish put in.
    mean_length_mm, sd_length_mm : float
        Total length at stocking.
    mark : str
        Fin clip, or empty for unmarked fish.
    age : int
        Age (completed years) at the first survey after stocking.
    """

    season: int
    month: int
    number: int
    mean_length_mm: float
    sd_length_mm: float = 18.0
    mark: str = ""
    age: int = 1

    def __post_init__(self) -> None:
        if self.number < 0:
            _refuse("number of stocked fish", "0 or more", self.number)
        if not 1 <= self.month <= 9:
            _refuse("month of stocking", "1 to 9, before the survey of October", self.month)


@dataclass(frozen=True, slots=True)
class SpeciesSpec:
    """True rates of one species. Lengths are total lengths in mm, weights in g, rates per year.

    Attributes
    ----------
    code, name, standard : str
        Code in the tables, name in the study, standard of ``species.toml``.
    origin : str
        ``wild``, ``stocked`` or ``mixed``, as the study says.
    asymptotic_length_mm, growth_coefficient, age_at_zero : float
        Von Bertalanffy curve of mean length at age (completed years) at the time of the survey.
    length_cv, coefficient_cv : float
        Coefficients of variation between fish of the asymptotic length and of the growth coefficient.
    annulus_offset : float
        Years between the forming of the last ring and the survey.
    natural_mortality, first_year_mortality : float
        Instantaneous, of fish of age 1 and older, and of age 0.
    fishing_mortality : tuple[float, ...]
        Instantaneous, of fish of `legal_length_mm` and longer, by season; the last value holds on.
    recruits : float
        Mean number of fish of age 0 at a survey.
    recruitment_trend, recruitment_sd, recruitment_autocorrelation : float
        Yearly change of log recruitment, and its lognormal deviations (first order).
    log_weight_intercept, log_weight_slope, log_weight_sd : float
        log10 weight on log10 length, and its scatter between fish.
    condition_season_sd, condition_density_effect : float
        Scatter of the intercept between seasons, and its change for a unit of log density.
    capture_rate : float
        Hazard of capture (per hour of current) of a fully vulnerable fish on the bank that is fished.
    length_at_half, length_width, decline_per_mm : float
        Catchability by length: logistic, times an exponential decline above ``length_at_half + 4 length_width``.
    discharge_exponent : float
        Power of discharge (over its reference) in the capture rate; negative, as deeper water hides fish.
    reach_density : tuple[float, ...]
        Relative density of each reach; empty for the same density in all.
    site_sd, run_shape : float
        Standard deviation of log density between sites; gamma shape of the run effect (infinite: none).
    site_fidelity : float
        Share of fish that stay in their stretch from one season to the next.
    injury, death : float
        Probability that a netted fish is injured, or dies.
    tags_per_season, tag_from_mm : int, float
        Fish tagged in a season, and the shortest tagged.
    aged_per_bin : int
        Fish aged of each length bin and season.
    census_bounds_mm : tuple[float, ...]
        Lower bounds of the size classes of a mark-recapture census; empty leaves the species out of it.
    angling_rate : float
        Share of the fish of 200 mm and longer that anglers catch in a year, kept or not.
    stocking : tuple[StockingSpec, ...]
        What is put in.
    """

    code: str
    name: str
    standard: str
    asymptotic_length_mm: float
    growth_coefficient: float
    age_at_zero: float
    recruits: float
    log_weight_intercept: float
    log_weight_slope: float
    origin: str = "wild"
    length_cv: float = 0.08
    coefficient_cv: float = 0.0
    annulus_offset: float = 0.5
    natural_mortality: float = 0.5
    first_year_mortality: float = 1.1
    fishing_mortality: tuple[float, ...] = (0.0,)
    legal_length_mm: float = 0.0
    recruitment_trend: float = 0.0
    recruitment_sd: float = 0.3
    recruitment_autocorrelation: float = 0.0
    log_weight_sd: float = 0.035
    condition_season_sd: float = 0.005
    condition_density_effect: float = 0.0
    capture_rate: float = 2.4
    length_at_half: float = 150.0
    length_width: float = 25.0
    decline_per_mm: float = 0.0
    discharge_exponent: float = -0.3
    reach_density: tuple[float, ...] = ()
    site_sd: float = 0.35
    run_shape: float = 6.0
    site_fidelity: float = 0.9
    injury: float = 0.015
    death: float = 0.005
    tags_per_season: int = 0
    tag_from_mm: float = 250.0
    aged_per_bin: int = 2
    census_bounds_mm: tuple[float, ...] = ()
    angling_rate: float = 0.9
    stocking: tuple[StockingSpec, ...] = ()

    def __post_init__(self) -> None:
        for name in ("asymptotic_length_mm", "growth_coefficient", "recruits", "capture_rate", "length_width", "run_shape"):
            if not getattr(self, name) > 0:
                _refuse(f"{name} of {self.name}", "above 0", getattr(self, name))
        for name in ("natural_mortality", "first_year_mortality", "recruitment_sd", "site_sd", "log_weight_sd", "length_cv"):
            if not 0 <= getattr(self, name) < math.inf:
                _refuse(f"{name} of {self.name}", "0 or more", getattr(self, name))
        if not self.fishing_mortality or min(self.fishing_mortality) < 0:
            _refuse(f"fishing_mortality of {self.name}", "one or more rates of 0 or more", self.fishing_mortality)
        if not -1 < self.recruitment_autocorrelation < 1:
            _refuse(f"recruitment_autocorrelation of {self.name}", "between -1 and 1", self.recruitment_autocorrelation)

    @property
    def key(self) -> str:
        """Key of the species in results."""
        return species_key(self.name)

    def fishing(self, season: int) -> float:
        """Instantaneous fishing mortality of fish of legal length in the year that follows the survey of `season`."""
        return self.fishing_mortality[min(max(season, 0), len(self.fishing_mortality) - 1)]


@dataclass(frozen=True, slots=True)
class SurveySpec:
    """Design of a simulated survey.

    Attributes
    ----------
    water : str
        Name of the invented water.
    species : tuple[SpeciesSpec, ...]
        Species that live there.
    first_year, seasons : int
        Calendar year of the first season, and how many.
    reaches : mapping of str to float
        Reaches from the dam down, and their lengths (km).
    sites, runs_per_site : int
        Fixed sites, spread evenly over the reaches, and runs (one a bank) at each in a season.
    site_length_km, accessible : float
        Length of bank a run passes, and share of the fish of a stretch that lie where the boat can fish.
    effort_s : int
        Seconds of current in a run.
    missed : mapping of int to tuple of int
        Season index → indices of the sites not fished.
    removal : mapping of int to tuple of int
        Season index → sites fished in `removal_passes` passes.
    fast_pulse, cut_short : tuple of (season index, site, bank), or None
        The run made at 60 Hz instead of 30, and the run that lasted 240 s only.
    census : mapping of int to int
        Season index → events of a mark-recapture census of the whole water (2 or more).
    census_capture : float
        Mean probability that a large fish is caught in an event; small fish are caught less.
    age_bin_mm, second_reader, misread : float
        Length bin of the aged subsample, share read twice, and probability that a reader misses by one year at age 3.
    weighed : float
        Share of measured fish that are weighed.
    fry_measured : int
        Fish under 110 mm measured in a run, of a species; the rest are tallied.
    discharge_m3_s : float
        Median release; catchability is given at this release.
    base_year_effect_sd : float
        Standard deviation of a log catchability effect common to all runs of a season.
    side_tables : bool
        Also simulate flow, harvest, stocking and census tables (off in the light form).
    burn_in : int
        Years before the first season.
    """

    water: str
    species: tuple[SpeciesSpec, ...]
    first_year: int = 2016
    seasons: int = 10
    reaches: Mapping[str, float] = field(default_factory=lambda: {"Upper": 4.2, "Middle": 5.6, "Lower": 4.4})
    sites: int = 12
    runs_per_site: int = 2
    site_length_km: float = 0.35
    accessible: float = 0.6
    effort_s: int = 600
    missed: Mapping[int, tuple[int, ...]] = field(default_factory=dict)
    removal: Mapping[int, tuple[int, ...]] = field(default_factory=dict)
    removal_passes: int = 3
    fast_pulse: tuple[int, int, int] | None = None
    cut_short: tuple[int, int, int] | None = None
    census: Mapping[int, int] = field(default_factory=dict)
    census_capture: float = 0.08
    age_bin_mm: float = 30.0
    second_reader: float = 0.35
    misread: float = 0.08
    weighed: float = 0.9
    fry_measured: int = 10
    discharge_m3_s: float = 24.0
    base_year_effect_sd: float = 0.0
    side_tables: bool = True
    burn_in: int = 12

    def __post_init__(self) -> None:
        for name in ("seasons", "sites", "runs_per_site", "effort_s", "removal_passes", "burn_in"):
            if getattr(self, name) < 1:
                _refuse(name, "1 or more", getattr(self, name))
        if not self.species:
            _refuse("species", "one or more species", self.species)
        codes = [species.code for species in self.species]
        if len(set(codes)) < len(codes):
            _refuse("codes of species", "all different", codes)
        if not 0 < self.accessible <= 1:
            _refuse("accessible", "a share above 0 and at most 1", self.accessible)
        if self.sites * self.site_length_km >= self.length_km:
            _refuse("sites times site_length_km", f"less than the water's {self.length_km:g} km", self.sites)
        if self.sites < len(self.reaches):
            _refuse("sites", f"at least one a reach ({len(self.reaches)})", self.sites)

    @property
    def length_km(self) -> float:
        """Length of the water (km)."""
        return float(sum(self.reaches.values()))

    @property
    def years(self) -> range:
        """Calendar years of the seasons."""
        return range(self.first_year, self.first_year + self.seasons)

    @property
    def reach_of_site(self) -> list[int]:
        """Index of the reach of each site."""
        return [site * len(self.reaches) // self.sites for site in range(self.sites)]

    def options(self) -> dict[str, Any]:
        """The design in plain values, for the record of the truth."""
        names = (
            "seasons",
            "sites",
            "runs_per_site",
            "site_length_km",
            "accessible",
            "effort_s",
            "removal_passes",
            "age_bin_mm",
            "second_reader",
            "misread",
            "weighed",
            "discharge_m3_s",
            "base_year_effect_sd",
        )
        return {name: getattr(self, name) for name in names}
