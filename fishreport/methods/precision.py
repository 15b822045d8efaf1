"""How much to sample next season: runs for a catch rate, fish for a share, a mean, an age key and a length-weight relation."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from fishreport.exceptions import InputError
from fishreport.methods.estimate import Estimate
from fishreport.methods.inputs import FloatArray, check_level, codes, number, numbers, same_size
from fishreport.methods.resampling import cluster_bootstrap
from fishreport.methods.trend_power import power_to_detect as power_to_detect

FEWEST_RUNS = 5
_MOST = 10_000_000


@dataclass(frozen=True, slots=True)
class RunsCurve:
    """Precision of the catch rate against the number of runs.

    Attributes
    ----------
    runs : array
        Numbers of runs.
    by_formula : array
        Expected half-width of the interval, as a share of the catch rate.
    by_simulation : array
        Distance from the catch rate within which a mean of that many runs falls with probability `level`, as a share of it.
    needed_by_formula, needed_by_simulation : float
        Runs for the wanted precision; NaN when nothing can be estimated.
    relative_error, level : float
    cv : float
        Coefficient of variation of a run.
    notes : tuple[str, ...]
    """

    runs: FloatArray
    by_formula: FloatArray
    by_simulation: FloatArray
    needed_by_formula: float
    needed_by_simulation: float
    relative_error: float
    level: float
    cv: float
    notes: tuple[str, ...] = ()


def _share(name: str, value: float) -> float:
    share = number(name, value)
    if not 0 < share < 1:
        raise InputError(f"{name} must lie between 0 and 1, such as 0.25; got {share:g}")
    return share


def units_needed(cv: float, relative_error: float, *, level: float = 0.95, normal: bool = False) -> int:
    """Smallest n with n ≥ (t cv / relative_error)², t of n − 1 degrees of freedom (or the normal quantile); at least 2.

    Common form n = (t s / (d x̄))² (Parkinson et al. 1988; Hubert & Fabrizio 2007; from memory), solved with the t of the answer.

    Raises
    ------
    InputError
        A negative or infinite cv, relative_error not above 0, level outside (0, 1).
    """
    check_level(level)
    cv, relative_error = number("cv", cv, at_least=0), number("relative_error", relative_error, above=0)
    q = (1 + level) / 2
    n = max(2, math.ceil((float(stats.norm.ppf(q)) * cv / relative_error) ** 2 - 1e-9))
    while not normal and n < (float(stats.t.ppf(q, n - 1)) * cv / relative_error) ** 2 - 1e-9:
        n += 1
        if n > _MOST:
            raise InputError(f"more than {_MOST:,} units would be needed; ask for less precision")
    return n


def _run_columns(catch: ArrayLike, effort_h: ArrayLike) -> tuple[FloatArray, FloatArray, tuple[str, ...]]:
    c, e = numbers("catch", catch, at_least=0), numbers("effort_h", effort_h, above=0)
    same_size(catch=c, effort_h=e)
    keep = ~(np.isnan(c) | np.isnan(e))
    left_out = int((~keep).sum())
    noun = "run" if left_out == 1 else "runs"
    return c[keep], e[keep], (f"{left_out} {noun} without catch or effort left out",) if left_out else ()


def _run_cv(catch: FloatArray, effort: FloatArray) -> float:
    rate = catch.sum() / effort.sum()
    return float(np.sqrt(((catch - rate * effort) ** 2).sum() / (catch.size - 1)) / (rate * effort.mean()))


def runs_needed(catch: ArrayLike, effort_h: ArrayLike, *, relative_error: float = 0.25, level: float = 0.95) -> Estimate:
    """Runs needed for a catch rate within a share of itself, from this water's own runs.

    Parameters
    ----------
    catch, effort_h : arrays (n,)
        Fish and hours of each run; NaN runs are left out and counted.
    relative_error : float
        Wanted half-width of the interval, as a share of the catch rate, 0 to 1.
    level : float
        Level of that interval, and of the interval of the answer.

    Returns
    -------
    Estimate
        In runs of the usual length, whole. The coefficient of variation of a run is that of a ratio of sums,
        √(Σ(c − R e)²/(n − 1)) / (R ē); the number is that of `units_needed`. The interval is that of the coefficient of
        variation, jackknifed over runs on the log scale with Student's t (n − 1), each limit turned into runs. The standard
        error is by the delta method. In simulated surveys of clumped catches (negative binomial of size 2) the 95 % interval
        held the truth in 93 to 95 of 100, and the median answer was 15 % too low from 8 runs, 7 % from 24. Runs are taken as
        independent: see `allocation` for sites and repeats. Not estimable with fewer than five runs, or two with a fish.

    Raises
    ------
    InputError
        Negative catch, effort not above zero, columns of different length, relative_error or level outside (0, 1).
    """
    _share("relative_error", relative_error)
    check_level(level)
    c, e, notes = _run_columns(catch, effort_h)
    n = c.size
    method = "runs for a wanted precision, (t cv / d)² with the cv of a ratio of sums; jackknife interval"
    if n < FEWEST_RUNS or np.count_nonzero(c) < 2:
        caught = "all fish came from one run" if c.any() else "no fish was caught"
        reason = f"{n} runs, {FEWEST_RUNS} needed" if n < FEWEST_RUNS else caught
        return Estimate.not_estimable(reason, units="runs", method=method, n=n, level=level)
    cv = _run_cv(c, e)
    value = units_needed(cv, relative_error, level=level)
    if cv <= 1e-12:
        notes += ("all runs have the same catch rate, so the answer is the smallest possible",)
        return Estimate(float(value), math.nan, math.nan, math.nan, level, "runs", method, n, notes)
    left = [(np.delete(c, i), np.delete(e, i)) for i in range(n)]
    if min(_run_cv(*part) for part in left) <= 1e-12:
        notes += ("all runs but one have the same catch rate, so the answer has no interval",)
        return Estimate(float(value), math.nan, math.nan, math.nan, level, "runs", method, n, notes)
    logs = np.log([_run_cv(*part) for part in left])
    se_log = math.sqrt((n - 1) / n * float(((logs - logs.mean()) ** 2).sum()))
    reach = float(stats.t.ppf((1 + level) / 2, n - 1)) * se_log
    lower = units_needed(cv * math.exp(-reach), relative_error, level=level)
    upper = units_needed(cv * math.exp(min(reach, 3.0)), relative_error, level=level) if reach < 3 else math.inf
    if n < 10:
        notes += (f"only {n} runs: the spread between runs is itself little known",)
    return Estimate(float(value), 2 * value * se_log, float(lower), float(upper), level, "runs", method, n, notes)


def runs_curve(
    catch: ArrayLike,
    effort_h: ArrayLike,
    *,
    rng: np.random.Generator,
    relative_error: float = 0.25,
    level: float = 0.95,
    resamples: int = 1000,
) -> RunsCurve:
    """Precision of the catch rate against the number of runs, by formula and by resampling this water's runs.

    Parameters
    ----------
    catch, effort_h, relative_error, level
        As for `runs_needed`.
    rng : Generator
    resamples : int
        Surveys drawn for each number of runs.

    Returns
    -------
    RunsCurve
        Numbers of runs from 2 to half as many again as are needed (at least 40). Simulation: that many runs drawn with
        replacement; the `level` quantile of |R*/R − 1|, times √(n/(n − 1)) as n runs show less spread than all. The formula
        adds that the spread is estimated from those runs (Student's t), so it asks for more when runs are few. Empty, with a
        note, when `runs_needed` is not estimable.

    Raises
    ------
    InputError
        As `runs_needed`; resamples below 100.
    """
    if resamples < 100:
        raise InputError(f"resamples must be 100 or more, got {resamples}")
    needed = runs_needed(catch, effort_h, relative_error=relative_error, level=level)
    c, e, _ = _run_columns(catch, effort_h)
    if not needed.estimable:
        none = np.empty(0)
        return RunsCurve(none, none, none, math.nan, math.nan, relative_error, level, math.nan, needed.notes)
    cv, rate, n = _run_cv(c, e), c.sum() / e.sum(), c.size
    top = int(min(max(40, math.ceil(1.5 * needed.value)), 2000))
    runs = np.unique(np.geomspace(2, top, 40).round().astype(int))
    formula = stats.t.ppf((1 + level) / 2, runs - 1) * cv / np.sqrt(runs)
    simulated = np.empty(runs.size)
    for i, k in enumerate(runs):
        drawn = rng.integers(0, n, (resamples, int(k)))
        off = np.abs(c[drawn].sum(axis=1) / e[drawn].sum(axis=1) / rate - 1)
        simulated[i] = np.quantile(off, level) * math.sqrt(n / (n - 1))
    root = np.sqrt(runs)
    constant = float(np.median((simulated * root)[runs >= 8]))
    by_simulation = max(2.0, math.ceil((constant / relative_error) ** 2))
    notes = needed.notes + (("the curve is drawn up to 2,000 runs",) if needed.value * 1.5 > 2000 else ())
    return RunsCurve(
        runs.astype(float), np.asarray(formula), simulated, needed.value, by_simulation, relative_error, level, cv, notes
    )


def design_effect(inside: ArrayLike, run: ArrayLike) -> float:
    """How many times more fish a share needs because fish of one run are alike.

    Parameters
    ----------
    inside : array (n,)
        1 for a fish that counts, 0 for one that does not; NaN is left out.
    run : array (n,)
        Run of each fish.

    Returns
    -------
    float
        Variance of the share between runs, k/(k − 1) Σ(x − p m)²/n², over p (1 − p)/n (ratio estimator of Cochran 1977,
        section 3.12, from memory); not below 1. 1 when there is one run, or all fish are alike.

    Raises
    ------
    InputError
        Values other than 0 and 1, columns of different length.
    """
    x = numbers("inside", inside)
    group, _ = codes("run", run, x.size)
    keep = ~np.isnan(x) & (group >= 0)
    x, group = x[keep], group[keep]
    if not np.isin(x, (0, 1)).all():
        raise InputError("inside must hold 0 and 1 only")
    n, k, p = x.size, np.unique(group).size, float(x.mean()) if x.size else 0.0
    if k < 2 or not 0 < p < 1:
        return 1.0
    size = np.bincount(group).astype(float)
    total = np.bincount(group, weights=x)
    between = k / (k - 1) * float(((total - p * size) ** 2).sum()) / n**2
    return max(between / (p * (1 - p) / n), 1.0)


def fish_needed_for_share(
    share_percent: float, *, half_width: float = 10.0, level: float = 0.95, deff: float = 1.0, n: int = 0
) -> Estimate:
    """Fish of stock length to measure for a proportional size index within some points.

    Parameters
    ----------
    share_percent : float
        The index expected, 0 to 100; 50 asks for the most fish.
    half_width : float
        Wanted half-width in percentage points.
    deff : float
        Design effect, as of `design_effect`; 1 takes fish as independent.
    n : int
        Fish that share and design effect come from, for the record.

    Returns
    -------
    Estimate
        deff z² p (1 − p)/h², rounded up (Gustafson 1988 for deff = 1, normal form, from memory), without an interval. Within
        5 points of 0 or 100 the normal form fails, and p is taken as 5 or 95, with a note.

    Raises
    ------
    InputError
        A share outside 0 to 100, half_width not above 0, deff below 1.
    """
    check_level(level)
    if not 0 <= share_percent <= 100 or not 0 < half_width < 100 or not 1 <= deff < math.inf:
        raise InputError(
            "share_percent and half_width must lie between 0 and 100, deff be 1 or more; "
            f"got {share_percent:g}, {half_width:g} and {deff:g}"
        )
    p = min(max(share_percent, 5.0), 95.0) / 100
    notes = () if 5 <= share_percent <= 95 else ("the share is close to a bound and was taken as 5 or 95 percent",)
    z = float(stats.norm.ppf((1 + level) / 2))
    value = math.ceil(deff * z**2 * p * (1 - p) / (half_width / 100) ** 2 - 1e-9)
    nan = math.nan
    return Estimate(float(value), nan, nan, nan, level, "fish", "binomial sample size times design effect", n, notes)


def fish_needed_by_runs(
    inside: ArrayLike,
    run: ArrayLike,
    *,
    half_width: float = 10.0,
    level: float = 0.95,
    rng: np.random.Generator,
    resamples: int = 1000,
) -> Estimate:
    """`fish_needed_for_share` from this water's own fish, with an interval.

    Parameters
    ----------
    inside, run : arrays (n,)
        As for `design_effect`.
    half_width, level
        As for `fish_needed_for_share`.
    rng : Generator
    resamples : int
        At least 50.

    Returns
    -------
    Estimate
        With share and design effect of these fish. The interval is that of `resampling.cluster_bootstrap` over runs (percentile
        limits, expanded for few runs), share and design effect worked out again each time; it holds the answer itself. Without
        an interval, with a note, for fewer than five runs with fish.

    Raises
    ------
    InputError
        As `design_effect` and `fish_needed_for_share`.
    """
    x = numbers("inside", inside)
    group, _ = codes("run", run, x.size)
    deff, keep = design_effect(x, run), ~np.isnan(x) & (group >= 0)
    x, group = x[keep], group[keep]
    if not x.size:
        return Estimate.not_estimable("no fish", units="fish", method="binomial sample size times design effect", level=level)
    found = fish_needed_for_share(100 * float(x.mean()), half_width=half_width, level=level, deff=deff, n=x.size)
    group = np.unique(group, return_inverse=True)[1]
    size, total = np.bincount(group).astype(float), np.bincount(group, weights=x)
    runs = size.size
    if runs < FEWEST_RUNS:
        return found.noting(f"no interval: {runs} runs with such fish, {FEWEST_RUNS} needed")
    z = float(stats.norm.ppf((1 + level) / 2))

    def needed(totals: FloatArray) -> FloatArray:
        n, hits, squares, products, hit_squares = np.moveaxis(np.asarray(totals, dtype=float), -1, 0)
        with np.errstate(invalid="ignore", divide="ignore"):
            p = hits / n
            between = runs / (runs - 1) * (hit_squares - 2 * p * products + p**2 * squares) / n
            effect = np.where(p * (1 - p) > 0, np.fmax(between / (p * (1 - p)), 1.0), 1.0)
        bounded = np.clip(p, 0.05, 0.95)
        return np.ceil(effect * z**2 * bounded * (1 - bounded) / (half_width / 100) ** 2 - 1e-9)

    totals = np.column_stack([size, total, size**2, size * total, total**2])
    drawn = cluster_bootstrap(totals, needed, rng=rng, resamples=resamples, level=level, units="fish")
    low, high = math.floor(min(drawn.lower, found.value)), math.ceil(max(drawn.upper, found.value))
    method = f"{found.method}; percentile bootstrap of runs, expanded for few of them"
    return replace(found, se=drawn.se, lower=float(low), upper=float(high), method=method)


def fish_needed_for_mean(values: ArrayLike, *, half_width: float, level: float = 0.95, run: ArrayLike | None = None) -> Estimate:
    """Fish to weigh for a mean, such as mean relative weight, within `half_width` (in units of the values).

    Parameters
    ----------
    values : array (n,)
        Of this water's fish; NaN is left out.
    half_width : float
        Wanted half-width of the interval.
    run : array (n,), optional
        Run of each fish: then the number is multiplied by the design effect of the mean.

    Returns
    -------
    Estimate
        Smallest n ≥ deff (t s/h)², t of n − 1 degrees of freedom; interval from the chi-square limits of s. Not estimable
        with fewer than ten fish.

    Raises
    ------
    InputError
        half_width not above zero, columns of different length.
    """
    check_level(level)
    if not 0 < half_width < math.inf:
        raise InputError(f"half_width must be above 0, got {half_width:g}")
    x = numbers("values", values)
    keep = ~np.isnan(x)
    deff = 1.0
    n = int(keep.sum())
    method = "sample size of a mean, (t s / h)²" + (" times design effect" if run is not None else "")
    if n < 10:
        return Estimate.not_estimable(f"{n} fish, 10 needed", units="fish", method=method, n=n, level=level)
    if run is not None:
        group, _ = codes("run", run, x.size)
        deff = _mean_design_effect(x[keep], group[keep])
    s = float(x[keep].std(ddof=1))

    def needed(spread: float) -> float:
        return float(math.ceil(deff * units_needed(spread, half_width, level=level)))

    tails = stats.chi2.ppf([(1 + level) / 2, (1 - level) / 2], n - 1)
    lower, upper = (needed(s * math.sqrt((n - 1) / t)) for t in tails)
    return Estimate(needed(s), math.nan, lower, upper, level, "fish", method, n)


def _mean_design_effect(x: FloatArray, group: np.ndarray) -> float:
    k = np.unique(group).size
    spread = float(x.var(ddof=1))
    if k < 2 or spread <= 0:
        return 1.0
    total = np.bincount(group, weights=x - x.mean())
    between = k / (k - 1) * float((total**2).sum()) / x.size**2
    return max(between / (spread / x.size), 1.0)
