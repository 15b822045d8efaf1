"""Length-weight regression on logarithms, its diagnostics, and its comparison between groups."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import special

from fishreport.exceptions import InputError
from fishreport.methods.estimate import Estimate
from fishreport.methods.inputs import FloatArray, IntArray, check_level, codes, dropped, numbers, same_size
from fishreport.methods.length_weight_groups import LengthWeightComparison, compare_groups
from fishreport.methods.regression import LeastSquares, TTest, least_squares, t_test

__all__ = ["LengthWeightComparison", "LengthWeightFit", "WeightPrediction", "compare_length_weight", "fit_length_weight"]

MINIMUM_FISH = 5
_LN10 = math.log(10.0)
_WHAT = "least squares of log10 weight (g) on log10 length (mm)"


@dataclass(frozen=True)
class WeightPrediction:
    """Weights predicted from lengths; stands for its `value` wherever an array is asked for.

    Attributes
    ----------
    length_mm, value : array
        Lengths (mm) and predicted weights (g).
    lower, upper : array
        Confidence limits of `value`.
    prediction_lower, prediction_upper : array
        Limits for the weight of one new fish.
    level : float
    corrected : bool
        True: `value` is the mean weight (back-transformation corrected); False: the median weight.
    """

    length_mm: FloatArray
    value: FloatArray
    lower: FloatArray
    upper: FloatArray
    prediction_lower: FloatArray
    prediction_upper: FloatArray
    level: float
    corrected: bool

    def __array__(self, dtype: Any = None, copy: bool | None = None) -> npt.NDArray[Any]:
        return np.array(self.value, dtype=dtype, copy=True) if copy or dtype is not None else self.value

    def __float__(self) -> float:
        return float(self.value)

    def __len__(self) -> int:
        return len(self.value)


@dataclass(frozen=True)
class LengthWeightFit:
    """log10 weight (g) = intercept + slope log10 length (mm).

    Attributes
    ----------
    intercept, slope : Estimate
        With t limits.
    residual_se : float
        Residual standard error on the log10 scale; NaN when nothing is estimable.
    correction : float
        exp((residual_se ln 10)²/2): turns the median weight into the mean weight (Sprugel 1983).
    smearing : float
        Mean of 10^residual: the same without assuming normal residuals (Duan 1983).
    r_squared : float
    isometry : TTest
        Test that the slope is 3.
    residuals, leverage, studentised, cook : array
        A value a row of the input (NaN where length or weight was missing): residual (log10), leverage, externally
        studentised residual, Cook's distance.
    n : int
        Fish used.
    length_range_mm : tuple[float, float]
        Shortest and longest fish used.
    notes : tuple[str, ...]
    """

    intercept: Estimate
    slope: Estimate
    residual_se: float
    correction: float
    smearing: float
    r_squared: float
    isometry: TTest
    residuals: FloatArray
    leverage: FloatArray
    studentised: FloatArray
    cook: FloatArray
    n: int
    length_range_mm: tuple[float, float]
    level: float
    covariance: FloatArray
    t_df: float
    notes: tuple[str, ...] = ()

    @property
    def estimable(self) -> bool:
        """True when a line could be fitted."""
        return self.slope.estimable

    def predict(self, length_mm: npt.ArrayLike, *, corrected: bool = True, level: float | None = None) -> WeightPrediction:
        """Weight at given lengths.

        Parameters
        ----------
        length_mm : array
            Total length (mm), any shape; values at or below 0 and missing ones give NaN.
        corrected : bool
            True: mean weight, the median times `correction`; False: median weight.
        level : float, optional
            Of the limits; by default that of the fit.

        Returns
        -------
        WeightPrediction
            Grams. Confidence limits are those of the line, back-transformed, and times `correction` when `corrected` (the
            correction is taken as known). Prediction limits are quantiles for one fish and carry no correction.
        """
        chosen = self.level if level is None else check_level(level)
        length = np.asarray(length_mm, dtype=float)
        with np.errstate(invalid="ignore", divide="ignore"):
            x = np.where(length > 0, np.log10(np.where(length > 0, length, 1.0)), np.nan)
        line = self.intercept.value + self.slope.value * x
        c = self.covariance
        variance = np.maximum(c[0, 0] + 2 * x * c[0, 1] + x**2 * c[1, 1], 0.0)
        t = float(special.stdtrit(self.t_df, 0.5 + chosen / 2)) if self.t_df > 0 else math.nan
        half, wide = t * np.sqrt(variance), t * np.sqrt(variance + self.residual_se**2)
        factor = self.correction if corrected else 1.0
        return WeightPrediction(
            length,
            factor * 10.0**line,
            factor * 10.0 ** (line - half),
            factor * 10.0 ** (line + half),
            10.0 ** (line - wide),
            10.0 ** (line + wide),
            chosen,
            corrected,
        )


def _pairs(length_mm: Any, weight_g: Any) -> tuple[FloatArray, FloatArray, npt.NDArray[np.bool_]]:
    length = numbers("length_mm", length_mm, above=0)
    weight = numbers("weight_g", weight_g, above=0)
    same_size(length_mm=length, weight_g=weight)
    return length, weight, np.isfinite(length) & np.isfinite(weight)


def _weighing_notes(length: FloatArray, weight: FloatArray) -> tuple[str, ...]:
    notes: tuple[str, ...] = ()
    for step in (500.0, 200.0, 100.0, 50.0, 20.0, 10.0, 5.0, 2.0, 1.0):
        whole = np.abs(weight / step - np.round(weight / step)) < 1e-9
        if whole.mean() > 0.95:
            coarse = weight < 5 * step
            if coarse.any():
                few = f"{int(coarse.sum())} fish under {5 * step:g} g"
                notes += (f"weights read to {step:g} g: rounding alone is 10 % or more, at worst, for the {few}",)
            break
    ratio = float(length.max() / length.min())
    if ratio < 1.5:
        notes += (f"lengths span {length.min():g} to {length.max():g} mm only: the slope is weakly supported",)
    return notes


def _nothing(reason: str, rows: int, n: int, level: float, notes: tuple[str, ...]) -> LengthWeightFit:
    nan = math.nan
    empty = np.full(rows, nan)
    line = Estimate.not_estimable(reason, units="log10 g", method=_WHAT, n=n, level=level).noting(*notes)
    slope = Estimate.not_estimable(reason, units="log10 g per log10 mm", method=_WHAT, n=n, level=level).noting(*notes)
    return LengthWeightFit(
        line, slope, nan, nan, nan, nan, TTest(nan, nan, nan), empty, empty.copy(), empty.copy(), empty.copy(), n, (nan, nan),
        level, np.full((2, 2), nan), nan, (f"not estimable: {reason}", *notes),
    )  # fmt: skip


def _studentised(fit: LeastSquares) -> FloatArray:
    outside = fit.sse - fit.residuals**2 / (1 - fit.leverage)
    scale = np.sqrt(np.maximum(outside, 0.0) / (fit.df - 1) * (1 - fit.leverage))
    return np.divide(fit.residuals, scale, out=np.zeros_like(scale), where=scale > 0)


def fit_length_weight(
    length_mm: npt.ArrayLike, weight_g: npt.ArrayLike, *, run: npt.ArrayLike | None = None, level: float = 0.95
) -> LengthWeightFit:
    """Fit weight as a power of length.

    Parameters
    ----------
    length_mm, weight_g : array
        Total length (mm) and weight (g), one a fish, above 0; a fish with either missing is left out, with a note.
    run : array, optional
        Run of each fish; standard errors then come from leaving out one run at a time.
    level : float
        Confidence level.

    Returns
    -------
    LengthWeightFit
        Not estimable with fewer than 5 fish, with lengths all alike, or with `run` and fewer than 3 runs.

    Raises
    ------
    InputError
        For a length or weight that is not above 0, or columns of unequal length.

    Notes
    -----
    Ordinary least squares on log10, residual variance on n − 2 degrees of freedom, t limits on n − 2 (with `run`: cluster
    jackknife and t on runs − 1). With 6 runs the 95 % interval of a predicted mean weight held in 91 of 100 simulated surveys,
    that of the slope in 94 to 95; with 24 runs both did in 94 to 95. Correction for back-transformation: Sprugel 1983 (Ecology
    64:209-210); smearing: Duan 1983 (Journal of the American Statistical Association 78:605-610), both from memory.
    """
    check_level(level)
    length, weight, used = _pairs(length_mm, weight_g)
    rows = len(length)
    code: IntArray | None = None
    notes = dropped(int((~used).sum()), "fish without length or weight")
    if run is not None:
        found, _ = codes("run", run, rows)
        notes += dropped(int((used & (found < 0)).sum()), "fish without a run")
        used &= found >= 0
        code = np.unique(found[used], return_inverse=True)[1].astype(np.intp)
    x, y = np.log10(length[used]), np.log10(weight[used])
    n = len(x)
    if n < MINIMUM_FISH:
        return _nothing(f"{n} weighed fish, {MINIMUM_FISH} needed", rows, n, level, notes)
    if float(np.ptp(x)) < 1e-6:
        return _nothing(f"all {n} weighed fish have the same length", rows, n, level, notes)
    if code is not None and code.max() < 2:
        return _nothing(f"{int(code.max()) + 1} runs with weighed fish, 3 needed", rows, n, level, notes)
    centre = float(x.mean())
    fit = least_squares(np.column_stack([np.ones(n), x - centre]), y, code)
    notes += _weighing_notes(length[used], weight[used])
    back = np.array([[1.0, -centre], [0.0, 1.0]])
    intercept, slope = (float(value) for value in back @ fit.coefficients)
    covariance = back @ fit.covariance @ back.T
    method = f"{_WHAT}, " + ("t limits" if code is None else "standard error by leaving out one run at a time, t on runs − 1")
    t = float(special.stdtrit(fit.t_df, 0.5 + level / 2))

    def answer(value: float, variance: float, units: str) -> Estimate:
        se = math.sqrt(variance)
        return Estimate(value, se, value - t * se, value + t * se, level, units, method, n, notes)

    total = float(((y - y.mean()) ** 2).sum())
    s = fit.residual_se
    placed = [np.full(rows, np.nan) for _ in range(4)]
    studentised = _studentised(fit)
    scale = 2 * s**2 * (1 - fit.leverage) ** 2
    cook = np.divide(fit.residuals**2 * fit.leverage, scale, out=np.zeros(n), where=scale > 0)
    for target, values in zip(placed, (fit.residuals, fit.leverage, studentised, cook), strict=True):
        target[used] = values
    return LengthWeightFit(
        intercept=answer(intercept, float(covariance[0, 0]), "log10 g"),
        slope=answer(slope, float(covariance[1, 1]), "log10 g per log10 mm"),
        residual_se=s,
        correction=math.exp((s * _LN10) ** 2 / 2),
        smearing=float((10.0**fit.residuals).mean()),
        r_squared=1 - fit.sse / total if total > 0 else math.nan,
        isometry=t_test(slope, math.sqrt(float(covariance[1, 1])), fit.t_df, against=3.0),
        residuals=placed[0],
        leverage=placed[1],
        studentised=placed[2],
        cook=placed[3],
        n=n,
        length_range_mm=(float(length[used].min()), float(length[used].max())),
        level=level,
        covariance=covariance,
        t_df=fit.t_df,
        notes=notes,
    )


def compare_length_weight(
    length_mm: npt.ArrayLike,
    weight_g: npt.ArrayLike,
    group: npt.ArrayLike,
    *,
    run: npt.ArrayLike | None = None,
    level: float = 0.95,
) -> LengthWeightComparison:
    """Compare length-weight lines between groups (seasons, sites): slopes first, then intercepts.

    Parameters
    ----------
    length_mm, weight_g : array
        As in `fit_length_weight`.
    group : array
        Label of each fish. A group with fewer than 5 weighed fish, with lengths all alike, or (with `run`) in fewer than 2
        runs is left out, with a note.
    run : array, optional
        Run of each fish; the tests are then Wald tests with covariance from leaving out one run at a time.
    level : float
        Confidence level of the adjusted means.

    Returns
    -------
    LengthWeightComparison
        Not estimable (NaN) with fewer than 2 groups left.

    Notes
    -----
    Analysis of covariance on log10: lines with slopes of their own against parallel lines, F on k − 1 and n − 2k; parallel
    lines against one line, F on k − 1 and n − k − 1. The second test means what it says only when slopes do not differ
    (Zar 1999, from memory). With `run`: F on k − 1 and runs − k degrees of freedom.
    """
    check_level(level)
    length, weight, used = _pairs(length_mm, weight_g)
    group_code, groups = codes("group", group, len(length))
    notes = dropped(int((~used | (group_code < 0)).sum()), "fish without length, weight or group")
    used &= group_code >= 0
    run_code: IntArray | None = None
    if run is not None:
        run_code, _ = codes("run", run, len(length))
        notes += dropped(int((used & (run_code < 0)).sum()), "fish without a run")
        used &= run_code >= 0
    if len(groups) > 200:
        raise InputError(f"group must hold at most 200 labels; got {len(groups)}")
    return compare_groups(
        np.log10(length[used]),
        np.log10(weight[used]),
        group_code[used],
        groups,
        None if run_code is None else run_code[used],
        level=level,
        notes=notes,
    )
