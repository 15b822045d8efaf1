"""Worked examples of catch curves and of the algebra of death rates."""

from __future__ import annotations

import pytest

from fishreport.methods.mortality import catch_curve, chapman_robson, rates

# Rock bass of Cayuga Lake, coded ages 0 to 5: Robson & Chapman 1961, Trans. Am. Fish. Soc. 90:181-189 (from memory).
AGES = [0, 1, 2, 3, 4, 5]
ROCK_BASS = [118, 73, 36, 14, 1, 1]


def test_rock_bass_survival_of_robson_and_chapman() -> None:
    fit = chapman_robson(AGES, ROCK_BASS, from_age=0)
    assert (fit.fish, fit.coded_age_sum) == (243, 196)
    assert round(fit.annual_survival.value, 3) == 0.447  # printed
    assert round(fit.sampling_se_survival, 3) == 0.024  # printed
    assert fit.annual_survival.value == pytest.approx(196 / (243 + 196 - 1), rel=1e-12)
    assert fit.sampling_se_survival**2 == pytest.approx(5.657724e-4, rel=1e-6)  # computed from the printed formula


def test_rock_bass_total_mortality_with_and_without_bias_correction() -> None:
    # Correction of Hoenig, Lawing & Hoenig 1983 as in Smith et al. 2012, N. Am. J. Fish. Manage. 32:956-967 (from memory);
    # values computed by hand from the formulas.
    fit = chapman_robson(AGES, ROCK_BASS, from_age=0)
    assert fit.total_mortality.value == pytest.approx(0.801323, abs=5e-7)
    assert fit.uncorrected_total_mortality == pytest.approx(0.804104, abs=5e-7)
    assert chapman_robson(AGES, ROCK_BASS, from_age=0, bias_correction=False).total_mortality.value == pytest.approx(
        0.804104, abs=5e-7
    )
    assert fit.sampling_se_mortality == pytest.approx(0.0529843, abs=5e-8)


def test_rock_bass_overdispersion_inflates_the_standard_errors() -> None:
    # Smith et al. 2012 (from memory): se times the root of chat; chi-square computed with the last class open.
    fit = chapman_robson(AGES, ROCK_BASS, from_age=0)
    assert fit.chi2 == pytest.approx(14.3193, abs=5e-5)
    assert fit.df == 4
    assert fit.total_mortality.se == pytest.approx(0.0529843 * (14.3193 / 4) ** 0.5, rel=1e-5)
    assert fit.annual_survival.se == pytest.approx(0.0237860 * (14.3193 / 4) ** 0.5, rel=1e-5)
    plain = chapman_robson(AGES, ROCK_BASS, from_age=0, overdispersion=False)
    assert plain.annual_survival.se == pytest.approx(0.0237860, abs=5e-8)


def test_default_ages_at_full_recruitment_follow_smith_and_others() -> None:
    # Peak plus one for Chapman-Robson, peak for the weighted regression (Smith et al. 2012, from memory).
    ages, counts = [1, 2, 3, 4, 5, 6], [20, 90, 61, 30, 14, 8]
    assert chapman_robson(ages, counts).from_age == 3
    assert catch_curve(ages, counts).from_age == 2


def test_death_rates_of_ricker() -> None:
    # Ricker 1975, chapter 1, fisheries of type II (from memory); F 0.4, M 0.3 worked out to six digits.
    r = rates(fishing=0.4, natural=0.3)
    assert [r.total, r.annual_mortality, r.survival] == pytest.approx([0.7, 0.503415, 0.496585], abs=5e-7)
    assert [r.conditional_fishing, r.conditional_natural] == pytest.approx([0.329680, 0.259182], abs=5e-7)
    assert [r.exploitation, r.natural_deaths] == pytest.approx([0.287666, 0.215749], abs=5e-7)


def test_fishing_mortality_of_a_reservoir_trout_study() -> None:
    # Cilbiz & Yalim 2017, Pakistan J. Zool. 49:825-832, rainbow trout (seen): Z 0.83, F 0.14, M 0.69, F/Z printed 0.17.
    r = rates(total=0.83, natural=0.69)
    assert round(r.fishing, 2) == 0.14
    assert round(r.fishing / r.total, 2) == 0.17
