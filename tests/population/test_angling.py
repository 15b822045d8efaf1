"""Assumptions about anglers: release mortality by gear and temperature, effort by month, draws from spreads."""

from __future__ import annotations

import math

import numpy as np
import pytest

from fishreport.exceptions import InputError
from fishreport.population.angling import Angling, beta_draws, change_odds, positive_draws, seasonal_temperature
from fishreport.population.regulation import Regulation


def test_release_mortality_precedence() -> None:
    rule = Regulation(gear="bait")
    assert Angling().monthly_release_mortality(rule)[0, 0] == pytest.approx(0.31)
    assert Angling(release_mortality=0.05).monthly_release_mortality(rule)[0, 0] == pytest.approx(0.05)
    assert Angling(release_mortality=0.05).monthly_release_mortality(rule.replace(release_mortality=0.2))[0, 0] == pytest.approx(
        0.2
    )


def test_another_gear_moves_the_odds() -> None:
    # Odds of bait over flies and lures: (0.31/0.69) / (0.048/0.952) = 8.9106; odds 0.06/0.94 times that is 0.5688.
    found = Angling(release_mortality=0.06).monthly_release_mortality(
        Regulation(gear="bait"), today=Regulation(gear="flies and lures")
    )
    assert found[0, 0] == pytest.approx(0.5688 / 1.5688, abs=2e-4)


def test_heat_raises_release_mortality_only_above_the_threshold() -> None:
    people = Angling(release_mortality=[0.0, 0.1, 1.0], water_temperature_c=[10.0] * 6 + [23.0] + [18.0] * 5, heat_slope=0.2)
    found = people.monthly_release_mortality(Regulation())
    assert found.shape == (3, 12)
    assert found[1, :6] == pytest.approx(0.1)
    assert found[1, 7:] == pytest.approx(0.1)
    odds = 0.1 / 0.9 * math.exp(1.0)
    assert found[1, 6] == pytest.approx(odds / (1 + odds))
    assert (found[0] == 0).all() and (found[2] == 1).all()


def test_closing_months_loses_or_moves_effort() -> None:
    rule = Regulation(closed_months=(6, 7), effort_change=0.5)
    lost = Angling().monthly_effort(rule)
    assert lost.sum() == pytest.approx(1.5 * 10 / 12)
    assert (lost[5:7] == 0).all()
    assert Angling(closed_effort_moves=1.0).monthly_effort(rule).sum() == pytest.approx(1.5)
    assert Angling(closed_effort_moves=1.0).monthly_effort(Regulation(closed_months=tuple(range(1, 13)))).sum() == 0


def test_draws_have_the_mean_and_spread_asked_for(rng: np.random.Generator) -> None:
    n = 40_000
    for values, mean, se in (
        (positive_draws(rng, n, 0.5, 0.2), 0.5, 0.2),
        (beta_draws(rng, n, 0.1, 0.05), 0.1, 0.05),
        (beta_draws(rng, n, 0.7, 0.1, low=0.2), 0.7, 0.1),
    ):
        assert values.mean() == pytest.approx(mean, abs=5 * se / math.sqrt(n))
        assert values.std() == pytest.approx(se, rel=0.05)
    assert (positive_draws(rng, 5, 0.5, 0.0) == 0.5).all()
    people = Angling.from_spreads(rng, 100, release_mortality=(0.05, 0.02), noncompliance=0.1, effort_h_per_km=(800.0, 100.0))
    assert people.release_mortality.shape == (100,)
    assert set(people.inputs()) == {"release_mortality", "effort_h_per_km"}


def test_seasonal_temperature() -> None:
    wave = seasonal_temperature(10.0, amplitude_c=6.0, warmest_month=8)
    assert max(wave) == wave[7] == pytest.approx(16.0)
    assert min(wave) == wave[1] == pytest.approx(4.0)
    assert np.mean(wave) == pytest.approx(10.0)


def test_change_odds() -> None:
    assert change_odds([0.0, 0.5, 1.0], 3.0).tolist() == [0.0, 0.75, 1.0]


@pytest.mark.parametrize(
    ("wrong", "reason"),
    [
        ({"release_mortality": 1.1}, "share from 0 to 1"),
        ({"noncompliance": -0.1}, "share from 0 to 1"),
        ({"voluntary_release": [[0.1]]}, "one number a draw"),
        ({"hours_per_trip": 0}, "above 0"),
        ({"effort_h_per_km": math.inf}, "infinity"),
        ({"effort_by_month": [1.0] * 11}, "12 finite numbers"),
        ({"effort_by_month": [0.0] * 12}, "not all 0"),
        ({"water_temperature_c": [math.nan] * 12}, "12 finite numbers"),
        ({"heat_slope": -1.0}, "heat_slope"),
        ({"closed_effort_moves": 2.0}, "closed_effort_moves"),
    ],
)
def test_impossible_assumptions_are_refused(wrong: dict[str, object], reason: str) -> None:
    with pytest.raises(InputError, match=reason):
        Angling(**wrong)


def test_too_wide_a_spread_is_refused(rng: np.random.Generator) -> None:
    with pytest.raises(InputError, match="too large"):
        Angling.from_spreads(rng, 10, noncompliance=(0.5, 0.6))
