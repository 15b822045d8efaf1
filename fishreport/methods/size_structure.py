"""Size structure: proportional size indices from published length categories."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt

from fishreport.exceptions import InputError
from fishreport.methods.estimate import Estimate
from fishreport.methods.inputs import FloatArray, IntArray, check_level, codes, dropped, number, numbers
from fishreport.methods.length_distribution import compare_lengths, length_frequency, length_quantile, mean_length
from fishreport.methods.proportion import beta_limits, effective_trials
from fishreport.methods.resampling import cluster_totals, ratio_of_totals

__all__ = [
    "compare_lengths",
    "incremental_indices",
    "length_frequency",
    "length_quantile",
    "mean_length",
    "proportional_size",
    "size_indices",
]

UNITS = "percent"


@dataclass(frozen=True, slots=True)
class _StockFish:
    length: FloatArray
    run: IntArray | None
    runs: int
    notes: tuple[str, ...]


def _stock_fish(length_mm: Any, stock: float, run: Any) -> _StockFish:
    length = numbers("length_mm", length_mm, above=0)
    number("stock", stock, above=0, units="mm")
    notes = dropped(int(np.isnan(length).sum()), "fish without a length")
    used = np.isfinite(length) & (length >= stock)
    if run is None:
        return _StockFish(length[used], None, 0, notes)
    code, _ = codes("run", run, len(length))
    notes += dropped(int((used & (code < 0)).sum()), "fish without a run")
    used &= code >= 0
    code = code[used]
    return _StockFish(length[used], code, int(np.count_nonzero(np.bincount(code))), notes)


def _share(fish: _StockFish, low: float, high: float, level: float, what: str) -> Estimate:
    n = len(fish.length)
    clustered = fish.run is not None
    if clustered:
        method = f"{what}; runs as clusters, linearised ratio variance; exact limits on the effective number, t on runs − 1"
    else:
        method = f"{what}; exact (Clopper-Pearson) limits, fish taken as independent"
    if n == 0:
        answer = Estimate.not_estimable("no fish of stock length", units=UNITS, method=method, n=0, level=level)
        return answer.noting(*fish.notes)
    inside = (fish.length >= low) & (fish.length < high)
    share = float(inside.mean())
    notes = fish.notes
    if fish.run is None:
        se = math.sqrt(share * (1 - share) / n)
        trials, units_n = float(n), n
    else:
        if fish.runs < 2:
            answer = Estimate.not_estimable(
                "1 run with fish of stock length, 2 needed", units=UNITS, method=method, n=1, level=level
            )
            return answer.noting(*notes)
        clusters = int(fish.run.max()) + 1
        ratio = ratio_of_totals(cluster_totals(fish.run, inside, clusters), cluster_totals(fish.run, np.ones(n), clusters))
        se, units_n = ratio.se, fish.runs
        trials = effective_trials(share, ratio.variance, n, units_n, level)
    if share in (0.0, 1.0):
        se = math.nan
        if clustered:
            notes += (f"all {n} fish on one side of the bound: the limits cannot account for likeness within runs",)
    if n < 20:
        notes += (f"{n} fish of stock length only",)
    lower, upper = beta_limits(share * trials, trials, level)
    return Estimate(100 * share, 100 * se, 100 * float(lower), 100 * float(upper), level, UNITS, method, units_n, notes)


def proportional_size(
    length_mm: npt.ArrayLike, *, stock: float, bound: float, run: npt.ArrayLike | None = None, level: float = 0.95
) -> Estimate:
    """Share of the fish of stock length that have reached a bound, such as quality length.

    Parameters
    ----------
    length_mm : array
        Total length (mm), one a fish; missing lengths are left out, with a note.
    stock, bound : float
        Stock length and the lower bound of the category (mm), both inclusive; `bound` is not below `stock`.
    run : array, optional
        Run of each fish. Fish of a run are alike, so that runs are then the sampling units.
    level : float
        Confidence level.

    Returns
    -------
    Estimate
        Percent. n is the number of runs with stock fish when `run` is given, else the number of stock fish. Not estimable
        without stock fish, or with `run` and fewer than 2 runs. At 0 and 100 % the standard error is NaN.

    Raises
    ------
    InputError
        For a length that is not above 0, or a bound below stock length.

    Notes
    -----
    100 × (fish ≥ bound)/(fish ≥ stock) (Anderson 1976 and Gabelhouse 1984, from memory). Without `run`: Clopper and Pearson
    1934. With `run`: linearised variance of the ratio of run totals, n/(n − 1) Σ(y − p m)²/(Σm)²; the interval is the
    exact one for the effective number of fish min(p(1 − p)/v, fish) · (t(fish − 1)/t(runs − 1))², which is bounded by the fish
    measured before it is multiplied by the ratio of t, and has that bound for p(1 − p)/v where p is 0 or 1 or v is 0 (after Korn
    and Graubard 1998, Survey Methodology 24:193-201, from memory). So it is never narrower than without runs.
    """
    check_level(level)
    if number("bound", bound, above=0, units="mm") < number("stock", stock, above=0, units="mm"):
        raise InputError(f"bound must be a length in mm, {stock:g} (stock) or more; got {bound!r}")
    fish = _stock_fish(length_mm, stock, run)
    return _share(fish, bound, math.inf, level, f"fish of {bound:g} mm and longer among fish of {stock:g} mm and longer")


def _categories(categories: Mapping[str, float]) -> dict[str, float]:
    if not isinstance(categories, Mapping):
        raise InputError(f"categories must map names to lengths in mm; got {categories!r}")
    if "stock" not in categories:
        raise InputError(f"categories must hold 'stock'; got {', '.join(categories) or 'none'}")
    bounds = [number(f"the length of {name}", bound, above=0, units="mm") for name, bound in categories.items()]
    if any(not low < high for low, high in pairwise(bounds)):
        raise InputError(f"categories must rise from stock on; got {dict(categories)}")
    return dict(categories)


def size_indices(
    length_mm: npt.ArrayLike, categories: Mapping[str, float], *, run: npt.ArrayLike | None = None, level: float = 0.95
) -> dict[str, Estimate]:
    """`proportional_size` of every category above stock: name → percent of stock fish of that length and longer.

    `categories` maps stock, quality, … to lower bounds (mm) in rising order. Intervals are one at a time.
    """
    check_level(level)
    bounds = _categories(categories)
    fish = _stock_fish(length_mm, bounds["stock"], run)
    return {
        name: _share(
            fish, bound, math.inf, level, "fish of the category's length and longer among fish of stock length and longer"
        )
        for name, bound in bounds.items()
        if name != "stock"
    }


def incremental_indices(
    length_mm: npt.ArrayLike,
    categories: Mapping[str, float],
    *,
    run: npt.ArrayLike | None = None,
    simultaneous: bool = False,
    level: float = 0.95,
) -> dict[str, Estimate]:
    """Share of the stock fish in each category: ``stock-quality``, ``quality-preferred``, …, and the last one open.

    Parameters
    ----------
    length_mm, categories, run, level
        As in `size_indices`.
    simultaneous : bool
        Limits that hold for all categories together at `level` (Bonferroni: each at 1 − (1 − level)/categories).

    Returns
    -------
    dict
        Name → Estimate in percent; the values sum to 100. Each as in `proportional_size`.
    """
    check_level(level)
    bounds = _categories(categories)
    fish = _stock_fish(length_mm, bounds["stock"], run)
    names, edges = list(bounds), [*bounds.values(), math.inf]
    each = 1 - (1 - level) / len(names) if simultaneous else level
    found = {}
    for i, name in enumerate(names):
        label = f"{name}-{names[i + 1]}" if i + 1 < len(names) else name
        what = "fish of the category among fish of stock length and longer"
        if simultaneous:
            what += "; simultaneous by Bonferroni"
        found[label] = replace(_share(fish, edges[i], edges[i + 1], each, what), level=level)
    return found
