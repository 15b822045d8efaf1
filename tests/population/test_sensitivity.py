"""Sensitivity to what no survey measures."""

from __future__ import annotations

import numpy as np
import pytest
from waters import CATEGORIES, uncertain_trout

from fishreport.exceptions import InputError
from fishreport.population.angling import Angling
from fishreport.population.dynamics import project
from fishreport.population.regulation import Regulation
from fishreport.population.sensitivity import sensitivity

RULES = [
    Regulation(name="open"),
    Regulation(minimum_length_mm=350, name="350 mm"),
    Regulation(release_only=True, name="released"),
]


def test_release_mortality_decides_what_release_is_worth(rng: np.random.Generator) -> None:
    life = uncertain_trout(rng, 40)
    found = sensitivity(
        life,
        RULES,
        quantity="density_preferred",
        vary={"release_mortality": (0.0, 0.3), "noncompliance": (0.0, 0.4)},
        rng=rng,
        years=8,
        categories=CATEGORIES,
    )
    assert [(case.assumption, case.value) for case in found.cases] == [
        ("release_mortality", 0.0),
        ("release_mortality", 0.3),
        ("noncompliance", 0.0),
        ("noncompliance", 0.4),
    ]
    gain = [case.outcomes[2].verdict.difference.value for case in found.cases]
    assert gain[0] > gain[1] and gain[2] > gain[3]
    assert found.same_choice == {"release_mortality": True, "noncompliance": True}
    assert found.sentences[0] == "With release mortality from 0 to 0.3, released stays the best."


def test_each_case_is_the_projection_with_that_value(rng: np.random.Generator) -> None:
    life = uncertain_trout(rng, 15)
    seed = int(np.random.default_rng(9).integers(2**63))
    found = sensitivity(
        life, RULES, quantity="harvest_number", vary={"voluntary_release": (0.2,)}, rng=np.random.default_rng(9), years=4
    )
    alone = project(life, RULES, years=4, rng=np.random.default_rng(seed), angling=Angling(voluntary_release=0.2))
    assert found.cases[0].outcomes[1].value.value == pytest.approx(float(np.median(alone.at("harvest_number")[1])))


def test_a_choice_that_turns_is_said(rng: np.random.Generator) -> None:
    # With a bag limit for so few trips as these, long trips make the limit bind.
    rules = [Regulation(minimum_length_mm=250, name="250 mm"), Regulation(bag_limit=1, name="one a day")]
    found = sensitivity(
        uncertain_trout(rng, 30), rules, quantity="harvest_number", vary={"hours_per_trip": (0.1, 40.0)}, rng=rng, years=2
    )
    assert found.same_choice == {"hours_per_trip": False}
    assert "The best rule changes with hours per trip (0.1: one a day; 40: 250 mm)." in found.sentences


def test_impossible_input(rng: np.random.Generator) -> None:
    life = uncertain_trout(rng, 5)
    with pytest.raises(InputError, match="vary must name"):
        sensitivity(life, RULES, quantity="catch", vary={"luck": (1,)}, rng=rng)
    with pytest.raises(InputError, match="every rule names its own"):
        sensitivity(life, [Regulation(release_mortality=0.1)], quantity="catch", vary={"release_mortality": (0.1,)}, rng=rng)
