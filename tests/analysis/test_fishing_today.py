"""Fishing mortality by creel survey: what the demo was simulated with, a pencil, the scenarios' own draws, and what lacks."""

from __future__ import annotations

import dataclasses
import json
import math

import numpy as np
import pandas as pd
import pytest

from fishreport.analysis.classes import study_classes
from fishreport.analysis.fishing_today import CREEL, CREEL_OVER_AGES, FITS_BOTH, fishing_today, rates_today
from fishreport.analysis.mortality import mortality
from fishreport.analysis.population import population
from fishreport.analysis.rules import rules_of, todays_rule
from fishreport.analysis.scenario_inputs import species_inputs
from fishreport.analysis.todays_fish import legal_share, vulnerability
from fishreport.study import read_study

FEW = {"parameters.draws": 400, "parameters.resamples": 200}


@pytest.fixture(scope="module")
def study(repository):
    return read_study(repository / "demo_inputs", overrides=FEW)


@pytest.fixture(scope="module")
def found(study, demo_survey):
    return fishing_today(study, demo_survey, study_classes(study))


def test_the_scenarios_start_from_the_same_draws(study, demo_survey, found):
    """Whatever generator a chapter has, its fishing and natural mortality are those that the mortality chapter tells."""
    for own in study_classes(study)[:2]:
        inputs = species_inputs(study, demo_survey, own, rules_of(study)[own.species.key], np.random.default_rng(77))
        one = found.species[own.species.key]
        assert np.median(inputs.life.fishing_mortality) == one.fishing.value
        assert np.quantile(inputs.life.natural_mortality, [0.025, 0.975]) == pytest.approx([one.natural.lower, one.natural.upper])


def test_the_effort_of_a_water_is_one(study, demo_survey, found):
    """Draw by draw the same hours for every species, and other hours with another seed."""
    brown, rainbow = (found.species[key].known.anglers for key in ("brown_trout", "rainbow_trout"))
    assert (brown.effort_h == rainbow.effort_h).all()
    assert not (brown.caught / 6440 == rainbow.caught / 1298).any()
    other = study.model_copy(update={"parameters": study.parameters.model_copy(update={"seed": 1})})
    again = rates_today(other, demo_survey, study_classes(study)[0], todays_rule(study, "brown_trout")).anglers
    assert not (again.effort_h == brown.effort_h).any()


def test_what_the_scenarios_start_from_is_what_other_chapters_tell(study, demo_survey):
    """Density as the census gives it with its own limits; effort and catch rate as harvest.csv gives them."""
    classes = study_classes(study)
    censuses = population(study, demo_survey, classes).results
    for own, caught in zip(classes[:2], (6440, 1298), strict=True):
        key = own.species.key
        inputs = species_inputs(study, demo_survey, own, rules_of(study)[key], np.random.default_rng(77))
        told = {source.name: source.estimate for source in inputs.sources}
        census = censuses.one(quantity="density_per_km", species=key, size_class="stock", season=2025, detail=None).estimate
        density = told["density_per_km"]
        assert (density.value, density.lower, density.upper) == (census.value, census.lower, census.upper)
        drawn = np.quantile(inputs.life.density_per_km, [0.025, 0.5, 0.975])
        assert drawn == pytest.approx([census.lower, census.value, census.upper], rel=0.06)
        assert told["effort_h_per_km"].value == pytest.approx(30200 / 14.2)
        assert told["effort_h_per_km"].units == "h/km"
        assert told["catch_per_hour"].value == pytest.approx(caught / 30200)
        factor = np.exp(1.959964 * np.sqrt(np.log1p((2400 / 30200) ** 2)))
        assert told["effort_h_per_km"].upper == pytest.approx(factor * 30200 / 14.2)
        assert np.median(inputs.angling.effort_h_per_km) == pytest.approx(30200 / 14.2, rel=0.02)


@pytest.mark.parametrize("key", ["brown_trout", "rainbow_trout"])
def test_it_holds_what_the_demo_was_simulated_with(repository, found, key):
    truth = json.loads((repository / "demo_inputs" / "truth.json").read_text())
    name = key.replace("_", " ")
    rates = next(species["rates"] for species in truth["species"].values() if species["name"] == name)
    one = found.species[key]
    assert one.fishing.lower < rates["fishing_mortality"][0] < one.fishing.upper
    assert one.natural.lower < rates["natural_mortality"] < one.natural.upper


def test_exploitation_by_a_pencil(demo_survey, found):
    """301 brown trout kept, over the legal share (356 mm) of the fish that the census counted from 150 mm on."""
    one = found.species["brown_trout"]
    fish = demo_survey.fish_of("brown_trout", season=2025)
    length = fish.loc[fish["length_mm"].notna() & ~(fish["pass_number"] > 1), "length_mm"].to_numpy()
    there = 14.2 * np.median(one.known.density.draws)
    legal = (length >= 356).sum() / (length >= 150).sum()
    assert one.open_number.value == pytest.approx(there * legal, rel=0.03)
    assert one.exploitation.value == pytest.approx(100 * 301 / (there * legal), rel=0.05)


def test_the_legal_share_carries_the_error_of_the_runs(demo_survey):
    """Against deleting one run at a time, and against as many independent fish; the draws' mean is the share in the catch."""
    fish = demo_survey.fish_of("brown_trout", season=2025)
    fish = fish[fish["length_mm"].notna() & ~(fish["pass_number"] > 1)]
    met, legal = vulnerability(fish["length_mm"].to_numpy(float), 150.0), fish["length_mm"].to_numpy() >= 356
    drawn = legal_share(met, legal, fish["run_id"], np.random.default_rng(1), 40_000)
    share = (met * legal).sum() / met.sum()
    assert drawn.mean() == pytest.approx(share, rel=0.01)
    runs = fish["run_id"].unique()
    without = [(met * legal)[keep].sum() / met[keep].sum() for keep in (fish["run_id"].to_numpy() != run for run in runs)]
    jackknife = math.sqrt((len(runs) - 1) * np.var(without))
    independent = math.sqrt(share * (1 - share) * (met**2).sum()) / met.sum()
    assert drawn.std() == pytest.approx(max(jackknife, independent), rel=0.05)
    alone = legal_share(met, legal, pd.Series(np.zeros(len(fish))), np.random.default_rng(1), 40_000)  # one run
    assert alone.std() == pytest.approx(independent, rel=0.03)
    every = legal_share(met, np.ones(len(fish), bool), fish["run_id"], np.random.default_rng(1), 5)
    assert every == pytest.approx(np.ones(5))


def test_fish_open_to_harvest_carry_the_errors_of_the_census_and_of_the_legal_share(found):
    """The squared coefficients of variation of a product of independent draws add up."""
    for one in found.species.values():
        anglers = one.known.anglers
        census = np.std(np.log(one.known.density.draws))
        share = np.std(np.log(anglers.open_number / one.known.density.draws))
        assert 0.05 < share < 0.3
        assert np.std(np.log(anglers.open_number)) == pytest.approx(math.hypot(census, share), rel=0.1)


def test_results_and_their_places(found):
    ids = [r.id for r in found.results]
    assert len(set(ids)) == len(ids)
    for detail in (CREEL, CREEL_OVER_AGES):
        assert found.results.one(quantity="fishing_mortality", species="rainbow_trout", season=2025, detail=detail)
    assert found.results.one(quantity="natural_mortality", species="rainbow_trout", detail=FITS_BOTH)
    one = found.species["rainbow_trout"]
    assert one.spread.value < one.fishing.value  # fish of the catch curve that are too short bear less


def test_no_id_is_that_of_the_mortality_of_the_catch_curve(study, demo_survey, found):
    other = mortality(study, demo_survey, study_classes(study)[:1], np.random.default_rng(1))
    assert not {r.id for r in found.results} & {r.id for r in other.results}


def test_a_species_without_a_rule_is_left_out_and_named(found):
    assert "smallmouth_bass" not in found.species
    assert found.without_rule == ("smallmouth_bass",)


def test_todays_rule_is_the_first_of_the_species(study):
    assert todays_rule(study, "rainbow_trout") == rules_of(study)["rainbow_trout"][0]
    assert todays_rule(study, "smallmouth_bass") is None


def test_without_a_table_or_with_an_old_one_there_is_none(study, demo_survey):
    for harvest in (demo_survey.harvest.iloc[:0], demo_survey.harvest[demo_survey.harvest["year"] <= 2022]):
        got = fishing_today(study, dataclasses.replace(demo_survey, harvest=harvest), study_classes(study)[:1])
        assert got.species == {}
        assert len(got.results) == 0


def test_without_a_number_of_fish_it_is_not_estimable(study, demo_survey):
    runs = demo_survey.runs.assign(pass_number=np.nan)
    fish = demo_survey.fish.assign(pass_number=np.nan)
    poor = dataclasses.replace(demo_survey, census=demo_survey.census.iloc[:0], runs=runs, fish=fish)
    one = fishing_today(study, poor, study_classes(study)[:1]).species["brown_trout"]
    assert not one.fishing.estimable
    assert not one.exploitation.estimable
    assert "number of fish is not known" in one.fishing.notes[0]
    assert one.natural is None


def test_under_release_only_nothing_is_exploited(repository, demo_survey):
    study = read_study(repository / "demo_inputs", overrides={**FEW, "scenarios.0.release_only": True,
                       "scenarios.0.minimum_length_mm": None, "scenarios.0.bag_limit": None})  # fmt: skip
    one = fishing_today(study, demo_survey, study_classes(study)[:1]).species["brown_trout"]
    assert not one.exploitation.estimable
    assert "no fish may be kept" in one.exploitation.notes[0]
    assert one.fishing.estimable  # deaths after release


def test_what_the_table_gives_no_error_of_is_told(study, demo_survey):
    harvest = demo_survey.harvest.assign(se_kept=np.nan)
    one = fishing_today(study, dataclasses.replace(demo_survey, harvest=harvest), study_classes(study)[:1]).species["brown_trout"]
    assert any("no standard error of fish kept in the table" in note for note in one.fishing.notes)


def test_natural_mortality_given_by_hand_is_not_weighed(repository, demo_survey):
    study = read_study(repository / "demo_inputs", overrides={**FEW, "parameters.natural_mortality": 0.4})
    one = fishing_today(study, demo_survey, study_classes(study)[:1]).species["brown_trout"]
    assert one.natural is None
    assert (one.known.rates.natural == 0.4).all()


def test_the_draws_depend_on_seed_and_species_alone(repository, demo_survey, study):
    own = study_classes(study)[0]
    rule = todays_rule(study, own.species.key)
    first, again = (rates_today(study, demo_survey, own, rule).rates.fishing for _ in range(2))
    assert (first == again).all()
    other = read_study(repository / "demo_inputs", overrides={**FEW, "parameters.seed": 3})
    assert (rates_today(other, demo_survey, study_classes(other)[0], rule).rates.fishing != first).any()
