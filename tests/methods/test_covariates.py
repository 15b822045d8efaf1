"""Regression of an index on covariates: against statsmodels, R, known truth, and refusals."""

from __future__ import annotations

import math
import subprocess
from pathlib import Path

import numpy as np
import pytest
from statsmodels.regression.linear_model import OLS

from fishreport.exceptions import InputError
from fishreport.methods.covariates import fit_covariates, lagged

SCRIPT = Path(__file__).parents[1] / "reference" / "trend.R"
YEAR = np.array([2010, 2011, 2012, 2013, 2015, 2016, 2017, 2018, 2019, 2020])
VALUE = np.array([41.2, 38.5, 45.1, 47.3, 52.8, 44.9, 58.6, 61.0, 55.4, 66.7])
FLOW = np.array([3.1, 2.2, 4.0, 3.6, 5.2, 2.9, 5.8, 6.1, 4.4, 6.6])


@pytest.mark.r
def test_hc3_against_r() -> None:
    text = subprocess.run(["Rscript", "--vanilla", str(SCRIPT)], capture_output=True, text=True, check=True).stdout
    expected = {line.split()[0]: float(line.split()[1]) for line in text.splitlines() if line.startswith(("hc3", "cov"))}
    found = fit_covariates(YEAR, VALUE, {"flow": FLOW}, trend=False, robust="hc3").coefficients["flow"]
    assert found.value == pytest.approx(100 * math.expm1(expected["cov_slope"]), rel=1e-9)
    assert found.se == pytest.approx(100 * math.exp(expected["cov_slope"]) * expected["hc3_se"], rel=1e-9)


def test_plain_and_hac_against_statsmodels() -> None:
    year = np.arange(2010, 2020)
    design = np.column_stack([np.ones(10), FLOW - FLOW.mean(), year - year.mean()])
    reference = OLS(VALUE, design).fit()
    plain = fit_covariates(year, VALUE, {"flow": FLOW}, scale="identity", units="fish/h")
    assert [plain.coefficients[k].value for k in ("flow", "year")] == pytest.approx(reference.params[1:], rel=1e-9)
    assert [plain.coefficients[k].se for k in ("flow", "year")] == pytest.approx(reference.bse[1:], rel=1e-9)
    assert [plain.p[k] for k in ("flow", "year")] == pytest.approx(reference.pvalues[1:], rel=1e-9)
    assert plain.r_squared == pytest.approx(reference.rsquared, rel=1e-9)
    np.testing.assert_allclose(plain.fitted, reference.fittedvalues, rtol=1e-9)
    assert plain.coefficients["flow"].units == "fish/h per unit"
    robust = OLS(VALUE, design).fit(cov_type="HAC", cov_kwds={"maxlags": 1, "use_correction": True})
    hac = fit_covariates(year, VALUE, {"flow": FLOW}, scale="identity", robust="hac")
    assert [hac.coefficients[k].se for k in ("flow", "year")] == pytest.approx(robust.bse[1:], rel=1e-9)
    assert any("only 10 seasons" in note for note in hac.notes)


def test_effect_and_trend_are_found_apart(rng: np.random.Generator) -> None:
    # Index falls 3 % a year and rises 10 % a unit of flow the year before; 400 series of 16 seasons.
    hits = {"flow": 0, "year": 0}
    truth = {"flow": 10.0, "year": -3.0}
    year = np.arange(2005, 2021)
    for _ in range(400):
        flow_year = np.arange(2000, 2021)
        flow = rng.normal(5, 1, 21)
        before = lagged(year, flow_year, flow, lag_years=1)
        relative = 0.1 * np.exp(rng.normal(0, 0.2, 16))
        value = 40 * 0.97 ** (year - 2005) * 1.1**before * np.exp(rng.normal(0, 0.1, 16) + rng.normal(0, relative))
        found = fit_covariates(year, value, {"flow": before}, se=value * relative)
        for name in hits:
            e = found.coefficients[name]
            hits[name] += e.lower <= truth[name] <= e.upper
    for name in hits:
        assert 0.92 <= hits[name] / 400 <= 0.98


def test_lag_takes_the_earlier_year_and_leaves_gaps() -> None:
    np.testing.assert_array_equal(
        lagged([2012, 2013, 2015], [2010, 2011, 2012], [1.0, 2.0, 3.0], lag_years=1), [2.0, 3.0, np.nan]
    )
    with pytest.raises(InputError, match="negative"):
        lagged([1], [1], [1.0], lag_years=-1)
    with pytest.raises(InputError, match="one value a year"):
        lagged([1], [1, 1], [1.0, 2.0])


def test_refusals_give_the_reason() -> None:
    few = fit_covariates(YEAR[:7], VALUE[:7], {"flow": FLOW[:7]})
    assert few.coefficients["flow"].notes == ("not estimable: 7 seasons for 3 coefficients, 8 needed",)
    assert "not estimable" in few.notes[-1]
    constant = fit_covariates(YEAR, VALUE, {"flow": np.ones(10)})
    assert "does not vary" in constant.coefficients["flow"].notes[0]
    twin = fit_covariates(YEAR, VALUE, {"flow": FLOW, "twice": 2 * FLOW}, trend=False)
    assert "combination" in twin.notes[-1]
    close = fit_covariates(YEAR, VALUE, {"flow": FLOW, "near": FLOW + 0.01 * np.sin(YEAR)}, trend=False)
    assert any("move together" in note for note in close.notes)


def test_seasons_without_a_covariate_are_left_out() -> None:
    flow = FLOW.copy()
    flow[2] = np.nan
    found = fit_covariates(YEAR, VALUE, {"flow": flow})
    assert "1 season without a covariate left out" in found.notes
    assert found.coefficients["flow"].n == 9
    assert 2012 not in found.year


def test_messages() -> None:
    with pytest.raises(InputError, match="at least one covariate"):
        fit_covariates(YEAR, VALUE, {})
    with pytest.raises(InputError, match="one value a season"):
        fit_covariates(YEAR, VALUE, {"flow": FLOW[:3]})
    with pytest.raises(InputError, match="robust none, hc3 or hac"):
        fit_covariates(YEAR, VALUE, {"flow": FLOW}, robust="x")  # type: ignore[arg-type]
