"""Growth curves by age and by recapture, and growth of stocked cohorts."""

from __future__ import annotations

import numpy as np
from growth_table import LINF, T0, K, draw_aged, draw_growth, draw_recapture_growth, true_length
from survey_case import Case, Drawn, Rng, same_truth

from fishreport.methods.growth import average_growth, cohort_growth, fit_gompertz, fit_logistic

TRUTH = {"Linf": LINF, "K": K, "t0": T0, "length at 3": float(true_length(np.array([3.0]))[0])}
_OTHER = {"gompertz": (fit_gompertz, 520.0, 0.55, 1.4), "logistic": (fit_logistic, 510.0, 0.75, 2.0)}


def by_age(rng: Rng, n: int, scatter: str, errors: str, interval: str) -> Drawn:
    return same_truth(draw_growth(rng, n, scatter, errors, interval), TRUTH)


def other_curve(rng: Rng, n: int, curve: str) -> Drawn:
    fit, top, speed, turn = _OTHER[curve]
    age = rng.choice(np.arange(1, 9), n, p=np.exp(-0.5 * np.arange(1, 9)) / np.exp(-0.5 * np.arange(1, 9)).sum()).astype(float)
    bend = np.exp(-speed * (age - turn))
    mean = top * np.exp(-bend) if curve == "gompertz" else top / (1 + bend)
    found = fit(age, np.clip(rng.normal(mean, 25.0), 10, None))
    return {"Linf": (found.asymptotic_length, top), "K": (found.growth_coefficient, speed)}


def averaged(rng: Rng, n: int) -> Drawn:
    """The truth is von Bertalanffy's curve, one of those averaged."""
    from fishreport.methods.estimate import Estimate

    result = average_growth(*draw_aged(rng, n, "constant"))
    at = result.predict([3.0]).iloc[0]
    length = Estimate(at["length_mm"], at["se"], at["lower"], at["upper"], 0.95, "mm", "averaged", n)
    return {"Linf": (result.asymptotic_length, LINF), "length at 3": (length, TRUTH["length at 3"])}


def by_recapture(rng: Rng, n: int, cv: float, variation: str) -> Drawn:
    return same_truth(draw_recapture_growth(rng, n, cv, variation, "profile"), {"Linf": LINF, "K": K})


def cohort(rng: Rng, n: int) -> Drawn:
    """A marked cohort seen after 0.5, 1.5 and 2.5 years; scatter grows with time."""
    years = rng.choice([0.5, 1.5, 2.5], n)
    length = rng.normal(200 + 70 * years, 12 + 6 * years)
    return {"growth a year": (cohort_growth(years, length).growth_rate, 70.0)}


_AGE = ("methods/length_at_age.py", "methods/growth.py")


def _aged(name: str, scatter: str, errors: str, interval: str) -> Case:
    return Case(
        f"fit_von_bertalanffy, {name}",
        "Growth",
        "aged fish",
        (30, 100, 400),
        lambda r, n: by_age(r, n, scatter, errors, interval),
        _AGE,
        most=500,
        scale={"t0": 1.0},
    )


CASES = (
    _aged("profile", "constant", "constant", "profile"),
    _aged("profile, kind of scatter chosen", "proportional", "chosen", "profile"),
    _aged("bootstrap", "proportional", "constant", "bootstrap"),
    *(
        Case(f"fit_{curve}, profile", "Growth", "aged fish", (30, 100, 400), lambda r, n, c=curve: other_curve(r, n, c), _AGE,
             most=300)
        for curve in _OTHER
    ),
    Case("average_growth", "Growth", "aged fish", (30, 100, 400), averaged, ("methods/growth_average.py",), most=200),
    Case("fit_recapture_growth, fish alike", "Growth", "recaptured fish", (12, 40, 100),
         lambda r, n: by_recapture(r, n, 0.0, "none"), ("methods/recapture_growth.py",), most=500),
    Case("fit_recapture_growth, variation between fish", "Growth", "recaptured fish", (12, 40, 100),
         lambda r, n: by_recapture(r, n, 0.08, "between fish"), ("methods/recapture_growth.py",), most=200),
    Case("cohort_growth", "Growth", "marked fish", (10, 40, 150), cohort, ("methods/cohort_growth.py",)),
)  # fmt: skip
