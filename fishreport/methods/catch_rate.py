"""Catch per unit effort: the ratio of catch to effort, plain and stratified, with runs or sites as sampling units."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt

from fishreport.exceptions import InputError
from fishreport.methods.catch_index import standardised_index
from fishreport.methods.catch_model import CatchModel, fit_catch_model
from fishreport.methods.estimate import Estimate
from fishreport.methods.inputs import FloatArray, check_level, codes, dropped, numbers, positive_weights, same_size
from fishreport.methods.resampling import Ratio, cluster_totals, effective_poisson_limits, ratio_of_totals

__all__ = ["CatchModel", "fit_catch_model", "mean_catch_rate", "standardised_index", "stratified_catch_rate"]

UNITS = "fish/h"
_INTERVAL = "exact Poisson limits on the effective count, t on {0} − 1"


def _runs(catch: Any, effort_h: Any) -> tuple[FloatArray, FloatArray, npt.NDArray[np.bool_]]:
    count = numbers("catch", catch, at_least=0)
    hours = numbers("effort_h", effort_h, above=0)
    same_size(catch=count, effort_h=hours)
    return count, hours, np.isfinite(count) & np.isfinite(hours)


def _unit_totals(count: FloatArray, hours: FloatArray, site: npt.NDArray[np.intp] | None) -> Ratio:
    if site is None:
        return ratio_of_totals(count, hours)
    clusters = int(site.max()) + 1 if len(site) else 0
    return ratio_of_totals(cluster_totals(site, count, clusters), cluster_totals(site, hours, clusters))


def _degrees(strata: list[tuple[float, Ratio]]) -> float:
    """Satterthwaite's degrees of freedom over (weight, ratio), each of at least the Poisson variance of the rate of all."""
    hours = [ratio.denominator for _, ratio in strata]
    common = sum(ratio.value * ratio.denominator for _, ratio in strata) / sum(hours) or 1.0
    part = np.array([w**2 * max(ratio.variance, common / ratio.denominator) for w, ratio in strata])
    return float(part.sum() ** 2 / (part**2 / [ratio.clusters - 1 for _, ratio in strata]).sum())


def mean_catch_rate(
    catch: npt.ArrayLike, effort_h: npt.ArrayLike, *, site: npt.ArrayLike | None = None, level: float = 0.95
) -> Estimate:
    """Mean catch per hour as the ratio of sums.

    Parameters
    ----------
    catch : array
        Fish caught, one number a run, 0 or more.
    effort_h : array
        Effort of each run (h, current in the water), above 0.
    site : array, optional
        Site of each run; then sites, not runs, are the sampling units.
    level : float
        Confidence level.

    Returns
    -------
    Estimate
        Fish per hour; n is the number of runs (sites when `site` is given). Rows with a missing number are left out, with a
        note. Not estimable with fewer than 2 units. With nothing caught the value is 0, the standard error is NaN (the data
        show none) and the upper limit is the Poisson one.

    Raises
    ------
    InputError
        For a negative catch, an effort that is not above 0, or columns of unequal length.

    Notes
    -----
    R = Σc/Σe; variance n/(n − 1) Σ(c − R e)²/(Σe)² (Cochran 1977, Sampling Techniques, section 6.3, from memory). Interval:
    exact Poisson (gamma) limits of the catch divided by its design effect, which is never below 1 and is widened by (t/z)²
    for few units; see `resampling.effective_poisson_limits`. The lower limit is never below 0.
    """
    check_level(level)
    count, hours, used = _runs(catch, effort_h)
    notes = dropped(int((~used).sum()), "runs without catch or effort")
    unit = "runs"
    code = None
    if site is not None:
        unit = "sites"
        code, _ = codes("site", site, len(count))
        notes += dropped(int((used & (code < 0)).sum()), "runs without a site")
        used = used & (code >= 0)
        code = code[used]
    method = f"ratio of sums, {unit} as units, linearised variance; {_INTERVAL.format(unit)}"
    ratio = _unit_totals(count[used], hours[used], code)
    n = ratio.clusters
    if n < 2:
        reason = f"{n} {unit[:-1] if n == 1 else unit}, 2 needed"
        return Estimate.not_estimable(reason, units=UNITS, method=method, n=n, level=level).noting(*notes)
    low, high = effective_poisson_limits(ratio.value, ratio.variance, ratio.denominator, n - 1, level)
    se = ratio.se
    if ratio.value == 0:
        se = math.nan
        notes += (f"nothing caught in {n} {unit}: the upper limit assumes Poisson catches",)
    elif n < 6:
        notes += (f"{n} {unit} only",)
    return Estimate(ratio.value, se, low, high, level, UNITS, method, n, notes)


def stratified_catch_rate(
    catch: npt.ArrayLike,
    effort_h: npt.ArrayLike,
    stratum: npt.ArrayLike,
    *,
    weight: Mapping[Any, float],
    site: npt.ArrayLike | None = None,
    level: float = 0.95,
) -> Estimate:
    """Mean catch per hour over strata, each weighted by its share of the water.

    Parameters
    ----------
    catch, effort_h : array
        As in `mean_catch_rate`.
    stratum : array
        Stratum (reach) of each run.
    weight : mapping
        Stratum → size, such as kilometres of river; scaled to sum to 1.
    site : array, optional
        Site of each run; then sites within strata are the sampling units.
    level : float
        Confidence level.

    Returns
    -------
    Estimate
        Fish per hour; n is the number of units in strata that carry weight. Not estimable when such a stratum has fewer than
        2 units. Runs in strata of weight 0 are left out, with a note.

    Raises
    ------
    InputError
        As `mean_catch_rate`; also for a stratum in the data that `weight` does not name.

    Notes
    -----
    R = Σ W R_h, variance Σ W² v_h with v_h as in `mean_catch_rate` (separate ratio estimator, Cochran 1977, section 6.10,
    from memory). Satterthwaite's degrees of freedom, in which no stratum counts with less than the Poisson variance of the
    rate of all: where few fish came from one stratum, the others are no less known for that. Interval as in `mean_catch_rate`,
    with Σ W² T_h/E_h² as the Poisson variance and the largest W/E_h as the weight of one fish more; the upper limit is
    never below that of nothing caught.
    """
    check_level(level)
    count, hours, used = _runs(catch, effort_h)
    stratum_code, strata = codes("stratum", stratum, len(count))
    share = positive_weights("weight", weight)
    unknown = [name for name in strata if name not in share]
    if unknown:
        raise InputError(f"weight must name every stratum in the data ({', '.join(map(str, share))}); got {unknown[0]!r}")
    notes = dropped(int((~used | (stratum_code < 0)).sum()), "runs without catch, effort or stratum")
    used = used & (stratum_code >= 0)
    site_code = None
    unit = "runs"
    if site is not None:
        unit = "sites"
        site_code, _ = codes("site", site, len(count))
        notes += dropped(int((used & (site_code < 0)).sum()), "runs without a site")
        used = used & (site_code >= 0)
    method = (
        f"mean of strata weighted by size, ratio of sums in each, {unit} as units, linearised variance; "
        "exact Poisson limits on the effective count, t with Satterthwaite's degrees of freedom"
    )
    value = variance = poisson = heaviest = 0.0
    units_n = 0
    strata_of: list[tuple[float, Ratio]] = []
    for name, w in share.items():
        rows = used & (stratum_code == (strata.index(name) if name in strata else -2))
        if w == 0:
            notes += dropped(int(rows.sum()), f"runs in stratum {name} of weight 0")
            continue
        ratio = _unit_totals(count[rows], hours[rows], None if site_code is None else site_code[rows])
        if ratio.clusters < 2:
            reason = f"stratum {name} has {ratio.clusters} {unit[:-1] if ratio.clusters == 1 else unit}, 2 needed"
            return Estimate.not_estimable(reason, units=UNITS, method=method, n=units_n, level=level).noting(*notes)
        units_n += ratio.clusters
        value += w * ratio.value
        variance += w**2 * ratio.variance
        poisson += w**2 * ratio.value / ratio.denominator
        heaviest = max(heaviest, w / ratio.denominator)
        strata_of.append((w, ratio))
    nothing = [(w, replace(ratio, value=0.0, variance=0.0)) for w, ratio in strata_of]
    least = effective_poisson_limits(0.0, 0.0, 1 / heaviest, _degrees(nothing), level)[1]
    if value == 0:
        notes += (f"nothing caught in {units_n} {unit}: the upper limit assumes Poisson catches",)
        return Estimate(0.0, math.nan, 0.0, least, level, UNITS, method, units_n, notes)
    df = _degrees(strata_of)
    low, high = effective_poisson_limits(value, variance, value / poisson, df, level, heaviest=heaviest)
    high = max(high, least)
    return Estimate(value, math.sqrt(variance), low, high, level, UNITS, method, units_n, notes)
