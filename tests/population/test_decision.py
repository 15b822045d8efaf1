"""Decisions over draws: worked by hand on small made-up projections, and on a real one."""

from __future__ import annotations

import math

import numpy as np
import pytest
from statsmodels.stats.proportion import proportion_confint
from waters import CATEGORIES, made_up, uncertain_trout

from fishreport.exceptions import InputError
from fishreport.population.decision import Goal, cannot_tell, chances, compare, dominance, goal_probability, regret
from fishreport.population.dynamics import project
from fishreport.population.regulation import Regulation


def test_median_interval_and_paired_difference() -> None:
    base = np.arange(101.0)
    found = made_up(catch=np.stack([base, base + 2 + 0.01 * base])[:, :, None])
    today, other = compare(found, "catch", level=0.9)
    assert (today.value.value, today.value.lower, today.value.upper) == pytest.approx((50, 5, 95))
    assert (today.verdict.difference.value, today.verdict.difference.lower, today.verdict.difference.upper) == (0, 0, 0)
    assert today.verdict.cannot_tell and "both rules give the same" in today.verdict.sentence
    # The outcomes overlap widely; the paired differences run from 2 to 3 only.
    assert (other.verdict.difference.lower, other.verdict.difference.upper) == pytest.approx((2.05, 2.95))
    assert not other.verdict.cannot_tell
    assert other.verdict.probability_higher == 1
    assert (
        other.verdict.sentence
        == "b against a, catch in year 1: higher by 2.5 fish/km (90 % interval of the difference 2.05 to 2.95)."
    )
    assert other.value.n == 101 and other.value.level == 0.9


def test_cannot_tell_says_so(rng: np.random.Generator) -> None:
    found = made_up(catch=np.stack([np.zeros(400), rng.normal(0.3, 1, 400)])[:, :, None])
    verdict = cannot_tell(found, "a", "b", "catch")
    assert verdict.cannot_tell
    assert "the data cannot tell the two rules apart" in verdict.sentence and "spans zero" in verdict.sentence
    clear = cannot_tell(made_up(catch=np.stack([np.zeros(400), rng.normal(-9, 1, 400)])[:, :, None]), 0, 1, "catch")
    assert not clear.cannot_tell and "lower by" in clear.sentence and clear.probability_higher == 0


def test_differences_of_rounding_are_none() -> None:
    one = np.linspace(1, 2, 50)
    verdict = cannot_tell(made_up(catch=np.stack([one, one * (1 + 1e-15)])[:, :, None]), 0, 1, "catch")
    assert verdict.cannot_tell and "both rules give the same" in verdict.sentence


def test_missing_values_are_counted() -> None:
    values = np.ones((2, 10, 1)) * np.arange(10)[None, :, None]
    values[1, :3] = np.nan
    found = compare(made_up(catch_per_hour=values), "catch_per_hour")
    assert found[1].value.n == 7
    assert "3 of 10 draws have no value" in found[1].value.notes[0]
    values[1] = np.nan
    none = compare(made_up(catch_per_hour=values), "catch_per_hour")[1]
    assert not none.value.estimable and none.verdict.cannot_tell
    assert "no value to compare" in none.verdict.sentence


def test_goals_and_their_chances() -> None:
    values = np.zeros((2, 4, 3))
    values[0] = [[1, 2, 3], [2, 3, 4], [3, 4, 5], [4, 5, 6]]
    values[1] = 10
    found = made_up(density_stock=values)
    assert goal_probability(found, Goal("density_stock", at_least=3))[0].tolist() == [0.5, 0.75, 1.0]
    assert goal_probability(found, Goal("density_stock", at_most=3))[0].tolist() == [0.75, 0.5, 0.25]
    assert goal_probability(found, Goal("density_stock", between=(2, 3)))[0].tolist() == [0.5, 0.5, 0.25]
    # Means of up to three years: in year 3 they are 2, 3, 4, 5.
    assert goal_probability(found, Goal("density_stock", at_least=3.5, over_years=3))[0].tolist() == [0.25, 0.5, 0.5]
    table = chances(found, [Goal("density_stock", at_least=3)], years=[1, 3])
    assert [(row.scenario, row.year, row.probability.value) for row in table] == [
        ("a", 1, 0.5),
        ("a", 3, 1.0),
        ("b", 1, 1.0),
        ("b", 3, 1.0),
    ]
    for row in table:
        expected = proportion_confint(round(4 * row.probability.value), 4, method="wilson")
        assert (row.probability.lower, row.probability.upper) == pytest.approx(expected, abs=1e-12)
    values[0, 0] = np.nan
    assert goal_probability(made_up(density_stock=values), Goal("density_stock", at_most=100))[0].tolist() == [0.75] * 3


def test_dominance() -> None:
    catch = np.array([[1.0, 1, 1, 1], [2, 2, 2, 0], [1, 1, 1, 1]])[:, :, None]
    deaths = np.array([[5.0, 5, 5, 5], [5, 4, 6, 4], [4, 4, 4, 4]])[:, :, None]
    found = dominance(made_up(catch=catch, release_deaths=deaths), {"catch": "more", "release_deaths": "less"}, certainty=0.9)
    assert found.probability.tolist() == [[0, 0, 0], [0.5, 0, 0.25], [1, 0.25, 0]]
    assert found.dominated == (("a", "c"),)


def test_regret() -> None:
    found = regret(made_up(catch=np.array([[1.0, 5, 3, 4], [2, 2, 3, 1]])[:, :, None]), "catch", level=0.5)
    assert found.mean.tolist() == [0.25, 1.5]
    assert found.probability_best.tolist() == [0.625, 0.375]
    assert found.least_mean == found.least_high == "a"
    less = regret(made_up(catch=np.array([[1.0, 5, 3, 4], [2, 2, 3, 1]])[:, :, None]), "catch", want="less")
    assert less.mean.tolist() == [1.5, 0.25]


def test_on_a_real_projection(rng: np.random.Generator) -> None:
    rules = [Regulation(name="open"), Regulation(release_only=True, name="released"), Regulation(bag_limit=1000, name="huge bag")]
    found = project(uncertain_trout(rng, 120), rules, years=12, rng=rng, categories=CATEGORIES)
    more = cannot_tell(found, "open", "released", "density_preferred")
    assert not more.cannot_tell and more.difference.lower > 0
    assert cannot_tell(found, "open", "huge bag", "density_preferred").cannot_tell
    assert regret(found, "harvest_number").least_mean in ("open", "huge bag")
    assert ("open", "released") in dominance(found, {"density_preferred": "more", "harvest_number": "less"}).dominated


@pytest.mark.parametrize(
    "call",
    [
        lambda p: Goal("catch"),
        lambda p: Goal("catch", at_least=1, at_most=2),
        lambda p: Goal("catch", between=(2, 1)),
        lambda p: compare(p, "profit"),
        lambda p: compare(p, "catch", year=9),
        lambda p: compare(p, "catch", over_years=0),
        lambda p: compare(p, "catch", level=1.0),
        lambda p: compare(p, "catch", reference="z"),
        lambda p: dominance(p, {}),
        lambda p: dominance(p, {"catch": "most"}),  # type: ignore[dict-item]
        lambda p: regret(p, "catch", want="most"),
    ],
)
def test_impossible_input(call: object) -> None:
    with pytest.raises(InputError):
        call(made_up(catch=np.ones((2, 5, 3))))  # type: ignore[operator]


def test_regret_needs_a_value() -> None:
    with pytest.raises(InputError, match="no value"):
        regret(made_up(catch=np.full((2, 5, 1), math.nan)), "catch")
