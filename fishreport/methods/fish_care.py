"""Fish hurt or killed in the survey: shares with exact intervals, their ratio, and nights that stand out."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy import special, stats

from fishreport.exceptions import InputError
from fishreport.methods.estimate import Estimate
from fishreport.methods.inputs import FloatArray, check_level, numbers, same_size
from fishreport.methods.proportion import beta_limits, exact_interval


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


def _dispersion(harmed: FloatArray, handled: FloatArray, later: np.ndarray, level: float) -> float:
    """How much more harm differs between runs than by chance, never below 1, widened for few runs; 1 with fewer than 3 runs."""
    scaled = 0.0
    for period in (later, ~later):
        expected = handled[period] * harmed[period].sum() / max(handled[period].sum(), 1.0)
        scaled += float(((harmed[period] - expected)[expected > 0] ** 2 / expected[expected > 0]).sum())
    df = len(handled) - 2
    if df < 1:
        return 1.0
    quantile = 0.5 + level / 2
    return max(scaled / df, 1.0) * float(special.stdtrit(df, quantile) / special.ndtri(quantile)) ** 2


def harm_ratio(harmed: ArrayLike, handled: ArrayLike, later: ArrayLike, *, level: float = 0.95) -> Estimate:
    """How many times as often fish were harmed in the later runs as in the earlier ones.

    Parameters
    ----------
    harmed, handled : arrays (n,)
        Fish injured or dead, and fish looked at, one number a run; NaN rows are left out.
    later : array (n,) of bool
        True for the runs of the reported season, False for those before it.
    level : float
        Confidence level.

    Returns
    -------
    Estimate
        Ratio of the two shares harmed; n is the number of runs with fish. Not estimable without harm in the earlier runs, without
        any harm, or without fish on either side; then a lower limit above 0 stands where the later runs had harm.

    Raises
    ------
    InputError
        Numbers that are negative or not whole, more harmed than handled, columns of different length.

    Notes
    -----
    Counts are taken as Poisson, and the later one given their sum as binomial, with Clopper and Pearson's limits of its share
    s turned into those of the ratio s/(1 − s) · n₀/n₁ (Przyborowski and Wilenski 1940, Biometrika 31:313-323, from memory;
    `poisson.test` of R). Fish of a run may be harmed together: all counts are first divided by Pearson's dispersion between
    the runs of each period (runs − 2 degrees of freedom), never below 1, times (t/z)² for few runs. The standard error is
    that of the logarithm, √(1/x₁ + 1/x₀), times the ratio.
    """
    check_level(level)
    x, m = numbers("harmed", harmed, at_least=0), numbers("handled", handled, at_least=0)
    same_size(harmed=x, handled=m, later=np.asarray(later))
    known = ~(np.isnan(x) | np.isnan(m))
    x, m, now = x[known], m[known], np.asarray(later, dtype=bool)[known]
    if bool((x > m).any()) or not np.array_equal(m, np.round(m)) or not np.array_equal(x, np.round(x)):
        raise InputError("harmed and handled must be whole numbers, with no more harmed than handled")
    x, m, now = x[m > 0], m[m > 0], now[m > 0]
    method = "ratio of shares harmed, exact conditional Poisson limits, counts divided by the dispersion between runs"
    fish, hurt = (float(m[now].sum()), float(m[~now].sum())), (float(x[now].sum()), float(x[~now].sum()))
    reason = "no fish handled in the one or the other" if min(fish) == 0 else "no fish was harmed" if sum(hurt) == 0 else ""
    if reason:
        return Estimate.not_estimable(reason, method=method, n=len(m), level=level)
    spread = _dispersion(x, m, now, level)
    low, high = (float(limit) for limit in beta_limits(hurt[0] / spread, sum(hurt) / spread, level))
    times = fish[1] / fish[0]
    lower, upper = low / (1 - low) * times, high / (1 - high) * times if high < 1 else math.inf
    if hurt[1] == 0:
        answer = Estimate.not_estimable("no fish was harmed before", method=method, n=len(m), level=level)
        return replace(answer, lower=lower, upper=math.inf)
    ratio = hurt[0] / hurt[1] * times
    se = ratio * math.sqrt(spread * (1 / hurt[0] + 1 / hurt[1])) if hurt[0] else math.nan
    return Estimate(ratio, se, lower, upper, level, "", method, len(m))


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
