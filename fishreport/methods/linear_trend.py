"""Linear trend of a yearly index whose change is told in its own units, such as a share in percent."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from fishreport.exceptions import InputError
from fishreport.methods.estimate import Estimate
from fishreport.methods.inputs import FloatArray, check_level
from fishreport.methods.random_effects import fit_autocorrelated, fit_random_effects
from fishreport.methods.series import dependence_note, filled_errors, lag_one, read_series

_STRONG = "successive seasons resemble each other so much that even the corrected interval may be too narrow"


@dataclass(frozen=True, slots=True)
class LinearTrend:
    """A straight line through a yearly index.

    Attributes
    ----------
    trend_per_year : Estimate
        Change per year, in the units of the values (percentage points for percent).
    between_year_sd : float
        Standard deviation about the line beyond sampling error, in the units of the values.
    autocorrelation : float
        Correlation of successive seasons about the line; NaN when taken as independent.
    year, fitted, lower, upper : array
        Each year from first to last, the line, and the limits of the line (not of single seasons).
    """

    trend_per_year: Estimate
    between_year_sd: float
    autocorrelation: float
    year: FloatArray
    fitted: FloatArray
    lower: FloatArray
    upper: FloatArray


def linear_trend(
    year: ArrayLike,
    value: ArrayLike,
    *,
    se: ArrayLike | None = None,
    level: float = 0.95,
    units: str = "",
    correlation: Literal["none", "ar1"] = "none",
) -> LinearTrend:
    """Linear trend of a yearly index, weighted by the yearly standard errors.

    Parameters
    ----------
    year, value : arrays (n,)
        Season and index, which may be zero or negative. Seasons may be missing.
    se : array (n,), optional
        Standard errors of the values. A season without one takes the largest of the others, and is noted.
    units : str
        Units of the values.
    correlation : str
        ``none``: seasons scatter independently about the line. ``ar1``: their scatter beyond sampling error is a first-order
        autoregression in years.

    Returns
    -------
    LinearTrend
        value = a + b year + u + e, with e the known sampling error and u the scatter of seasons about the line: as
        `trend.log_linear`, without the logarithm (Paule & Mandel for the scatter, Student's t with n − 2 degrees of freedom and
        the variance factor of Knapp & Hartung, see `random_effects`). Not estimable with fewer than four seasons; four to six
        bring a note. A line through shares may leave 0 to 100 outside the seasons seen.

    Raises
    ------
    InputError
        Wrong shapes, negative standard errors, several values of one season, unknown option.
    """
    check_level(level)
    if correlation not in ("none", "ar1"):
        raise InputError(f"correlation must be none or ar1; got {correlation!r}")
    series = read_series(year, value, se)
    n = series.value.size
    if series.seasons < n:
        raise InputError(f"linear_trend takes one value a season; got {n} values of {series.seasons} seasons")
    weighted = "weighted by sampling and between-season variance" if se is not None else "least squares"
    method = f"linear regression, {weighted}" + (", autocorrelated seasons" if correlation == "ar1" else "")
    per_year = f"{'percentage points' if units == 'percent' else units} per year".strip()
    if series.shortage:
        missing = Estimate.not_estimable(series.shortage, units=per_year, method=method, n=n, level=level)
        empty = np.empty(0)
        return LinearTrend(missing, math.nan, math.nan, empty, empty, empty, empty)
    variance, lacking = filled_errors(series)
    notes = series.notes + lacking + series.few_notes
    centre = float(series.year.mean())
    design = np.column_stack([np.ones(n), series.year - centre])
    if correlation == "ar1":
        fit = fit_autocorrelated(series.year, design, series.value, variance)
        if fit.autocorrelation > 0.5:
            notes += (_STRONG,)
    else:
        fit = fit_random_effects(design, series.value, variance)
        notes += dependence_note(lag_one(series.year, series.value - design @ fit.coefficients[0], 2))
    years = np.arange(series.year[0], series.year[-1] + 1)
    line = np.array([fit.contrast([1.0, t - centre], level) for t in years])
    slope = Estimate(*fit.contrast([0.0, 1.0], level), level=level, units=per_year, method=method, n=n, notes=notes)
    fitted, lower, upper = line[:, [0, 2, 3]].T
    return LinearTrend(slope, fit.between_sd, fit.autocorrelation, years, fitted, lower, upper)
