"""Trends, steps and smoothed levels of a yearly index."""

from __future__ import annotations

import math

import numpy as np
from survey_case import Case, Drawn, Rng
from trend_table import SLOPE, simulate

from fishreport.methods.covariates import fit_covariates
from fishreport.methods.estimate import Estimate
from fishreport.methods.linear_trend import linear_trend
from fishreport.methods.state_space import local_level
from fishreport.methods.step_change import before_after
from fishreport.methods.trend import log_linear, sen_slope

PERCENT = 100 * math.expm1(SLOPE)


def lines(rng: Rng, n: int, rho: float) -> Drawn:
    """One season missed; seasons scatter by 0.2 of the logarithm, sampling error is 15 % and known."""
    year, value, se = simulate(rng, n, scatter=0.2, sampling=0.15, rho=rho)
    found: Drawn = {
        "log_linear": (log_linear(year, value, se=se).trend_per_year, PERCENT),
        "log_linear, ar1": (log_linear(year, value, se=se, correlation="ar1").trend_per_year, PERCENT),
        "sen_slope of logarithms": (sen_slope(year, np.log(value)), SLOPE),
    }
    if rho:
        found["sen_slope, ar1"] = (sen_slope(year, np.log(value), correction="ar1"), SLOPE)
    return found


def shares(rng: Rng, n: int) -> Drawn:
    """A share that rises by 1.5 points a year; seasons scatter by 4 points, sampling error is 5."""
    year = np.arange(n) + 2010
    se = 5 * np.exp(rng.normal(0, 0.3, n))
    value = 30 + 1.5 * (year - 2010) + rng.normal(0, 4, n) + rng.normal(0, se)
    return {"linear_trend": (linear_trend(year, value, se=se, units="percent").trend_per_year, 1.5)}


def step(rng: Rng, n: int) -> Drawn:
    """A rise of 40 % after half the seasons."""
    year = np.arange(n) + 2005
    se = 0.12 * np.exp(rng.normal(0, 0.3, n))
    after = year >= 2005 + n // 2
    value = np.exp(3 + math.log(1.4) * after + rng.normal(0, 0.15, n) + rng.normal(0, se))
    return {"before_after": (before_after(year, value, 2005 + n // 2, se=value * se).change, 40.0)}


def level(rng: Rng, n: int) -> Drawn:
    """The true level walks by 0.15 of the logarithm a year."""
    truth = 3 + np.cumsum(rng.normal(0, 0.15, n))
    se = 0.15 * np.exp(rng.normal(0, 0.3, n))
    value = np.exp(truth + rng.normal(0, se))
    found = local_level(np.arange(n) + 2005, value, se=value * se)
    last = (
        Estimate(float(found.level[-1]), math.nan, float(found.lower[-1]), float(found.upper[-1]), 0.95, "", "smoothed", n)
        if len(found.level)
        else Estimate.not_estimable("too few seasons")
    )
    return {
        "level of the last season": (last, math.exp(truth[-1])),
        "change, first to last": (found.change, 100 * math.expm1(truth[-1] - truth[0])),
        "process_sd": (found.process_sd, 0.15),
    }


def driver(rng: Rng, n: int) -> Drawn:
    """A covariate that lowers the index by 20 % a standard deviation, beside a trend."""
    year, value, se = simulate(rng, n + 1, scatter=0.2, sampling=0.15, rho=0.0)
    flow = rng.normal(0, 1, len(year))
    times = np.exp(math.log(0.8) * flow)
    fit = fit_covariates(year, value * times, {"flow": flow}, se=se * times)
    none = Estimate.not_estimable("too few seasons")
    return {"effect of a covariate": (fit.coefficients.get("flow", none), -20.0)}


_TREND = ("methods/trend.py",)

CASES = (
    Case("trend, seasons independent", "Trend", "seasons", (6, 11, 21), lambda r, n: lines(r, n, 0.0), _TREND, most=300),
    Case("trend, seasons correlated 0.4", "Trend", "seasons", (6, 11, 21), lambda r, n: lines(r, n, 0.4), _TREND, most=300),
    Case("linear_trend", "Trend", "seasons", (6, 11, 21), shares, ("methods/linear_trend.py",)),
    Case("before_after", "Trend", "seasons", (6, 12, 20), step, ("methods/step_change.py",), scale={"before_after": 100.0}),
    Case("local_level", "Trend", "seasons", (6, 11, 21), level, ("methods/state_space.py",),
         scale={"change, first to last": 100.0, "process_sd": 0.15}),
    Case("fit_covariates", "Trend", "seasons", (8, 12, 21), driver, ("methods/covariates.py",)),
)  # fmt: skip
