"""All rates of death over joint draws: identities, an independent Monte Carlo, and what is taken as exact."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from fishreport.analysis.classes import study_classes
from fishreport.analysis.death_rates import death_rates
from fishreport.analysis.fishing_today import Fishing, fishing_today
from fishreport.analysis.mortality import FOLLOWED, Mortality, mortality
from fishreport.analysis.result import Result, Results
from fishreport.methods.estimate import Estimate
from fishreport.study import read_study

FEW = {"parameters.draws": 400, "parameters.resamples": 100}
PERCENT = ("A", "S", "u", "v", "cf", "cm")


@pytest.fixture(scope="module")
def study(repository):
    return read_study(repository / "demo_inputs", overrides=FEW)


@pytest.fixture(scope="module")
def made(study, demo_survey):
    classes = study_classes(study)
    return mortality(study, demo_survey, classes, np.random.default_rng(4)), fishing_today(study, demo_survey, classes)


def _limits(e: Estimate) -> np.ndarray:
    return np.array([e.lower, e.value, e.upper])


def _bass(found: Mortality, total: Estimate, natural: Estimate) -> Mortality:
    result = Result("total_mortality", total, 2025, "smallmouth_bass", "all", detail=FOLLOWED)
    one = dataclasses.replace(found.species["smallmouth_bass"], natural=natural)
    return Mortality(Results([result]), {"smallmouth_bass": one})


def test_those_of_a_creel_survey_are_percentiles_of_the_draws_of_the_scenarios(study, made):
    """An own loop over the draws that the scenarios start from, by Ricker's equations."""
    found, fishing = made
    rates = death_rates(study, found, fishing)
    for key in ("brown_trout", "rainbow_trout"):
        drawn, told = fishing.species[key].known.rates, rates[key]
        assert (told.draws, told.exact, told.total) == (400, (), None)
        own: dict[str, list[float]] = {name: [] for name in ("u", "v")}
        for f, m in zip(drawn.fishing, drawn.natural, strict=True):
            dead = 1 - np.exp(-f - m)
            own["u"].append(100 * f / (f + m) * dead)
            own["v"].append(100 * m / (f + m) * dead)
        for symbol, values in own.items():
            assert _limits(told.rates[symbol]) == pytest.approx(np.quantile(values, [0.025, 0.5, 0.975]))
            assert told.rates[symbol].se == pytest.approx(np.std(values, ddof=1))
        assert _limits(told.rates["F"]) == pytest.approx(_limits(fishing.species[key].fishing))
        assert _limits(told.rates["M"]) == pytest.approx(_limits(fishing.species[key].natural))


def test_values_and_limits_keep_the_identities_that_hang_on_one_rate(study, made):
    for told in death_rates(study, *made).values():
        r = {symbol: _limits(e) for symbol, e in told.rates.items()}
        assert r["S"] == pytest.approx(100 * np.exp(-r["Z"][::-1]), rel=1e-3)  # a percentile lies between two draws
        assert r["A"] == pytest.approx(100 - r["S"][::-1])
        assert r["cf"] == pytest.approx(-100 * np.expm1(-r["F"]), rel=1e-3)
        assert r["cm"] == pytest.approx(-100 * np.expm1(-r["M"]), rel=1e-3)
        assert all(low < value < high for low, value, high in r.values())
        assert all(told.rates[name].units == "percent" for name in PERCENT)


def test_those_of_a_total_mortality_agree_with_an_independent_monte_carlo(repository, made):
    """Two-piece lognormal Z and M drawn with other random numbers and other code; M is at most Z."""
    study = read_study(repository / "demo_inputs", overrides={"parameters.draws": 10_000})
    total = Estimate(0.9, 0.1, 0.7, 1.2, 0.95, "per year", "", 300)
    natural = Estimate(0.5, 0.3, 0.2, 1.1, 0.95, "per year", "", 8)
    told = death_rates(study, _bass(made[0], total, natural))["smallmouth_bass"]
    rng = np.random.default_rng(77)

    def drawn(e: Estimate) -> np.ndarray:
        side, far = rng.random(400_000) < 0.5, np.abs(rng.standard_normal(400_000)) / 1.959964
        return np.where(side, e.value * (e.lower / e.value) ** far, e.value * (e.upper / e.value) ** far)

    z, free = drawn(total), drawn(natural)
    m = np.minimum(free, z)
    dead = -np.expm1(-z)
    own = {"Z": z, "F": z - m, "M": m, "A": 100 * dead, "S": 100 - 100 * dead, "u": 100 * dead * (z - m) / z,
           "v": 100 * dead * m / z, "cf": 100 - 100 * np.exp(m - z), "cm": 100 - 100 * np.exp(-m)}  # fmt: skip
    for symbol, values in own.items():
        assert _limits(told.rates[symbol]) == pytest.approx(np.quantile(values, [0.025, 0.5, 0.975]), rel=0.06, abs=0.02), symbol
    assert told.capped == pytest.approx((free > z).mean(), abs=0.015)
    assert told.rates["F"].lower == 0  # in some draws natural causes take all
    assert told.rates["Z"].value == pytest.approx(0.9, rel=0.02)


def test_a_natural_mortality_by_hand_without_a_spread_is_taken_as_exact(repository, demo_survey, made):
    study = read_study(repository / "demo_inputs", overrides={**FEW, "parameters.natural_mortality": 0.4})
    fishing = fishing_today(study, demo_survey, study_classes(study)[:1])
    found = Mortality(made[0].results, {"brown_trout": made[0].species["brown_trout"]})
    told = death_rates(study, found, fishing)["brown_trout"]
    assert told.exact == ("M",)
    assert told.rates["M"].value == 0.4
    assert np.isnan(told.rates["M"].lower)
    assert told.rates["u"].lower < told.rates["u"].value < told.rates["u"].upper  # F is still uncertain
    given = Estimate(0.4, np.nan, np.nan, np.nan, 0.95, "per year", "", 0)
    total = Estimate(0.9, 0.1, 0.7, 1.2, 0.95, "per year", "", 300)
    assert death_rates(study, _bass(made[0], total, given))["smallmouth_bass"].exact == ("M",)


@pytest.mark.parametrize(("value", "n"), [(0.5, 300), (0.9, 12)])
def test_no_rates_where_natural_mortality_is_not_below_or_the_total_not_firm(study, made, value, n):
    total = Estimate(value, 0.1, 0.8 * value, 1.2 * value, 0.95, "per year", "", n)
    natural = Estimate(0.5, 0.1, 0.4, 0.6, 0.95, "per year", "", 8)
    assert death_rates(study, _bass(made[0], total, natural), Fishing(Results(), {})) == {}


def test_records_carry_value_spread_and_number_of_draws(study, made):
    rows = death_rates(study, *made)["rainbow_trout"].records()
    assert [row["symbol"] for row in rows] == ["Z", "F", "M", "A", "S", "u", "v", "cf", "cm"]
    assert {row["draws"] for row in rows} == {400}
    assert all(row["lower"] < row["value"] < row["upper"] and row["se"] > 0 for row in rows)
