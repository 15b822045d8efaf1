"""Growth of marked stocked fish, whose age and time in the water are known."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from fishreport.exceptions import InputError
from fishreport.methods.estimate import Estimate
from fishreport.methods.growth_curves import Floats
from fishreport.methods.inputs import check_level


@dataclass(frozen=True)
class CohortGrowth:
    """Length by time since stocking, and how fast it rises.

    Attributes
    ----------
    mean_length : DataFrame
        One row a sampling time: ``years``, ``n``, ``length_mm`` (mean), ``sd``, ``se``, ``lower``, ``upper``.
    between : DataFrame
        One row a pair of successive times: ``from_years``, ``to_years``, ``growth_mm_per_year`` with ``se``, ``lower``,
        ``upper``, and ``specific_growth_pct_per_day``.
    growth_rate : Estimate
        Straight-line growth over the whole time (mm/yr).
    specific_growth : Estimate
        Growth in log length, in percent a day.
    n : int
    level : float
    notes : tuple[str, ...]
    """

    mean_length: pd.DataFrame
    between: pd.DataFrame = field(repr=False)
    growth_rate: Estimate
    specific_growth: Estimate
    n: int
    level: float
    notes: tuple[str, ...]


_DAYS = 365.25


def _interval(mean: float, se: float, df: float, level: float) -> tuple[float, float]:
    reach = float(stats.t.ppf((1 + level) / 2, df)) * se if df >= 1 and math.isfinite(se) else math.nan
    return mean - reach, mean + reach


def _times(years: Floats, within: float) -> np.ndarray:
    """Number of the sampling time of each fish: times closer than `within` to the one before belong together."""
    order = np.argsort(years, kind="stable")
    steps = np.concatenate([[0], (np.diff(years[order]) > within).astype(int)]).cumsum()
    group = np.empty(years.size, int)
    group[order] = steps
    return group


def _straight_line(x: Floats, y: Floats, units: str, method: str, scale: float, level: float, minimum: int) -> Estimate:
    n = x.size
    if n < max(minimum, 3):
        return Estimate.not_estimable(
            f"{n} measured fish, {max(minimum, 3)} needed", units=units, method=method, n=n, level=level
        )
    if np.ptp(x) == 0:
        return Estimate.not_estimable("all fish were measured at one time", units=units, method=method, n=n, level=level)
    line = stats.linregress(x, y)
    # the scatter of length grows as fish age, so the variance of the slope does not take it as constant
    centred = x - x.mean()
    residual = y - line.intercept - line.slope * x
    leverage = 1 / n + centred**2 / np.sum(centred**2)
    adjusted = residual / np.sqrt(np.maximum(1 - leverage, 1e-12))
    variance = float(np.sum((centred * adjusted) ** 2) / np.sum(centred**2) ** 2)
    slope, se = float(line.slope) * scale, math.sqrt(variance) * scale
    lower, upper = _interval(slope, se, n - 2, level)
    return Estimate(slope, se, lower, upper, level, units, method, n)


def cohort_growth(
    years_since_stocking: Any,
    length_mm: Any,
    *,
    stocked_length_mm: float | None = None,
    same_time_years: float = 0.1,
    level: float = 0.95,
    minimum: int = 5,
) -> CohortGrowth:
    """Growth of one stocked cohort that carries a mark.

    Parameters
    ----------
    years_since_stocking : array (fish,)
        Time between stocking and capture (years, 0 or more).
    length_mm : array (fish,)
    stocked_length_mm : float, optional
        Mean length when stocked; then growth to the first sample is given too, without the sampling error of that mean.
    same_time_years : float
        Fish caught within this time of each other are one sample.
    level : float
    minimum : int
        Fish below which no rate is fitted.

    Returns
    -------
    CohortGrowth
        Mean lengths with Student's t intervals; growth between successive samples as the difference of means over the
        difference of mean times, its interval by Welch's degrees of freedom; overall rates as the slope of length, and of
        log length, on time by least squares with a variance that allows for unequal scatter (HC2; MacKinnon and White 1985)
        and Student's t of n - 2. Mean lengths of survivors grow faster than fish do if small fish die sooner; a note says so.

    Raises
    ------
    InputError
        For columns of different length, negative times, lengths of 0 or less.
    """
    check_level(level)
    years, lengths = (np.atleast_1d(np.asarray(c, float)) for c in (years_since_stocking, length_mm))
    if years.ndim != 1 or years.shape != lengths.shape:
        raise InputError(
            f"years_since_stocking and length_mm must have equal length, got shapes {years.shape} and {lengths.shape}"
        )
    kept = ~(np.isnan(years) | np.isnan(lengths))
    years, lengths = years[kept], lengths[kept]
    if np.any(years < 0) or np.any(np.isinf(years)):
        raise InputError(f"years_since_stocking must be 0 or more, got {years[(years < 0) | np.isinf(years)][0]:g}")
    if np.any(lengths <= 0) or np.any(np.isinf(lengths)):
        raise InputError(f"length_mm must be above 0, got {lengths[(lengths <= 0) | np.isinf(lengths)][0]:g}")
    if stocked_length_mm is not None and not (math.isfinite(stocked_length_mm) and stocked_length_mm > 0):
        raise InputError(f"stocked_length_mm must be above 0, got {stocked_length_mm}")
    notes = [f"{int(np.sum(~kept))} fish without length or time left out"] if not kept.all() else []
    group = _times(years, same_time_years) if years.size else np.zeros(0, int)
    rows, samples = [], []
    if stocked_length_mm is not None:
        samples.append((0.0, float(stocked_length_mm), 0.0, math.inf))
    for number in range(int(group.max()) + 1 if group.size else 0):
        chosen = lengths[group == number]
        n, mean = chosen.size, float(chosen.mean())
        sd = float(chosen.std(ddof=1)) if n > 1 else math.nan
        se = sd / math.sqrt(n)
        at = float(years[group == number].mean())
        rows.append((at, n, mean, sd, se, *_interval(mean, se, n - 1, level)))
        samples.append((at, mean, se, n - 1))
    between = []
    for (t0, m0, s0, d0), (t1, m1, s1, d1) in pairwise(samples):
        if t1 <= t0:
            continue
        rate, se = (m1 - m0) / (t1 - t0), math.hypot(s0, s1) / (t1 - t0)
        parts = sum(s**4 / d for s, d in ((s0, d0), (s1, d1)) if d >= 1)
        df = (s0**2 + s1**2) ** 2 / parts if parts > 0 else math.nan
        lower, upper = _interval(rate, se, df, level)
        between.append((t0, t1, rate, se, lower, upper, 100 * math.log(m1 / m0) / ((t1 - t0) * _DAYS)))
    if len(rows) > 1:
        notes.append("growth of the fish that were still there to be caught: it exceeds true growth where small fish die sooner")
    x, y = years, lengths
    return CohortGrowth(
        mean_length=pd.DataFrame(rows, columns=["years", "n", "length_mm", "sd", "se", "lower", "upper"]),
        between=pd.DataFrame(
            between,
            columns=["from_years", "to_years", "growth_mm_per_year", "se", "lower", "upper", "specific_growth_pct_per_day"],
        ),
        growth_rate=_straight_line(
            x, y, "mm/yr", "slope of length on time since stocking; HC2 variance, t interval", 1.0, level, minimum
        ),
        specific_growth=_straight_line(
            x,
            np.log(y),
            "%/d",
            "slope of log length on time since stocking; HC2 variance, t interval",
            100 / _DAYS,
            level,
            minimum,
        ),
        n=int(years.size),
        level=level,
        notes=tuple(notes),
    )
