"""Age at a length: the hand-turned curve, a root finder, replicates worked out apart, and curves that never get there."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from scipy import optimize

from fishreport.exceptions import InputError
from fishreport.methods.age_at_length import age_at_length
from fishreport.methods.stratified_growth import StratifiedGrowth, fit_stratified_growth


def _fit(rng: np.random.Generator, curve: str = "von_bertalanffy") -> StratifiedGrowth:
    age = rng.integers(0, 9, 150).astype(float)
    length = 500 * -np.expm1(-0.35 * (age + 0.5)) * (1 + 0.06 * rng.standard_normal(150))
    return fit_stratified_growth(age, length, length, bin_mm=20, rng=rng, curve=curve, resamples=200)


def test_it_is_where_the_curve_meets_the_length(rng: np.random.Generator) -> None:
    fit = _fit(rng)
    got = age_at_length(fit, 300.0)
    root = optimize.brentq(lambda age: fit.predict(age)["length_mm"].iloc[0] - 300.0, -1, 20)
    assert got.value == pytest.approx(root, abs=1e-8)
    roots = [
        optimize.brentq(lambda age, p=row: p[0] * -math.expm1(-p[1] * (age - p[2])) - 300.0, -3, 60) for row in fit.replicates
    ]
    inside = np.mean((np.array(roots) >= got.lower - 1e-9) & (np.array(roots) <= got.upper + 1e-9))
    assert inside == pytest.approx(0.95, abs=0.011)
    assert (got.units, got.n) == ("years", fit.n)


def test_closed_form() -> None:
    """L∞ 400, K 0.5, t0 0: half the asymptote is reached at ln 2 / 0.5 years (Beverton and Holt's curve turned round)."""
    fit = _fit(np.random.default_rng(1))
    known = dataclasses.replace(fit, parameters=np.array([400.0, 0.5, 0.0]), replicates=np.tile([400.0, 0.5, 0.0], (20, 1)))
    got = age_at_length(known, 200.0)
    assert got.value == pytest.approx(math.log(2) / 0.5)
    assert got.lower == got.upper == pytest.approx(math.log(2) / 0.5)


def test_replicates_that_stay_below_leave_the_upper_limit_open() -> None:
    fit = _fit(np.random.default_rng(1))
    rows = np.r_[np.tile([400.0, 0.5, 0.0], (90, 1)), np.tile([250.0, 0.5, 0.0], (10, 1))]
    got = age_at_length(dataclasses.replace(fit, parameters=rows[0], replicates=rows), 300.0)
    assert math.isfinite(got.value)
    assert math.isfinite(got.lower)
    assert got.upper == math.inf
    assert math.isnan(got.se)


def test_lengths_out_of_reach_and_wrong_input(rng: np.random.Generator) -> None:
    fit = _fit(rng)
    assert "stays shorter" in age_at_length(fit, 900.0).notes[0]
    few = fit_stratified_growth([1, 2], [100, 200], [100, 200], bin_mm=20, rng=rng, resamples=10)
    assert "no growth curve" in age_at_length(few, 100.0).notes[0]
    with pytest.raises(InputError, match="above 0"):
        age_at_length(fit, 0.0)
    with pytest.raises(InputError, match="von Bertalanffy"):
        age_at_length(_fit(rng, "gompertz"), 300.0)
