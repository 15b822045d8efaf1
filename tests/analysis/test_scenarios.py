"""Scenarios of the demo against direct calls of the projection and numbers worked out by hand; studies that lack something."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from fishreport.analysis import scenario_grid as grids
from fishreport.analysis import scenarios as analysis
from fishreport.analysis.aims import with_catch_rates
from fishreport.analysis.classes import study_classes
from fishreport.analysis.growth import growth_curve
from fishreport.analysis.result import Results
from fishreport.analysis.rules import regulation_of, rules_of
from fishreport.analysis.scenario_inputs import spawning_month, species_inputs, survey_month
from fishreport.analysis.scenarios import Scenarios, horizons_of, scenarios
from fishreport.exceptions import StudyError
from fishreport.fielddata import load_survey
from fishreport.methods.estimate import Estimate
from fishreport.population.dynamics import project
from fishreport.population.regulation import Regulation, Stocking
from fishreport.study import Scenario, Study, read_study

HAND = """
[species.BNT.life_history]
asymptotic_length_mm = { value = 500, se = 20 }
growth_coefficient = { value = 0.3, se = 0.03 }
natural_mortality = { value = 0.45, se = 0.05 }
fishing_mortality = { value = 0.2, se = 0.05 }
"""
RULES = """
[[scenarios]]
name = "today"
minimum_length_mm = 300
[[scenarios]]
name = "longer"
minimum_length_mm = 350
"""
FEW = "\n[parameters]\ndraws = 40\nhorizon_years = 3\n"


def small_study(folder: Path, extra: str) -> Study:
    """A water with a dozen measured trout, and what is added to its study file."""
    folder.mkdir(parents=True, exist_ok=True)
    text = '[water]\nname = "Alder"\n[season]\nyear = 2025\n[data]\nruns = "runs.csv"\nfish = "fish.csv"\n'
    (folder / "study.toml").write_text(text + '[species.BNT]\nname = "brown trout"\n' + extra, encoding="utf-8")
    (folder / "runs.csv").write_text("run_id,site,date,effort_s\nR1,Weir,2025-09-15,600\nR2,Ford,2025-09-15,600\n")
    fish = "".join(f"R{1 + i % 2},BNT,{200 + 10 * i},{round(1e-5 * (200 + 10 * i) ** 3)}\n" for i in range(12))
    (folder / "fish.csv").write_text("run_id,species,length_mm,weight_g\n" + fish, encoding="utf-8")
    return read_study(folder)


def run(study: Study, seed: int = 4) -> Scenarios:
    return scenarios(study, load_survey(study), study_classes(study), np.random.default_rng(seed))


@pytest.fixture(scope="module")
def study(repository: Path) -> Study:
    return read_study(repository / "demo_inputs", overrides={"parameters.draws": 60, "parameters.resamples": 200})


@pytest.fixture(scope="module")
def trout(study: Study, demo_survey):
    own = study_classes(study)[0]
    return species_inputs(study, demo_survey, own, rules_of(study)["brown_trout"], np.random.default_rng(5))


@pytest.fixture(scope="module")
def found(study: Study, demo_survey, trout) -> Scenarios:
    """Both species, each compared with a generator of its own; fewer assumptions are varied, which takes most of the time."""
    rainbow = species_inputs(
        study, demo_survey, study_classes(study)[1], rules_of(study)["rainbow_trout"], np.random.default_rng(6)
    )
    species = {}
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(analysis, "VARIED", {"noncompliance": (0.0, 0.2)})
        for inputs in (trout, rainbow):
            species[inputs.key] = analysis.compare_species(study, demo_survey, inputs, np.random.default_rng(8))
    results = [result for one in species.values() for result in analysis.comparison_results(study, one)]
    return Scenarios(Results(results), species)


def test_outcomes_are_quantiles_of_a_direct_projection(found, trout):
    """The same inputs and generator, projected here and summed up with numpy alone."""
    one = found.species["brown_trout"]
    direct = project(
        trout.life, list(trout.rules), years=10, rng=np.random.default_rng(8).spawn(1)[0], angling=trout.angling,
        categories=trout.categories, length_km=14.2,
    )  # fmt: skip
    for measure in one.measures:
        values = direct.get(measure.quantity)[:, :, 9]
        for place, outcome in enumerate(one.outcomes[measure.quantity, 10]):
            assert outcome.value.value == pytest.approx(np.median(values[place]), rel=1e-12)
            gap = values[place] - values[0]
            assert outcome.verdict.difference.lower == pytest.approx(np.quantile(gap, 0.025), rel=1e-9, abs=1e-12)


def test_results_are_moderate_in_number_and_unique(found):
    ids = [result.id for result in found.results]
    assert len(set(ids)) == len(ids) < 400
    assert {"year 5", "year 10", "year 5, against today's rule"} <= {result.detail for result in found.results}
    today = found.results.where(scenario="Today: 356 mm minimum, five a day")
    assert not [result for result in today if "against" in (result.detail or "")]


def test_a_difference_within_draws_is_sharper_than_the_outcomes(found):
    place = {"quantity": "scenario_trophy", "species": "brown_trout", "scenario": "406 mm minimum, two a day"}
    value = found.results.one(**place, detail="year 10").estimate
    gap = found.results.one(**place, detail="year 10, against today's rule").estimate
    assert gap.lower > 0  # a higher limit leaves more trophy fish in every draw
    assert gap.upper - gap.lower < 0.25 * (value.upper - value.lower)


def test_a_limit_above_every_fish_is_catch_and_release(trout):
    rules = [Regulation(name="a", minimum_length_mm=5000), Regulation(name="b", release_only=True)]
    life = trout.life.take(np.arange(20))
    found = project(
        life, rules, years=5, rng=np.random.default_rng(1), angling=trout.angling.take(np.arange(20)), today=trout.rules[0]
    )
    assert found.get("catch")[0] == pytest.approx(found.get("catch")[1], rel=1e-9)
    assert found.get("harvest_number")[0] == pytest.approx(found.get("harvest_number")[1], rel=1e-9)


def test_probability_of_an_aim_is_the_share_of_draws_that_meet_it(found):
    one = found.species["brown_trout"]
    aim = next(aim for aim in one.aims if aim.objective.quantity == "proportional_size")
    share = one.projection.get("proportional_size_preferred")[1, :, 9]
    by_hand = np.mean((share >= 40) & (share <= 60))
    chance = next(c for c in one.chances if c.goal == aim.goal and c.year == 10 and c.scenario == "406 mm minimum, two a day")
    assert chance.probability.value == pytest.approx(by_hand)
    result = found.results.one(
        quantity="objective_probability", species="brown_trout", scenario="406 mm minimum, two a day",
        detail="proportional_size, between 40 and 60, year 10",
    )  # fmt: skip
    assert result.estimate.value == pytest.approx(by_hand)
    assert {objective.quantity for objective, _ in one.left_out} == {"relative_weight", "total_mortality"}


def test_the_survey_catch_rate_follows_the_number_of_fish(found):
    one = found.species["rainbow_trout"]
    rate = Estimate(20.0, 0.0, math.nan, math.nan, 0.95, "fish/h", "exact", 9)
    today = one.projection.today["density_quality"]
    more = with_catch_rates(one.projection, {"quality": rate}, np.random.default_rng(1), {"quality": today})
    by_hand = 20.0 * one.projection.get("density_quality")[0, 7, 4] / today[7]
    assert more.get("survey_catch_rate_quality")[0, 7, 4] == pytest.approx(by_hand)


def test_rainbow_trout_follow_the_stocking(found):
    """Three times the fish put in: more of everything, and no spawning potential is claimed for a stocked water."""
    place = {"species": "rainbow_trout", "scenario": "Rainbow trout: today's rule, stocking as before 2021"}
    for quantity in ("scenario_harvest", "scenario_catch_rate", "scenario_stock_density"):
        assert found.results.one(quantity=quantity, detail="year 10, against today's rule", **place).estimate.lower > 0
    assert not len(found.results.where(quantity="scenario_spawning_potential", species="rainbow_trout"))


# ---- what they start from ------------------------------------------------------------------------------------------------


def test_ages_are_those_of_the_survey_month(study, demo_survey, trout):
    """A fish of read age 3 in October is as long in the life history, at 3.75 years, as on the fitted curve at 3."""
    curve = growth_curve(study, demo_survey, study_classes(study)[0], np.random.default_rng(1))
    top, speed, zero = curve.parameters
    on_curve = top * (1 - math.exp(-speed * (3 - zero)))
    assert survey_month(study, demo_survey) == 10
    assert np.median(trout.life.mean_length([3.75])) == pytest.approx(on_curve, rel=0.01)


def test_todays_ages_add_up_to_the_density(trout):
    """Carried back from 1 January to October by each draw's own mortality, fish of stock length make the census density."""
    life = trout.life
    ages = life.ages - 0.25
    mean = life.mean_length(ages)
    spread = life.length_cv[:, None] * mean
    normal = np.vectorize(math.erf)
    below = 0.5 * (1 + normal((150 - mean) / spread / math.sqrt(2)))
    legal = 0.5 * (1 - normal((356 - mean) / spread / math.sqrt(2)))
    back = life.initial_numbers_per_km * np.exp(
        0.25 * (life.natural_mortality[:, None] + life.fishing_mortality[:, None] * legal)
    )
    assert (back * (1 - below)).sum(axis=1) == pytest.approx(life.density_per_km, rel=1e-9)


def test_fishing_mortality_by_hand_from_creel_and_census(demo_survey, trout):
    """The means of the demo's tables, put through F = f (1 - (1 - K)(1 - d)) with a pencil."""
    fish = demo_survey.fish_of("brown_trout", season=2025)
    length = fish.loc[fish["length_mm"].notna() & ~(fish["pass_number"] > 1), "length_mm"].to_numpy()
    met = 1 / (1 + np.exp(-math.log(19) * (length - 150) / 50))
    per_stock_fish = met.sum() / (length >= 150).sum()
    kept_share = 301 / (6440 * met[length >= 356].sum() / met.sum())
    f = 6440 / (14.2 * np.median(trout.life.density_per_km) * per_stock_fish)
    by_hand = f * (1 - (1 - kept_share) * (1 - 0.05))
    assert np.median(trout.life.fishing_mortality) == pytest.approx(by_hand, rel=0.06)
    assert np.median(trout.angling.voluntary_release) == pytest.approx(1 - kept_share, abs=0.03)


def test_estimates_hold_the_truth_of_the_demo(trout):
    """What the demo was simulated with (truth.json): M 0.48, F 0.16, asymptote 520 mm; 95 % intervals of the draws."""
    for name, truth in (("natural_mortality", 0.48), ("fishing_mortality", 0.16), ("asymptotic_length_mm", 520.0)):
        low, high = np.quantile(getattr(trout.life, name), [0.025, 0.975])
        assert low < truth < high, name


def test_every_input_says_where_it_came_from(trout):
    by_name = {source.name: source for source in trout.sources}
    assert by_name["asymptotic_length_mm"].origin == "estimated"
    assert by_name["length_at_maturity_mm"].origin == "given by hand"
    assert by_name["noncompliance"].origin == "default"
    assert by_name["voluntary_release"].origin == "estimated"
    assert all(source.how for source in trout.sources)


def test_what_is_given_by_hand_comes_first(repository, demo_survey):
    overrides = {
        "parameters.draws": 40, "parameters.resamples": 200, "parameters.natural_mortality": 0.4,
        "parameters.voluntary_release": 0.5, "species.BNT.life_history.fishing_mortality": {"value": 0.3, "se": 0.0},
        "species.BNT.life_history.asymptotic_length_mm": {"value": 600.0, "se": 0.0},
    }  # fmt: skip
    study = read_study(repository / "demo_inputs", overrides=overrides)
    own = study_classes(study)[0]
    got = species_inputs(study, demo_survey, own, rules_of(study)["brown_trout"], np.random.default_rng(2))
    assert (got.life.natural_mortality == 0.4).all()
    assert got.life.fishing_mortality == pytest.approx(0.3)
    assert got.life.asymptotic_length_mm == pytest.approx(600.0)
    assert (got.angling.voluntary_release == 0.5).all()
    origins = {source.name: source.origin for source in got.sources}
    assert origins["natural_mortality"] == origins["fishing_mortality"] == origins["voluntary_release"] == "given by hand"
    assert origins["growth_coefficient"] == "estimated"


def test_a_scenario_is_the_rule_that_it_names():
    put = {"number_per_year": 900.0, "mean_length_mm": 240.0, "every_years": 2, "month": 4}
    scenario = Scenario(
        name="all", minimum_length_mm=300.0, maximum_length_mm=600.0, bag_limit=2, closed_months=(11, 12), gear="flies and lures",
        release_mortality=0.03, effort_change=-0.1, stocking=put,
    )  # fmt: skip
    assert regulation_of(scenario) == Regulation(
        minimum_length_mm=300, maximum_length_mm=600, bag_limit=2, closed_months=(11, 12), gear="flies and lures",
        release_mortality=0.03, effort_change=-0.1, stocking=Stocking(900.0, 240.0, 2, 4),
    )  # fmt: skip
    slot = Scenario(name="slot", protected_slot_mm=(330.0, 508.0))
    assert regulation_of(slot).kept_ranges() == ((0.0, 330.0), (508.0, math.inf))
    with pytest.raises(StudyError, match=r"the scenario 'odd' is no rule: under release_only no fish may be kept"):
        regulation_of(Scenario(name="odd", release_only=True, minimum_length_mm=300.0))


@pytest.mark.parametrize(
    ("name", "month"), [("brown trout", 11), ("rainbow trout", 4), ("smallmouth bass", 6), ("bull trout", 9)]
)
def test_spawning_by_kind(name, month):
    assert spawning_month(name) == month


@pytest.mark.parametrize(("years", "expected"), [(3, (3,)), (5, (5,)), (12, (5, 12))])
def test_horizons(repository, years, expected):
    study = read_study(repository / "demo_inputs", overrides={"parameters.horizon_years": years})
    assert horizons_of(study) == expected


# ---- grids ---------------------------------------------------------------------------------------------------------------


def test_the_grid_agrees_with_a_direct_projection(found):
    one = found.species["brown_trout"]
    grid = grids.explorer_grid(one, np.random.default_rng(9), step_mm=50.0)
    index = analysis.chosen_draws(one, grids.GRID_DRAWS, 0.95)
    today, rule = one.inputs.rules[0].replace(bag_limit=None), Regulation(minimum_length_mm=400, effort_change=0.5)
    direct = project(
        one.inputs.life.take(index), [today, rule], years=10, rng=np.random.default_rng(9), today=one.inputs.rules[0],
        angling=one.inputs.angling.take(index), categories=one.inputs.categories, length_km=14.2, groups=5,
        deviations=one.deviations[index],
    )  # fmt: skip
    where = grid.minimum_mm.index(400.0), grid.effort.index(1.5)
    for k, measure in enumerate(grid.measures):
        assert grid.values[k, where[0], where[1]] == pytest.approx(direct.get(measure.quantity)[1, :, 9], rel=1e-9)
        assert grid.today[k] == pytest.approx(direct.get(measure.quantity)[0, :, 9], rel=1e-9)
    harvest = np.median(grid.values[0], axis=-1)
    assert (np.diff(harvest[:, 2]) <= 1e-9).all()  # a longer minimum length never lets more be kept at this exploitation


def test_todays_place_on_the_isopleths(found):
    """Exploitation 1 - exp(-f), with f worked out from F and the deaths a capture brings: kept, or released and dead."""
    one = found.species["brown_trout"]
    place = grids.yield_map(one, step_mm=100.0)
    life, people = one.inputs.life, one.inputs.angling
    kept = 1 - people.voluntary_release
    captures = life.fishing_mortality / (1 - (1 - kept) * (1 - 0.05))
    assert place.exploitation_today == pytest.approx(1 - np.exp(-captures), rel=1e-4)
    assert place.minimum_today_mm == 356
    assert (place.grid.yield_g[0] == 0).all()


# ---- studies that lack something -----------------------------------------------------------------------------------------


def test_no_scenarios(tmp_path):
    got = run(small_study(tmp_path / "s", ""))
    assert not got.species
    assert not len(got.results)


def test_no_ages_says_what_to_give(tmp_path):
    got = run(small_study(tmp_path / "s", RULES))
    one = got.species["brown_trout"]
    assert one.projection is None
    assert str(one.inputs.missing[0]) == (
        "asymptotic_length_mm (0 aged fish, 10 needed for a growth curve): give it under [species.BNT.life_history]"
    )
    assert [result.scenario for result in got.results] == ["today", "longer"]
    assert not any(result.estimate.estimable for result in got.results)


def test_by_hand_and_relative(tmp_path):
    got = run(small_study(tmp_path / "s", HAND + FEW + RULES))
    one = got.species["brown_trout"]
    assert one.inputs.relative
    assert (one.inputs.life.density_per_km == 1000).all()
    stock = next(result for result in got.results if result.quantity == "scenario_stock_density")
    assert stock.estimate.units == "fish per 1,000 fish today"
    assert stock.size_class == "150- mm"
    assert stock.detail == "year 3"


def test_density_by_hand_is_absolute(tmp_path):
    got = run(small_study(tmp_path / "s", HAND + "density_per_km = { value = 300, se = 30 }\n" + FEW + RULES))
    one = got.species["brown_trout"]
    assert not one.inputs.relative
    assert np.mean(one.inputs.life.density_per_km) == pytest.approx(300, rel=0.1)
    assert {result.estimate.units for result in got.results} >= {"fish/km", "kg/km"}


def test_stocking_needs_a_density_and_a_length(tmp_path):
    more = '[[scenarios]]\nname = "put"\nstocking = { number_per_year = 100, mean_length_mm = 200 }\n'
    got = run(small_study(tmp_path / "s", HAND + FEW + RULES + more))
    missing = got.species["brown_trout"].inputs.missing
    assert {"density_per_km", "length_km"} <= {lack.key for lack in missing}
    assert any("[water]" in lack.remedy for lack in missing)


def test_one_rule_alone(tmp_path):
    got = run(small_study(tmp_path / "s", HAND + FEW + '[[scenarios]]\nname = "only"\nrelease_only = true\n'))
    one = got.species["brown_trout"]
    assert one.dominance is one.sensitivity is None
    assert one.regrets == ()
    assert not [result for result in got.results if "against" in (result.detail or "")]


def test_a_contradiction_is_said_and_does_not_crash(tmp_path):
    """Fishing mortality by hand where nobody may keep a fish, none dies of release and all comply."""
    nobody = "\n[parameters]\ndraws = 40\nrelease_mortality = 0.0\nnoncompliance = 0.0\n"
    got = run(small_study(tmp_path / "s", HAND + nobody + '[[scenarios]]\nname = "none"\nrelease_only = true\n'))
    assert "fishing_mortality must be 0" in str(got.species["brown_trout"].inputs.missing[0])


def test_no_fishing_at_all_leaves_the_rules_alike(tmp_path):
    none = HAND.replace("value = 0.2, se = 0.05", "value = 0, se = 0")
    got = run(small_study(tmp_path / "s", none + FEW + RULES))
    gap = next(result for result in got.results if "against" in (result.detail or "") and result.quantity == "scenario_trophy")
    assert gap.estimate.value == gap.estimate.lower == gap.estimate.upper == 0
    one = got.species["brown_trout"]
    assert len(one.undecided[one.measures[0].quantity]) == 1


def test_a_longer_horizon_changes_nothing_of_the_years_before(tmp_path: Path) -> None:
    study = small_study(tmp_path / "study", HAND + RULES + FEW)
    near, far = (
        run(study.model_copy(update={"parameters": study.parameters.model_copy(update={"horizon_years": years})}))
        for years in (6, 9)
    )
    one, other = near.species["brown_trout"], far.species["brown_trout"]
    assert one.projection is not None and other.projection is not None
    assert np.array_equal(one.projection.by_scenario, other.projection.by_scenario[:, :, :6])
    assert one.outcomes["legal_harvest_number", 5] == other.outcomes["legal_harvest_number", 5]
