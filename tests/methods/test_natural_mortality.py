"""Units, domains and the ensemble of natural mortality."""

from __future__ import annotations

import math

import numpy as np
import pytest

from fishreport.exceptions import InputError
from fishreport.methods.natural_mortality import (
    ensemble,
    hamel,
    hoenig,
    jensen,
    jensen_maturity,
    pauly,
    then_growth,
    then_k,
    then_max_age,
)


def test_centimetres_given_for_millimetres_are_noticed_and_change_the_answer() -> None:
    # L∞ of 50 cm given as 50 "mm" makes the answer 10^0.33 times as large.
    wrong, right = then_growth(50, 0.35), then_growth(500, 0.35)
    assert wrong.value / right.value == pytest.approx(10**0.33, rel=1e-12)
    assert any("must be in millimetres" in note for note in wrong.notes)
    assert not any("must be in millimetres" in note for note in right.notes)


@pytest.mark.parametrize("call", [
    lambda: hoenig(0), lambda: hoenig(8, taxa="birds"), lambda: then_max_age(-1), lambda: then_max_age(8, form="x"),
    lambda: pauly(500, 0.3, 0), lambda: pauly(500, 0.3, -2), lambda: then_growth(math.nan, 0.3), lambda: jensen(0),
    lambda: jensen(0.3, form="x"), lambda: then_k(0.3, form="x"), lambda: jensen_maturity(0), lambda: hamel(8, log_sd=0),
    lambda: ensemble(), lambda: ensemble(max_age=8, weights={"guess": 1}), lambda: ensemble(max_age=8, weights={"pauly": 1}),
])  # fmt: skip
def test_impossible_life_history_is_refused(call) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(InputError):
        call()


def test_temperatures_outside_the_fitted_range_are_noted() -> None:
    assert any("outside 3 to 30" in note for note in pauly(500, 0.3, 2).notes)
    assert not any("outside 3 to 30" in note for note in pauly(500, 0.3, 9).notes)


def test_no_interval_is_made_up() -> None:
    m = pauly(500, 0.3, 9)
    assert math.isnan(m.se) and math.isnan(m.lower)
    assert any("no standard error" in note for note in m.notes)


def test_hamel_interval_is_lognormal() -> None:
    m = hamel(8)
    assert math.log(m.upper / m.value) == pytest.approx(1.959964 * 0.438, abs=1e-6)
    assert m.value**2 == pytest.approx(m.lower * m.upper)


def test_ensemble_shows_its_disagreement_and_is_never_narrower_than_one_form() -> None:
    together = ensemble(max_age=8, asymptotic_length_mm=500, k=0.35, temperature_c=10, age_at_maturity=3)
    values = together.table["value"].to_numpy()
    assert len(values) == 8
    assert (together.lowest, together.highest) == (values.min(), values.max())
    assert together.median.value == pytest.approx(np.median(values))
    one = hamel(8)
    assert math.log(together.median.upper / together.median.lower) >= math.log(one.upper / one.lower)


def test_ensemble_mixture_limits_agree_with_simulation(rng) -> None:  # type: ignore[no-untyped-def]
    together = ensemble(max_age=8, asymptotic_length_mm=500, k=0.35, temperature_c=10)
    values = together.table["value"].to_numpy()
    draws = values[rng.integers(values.size, size=200_000)] * np.exp(rng.normal(0, 0.438, 200_000))
    assert (together.median.lower, together.median.upper) == pytest.approx(np.quantile(draws, [0.025, 0.975]), rel=0.02)


def test_ensemble_takes_only_what_the_life_history_allows_and_weighs_as_told() -> None:
    assert ensemble(max_age=8).table["form"].tolist() == ["hoenig", "then_max_age", "hamel"]
    told = ensemble(max_age=8, k=0.35, weights={"hamel": 2, "jensen": 0})
    assert told.median.value == hamel(8).value
    assert told.median.n == 1
    assert (told.median.lower, told.median.upper) == pytest.approx((hamel(8).lower, hamel(8).upper), rel=1e-9)
