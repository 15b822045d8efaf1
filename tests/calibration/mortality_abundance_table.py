"""Bias and coverage of the mortality and abundance estimators on simulated surveys with known truth.

Run it: ``python tests/calibration/mortality_abundance_table.py [--repeats 1000] [--seed 1] [--only removal]``.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterator

import numpy as np
import pandas as pd

from fishreport.methods.abundance import petersen, removal, schnabel, schumacher_eschmeyer, stratified_petersen
from fishreport.methods.estimate import Estimate
from fishreport.methods.mortality import catch_curve, chapman_robson, poisson_catch_curve
from fishreport.methods.mortality_seasons import cohort_mortality

Rng = np.random.Generator
Drawn = dict[str, Estimate]


def year_classes(rng: Rng, number: int, cv: float) -> np.ndarray:
    """Recruitment of each year class, lognormal with mean 1 and the given CV."""
    spread = np.sqrt(np.log1p(cv**2))
    return np.exp(rng.normal(-(spread**2) / 2, spread, number))


def draw_ages(rng: Rng, fish: int, z: float, cv: float, young: float = 1.0) -> tuple[np.ndarray, np.ndarray]:
    """Ages 0 to 15 and a sample of `fish`; the youngest age is caught `young` times as well as the others."""
    ages = np.arange(16)
    share = year_classes(rng, 16, cv) * np.exp(-z * ages)
    share[0] *= young
    counts = rng.multinomial(fish, share / share.sum())
    oldest = int(counts.nonzero()[0].max()) + 1
    return ages[:oldest], counts[:oldest]


def draw_mortality(rng: Rng, fish: int, z: float, cv: float, known_age: bool) -> Drawn:
    ages, counts = draw_ages(rng, fish, z, cv, 1.0 if known_age else 0.25)
    options = {"from_age": 0} if known_age else {}
    return {
        "Chapman-Robson": chapman_robson(ages, counts, **options).total_mortality,
        "Chapman-Robson, no chat": chapman_robson(ages, counts, overdispersion=False, **options).total_mortality,
        "weighted regression": catch_curve(ages, counts, **options).total_mortality,
        "Poisson": poisson_catch_curve(ages, counts, **options).total_mortality,
    }


def draw_cohorts(rng: Rng, fish: int, z: float, cv: float, seasons: int) -> Drawn:
    """About `fish` a season, in Poisson numbers, with the same effort every season."""
    births = year_classes(rng, 9 + seasons, cv)
    season, age = np.repeat(np.arange(seasons), 9), np.tile(np.arange(9), seasons)
    share = np.exp(-z * age) / np.exp(-z * np.arange(9)).sum()
    count = rng.poisson(fish * births[9 + season - age - 1] * share)
    return {f"cohorts, {seasons} seasons": cohort_mortality(season, age, count, from_age=0).total_mortality}


def draw_petersen(rng: Rng, population: int, marked: int, caught: int) -> Drawn:
    found = int(rng.hypergeometric(marked, population - marked, caught))
    return {"Petersen (Chapman)": petersen(marked, caught, found)}


def draw_schnabel(rng: Rng, population: int, events: int, catch: int) -> Drawn:
    at_large, recaptured = 0, []
    for _ in range(events):
        recaptured.append(int(rng.hypergeometric(at_large, population - at_large, catch)))
        at_large += catch - recaptured[-1]
    caught = [catch] * events
    return {
        "Schnabel": schnabel(caught, recaptured),
        "Schnabel, Chapman": schnabel(caught, recaptured, form="chapman"),
        "Schumacher-Eschmeyer": schumacher_eschmeyer(caught, recaptured),
    }


def draw_stratified(rng: Rng, chances: tuple[float, ...]) -> Drawn:
    sizes = np.array([800, 500, 300, 100])
    marked, caught = rng.binomial(sizes, chances), rng.binomial(sizes, chances)
    result = stratified_petersen(marked, caught, rng.hypergeometric(marked, sizes - marked, caught))
    return {"stratified Petersen": result.population_size, "the same, one class": result.unstratified}


def draw_removal(rng: Rng, population: int, p: float, passes: int = 3) -> Drawn:
    left, catches = population, []
    for _ in range(passes):
        catches.append(int(rng.binomial(left, p)))
        left -= catches[-1]
    fits = {method: removal(catches, method=method) for method in ("likelihood", "whole", "weighted")}
    return {f"removal, {method}": fit.population_size for method, fit in fits.items()} | {
        "removal, p": fits["likelihood"].capture_probability
    }


def scenarios() -> Iterator[tuple[str, str, dict[str, float] | float, Callable[[Rng], Drawn]]]:
    """Group, description, truth (of all, or by estimator) and one draw."""
    for cv in (0.0, 0.3, 0.6):
        for fish in (30, 100, 400):
            for z in (0.5, 1.0):
                yield (
                    "mortality",
                    f"{fish} fish on the limb, Z {z}, recruitment CV {cv}",
                    z,
                    lambda rng, a=(fish, z, cv): draw_mortality(rng, *a, known_age=True),
                )
    for fish in (60, 200, 400):
        yield (
            "mortality",
            f"{fish} fish aged, peak found, Z 0.6, recruitment CV 0.3",
            0.6,
            lambda rng, n=fish: draw_mortality(rng, n, 0.6, 0.3, known_age=False),
        )
    for cv in (0.3, 0.6):
        yield "cohorts", f"100 fish a season, Z 0.6, CV {cv}", 0.6, lambda rng, cv=cv: draw_cohorts(rng, 100, 0.6, cv, 6)
    for marked, caught in ((100, 100), (150, 135), (200, 200), (280, 290)):
        yield (
            "petersen",
            f"{marked * caught / 2000:.0f} recaptures",
            2000,
            lambda rng, a=(2000, marked, caught): draw_petersen(rng, *a),
        )
    for population, events, catch in ((1500, 5, 40), (1500, 8, 40), (400, 8, 30)):
        yield (
            "schnabel",
            f"N {population}, {events} events of {catch} fish",
            population,
            lambda rng, a=(population, events, catch): draw_schnabel(rng, *a),
        )
    for chances in ((0.06, 0.1, 0.14, 0.2), (0.1, 0.14, 0.18, 0.25)):
        recaptures = float(np.dot([800, 500, 300, 100], np.square(chances)))
        yield "stratified", f"{recaptures:.0f} recaptures in 4 classes", 1700, lambda rng, c=chances: draw_stratified(rng, c)
    for population in (30, 100, 300):
        for p in (0.3, 0.5, 0.7):
            yield (
                "removal",
                f"N {population}, p {p}",
                {"removal, p": p, "": population},
                lambda rng, a=(population, p): draw_removal(rng, *a),
            )


def measure(draw: Callable[[Rng], Drawn], truth: dict[str, float] | float, repeats: int, rng: Rng) -> pd.DataFrame:
    """Share estimable, mean and median relative bias, coverage (of the estimable), misses on either side, no upper limit."""
    drawn: dict[str, list[Estimate]] = {}
    for _ in range(repeats):
        for name, estimate in draw(rng).items():
            drawn.setdefault(name, []).append(estimate)
    rows = []
    for name, estimates in drawn.items():
        true = truth.get(name, truth[""]) if isinstance(truth, dict) else truth
        found = pd.DataFrame([(e.value, e.lower, e.upper) for e in estimates if e.estimable], columns=["value", "lower", "upper"])
        held = (found["lower"] <= true) & (true <= found["upper"])
        rows.append(
            {
                "estimator": name,
                "estimable": len(found) / repeats,
                "bias": found["value"].mean() / true - 1,
                "median_bias": found["value"].median() / true - 1,
                "coverage": held.mean(),
                "all_below": (found["upper"] < true).mean(),
                "all_above": (found["lower"] > true).mean(),
                "no_upper": np.isinf(found["upper"]).mean(),
            }
        )
    return pd.DataFrame(rows)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--repeats", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="", help="a group: mortality, cohorts, petersen, schnabel, stratified, removal")
    options = parser.parse_args()
    rng = np.random.default_rng(options.seed)
    for group, description, truth, draw in scenarios():
        if options.only in ("", group):
            print(f"\n{group}: {description}")
            print(measure(draw, truth, options.repeats, rng).round(3).to_string(index=False), flush=True)


if __name__ == "__main__":
    main()
