"""Growth curves from aged fish that were picked by length, weighed back to the catch that they were picked from."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd

from fishreport.exceptions import InputError
from fishreport.methods.age_key import check_lengths
from fishreport.methods.estimate import Estimate
from fishreport.methods.growth_curves import Floats, GrowthCurve, find_curve, natural_length, to_natural
from fishreport.methods.growth_fit import FARTHEST_ASYMPTOTE
from fishreport.methods.growth_solver import group_ages, solve_curve, solve_replicates
from fishreport.methods.inputs import check_level
from fishreport.methods.length_at_age import BEYOND_DATA, NO_ASYMPTOTE, Errors, check_aged_fish, fit_growth

LEAST_SETTLED = 0.5
"""Share of the bootstrap replicates that must settle for an interval to be given."""


@dataclass(frozen=True)
class StratifiedGrowth:
    """A growth curve of the fish in the catch.

    Attributes
    ----------
    curve : GrowthCurve
    errors : str
        ``constant`` or ``proportional``.
    level : float
    estimates : dict[str, Estimate]
        By the names of `curve.parameters`; mm, per year, years.
    parameters : array (3,)
    replicates : array (resamples, 3)
        Of the parameters, from the two-stage bootstrap; where a replicate has no asymptote Linf is infinite and K 0. Each row
        is a joint draw.
    weight : array (fish,)
        Weight of each aged fish in the fit; their sum is the effective number of fish.
    mean_length : DataFrame
        One row an age of the aged fish: ``age``, ``aged`` (fish), ``effective`` (fish), ``length_mm`` (mean in the catch),
        ``lower``, ``upper``, ``sd_mm`` (between fish of that age, weighed), ``raw_mm`` (plain mean of the aged fish).
    residual_se : float
    aicc : float
    n : int
        Aged fish.
    effective_n : float
    age, length_mm : arrays (fish,)
    notes : tuple[str, ...]
    """

    curve: GrowthCurve
    errors: str
    level: float
    estimates: dict[str, Estimate]
    parameters: Floats
    replicates: Floats = field(repr=False)
    weight: Floats = field(repr=False)
    mean_length: pd.DataFrame = field(repr=False)
    residual_se: float
    aicc: float
    n: int
    effective_n: float
    age: Floats = field(repr=False)
    length_mm: Floats = field(repr=False)
    notes: tuple[str, ...]

    @property
    def estimable(self) -> bool:
        """True when there is a curve."""
        return bool(np.isfinite(self.parameters).all())

    @property
    def length_cv(self) -> float:
        """Coefficient of variation of length at age about the curve, in the catch; NaN without a curve."""
        if not self.estimable:
            return math.nan
        expected = natural_length(self.parameters[None], self.age, self.curve)[0][0]
        relative = (self.length_mm / np.maximum(expected, 1.0) - 1) ** 2
        return math.sqrt(float(np.average(relative, weights=self.weight)))

    def predict(self, age: Any) -> pd.DataFrame:
        """Mean length at ages: ``age``, ``length_mm``, ``lower``, ``upper`` (percentiles of the replicates); NaN without a curve.

        Replicates without an asymptote are left out of the band.
        """
        ages = np.atleast_1d(np.asarray(age, float))
        if not self.estimable:
            return pd.DataFrame({"age": ages, **{name: np.full(ages.size, math.nan) for name in ("length_mm", "lower", "upper")}})
        value = np.maximum(natural_length(self.parameters[None], ages, self.curve)[0][0], 0.0)
        usable = self.replicates[np.isfinite(self.replicates).all(axis=1) & (self.replicates[:, 1] > 0)]
        with np.errstate(all="ignore"):
            many = np.maximum(natural_length(usable, ages, self.curve)[0], 0.0)
        low, high = np.quantile(many, [(1 - self.level) / 2, (1 + self.level) / 2], axis=0)
        return pd.DataFrame({"age": ages, "length_mm": value, "lower": low, "upper": high})

    def draws(self, n: int, rng: np.random.Generator) -> pd.DataFrame:
        """`n` joint draws of the parameters from the replicates whose asymptote lies within 3 times the longest aged fish.

        Raises
        ------
        InputError
            Without a curve, or when fewer than one replicate in ten lies within that bound.
        """
        if not self.estimable:
            raise InputError("no draws from a growth curve that is not estimable")
        within = np.isfinite(self.replicates).all(axis=1) & (self.replicates[:, 1] > 0)
        within &= self.replicates[:, 0] <= FARTHEST_ASYMPTOTE * self.length_mm.max()
        if within.mean() < 0.1:
            raise InputError(
                f"fewer than one bootstrap replicate in ten has an asymptote within {FARTHEST_ASYMPTOTE:g} times the longest "
                "fish; give the growth parameters by hand"
            )
        rows = self.replicates[within]
        return pd.DataFrame(rows[rng.integers(len(rows), size=n)], columns=list(self.curve.parameters))


def _bins(length_mm: Floats, bin_mm: float) -> np.ndarray:
    return np.floor(length_mm / bin_mm + 1e-9).astype(int)


def _nearest(wanted: np.ndarray, present: np.ndarray) -> np.ndarray:
    """Place among the sorted `present` of the nearest to each of `wanted`; the lower where two are as near."""
    right = np.clip(np.searchsorted(present, wanted), 0, present.size - 1)
    left = np.maximum(right - 1, 0)
    return np.where(np.abs(present[left] - wanted) <= np.abs(present[right] - wanted), left, right)


def _catch_again(place: np.ndarray, bins: int, run: Any, resamples: int, rng: np.random.Generator) -> Floats:
    """Fish of the catch in each length bin, (resamples, bins), when runs, or fish without runs, are drawn again."""
    if run is None:
        count = np.bincount(place, minlength=bins)
        return rng.multinomial(place.size, count / place.size, size=resamples).astype(float)
    _, unit = np.unique(np.asarray(run, dtype=str), return_inverse=True)
    table = np.zeros((int(unit.max()) + 1, bins))
    np.add.at(table, (unit, place), 1.0)
    return rng.multinomial(len(table), np.full(len(table), 1 / len(table)), size=resamples) @ table


def _weights(drawn: Floats, catch: Floats, bin_of: np.ndarray) -> tuple[Floats, Floats]:
    """Weights of the aged fish, (batch, fish), adding up to their effective number, and that number, (batch,).

    `drawn` (batch, fish) is how often each fish stands in the subsample, `catch` (batch, bins) the fish of the catch.
    """
    in_bin = np.zeros((bin_of.size, catch.shape[1]))
    in_bin[np.arange(bin_of.size), bin_of] = 1.0
    aged = drawn @ in_bin
    raised = np.divide(catch, aged, out=np.zeros_like(catch), where=aged > 0)[:, bin_of]
    total, square = (drawn * raised).sum(axis=1), (drawn * raised**2).sum(axis=1)
    scale = np.divide(total, square, out=np.zeros_like(total), where=square > 0)
    return drawn * raised * scale[:, None], total * scale


def _mean_lengths(ages: Floats, lengths: Floats, weight: Floats, many: Floats, level: float) -> pd.DataFrame:
    distinct, place = np.unique(ages, return_inverse=True)
    member = np.zeros((ages.size, distinct.size))
    member[np.arange(ages.size), place] = 1.0
    total = weight @ member
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = (weight * lengths) @ member / total
        spread = np.sqrt((weight * (lengths - mean[place]) ** 2) @ member / total)
        again = (many * lengths) @ member / (many @ member)
    # an age that one fish alone has shows no spread of its own
    count = member.sum(axis=0)
    sides = [np.full(distinct.size, math.nan), np.full(distinct.size, math.nan)]
    for j in np.flatnonzero(count > 1):
        kept = again[:, j][np.isfinite(again[:, j])]
        sides[0][j], sides[1][j] = np.quantile(kept, [(1 - level) / 2, (1 + level) / 2])
    return pd.DataFrame(
        {
            "age": distinct,
            "aged": count.astype(int),
            "effective": total**2 / np.maximum((weight**2) @ member, 1e-300),
            "length_mm": mean,
            "lower": sides[0],
            "upper": sides[1],
            "sd_mm": np.where(count > 1, spread, math.nan),
            "raw_mm": np.bincount(place, lengths) / count,
        }
    )


def fit_stratified_growth(
    age: Any,
    length_mm: Any,
    catch_length_mm: Any,
    *,
    bin_mm: float,
    rng: np.random.Generator,
    curve: str = "von_bertalanffy",
    errors: Errors = "constant",
    run: Any = None,
    resamples: int = 1000,
    level: float = 0.95,
    minimum: int = 10,
) -> StratifiedGrowth:
    """Fit a growth curve to the mean lengths at age of the catch, when the aged fish were picked by length class.

    When so many fish of each length class are aged, the long fish of an age are over-represented among the aged ones, and a
    plain fit puts the asymptote too high (Goodyear 1995, Trans. Am. Fish. Soc. 124:746-753; Bettoli and Miranda 2001, N. Am. J.
    Fish. Manage. 21:425-428; both from memory). Here every aged fish stands for the fish of its length bin in the catch.

    Parameters
    ----------
    age, length_mm : arrays (aged fish,)
        Years and mm; fish that lack either are left out and counted in a note.
    catch_length_mm : array (fish,)
        All measured fish of the catch, the aged ones among them (mm).
    bin_mm : float
        Width of the length bins.
    rng : Generator
    curve : str
        ``von_bertalanffy``, ``gompertz`` or ``logistic``.
    errors : {"constant", "proportional"}
        As in `fit_growth`.
    run : array (fish,), optional
        Run of each fish of the catch; whole runs are then drawn again.
    resamples, level, minimum
        Bootstrap replicates, confidence level, and the aged fish needed.

    Returns
    -------
    StratifiedGrowth
        Least squares with weight ``g``, the fish of the catch in the length bin over the aged fish in it (a bin without aged
        fish counts with the nearest that has some), scaled to add up to the effective number ``(sum g)^2 / sum g^2`` (Kish
        1965, Survey Sampling, from memory). Intervals: percentiles of a two-stage bootstrap in which runs (or fish) of the
        catch and aged fish are drawn again at once. A replicate without asymptote counts as infinite Linf and K of 0. AICc
        takes the effective number as n. In simulated surveys with two fish aged a 30 mm class and season the 95 % interval of
        Linf held the curve of the catch in 91 of 100 with 90 aged fish, that of K in 95; with 240 to 280 aged fish Linf of the
        population, which the gear's choice shifts a little, in about 90. The plain fit held it in none.
        Not estimable where `fit_growth` is not, without a catch, or when fewer than half of the replicates settle.

    Raises
    ------
    InputError
        For impossible ages or lengths, a bin width that is not above 0, or Richards' curve.
    """
    form = find_curve(curve)
    check_level(level)
    if form.power is None:
        raise InputError("curve must be von_bertalanffy, gompertz or logistic here, got 'richards'")
    if not (math.isfinite(bin_mm) and bin_mm > 0):
        raise InputError(f"bin_mm must be above 0, got {bin_mm}")
    ages, lengths, dropped = check_aged_fish(age, length_mm)
    catch = check_lengths(catch_length_mm, "catch_length_mm") if np.size(catch_length_mm) else np.zeros(0)
    if run is not None and np.shape(run) != catch.shape:
        raise InputError(f"run must name the run of every fish of the catch, got {np.size(run)} for {catch.size} fish")
    measured = ~np.isnan(catch)
    runs = None if run is None else np.asarray(run)[measured]
    catch = catch[measured]
    plain = fit_growth(form, ages, lengths, level=level, errors=errors, interval="wald", minimum=minimum)
    notes = [f"{dropped} fish without age or length left out"] if dropped else []
    method = (
        f"{form.name} growth curve, least squares on {'log ' if errors == 'proportional' else ''}length at age, each aged fish "
        f"weighed by the catch of its {bin_mm:g} mm length class; percentiles of a two-stage bootstrap of "
        f"{'fish' if runs is None else 'runs'} and aged fish, {resamples} resamples"
    )
    reason = "" if plain.estimable else plain.notes[0].removeprefix("not estimable: ")
    if not reason and catch.size == 0:
        reason = "no measured catch to weigh the aged fish by"
    if reason:
        return _nothing(form, errors, level, ages, lengths, method, reason, tuple(notes))

    present, bin_of = np.unique(_bins(lengths, bin_mm), return_inverse=True)
    own = _bins(catch, bin_mm)
    place = _nearest(own, present)
    far = int(np.sum(present[place] != own))
    if far:
        notes.append(
            f"{far:,} of {catch.size:,} measured fish lie in length classes without aged fish and count with the nearest"
        )
    distinct = np.unique(ages)
    once = np.bincount(place, minlength=present.size)[None].astype(float)
    weight, effective = _weights(np.ones((1, ages.size)), once, bin_of)
    drawn = rng.multinomial(ages.size, np.full(ages.size, 1 / ages.size), size=resamples).astype(float)
    many, _ = _weights(drawn, _catch_again(place, present.size, runs, resamples, rng), bin_of)
    means = _mean_lengths(ages, lengths, weight[0], many, level)

    logarithmic = errors == "proportional"
    response = np.log(lengths) if logarithmic else lengths
    young, old = float(distinct[0]), float(distinct[-1])
    groups = group_ages(ages, response, weight)
    found = solve_curve(groups, form, logarithmic)
    with np.errstate(all="ignore"):
        natural = to_natural(found.parameters, form, young, old)[0]
    if not np.isfinite(natural[0]) or natural[0] > NO_ASYMPTOTE * lengths.max():
        reason = "no asymptote visible in the mean lengths at age of the catch"
        return replace(_nothing(form, errors, level, ages, lengths, method, reason, tuple(notes)), mean_length=means)
    again = solve_replicates(ages, response, many, found.parameters[0], form, logarithmic)
    with np.errstate(all="ignore"):
        replicates = to_natural(again.parameters, form, young, old)
    settled = again.converged
    if settled.mean() < LEAST_SETTLED:
        reason = f"{int(np.sum(~settled))} of {resamples} bootstrap replicates did not settle"
        return replace(_nothing(form, errors, level, ages, lengths, method, reason, tuple(notes)), mean_length=means)
    if not settled.all():
        notes.append(f"{int(np.sum(~settled))} of {resamples} bootstrap replicates did not settle and are left out")
    replicates = replicates[settled]
    notes += _open_ended(float(np.isinf(replicates[:, 0]).mean()))
    if natural[0] > BEYOND_DATA * lengths.max():
        notes.append(
            f"the asymptotic length lies {100 * (natural[0] / lengths.max() - 1):.0f} % beyond the longest aged fish "
            f"({lengths.max():.0f} mm): it is extrapolated"
        )
    if np.unique(np.floor(ages)).size < 5:
        notes.append(f"only {np.unique(np.floor(ages)).size} age classes")
    if form.power == 1 and ages.min() >= 2:
        notes.append(f"the youngest aged fish is {ages.min():g} years old: the age at length 0 is extrapolated")
    total = float(effective[0])
    rss, p = float(found.rss[0]), 3
    room = total - p - 2
    log_term = 2 * float(np.sum(weight[0] * np.log(lengths))) if logarithmic else 0.0
    aic = total * (math.log(2 * math.pi * rss / total) + 1) + log_term + 2 * (p + 1) if rss > 0 else -math.inf
    estimates = {}
    for j, (name, units) in enumerate(zip(form.parameters, ("mm", "1/yr", "yr"), strict=True)):
        estimates[name] = _estimate(float(natural[j]), replicates[:, j], level, units, method, ages.size, tuple(notes))
    return StratifiedGrowth(
        curve=form,
        errors=errors,
        level=level,
        estimates=estimates,
        parameters=natural,
        replicates=replicates,
        weight=weight[0],
        mean_length=means,
        residual_se=math.sqrt(rss / max(total - p, 1.0)),
        aicc=aic + 2 * (p + 1) * (p + 2) / room if room > 0 else math.inf,
        n=int(ages.size),
        effective_n=total,
        age=ages,
        length_mm=lengths,
        notes=tuple(notes),
    )


def _estimate(value: float, draws: Floats, level: float, units: str, method: str, n: int, notes: tuple[str, ...]) -> Estimate:
    known = np.sort(draws[~np.isnan(draws)])
    finite = known[np.isfinite(known)]
    sides = [float(known[min(int(q * known.size), known.size - 1)]) for q in ((1 - level) / 2, (1 + level) / 2)]
    # the spread between the quartiles does not run away with the few replicates that have a far asymptote
    se = float(np.subtract(*np.quantile(finite, [0.8413, 0.1587]))) / 2
    return Estimate(value, se, min(sides[0], value), max(sides[1], value), level, units, method, n, notes)


def _open_ended(share: float) -> list[str]:
    """That replicates have no asymptote, where it is a percent of them or more."""
    percent = round(100 * share)
    return [f"{percent} % of the bootstrap replicates have no asymptote; they count as infinite"] if percent else []


def _nothing(
    form: GrowthCurve, errors: str, level: float, ages: Floats, lengths: Floats, method: str, reason: str, notes: tuple[str, ...]
) -> StratifiedGrowth:
    estimates = {
        name: Estimate.not_estimable(reason, units=units, method=method, n=int(ages.size), level=level).noting(*notes)
        for name, units in zip(form.parameters, ("mm", "1/yr", "yr"), strict=True)
    }
    columns = ["age", "aged", "effective", "length_mm", "lower", "upper", "sd_mm", "raw_mm"]
    return StratifiedGrowth(
        curve=form,
        errors=errors,
        level=level,
        estimates=estimates,
        parameters=np.full(3, math.nan),
        replicates=np.zeros((0, 3)),
        weight=np.zeros(ages.size),
        mean_length=pd.DataFrame({name: np.zeros(0) for name in columns}),
        residual_se=math.nan,
        aicc=math.inf,
        n=int(ages.size),
        effective_n=0.0,
        age=ages,
        length_mm=lengths,
        notes=(f"not estimable: {reason}", *notes),
    )
