"""Condition: relative weight against a published standard, condition factor, and injuries and deaths from handling."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from fishreport.exceptions import InputError
from fishreport.methods.estimate import Estimate
from fishreport.methods.inputs import FloatArray, IntArray, check_level, codes, dropped, numbers, same_size
from fishreport.methods.proportion import beta_limits, effective_trials
from fishreport.methods.regression import least_squares
from fishreport.methods.resampling import ratio_of_totals, t_limits
from fishreport.methods.sample_mean import mean_of_fish

_MINIMUM_FOR_TREND = 10


class WeightStandard(Protocol):
    """What relative weight asks of a standard (`species.Standard` answers it)."""

    @property
    def name(self) -> str: ...

    @property
    def categories(self) -> Any: ...

    def standard_weight(self, length_mm: npt.ArrayLike) -> FloatArray: ...


def _weighed(length_mm: Any, weight_g: Any) -> tuple[FloatArray, FloatArray]:
    length = numbers("length_mm", length_mm, above=0)
    weight = numbers("weight_g", weight_g, above=0)
    same_size(length_mm=length, weight_g=weight)
    return length, weight


def _check_standard(standard: Any) -> None:
    if not hasattr(standard, "standard_weight"):
        raise InputError(f"standard must be a standard from Standards.find, not a name; got {standard!r}")


def _standard_weight(standard: WeightStandard, length: FloatArray) -> FloatArray:
    _check_standard(standard)
    return standard.standard_weight(length)


def _run_of(run: Any, used: npt.NDArray[np.bool_]) -> tuple[IntArray | None, npt.NDArray[np.bool_], tuple[str, ...]]:
    """Run codes of the used fish, the fish that stay in use, and a note about fish without a run."""
    if run is None:
        return None, used, ()
    code, _ = codes("run", run, len(used))
    notes = dropped(int((used & (code < 0)).sum()), "fish without a run")
    used = used & (code >= 0)
    return code[used], used, notes


def relative_weight(length_mm: npt.ArrayLike, weight_g: npt.ArrayLike, standard: WeightStandard) -> FloatArray:
    """Relative weight of each fish.

    Parameters
    ----------
    length_mm, weight_g : array
        Total length (mm) and weight (g), above 0; missing values give NaN.
    standard : Standard
        From `species.Standards.find`.

    Returns
    -------
    array
        100 W/Ws, one a fish; NaN where the standard does not apply (shorter than its minimum length, or longer than its
        maximum).

    Raises
    ------
    InputError
        For a length or weight that is not above 0, or columns of unequal length.

    Notes
    -----
    Wege and Anderson 1978 (from memory); the equation and limits of use are those of `standard`.
    """
    length, weight = _weighed(length_mm, weight_g)
    return 100 * weight / _standard_weight(standard, length)


def mean_relative_weight(
    length_mm: npt.ArrayLike,
    weight_g: npt.ArrayLike,
    standard: WeightStandard,
    *,
    run: npt.ArrayLike | None = None,
    lower_mm: float = 0.0,
    upper_mm: float = math.inf,
    level: float = 0.95,
) -> Estimate:
    """Mean relative weight.

    Parameters
    ----------
    length_mm, weight_g, standard
        As in `relative_weight`.
    run : array, optional
        Run of each fish; runs are then the clusters.
    lower_mm, upper_mm : float
        Only fish of `lower_mm` and longer, and shorter than `upper_mm`.
    level : float
        Confidence level.

    Returns
    -------
    Estimate
        Mean of 100 W/Ws. n is the number of runs with such fish when `run` is given, else of fish. Fish outside the limits of
        the standard are left out, with a note. Variance, interval and when not estimable: `sample_mean.mean_of_fish`.
    """
    check_level(level)
    length, weight = _weighed(length_mm, weight_g)
    complete = np.isfinite(length) & np.isfinite(weight)
    wr = 100 * weight / _standard_weight(standard, length)
    within = complete & (length >= lower_mm) & (length < upper_mm)
    notes = dropped(int((within & np.isnan(wr)).sum()), f"fish outside the limits of the standard for {standard.name}")
    code, used, more = _run_of(run, within & np.isfinite(wr))
    what = f"mean of 100 W/Ws, standard weight of {standard.name}"
    return mean_of_fish(wr[used], code, level=level, units="", what=what, notes=notes + more)


def relative_weight_by_category(
    length_mm: npt.ArrayLike,
    weight_g: npt.ArrayLike,
    standard: WeightStandard,
    *,
    run: npt.ArrayLike | None = None,
    level: float = 0.95,
) -> dict[str, Estimate]:
    """`mean_relative_weight` of each length category: ``sub-stock``, ``stock-quality``, …, and the last category open above.

    Raises
    ------
    InputError
        When the standard has no length categories.
    """
    _check_standard(standard)
    bounds = dict(standard.categories)
    if not bounds:
        raise InputError(f"standard must have length categories; {standard.name} has none")
    names = list(bounds)
    edges = [0.0, *bounds.values(), math.inf]
    labels = [f"sub-{names[0]}", *(f"{low}-{high}" for low, high in pairwise(names)), names[-1]]
    return {
        label: mean_relative_weight(length_mm, weight_g, standard, run=run, lower_mm=edges[i], upper_mm=edges[i + 1], level=level)
        for i, label in enumerate(labels)
    }


def relative_weight_trend(
    length_mm: npt.ArrayLike,
    weight_g: npt.ArrayLike,
    standard: WeightStandard,
    *,
    run: npt.ArrayLike | None = None,
    level: float = 0.95,
) -> Estimate:
    """Change of relative weight per 100 mm of length.

    Arguments as in `mean_relative_weight`.

    Returns
    -------
    Estimate
        Slope of Wr on length, per 100 mm. Not estimable with fewer than 10 fish, lengths all alike, or (with `run`) fewer than
        3 runs.

    Notes
    -----
    Least squares; t limits on n − 2, or with `run` standard error by leaving out one run at a time (cluster jackknife) and
    t on runs − 1.
    """
    check_level(level)
    length, weight = _weighed(length_mm, weight_g)
    wr = 100 * weight / _standard_weight(standard, length)
    code, used, notes = _run_of(run, np.isfinite(wr))
    x, y = length[used] / 100, wr[used]
    n = len(y)
    method = "least squares of relative weight on length" + (
        ", t limits" if code is None else ", standard error by leaving out one run at a time, t on runs − 1"
    )
    runs = 0 if code is None else len(np.unique(code))
    reason = ""
    if n < _MINIMUM_FOR_TREND:
        reason = f"{n} weighed fish, {_MINIMUM_FOR_TREND} needed"
    elif float(np.ptp(x)) < 1e-6:
        reason = f"all {n} weighed fish have the same length"
    elif code is not None and runs < 3:
        reason = f"{runs} runs with weighed fish, 3 needed"
    units = "per 100 mm"
    units_n = n if code is None else runs
    if reason:
        return Estimate.not_estimable(reason, units=units, method=method, n=units_n, level=level).noting(*notes)
    if code is not None:
        code = np.unique(code, return_inverse=True)[1].astype(np.intp)
    fit = least_squares(np.column_stack([np.ones(n), x - x.mean()]), y, code)
    slope, se = float(fit.coefficients[1]), math.sqrt(float(fit.covariance[1, 1]))
    low, high = t_limits(slope, se, fit.t_df, level)
    return Estimate(slope, se, low, high, level, units, method, units_n, notes)


def condition_factor(
    length_mm: npt.ArrayLike, weight_g: npt.ArrayLike, *, run: npt.ArrayLike | None = None, level: float = 0.95
) -> Estimate:
    """Mean condition factor K = 10⁵ W/L³ (W in g, L in mm).

    Arguments as in `mean_relative_weight`; variance, interval and when not estimable: `sample_mean.mean_of_fish`. K depends
    on length wherever weight does not grow as its cube: compare fish of like length only (Fulton 1904; Ricker 1975, from
    memory).
    """
    check_level(level)
    length, weight = _weighed(length_mm, weight_g)
    factor = 1e5 * weight / length**3
    complete = np.isfinite(factor)
    notes = dropped(int((~complete).sum()), "fish without length or weight")
    code, used, more = _run_of(run, complete)
    return mean_of_fish(factor[used], code, level=level, units="", what="mean of 10^5 W/L^3", notes=notes + more)


def handling_mortality(affected: npt.ArrayLike, handled: npt.ArrayLike, *, level: float = 0.95) -> Estimate:
    """Share of the handled fish that died (or were injured).

    Parameters
    ----------
    affected, handled : int, or array with one number a run
        Fish that died (or were injured), and fish handled.
    level : float
        Confidence level.

    Returns
    -------
    Estimate
        Percent. With single numbers, fish are taken as independent and n is the number of fish; with one number a run, runs
        are clusters and n is the number of runs with fish. Not estimable without fish. At 0 and 100 % the standard error is NaN.

    Raises
    ------
    InputError
        For negative or broken counts, or more affected than handled.

    Notes
    -----
    Clopper and Pearson 1934. With runs: the exact interval on the effective number of fish, as in
    `size_structure.proportional_size`; with a single run, or none affected, on the number of fish, with a note.
    """
    check_level(level)
    dead, fish = numbers("affected", affected, at_least=0), numbers("handled", handled, at_least=0)
    same_size(affected=dead, handled=fish)
    clustered = np.ndim(affected) > 0
    complete = np.isfinite(dead) & np.isfinite(fish)
    notes = dropped(int((~complete).sum()), "runs without a count")
    dead, fish = dead[complete], fish[complete]
    if (dead > fish).any():
        raise InputError(f"affected must not exceed handled; got {dead[dead > fish][0]:g} of {fish[dead > fish][0]:g}")
    if (np.floor(dead) != dead).any() or (np.floor(fish) != fish).any():
        raise InputError("affected and handled must be whole numbers of fish")
    total = float(fish.sum())
    units = "percent"
    method = "share of handled fish; exact (Clopper-Pearson) limits, fish taken as independent"
    if total == 0:
        return Estimate.not_estimable("no fish handled", units=units, method=method, level=level).noting(*notes)
    share = float(dead.sum()) / total
    se, trials, n = math.sqrt(share * (1 - share) / total), total, int(total)
    ratio = ratio_of_totals(dead, fish)
    if clustered and ratio.clusters > 1:
        method = "share of handled fish; runs as clusters, linearised ratio variance; exact limits on the effective number"
        se, n = ratio.se, ratio.clusters
        trials = effective_trials(share, ratio.variance, total, n, level)
    elif clustered:
        notes += ("one run: the limits take its fish as independent and are too narrow if they are not",)
    if share in (0.0, 1.0):
        se = math.nan
    low, high = beta_limits(share * trials, trials, level)
    return Estimate(100 * share, 100 * se, 100 * float(low), 100 * float(high), level, units, method, n, notes)
