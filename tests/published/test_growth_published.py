"""Published growth data and answers, to the digits printed.

Pacific hake: Kimura 1980, Fish. Bull. 77:765-776; data and answers from memory, and the data return the answers to all digits
remembered. Mean lengths at ages 1 to 6: Sparre and Venema, Introduction to tropical fish stock assessment, FAO Fish. Tech.
Pap. 306/1, chapter 3; data from memory, answers by Ford-Walford plot about K 0.40 and Linf 57 cm (from memory).
"""

from __future__ import annotations

import numpy as np
import pytest

from fishreport.methods.growth import compare_growth, fit_recapture_growth, fit_von_bertalanffy

FEMALE_AGE = [1, 2, 3.3, 4.3, 5.3, 6.3, 7.3, 8.3, 9.3, 10.3, 11.3, 12.3, 13.3]
FEMALE_CM = [15.40, 28.03, 41.18, 46.20, 48.23, 50.26, 51.82, 54.27, 56.98, 58.93, 59.00, 60.91, 61.83]
MALE_AGE = FEMALE_AGE[:11]
MALE_CM = [15.40, 26.93, 42.23, 44.59, 47.63, 49.67, 50.87, 52.30, 54.77, 56.43, 55.88]


@pytest.mark.parametrize(
    ("age", "length", "linf", "k", "t0"),
    [(FEMALE_AGE, FEMALE_CM, 61.23, 0.296, -0.057), (MALE_AGE, MALE_CM, 55.98, 0.386, 0.171)],
    ids=["female", "male"],
)
def test_hake(age: list[float], length: list[float], linf: float, k: float, t0: float) -> None:
    fit = fit_von_bertalanffy(age, length)
    assert fit.asymptotic_length.value == pytest.approx(linf, abs=0.005)
    assert fit.growth_coefficient.value == pytest.approx(k, abs=0.0005)
    assert fit.age_at_zero.value == pytest.approx(t0, abs=0.0005)


def test_hake_residual_sums_of_squares_and_likelihood_ratio() -> None:
    """Kimura's likelihood ratio on his data. The sums of squares are own arithmetic, not read in print: a regression check;
    that the females' is 28.80 was also found with nls."""
    found = compare_growth(FEMALE_AGE + MALE_AGE, FEMALE_CM + MALE_CM, ["F"] * 13 + ["M"] * 11)
    assert [found.fits["F"].rss, found.fits["M"].rss] == pytest.approx([28.80, 19.42], abs=0.005)
    assert found.table.iloc[0]["rss"] == pytest.approx(79.76, abs=0.005)
    assert found.table.iloc[0]["chi_square"] == pytest.approx(12.08, abs=0.005)
    assert found.differing == ("asymptotic_length",)


def test_mean_lengths_at_age() -> None:
    fit = fit_von_bertalanffy([1, 2, 3, 4, 5, 6], [25.7, 36.0, 42.9, 47.5, 50.7, 52.8])
    assert fit.asymptotic_length.value == pytest.approx(57, abs=0.5)
    assert fit.growth_coefficient.value == pytest.approx(0.40, abs=0.005)


def test_yearly_increments_agree_with_the_ford_walford_line() -> None:
    """With increments of exactly one year Fabens' least squares is the straight line of L(t+1) on L(t)."""
    length = np.array([25.7, 36.0, 42.9, 47.5, 50.7, 52.8])
    slope, intercept = np.polyfit(length[:-1], length[1:], 1)
    fit = fit_recapture_growth(length[:-1], length[1:], np.ones(5))
    assert fit.growth_coefficient.value == pytest.approx(-np.log(slope), rel=1e-9)
    assert fit.asymptotic_length.value == pytest.approx(intercept / (1 - slope), rel=1e-9)
    assert fit.asymptotic_length.value == pytest.approx(57, abs=0.5)
    assert fit.growth_coefficient.value == pytest.approx(0.40, abs=0.005)
