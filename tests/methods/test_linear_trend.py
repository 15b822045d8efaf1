"""The linear trend against least squares of scipy and statsmodels, and its degenerate cases."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from statsmodels.regression.linear_model import OLS, WLS

from fishreport.exceptions import InputError
from fishreport.methods.linear_trend import linear_trend

YEAR = np.array([2014, 2015, 2016, 2018, 2019, 2020, 2022, 2023.0])
SHARE = np.array([41.0, 44, 39, 47, 52, 0, 58, 55])


def test_without_standard_errors_it_is_ordinary_least_squares():
    """scipy.stats.linregress, t limits on n − 2; the line and its limits by statsmodels."""
    found = linear_trend(YEAR, SHARE, units="percent")
    theirs = stats.linregress(YEAR, SHARE)
    reach = stats.t.ppf(0.975, YEAR.size - 2) * theirs.stderr
    e = found.trend_per_year
    assert (e.value, e.se) == pytest.approx((theirs.slope, theirs.stderr))
    assert (e.lower, e.upper) == pytest.approx((theirs.slope - reach, theirs.slope + reach))
    assert e.units == "percentage points per year" and e.n == 8
    design = np.column_stack([np.ones(8), YEAR])
    years = np.arange(2014, 2024.0)
    line = OLS(SHARE, design).fit().get_prediction(np.column_stack([np.ones(10), years])).conf_int()
    np.testing.assert_allclose(np.column_stack([found.lower, found.upper]), line)
    np.testing.assert_array_equal(found.year, years)


def test_with_large_standard_errors_it_is_weighted_least_squares_of_known_variance():
    """Seasons that scatter less than their errors: no scatter between them, statsmodels' WLS with scale 1, t of n − 2."""
    se = np.array([20.0, 25, 30, 20, 15, 40, 25, 30])
    value = 40 + 1.5 * (YEAR - 2014) + np.array([1, -2, 1, 0, -1, 2, 0, -1.0])
    e = linear_trend(YEAR, value, se=se).trend_per_year
    fit = WLS(value, np.column_stack([np.ones(8), YEAR]), weights=1 / se**2).fit(cov_type="fixed scale", cov_kwds={"scale": 1.0})
    assert e.value == pytest.approx(fit.params[1])
    assert e.se == pytest.approx(fit.bse[1])


def test_correlated_seasons_widen_the_interval(rng):
    year = np.arange(2000, 2020.0)
    walk = 50 + np.cumsum(rng.normal(0, 3, 20))
    plain, corrected = (
        linear_trend(year, walk, se=np.full(20, 1.0), correlation=correlation).trend_per_year for correlation in ("none", "ar1")
    )
    assert corrected.upper - corrected.lower > 1.5 * (plain.upper - plain.lower)


@pytest.mark.calibration
def test_interval_covers_a_known_slope(rng):
    """200 series of 10 seasons, sampling error 3, scatter 2: the 95% interval should cover in 0.89 to 0.995 of them."""
    year, inside = np.arange(10.0), 0
    for _ in range(200):
        value = 50 + 0.8 * year + rng.normal(0, 2, 10) + rng.normal(0, 3, 10)
        e = linear_trend(year, value, se=np.full(10, 3.0)).trend_per_year
        inside += e.lower <= 0.8 <= e.upper
    assert 178 <= inside <= 199


def test_few_seasons_and_impossible_input():
    few = linear_trend(YEAR[:3], SHARE[:3], units="percent")
    assert few.trend_per_year.notes == ("not estimable: 3 seasons with data, 4 needed",)
    assert few.year.size == 0
    assert "one unusual season" in " ".join(linear_trend(YEAR[:5], SHARE[:5]).trend_per_year.notes)
    with pytest.raises(InputError, match="correlation"):
        linear_trend(YEAR, SHARE, correlation="lots")
    with pytest.raises(InputError, match="one value a season"):
        linear_trend([2000, 2000, 2001, 2002, 2003], [1, 2, 3, 4, 5])


def test_missing_values_are_left_out_and_said():
    value = SHARE.copy()
    value[2] = np.nan
    e = linear_trend(YEAR, value).trend_per_year
    assert e.n == 7 and "1 of 8 seasons without a value left out" in e.notes
