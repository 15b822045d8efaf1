"""Petersen, Schnabel and their kin, density: messages, exact enumeration, degenerate data."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import hypergeom

from fishreport.exceptions import InputError
from fishreport.methods.abundance import density, petersen, schnabel, schumacher_eschmeyer, stratified_petersen
from fishreport.methods.recapture_limits import chance_of_at_most, hypergeometric_limits, poisson_limits


def test_chapman_form_worked_by_hand() -> None:
    # (200 + 1)(150 + 1)/(12 + 1) − 1 and 201·151·188·138/(13²·14)
    n = petersen(200, 150, 12)
    assert n.value == pytest.approx(201 * 151 / 13 - 1, rel=1e-12)
    assert n.se**2 == pytest.approx(201 * 151 * 188 * 138 / (13**2 * 14), rel=1e-12)
    assert (n.n, n.units) == (12, "fish")


def test_chapman_form_is_unbiased_by_enumeration() -> None:
    # Exactly so when marked and caught fish together are no fewer than the population (Chapman 1951, from memory).
    population, marked, caught = 60, 35, 30
    r = np.arange(0, 31)
    chance = hypergeom.pmf(r, population, marked, caught)
    mean = sum(p * petersen(marked, caught, int(x)).value for x, p in zip(r, chance, strict=True) if p > 0)
    assert mean == pytest.approx(population, rel=1e-9)


def test_chance_agrees_with_scipy() -> None:
    for r in (0, 3, 11, 20):
        assert chance_of_at_most(r, 500, 80, 60) == pytest.approx(hypergeom.cdf(r, 500, 80, 60), rel=1e-9)


@pytest.mark.parametrize("population", [40, 90, 300, 1000])
def test_exact_limits_cover_every_population_by_enumeration(population: int) -> None:
    marked, caught = 30, 25
    r = np.arange(max(0, marked + caught - population), 26)
    chance = hypergeom.pmf(r, population, marked, caught)
    held = 0.0
    for x, p in zip(r, chance, strict=True):
        low, high = hypergeometric_limits(marked, caught, int(x), 0.025)
        held += p * (low <= population <= high)
    assert held >= 0.95


def test_exact_limits_are_the_outermost_populations_not_rejected() -> None:
    low, high = hypergeometric_limits(40, 50, 8, 0.025)
    inside = [n for n in range(82, 2000) if hypergeom.cdf(8, n, 40, 50) > 0.025 and hypergeom.sf(7, n, 40, 50) > 0.025]
    assert (low, high) == (inside[0], inside[-1])


@pytest.mark.parametrize(
    ("marked", "caught", "said"), [(0, 10, "no fish marked"), (10, 0, "no fish caught"), (20, 15, "no marked fish")]
)
def test_petersen_without_information(marked: int, caught: int, said: str) -> None:
    n = petersen(marked, caught, 0)
    assert not n.estimable
    assert said in n.notes[0]


def test_no_recapture_leaves_a_lower_limit_in_the_notes() -> None:
    n = petersen(20, 15, 0)
    least = int(n.notes[1].split("at least ")[1].split()[0])
    assert hypergeom.pmf(0, least, 20, 15) > 0.05 >= hypergeom.pmf(0, least - 1, 20, 15)


@pytest.mark.parametrize(
    ("numbers", "said"),
    [
        ((10, 5, 6), "cannot exceed"),
        ((-1, 5, 0), "0 or more"),
        ((10, 5.5, 0), "whole number"),
        ((10, math.nan, 1), "whole number"),
    ],
)
def test_impossible_recaptures_are_refused(numbers, said) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(InputError, match=said):
        petersen(*numbers)


def test_every_fish_marked_leaves_no_doubt_below() -> None:
    n = petersen(15, 15, 15)
    assert (n.value, n.se, n.lower) == (15, 0, 15)
    assert n.upper > 15


def test_other_limits_draw_near_the_exact_ones_with_many_recaptures() -> None:
    exact = petersen(4000, 4000, 400)
    for kind in ("poisson", "binomial", "normal"):
        other = petersen(4000, 4000, 400, interval=kind)  # type: ignore[arg-type]
        assert (other.lower, other.upper) == pytest.approx((exact.lower, exact.upper), rel=0.03)


def test_poisson_limits_of_24() -> None:
    # Exact Poisson limits of 24, as in tables: 15.3773 and 35.7101 (worked out).
    assert poisson_limits(24, 0.95) == pytest.approx((15.3773, 35.7101), abs=5e-5)
    assert poisson_limits(0, 0.95)[0] == 0


def test_strata_add_up_and_size_bias_is_tested() -> None:
    result = stratified_petersen([100, 80, 60], [90, 90, 80], [9, 12, 25], size_class=["small", "middle", "large"])
    assert result.population_size.value == pytest.approx(sum(one.value for one in result.classes.values()))
    assert result.population_size.se == pytest.approx(math.sqrt(sum(one.se**2 for one in result.classes.values())))
    assert result.population_size.value > result.unstratified.value
    assert result.p < 0.001
    # Chi-square of 2 × 3 counts of marked fish seen and not seen again.
    marked, seen = np.array([100, 80, 60]), np.array([9, 12, 25])
    table = np.array([seen, marked - seen])
    expected = table.sum(axis=1, keepdims=True) * marked / marked.sum()
    assert result.chi2 == pytest.approx(((table - expected) ** 2 / expected).sum(), rel=1e-10)


def test_poor_strata_are_pooled_and_it_is_said() -> None:
    result = stratified_petersen([50, 40, 60], [40, 40, 60], [1, 6, 12])
    assert list(result.classes) == ["class 1 + class 2", "class 3"]
    assert any("pooled with class 2" in note for note in result.population_size.notes)
    one = stratified_petersen([50, 40], [40, 40], [1, 1])
    assert one.population_size.value == one.unstratified.value
    nothing = stratified_petersen([50, 40], [40, 40], [0, 0])
    assert not nothing.population_size.estimable


def test_strata_must_fit_together() -> None:
    with pytest.raises(InputError, match="same number of rows"):
        stratified_petersen([1, 2], [1, 2], [1])
    with pytest.raises(InputError, match="one name a class"):
        stratified_petersen([10, 20], [10, 20], [1, 2], size_class=["small"])
    with pytest.raises(InputError, match="cannot exceed"):
        stratified_petersen([10, 20], [10, 20], [1, 22])


@pytest.mark.parametrize("estimator", [schnabel, schumacher_eschmeyer])
def test_several_events_without_information(estimator) -> None:  # type: ignore[no-untyped-def]
    assert not estimator([10, 20, 30, 10], [0, 0, 0, 0]).estimable
    assert not estimator([10], [0]).estimable
    assert not estimator([10, 0], [0, 0], [10, 0]).estimable


@pytest.mark.parametrize("estimator", [schnabel, schumacher_eschmeyer])
@pytest.mark.parametrize(
    ("columns", "options", "said"),
    [
        (([10, 5], [0, 6]), {}, "cannot exceed caught"),
        (([10, 5], [1, 2]), {}, "at large"),
        (([10, 5], [0, 1, 2]), {}, "same number of rows"),
        (([10, math.nan], [0, 1]), {}, "missing"),
        (([10, 5.5], [0, 1]), {}, "whole"),
        (([10, 5], [0, 1], [12, 4]), {}, "newly_marked cannot exceed"),
        (([10, 5], [0, 1]), {"deaths": [11, 0]}, "deaths cannot exceed"),
        (([10, 5], [0, 1]), {"deaths": [1, 0], "at_large": [0, 9]}, "not both"),
    ],
)
def test_impossible_events_are_refused(estimator, columns, options, said) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(InputError, match=said):
        estimator(*columns, **options)


def test_schumacher_eschmeyer_is_a_weighted_regression_through_the_origin() -> None:
    caught, recaptured, at_large = np.array([40, 45, 50, 38]), np.array([3, 5, 9, 8]), np.array([40, 77, 117, 158])
    n = schumacher_eschmeyer(caught, recaptured, at_large=at_large)
    root = np.sqrt(caught)
    slope, residual = np.linalg.lstsq((root * at_large)[:, None], root * recaptured / caught, rcond=None)[:2]
    assert n.value == pytest.approx(1 / slope[0], rel=1e-10)
    se = math.sqrt(residual[0] / 3 / (caught * at_large**2).sum())
    assert n.se == pytest.approx(se / slope[0] ** 2, rel=1e-8)


def test_schumacher_eschmeyer_may_have_no_upper_limit() -> None:
    n = schumacher_eschmeyer([40, 40, 40, 40], [0, 5, 0, 1])
    assert math.isinf(n.upper)
    assert any("no upper limit" in note for note in n.notes)


def test_density_scales_everything() -> None:
    n = petersen(200, 150, 12)
    per = density(n, length_km=3.2, area_ha=8.0)
    assert per.per_km is not None and per.per_ha is not None
    assert per.per_km.units == "fish/km" and per.per_ha.units == "fish/ha"
    assert [per.per_km.value, per.per_km.se, per.per_km.lower] == pytest.approx([n.value / 3.2, n.se / 3.2, n.lower / 3.2])
    assert density(n, area_ha=2.0).per_km is None
    assert not density(petersen(20, 15, 0), length_km=1).per_km.estimable  # type: ignore[union-attr]
    with pytest.raises(InputError, match="got neither"):
        density(n)
    with pytest.raises(InputError, match="above 0"):
        density(n, length_km=0)


def test_classes_with_few_recaptures_are_named_with_the_sum() -> None:
    found = stratified_petersen([20, 60], [20, 60], [4, 12], size_class=["large", "small"])
    assert any("recaptures in large: the sum tends to be too low" in note for note in found.population_size.notes)
    enough = stratified_petersen([60, 60], [60, 60], [12, 12])
    assert not any("tends to be too low" in note for note in enough.population_size.notes)
