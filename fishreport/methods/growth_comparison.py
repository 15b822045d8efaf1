"""Whether growth differs between groups of fish (seasons, cohorts, species, waters), and in which parameters."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from itertools import combinations
from typing import Any

import numpy as np
import pandas as pd
from scipy import optimize, stats

from fishreport.exceptions import InputError
from fishreport.methods.growth_curves import Floats, GrowthCurve, find_curve, natural_length
from fishreport.methods.growth_fit import GrowthFit
from fishreport.methods.inputs import check_level
from fishreport.methods.length_at_age import Errors, Interval, check_aged_fish, choose_errors, fit_growth


@dataclass(frozen=True)
class GrowthComparison:
    """Growth curves of several groups, with none, some or all parameters in common.

    Attributes
    ----------
    curve : GrowthCurve
    groups : tuple[str, ...]
    fits : dict[str, GrowthFit]
        The separate curve of each group.
    table : DataFrame
        One row a model, from all parameters in common to none: ``common`` (their names), ``parameters``, ``rss``, ``df``,
        ``aicc``, and against the model with none in common ``f``, ``f_df``, ``p_value``, ``chi_square``, ``chi_square_df``,
        ``likelihood_p_value``.
    p_value : float
        Of one curve for all groups (F test); NaN when not estimable.
    differing : tuple[str, ...]
        Parameters that cannot be held in common by themselves at the level asked for (F test, Holm's correction).
    level : float
    n : int
    notes : tuple[str, ...]
    """

    curve: GrowthCurve
    groups: tuple[str, ...]
    fits: dict[str, GrowthFit] = field(repr=False)
    table: pd.DataFrame = field(repr=False)
    p_value: float
    differing: tuple[str, ...]
    level: float
    n: int
    notes: tuple[str, ...]

    @property
    def estimable(self) -> bool:
        """True when every group has a curve of its own."""
        return math.isfinite(self.p_value)


class _Stack:
    """All groups in one least-squares problem, some natural parameters in common."""

    def __init__(self, fits: list[GrowthFit], curve: GrowthCurve, common: tuple[int, ...]) -> None:
        self.curve, self.logarithmic = curve, fits[0].errors == "proportional"
        self.ages = [fit.age for fit in fits]
        self.response = [np.log(fit.length_mm) if self.logarithmic else fit.length_mm for fit in fits]
        own = [j for j in range(3) if j not in common]
        self.columns = [
            np.array([common.index(j) if j in common else len(common) + g * len(own) + own.index(j) for j in range(3)])
            for g in range(len(fits))
        ]
        self.size = len(common) + len(own) * len(fits)

    def start(self, each: Floats) -> Floats:
        """Mean of the groups' parameters where they are common."""
        total, count = np.zeros(self.size), np.zeros(self.size)
        for columns, parameters in zip(self.columns, each, strict=True):
            total[columns] += parameters
            count[columns] += 1
        return total / count

    def _parts(self, at: Floats) -> list[tuple[Floats, Floats]]:
        parts = []
        for ages, columns in zip(self.ages, self.columns, strict=True):
            length, slopes = natural_length(at[columns], ages, self.curve)
            if self.logarithmic:
                slopes = slopes / np.maximum(length, 1e-300)[:, None]
                length = np.log(np.maximum(length, 1e-6))
            parts.append((length, slopes))
        return parts

    def residuals(self, at: Floats) -> Floats:
        return np.concatenate([r - part[0] for r, part in zip(self.response, self._parts(at), strict=True)])

    def jacobian(self, at: Floats) -> Floats:
        rows = []
        for columns, (_, slopes) in zip(self.columns, self._parts(at), strict=True):
            block = np.zeros((len(slopes), self.size))
            block[:, columns] = -slopes
            rows.append(block)
        return np.concatenate(rows)

    def rss(self, starts: list[Floats]) -> float:
        """Least sum of squares over several starts."""
        best = math.inf
        for each in starts:
            with np.errstate(all="ignore"):
                found = optimize.least_squares(
                    self.residuals, self.start(each), self.jacobian, method="lm", xtol=1e-14, ftol=1e-14, gtol=1e-14
                )
            best = min(best, 2 * float(found.cost))
        return best


def _aicc(rss: float, n: int, p: int, log_lengths: float) -> float:
    k = p + 1
    if rss <= 0 or n - k - 1 <= 0:
        return math.nan
    return n * (math.log(2 * math.pi * rss / n) + 1) + 2 * log_lengths + 2 * k + 2 * k * (k + 1) / (n - k - 1)


def compare_growth(
    age: Any,
    length_mm: Any,
    group: Any,
    *,
    curve: str = "von_bertalanffy",
    errors: Errors = "constant",
    interval: Interval = "profile",
    level: float = 0.95,
    rng: np.random.Generator | None = None,
    minimum: int = 4,
) -> GrowthComparison:
    """Compare growth between groups by extra sum of squares.

    Parameters
    ----------
    age, length_mm : arrays (fish,)
        Years and mm.
    group : array (fish,)
        Name of the group of each fish; fish without one are left out and counted in a note.
    curve : str
        ``von_bertalanffy``, ``gompertz`` or ``logistic``.
    errors, interval, rng, minimum
        As in `fit_growth`, for each group.
    level : float
        Of the separate fits, and 1 - level is the size of the tests.

    Returns
    -------
    GrowthComparison
        Every model in which some parameters are common to all groups is set against the model in which none is:
        ``F = [(RSS_c - RSS_0) / (df_c - df_0)] / (RSS_0 / df_0)`` (Ratkowsky 1983, Nonlinear Regression Modeling, section
        7.2) and ``chi-square = n log(RSS_c / RSS_0)`` (Kimura 1980, Fish. Bull. 77:765-776, equation for the likelihood
        ratio); both from memory. The residual variance is taken as common. Not estimable with fewer than two groups, or if a
        group has no curve of its own.

    Raises
    ------
    InputError
        As `fit_growth`, for a column of groups of another length, or for Richards' curve.
    """
    form = find_curve(curve)
    check_level(level)
    if form.power is None:
        raise InputError("curve must be von_bertalanffy, gompertz or logistic to be compared, got 'richards'")
    named = pd.Series(np.asarray(group, dtype=object))
    ages, lengths = np.asarray(age, float), np.asarray(length_mm, float)
    if not (ages.shape == lengths.shape == named.shape):
        raise InputError(f"age, length_mm and group must have equal length, got {ages.size}, {lengths.size} and {len(named)}")
    known = named.notna().to_numpy()
    labels = named[known].astype(str).to_numpy()
    notes = [f"{int(np.sum(~known))} fish without group left out"] if not known.all() else []
    groups = tuple(sorted(set(labels.tolist())))
    options: dict[str, Any] = {"errors": errors, "interval": interval, "level": level, "rng": rng, "minimum": minimum}
    if errors == "chosen":
        pairs = [check_aged_fish(ages[known][labels == g], lengths[known][labels == g])[:2] for g in groups]
        options["errors"], why = choose_errors(form, pairs)
        notes.append(why)
    fits = {g: fit_growth(form, ages[known][labels == g], lengths[known][labels == g], **options) for g in groups}
    n = sum(fit.n for fit in fits.values())
    reasons = [f"group {g}: {fit.notes[0]}" for g, fit in fits.items() if not fit.estimable]
    if len(groups) < 2:
        reasons = [f"not estimable: {len(groups)} group, 2 needed"]
    if reasons:
        return GrowthComparison(form, groups, fits, pd.DataFrame(), math.nan, (), level, n, (*reasons, *notes))

    separate = list(fits.values())
    together = fit_growth(
        form,
        np.concatenate([fit.age for fit in separate]),
        np.concatenate([fit.length_mm for fit in separate]),
        errors=options["errors"],
        interval="wald",
        minimum=minimum,
    )
    each = np.array([fit.parameters for fit in separate])
    starts = [each] + ([np.tile(together.parameters, (len(groups), 1))] if together.estimable else [])
    log_lengths = float(sum(np.log(fit.length_mm).sum() for fit in separate)) if options["errors"] == "proportional" else 0.0
    full_rss, full_df = sum(fit.rss for fit in separate), n - 3 * len(groups)
    rows = []
    for count in (3, 2, 1, 0):
        for common in combinations(range(3), count):
            stack = _Stack(separate, form, common)
            rss = max(stack.rss(starts), full_rss) if common else full_rss
            df = n - stack.size
            gained = df - full_df
            row: dict[str, Any] = {"common": ", ".join(form.parameters[j] for j in common) or "none"}
            row |= {"parameters": stack.size, "rss": rss, "df": df, "aicc": _aicc(rss, n, stack.size, log_lengths)}
            if gained and full_rss > 0:
                ratio, chi_square = (rss - full_rss) / gained / (full_rss / full_df), n * math.log(rss / full_rss)
                row |= {"f": ratio, "f_df": gained, "p_value": float(stats.f.sf(ratio, gained, full_df))}
                row |= {"chi_square": chi_square, "chi_square_df": gained}
                row["likelihood_p_value"] = float(stats.chi2.sf(chi_square, gained))
            rows.append(row)
    table = pd.DataFrame(rows)
    if "p_value" not in table:
        notes.append("not estimable: the separate curves pass through every point")
        return GrowthComparison(form, groups, fits, table, math.nan, (), level, n, tuple(notes))
    single = table[table["common"].isin(form.parameters)].sort_values("p_value")
    differing = []
    for step, (name, p_value) in enumerate(zip(single["common"], single["p_value"], strict=True)):
        if p_value > (1 - level) / (3 - step):
            break
        differing.append(str(name))
    overall = float(table["p_value"].iloc[0])
    if overall < 1 - level and not differing:
        notes.append("the curves differ, but no single parameter can be named: they are nearly confounded within groups")
    low, high = max(fit.age.min() for fit in separate), min(fit.age.max() for fit in separate)
    spans = [float(np.ptp(fit.age)) for fit in separate]
    if high - low < 0.6 * max(spans):
        notes.append(
            f"the groups share only ages {low:g} to {high:g}: a difference may come from the ages that one of them lacks"
        )
    spread = [fit.residual_se for fit in separate]
    if max(spread) > 2 * min(spread):
        notes.append("the scatter differs more than twofold between groups: the tests, which take it as equal, are rough")
    return GrowthComparison(form, groups, fits, table, overall, tuple(differing), level, n, tuple(notes))
