"""Growth in length: from aged fish, from recaptures, from marked stocked cohorts, and from the modes of lengths."""

from __future__ import annotations

from typing import Any

import numpy as np

from fishreport.methods.cohort_growth import CohortGrowth, cohort_growth
from fishreport.methods.growth_average import AverageGrowth, average_growth
from fishreport.methods.growth_comparison import GrowthComparison, compare_growth
from fishreport.methods.growth_fit import ExpectedLengths, GrowthFit
from fishreport.methods.length_at_age import Errors, Interval, fit_growth
from fishreport.methods.length_modes import LengthModes, fit_length_modes
from fishreport.methods.recapture_growth import RecaptureGrowth, fit_recapture_growth

__all__ = [
    "AverageGrowth",
    "CohortGrowth",
    "ExpectedLengths",
    "GrowthComparison",
    "GrowthFit",
    "LengthModes",
    "RecaptureGrowth",
    "average_growth",
    "cohort_growth",
    "compare_growth",
    "fit_gompertz",
    "fit_growth",
    "fit_length_modes",
    "fit_logistic",
    "fit_recapture_growth",
    "fit_richards",
    "fit_von_bertalanffy",
]


def fit_von_bertalanffy(
    age: Any,
    length_mm: Any,
    *,
    level: float = 0.95,
    errors: Errors = "constant",
    interval: Interval = "profile",
    resamples: int = 2000,
    rng: np.random.Generator | None = None,
    minimum: int = 4,
) -> GrowthFit:
    """Von Bertalanffy curve, ``L(t) = Linf [1 - exp(-K (t - t0))]`` (von Bertalanffy 1938; Beverton and Holt 1957).

    Arguments, result, standard errors, intervals and when it is not estimable: see `fit_growth`. The lengths may be means at
    age, one a row; then n is the number of means.
    """
    return fit_growth(
        "von_bertalanffy",
        age,
        length_mm,
        level=level,
        errors=errors,
        interval=interval,
        resamples=resamples,
        rng=rng,
        minimum=minimum,
    )


def fit_gompertz(
    age: Any,
    length_mm: Any,
    *,
    level: float = 0.95,
    errors: Errors = "constant",
    interval: Interval = "profile",
    resamples: int = 2000,
    rng: np.random.Generator | None = None,
    minimum: int = 4,
) -> GrowthFit:
    """Gompertz curve, ``L(t) = Linf exp(-exp(-K (t - t_i)))`` with t_i the age at the inflection (Winsor 1932).

    Arguments, result, standard errors, intervals and when it is not estimable: see `fit_growth`.
    """
    return fit_growth(
        "gompertz", age, length_mm, level=level, errors=errors, interval=interval, resamples=resamples, rng=rng, minimum=minimum
    )


def fit_logistic(
    age: Any,
    length_mm: Any,
    *,
    level: float = 0.95,
    errors: Errors = "constant",
    interval: Interval = "profile",
    resamples: int = 2000,
    rng: np.random.Generator | None = None,
    minimum: int = 4,
) -> GrowthFit:
    """Logistic curve, ``L(t) = Linf / [1 + exp(-K (t - t_i))]`` with t_i the age at the inflection.

    Arguments, result, standard errors, intervals and when it is not estimable: see `fit_growth`.
    """
    return fit_growth(
        "logistic", age, length_mm, level=level, errors=errors, interval=interval, resamples=resamples, rng=rng, minimum=minimum
    )


def fit_richards(
    age: Any,
    length_mm: Any,
    *,
    level: float = 0.95,
    errors: Errors = "constant",
    interval: Interval = "profile",
    resamples: int = 2000,
    rng: np.random.Generator | None = None,
    minimum: int = 5,
) -> GrowthFit:
    """Richards curve, ``L(t) = Linf [1 + (m - 1) exp(-K (t - t_i))]^(1 / (1 - m))`` (Richards 1959), m between -0.5 and 4.

    The other three are its cases m = 0, 1 and 2. Its four parameters need many fish at many ages. For the arguments, result,
    standard errors, intervals and when it is not estimable: see `fit_growth`.
    """
    return fit_growth(
        "richards", age, length_mm, level=level, errors=errors, interval=interval, resamples=resamples, rng=rng, minimum=minimum
    )
