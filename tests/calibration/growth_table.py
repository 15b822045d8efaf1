"""Bias and coverage of the growth and ageing estimators on simulated samples with known truth.

Run it: ``python tests/calibration/growth_table.py [--repeats 1000] [--seed 1] [--only age|recapture|key]``.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterator

import numpy as np
import pandas as pd

from fishreport.methods.ageing import numbers_at_age
from fishreport.methods.estimate import Estimate
from fishreport.methods.growth import fit_recapture_growth, fit_von_bertalanffy

Rng = np.random.Generator
Drawn = dict[str, Estimate]

LINF, K, T0 = 550.0, 0.35, -0.3
AGES = np.arange(1, 9)
SHARES = np.exp(-0.5 * AGES) / np.exp(-0.5 * AGES).sum()


def true_length(age: np.ndarray) -> np.ndarray:
    return LINF * (1 - np.exp(-K * (age - T0)))


def draw_aged(rng: Rng, n: int, errors: str) -> tuple[np.ndarray, np.ndarray]:
    """Ages of a stock with Z = 0.5; lengths with a standard deviation of 25 mm, or of 8 % of the mean."""
    age = rng.choice(AGES, n, p=SHARES).astype(float)
    mean = true_length(age)
    return age, rng.normal(mean, 25.0 if errors == "constant" else 0.08 * mean)


def draw_growth(rng: Rng, n: int, truth: str, errors: str, interval: str) -> Drawn:
    fit = fit_von_bertalanffy(*draw_aged(rng, n, truth), errors=errors, interval=interval, rng=rng, resamples=999)
    return {
        "Linf": fit.asymptotic_length,
        "K": fit.growth_coefficient,
        "t0": fit.age_at_zero,
        "length at 3": fit.expected_lengths([3.0]).lengths[0],
    }


def draw_recaptures(rng: Rng, n: int, cv: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Fish marked at ages 1 to 6, out for 1 or 2 years, measured to 4 mm; own asymptotes with a CV of `cv`."""
    age = rng.choice(np.arange(1, 7), n, p=[0.3, 0.25, 0.2, 0.12, 0.08, 0.05]) + rng.uniform(0, 0.5, n)
    years = rng.choice([1.0, 1.0, 1.0, 2.0], n) + rng.uniform(-0.1, 0.1, n)
    own = rng.normal(LINF, LINF * cv, n)
    lengths = [own * (1 - np.exp(-K * (a - T0))) + rng.normal(0, 4, n) for a in (age, age + years)]
    return lengths[0], lengths[1], years


def draw_recapture_growth(rng: Rng, n: int, cv: float, variation: str, interval: str) -> Drawn:
    fit = fit_recapture_growth(*draw_recaptures(rng, n, cv), variation=variation, interval=interval, rng=rng, resamples=999)
    return {"Linf": fit.asymptotic_length, "K": fit.growth_coefficient}


def draw_composition(rng: Rng, fish: int, per_bin: int, smooth: bool) -> Drawn:
    """`fish` measured, `per_bin` of every 20 mm aged; shares of ages 1, 3 and 6."""
    age = rng.choice(AGES, fish, p=SHARES)
    length = rng.normal(true_length(age), 25.0)
    place = np.floor(length / 20)
    aged = np.concatenate([rng.permutation(np.flatnonzero(place == b))[:per_bin] for b in np.unique(place)])
    found = numbers_at_age(length, length[aged], age[aged], bin_mm=20, rng=rng, smooth=smooth, resamples=500)
    shares = dict(zip(found.ages.tolist(), found.proportions, strict=True))
    missing = Estimate.not_estimable("no fish of this age")
    return {f"share of age {a}": shares.get(a, missing) for a in (1, 3, 6)}


def run(draw: Callable[[Rng], Drawn], truth: dict[str, float], repeats: int, rng: Rng) -> Iterator[dict[str, object]]:
    """Repeat one draw; one row an estimate."""
    drawn = [draw(rng) for _ in range(repeats)]
    for name, value in truth.items():
        estimates = [each[name] for each in drawn if each[name].estimable]
        values = np.array([e.value for e in estimates])
        lower, upper = np.array([e.lower for e in estimates]), np.array([e.upper for e in estimates])
        yield {
            "estimate": name,
            "median bias %": 100 * (np.median(values) / value - 1) if value else np.nan,
            "coverage %": 100 * float(np.mean((lower <= value) & (value <= upper))),
            "below %": 100 * float(np.mean(upper < value)),
            "above %": 100 * float(np.mean(lower > value)),
            "open %": 100 * float(np.mean(np.isinf(lower) | np.isinf(upper))),
            "estimable %": 100 * len(estimates) / repeats,
        }


def cases(only: str | None) -> Iterator[tuple[dict[str, object], Callable[[Rng], Drawn], dict[str, float]]]:
    growth = {"Linf": LINF, "K": K, "t0": T0, "length at 3": float(true_length(np.array([3.0]))[0])}
    if only in (None, "age"):
        plans = (
            ("constant", "constant", "profile"),
            ("constant", "constant", "wald"),
            ("constant", "constant", "bootstrap"),
            ("proportional", "proportional", "profile"),
            ("proportional", "constant", "profile"),
            ("proportional", "constant", "bootstrap"),
            ("proportional", "proportional", "bootstrap"),
            ("constant", "chosen", "profile"),
            ("proportional", "chosen", "profile"),
        )
        for truth, errors, interval in plans:
            for n in (30, 100, 400):
                yield (
                    {"case": "length at age", "scatter": truth, "fit": f"{errors}, {interval}", "n": n},
                    lambda rng, n=n, t=truth, e=errors, i=interval: draw_growth(rng, n, t, e, i),
                    growth,
                )
    if only in (None, "recapture"):
        for cv in (0.0, 0.08):
            for variation, interval in (
                ("none", "profile"),
                ("none", "wald"),
                ("none", "bootstrap"),
                ("between fish", "profile"),
            ):
                for n in (10, 20, 40):
                    yield (
                        {"case": "recaptures", "scatter": f"CV of Linf {cv:g}", "fit": f"{variation}, {interval}", "n": n},
                        lambda rng, n=n, c=cv, v=variation, i=interval: draw_recapture_growth(rng, n, c, v, i),
                        {"Linf": LINF, "K": K},
                    )
    if only in (None, "key"):
        shares = {f"share of age {a}": float(SHARES[a - 1]) for a in (1, 3, 6)}
        for smooth in (False, True):
            for fish, per_bin in ((300, 2), (600, 5), (1500, 20)):
                yield (
                    {
                        "case": "age-length key",
                        "scatter": f"{per_bin} aged a bin",
                        "fit": "smooth" if smooth else "raw",
                        "n": fish,
                    },
                    lambda rng, f=fish, b=per_bin, s=smooth: draw_composition(rng, f, b, s),
                    shares,
                )


def table(repeats: int, seed: int, only: str | None = None) -> pd.DataFrame:
    """One row a case and estimate."""
    rng = np.random.default_rng(seed)
    rows = [case | row for case, draw, truth in cases(only) for row in run(draw, truth, repeats, rng)]
    return pd.DataFrame(rows)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--repeats", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", choices=("age", "recapture", "key"))
    given = parser.parse_args()
    with pd.option_context("display.width", 200):
        print(table(given.repeats, given.seed, given.only).to_string(index=False, float_format=lambda x: f"{x:.1f}"))


if __name__ == "__main__":
    main()
