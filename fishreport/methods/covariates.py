"""The trend of a yearly index beside covariates: release from a dam, temperature, stocking."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from fishreport.exceptions import InputError
from fishreport.methods.estimate import Estimate
from fishreport.methods.inputs import check_level, numbers
from fishreport.methods.random_effects import RegressionFit, as_percent, fit_random_effects, two_sided
from fishreport.methods.series import FloatArray, Series, dependence_note, filled_errors, lag_one, read_series, to_log

FEWEST_SPARE = 5


@dataclass(frozen=True, slots=True)
class CovariateFit:
    """Regression of a yearly index on covariates.

    Attributes
    ----------
    coefficients : mapping
        Name → Estimate: effect of one unit of the covariate, in percent of the index (log scale) or in its units; ``year`` is the
        trend per year with the covariates held.
    p : mapping
        Name → two-sided probability without an effect.
    r_squared : float
        Share of the variance of the (log) index, weighted, that the fit explains.
    year, fitted : array
        Seasons used, and the fit, in the units of the values.
    notes : tuple[str, ...]
    """

    coefficients: Mapping[str, Estimate]
    p: Mapping[str, float]
    r_squared: float
    year: FloatArray
    fitted: FloatArray
    notes: tuple[str, ...]


def lagged(year: ArrayLike, covariate_year: ArrayLike, covariate: ArrayLike, *, lag_years: int = 0) -> FloatArray:
    """The covariate of `lag_years` before each season; NaN where it is not recorded.

    Raises
    ------
    InputError
        A negative lag, or two values of one year.
    """
    if lag_years < 0:
        raise InputError(f"lag_years must not be negative, got {lag_years}")
    t, x = numbers("covariate_year", covariate_year), numbers("covariate", covariate)
    if np.unique(t).size < t.size:
        raise InputError("a covariate needs one value a year; got several of one year")
    known = dict(zip(t.tolist(), x.tolist(), strict=True))
    return np.array([known.get(float(y) - lag_years, math.nan) for y in numbers("year", year)])


def _robust(design: FloatArray, weights: FloatArray, residual: FloatArray, year: FloatArray, kind: str) -> FloatArray:
    root = np.sqrt(weights)
    x, e = design * root[:, None], residual * root
    bread = np.linalg.inv(x.T @ x)
    n, p = x.shape
    if kind == "hc3":
        leverage = np.einsum("ni,ij,nj->n", x, bread, x)
        score = x * (e / np.maximum(1 - leverage, 1e-8))[:, None]
        return np.asarray(bread @ (score.T @ score) @ bread)
    score = x * e[:, None]
    middle = score.T @ score
    gap = np.diff(year) == 1
    cross = (score[1:][gap]).T @ score[:-1][gap]
    middle = middle + 0.5 * (cross + cross.T)
    return np.asarray(bread @ middle @ bread * n / (n - p))


def fit_covariates(
    year: ArrayLike,
    value: ArrayLike,
    covariates: Mapping[str, ArrayLike],
    *,
    se: ArrayLike | None = None,
    level: float = 0.95,
    units: str = "",
    scale: Literal["log", "identity"] = "log",
    trend: bool = True,
    robust: Literal["none", "hc3", "hac"] = "none",
) -> CovariateFit:
    """Trend of a yearly index beside covariates, such as release from a dam, water temperature or stocking.

    Parameters
    ----------
    year, value, se : arrays (n,)
        Season, index and, where known, its standard error; one value a season.
    covariates : mapping
        Name → array (n,), one value a season in the order of `year`; use `lagged` for an effect of earlier years. A season with
        a missing covariate is left out and counted.
    units : str
        Units of the values.
    scale : str
        ``log``: effects in percent of the index. ``identity``: in the units of the values.
    trend : bool
        Fit a linear trend beside the covariates, reported as ``year``.
    robust : str
        Covariance of the coefficients: ``none``, by the weights (`random_effects.fit_random_effects`); ``hc3`` (MacKinnon & White
        1985) or ``hac`` (Newey & West 1987, lag of one year, times n/(n − p)), both from memory. The robust ones rest on many
        seasons; with few they are themselves uncertain, which is noted below twenty.

    Returns
    -------
    CovariateFit
        Student's t with n − p degrees of freedom. Nothing is estimable unless seasons outnumber coefficients by five, or when
        covariates are collinear (condition number of the scaled design above 30 is noted, above 1e8 refused).

    Raises
    ------
    InputError
        Wrong shapes, several values of one season, no covariate, unknown option.
    """
    check_level(level)
    if scale not in ("log", "identity") or robust not in ("none", "hc3", "hac"):
        raise InputError(f"scale must be log or identity, robust none, hc3 or hac; got {scale!r} and {robust!r}")
    if not covariates:
        raise InputError("fit_covariates needs at least one covariate, got none")
    t, x = numbers("year", year), numbers("value", value)
    table = {name: numbers(name, column) for name, column in covariates.items()}
    for name, column in table.items():
        if column.shape != t.shape:
            raise InputError(f"covariate {name!r} must have one value a season; got {column.size} for {t.size} seasons")
    complete = ~np.isnan(np.column_stack(list(table.values()))).any(axis=1)
    known_se = None if se is None else numbers("se", se)
    masked = np.where(complete, x, np.nan)
    raw = read_series(t, masked, known_se)
    series = to_log(raw) if scale == "log" else raw
    n = series.value.size
    if series.seasons < n:
        raise InputError(f"fit_covariates takes one value a season; got {n} values of {series.seasons} seasons")
    notes: tuple[str, ...] = series.notes
    missing = int((~complete & ~np.isnan(x)).sum())
    if missing:
        notes = (*notes, f"{missing} season{'' if missing == 1 else 's'} without a covariate left out")
    at = {float(y): i for i, y in enumerate(t)}
    rows = [at[float(y)] for y in series.year]
    names = [*table, *(["year"] if trend else [])]
    columns = [*(column[rows] for column in table.values()), *([series.year] if trend else [])]
    p = len(names) + 1
    reason = f"{n} seasons for {p} coefficients, {p + FEWEST_SPARE} needed" if n < p + FEWEST_SPARE else ""
    design = np.column_stack([np.ones(n), *(c - c.mean() for c in columns)]) if n else np.ones((0, p))
    if not reason:
        spread = design[:, 1:].std(axis=0)
        condition = np.linalg.cond(design[:, 1:] / spread) if (spread > 0).all() else math.inf
        if condition > 1e8:
            reason = "a covariate does not vary, or is a combination of the others"
        elif condition > 30:
            notes = (*notes, "covariates move together, so that their effects are hard to tell apart")
    if reason:
        return _refused(names, units, scale, level, n, reason, notes)
    return _fitted(series, design, names, units, scale, level, robust, notes)


def _effect_units(name: str, units: str, scale: str) -> str:
    own = "percent" if scale == "log" else units
    return f"{own} per {'year' if name == 'year' else 'unit'}".strip()


def _refused(names: list[str], units: str, scale: str, level: float, n: int, reason: str, notes: tuple[str, ...]) -> CovariateFit:
    lost = {
        name: Estimate.not_estimable(
            reason, units=_effect_units(name, units, scale), n=n, level=level, method="regression on covariates"
        )
        for name in names
    }
    empty = np.empty(0)
    return CovariateFit(lost, dict.fromkeys(names, math.nan), math.nan, empty, empty, (*notes, f"not estimable: {reason}"))


def _fitted(
    series: Series,
    design: FloatArray,
    names: list[str],
    units: str,
    scale: str,
    level: float,
    robust: str,
    notes: tuple[str, ...],
) -> CovariateFit:
    n, p = design.shape
    variance, lacking = filled_errors(series)
    fit = fit_random_effects(design, series.value, variance)
    beta = fit.coefficients[0]
    residual = series.value - design @ beta
    total = variance + fit.between_sd**2 if variance.any() else np.ones(n)
    if robust != "none":
        covariance = _robust(design, 1 / total, residual, series.year, robust)
        fit = RegressionFit(fit.weights, fit.coefficients, covariance[None], n - p, fit.between_sd, fit.autocorrelation)
        if n < 20:
            notes = (*notes, f"robust standard errors rest on only {n} seasons")
    notes = (*notes, *lacking, *series.few_notes, *dependence_note(lag_one(series.year, residual, p)))
    notes = (*notes, "an association between seasons of one water; it does not show a cause")
    method = f"weighted {'log-' if scale == 'log' else ''}linear regression on covariates" + (
        "" if robust == "none" else f", {robust}"
    )
    coefficients: dict[str, Estimate] = {}
    chance: dict[str, float] = {}
    for k, name in enumerate(names, start=1):
        part = fit.contrast(np.eye(p)[k], level)
        unit = _effect_units(name, units, scale)
        made = (
            as_percent(part, level, unit, method, n, notes)
            if scale == "log"
            else Estimate(*part, level=level, units=unit, method=method, n=n, notes=notes)
        )
        coefficients[name], chance[name] = made, two_sided(part, n - p)
    mean = np.average(series.value, weights=1 / total)
    around = float((((series.value - mean) ** 2) / total).sum())
    explained = 1 - float((residual**2 / total).sum()) / around if around > 0 else math.nan
    line = design @ beta
    return CovariateFit(coefficients, chance, explained, series.year, np.exp(line) if scale == "log" else line, notes)
