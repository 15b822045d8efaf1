"""Long form of the trend and power checks: coverage and false alarms on simulated series with known truth, as tables.

Run with ``python tests/calibration/trend_table.py [REPLICATES]`` (default 2,000; a few minutes). The short forms are in
``tests/methods/test_trend.py``, ``test_state_space.py``, ``test_step_change.py`` and ``test_trend_power.py``.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable

import numpy as np

from fishreport.methods.state_space import local_level
from fishreport.methods.step_change import before_after
from fishreport.methods.trend import log_linear, mann_kendall, sen_slope
from fishreport.methods.trend_power import SurveyPlan, power_to_detect

SLOPE = 0.05
Simulated = tuple[np.ndarray, np.ndarray, np.ndarray]


def simulate(rng: np.random.Generator, n: int, *, scatter: float, sampling: float, rho: float) -> Simulated:
    """A log-linear index of n seasons with the middle one missed; scatter of seasons AR(1), sampling error known."""
    year = np.arange(n) + 2005
    u = np.empty(n)
    u[0] = rng.normal(0, scatter)
    for i in range(1, n):
        u[i] = rho * u[i - 1] + rng.normal(0, scatter * math.sqrt(1 - rho**2))
    relative = sampling * np.exp(rng.normal(0, 0.3, n))
    value = np.exp(3 + SLOPE * (year - 2005) + u + rng.normal(0, relative))
    keep = np.arange(n) != n // 2
    return year[keep], value[keep], (value * relative)[keep]


def line_covers(correlation: str) -> Callable[[Simulated], bool]:
    def check(data: Simulated) -> bool:
        year, value, se = data
        found = log_linear(year, value, se=se, correlation=correlation).slope  # type: ignore[arg-type]
        return found.lower <= SLOPE <= found.upper

    return check


def sen_covers(correction: str) -> Callable[[Simulated], bool]:
    def check(data: Simulated) -> bool:
        found = sen_slope(data[0], np.log(data[1]), correction=correction)  # type: ignore[arg-type]
        return found.lower <= SLOPE <= found.upper

    return check


def rejects(correction: str) -> Callable[[Simulated], bool]:
    def check(data: Simulated) -> bool:
        flat = np.log(data[1]) - SLOPE * (data[0] - 2005)
        return mann_kendall(data[0], flat, correction=correction).p < 0.05  # type: ignore[arg-type]

    return check


COLUMNS: dict[str, Callable[[Simulated], bool]] = {
    "line": line_covers("none"),
    "line ar1": line_covers("ar1"),
    "Sen": sen_covers("none"),
    "Sen ar1": sen_covers("ar1"),
    "MK": rejects("none"),
    "MK ar1": rejects("ar1"),
    "MK h-r": rejects("hamed-rao"),
}


def trend_table(rng: np.random.Generator, replicates: int) -> None:
    """Coverage of 95 % intervals of the trend, and rejections of Mann-Kendall at 5 % without one."""
    print(
        "n incl. one missed, autocorrelation, season scatter, sampling cv; coverage of line and Sen, rejections of MK (percent)"
    )
    print(f"{'n':>3}{'rho':>6}{'sd':>6}{'cv':>6}", *(f"{name:>9}" for name in COLUMNS))
    for n in (7, 11, 21):
        for rho in (0.0, 0.4, 0.7):
            for scatter, sampling in ((0.2, 0.15), (0.2, 0.02), (0.0, 0.15)):
                if rho and not scatter:
                    continue
                count = dict.fromkeys(COLUMNS, 0)
                for _ in range(replicates):
                    data = simulate(rng, n, scatter=scatter, sampling=sampling, rho=rho)
                    for name, check in COLUMNS.items():
                        count[name] += check(data)
                shares = (f"{100 * count[name] / replicates:9.1f}" for name in COLUMNS)
                print(f"{n:3d}{rho:6.1f}{scatter:6.2f}{sampling:6.2f}", *shares, flush=True)


def level_table(rng: np.random.Generator, replicates: int) -> None:
    """Coverage of the smoothed level and of its change, for a true random walk."""
    print("\nlocal level: n, sd of real change, coverage of levels and of the change from first to last season (percent)")
    for n in (7, 11, 21):
        for process in (0.0, 0.05, 0.2):
            inside, changes = [], 0
            for _ in range(replicates):
                truth = 3 + np.cumsum(rng.normal(0, process, n))
                relative = 0.15 * np.exp(rng.normal(0, 0.3, n))
                value = np.exp(truth + rng.normal(0, relative))
                keep = np.arange(n) != n // 2
                found = local_level(np.arange(n)[keep], value[keep], se=(value * relative)[keep])
                inside.append(np.mean((found.lower <= np.exp(truth)) & (np.exp(truth) <= found.upper)))
                change = 100 * math.expm1(truth[-1] - truth[0])
                changes += found.change.lower <= change <= found.change.upper
            print(f"{n:3d}{process:6.2f}{100 * np.mean(inside):9.1f}{100 * changes / replicates:9.1f}", flush=True)


def step_table(rng: np.random.Generator, replicates: int) -> None:
    """Coverage of a true step of 40 %."""
    print("\nstep of 40 % after half the seasons: n, coverage, false alarms without a step (percent)")
    for n in (7, 11, 21):
        hits = alarms = 0
        for _ in range(replicates):
            year, value, se = simulate(rng, n, scatter=0.15, sampling=0.12, rho=0.0)
            level = np.exp(-SLOPE * (year - 2005))
            value, se = value * level, se * level
            event = 2005 + n // 2
            alarms += before_after(year, value, event, se=se).p < 0.05
            jump = np.where(year >= event, 1.4, 1.0)
            found = before_after(year, value * jump, event, se=se * jump).change
            hits += found.lower <= 40 <= found.upper
        print(f"{n:3d}{100 * hits / replicates:9.1f}{100 * alarms / replicates:9.1f}", flush=True)


def power_table(rng: np.random.Generator, replicates: int) -> None:
    """Power by formula beside power by simulated surveys."""
    print("\npower (percent): plan, seasons, change per year, formula, simulation")
    plans = {
        "20 fish, k 2, 8 x 2, year sd 0.1": SurveyPlan(20, 2, 8, 2, 0.5, 0.1),
        "40 fish, k 3, 10 x 2": SurveyPlan(40, 3, 10, 2, 0.4),
        "5 fish, k 1, 6 x 1, year sd 0.2": SurveyPlan(5, 1, 6, 1, 0.3, 0.2),
        "2 fish, k 0.7, 8 x 1": SurveyPlan(2, 0.7, 8, 1, 0.3, 0.1),
    }
    for name, plan in plans.items():
        curve = power_to_detect(plan, change_per_year=[0, -5, 5, 10], years=[3, 5, 10, 15], rng=rng, replicates=replicates)
        for i, years in enumerate(curve.years):
            for j, change in enumerate(curve.change_per_year):
                formula, simulation = 100 * curve.by_formula[i, j], 100 * curve.by_simulation[i, j]
                print(f"{name:34}{years:4.0f}{change:5.0f}{formula:8.1f}{simulation:8.1f}")


def main() -> None:
    """Print all tables."""
    replicates = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    rng = np.random.default_rng(20250914)
    trend_table(rng, replicates)
    level_table(rng, replicates)
    step_table(rng, replicates)
    power_table(rng, max(replicates, 2000))


if __name__ == "__main__":
    main()
