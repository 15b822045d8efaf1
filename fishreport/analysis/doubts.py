"""How far the rows in doubt move an estimate: each is worked out with them and without."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

import pandas as pd

from fishreport.analysis.classes import LengthClasses
from fishreport.analysis.result import Result
from fishreport.fielddata.survey import Survey
from fishreport.methods.estimate import Estimate

SHIFT = 0.25
"""A shift of the value that matters, in standard errors without the rows in doubt."""
WIDER = 1.25
"""A ratio of the widths of the intervals that matters."""
_OF_A_TABLE = "units_of_table"  # names one row, but doubts them all


@dataclass(frozen=True)
class Moved:
    """An estimate that rows in doubt move.

    Attributes
    ----------
    result : Result
        As reported, with the rows in doubt.
    without : Estimate
        The same without them.
    lines : tuple[int, ...]
        Lines of the fish table that are in doubt and count for the estimate.
    stock : tuple[Estimate, Estimate] | None
        For an estimate of fish of all lengths: that of stock length and longer, with the rows in doubt and without.
    """

    result: Result
    without: Estimate
    lines: tuple[int, ...]
    stock: tuple[Estimate, Estimate] | None = None


def doubtful_fish(survey: Survey) -> pd.Series:
    """Which fish have a length, a weight or a species that the checks doubt."""
    doubts = survey.doubts
    doubts = doubts[(doubts["table"] == "fish") & (doubts["code"] != _OF_A_TABLE)]
    doubts = doubts[doubts["column"].isin(["length_mm", "weight_g"]) | (doubts["code"] == "tag_two_species")]
    return survey.fish["row"].isin(doubts["row"].dropna().astype(int).to_list())


def _matters(given: Estimate, without: Estimate) -> bool:
    if given.estimable != without.estimable:
        return True
    if not given.estimable or (given.value == without.value and given.lower == without.lower and given.upper == without.upper):
        return False
    widths = sorted((given.upper - given.lower, without.upper - without.lower))
    wider = all(map(math.isfinite, widths)) and widths[1] > WIDER * widths[0]
    se = without.se if without.se > 0 else given.se
    return wider or abs(given.value - without.value) > SHIFT * (se if math.isfinite(se) else 0.0)


def moved_by_doubts(
    results: Iterable[Result], again: Callable[[Survey], Iterable[Result]], survey: Survey, classes: Iterable[LengthClasses]
) -> tuple[Moved, ...]:
    """The estimates that rows in doubt move so far that a reader should know.

    Parameters
    ----------
    results : iterable of Result
        As reported.
    again : callable
        Works the results out anew from a survey; it is called only where a fish is in doubt.
    survey : Survey
    classes : iterable of LengthClasses
        Of the species of the results.

    Returns
    -------
    tuple of Moved
        In the order of `results`: those whose value moves by more than a quarter of its standard error without the rows
        (a bias of a tenth to a fifth of the standard error leaves an interval's level as it is; Cochran 1977, Sampling
        Techniques, section 1.8, from memory), whose interval becomes a quarter wider or narrower, or which can be estimated
        with or without the rows alone. The thresholds are our own.
    """
    results = list(results)
    doubtful = doubtful_fish(survey)
    if not doubtful.any():
        return ()
    without = {one.id: one.estimate for one in again(replace(survey, fish=survey.fish[~doubtful]))}
    given = {one.id: one.estimate for one in results}
    own_classes = {one.species.key: one for one in classes}
    suspects = survey.fish[doubtful]
    found = []
    for one in results:
        estimate = without.get(one.id)
        if estimate is None or not _matters(one.estimate, estimate):
            continue
        fish = suspects[(suspects["season"] == one.season) & (suspects["species_key"] == one.species)]
        own = own_classes.get(one.species or "")
        whole = "stock" if one.quantity.startswith(("proportional", "size_class")) else one.size_class or "all"
        if own is not None and whole in own.bounds_mm and whole != "all":
            fish = fish[own.holds(fish["length_mm"].to_numpy(float), whole)]
        stock = replace(one, size_class="stock").id
        pair = (given[stock], without[stock]) if one.size_class == "all" and stock in given and stock in without else None
        found.append(Moved(one, estimate, tuple(sorted({int(row) for row in fish["row"]})), pair))
    return tuple(found)
