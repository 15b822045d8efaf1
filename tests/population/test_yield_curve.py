"""Reference points under a regulation against the closed form, and with release deaths."""

from __future__ import annotations

import math

import numpy as np
import pytest
from waters import trout

from fishreport.exceptions import InputError
from fishreport.population.angling import Angling
from fishreport.population.per_recruit import reference_points
from fishreport.population.regulation import Regulation
from fishreport.population.yield_curve import yield_curve

KEEP_ALL = Angling(release_mortality=0.0, noncompliance=0.0, voluntary_release=0.0)


@pytest.mark.parametrize("age", [1.5, 2.5])
def test_without_spread_or_release_deaths_it_is_beverton_holt(age: float) -> None:
    life = trout(
        length_cv=0.0,
        weight_slope=3.0,
        weight_intercept=math.log10(1900.0) - 3 * math.log10(550.0),
        maximum_age=40,
        natural_mortality=[0.25, 0.35],
        vulnerability_length_mm=None,
        vulnerability_spread_mm=None,
    )
    rule = Regulation(minimum_length_mm=float(life.mean_length(age)[0]))
    found = yield_curve(life, rule, angling=KEEP_ALL, steps_per_year=48, groups=1)
    for draw, natural in enumerate((0.25, 0.35)):
        expected = reference_points(
            natural_mortality=natural,
            growth_coefficient=0.3,
            asymptotic_weight_g=1900.0,
            age_at_zero=-0.1,
            age_at_recruitment=1.0,
            age_at_first_capture=age,
        )
        assert found.f_01[draw] == pytest.approx(expected.f_01, rel=1e-3)
        assert found.f_max[draw] == pytest.approx(expected.f_max, rel=2e-3)
        assert found.yield_at_f_01_g[draw] == pytest.approx(expected.yield_at_f_01_g, rel=2e-4)
        assert found.yield_at_f_max_g[draw] == pytest.approx(expected.yield_at_f_max_g, rel=2e-4)
    assert found.note == ""


def test_release_deaths_bring_a_finite_maximum() -> None:
    life, rule = trout(natural_mortality=0.8), Regulation(minimum_length_mm=300)
    free, deadly = (
        yield_curve(life, rule, angling=Angling(release_mortality=d, noncompliance=0.0, voluntary_release=0.0))
        for d in (0.0, 0.3)
    )
    assert np.isnan(free.f_max).all() and "no finite fmax in 1 of 1 draws" in free.note
    assert np.isfinite(deadly.f_max).all() and deadly.note == ""
    assert (deadly.f_01 < free.f_01).all()
    assert (deadly.spawning_potential_at_f_max < deadly.spawning_potential_at_f_01).all()


def test_nothing_kept_has_no_curve() -> None:
    with pytest.raises(InputError, match="nothing is kept"):
        yield_curve(trout(), Regulation(release_only=True), angling=KEEP_ALL)
