"""How often intervals hold the truth in simulated surveys: clustered lengths, negative binomial catches.

The part run with the tests is small: with 400 surveys an interval of true coverage 92 % falls under 88 % about twice in a
thousand. `python tests/calibration/test_run_interval_coverage.py 4000` prints the long form.
"""

from __future__ import annotations

import sys

import numpy as np
import pandas as pd
import pytest

from fishreport.methods.catch_rate import fit_catch_model, mean_catch_rate, standardised_index, stratified_catch_rate
from fishreport.methods.condition import mean_relative_weight
from fishreport.methods.length_weight import fit_length_weight
from fishreport.methods.resampling import cluster_bootstrap
from fishreport.methods.size_structure import length_quantile, mean_length, proportional_size
from fishreport.species import load_standards

RUNS = (6, 12, 48)
Shares = dict[str, float]


def catch_rates(runs: int, surveys: int, rng: np.random.Generator) -> Shares:
    """Catches with mean 0.5, 3 and 15 a run and size 0.5, 1 and 2 of the negative binomial."""
    found = {}
    for mean, size in ((0.5, 0.5), (3.0, 1.0), (15.0, 2.0)):
        held = 0
        for _ in range(surveys):
            effort = rng.uniform(0.12, 0.22, runs)
            catch = rng.poisson(mean / 0.17 * effort * rng.gamma(size, 1 / size, runs))
            got = mean_catch_rate(catch, effort)
            held += got.lower <= mean / 0.17 <= got.upper
        found[f"catch rate, {mean:g} fish a run"] = held / surveys
    return found


def stratified(runs: int, surveys: int, rng: np.random.Generator) -> Shares:
    held = 0
    stratum = np.arange(runs) % 2
    for _ in range(surveys):
        effort = rng.uniform(0.12, 0.22, runs)
        catch = rng.poisson(np.array([10.0, 60.0])[stratum] * effort * rng.gamma(1.0, 1.0, runs))
        got = stratified_catch_rate(catch, effort, stratum, weight={0: 3, 1: 1})
        held += got.lower <= 0.75 * 10 + 0.25 * 60 <= got.upper
    return {"stratified catch rate": held / surveys}


def lengths(runs: int, surveys: int, rng: np.random.Generator) -> Shares:
    """About 8 fish a run, numbers clumped; a fifth of the variance of length lies between runs."""
    names = ("proportional size", "mean length", "median length", "bootstrap of proportional size")
    held = dict.fromkeys(names, 0)
    big = rng.normal(size=2_000_000) * 60 + 300
    truth = {"proportional size": 100 * (big >= 330).mean() / (big >= 200).mean(), "mean length": 300.0, "median length": 300.0}
    truth["bootstrap of proportional size"] = truth["proportional size"] / 100
    for _ in range(surveys):
        size = np.maximum(rng.poisson(rng.gamma(1.5, 8 / 1.5, runs)), 1)
        run = np.repeat(np.arange(runs), size)
        length = 300 + 60 * (np.sqrt(0.2) * rng.normal(size=runs)[run] + np.sqrt(0.8) * rng.normal(size=len(run)))
        length = length.clip(20)
        totals = np.column_stack([np.bincount(run, length >= bound, minlength=runs) for bound in (330, 200)])
        answers = {
            "proportional size": proportional_size(length, stock=200, bound=330, run=run),
            "mean length": mean_length(length, run=run),
            "median length": length_quantile(length, 0.5, run=run),
            "bootstrap of proportional size": cluster_bootstrap(totals, "ratio", rng=rng, resamples=400, method="bca"),
        }
        for name, got in answers.items():
            held[name] += got.lower <= truth[name] <= got.upper
    return {name: count / surveys for name, count in held.items()}


def weights(runs: int, surveys: int, rng: np.random.Generator) -> Shares:
    """About 8 fish a run that share some of their condition: slope of the length-weight line and mean relative weight."""
    standard = load_standards().find("brown trout (lotic)")
    held = {"length-weight slope": 0, "mean relative weight": 0}
    truth = {"length-weight slope": standard.slope, "mean relative weight": 93.0}
    for _ in range(surveys):
        size = np.maximum(rng.poisson(rng.gamma(1.5, 8 / 1.5, runs)), 1)
        run = np.repeat(np.arange(runs), size)
        length = rng.uniform(150, 450, len(run))
        condition = 0.93 + 0.04 * rng.normal(size=runs)[run] + 0.07 * rng.normal(size=len(run))
        weight = standard.standard_weight(length) * condition
        answers = {
            "length-weight slope": fit_length_weight(length, weight, run=run).slope,
            "mean relative weight": mean_relative_weight(length, weight, standard, run=run),
        }
        for name, got in answers.items():
            held[name] += got.lower <= truth[name] <= got.upper
    return {name: count / surveys for name, count in held.items()}


def indices(sites: int, surveys: int, rng: np.random.Generator) -> Shares:
    """Six seasons, three runs a site, sites that have good and bad seasons of their own; interval of every season."""
    held, total = {"index, model": 0, "index, clusters of site and season": 0}, 0
    season, site = (a.ravel() for a in np.mgrid[0:6, 0 : sites * 3])
    site = site // 3
    for _ in range(surveys):
        level, year = rng.normal(0, 0.5, sites), rng.normal(0, 0.3, 6)
        own = rng.normal(-(0.3**2) / 2, 0.3, (6, sites))
        effort = rng.uniform(0.12, 0.22, len(site))
        mean = 20 * effort * np.exp(level[site] + year[season] + own[season, site])
        frame = pd.DataFrame({"season": season + 2020, "site": [f"S{s:02d}" for s in site], "effort_h": effort})
        frame["catch"] = rng.poisson(mean * rng.gamma(1.5, 1 / 1.5, len(site)))
        truth = 20 * np.exp(year) * np.exp(level).mean()
        mix = frame.drop_duplicates("site")
        total += 6
        for name, cluster in (("index, model", None), ("index, clusters of site and season", ["site", "season"])):
            index = standardised_index(fit_catch_model(frame, terms="season + site", cluster=cluster), mix)
            held[name] += sum(got.lower <= true <= got.upper for got, true in zip(index.values(), truth, strict=True))
    return {name: count / total for name, count in held.items()}


def show(where: str, found: Shares) -> None:
    for name, share in found.items():
        print(f"{where}: {name}: 95 % interval held the truth in {100 * share:.1f} %")


@pytest.mark.calibration
@pytest.mark.parametrize("runs", RUNS)
def test_coverage(runs: int, rng: np.random.Generator) -> None:
    found = catch_rates(runs, 400, rng) | stratified(runs, 400, rng) | lengths(runs, 400, rng) | weights(runs, 400, rng)
    show(f"{runs} runs", found)
    assert min(found.values()) >= 0.88, found


@pytest.mark.calibration
def test_coverage_of_the_index(rng: np.random.Generator) -> None:
    """Of 60 surveys × 6 seasons; the model that takes runs of a site in a season as independent is expected to fall short."""
    found = indices(12, 60, rng)
    show("12 sites", found)
    assert found["index, clusters of site and season"] >= 0.88
    assert found["index, clusters of site and season"] >= found["index, model"]


if __name__ == "__main__":
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    generator = np.random.default_rng(1)
    for number in RUNS:
        for part in (catch_rates, stratified, lengths, weights):
            show(f"{number} runs", part(number, count, generator))
    for number in (6, 12):
        show(f"{number} sites", indices(number, count // 20, generator))
