"""The simulated fish live and die by the rates that they were given."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from fishreport.exceptions import InputError
from fishreport.simulate import SpeciesSpec, StockingSpec, demo_spec, light_spec, simulate_survey
from fishreport.simulate.population import Population, place_weights, recruits_by_season


def test_fish_are_conserved_from_survey_to_survey(rng: np.random.Generator) -> None:
    survey = simulate_survey(demo_spec(seasons=8), rng=rng)
    for _, years in survey.truth.years.groupby("species_key"):
        years = years.reset_index(drop=True)
        left = years["alive"] - years["survey_deaths"]
        arrived = years["recruits"] + years["stocked"] - years["stocked_died"]
        died = years["natural_deaths"] + years["harvested"]
        expected = left[:-1].to_numpy() - died[1:].to_numpy() + arrived[1:].to_numpy()
        np.testing.assert_array_equal(years["alive"][1:].to_numpy(), expected)


def test_a_year_class_declines_by_the_given_mortality(rng: np.random.Generator) -> None:
    survey = simulate_survey(light_spec(seasons=4, fish=20_000, total_mortality=0.6), rng=rng)
    table = survey.truth.abundance().pivot_table(index="season", columns="age", values="number", aggfunc="sum").fillna(0)
    started, survived = 0.0, 0.0
    for year in survey.truth.spec.years[:-1]:
        started += table.loc[year, 0:8].sum()
        survived += table.loc[year + 1, 1:9].sum()
    # Handling kills a few dozen of these; four standard errors of a binomial share.
    share = survived / started
    assert abs(share - math.exp(-0.6)) < 4 * math.sqrt(0.25 / started) + 0.002


def test_harvest_is_the_share_of_deaths_that_competing_risks_give(rng: np.random.Generator) -> None:
    # Baranov's equation: harvest = F / Z × (1 - exp(-Z)) × N (Ricker 1975, from memory).
    spec = light_spec(fish=30_000)
    species = replace(spec.species[0], fishing_mortality=(0.3,), natural_mortality=0.5, first_year_mortality=0.5)
    population = Population(spec, species, rng)
    for _ in range(6):
        population.step(rng)
    before = len(population)
    fate = population.step(rng)
    expected = 0.3 / 0.8 * (1 - math.exp(-0.8)) * before
    assert abs(fate.harvested - expected) < 4 * math.sqrt(expected)
    assert abs(fate.natural_deaths - expected * 5 / 3) < 4 * math.sqrt(expected * 5 / 3)


def test_mean_length_at_age_of_the_living_follows_the_true_curve(rng: np.random.Generator) -> None:
    survey = simulate_survey(light_spec(fish=20_000), rng=rng)
    snap = survey.truth.snapshot("brown_trout", 2016)
    for age in range(7):
        lengths = snap.length_mm[snap.age == age]
        expected = 520 * (1 - math.exp(-0.38 * (age + 0.55)))
        assert abs(lengths.mean() - expected) < 4 * lengths.std() / math.sqrt(len(lengths))
        assert lengths.std() / lengths.mean() == pytest.approx(0.08, rel=0.1)
        assert survey.truth.mean_length_at_age("brown_trout", age) == pytest.approx(expected)


def test_fish_die_sooner_once_they_are_of_legal_length(rng: np.random.Generator) -> None:
    spec = light_spec(fish=30_000)
    species = replace(spec.species[0], fishing_mortality=(1.0,), legal_length_mm=400.0, natural_mortality=0.3)
    population = Population(spec, species, rng)
    for _ in range(8):
        population.step(rng)
    young = np.count_nonzero(population.age == 1)
    old = np.count_nonzero(population.age == 5)
    lengths = population.length_at(population.age + 0.5)
    legal = np.mean(lengths[population.age == 5] >= 400)
    population.step(rng)
    assert np.count_nonzero(population.age == 2) / young == pytest.approx(math.exp(-0.3), abs=0.04)
    expected = math.exp(-0.3) * (1 - legal + legal * math.exp(-1.0))
    assert np.count_nonzero(population.age == 6) / old == pytest.approx(expected, abs=5 * math.sqrt(0.25 / old))


def test_recruitment_has_the_given_spread_trend_and_autocorrelation(rng: np.random.Generator) -> None:
    spec = replace(light_spec(seasons=3000), burn_in=1)
    species = replace(spec.species[0], recruits=1e6, recruitment_sd=0.4, recruitment_autocorrelation=0.6)
    logs = np.log(recruits_by_season(spec, species, rng))
    assert logs.std() == pytest.approx(0.4, rel=0.1)
    assert np.corrcoef(logs[:-1], logs[1:])[0, 1] == pytest.approx(0.6, abs=0.06)
    assert np.exp(logs).mean() == pytest.approx(1e6, rel=0.06)
    spec = replace(light_spec(seasons=20), burn_in=1)
    rising = recruits_by_season(spec, replace(species, recruitment_sd=0.0, recruitment_trend=0.1), rng)
    np.testing.assert_allclose(np.diff(np.log(rising[1:])), 0.1, atol=1e-5)


def test_stocked_fish_arrive_with_their_length_mark_and_age(rng: np.random.Generator) -> None:
    spec = replace(light_spec(seasons=2), burn_in=1)
    lot = StockingSpec(season=0, month=5, number=20_000, mean_length_mm=230, sd_length_mm=10, mark="adipose clip")
    species = replace(spec.species[0], stocking=(lot,), first_year_mortality=1.2)
    population = Population(spec, species, rng)
    fate = population.step(rng)
    new = population.stocked & (population.mark == population.marks.index("adipose clip"))
    share = np.count_nonzero(new) / 20_000
    assert share == pytest.approx(math.exp(-1.2 * 5 / 12), abs=4 * 0.5 / math.sqrt(20_000))
    assert fate.stocked == 20_000 and fate.stocked_died == 20_000 - np.count_nonzero(new)
    assert set(population.age[new]) == {1}
    at_stocking = population.length_at(1 - 5 / 12, np.flatnonzero(new))
    assert at_stocking.mean() == pytest.approx(230, abs=0.5)
    assert population.length[new].mean() > 240


def test_fish_spread_over_reaches_as_their_density_says(rng: np.random.Generator) -> None:
    spec = light_spec(fish=20_000, site_sd=0.0)
    species = replace(spec.species[0], reach_density=(2.0, 1.0, 0.5))
    weights = place_weights(spec, species, rng)
    assert weights.sum() == pytest.approx(1)
    per_km = weights[[0, 5, 11]] / spec.site_length_km
    assert per_km[0] / per_km[1] == pytest.approx(2) and per_km[1] / per_km[2] == pytest.approx(2)
    places = Population(spec, species, rng).place
    counts = np.bincount(places, minlength=len(weights))
    assert stats.chisquare(counts, weights * counts.sum()).pvalue > 1e-4


@pytest.mark.parametrize(
    ("change", "text"),
    [
        ({"growth_coefficient": 0.0}, "growth_coefficient of brown trout must be above 0; got 0.0"),
        ({"natural_mortality": -0.1}, "natural_mortality of brown trout must be 0 or more; got -0.1"),
        ({"recruitment_autocorrelation": 1.0}, "recruitment_autocorrelation of brown trout must be between -1 and 1; got 1.0"),
        ({"fishing_mortality": ()}, "fishing_mortality of brown trout must be one or more rates of 0 or more; got ()"),
    ],
)
def test_impossible_rates_are_refused(change: dict[str, object], text: str) -> None:
    species: SpeciesSpec = demo_spec().species[0]
    with pytest.raises(InputError) as caught:
        replace(species, **change)
    assert str(caught.value) == text
