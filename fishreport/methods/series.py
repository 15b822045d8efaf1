"""A yearly series as the trend methods take it: checked, in order, with what was left out said."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from fishreport.exceptions import InputError
from fishreport.methods.inputs import FloatArray, numbers, same_size

FEWEST_SEASONS = 4
FEW_SEASONS = 6


@dataclass(frozen=True)
class Series:
    """Observations in order of time.

    Attributes
    ----------
    year, value : array (n,)
    se : array (n,) | None
        Standard errors; NaN where one is missing.
    notes : tuple[str, ...]
        What was left out.
    """

    year: FloatArray
    value: FloatArray
    se: FloatArray | None
    notes: tuple[str, ...]

    @property
    def seasons(self) -> int:
        """Number of different years."""
        return int(np.unique(self.year).size)

    @property
    def shortage(self) -> str | None:
        """Why nothing can be said, or None: fewer than four seasons."""
        n = self.seasons
        return None if n >= FEWEST_SEASONS else f"{n} season{'' if n == 1 else 's'} with data, {FEWEST_SEASONS} needed"

    @property
    def few_notes(self) -> tuple[str, ...]:
        """The caution that goes with four to six seasons."""
        n = self.seasons
        if n > FEW_SEASONS:
            return ()
        return (f"only {n} season{'' if n == 1 else 's'}: one unusual season can make or hide a trend",)


def read_series(year: ArrayLike, value: ArrayLike, se: ArrayLike | None = None) -> Series:
    """Check and order a series; pairs with a missing year or value are left out and counted.

    Raises
    ------
    InputError
        Columns of different length, not one-dimensional, infinite or no numbers, or a negative standard error.
    """
    t, x = numbers("year", year), numbers("value", value)
    s = None if se is None else numbers("se", se, at_least=0)
    same_size(year=t, value=x, **({} if s is None else {"se": s}))
    keep = ~(np.isnan(t) | np.isnan(x))
    left_out = int((~keep).sum())
    notes = (f"{left_out} of {t.size} seasons without a value left out",) if left_out else ()
    order = np.argsort(t[keep], kind="stable")
    return Series(t[keep][order], x[keep][order], None if s is None else s[keep][order], notes)


def to_log(series: Series) -> Series:
    """The series of natural logarithms, with standard errors by the delta method (se / value).

    Values of zero have no logarithm: they are left out, and counted.

    Raises
    ------
    InputError
        A negative value.
    """
    if bool((series.value < 0).any()):
        raise InputError(f"a series on the log scale must not be negative; got {float(series.value.min()):g}")
    keep = series.value > 0
    zeros = int((~keep).sum())
    notes = series.notes
    if zeros:
        notes += (f"{zeros} season{'' if zeros == 1 else 's'} with a value of zero left out, as zero has no logarithm",)
    x = series.value[keep]
    return Series(series.year[keep], np.log(x), None if series.se is None else series.se[keep] / x, notes)


def filled_errors(series: Series) -> tuple[FloatArray, tuple[str, ...]]:
    """Sampling variance of each season; a missing or zero standard error takes the largest of the others, and is noted.

    Without any usable standard error all are zero: then the scatter about the fit is the only measure.
    """
    if series.se is None:
        return np.zeros_like(series.value), ()
    known = np.isfinite(series.se) & (series.se > 0)
    if not known.any():
        return np.zeros_like(series.value), ("no season has a standard error; the scatter about the fit stands in",)
    lacking = int((~known).sum())
    variance = np.where(known, series.se, series.se[known].max()) ** 2
    notes = (f"{lacking} of {known.size} seasons have no standard error and take the largest of the others",) if lacking else ()
    return variance, notes


def lag_one(year: FloatArray, residual: FloatArray, parameters: int) -> float:
    """Lag-1 autocorrelation of residuals, in years, corrected for short series as (n r + p)/(n − 2 p), within −0.9 and 0.9.

    The correction is the first-order bias of residuals about a line with `parameters` coefficients (in the spirit of Marriott &
    Pope 1954, from memory); NaN with fewer than eight seasons or no successive ones.
    """
    n = residual.size
    at = {float(y): float(v) for y, v in zip(year, residual, strict=True)}
    products = [v * at[y + 1] for y, v in at.items() if y + 1 in at]
    total = float((residual**2).sum())
    if n < 8 or not products or total <= 0:
        return float("nan")
    raw = float(np.mean(products)) * n / total * (1 - 1 / n)
    return min(max((n * raw + parameters) / (n - 2 * parameters), -0.9), 0.9)


def dependence_note(rho: float) -> tuple[str, ...]:
    """The caution for seasons that resemble the one before."""
    if not rho > 0.4:
        return ()
    return (f"successive seasons resemble each other (autocorrelation about {rho:.1f}), so the interval is too narrow",)
