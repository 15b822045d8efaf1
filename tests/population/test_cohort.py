"""A year class under a regulation: closed form, books, limit cases, survivors to a length, isopleths."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import truncnorm

from fishreport.exceptions import InputError
from fishreport.population.angling import Angling
from fishreport.population.cohort import fished_cohort, isopleths
from fishreport.population.life_history import LifeHistory
from fishreport.population.per_recruit import yield_per_recruit
from fishreport.population.regulation import Regulation

KEEP_ALL = Angling(release_mortality=0.0, noncompliance=0.0, voluntary_release=0.0)
USUAL = Angling(release_mortality=0.1, noncompliance=0.1, voluntary_release=0.3)


def trout(**changes: object) -> LifeHistory:
    values: dict[str, object] = {
        "asymptotic_length_mm": 550.0,
        "growth_coefficient": 0.3,
        "age_at_zero": -0.1,
        "natural_mortality": 0.45,
        "weight_intercept": -4.867,
        "weight_slope": 2.96,
        "age_at_maturity": 3,
        "length_cv": 0.1,
    }
    return LifeHistory(**(values | changes))  # type: ignore[arg-type]


@pytest.mark.parametrize("rate", [0.1, 2.0])
@pytest.mark.parametrize("age", [1.0, 2.37])
def test_minimum_length_without_spread_is_beverton_holt(rate: float, age: float) -> None:
    winf = 1900.0
    life = trout(length_cv=0.0, weight_slope=3.0, weight_intercept=math.log10(winf) - 3 * math.log10(550.0), maximum_age=40)
    limit = float(life.mean_length(age)[0])
    found = fished_cohort(
        life, Regulation(minimum_length_mm=limit), capture_rate=rate, angling=KEEP_ALL, steps_per_year=60, groups=1
    )
    expected = yield_per_recruit(
        rate,
        natural_mortality=0.45,
        growth_coefficient=0.3,
        age_at_zero=-0.1,
        asymptotic_weight_g=winf,
        age_at_recruitment=1.0,
        age_at_first_capture=age,
    )
    assert found.yield_g[0] == pytest.approx(float(expected), rel=1e-4)


@pytest.mark.parametrize(
    "rule",
    [
        Regulation(),
        Regulation(minimum_length_mm=320),
        Regulation(protected_slot_mm=(250, 400)),
        Regulation(harvest_slot_mm=(200, 300)),
        Regulation(release_only=True),
    ],
)
def test_every_recruit_ends_somewhere(rule: Regulation) -> None:
    found = fished_cohort(
        trout(natural_mortality=[0.3, 0.6]), rule, capture_rate=np.array([0.0, 0.4, 3.0])[:, None], angling=USUAL
    )
    total = found.harvest + found.release_deaths + found.natural_deaths + found.survivors
    assert total.shape == (3, 2)
    assert total == pytest.approx(1.0, abs=1e-12)
    assert found.spawning_potential_ratio[0] == pytest.approx(1.0, abs=1e-12)


def test_limit_cases_are_exact() -> None:
    life = trout()
    everything: dict[str, Any] = {"capture_rate": 0.8, "angling": USUAL}
    beyond = fished_cohort(life, Regulation(minimum_length_mm=5000.0), **everything)
    released = fished_cohort(life, Regulation(release_only=True), **everything)
    slot = fished_cohort(life, Regulation(minimum_length_mm=300, protected_slot_mm=(400, 400)), **everything)
    plain = fished_cohort(life, Regulation(minimum_length_mm=300), **everything)
    for name in ("yield_g", "harvest", "catch", "release_deaths", "natural_deaths", "survivors", "spawning_g"):
        assert (getattr(beyond, name) == getattr(released, name)).all()
        assert (getattr(slot, name) == getattr(plain, name)).all()
    deadly = Angling(release_mortality=1.0, noncompliance=0.2, voluntary_release=0.0)
    let_go = fished_cohort(life, Regulation(release_only=True), capture_rate=0.8, angling=deadly)
    kept = fished_cohort(life, Regulation(), capture_rate=0.8, angling=deadly)
    assert let_go.harvest + let_go.release_deaths == pytest.approx(kept.harvest + kept.release_deaths, rel=1e-13)
    assert let_go.spawning_g == pytest.approx(kept.spawning_g, rel=1e-13)


def test_survivors_to_a_length_without_fishing() -> None:
    life, length = trout(maximum_age=40), 400.0
    found = fished_cohort(life, Regulation(), capture_rate=0.0, lengths_mm=(length, 100.0), steps_per_year=48, groups=25)

    def reaches(z: float) -> float:
        mean = length / (1 + 0.1 * z)
        if mean >= 550:
            return 0.0
        age = -0.1 - math.log(1 - mean / 550) / 0.3
        return math.exp(-0.45 * max(age - 1, 0.0)) * float(truncnorm.pdf(z, -3, 3))

    expected = quad(reaches, -3, 3, limit=200)[0]
    assert found.reaching[0, 0] == pytest.approx(expected, rel=2e-3)
    assert found.reaching[0, 1] == pytest.approx(1.0, abs=0.01)


def test_more_groups_and_steps_change_little() -> None:
    coarse, fine = (
        fished_cohort(
            trout(), Regulation(protected_slot_mm=(280, 400)), capture_rate=0.7, angling=USUAL, steps_per_year=n, groups=g
        )
        for n, g in ((12, 7), (96, 61))
    )
    assert coarse.yield_g == pytest.approx(fine.yield_g, rel=0.01)
    assert coarse.spawning_potential_ratio == pytest.approx(fine.spawning_potential_ratio, rel=0.01)


def test_isopleths_are_single_cohorts_on_a_grid() -> None:
    life = trout(natural_mortality=[0.3, 0.5, 0.7])
    share, limits = np.array([0.0, 0.3, 0.7]), np.array([0.0, 250.0, 400.0])
    grid = isopleths(life, exploitation=share, minimum_length_mm=limits, trophy_length_mm=450.0, angling=USUAL)
    assert grid.yield_g.shape == (3, 3, 3)
    for e, one in enumerate(share):
        for m, limit in enumerate(limits):
            rule = Regulation() if limit == 0 else Regulation(minimum_length_mm=limit)
            alone = fished_cohort(
                life, rule, capture_rate=-math.log1p(-one), angling=USUAL, lengths_mm=(450.0,), steps_per_year=12, groups=9
            )
            assert grid.yield_g[e, m] == pytest.approx(alone.yield_g, rel=1e-12)
            assert grid.trophies[e, m] == pytest.approx(alone.reaching[:, 0], rel=1e-12)
            assert grid.spawning_potential_ratio[e, m] == pytest.approx(alone.spawning_potential_ratio, rel=1e-12)
    assert (np.diff(grid.trophies, axis=0) < 0).all()
    assert (np.diff(grid.trophies[1:], axis=1) > 0).all()
    assert (grid.yield_g[0] == 0).all()


@pytest.mark.parametrize(
    ("wrong", "reason"),
    [
        ({"capture_rate": -0.1}, "0 or more per year"),
        ({"capture_rate": [0.1, 0.2]}, "last axis"),
        ({"steps_per_year": 0}, "steps_per_year"),
        ({"groups": 0}, "growth groups"),
    ],
)
def test_impossible_input(wrong: dict[str, object], reason: str) -> None:
    with pytest.raises(InputError, match=reason):
        fished_cohort(trout(), Regulation(), **({"capture_rate": 0.3} | wrong))  # type: ignore[arg-type]


def test_impossible_isopleths() -> None:
    with pytest.raises(InputError, match="exploitation"):
        isopleths(trout(), exploitation=[1.0], minimum_length_mm=[300], trophy_length_mm=400)
    with pytest.raises(InputError, match="minimum_length_mm"):
        isopleths(trout(), exploitation=[0.5], minimum_length_mm=[-1], trophy_length_mm=400)
