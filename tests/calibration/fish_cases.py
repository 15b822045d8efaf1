"""Size structure, length and weight, condition, harm, and ages by a key, under surveys whose fish come in runs."""

from __future__ import annotations

import math

import numpy as np
from growth_table import SHARES, draw_composition
from scipy import special
from survey_case import Case, Drawn, Rng, same_truth

from fishreport.methods.age_reading import reader_agreement
from fishreport.methods.condition import condition_factor, handling_mortality, mean_relative_weight, relative_weight_trend
from fishreport.methods.estimate import Estimate
from fishreport.methods.length_distribution import length_quantile, mean_length
from fishreport.methods.length_weight import fit_length_weight
from fishreport.methods.size_structure import proportional_size
from fishreport.species import load_standards

STANDARD = load_standards().find("brown trout (lotic)")
MEAN, SD, STOCK = 300.0, 60.0, 200.0


def share_above(length: float) -> float:
    return float(special.ndtr((MEAN - length) / SD))


def runs_of_fish(rng: Rng, runs: int) -> np.ndarray:
    """The run of each fish: about 8 fish a run, clumped, at least one."""
    size = np.maximum(rng.poisson(rng.gamma(1.5, 8 / 1.5, runs)), 1)
    return np.repeat(np.arange(runs), size)


def lengths_of(rng: Rng, run: np.ndarray, alike: float) -> np.ndarray:
    """Normal lengths (mm), `alike` of their variance between runs."""
    between = rng.normal(size=int(run.max()) + 1)[run]
    return np.clip(MEAN + SD * (math.sqrt(alike) * between + math.sqrt(1 - alike) * rng.normal(size=len(run))), 20, None)


def sizes_in_runs(rng: Rng, runs: int) -> Drawn:
    run = runs_of_fish(rng, runs)
    length = lengths_of(rng, run, 0.2)
    answers: Drawn = {
        f"share of {bound} mm": (
            proportional_size(length, stock=STOCK, bound=bound, run=run),
            100 * share_above(bound) / share_above(STOCK),
        )
        for bound in (330, 420)
    }
    answers["mean length"] = mean_length(length, run=run), MEAN
    answers["median length"] = length_quantile(length, 0.5, run=run), MEAN
    return answers


def sizes_alone(rng: Rng, fish: int) -> Drawn:
    length = np.clip(rng.normal(MEAN, SD, fish), 20, None)
    truth = 100 * share_above(330) / share_above(STOCK)
    return {
        "share of 330 mm": (proportional_size(length, stock=STOCK, bound=330), truth),
        "mean length": (mean_length(length), MEAN),
        "median length": (length_quantile(length, 0.5), MEAN),
    }


def _line(length: np.ndarray, weight: np.ndarray, run: np.ndarray | None, spread: float) -> Drawn:
    fit = fit_length_weight(length, weight, run=run)
    if fit.estimable:
        at = fit.predict([300.0])
        weight_at = Estimate(
            float(at.value[0]), math.nan, float(at.lower[0]), float(at.upper[0]), 0.95, "g", "predicted mean weight", fit.n
        )
    else:
        weight_at = Estimate.not_estimable("no fit")
    mean = float(STANDARD.standard_weight([300.0])[0]) * math.exp((spread * math.log(10)) ** 2 / 2)
    return {
        "slope": (fit.slope, STANDARD.slope),
        "intercept": (fit.intercept, STANDARD.intercept),
        "mean weight at 300 mm": (weight_at, mean),
    }


def weights_alone(rng: Rng, fish: int) -> Drawn:
    length = rng.uniform(150, 450, fish)
    return _line(length, STANDARD.standard_weight(length) * 10 ** rng.normal(0, 0.04, fish), None, 0.04)


def weights_in_runs(rng: Rng, runs: int) -> Drawn:
    """Fish of a run share some of their condition: 0.02 of log10 weight between runs, 0.03 within."""
    run = runs_of_fish(rng, runs)
    length = rng.uniform(150, 450, len(run))
    off = rng.normal(0, 0.02, runs)[run] + rng.normal(0, 0.03, len(run))
    return _line(length, STANDARD.standard_weight(length) * 10**off, run, math.hypot(0.02, 0.03))


def condition_in_runs(rng: Rng, runs: int) -> Drawn:
    run = runs_of_fish(rng, runs)
    length = rng.uniform(150, 450, len(run))
    shared = 0.04 * rng.normal(size=runs)[run] + 0.07 * rng.normal(size=len(run))
    falling = 93.0 - 4 * (length - 300) / 100
    weight = STANDARD.standard_weight(length) * (falling / 100 + shared)
    plump = 1e-5 * length**3 * (1.1 + shared)
    return {
        "mean relative weight": (mean_relative_weight(length, weight, STANDARD, run=run), 93.0),
        "relative weight per 100 mm": (relative_weight_trend(length, weight, STANDARD, run=run), -4.0),
        "condition factor": (condition_factor(length, plump, run=run), 1.1),
    }


def harm_in_runs(rng: Rng, runs: int) -> Drawn:
    """5 % of the fish are hurt, more in some runs than in others (beta, correlation 0.05 within runs)."""
    handled = rng.poisson(20, runs) + 1
    share = rng.beta(0.05 * 19, 0.95 * 19, runs)
    return {"share harmed": (handling_mortality(rng.binomial(handled, share), handled), 5.0)}


def key(rng: Rng, fish: int, smooth: bool) -> Drawn:
    aged = {300: 2, 600: 5, 1500: 20}[fish]
    truth = {f"share of age {a}": float(SHARES[a - 1]) for a in (1, 3, 6)}
    return same_truth(draw_composition(rng, fish, aged, smooth), truth)


def readers(rng: Rng, fish: int) -> Drawn:
    """Two readers, each a year off (either way) in a tenth of the fish."""
    true = rng.integers(2, 8, fish)
    read = [true + rng.choice([-1, 0, 1], fish, p=[0.05, 0.9, 0.05]) for _ in range(2)]
    return {"exact agreement": (reader_agreement(*read).percent_agreement, 100 * (0.9**2 + 2 * 0.05**2))}


CASES = (
    Case("proportional_size, runs as clusters", "Size structure", "runs of about 8 fish", (6, 24, 60), sizes_in_runs,
         ("methods/size_structure.py", "methods/length_distribution.py")),
    Case("proportional_size, fish as units", "Size structure", "fish", (20, 100, 500), sizes_alone,
         ("methods/size_structure.py", "methods/length_distribution.py")),
    Case("fit_length_weight, fish as units", "Length and weight", "fish", (15, 100, 500), weights_alone,
         ("methods/length_weight.py",)),
    Case("fit_length_weight, runs as clusters", "Length and weight", "runs of about 8 fish", (6, 24, 60), weights_in_runs,
         ("methods/length_weight.py",)),
    Case("mean_relative_weight, condition_factor", "Condition", "runs of about 8 fish", (6, 24, 60), condition_in_runs,
         ("methods/condition.py",)),
    Case("handling_mortality", "Condition", "runs of about 21 fish", (6, 24, 60), harm_in_runs, ("methods/condition.py",)),
    Case("age_length_key, numbers_at_age", "Ages", "measured fish; 2, 5, 20 aged a bin", (300, 600, 1500),
         lambda r, n: key(r, n, False), ("methods/age_composition.py",)),
    Case("age_length_key, smoothed", "Ages", "measured fish; 2, 5, 20 aged a bin", (300, 600, 1500),
         lambda r, n: key(r, n, True), ("methods/age_composition.py",), most=200),
    Case("reader_agreement", "Ages", "fish read twice", (20, 60, 200), readers, ("methods/age_reading.py",)),
)  # fmt: skip
