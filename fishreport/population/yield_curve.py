"""Reference points of the yield curve under a regulation, with its lengths, voluntary release and release deaths.

The yield per recruit of `cohort.fished_cohort` is worked out on a grid of capture rates f (0 to 20 a year, closer at the low
end) and joined by a cubic spline for each draw. fmax is where its slope is 0 for the first time, f0.1 where the slope is a tenth
of that at f = 0; both are capture rates of a fully vulnerable fish. Where the curve still rises at 20 a year there is no finite
fmax. Release deaths can turn the curve down where a length limit alone would not.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from fishreport.exceptions import InputError
from fishreport.population.angling import Angling
from fishreport.population.cohort import fished_cohort
from fishreport.population.life_history import LifeHistory
from fishreport.population.regulation import Regulation

Floats = NDArray[np.float64]
HIGHEST_RATE = 20.0
_POINTS = 80


@dataclass(frozen=True)
class YieldCurve:
    """A yield curve and its reference points; arrays over draws on the last axis.

    `capture_rate` (rates,) and `yield_g` (rates × draws) are the curve. `f_max` is NaN in draws without a finite one (`note` says
    in how many); `f_01`, and the yields and spawning potential ratios at both, follow.
    """

    capture_rate: Floats
    yield_g: Floats
    f_max: Floats
    f_01: Floats
    yield_at_f_max_g: Floats
    yield_at_f_01_g: Floats
    spawning_potential_at_f_max: Floats
    spawning_potential_at_f_01: Floats
    note: str = ""


def _first_crossing(rates: Floats, slope: CubicSpline, level: float) -> float:
    """Lowest rate at which the slope falls through the level, or NaN."""
    for rate in np.sort(slope.solve(level, extrapolate=False)):
        if rates[0] < rate <= rates[-1] and slope(rate, 1) < 0:
            return float(rate)
    return float("nan")


def yield_curve(
    life_history: LifeHistory,
    regulation: Regulation,
    *,
    angling: Angling | None = None,
    today: Regulation | None = None,
    steps_per_year: int = 12,
    groups: int = 9,
) -> YieldCurve:
    """The yield curve of every draw under a regulation.

    Parameters
    ----------
    life_history, regulation, angling, today, steps_per_year, groups
        As for `cohort.fished_cohort`.

    Returns
    -------
    YieldCurve

    Raises
    ------
    InputError
        If nothing is ever harvested under the regulation.
    """
    rates = np.concatenate([[0.0], np.geomspace(0.005, HIGHEST_RATE, _POINTS - 1)])
    options = {"angling": angling, "today": today, "steps_per_year": steps_per_year, "groups": groups}
    found = fished_cohort(life_history, regulation, capture_rate=rates[:, None], **options)  # type: ignore[arg-type]
    tiny = 1e-6
    origin = fished_cohort(life_history, regulation, capture_rate=tiny, **options).yield_g / tiny  # type: ignore[arg-type]
    if (origin <= 0).any():
        raise InputError("a yield curve needs some harvest; nothing is kept under this regulation")
    points = np.full((2, life_history.draws), np.nan)
    values = np.full((4, life_history.draws), np.nan)
    for draw in range(life_history.draws):
        curve = CubicSpline(rates, found.yield_g[:, draw], bc_type=((1, float(origin[draw])), "not-a-knot"))
        spawning = CubicSpline(rates, found.spawning_potential_ratio[:, draw])
        slope = curve.derivative()
        for place, level in enumerate((0.0, 0.1 * float(origin[draw]))):
            rate = _first_crossing(rates, slope, level)
            points[place, draw] = rate
            if np.isfinite(rate):
                values[place, draw], values[2 + place, draw] = float(curve(rate)), float(spawning(rate))
    without = int(np.isnan(points[0]).sum())
    note = f"no finite fmax in {without} of {life_history.draws} draws: the curve still rises at {HIGHEST_RATE:g} captures a year"
    return YieldCurve(
        capture_rate=rates,
        yield_g=found.yield_g,
        f_max=points[0],
        f_01=points[1],
        yield_at_f_max_g=values[0],
        yield_at_f_01_g=values[1],
        spawning_potential_at_f_max=values[2],
        spawning_potential_at_f_01=values[3],
        note=note if without else "",
    )
