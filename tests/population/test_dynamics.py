"""The projection: limit cases, agreement of its two ways of a year, today's population, common draws, shapes and refusals."""

from __future__ import annotations

import tracemalloc
from typing import Any

import numpy as np
import pytest
from waters import CATEGORIES, trout, uncertain_trout

from fishreport.exceptions import InputError
from fishreport.population.angling import Angling
from fishreport.population.cohort import fished_cohort
from fishreport.population.dynamics import project, recruitment_deviations
from fishreport.population.projection import quantity_names, units_of
from fishreport.population.regulation import Regulation, Stocking

CALM: dict[str, Any] = {"recruitment_sd": 0.0}


def values(life: Any, rules: Any, **options: Any) -> np.ndarray:
    settings: dict[str, Any] = {"years": 12, "rng": np.random.default_rng(5), "categories": CATEGORIES} | options
    return project(life, rules, **settings).values


def test_shapes_and_names(rng: np.random.Generator) -> None:
    life = uncertain_trout(rng, 7)
    one = project(life, Regulation(name="open"), years=3, rng=rng, categories=CATEGORIES)
    assert one.values.shape == (7, 3, len(one.quantities))
    assert one.quantities == quantity_names(CATEGORIES)
    assert all(units_of(name) for name in one.quantities)
    two = project(life, [Regulation(), Regulation(bag_limit=1)], draws=10, years=3, rng=rng, quantities=["harvest_number"])
    assert two.values.shape == (2, 10, 3, 1)
    assert two.get("harvest_number").shape == (2, 10, 3)
    assert two.scenarios[1] == "Trout of any length may be kept. At most one may be kept a day."
    assert two.years.tolist() == [1, 2, 3]
    assert np.isfinite(two.values).all()


@pytest.mark.parametrize("bag", [None, 2])
def test_a_minimum_length_beyond_all_fish_is_release_only(bag: int | None) -> None:
    life = trout()
    found = values(life, [Regulation(), Regulation(minimum_length_mm=3000.0, bag_limit=bag), Regulation(release_only=True)])
    if bag is None:
        assert np.array_equal(found[1], found[2])
    assert found[1] == pytest.approx(found[2], rel=1e-12)
    assert not np.allclose(found[0], found[2])


def test_deadly_release_is_no_protection() -> None:
    people = Angling(release_mortality=1.0, noncompliance=0.1, voluntary_release=0.0)
    found = project(
        trout(), [Regulation(), Regulation(release_only=True)], years=15, rng=np.random.default_rng(1), angling=people
    )
    deaths = found.get("harvest_number") + found.get("release_deaths")
    assert deaths[1] == pytest.approx(deaths[0], rel=1e-12)
    assert found.get("density_all")[1] == pytest.approx(found.get("density_all")[0], rel=1e-12)
    assert found.get("harvest_number")[1] == pytest.approx(0.1 * found.get("harvest_number")[0], rel=1e-12)


@pytest.mark.parametrize("recruitment", ["beverton-holt", "ricker", "density independent"])
def test_without_fishing_the_unfished_population_stays(recruitment: str) -> None:
    life = trout(fishing_mortality=0.0, recruitment=recruitment, steepness=0.8, **CALM)
    for rule in (Regulation(), Regulation(bag_limit=2, minimum_length_mm=250)):
        found = project(life, rule, years=40, rng=np.random.default_rng(1), categories=CATEGORIES)
        assert found.get("spawning_potential") == pytest.approx(100.0, rel=1e-10)
        assert found.get("density_stock") == pytest.approx(900.0, rel=1e-10)
        assert (found.get("catch") == 0).all() and (found.get("harvest_number") == 0).all()
        # Unfished numbers at age are R exp(-M a); 8 ages of them on 1 January, and 9/12 of a year on in October.
        ages = np.exp(-0.45 * (np.arange(8) + 0.75)).sum()
        assert found.get("density_all")[0, 0, -1] == pytest.approx(found.get("recruits")[0, 0, -1] * ages, rel=1e-10)


def test_a_slot_of_zero_width_changes_nothing() -> None:
    plain = Regulation(minimum_length_mm=250, bag_limit=3)
    found = values(trout(), [plain, plain.replace(protected_slot_mm=(380.0, 380.0))])
    assert np.array_equal(found[0], found[1], equal_nan=True)


def test_stopping_all_effort_leaves_catch_at_nothing() -> None:
    found = project(trout(), [Regulation(), Regulation(effort_change=-1.0)], years=5, rng=np.random.default_rng(1))
    assert (found.get("catch")[1] == 0).all()
    assert np.isnan(found.get("catch_per_hour")[1]).all()
    assert np.isnan(found.get("mean_length_in_catch")[1]).all()
    shut = project(trout(), [Regulation(), Regulation(closed_months=tuple(range(1, 13)))], years=5, rng=np.random.default_rng(1))
    assert shut.get("density_all")[1] == pytest.approx(found.get("density_all")[1], rel=1e-12)


def test_a_year_at_once_is_the_year_month_by_month(rng: np.random.Generator) -> None:
    life = uncertain_trout(rng, 9, recruitment_autocorrelation=0.4)
    rules = [
        Regulation(),
        Regulation(protected_slot_mm=(300, 420), closed_months=(1, 2)),
        Regulation(minimum_length_mm=300, stocking=Stocking(200, 240.0, month=4)),
    ]
    people = Angling(release_mortality=0.08, water_temperature_c=[5.0] * 5 + [21.0] * 3 + [8.0] * 4)
    assert values(life, rules, by_month=True, angling=people) == pytest.approx(
        values(life, rules, angling=people), rel=1e-10, nan_ok=True
    )


def test_a_bag_limit_that_never_binds_changes_nothing(rng: np.random.Generator) -> None:
    life = uncertain_trout(rng, 5)
    found = values(life, [Regulation(minimum_length_mm=250), Regulation(minimum_length_mm=250, bag_limit=1000)])
    assert found[1] == pytest.approx(found[0], rel=1e-7, nan_ok=True)


def test_tighter_bags_keep_less(rng: np.random.Generator) -> None:
    rules = [Regulation(bag_limit=bag) for bag in (8, 4, 2, 1)]
    found = project(uncertain_trout(rng, 20), rules, years=1, rng=rng)
    assert (np.diff(found.get("harvest_number"), axis=0) < 0).all()
    assert (np.diff(found.get("density_all"), axis=0) > 0).all()


def test_chunks_and_threads_change_nothing(rng: np.random.Generator, monkeypatch: pytest.MonkeyPatch) -> None:
    life = uncertain_trout(rng, 12)
    rules = [Regulation(), Regulation(bag_limit=2), Regulation(stocking=Stocking(100, 250.0)), Regulation(minimum_length_mm=300)]
    whole = values(life, rules, workers=1)
    monkeypatch.setattr("fishreport.population.dynamics._CHUNK_BYTES", 1.0)
    assert values(life, rules, workers=3) == pytest.approx(whole, rel=1e-10, nan_ok=True)


def test_scenarios_share_their_luck(rng: np.random.Generator) -> None:
    life = uncertain_trout(rng, 300, recruitment_sd=0.8)
    found = project(
        life, [Regulation(), Regulation(), Regulation(minimum_length_mm=300)], years=10, rng=rng, categories=CATEGORIES
    )
    assert np.array_equal(found.by_scenario[0], found.by_scenario[1])
    density = found.at("density_quality")
    assert np.std(density[2] - density[0]) < 0.6 * np.std(density[0])


def test_more_draws_than_the_life_history_go_round(rng: np.random.Generator) -> None:
    life = trout(natural_mortality=[0.3, 0.6], **CALM)
    found = project(life, Regulation(), draws=4, years=3, rng=rng).values
    assert found[0] == pytest.approx(found[2], nan_ok=True)
    assert not np.allclose(found[0], found[1], equal_nan=True)


def test_long_run_harvest_is_recruits_times_harvest_per_recruit() -> None:
    life = trout(recruitment="density independent", recruits_per_km=400.0, density_per_km=None, **CALM)
    people = Angling(release_mortality=0.1)
    rule = Regulation(minimum_length_mm=280)
    found = project(life, rule, years=12, rng=np.random.default_rng(1), angling=people)
    # 0.3 a year is the mortality of legal fish, of which half are let go and a tenth of those die.
    per_recruit = fished_cohort(life, rule, capture_rate=0.3 / (0.5 + 0.5 * 0.1), angling=people, steps_per_year=12, groups=7)
    assert found.get("harvest_number")[0, 0, -1] == pytest.approx(400 * per_recruit.harvest[0], rel=1e-10)
    assert found.get("harvest_weight")[0, 0, -1] == pytest.approx(400 * per_recruit.yield_g[0] / 1000, rel=1e-10)
    assert found.get("release_deaths")[0, 0, -1] == pytest.approx(400 * per_recruit.release_deaths[0], rel=1e-10)
    spr = 100 * per_recruit.spawning_potential_ratio[0]
    assert found.get("spawning_potential")[0, 0, -1] == pytest.approx(spr, rel=1e-10)


@pytest.mark.parametrize(
    "rule",
    [
        Regulation(),
        Regulation(minimum_length_mm=280, bag_limit=2),
        Regulation(protected_slot_mm=(280, 400), bag_limit=2, bag_over_slot=1, closed_months=(1, 2)),
        Regulation(release_only=True),
        Regulation(stocking=Stocking(80, 240.0)),
    ],
)
def test_todays_population_holds_the_density_and_stays(rule: Regulation) -> None:
    found = project(trout(**CALM), rule, years=25, rng=np.random.default_rng(1), categories=CATEGORIES)
    assert found.today["density_stock"] == pytest.approx(
        900.0, rel=0.02 if rule.stocking else 1e-3 if rule.limits_number else 1e-9
    )
    # With yearly stocking the age class that stocked fish were carried in lets them grow a little off their own curve at first.
    later = found.get("density_stock")[0, 0]
    assert later == pytest.approx(900.0, rel=0.05 if rule.stocking else 2e-3)
    assert later[-1] == pytest.approx(900.0, rel=5e-3)
    assert found.notes == ()


def test_past_recruitment_varies_but_today_holds_the_density() -> None:
    life = trout(natural_mortality=np.full(40, 0.45), recruitment_sd=0.5)
    varied, calm = (
        project(life, Regulation(), years=2, rng=np.random.default_rng(1), categories=CATEGORIES, vary_initial=v)
        for v in (True, False)
    )
    for found in (varied, calm):
        assert found.today["density_stock"] == pytest.approx(life.density_per_km, rel=1e-9)
    assert np.std(varied.today["proportional_size"]) > 5 + np.std(calm.today["proportional_size"])


def test_given_numbers_are_todays(rng: np.random.Generator) -> None:
    numbers = np.array([500.0, 250, 100, 40, 15, 6, 2, 1])
    found = project(
        trout(fishing_mortality=0.0, natural_mortality=1e-9, initial_numbers_per_km=numbers, density_per_km=None, **CALM),
        Regulation(),
        years=1,
        rng=rng,
    )
    assert found.get("density_all")[0, 0, 0] == pytest.approx(numbers.sum(), rel=1e-6)


def test_draws_that_contradict_themselves_are_named(rng: np.random.Generator) -> None:
    found = project(trout(fishing_mortality=2.5, steepness=0.3), Regulation(), years=2, rng=rng)
    assert "in 1 of 1 draws today's fishing mortality would wipe out the stock" in found.notes[0]
    stocked = project(trout(), Regulation(stocking=Stocking(50_000, 240.0)), years=2, rng=rng)
    assert any("stocked fish alone exceed" in note for note in stocked.notes)
    bare = project(trout(density_per_km=None), Regulation(), years=2, rng=rng)
    assert any("per 1,000 recruits" in note for note in bare.notes)


def test_recruitment_deviations(rng: np.random.Generator) -> None:
    life = trout(recruitment_sd=np.full(4000, 0.6), recruitment_autocorrelation=0.5)
    found = recruitment_deviations(life, 30, rng)
    assert found.std(axis=0) == pytest.approx(0.6, rel=0.06)
    assert np.corrcoef(found[:, 10], found[:, 11])[0, 1] == pytest.approx(0.5, abs=0.05)
    assert np.exp(found - 0.18).mean() == pytest.approx(1.0, abs=0.02)
    longer, shorter = (recruitment_deviations(life, steps, np.random.default_rng(3)) for steps in (30, 12))
    assert np.array_equal(longer[:, :12], shorter)  # a longer horizon changes nothing of the years before


def test_recruits_answer_to_spawners_after_the_lag() -> None:
    rules = [Regulation(), Regulation(effort_change=3.0)]
    for lag in (1, 2, 3):
        found = project(trout(recruitment_lag=lag, **CALM), rules, years=6, rng=np.random.default_rng(1)).get("recruits")[:, 0]
        same = np.isclose(found[0], found[1], rtol=1e-12)
        assert same.tolist() == [year <= lag for year in range(1, 7)]


def test_stocking_by_year_and_month(rng: np.random.Generator) -> None:
    rules = [Regulation(), Regulation(stocking=Stocking(600, 250.0, every_years=3, month=11))]
    found = project(trout(**CALM), rules, years=7, rng=rng, length_km=2.0, categories=CATEGORIES)
    assert found.get("stocked")[1, 0].tolist() == [300, 0, 0, 300, 0, 0, 300]
    # Put in after the survey of October, they are not seen before the next year.
    gain = found.get("density_all")[1, 0] - found.get("density_all")[0, 0]
    assert gain[0] == pytest.approx(0, abs=1e-9)
    assert gain[1] > 100


def test_stocked_fish_may_not_reproduce() -> None:
    rules = [Regulation(), *(Regulation(stocking=Stocking(500, 400.0, month=3, reproduces=r)) for r in (False, True))]
    found = project(trout(**CALM), rules, years=6, rng=np.random.default_rng(1)).get("spawning_biomass")[:, 0]
    assert found[1] == pytest.approx(found[0], rel=1e-12)
    assert (found[2] > 1.2 * found[0]).all()


def test_effort_and_catch_per_hour() -> None:
    people = Angling(effort_h_per_km=1200.0)
    rules = [Regulation(closed_months=(1,)), Regulation(effort_change=0.5)]
    found = project(trout(), rules, years=2, rng=np.random.default_rng(1), angling=people)
    assert found.get("effort_h")[0] == pytest.approx(1200.0)
    assert found.get("effort_h")[1] == pytest.approx(1200.0 * 12 / 11 * 1.5)
    assert found.get("catch_per_hour") == pytest.approx(found.get("catch") / found.get("effort_h"))


@pytest.mark.parametrize("bag", [None, 1])
def test_what_is_kept_against_the_rule_is_told_apart(bag: int | None) -> None:
    """Without rule breakers all that is kept is legal, under release only nothing is, and both parts make up the harvest."""
    rules = [Regulation(minimum_length_mm=250.0, bag_limit=bag), Regulation(release_only=True), Regulation(maximum_length_mm=300)]
    for share in (0.0, 0.2):
        people = Angling(noncompliance=share, voluntary_release=0.3)
        found = project(trout(), rules, years=4, rng=np.random.default_rng(1), angling=people)
        legal, broken, every = (found.get(n) for n in ("legal_harvest_number", "kept_against_rule", "harvest_number"))
        assert legal + broken == pytest.approx(every, rel=1e-12)
        assert (legal[1] == 0).all()
        assert found.get("legal_harvest_weight")[1].max() == 0
        assert (broken == 0).all() if share == 0 else (broken > 0).all()
        assert (found.get("legal_harvest_weight") <= found.get("harvest_weight") * (1 + 1e-12)).all()


def test_deviations_by_hand_are_those_that_come_about(rng: np.random.Generator) -> None:
    life = uncertain_trout(rng, 6)
    luck = recruitment_deviations(life, life.ages.size + 5, np.random.default_rng(2))
    whole = project(life, Regulation(), years=5, rng=np.random.default_rng(2))
    chosen = np.array([4, 1])
    part = project(life.take(chosen), Regulation(), years=5, rng=rng, deviations=luck[chosen])
    assert part.values == pytest.approx(whole.values[chosen], rel=1e-12)
    with pytest.raises(InputError, match="deviations must be an array"):
        project(life, Regulation(), years=4, rng=rng, deviations=luck)


def test_memory_is_bounded(rng: np.random.Generator) -> None:
    life = uncertain_trout(rng, 300)
    rules = [Regulation(minimum_length_mm=200.0 + 10 * i, bag_limit=3) for i in range(8)]
    tracemalloc.start()
    found = project(life, rules, years=2, rng=rng, quantities=["harvest_number"], workers=1)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert found.values.shape == (8, 300, 2, 1)
    # Unchunked, the rates of 2,400 pairs × 56 cells × 12 months × about 25 arrays would need more than 300 MB.
    assert peak < 160e6


@pytest.mark.parametrize(
    ("wrong", "reason"),
    [
        ({"draws": 0}, "draws must be"),
        ({"years": 1.5}, "years must be"),
        ({"length_km": 0}, "length_km"),
        ({"categories": {"a": 300, "b": 200}}, "short to long"),
        ({"ledger": "week"}, "ledger"),
        ({"quantities": ["profit"]}, "quantities must be among"),
        ({"groups": 0}, "growth groups"),
    ],
)
def test_impossible_input(wrong: dict[str, Any], reason: str, rng: np.random.Generator) -> None:
    with pytest.raises(InputError, match=reason):
        project(trout(), Regulation(), rng=rng, **wrong)


def test_rules_are_needed_and_todays_must_explain_the_mortality(rng: np.random.Generator) -> None:
    with pytest.raises(InputError, match="at least one"):
        project(trout(), [], rng=rng)
    with pytest.raises(InputError, match="kill no fish"):
        project(trout(), Regulation(effort_change=-1), rng=rng)
    found = project(trout(), Regulation(), years=2, rng=rng)
    for call in (lambda: found.get("profit"), lambda: found.scenario("other"), lambda: found.scenario(3), lambda: found.year(9)):
        with pytest.raises(InputError):
            call()
