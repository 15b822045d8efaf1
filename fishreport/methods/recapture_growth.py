"""Growth from fish that were marked, measured, and measured again when recaptured."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
import pandas as pd
from scipy import optimize, stats

from fishreport.exceptions import InputError
from fishreport.methods.age_groups import AgeGroups
from fishreport.methods.estimate import Estimate
from fishreport.methods.growth_curves import Floats
from fishreport.methods.growth_fit import invert_normal
from fishreport.methods.growth_intervals import corrected_percentiles, draw_counts
from fishreport.methods.growth_solver import minimise
from fishreport.methods.inputs import check_level, measurements
from fishreport.methods.length_at_age import BEYOND_DATA, NO_ASYMPTOTE, Interval, check_choice
from fishreport.methods.recapture_likelihood import fit_between_fish

Variation = Literal["none", "between fish"]


@dataclass(frozen=True)
class RecaptureGrowth:
    """Von Bertalanffy growth fitted to increments of recaptured fish.

    Attributes
    ----------
    variation : str
        ``none`` or ``between fish``.
    asymptotic_length : Estimate
        Linf (mm); with variation between fish the mean of the fish's own.
    growth_coefficient : Estimate
        K (per year).
    asymptote_sd : Estimate | None
        Standard deviation between fish of their own asymptotic length (mm), where it is estimated.
    error_sd : float
        Residual standard error of an increment (none), or standard deviation of a measured length (between fish), mm.
    covariance : array (2, 2)
        Of Linf and K.
    rss : float
        Of the increments about their expectation (mm^2).
    df, n : int
    level : float
    length_at_mark, length_at_recapture, years, residuals : arrays (n,)
        The fish used; residuals of the increment (mm).
    notes : tuple[str, ...]
    """

    variation: str
    asymptotic_length: Estimate
    growth_coefficient: Estimate
    asymptote_sd: Estimate | None
    error_sd: float
    covariance: Floats = field(repr=False)
    rss: float
    df: int
    n: int
    level: float
    length_at_mark: Floats = field(repr=False)
    length_at_recapture: Floats = field(repr=False)
    years: Floats = field(repr=False)
    residuals: Floats = field(repr=False)
    notes: tuple[str, ...]

    @property
    def estimable(self) -> bool:
        """True when there is a curve."""
        return self.asymptotic_length.estimable

    def predict(self, length_at_mark: Any, years: Any, level: float | None = None) -> pd.DataFrame:
        """Expected length after `years` of fish of a known length.

        Returns
        -------
        DataFrame
            ``length_at_mark``, ``years``, ``length_mm``, ``se``, ``lower``, ``upper`` (delta method, t interval; of the mean,
            not of single fish). NaN where the fit is not estimable.
        """
        level = self.level if level is None else level
        check_level(level)
        start, time = np.broadcast_arrays(np.atleast_1d(np.asarray(length_at_mark, float)), np.asarray(years, float))
        at = np.array([self.asymptotic_length.value, self.growth_coefficient.value])
        increment, slopes = _increments(at[None], start, time)
        se = np.sqrt(np.maximum(np.einsum("kp,pq,kq->k", slopes[0], self.covariance, slopes[0]), 0.0))
        reach = float(stats.t.ppf((1 + level) / 2, max(self.df, 1))) * se
        length = start + increment[0]
        return pd.DataFrame(
            {
                "length_at_mark": start,
                "years": time,
                "length_mm": length,
                "se": se,
                "lower": length - reach,
                "upper": length + reach,
            }
        )

    def yearly_growth(self, length_mm: Any, level: float | None = None) -> tuple[Estimate, ...]:
        """Mean growth in a year of fish of chosen lengths (mm): parameters that behave better than Linf and K (Francis 1988)."""
        table = self.predict(length_mm, 1.0, level)
        level = self.level if level is None else level
        method = "mean yearly growth of a fish of that length; delta method, t interval"
        answers = []
        for start, end, se, lower, upper in table[["length_at_mark", "length_mm", "se", "lower", "upper"]].to_numpy(float):
            if self.estimable:
                numbers = (float(end - start), float(se), float(lower - start), float(upper - start))
                answers.append(Estimate(*numbers, level, "mm/yr", method, self.n))
            else:
                answers.append(Estimate.not_estimable("there is no curve", units="mm/yr", method=method, n=self.n, level=level))
        return tuple(answers)


def _increments(parameters: Floats, start: Floats, years: Floats) -> tuple[Floats, Floats]:
    """Expected increments (batch, fish) and their derivatives by Linf and K."""
    asymptote, coefficient = parameters[:, 0, None], parameters[:, 1, None]
    decay = np.exp(np.clip(-coefficient * years, -300, 300))
    room = asymptote - start
    return room * (1 - decay), np.stack([1 - decay, room * years * decay], axis=-1)


def _best_asymptote(coefficient: Floats, start: Floats, years: Floats, gain: Floats) -> tuple[Floats, Floats]:
    """For each K the least-squares Linf, and the sum of squares there."""
    share = -np.expm1(-coefficient[:, None] * years)
    asymptote = (share * (gain + start * share)).sum(axis=1) / (share**2).sum(axis=1)
    return asymptote, ((gain - (asymptote[:, None] - start) * share) ** 2).sum(axis=1)


def _check(length_at_mark: Any, length_at_recapture: Any, years: Any) -> tuple[Floats, Floats, Floats, list[str]]:
    given = {"length_at_mark": length_at_mark, "length_at_recapture": length_at_recapture, "years": years}
    columns = [np.atleast_1d(measurements(name, column, above=0)) for name, column in given.items()]
    if columns[0].ndim != 1 or len({c.shape for c in columns}) > 1:
        raise InputError(
            "length_at_mark, length_at_recapture and years must be columns of equal length, got shapes "
            f"{', '.join(str(c.shape) for c in columns)}"
        )
    kept = ~np.isnan(np.column_stack(columns)).any(axis=1)
    first, second, time = (c[kept] for c in columns)
    notes = [f"{int(np.sum(~kept))} fish without both lengths and the time between them left out"] if not kept.all() else []
    shrunk = second < first
    if np.any(shrunk):
        most = float((first - second).max())
        were, most_of = ("was", "") if shrunk.sum() == 1 else ("were", "up to ")
        notes.append(
            f"{int(shrunk.sum())} of {first.size} fish {were} shorter at recapture, by {most_of}{most:.0f} mm: "
            "kept, since measuring errs both ways and leaving them out would overstate growth"
        )
    return first, second, time, notes


def _profile_limits(
    start: Floats, years: Floats, gain: Floats, at: Floats, rss: float, df: int, se: Floats, level: float
) -> Floats:
    """Limits of Linf and K where the excess sum of squares reaches the F quantile; the search is over K alone."""
    ceiling = rss * (1 + float(stats.f.ppf(level, 1, df)) / df)
    asymptote, coefficient = float(at[0]), float(at[1])

    def by_coefficient(k: float) -> float:
        return float(_best_asymptote(np.array([k]), start, years, gain)[1][0]) - ceiling

    def by_asymptote(inverse: float) -> float:
        linf = 1 / inverse

        def cost(log_k: float) -> float:
            return float(np.sum((gain - (linf - start) * -np.expm1(-math.exp(log_k) * years)) ** 2))

        grid = np.log(np.geomspace(coefficient * 1e-4, coefficient * 1e2, 80))
        best = int(np.argmin([cost(k) for k in grid]))
        low, high = grid[max(best - 1, 0)], grid[min(best + 1, grid.size - 1)]
        return float(optimize.minimize_scalar(cost, bounds=(low, high), method="bounded", options={"xatol": 1e-9}).fun) - ceiling

    def reach(call: Any, centre: float, step: float, end: float) -> float:
        inside = centre
        for _ in range(40):
            outside = inside + step
            if (step > 0) == (outside >= end):
                return end
            if call(outside) >= 0:
                return float(optimize.brentq(call, min(inside, outside), max(inside, outside), xtol=1e-12, rtol=1e-10))
            inside, step = outside, step * 1.5
        return end

    limits = np.empty((2, 2))
    open_ended = by_coefficient(coefficient * 1e-6) < 0
    limits[1, 0] = 0.0 if open_ended else reach(by_coefficient, coefficient, -min(2 * se[1], 0.5 * coefficient), 0.0)
    limits[1, 1] = reach(by_coefficient, coefficient, 2 * se[1], math.inf)
    step = min(2 * se[0] / asymptote**2, 0.4 / asymptote)
    limits[0, 0] = 1 / reach(by_asymptote, 1 / asymptote, step, math.inf)
    limits[0, 1] = math.inf
    if not open_ended:
        inverse = reach(by_asymptote, 1 / asymptote, -step, 0.0)
        limits[0, 1] = 1 / inverse if inverse > 0 else math.inf
    return limits


def fit_recapture_growth(
    length_at_mark: Any,
    length_at_recapture: Any,
    years: Any,
    *,
    variation: Variation = "none",
    level: float = 0.95,
    interval: Interval = "profile",
    resamples: int = 2000,
    rng: np.random.Generator | None = None,
    minimum: int = 4,
) -> RecaptureGrowth:
    """Fit von Bertalanffy growth to the increments of recaptured fish.

    Parameters
    ----------
    length_at_mark, length_at_recapture : arrays (fish,)
        mm; fish that shrank are kept, and counted in a note.
    years : array (fish,)
        Time between both (years, above 0).
    variation : {"none", "between fish"}
        All fish share Linf and K: least squares on ``L2 - L1 = (Linf - L1) [1 - exp(-K dt)]`` (Fabens 1965, Growth
        29:265-289). Or each fish has an asymptotic length of its own, normal about the mean, and an unknown age when marked,
        lognormal: maximum likelihood of both lengths at once (after Laslett, Eveson and Polacheck 2002, Can. J. Fish. Aquat.
        Sci. 59:976-986). Both from memory. The first is biased (K low, Linf high) where fish differ; the second is not, and
        needs at least 10 fish.
    level : float
    interval : {"profile", "wald", "bootstrap"}
        As in `fit_growth`, for the first form; the second always has symmetric limits on the logarithm.
    resamples, rng
        For the bootstrap of fish.
    minimum : int
        Fish below which nothing is fitted.

    Returns
    -------
    RecaptureGrowth
        Standard errors ``s^2 (J'J)^-1`` with s^2 = RSS / (n - 2), or from the curvature of the log-likelihood. Not estimable:
        fewer fish than `minimum`, all of one length when marked, growth that does not slow with length.

    Raises
    ------
    InputError
        For columns of different length, lengths or times of 0 or less, unknown options, a bootstrap without `rng`.
    """
    check_choice("variation", variation, ("none", "between fish"))
    check_choice("interval", interval, ("profile", "wald", "bootstrap"))
    check_level(level)
    if interval == "bootstrap" and rng is None:
        raise InputError("interval='bootstrap' needs a random generator: rng=numpy.random.default_rng(seed)")
    start, end, time, notes = _check(length_at_mark, length_at_recapture, years)
    n, gain = start.size, end - start
    random = variation == "between fish"
    words = "maximum likelihood with variation between fish" if random else "least squares"
    limits_in_words = {
        "profile": "profile interval of the residual sum of squares",
        "wald": "symmetric t interval",
        "bootstrap": f"bias-corrected and accelerated bootstrap interval of {resamples} resamples of fish",
    }
    kind = "symmetric t interval on the logarithm" if random else limits_in_words[interval]
    method = f"von Bertalanffy increments of recaptured fish, {words}; {kind}"

    def nothing(reason: str) -> RecaptureGrowth:
        both = [
            Estimate.not_estimable(reason, units=u, method=method, n=n, level=level).noting(*notes) for u in ("mm", "1/yr", "mm")
        ]
        blank = np.full(n, math.nan)
        return RecaptureGrowth(
            variation=variation,
            asymptotic_length=both[0],
            growth_coefficient=both[1],
            asymptote_sd=both[2] if random else None,
            error_sd=math.nan,
            covariance=np.full((2, 2), math.nan),
            rss=math.nan,
            df=max(n - 2, 0),
            n=n,
            level=level,
            length_at_mark=start,
            length_at_recapture=end,
            years=time,
            residuals=blank,
            notes=(f"not estimable: {reason}", *notes),
        )

    needed = max(minimum, 10 if random else 3)
    if n < needed:
        return nothing(f"{n} recaptured fish, {needed} needed")
    if np.ptp(start) == 0 and np.ptp(time) == 0:
        return nothing("all fish were of one length when marked and out for the same time")
    grid = np.geomspace(1e-5, 60, 400) / float(time.mean())
    guess, costs = _best_asymptote(grid, start, time, gain)
    best = int(np.argmin(costs))
    index = np.arange(n, dtype=float)
    groups = AgeGroups(index, np.ones((1, n)), gain[None], np.zeros(1))
    begin = np.array([[guess[best], grid[best]]])
    found = minimise(groups, lambda at: _increments(at, start, time), begin, free=(0, 1))
    at, rss = found.parameters[0], float(found.rss[0])
    longest = float(max(start.max(), end.max()))
    if best == 0 or at[1] <= 0 or at[0] > NO_ASYMPTOTE * longest:
        return nothing("growth does not slow with length, so K runs to 0 and Linf to infinity")
    if best == grid.size - 1 or not found.converged[0] or at[1] * float(time.min()) > 25:
        return nothing("K runs to infinity: fish of all lengths are found at one length when recaptured")
    if np.sum(gain) <= 0:
        return nothing("no growth visible: the fish did not grow on average")

    expected, slopes = _increments(at[None], start, time)
    residuals, df = gain - expected[0], n - 2
    covariance = invert_normal(slopes[0], rss / df)
    spread: Estimate | None = None
    if random:
        likelihood = fit_between_fish(start, end, time, at)
        if not likelihood.settled:
            return nothing("the likelihood with variation between fish has no maximum within reach")
        at, covariance, df = likelihood.parameters, likelihood.covariance, n - 6
        residuals = gain - _increments(at[None], start, time)[0][0]
        rss = float(residuals @ residuals)
        quantile = float(stats.t.ppf((1 + level) / 2, max(df, 1)))
        reach = quantile * np.sqrt(np.diag(covariance)) / at
        limits = np.column_stack([at * np.exp(-reach), at * np.exp(reach)])
        sd, sd_se = likelihood.asymptote_sd, likelihood.asymptote_sd_se
        factor = math.exp(min(quantile * sd_se / sd, 700.0)) if math.isfinite(sd_se) else math.nan
        spread = Estimate(sd, sd_se, sd / factor, sd * factor, level, "mm", method, n, tuple(notes))
        error_sd = likelihood.error_sd
    else:
        error_sd = math.sqrt(rss / df)
        se = np.sqrt(np.diag(covariance))
        if rss <= 1e-18 * float(np.sum(gain**2)):
            limits = np.column_stack([at, at])
            notes.append("the curve passes through every point")
        elif interval == "wald":
            reach = float(stats.t.ppf((1 + level) / 2, df)) * se
            limits = np.column_stack([at - reach, at + reach])
        elif interval == "profile":
            limits = _profile_limits(start, time, gain, at, rss, df, se, level)
        else:
            if n < 30:
                notes.append("under 30 fish: bootstrap intervals are somewhat too short")
            limits = _bootstrap_limits(start, time, gain, at, slopes[0] * residuals[:, None] @ covariance, resamples, rng, level)
    if at[0] > BEYOND_DATA * longest:
        notes.append(
            f"the asymptotic length lies {100 * (at[0] / longest - 1):.0f} % beyond the longest fish ({longest:.0f} mm): "
            "it is extrapolated"
        )
    if np.isinf(limits[0, 1]):
        notes.append("the data do not exclude growth without an asymptote: the interval of Linf is open above")
    if not random and n >= 10:
        notes.append("taken as if all fish had one asymptotic length; where they differ, K comes out low and Linf high")
    estimates = [
        Estimate(
            float(at[j]),
            float(math.sqrt(covariance[j, j])),
            float(limits[j, 0]),
            float(limits[j, 1]),
            level,
            units,
            method,
            n,
            tuple(notes),
        )
        for j, units in enumerate(("mm", "1/yr"))
    ]
    return RecaptureGrowth(
        variation=variation,
        asymptotic_length=estimates[0],
        growth_coefficient=estimates[1],
        asymptote_sd=spread,
        error_sd=error_sd,
        covariance=covariance,
        rss=rss,
        df=df,
        n=n,
        level=level,
        length_at_mark=start,
        length_at_recapture=end,
        years=time,
        residuals=residuals,
        notes=tuple(notes),
    )


def _bootstrap_limits(
    start: Floats, years: Floats, gain: Floats, at: Floats, influence: Floats, resamples: int, rng: Any, level: float
) -> Floats:
    n = start.size
    counts = draw_counts(n, resamples, rng)
    groups = AgeGroups(np.arange(n, dtype=float), counts, np.broadcast_to(gain, counts.shape), np.zeros(resamples))
    begin = np.tile(at, (resamples, 1))
    found = minimise(groups, lambda p: _increments(p, start, years), begin, free=(0, 1), tolerance=1e-6, rounds=100)
    replicates = found.parameters.copy()
    flat = replicates[:, 1] <= 0
    replicates[flat] = [math.inf, 0.0]
    replicates[~found.converged & ~flat] = math.nan
    return np.array([corrected_percentiles(float(at[j]), replicates[:, j], influence[:, j], level) for j in range(2)])
