"""Catch rates, the standardised index and the number of runs, under surveys with clumped catches."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
from survey_case import Case, Drawn, Rng

from fishreport.methods.catch_rate import fit_catch_model, mean_catch_rate, standardised_index, stratified_catch_rate
from fishreport.methods.contrast import difference, percent_change
from fishreport.methods.estimate import Estimate
from fishreport.methods.precision import runs_needed, units_needed

HOURS = (0.12, 0.22)
"""Shortest and longest run (h)."""


def draw_catch(rng: Rng, rate: float | np.ndarray, size: float, runs: int) -> tuple[np.ndarray, np.ndarray]:
    """Catch and effort of runs; negative binomial catches of the given size, `rate` in fish/h."""
    effort = rng.uniform(*HOURS, runs)
    return rng.poisson(rate * effort * rng.gamma(size, 1 / size, runs)), effort


def rate_of(rng: Rng, runs: int, fish: float, size: float) -> Drawn:
    rate = fish / 0.17
    return {"catch rate": (mean_catch_rate(*draw_catch(rng, rate, size, runs)), rate)}


def rate_of_sites(rng: Rng, sites: int) -> Drawn:
    """Three runs at each site; sites differ with a standard deviation of 0.5 of the logarithm."""
    site = np.repeat(np.arange(sites), 3)
    own = np.exp(rng.normal(-(0.5**2) / 2, 0.5, sites))[site]
    catch, effort = draw_catch(rng, 60 * own, 1.5, len(site))
    return {"catch rate": (mean_catch_rate(catch, effort, site=site), 60.0)}


def rate_of_strata(rng: Rng, runs: int) -> Drawn:
    stratum = np.arange(runs) % 2
    catch, effort = draw_catch(rng, np.array([10.0, 60.0])[stratum], 1.0, runs)
    return {"catch rate": (stratified_catch_rate(catch, effort, stratum, weight={0: 3, 1: 1}), 0.75 * 10 + 0.25 * 60)}


def change_of_rate(rng: Rng, runs: int) -> Drawn:
    before, after = (mean_catch_rate(*draw_catch(rng, rate, 2.0, runs)) for rate in (60.0, 80.0))
    return {"difference": (difference(before, after), 20.0), "percent change": (percent_change(before, after), 100 / 3)}


def model_of_catch(rng: Rng, sites: int) -> Drawn:
    """Three seasons, two runs at every site; sites differ; the model is right."""
    season, site = (a.ravel() for a in np.mgrid[0:3, 0 : sites * 2])
    site = site // 2
    level = rng.normal(0, 0.5, sites)
    effect = np.array([0.0, 0.3, -0.4])
    catch, effort = draw_catch(rng, 60 * np.exp(level[site] + effect[season]), 2.0, len(site))
    frame = pd.DataFrame({"season": season + 2020, "site": [f"S{s:03d}" for s in site], "effort_h": effort, "catch": catch})
    model = fit_catch_model(frame, terms="season + site")
    index = standardised_index(model, frame.drop_duplicates("site"))
    none = Estimate.not_estimable("no model")
    return {
        "season coefficient": (model.coefficients.get("season[2022]", none), -0.4),
        "dispersion": (model.dispersion, 0.5),
        "index of a season": (index[2021], 60 * math.exp(0.3) * float(np.exp(level).mean())),
    }


def index_of_catch(rng: Rng, sites: int) -> Drawn:
    """Six seasons, three runs a site, sites with good and bad seasons of their own; as the report fits it."""
    season, site = (a.ravel() for a in np.mgrid[0:6, 0 : sites * 3])
    site = site // 3
    level, year = rng.normal(0, 0.5, sites), rng.normal(0, 0.3, 6)
    own = rng.normal(-(0.3**2) / 2, 0.3, (6, sites))
    catch, effort = draw_catch(rng, 60 * np.exp(level[site] + year[season] + own[season, site]), 1.5, len(site))
    frame = pd.DataFrame({"season": season + 2020, "site": [f"S{s:03d}" for s in site], "effort_h": effort, "catch": catch})
    model = fit_catch_model(frame, terms="season + site", cluster=["site", "season"])
    index = standardised_index(model, frame.drop_duplicates("site"))
    return {"index of a season": (index[2023], 60 * math.exp(year[3]) * float(np.exp(level).mean()))}


def needed(rng: Rng, runs: int) -> Drawn:
    effort = (HOURS[1] - HOURS[0]) ** 2 / 12 + 0.17**2
    cv = math.sqrt(60 * 0.17 + 60**2 * effort / 2.0) / (60 * 0.17)
    return {"runs needed": (runs_needed(*draw_catch(rng, 60.0, 2.0, runs)), float(units_needed(cv, 0.25)))}


_RATE = ("methods/catch_rate.py",)
_MODEL = ("methods/catch_model.py", "methods/catch_index.py")

CASES = (
    Case(
        "mean_catch_rate, 3 fish a run, k 1", "Catch rate", "runs", (6, 24, 60), lambda r, n: rate_of(r, n, 3, 1), _RATE,
    ),
    Case(
        "mean_catch_rate, 0.5 fish a run, k 0.5", "Catch rate", "runs", (6, 24, 60), lambda r, n: rate_of(r, n, 0.5, 0.5), _RATE,
    ),
    Case(
        "mean_catch_rate, 15 fish a run, k 2", "Catch rate", "runs", (6, 24, 60), lambda r, n: rate_of(r, n, 15, 2), _RATE,
    ),
    Case(
        "mean_catch_rate, sites as units", "Catch rate", "sites of 3 runs", (4, 12, 30), rate_of_sites, _RATE,
    ),
    Case(
        "stratified_catch_rate", "Catch rate", "runs in 2 strata", (6, 24, 60), rate_of_strata, _RATE,
    ),
    Case(
        "difference, percent_change of two rates", "Catch rate", "runs a season", (6, 24, 60), change_of_rate,
        ("methods/contrast.py", *_RATE), scale={"difference": 60.0, "percent change": 100.0},
    ),
    Case("fit_catch_model, site and season", "Catch rate", "sites", (6, 12, 24), model_of_catch, _MODEL, most=500),
    Case("standardised_index, clusters of site and season", "Catch rate", "sites", (6, 12, 24), index_of_catch, _MODEL, most=300),
    Case(
        "runs_needed", "Catch rate", "runs", (8, 24, 60), needed, ("methods/precision.py",),
    ),
)  # fmt: skip
