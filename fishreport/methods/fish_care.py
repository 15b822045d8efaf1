"""Fish hurt or killed in the survey: shares with exact intervals, and nights that stand out."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy import stats

from fishreport.exceptions import InputError
from fishreport.methods.estimate import Estimate
from fishreport.methods.inputs import check_level, numbers, same_size
from fishreport.methods.proportion import exact_interval


@dataclass(frozen=True, slots=True)
class NightFlags:
    """Nights (or runs) against the usual rate of harm.

    Attributes
    ----------
    frame : DataFrame
        One row a night, in the order given: ``night``, ``handled``, ``harmed``, ``share`` (percent), ``lower``, ``upper`` (exact
        limits), ``expected`` (fish harmed at the rate of the other nights), ``p`` and ``flagged``.
    usual : Estimate
        Share harmed over all nights, in percent, with the exact binomial interval.
    rule : str
        The rule in words.
    """

    frame: pd.DataFrame
    usual: Estimate
    rule: str


def harmed_share(harmed: int, handled: int, *, level: float = 0.95) -> Estimate:
    """Share of handled fish that were injured or died, in percent.

    Exact binomial interval (Clopper & Pearson 1934), which takes fish as independent; none harmed gives an upper limit only. The
    standard error is √(p (1 − p)/n). Not estimable when no fish was handled.

    Raises
    ------
    InputError
        Numbers that are negative, not whole, or more harmed than handled.
    """
    check_level(level)
    if harmed != int(harmed) or handled != int(handled) or not 0 <= harmed <= handled:
        raise InputError(f"harmed and handled must be whole numbers with 0 ≤ harmed ≤ handled; got {harmed} and {handled}")
    method = "share of handled fish, exact binomial interval"
    if handled == 0:
        return Estimate.not_estimable("no fish handled", units="percent", method=method, n=0, level=level)
    share = harmed / handled
    lower, upper = (float(limit) for limit in exact_interval(harmed, handled, level=level))
    se = math.sqrt(share * (1 - share) / handled)
    return Estimate(100 * share, 100 * se, 100 * lower, 100 * upper, level, "percent", method, int(handled))


def flag_bad_nights(
    night: ArrayLike, handled: ArrayLike, harmed: ArrayLike, *, alarm: float = 0.01, level: float = 0.95
) -> NightFlags:
    """Nights on which more fish were hurt than on the others.

    Parameters
    ----------
    night : array (n,)
        Label of each night or run, one row each.
    handled, harmed : arrays (n,)
        Fish handled, and of these injured or dead; NaN rows are left out.
    alarm : float
        Chance of flagging any night when all are alike, shared over the nights.

    Returns
    -------
    NightFlags
        Each night is held against all the others by Fisher's exact test, one-sided. Flagged when p ≤ alarm / (number of nights)
        (Bonferroni) and at least two fish were harmed. Without another night nothing is flagged. The rule is our own.

    Raises
    ------
    InputError
        Columns of different length, a repeated night, numbers that are negative or not whole, more harmed than handled.
    """
    check_level(level)
    if not 0 < alarm < 1:
        raise InputError(f"alarm must lie between 0 and 1, got {alarm:g}")
    labels = pd.Series(np.asarray(night))
    m, x = numbers("handled", handled, at_least=0), numbers("harmed", harmed, at_least=0)
    same_size(night=labels.to_numpy(), handled=m, harmed=x)
    keep = ~(np.isnan(m) | np.isnan(x))
    labels, m, x = labels[keep].reset_index(drop=True), m[keep], x[keep]
    if labels.duplicated().any():
        raise InputError(f"each night needs one row; got several of {labels[labels.duplicated()].iloc[0]!r}")
    if bool((x > m).any()) or not np.array_equal(m, np.round(m)) or not np.array_equal(x, np.round(x)):
        raise InputError("handled and harmed must be whole numbers, with no more harmed than handled")
    total, hurt = int(m.sum()), int(x.sum())
    rows = []
    for label, handled_here, harmed_here in zip(labels, m.astype(int), x.astype(int), strict=True):
        share = harmed_share(harmed_here, handled_here, level=level)
        others, harmed_others = total - handled_here, hurt - harmed_here
        p = math.nan
        if others and handled_here:
            p = float(stats.hypergeom.sf(harmed_here - 1, total, hurt, handled_here))
        expected = handled_here * harmed_others / others if others else math.nan
        flagged = bool(harmed_here >= 2 and p <= alarm / len(m))
        rows.append((label, handled_here, harmed_here, share.value, share.lower, share.upper, expected, p, flagged))
    columns = ["night", "handled", "harmed", "share", "lower", "upper", "expected", "p", "flagged"]
    rule = (
        "flagged when two fish or more were harmed, and so many or more would come about by chance in at most "
        f"{100 * alarm:g}% of surveys whose nights are all alike (Fisher's exact test against the other nights, shared over them)"
    )
    return NightFlags(pd.DataFrame(rows, columns=columns), harmed_share(hurt, total, level=level), rule)
