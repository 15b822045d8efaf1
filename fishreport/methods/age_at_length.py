"""Age at which the mean fish of a growth curve reaches a length."""

from __future__ import annotations

import math

import numpy as np

from fishreport.exceptions import InputError
from fishreport.methods.estimate import Estimate
from fishreport.methods.growth_curves import Floats
from fishreport.methods.stratified_growth import StratifiedGrowth


def _ages(parameters: Floats, length_mm: float) -> Floats:
    """Age by ``t0 - ln(1 - L / Linf) / K``, one a row of parameters; infinite where the curve stays below the length."""
    final, speed, zero = parameters.T
    with np.errstate(all="ignore"):
        return np.where(length_mm < final, zero - np.log1p(-length_mm / final) / speed, np.inf)


def age_at_length(fit: StratifiedGrowth, length_mm: float) -> Estimate:
    """Age (years, as ages are read at the survey) at which the mean fish reaches a length.

    Parameters
    ----------
    fit : StratifiedGrowth
        A von Bertalanffy curve.
    length_mm : float
        Above 0 (mm).

    Returns
    -------
    Estimate
        The curve turned round, ``t0 - ln(1 - L / Linf) / K``; percentiles of the bootstrap replicates of the curve. A replicate
        that stays below the length counts as an infinite age, so that the upper limit may be infinite; one without an asymptote
        is left out. Not estimable without a curve, or where the curve itself stays below the length.

    Raises
    ------
    InputError
        For a curve of another form, or a length that is not above 0.
    """
    if fit.curve.power != 1:
        raise InputError(f"age at length is that of a von Bertalanffy curve, not of {fit.curve.name!r}")
    if not length_mm > 0 or not math.isfinite(length_mm):
        raise InputError(f"length_mm must be a finite length above 0, got {length_mm!r}")
    method = "age at length on the von Bertalanffy curve, percentiles of the two-stage bootstrap"
    nothing = {"units": "years", "method": method, "n": fit.n, "level": fit.level}
    if not fit.estimable:
        return Estimate.not_estimable("no growth curve", **nothing)  # type: ignore[arg-type]
    age = float(_ages(fit.parameters[None], length_mm)[0])
    if not math.isfinite(age):
        return Estimate.not_estimable("the mean fish stays shorter", **nothing)  # type: ignore[arg-type]
    whole = np.isfinite(fit.replicates).all(axis=1) & (fit.replicates[:, 1] > 0)
    many = _ages(fit.replicates[whole], length_mm)
    if not many.size:
        return Estimate(age, math.nan, math.nan, math.nan, fit.level, "years", method, fit.n, ("no replicate with an asymptote",))
    low, high = np.quantile(many, [(1 - fit.level) / 2, (1 + fit.level) / 2], method="inverted_cdf")
    reached = many[np.isfinite(many)]
    se = float(reached.std(ddof=1)) if reached.size == many.size > 1 else math.nan
    return Estimate(age, se, float(low), float(high), fit.level, "years", method, fit.n)
