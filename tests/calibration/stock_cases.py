"""Mortality and population size."""

from __future__ import annotations

import math

import numpy as np
from mortality_abundance_table import (
    draw_ages,
    draw_cohorts,
    draw_mortality,
    draw_petersen,
    draw_removal,
    draw_schnabel,
    draw_stratified,
)
from survey_case import Case, Drawn, Rng, same_truth

from fishreport.methods.abundance import catchability, population_from_catch_rate
from fishreport.methods.estimate import Estimate
from fishreport.methods.mortality import chapman_robson
from fishreport.methods.mortality_rates import fishing_mortality

Z = 0.6


def mortality(rng: Rng, fish: int, cv: float, known_age: bool) -> Drawn:
    found = draw_mortality(rng, fish, Z, cv, known_age)
    found.pop("Chapman-Robson, no chat")
    return same_truth(found, Z)


def survival(rng: Rng, fish: int) -> Drawn:
    ages, counts = draw_ages(rng, fish, Z, 0.0)
    return {"annual survival": (chapman_robson(ages, counts, from_age=0).annual_survival, math.exp(-Z))}


def fishing(rng: Rng, fish: int) -> Drawn:
    """Z by Chapman and Robson, and an independent M of 0.3 with a standard error of 0.03; F is 0.3."""
    ages, counts = draw_ages(rng, fish, Z, 0.0)
    total = chapman_robson(ages, counts, from_age=0).total_mortality
    value = float(rng.normal(0.3, 0.03))
    natural = Estimate(value, 0.03, value - 0.059, value + 0.059, 0.95, "1/year", "simulated", 100)
    return {"F": (fishing_mortality(total, natural), Z - 0.3)}


def cohorts(rng: Rng, fish: int) -> Drawn:
    return same_truth(draw_cohorts(rng, fish, Z, 0.6, 6), Z)


def two_events(rng: Rng, events: int) -> Drawn:
    """As many fish marked as caught later, so that about `events` are recaptured of 2,000."""
    each = round(math.sqrt(2000 * events))
    return same_truth(draw_petersen(rng, 2000, each, each), 2000.0)


def several_events(rng: Rng, catch: int) -> Drawn:
    return same_truth(draw_schnabel(rng, 1500, 8, catch), 1500.0)


def strata(rng: Rng, percent: int) -> Drawn:
    """Four classes with 0.6, 1, 1.4 and 2 times the chance of capture given."""
    chances = tuple(percent / 100 * factor for factor in (0.6, 1.0, 1.4, 2.0))
    found = draw_stratified(rng, chances)
    return {"stratified Petersen": (found["stratified Petersen"], 1700.0)}


def passes(rng: Rng, population: int, p: float) -> Drawn:
    found = draw_removal(rng, population, p)
    truth = {"removal, likelihood": float(population), "removal, weighted": float(population), "removal, p": p}
    return same_truth(found, truth)


def linked(rng: Rng, pairs: int) -> Drawn:
    """Waters with a census and a catch rate; catchability varies by 25 % between them, each estimate by 15 %."""
    population = rng.uniform(300, 3000, pairs + 1)
    rate = 0.05 * population * np.exp(rng.normal(0, 0.25, pairs + 1)) * np.exp(rng.normal(0, 0.15, pairs + 1))
    census = population * np.exp(rng.normal(0, 0.15, pairs + 1))
    link = catchability(rate[:pairs], census[:pairs], catch_rate_se=0.15 * rate[:pairs], population_se=0.15 * census[:pairs])
    new = Estimate(float(rate[-1]), 0.15 * float(rate[-1]), 0.0, math.inf, 0.95, "fish/h", "simulated", 12)
    return {
        "q": (link.catchability, 0.05),
        "exponent": (link.exponent, 1.0),
        "population from a catch rate": (population_from_catch_rate(new, link), float(population[-1])),
    }


_CURVE = ("methods/mortality.py", "methods/catch_curve.py")

CASES = (
    Case("catch curves, even recruitment", "Mortality", "fish on the limb", (30, 100, 400),
         lambda r, n: mortality(r, n, 0.0, True), _CURVE),
    Case("catch curves, recruitment CV 0.3", "Mortality", "fish on the limb", (30, 100, 400),
         lambda r, n: mortality(r, n, 0.3, True), _CURVE),
    Case("catch curves, CV 0.3, peak found", "Mortality", "aged fish", (60, 200, 400),
         lambda r, n: mortality(r, n, 0.3, False), _CURVE),
    Case("chapman_robson, survival", "Mortality", "fish on the limb", (30, 100, 400), survival, _CURVE),
    Case("cohort_mortality, recruitment CV 0.6", "Mortality", "fish a season, 6 seasons", (40, 100, 400), cohorts,
         ("methods/mortality_seasons.py",), most=500),
    Case("rates: fishing_mortality", "Mortality", "fish on the limb", (30, 100, 400), fishing, ("methods/mortality_rates.py",)),
    Case("petersen", "Abundance", "expected recaptures", (5, 20, 80), two_events, ("methods/abundance.py",)),
    Case("schnabel, schumacher_eschmeyer", "Abundance", "fish an event, 8 events", (20, 40, 80), several_events,
         ("methods/multiple_census.py",)),
    Case("stratified_petersen", "Abundance", "percent caught an event", (10, 14, 25), strata, ("methods/abundance.py",)),
    Case("removal, 3 passes, p 0.6", "Abundance", "fish present", (30, 100, 300), lambda r, n: passes(r, n, 0.6),
         ("methods/removal.py",)),
    Case("removal, 3 passes, p 0.4", "Abundance", "fish present", (30, 100, 300), lambda r, n: passes(r, n, 0.4),
         ("methods/removal.py",)),
    Case("catchability, population_from_catch_rate", "Abundance", "pairs", (4, 10, 30), linked, ("methods/catchability.py",)),
)  # fmt: skip
