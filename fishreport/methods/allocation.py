"""Sites or repeat runs: where the spread of the catch lies, and how to share out runs and money."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy import stats

from fishreport.exceptions import InputError
from fishreport.methods.estimate import Estimate
from fishreport.methods.inputs import FloatArray, check_level, codes, numbers, same_size

FEWEST_REPEATS = 5


@dataclass(frozen=True, slots=True)
class SpreadOfCatch:
    """Spread of the catch rate between sites, and between runs of one site, as coefficients of variation.

    Attributes
    ----------
    between_sites, between_runs : Estimate
        Coefficients of variation, relative to the mean catch rate of the season.
    mean_rate : float
        Mean catch rate of a run, fish/h.
    mean_catch : float
        Mean catch of a run, fish.
    dispersion : float
        Size k of the negative binomial that gives `between_runs` at the mean catch; infinite when runs spread no more than
        Poisson.
    sites, runs : int
        Sites with repeat runs behind the estimate, and runs in all.
    """

    between_sites: Estimate
    between_runs: Estimate
    mean_rate: float
    mean_catch: float
    dispersion: float
    sites: int
    runs: int


@dataclass(frozen=True, slots=True)
class Allocation:
    """Ways to share out a survey.

    Attributes
    ----------
    frame : DataFrame
        One row a way: ``sites``, ``runs_per_site``, ``runs``, ``cost`` and ``relative_error`` (half-width of the interval of
        the season's mean catch rate, as a share of it).
    best : dict
        The row of the least relative error within the budget.
    best_runs_per_site : float
        The optimum without rounding, √(cost of a site / cost of a run) × between_runs / between_sites.
    """

    frame: pd.DataFrame
    best: dict[str, float]
    best_runs_per_site: float


def spread_of_catch(
    catch: ArrayLike, effort_h: ArrayLike, site: ArrayLike, *, season: ArrayLike | None = None, level: float = 0.95
) -> SpreadOfCatch:
    """Parts of the variance of the catch rate: between sites of a season, and between runs of one site.

    Parameters
    ----------
    catch, effort_h : arrays (n,)
        Fish and hours of each run; NaN runs are left out.
    site : array (n,)
        Site of each run.
    season : array (n,), optional
        Season of each run; rates are taken relative to the mean of their season, and sites of different seasons apart.

    Returns
    -------
    SpreadOfCatch
        One-way analysis of variance of relative rates with unequal numbers (Searle, Casella & McCulloch 1992, section 3.6,
        from memory): between runs √MS_within, between sites √max((MS_between − MS_within)/n₀, 0), within seasons. Interval of
        the former by the jackknife over sites on the log scale (with repeats at fewer than five, chi-square, with a note), of
        the latter by Williams-Tukey from the F distribution, which takes rates as normal. Between sites is not estimable with
        fewer than three sites, between runs with fewer than five degrees of freedom for repeats; both not without a fish.

    Raises
    ------
    InputError
        Negative catch, effort not above zero, columns of different length.
    """
    check_level(level)
    c, e = numbers("catch", catch, at_least=0), numbers("effort_h", effort_h, above=0)
    n_all = same_size(catch=c, effort_h=e)
    where, _ = codes("site", site, n_all)
    when = np.zeros(n_all, dtype=int) if season is None else codes("season", season, n_all)[0]
    keep = ~(np.isnan(c) | np.isnan(e)) & (where >= 0) & (when >= 0)
    c, e, where, when = c[keep], e[keep], where[keep], when[keep]
    n = c.size
    method = "variance components of relative catch rates, one-way analysis of variance within seasons"
    sites = int(np.unique(where).size)
    frame = pd.DataFrame({"rate": c / e, "site": where, "season": when})
    frame["mean"] = frame.groupby("season")["rate"].transform("mean")
    frame = frame[frame["mean"] > 0]
    if frame.empty:
        lost = Estimate.not_estimable("no fish was caught", method=method, n=n, level=level)
        return SpreadOfCatch(lost, lost, 0.0 if n else math.nan, 0.0 if n else math.nan, math.nan, sites, n)
    frame["relative"] = frame["rate"] / frame["mean"]
    cell = frame.groupby(["season", "site"])["relative"]
    frame["cell_mean"], frame["size"] = cell.transform("mean"), cell.transform("size").astype(float)
    season_mean = frame.groupby("season")["relative"].transform("mean")
    cells = frame.drop_duplicates(["season", "site"])
    df_within = len(frame) - len(cells)
    df_between = len(cells) - frame["season"].nunique()
    frame["square"] = (frame["relative"] - frame["cell_mean"]) ** 2
    within = float(frame["square"].sum())
    between = float(((frame["cell_mean"] - season_mean) ** 2).sum())
    grouped = cells.groupby("season")["size"]
    n0 = float((grouped.sum() - grouped.apply(lambda s: (s**2).sum() / s.sum())).sum()) / df_between if df_between else math.nan
    mean_catch = float(c.mean())
    repeated = frame[frame["size"] > 1].groupby(["season", "site"])["square"]
    squares, freedom = (np.asarray(column, dtype=np.float64) for column in (repeated.sum(), repeated.count() - 1))
    runs_part = _within(squares, freedom, method, n, level)
    if df_within < FEWEST_REPEATS or df_between < 2 or sites < 3:
        reason = f"{sites} sites and {df_within} repeat runs, 3 sites and {FEWEST_REPEATS} repeats needed"
        sites_part = Estimate.not_estimable(reason, method=method, n=n, level=level)
    else:
        sites_part = _between(between / df_between, within / df_within, df_between, df_within, n0, method, n, level)
    excess = runs_part.value**2 - 1 / mean_catch if runs_part.estimable and mean_catch > 0 else math.nan
    dispersion = math.nan if math.isnan(excess) else 1 / excess if excess > 0 else math.inf
    return SpreadOfCatch(sites_part, runs_part, float(frame["rate"].mean()), mean_catch, dispersion, sites, n)


def _within(squares: FloatArray, freedom: FloatArray, method: str, n: int, level: float) -> Estimate:
    df = float(freedom.sum())
    if df < FEWEST_REPEATS:
        return Estimate.not_estimable(f"{df:g} repeat runs, {FEWEST_REPEATS} needed", method=method, n=n, level=level)
    value = math.sqrt(float(squares.sum()) / df)
    cells = squares.size
    left = (squares.sum() - squares) / np.maximum(df - freedom, 1e-9)
    if cells < FEWEST_REPEATS or float(left.min()) <= 0 or value == 0:
        low, high = (math.sqrt(float(squares.sum()) / float(stats.chi2.ppf(q, df))) for q in ((1 + level) / 2, (1 - level) / 2))
        notes = ("repeats at few sites: the limits take catch rates as normal and are too narrow",)
        return Estimate(value, value / math.sqrt(2 * df), low, high, level, "", method, n, notes)
    logs = 0.5 * np.log(left)
    se_log = math.sqrt((cells - 1) / cells * float(((logs - logs.mean()) ** 2).sum()))
    reach = math.exp(float(stats.t.ppf((1 + level) / 2, cells - 1)) * se_log)
    return Estimate(value, value * se_log, value / reach, value * reach, level, "", method, n)


def _between(
    ms_between: float, ms_within: float, df_between: int, df_within: int, n0: float, method: str, n: int, level: float
) -> Estimate:
    tails = ((1 + level) / 2, (1 - level) / 2)
    if ms_within <= 0:
        value = math.sqrt(max(ms_between / n0, 0.0))
        low, high = (value * math.sqrt(df_between / float(stats.chi2.ppf(q, df_between))) for q in tails)
        return Estimate(value, math.nan, low, high, level, "", method, n)
    value = math.sqrt(max((ms_between - ms_within) / n0, 0.0))
    limits = []
    for q in tails:
        f = float(stats.f.ppf(q, df_between, df_within))
        squares = df_between * ms_between / float(stats.chi2.ppf(q, df_between))
        limits.append(math.sqrt(max(squares * (1 - f * ms_within / ms_between), 0.0) / n0) if ms_between > 0 else 0.0)
    notes = ("sites differ no more than repeat runs of one site",) if value == 0 else ()
    return Estimate(value, math.nan, limits[0], limits[1], level, "", method, n, notes)


def allocate_runs(
    between_sites: float,
    between_runs: float,
    *,
    budget: float,
    cost_per_site: float = 0.0,
    cost_per_run: float = 1.0,
    most_runs_per_site: int = 10,
    level: float = 0.95,
) -> Allocation:
    """Sites against repeat runs, within a budget.

    Parameters
    ----------
    between_sites, between_runs : float
        Coefficients of variation, as of `spread_of_catch`.
    budget, cost_per_site, cost_per_run : float
        In one unit of money or time; without costs of a site the budget is the number of runs.
    most_runs_per_site : int

    Returns
    -------
    Allocation
        For each number of runs per site the most sites that the budget pays for (two or more); relative error is
        t √(between_sites²/S + between_runs²/(S R)), t of S − 1 degrees of freedom (two-stage sampling of a large number of sites,
        Cochran 1977, chapter 10, from memory). Sites that are the same every year need no such spread for a trend.

    Raises
    ------
    InputError
        Negative spread or cost, both spreads zero, cost of a run not above zero, or a budget too small for two sites.
    """
    check_level(level)
    if not (0 <= between_sites < math.inf and 0 <= between_runs < math.inf and between_sites + between_runs > 0):
        raise InputError(f"spreads must be 0 or more and not both 0; got {between_sites:g} and {between_runs:g}")
    if cost_per_site < 0 or not cost_per_run > 0 or most_runs_per_site < 1:
        raise InputError(f"costs must not be negative and a run must cost something; got {cost_per_site:g} and {cost_per_run:g}")
    rows = []
    for repeats in range(1, most_runs_per_site + 1):
        each = cost_per_site + repeats * cost_per_run
        sites = math.floor(budget / each + 1e-9)
        if sites < 2:
            continue
        spread = math.sqrt(between_sites**2 / sites + between_runs**2 / (sites * repeats))
        error = float(stats.t.ppf((1 + level) / 2, sites - 1)) * spread
        rows.append(
            {"sites": sites, "runs_per_site": repeats, "runs": sites * repeats, "cost": sites * each, "relative_error": error}
        )
    if not rows:
        raise InputError(f"the budget must pay for two sites of one run ({2 * (cost_per_site + cost_per_run):g}); got {budget:g}")
    frame = pd.DataFrame(rows)
    best = {key: float(value) for key, value in min(rows, key=lambda row: row["relative_error"]).items()}
    optimum = math.inf if between_sites == 0 else math.sqrt(cost_per_site / cost_per_run) * between_runs / between_sites
    return Allocation(frame, best, max(optimum, 1.0))
