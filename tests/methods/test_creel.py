"""Totals and catch rates of a creel survey: scipy's lognormal, the delta method by hand, simulated surveys, poor input."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from fishreport.exceptions import InputError
from fishreport.methods.creel import NO_ERROR, angler_catch_rate, creel_total


def test_limits_are_quantiles_of_a_lognormal() -> None:
    """Of that median and coefficient of variation, as scipy has it."""
    got = creel_total(300.0, 45.0, units="fish", what="fish kept", level=0.9)
    spread = math.sqrt(math.log1p(0.15**2))
    assert (got.lower, got.upper) == pytest.approx(stats.lognorm.ppf([0.05, 0.95], spread, scale=300.0))
    assert (got.value, got.se, got.units) == (300.0, 45.0, "fish")


def test_limits_by_hand() -> None:
    """Burnham et al. 1987: C = exp(1.96 sqrt(ln(1 + 0.2²))) = 1.4745; 100 / C = 67.8, 100 C = 147.5."""
    got = creel_total(100.0, 20.0, units="h", what="effort")
    assert (got.lower, got.upper) == pytest.approx((67.8, 147.5), abs=0.1)


def test_a_catch_rate_takes_both_errors() -> None:
    """0.3 and 0.4 of the two totals make 0.5 of their ratio (delta method, independent)."""
    got = angler_catch_rate(2000.0, 1000.0, se_caught=600.0, se_effort_h=400.0)
    assert (got.value, got.se, got.units) == (2.0, pytest.approx(1.0), "fish/h")


def test_the_interval_of_a_catch_rate_holds_the_truth_as_often_as_it_says(rng: np.random.Generator) -> None:
    caught, hours = 5000 * np.exp(0.12 * rng.standard_normal(2000)), 20_000 * np.exp(0.08 * rng.standard_normal(2000))
    held = 0
    for fish, effort in zip(caught, hours, strict=True):
        e = angler_catch_rate(fish, effort, se_caught=0.12 * fish, se_effort_h=0.08 * effort)
        held += e.lower <= 0.25 <= e.upper
    assert held / 2000 == pytest.approx(0.95, abs=0.02)


@pytest.mark.parametrize("se", [math.nan, 0.0])
def test_without_a_standard_error_there_is_no_interval(se: float) -> None:
    total = creel_total(3.0, se, units="fish", what="fish kept")
    assert total.value == 3.0
    assert math.isnan(total.lower)
    assert math.isnan(total.upper)
    assert NO_ERROR in total.notes
    rate = angler_catch_rate(30.0, 100.0, se_caught=3.0, se_effort_h=se)
    assert math.isnan(rate.lower)
    assert NO_ERROR in rate.notes


def test_nothing_kept_and_nothing_recorded() -> None:
    none = creel_total(0.0, 5.0, units="fish", what="fish kept")
    assert none.value == 0.0
    assert math.isnan(none.upper)
    assert "not recorded" in creel_total(math.nan, 5.0, units="fish", what="fish kept").notes[0]
    assert not angler_catch_rate(math.nan, 100.0, se_caught=1.0, se_effort_h=1.0).estimable
    assert not angler_catch_rate(3.0, math.nan, se_caught=1.0, se_effort_h=1.0).estimable


def test_messages() -> None:
    with pytest.raises(InputError, match="value must be 0 or more"):
        creel_total(-1.0, 1.0, units="h", what="effort")
    with pytest.raises(InputError, match="se must be 0 or more"):
        creel_total(1.0, -1.0, units="h", what="effort")
    with pytest.raises(InputError, match="effort_h must be above 0"):
        angler_catch_rate(1.0, 0.0, se_caught=1.0, se_effort_h=1.0)
    with pytest.raises(InputError, match="level"):
        creel_total(1.0, 1.0, units="h", what="effort", level=95)
