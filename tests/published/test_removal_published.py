"""Worked examples of removal."""

from __future__ import annotations

import pytest

from fishreport.methods.abundance import removal
from fishreport.methods.removal import three_pass, two_pass


def test_bohlin_and_others_example_2() -> None:
    # Bohlin et al. 1989, Hydrobiologia 173, example 2, pp. 22-23 (seen): 244, 86, 43; N 398.4, p 0.600, SE 8.17 with p rounded.
    fit = removal([244, 86, 43])
    assert fit.population_size.value == pytest.approx(398.4, abs=0.05)
    assert fit.capture_probability.value == pytest.approx(0.600, abs=0.0005)
    assert fit.population_size.se == pytest.approx(8.17, abs=0.03)


def test_explicit_three_pass_formula_of_bohlin_and_others() -> None:
    assert three_pass([244, 86, 43]) == pytest.approx((398.430, 0.600364), abs=5e-4)
    fit = removal([244, 86, 43])
    assert three_pass([244, 86, 43]) == pytest.approx((fit.population_size.value, fit.capture_probability.value), rel=1e-9)


def test_trout_of_seber_and_le_cren() -> None:
    # Seber & Le Cren 1967 in Seber 1982, chapter 7 (from memory): 79, 28; N 122, SE about 8.8.
    fit = removal([79, 28])
    assert round(fit.population_size.value) == 122
    assert fit.population_size.se == pytest.approx(8.8, abs=0.05)
    assert two_pass(79, 28) == pytest.approx((122.3725, 8.7970, 0.645570, 0.077953), abs=5e-5)
    assert (fit.capture_probability.value, fit.capture_probability.se) == pytest.approx((0.645570, 0.077953), abs=5e-7)


def test_carle_and_strub_example() -> None:
    # Carle & Strub 1978, Biometrics 34:621-630 (from memory): 38, 26, 12; N 91, p 0.444.
    fit = removal([38, 26, 12], method="weighted")
    assert fit.population_size.value == 91
    assert round(fit.capture_probability.value, 3) == 0.444
    assert fit.population_size.se == pytest.approx(8.584, abs=5e-4)


def test_zippin_on_the_same_catches() -> None:
    # Zippin 1956, Biometrics 12:163-189 (equations from memory), values worked out independently.
    fit = removal([38, 26, 12])
    size, chance = fit.population_size, fit.capture_probability
    assert (size.value, chance.value, size.se) == pytest.approx((94.926, 0.415805, 11.740), abs=6e-4)
    assert fit.whole_fish == 92


def test_catches_with_a_round_answer() -> None:
    # 24, 17, 8 give p of exactly 0.4 (worked out).
    fit = removal([24, 17, 8])
    assert (fit.population_size.value, fit.capture_probability.value) == pytest.approx((62.5, 0.4), rel=1e-9)
    assert fit.population_size.se == pytest.approx(10.486, abs=5e-4)
    assert removal([24, 17, 8], method="whole").population_size.value == 60
    assert removal([24, 17, 8], method="weighted").population_size.value == 59
