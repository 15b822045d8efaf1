"""The fish of one species, one by one: birth, growth, movement, harvest and death from survey to survey."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fishreport.simulate.spec import SpeciesSpec, SurveySpec

Array = np.ndarray


def place_weights(spec: SurveySpec, species: SpeciesSpec, rng: np.random.Generator) -> Array:
    """Share of the fish that live in each stretch: the sites first, then the rest of each reach.

    Density differs between reaches as the species says, and between sites by a lognormal effect with mean 1.
    """
    of_reach = np.array(species.reach_density or (1.0,) * len(spec.reaches))
    effect = np.exp(species.site_sd * rng.standard_normal(spec.sites) - species.site_sd**2 / 2)
    reach_of_site = np.array(spec.reach_of_site)
    rest = np.array(list(spec.reaches.values())) - spec.site_length_km * np.bincount(reach_of_site, minlength=len(spec.reaches))
    weights = np.concatenate([effect * of_reach[reach_of_site] * spec.site_length_km, of_reach * rest])
    return weights / weights.sum()


def recruits_by_season(spec: SurveySpec, species: SpeciesSpec, rng: np.random.Generator) -> Array:
    """Fish of age 0 at each survey, burn-in first: lognormal about a log-linear trend, with first-order autocorrelation."""
    n = spec.burn_in + spec.seasons
    rho, sd = species.recruitment_autocorrelation, species.recruitment_sd
    shocks = rng.standard_normal(n)
    deviation = np.empty(n)
    deviation[0] = sd * shocks[0]
    for i in range(1, n):
        deviation[i] = rho * deviation[i - 1] + sd * np.sqrt(1 - rho**2) * shocks[i]
    trend = species.recruitment_trend * np.maximum(np.arange(n) - spec.burn_in, 0)
    return np.rint(species.recruits * np.exp(trend + deviation - sd**2 / 2)).astype(int)


@dataclass(frozen=True, slots=True)
class YearFate:
    """What became of a population between two surveys: counts of fish."""

    natural_deaths: int
    harvested: int
    recruits: int
    stocked: int
    stocked_died: int


class Population:
    """All living fish of one species, as arrays of equal length.

    A fish has the season index of its birth (`cohort`), its own asymptote, coefficient and age at zero, the `place` it
    lives in, a `mark` (index into `marks`, 0 for none), a `tag` number (0 for none), and whether it was stocked.
    """

    FIELDS = ("cohort", "asymptote", "coefficient", "zero", "place", "mark", "tag", "stocked")

    def __init__(self, spec: SurveySpec, species: SpeciesSpec, rng: np.random.Generator) -> None:
        self.spec, self.species = spec, species
        self.weights = place_weights(spec, species, rng)
        self.recruits = recruits_by_season(spec, species, rng)
        self.marks: tuple[str, ...] = ("", *sorted({lot.mark for lot in species.stocking if lot.mark}))
        self.season = -spec.burn_in
        integer = np.empty(0, dtype=np.int64)
        self.cohort, self.place, self.mark, self.tag = integer, integer, integer, integer
        self.asymptote = self.coefficient = self.zero = np.empty(0)
        self.stocked = np.empty(0, dtype=bool)
        self._add(int(self.recruits[0]), rng)

    def __len__(self) -> int:
        return len(self.cohort)

    @property
    def age(self) -> Array:
        """Completed years of each fish at this season's survey."""
        return self.season - self.cohort

    def length_at(self, age: Array | float, fish: Array | slice = slice(None)) -> Array:
        """Length (mm) of fish at an age in years, each on its own von Bertalanffy curve."""
        span = np.maximum(age - self.zero[fish], 0.0)
        return self.asymptote[fish] * -np.expm1(-self.coefficient[fish] * span)

    @property
    def length(self) -> Array:
        """Length (mm) of each fish at this season's survey."""
        return self.length_at(self.age)

    def _draw_places(self, n: int, rng: np.random.Generator) -> Array:
        return np.searchsorted(np.cumsum(self.weights)[:-1], rng.random(n), side="right")

    def _add(
        self, n: int, rng: np.random.Generator, *, length: Array | None = None, at_age: float = 0.0, age: int = 0, mark: int = 0
    ) -> None:
        s = self.species
        spread, speed = s.length_cv, s.coefficient_cv
        asymptote = s.asymptotic_length_mm * np.maximum(1 + spread * rng.standard_normal(n), 0.3)
        coefficient = s.growth_coefficient * np.maximum(1 + speed * rng.standard_normal(n), 0.3)
        zero = np.full(n, s.age_at_zero)
        if length is not None:
            share = np.clip(length / asymptote, 0.05, 0.95)
            zero = at_age + np.log1p(-share) / coefficient
        new = {
            "cohort": np.full(n, self.season - age),
            "asymptote": asymptote,
            "coefficient": coefficient,
            "zero": zero,
            "place": self._draw_places(n, rng),
            "mark": np.full(n, mark),
            "tag": np.zeros(n, dtype=np.int64),
            "stocked": np.full(n, length is not None),
        }
        for name, values in new.items():
            setattr(self, name, np.concatenate([getattr(self, name), values]))

    def keep(self, alive: Array) -> None:
        """Drop every fish that is not `alive` (boolean, one a fish)."""
        for name in self.FIELDS:
            setattr(self, name, getattr(self, name)[alive])

    def step(self, rng: np.random.Generator) -> YearFate:
        """Live through the year to the next survey: deaths, harvest, moves, then recruits and stocked fish."""
        s = self.species
        n = len(self)
        natural = np.where(self.age == 0, s.first_year_mortality, s.natural_mortality)
        fishing = s.fishing(self.season) * (self.length_at(self.age + 0.5) >= s.legal_length_mm)
        total = natural + fishing
        dies = rng.random(n) < -np.expm1(-total)
        harvested = dies & (rng.random(n) < np.divide(fishing, total, out=np.zeros(n), where=total > 0))
        moves = np.flatnonzero(rng.random(n) > s.site_fidelity)
        self.place = self.place.copy()
        self.place[moves] = self._draw_places(len(moves), rng)
        self.keep(~dies)
        self.season += 1
        born = int(self.recruits[self.season + self.spec.burn_in])
        self._add(born, rng)
        put_in, died = 0, 0
        for lot in s.stocking:
            # Before the first season the first lot was put in every year.
            if lot.season == self.season or (self.season < 0 and lot is s.stocking[0]):
                years = (10 - lot.month) / 12
                survives = int(np.count_nonzero(rng.random(lot.number) < np.exp(-s.first_year_mortality * years)))
                length = lot.mean_length_mm + lot.sd_length_mm * rng.standard_normal(survives)
                mark = self.marks.index(lot.mark) if lot.season == self.season else 0
                self._add(survives, rng, length=length, at_age=lot.age - years, age=lot.age, mark=mark)
                put_in, died = put_in + lot.number, died + lot.number - survives
        kept = int(np.count_nonzero(harvested))
        return YearFate(int(np.count_nonzero(dies)) - kept, kept, born, put_in, died)
