"""A survey simulated from end to end: the population lives from season to season, the crew fishes it every autumn."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from fishreport.simulate import tables
from fishreport.simulate.fieldwork import Catch, Lanes, net
from fishreport.simulate.population import Population, YearFate
from fishreport.simulate.spec import SurveySpec
from fishreport.simulate.truth import Snapshot, Truth
from fishreport.simulate.water import Visit, daily_release, visits


@dataclass(frozen=True)
class SimulatedSurvey:
    """The tables of a survey in the columns of the field-data schema, and what is true of it.

    Numbers are numbers (NaN when not recorded), dates are timestamps, text is empty when not recorded.
    """

    runs: pd.DataFrame
    fish: pd.DataFrame
    ages: pd.DataFrame
    census: pd.DataFrame
    stocking: pd.DataFrame
    flow: pd.DataFrame
    harvest: pd.DataFrame
    truth: Truth

    def catch(self, species: str | None = None) -> pd.DataFrame:
        """One row a fish, with ``season``, ``site``, ``reach``, ``effort_s`` and ``pass_number`` of its run and ``species_key``.

        Parameters
        ----------
        species : str, optional
            Code or key of the only species wanted.
        """
        keys = {s.code: s.key for s in self.truth.spec.species}
        fish = self.fish.drop(columns=["date", "site", "pass_number"])
        if species is not None:
            fish = fish[fish["species"] == self.truth.species(species).code]
        fish = fish.loc[np.repeat(fish.index, fish["count"].astype(int))].assign(count=1)
        runs = self.runs[["run_id", "date", "site", "reach", "effort_s", "pass_number"]]
        joined = fish.merge(runs.assign(season=runs["date"].dt.year), on="run_id", how="left")
        return joined.assign(species_key=joined["species"].map(keys))


def _lanes(spec: SurveySpec, season: int, on_site: list[Visit], rng: np.random.Generator) -> Lanes:
    shape = (spec.sites, spec.runs_per_site)
    seconds, discharge = np.zeros(shape), np.full(shape, spec.discharge_m3_s)
    passes, hertz = np.zeros(shape, dtype=int), np.full(shape, 30.0)
    jitter = rng.integers(-12, 19, size=shape)
    for visit in on_site:
        seconds[visit.site] = np.maximum(spec.effort_s + jitter[visit.site], 1)
        discharge[visit.site] = visit.discharge_m3_s
        passes[visit.site] = spec.removal_passes if visit.site in spec.removal.get(season, ()) else 1
    if spec.fast_pulse and spec.fast_pulse[0] == season:
        hertz[spec.fast_pulse[1:]] = 60.0
    if spec.cut_short and spec.cut_short[0] == season:
        seconds[spec.cut_short[1:]] = np.minimum(seconds[spec.cut_short[1:]], 240.0)
    return Lanes(seconds / 3600, discharge, passes, hertz)


def _density_effect(population: Population, reference: float) -> float:
    older = max(int(np.count_nonzero(population.age >= 1)), 1)
    return population.species.condition_density_effect * float(np.log(older / reference))


def simulate_survey(spec: SurveySpec, *, rng: np.random.Generator) -> SimulatedSurvey:
    """Simulate the population and the fieldwork of every season.

    Parameters
    ----------
    spec : SurveySpec
        The design and the true rates; `demo_spec` and `light_spec` give two.
    rng : numpy.random.Generator
        Source of all randomness; the same state gives the same survey.

    Returns
    -------
    SimulatedSurvey
        Seven tables and the truth.

    Notes
    -----
    Fish are followed one by one. Between surveys a fish dies with probability ``1 - exp(-(M + F))``, where `F` acts on
    fish that reach the legal length by mid-year, and a death is harvest with probability ``F / (M + F)`` (competing
    risks; Ricker 1975, from memory). Length follows each fish's own von Bertalanffy curve. Recruitment is lognormal with
    first-order autocorrelation about a log-linear trend. In a run a fish on the bank is taken with probability
    ``1 - exp(-hazard · hours)``; the hazard carries a gamma effect of the run, so that catches are overdispersed.
    """
    populations = [Population(spec, species, rng) for species in spec.species]
    flow = daily_release(spec, rng)
    fates: dict[tuple[str, int], YearFate] = {}
    for population in populations:
        while population.season < 0:
            fates[population.species.key, 0] = population.step(rng)
    reference = {p.species.key: max(int(np.count_nonzero(p.age >= 1)), 1) for p in populations}
    next_tag = {p.species.key: 1 for p in populations}
    snapshots: dict[tuple[str, int], Snapshot] = {}
    rows, run_frames, fish_frames, age_frames, census_frames, census_truth = [], [], [], [], [], []
    for season, year in enumerate(spec.years):
        on_site = visits(spec, season, flow, rng)
        lanes = _lanes(spec, season, on_site, rng)
        run_frames.append(tables.run_rows(spec, on_site, lanes))
        year_effect = spec.base_year_effect_sd * float(rng.standard_normal())
        mean_release = float(np.mean([visit.discharge_m3_s for visit in on_site])) if on_site else spec.discharge_m3_s
        catches: list[Catch] = []
        for population in populations:
            s = population.species
            if season:
                fates[s.key, season] = population.step(rng)
            snapshots[s.key, year] = Snapshot(population.age, population.length, population.place, population.stocked)
            condition = s.condition_season_sd * float(rng.standard_normal()) + _density_effect(population, reference[s.key])
            catch = net(spec, population, lanes, condition=condition, year_effect=year_effect, first_tag=next_tag[s.key], rng=rng)
            next_tag[s.key] += int(np.count_nonzero(catch.new_tag))
            catches.append(catch)
            if spec.side_tables and season in spec.census and s.census_bounds_mm:
                events, true = tables.census_rows(spec, population, year, spec.census[season], rng)
                census_frames.append(events)
                census_truth += true
            fate = fates[s.key, season]
            rows.append(
                {
                    "species_key": s.key,
                    "season": year,
                    "alive": len(population),
                    "survey_deaths": int(np.count_nonzero(catch.fate == 2)),
                    "natural_deaths": fate.natural_deaths,
                    "harvested": fate.harvested,
                    "recruits": fate.recruits,
                    "stocked": fate.stocked,
                    "stocked_died": fate.stocked_died,
                    "natural_mortality": s.natural_mortality,
                    "fishing_mortality": s.fishing(season),
                    "condition": condition,
                    "year_effect": year_effect,
                    "discharge_m3_s": mean_release,
                }
            )
        fish, ages = tables.fish_and_age_rows(spec, season, populations, catches, rng)
        fish_frames.append(fish)
        age_frames.append(ages)
        for population, catch in zip(populations, catches, strict=True):
            alive = np.ones(len(population), dtype=bool)
            alive[catch.index[catch.fate == 2]] = False
            population.keep(alive)
    years = pd.DataFrame(rows).sort_values(["species_key", "season"], ignore_index=True)
    truth = Truth(
        spec,
        snapshots,
        years,
        {p.species.key: p.weights for p in populations},
        pd.DataFrame(census_truth, columns=["year", "species_key", "size_class", "number"]),
    )
    return SimulatedSurvey(
        runs=pd.concat(run_frames, ignore_index=True),
        fish=pd.concat(fish_frames, ignore_index=True),
        ages=pd.concat(age_frames, ignore_index=True),
        census=tables.in_schema("census", pd.concat(census_frames, ignore_index=True) if census_frames else None),
        stocking=tables.stocking_rows(spec) if spec.side_tables else tables.in_schema("stocking", None),
        flow=flow if spec.side_tables else flow.iloc[:0],
        harvest=tables.harvest_rows(spec, years, rng) if spec.side_tables else tables.in_schema("harvest", None),
        truth=truth,
    )
