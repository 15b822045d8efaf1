"""Trends of the yearly indices: which are tested, by which method, and how many would look like one by chance."""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from scipy import stats

from fishreport.analysis.catch_model import QUANTITY
from fishreport.analysis.classes import LengthClasses
from fishreport.analysis.result import Result, Results
from fishreport.methods.estimate import Estimate
from fishreport.methods.inputs import FloatArray
from fishreport.methods.linear_trend import LinearTrend, linear_trend
from fishreport.methods.objectives import probability_above
from fishreport.methods.state_space import LocalLevel, local_level
from fishreport.methods.step_change import StepChange, before_after
from fishreport.methods.trend import LogLinearTrend, MannKendall, log_linear, mann_kendall, sen_slope
from fishreport.study import Study
from fishreport.study.sections import Event

QUANTITIES = (
    QUANTITY,
    "catch_rate",
    "proportional_size",
    "mean_length",
    "relative_weight",
    "condition_factor",
    "total_mortality",
    "annual_survival",
)
# The indices that a species is spoken of by, with their classes.
LEAD: dict[str, tuple[str, ...]] = {
    QUANTITY: ("stock", "quality"),
    "proportional_size": ("quality", "preferred"),
    "mean_length": ("stock",),
    "relative_weight": ("stock",),
    "total_mortality": ("all",),
}
_DEPENDENT = "successive seasons resemble each other"


@dataclass(frozen=True)
class IndexSeries:
    """A yearly index of one species and class, over the seasons that it could be estimated in.

    Attributes
    ----------
    quantity, species, size_class, units : str
    level : float
    year, value, se, lower, upper : array
    seasons : tuple[int, ...]
        All seasons that the index was asked for, estimable or not.
    lost : tuple[str, ...]
        Why it could not be estimated in the others, each reason once.
    ids : tuple[str, ...]
        Ids of the results behind it.
    """

    quantity: str
    species: str
    size_class: str
    units: str
    level: float
    year: FloatArray
    value: FloatArray
    se: FloatArray
    lower: FloatArray
    upper: FloatArray
    seasons: tuple[int, ...]
    lost: tuple[str, ...]
    ids: tuple[str, ...]

    @property
    def scale(self) -> Literal["log", "identity"]:
        """``log``, or ``identity`` for a share in percent and where a season's value is zero."""
        return "identity" if self.units == "percent" or bool((self.value <= 0).any()) else "log"


@dataclass(frozen=True)
class IndexTrend:
    """The trend of one index, by the method that is reported and by others beside it.

    Attributes
    ----------
    series : IndexSeries
    result : Result
        ``trend_per_year``: percent per year, or units per year on the identity scale.
    p : float
        Two-sided probability of such a trend without one; NaN where it is not estimable.
    adjusted_p : float
        The same, adjusted for the number of trends tested.
    method : str
        ``log-linear``, ``linear`` or ``Sen``, with ``, autocorrelated`` where seasons that resemble each other are allowed for.
    test, corrected_test : MannKendall
        Without and with correction for autocorrelation.
    sen : Result
        ``sen_slope``, in units per year.
    line : LogLinearTrend | LinearTrend | None
        None where the Sen slope is reported.
    smooth : LocalLevel | None
        Of the leading indices only.
    smooth_p, smooth_adjusted_p : float
        Of the change of the smoothed level, and the same adjusted for the number of such changes; NaN where there is none.
    restates : bool
        True where another trend asks the same question: it is not among those tested, and has no `adjusted_p`.
    """

    series: IndexSeries
    result: Result
    p: float
    adjusted_p: float
    method: str
    test: MannKendall
    corrected_test: MannKendall
    sen: Result
    line: LogLinearTrend | LinearTrend | None
    smooth: LocalLevel | None
    smooth_p: float = math.nan
    smooth_adjusted_p: float = math.nan
    restates: bool = False


@dataclass(frozen=True)
class Step:
    """An index before and after a named event, with its p as it stands among all such changes."""

    series: IndexSeries
    event: Event
    change: StepChange
    beside_trend: StepChange
    result: Result
    adjusted_p: float = math.nan


def is_lead(series: IndexSeries, classes: LengthClasses) -> bool:
    """True for the indices that a species is spoken of by; without a standard, condition is the condition factor."""
    wanted = dict(LEAD)
    if classes.standard is None:
        wanted["condition_factor"] = ("all",)
        wanted[QUANTITY] = wanted["mean_length"] = ("all",)
    return series.size_class in wanted.get(series.quantity, ())


def index_series(results: Results, classes: Sequence[LengthClasses], season: int) -> list[IndexSeries]:
    """Every yearly index of the whole water among `results`, up to `season`; species in the order of the study."""
    found = []
    for own in classes:
        for quantity in QUANTITIES:
            mine = results.where(quantity=quantity, species=own.species.key, site=None, scenario=None, detail=None)
            for size_class in own.bounds_mm:
                line = sorted(
                    (r for r in mine.where(size_class=size_class) if r.season is not None and r.season <= season),
                    key=lambda r: r.season or 0,
                )
                if line:
                    found.append(_series(line))
    return found


def _series(line: list[Result]) -> IndexSeries:
    first = next((r for r in line if r.estimate.estimable), line[0])
    known = [r for r in line if r.estimate.estimable]
    table = np.array(
        [[r.season or 0, r.estimate.value, r.estimate.se, r.estimate.lower, r.estimate.upper] for r in known], dtype=float
    ).reshape(-1, 5)
    if first.estimate.units == "percent":  # of few fish the limits are wider than the standard error of the share alone
        half = (table[:, 4] - table[:, 3]) / (2 * float(stats.norm.ppf(0.5 + first.estimate.level / 2)))
        table[:, 2] = np.maximum(table[:, 2], half)
    reasons = [note for r in line if not r.estimate.estimable for note in r.estimate.notes[:1]]
    return IndexSeries(
        first.quantity, str(first.species), str(first.size_class), first.estimate.units, first.estimate.level,
        table[:, 0], table[:, 1], table[:, 2], table[:, 3], table[:, 4],
        tuple(int(r.season or 0) for r in line), tuple(dict.fromkeys(reasons)), tuple(r.id for r in known),
    )  # fmt: skip


def _place(series: IndexSeries, quantity: str, estimate: Estimate) -> Result:
    missing = sorted(set(series.seasons) - {int(y) for y in series.year})
    if missing and estimate.estimable:
        estimate = estimate.noting(f"not estimable in {', '.join(map(str, missing))}")
    return Result(quantity, estimate, None, series.species, series.size_class, detail=series.quantity)


def _two_sided(slope: Estimate, method: str) -> float:
    """Of Student's t for independent seasons; else from the interval, as the limits are those of a mixture."""
    if not slope.estimable or not slope.se > 0:
        return math.nan
    if method.endswith("autocorrelated"):
        above = probability_above(slope, 0.0)
        return 2 * min(above, 1 - above)
    return float(2 * stats.t.sf(abs(slope.value) / slope.se, slope.n - 2))


def _told_apart(sen: Estimate, *, zero: bool) -> Estimate:
    """A Sen interval without width comes from seasons that share one value, and claims a certainty that they do not have."""
    if sen.estimable and sen.lower == sen.upper:
        reason = "nothing in most seasons" if sen.value == 0 and zero else "most seasons have the same value"
        return Estimate.not_estimable(reason, units=sen.units, method=sen.method, n=sen.n, level=sen.level)
    return sen


def _at_the_edge(series: IndexSeries) -> str:
    """Why a share that is none or all of the fish in half of its seasons or more has no trend; empty for any other index.

    Such seasons have no standard error, and would lend a flat line the certainty of the others.
    """
    if series.units != "percent" or not series.value.size:
        return ""
    for edge, others in ((0.0, "at most {:.2g}% in the "), (100.0, "at least {:.3g}% in the ")):
        there = series.value == edge
        if 2 * there.sum() >= there.size:
            rest = series.value[~there]
            far = others.format(rest.max() if edge == 0 else rest.min()) if rest.size else ""
            told = f"{edge:.0f}% in {there.sum()} of {there.size} seasons"
            return f"{told}, {far}other{'s' if rest.size > 1 else ''}" if far else told
    return ""


def _withheld(estimate: Estimate, reason: str) -> Estimate:
    if not reason or not estimate.estimable:
        return estimate
    return Estimate.not_estimable(
        reason, units=estimate.units, method=estimate.method, n=estimate.n, level=estimate.level
    )  # fmt: skip


def _change_p(smooth: LocalLevel, series: IndexSeries) -> float:
    """Two-sided, from the interval of the change: normal, of the logarithm where the change is in percent."""
    change = smooth.change
    if not change.estimable or math.isnan(change.lower) or math.isnan(change.upper):
        return math.nan
    sides = np.array([change.lower, change.value, change.upper])
    low, middle, high = np.log1p(np.maximum(sides, -100) / 100) if series.scale == "log" else sides
    spread = (high - low) / (2 * stats.norm.ppf((1 + change.level) / 2))
    return float(2 * stats.norm.sf(abs(middle) / spread)) if spread > 0 and math.isfinite(spread) else math.nan


def _line(series: IndexSeries, correlation: Literal["none", "ar1"]) -> LogLinearTrend | LinearTrend:
    fit = log_linear if series.scale == "log" else linear_trend
    return fit(
        series.year, series.value, se=series.se, level=series.level, units=series.units, correlation=correlation
    )  # fmt: skip


def index_trend(series: IndexSeries, *, lead: bool) -> IndexTrend:
    """The trend of one index.

    A line weighted by the yearly standard errors and the scatter of seasons: through the logarithms of an index above zero, for
    percent per year; through the values of a share in percent, whose change is told in percentage points. Where seasons resemble
    each other about that line, the one that allows for it is reported. An index that is zero in some season has no logarithm
    there: its Sen slope is reported, with the p of the Mann-Kendall test. A share of none or all of the fish in half of its
    seasons or more has no trend.
    """
    year, value, level = series.year, series.value, series.level
    test = mann_kendall(year, value, level=level)
    corrected = mann_kendall(year, value, level=level, correction="ar1") if len(year) >= 4 else test
    zero = value.size > 0 and float(np.median(value)) == 0
    sen = _told_apart(sen_slope(year, value, level=level, units=series.units), zero=zero)
    line: LogLinearTrend | LinearTrend | None = None
    method, p, estimate = "Sen", test.p, sen
    if series.scale == "log" or series.units == "percent":
        line, method = _line(series, "none"), "log-linear" if series.scale == "log" else "linear"
        if any(note.startswith(_DEPENDENT) for note in line.trend_per_year.notes):
            line, method = _line(series, "ar1"), f"{method}, autocorrelated"
        estimate = line.trend_per_year
        p = _two_sided(line.slope if isinstance(line, LogLinearTrend) else estimate, method)
    elif any(note.startswith(_DEPENDENT) for note in sen.notes):
        estimate = _told_apart(sen_slope(year, value, level=level, units=series.units, correction="ar1"), zero=zero)
        method, p = "Sen, autocorrelated", corrected.p
    edge = _at_the_edge(series)
    estimate, sen, line = _withheld(estimate, edge), _withheld(sen, edge), None if edge else line
    smooth = None
    if lead and not edge:
        smooth = local_level(year, value, se=series.se, level=level, units=series.units, scale=series.scale)
    return IndexTrend(
        series, _place(series, "trend_per_year", estimate), p if estimate.estimable else math.nan, math.nan, method, test,
        corrected, _place(series, "sen_slope", sen), line, smooth, _change_p(smooth, series) if smooth else math.nan,
    )  # fmt: skip


def adjusted_p(p: Sequence[float]) -> list[float]:
    """Probabilities of tests, adjusted for their number (Benjamini & Hochberg 1995, from memory); NaN is not counted."""
    given = np.array(p, dtype=float)
    known = np.isfinite(given)
    adjusted = np.full(given.size, math.nan)
    if known.any():
        adjusted[known] = stats.false_discovery_control(given[known])
    return [float(q) for q in adjusted]


# An index → the one that asks the same question in its stead, of the same species and class, where that has a trend.
_STANDS_FOR = {
    "catch_rate": QUANTITY,
    "condition_factor": "relative_weight",
    "annual_survival": "total_mortality",
}


def _restates(one: IndexTrend, asked: Collection[tuple[str, str, str]]) -> bool:
    """True where the same question is `asked` by another index, or of all lengths beside fish of stock length and longer."""
    s = one.series
    quantities = {s.quantity, _STANDS_FOR.get(s.quantity, s.quantity)}
    sizes = {s.size_class, "stock"} if s.size_class == "all" else {s.size_class}
    stead = {(s.species, quantity, size_class) for quantity in quantities for size_class in sizes}
    return bool((stead - {(s.species, s.quantity, s.size_class)}) & set(asked))


def index_trends(results: Results, classes: Sequence[LengthClasses], season: int) -> list[IndexTrend]:
    """Trends of every index among `results`, with p adjusted for their number; smoothed changes are adjusted for theirs.

    Each question counts once: the catch rate as caught, the condition factor, survival, and all lengths are not counted beside
    the standardised catch rate, relative weight, total mortality, and stock length and longer.
    """
    owners = {own.species.key: own for own in classes}
    found = [index_trend(one, lead=is_lead(one, owners[one.species])) for one in index_series(results, classes, season)]
    asked = {(t.series.species, t.series.quantity, t.series.size_class) for t in found if t.result.estimate.estimable}
    found = [replace(one, restates=_restates(one, asked)) for one in found]
    of_trends = adjusted_p([math.nan if one.restates else one.p for one in found])
    of_changes = adjusted_p([one.smooth_p for one in found])
    return [
        replace(one, adjusted_p=trend, smooth_adjusted_p=change)
        for one, trend, change in zip(found, of_trends, of_changes, strict=True)
    ]


def lead_trends(trends: Sequence[IndexTrend], classes: Sequence[LengthClasses]) -> list[IndexTrend]:
    """Those of the indices that each species is spoken of by."""
    owners = {own.species.key: own for own in classes}
    return [one for one in trends if is_lead(one.series, owners[one.series.species])]


def driven(trends: Sequence[IndexTrend], classes: Sequence[LengthClasses]) -> list[IndexTrend]:
    """Those that drivers are tried on: the standardised catch rate and the condition, one class a species."""
    lead = {own.species.key: "stock" if "stock" in own.bounds_mm else "all" for own in classes}
    wanted = (QUANTITY, "relative_weight", "condition_factor")
    return [t for t in trends if t.series.quantity in wanted and t.series.size_class == lead[t.series.species]]


def steps(study: Study, trends: Sequence[IndexTrend]) -> list[Step]:
    """Every index before and after every event of the study: a plain step, its p adjusted, and one beside a steady trend."""
    found = []
    for event in study.events:
        for one in trends:
            s = one.series
            if s.year.size == 0:
                continue
            plain, beside = (
                before_after(
                    s.year, s.value, event.year, se=s.se, level=s.level, units=s.units, scale=s.scale, trend=trend
                )
                for trend in (False, True)
            )  # fmt: skip
            edge = _at_the_edge(s)
            plain, beside = (replace(side, change=_withheld(side.change, edge)) for side in (plain, beside))
            result = Result(
                "step_change", plain.change, None, s.species, s.size_class, detail=f"{s.quantity}/{event.name} {event.year}"
            )
            found.append(Step(s, event, plain, beside, result))
    told = adjusted_p([one.change.p if one.change.change.estimable else math.nan for one in found])
    return [replace(one, adjusted_p=q) for one, q in zip(found, told, strict=True)]


def trend_results(trends: Sequence[IndexTrend], changes: Sequence[Step]) -> Results:
    """All results of the trends: slopes, Sen slopes, change of the smoothed level, steps."""
    smooth = [
        Result("smoothed_change", t.smooth.change, None, t.series.species, t.series.size_class, detail=t.series.quantity)
        for t in trends
        if t.smooth is not None
    ]
    return Results([t.result for t in trends] + [t.sen for t in trends] + smooth + [step.result for step in changes])
