"""Sentences of the trends: what rose, fell or held, what cannot be told, and how many of them chance would give."""

from __future__ import annotations

from collections.abc import Sequence

from fishreport.analysis.catch_model import QUANTITY
from fishreport.analysis.result import Result
from fishreport.analysis.trend import IndexSeries, IndexTrend
from fishreport.analysis.trend_family import Multiplicity
from fishreport.exhibits.allowance import Allowance
from fishreport.exhibits.context import Context
from fishreport.exhibits.exhibit import Finding, Findings
from fishreport.exhibits.tabulate import counted, joined
from fishreport.exhibits.trend import outside_words, standing_words
from fishreport.exhibits.units import format_number
from fishreport.exhibits.wording import collect, direction, sentence

# Change per year within which an index is called steady, in percent or percentage points (our own choice, no source).
STEADY = {
    QUANTITY: 2.0,
    "catch_rate": 2.0,
    "total_mortality": 2.0,
    "annual_survival": 1.0,
    "proportional_size": 1.0,
    "relative_weight": 0.5,
    "condition_factor": 0.5,
    "mean_length": 0.5,
}
# A share is steady within this part of its own mean level at most: a point a year is much for a share of 3% (ours too).
_STEADY_PART = 1 / 20
# Indices whose trend or change from the first season to the last belongs on the front page, of the class that the species
# leads with; one that restates another gives way to it.
_KEY = (QUANTITY, "relative_weight", "condition_factor")


def steady_margin(series: IndexSeries) -> float:
    """Change a year within which an index is called steady, in percent or percentage points; less for a small share."""
    if series.units != "percent":
        return STEADY[series.quantity]
    part = _STEADY_PART * float(series.value.mean()) if series.value.size else 0.0
    return min(STEADY[series.quantity], float(f"{part:.1g}"))


def findings(trends: Sequence[IndexTrend], counts: Multiplicity, moves: Multiplicity, context: Context) -> Findings:
    """Trends by their intervals alone: the catch rate of each species, the others that can be told, and how many by chance.

    `counts` of the trends and `moves` of the changes of smoothed levels say how many were tested and stand; where an adjusted
    p no longer tells a change from chance, that is said and the change only seems to be one. The last season is set against the
    first where a trend cannot be told, or does not stand.
    """
    said: list[Finding] = []
    for one in context.classes:
        mine = [t for t in trends if t.series.species == one.species.key]
        said += _species(one.species.key, mine, counts, moves, context)
    for many, noun, quantity in ((counts, "trend", "trend_per_year"), (moves, "smoothed change", "smoothed_change")):
        if many.tested:
            said.append(_tested(many, noun, _ids(trends, quantity), context))
    return collect(said)


def _ids(trends: Sequence[IndexTrend], quantity: str) -> tuple[str, ...]:
    """Ids of the trends, or of the smoothed changes; those alone whose interval leaves out zero, if there are any."""
    every = [t.result if quantity == "trend_per_year" else smoothed_result(t) for t in trends if not t.restates]
    found = [one for one in every if one is not None]
    outside = [one.id for one in found if direction(one.estimate) in ("up", "down")]
    return tuple(outside or [one.id for one in found])


def _tested(many: Multiplicity, noun: str, ids: tuple[str, ...], context: Context) -> Finding:
    span = " of catch rate, size, condition and mortality" if noun == "trend" else " from the first season to the last"
    were = "was tested" if many.tested == 1 else "were tested"
    were += ", each question once" if noun == "trend" else ""
    text = (
        f"{counted(many.tested, noun)}{span} {were}; {many.outside} of their intervals "
        f"{'leaves' if many.outside == 1 else 'leave'} out zero{outside_words(many, context)}, "
        f"where about {format_number(many.expected, decimals=1)} would by chance if nothing had changed, and "
        f"{standing_words(many, context)}"
    )
    return Finding(sentence(text), ids)


def _species(
    key: str, trends: Sequence[IndexTrend], counts: Multiplicity, moves: Multiplicity, context: Context
) -> list[Finding]:
    said, unclear, lost = list[Finding](), list[IndexTrend](), dict[str, list[IndexTrend]]()
    for one in trends:
        s = one.series
        main = s.size_class == context.lead_class(key)
        lead = s.quantity == QUANTITY and main
        if not one.result.estimate.estimable:
            lost.setdefault(one.result.estimate.notes[0].removeprefix("not estimable: "), []).append(one)
            continue
        front = main and s.quantity in _KEY and not one.restates
        margin = steady_margin(s) if one.result.estimate.units.startswith("percent") else 0.0
        way = direction(one.result.estimate, margin=margin)
        found = context.writer.trend(
            one.result, first=int(s.year[0]), last=int(s.year[-1]), seasons=s.year.size, margin=margin,
            key=lead or (front and way in ("up", "down")),
            allowed=Allowance(one.adjusted_p, f"{counted(counts.tested, 'trend')} tested"),
        )  # fmt: skip
        moved = one.smooth is not None and direction(one.smooth.change) in ("up", "down")
        told = way != "unclear"
        doubted = way in ("up", "down") and one.adjusted_p >= 1 - counts.level
        # A trend that does not stand gives way to the comparison that does.
        better = doubted and moved and one.smooth_adjusted_p < 1 - moves.level
        if (told or (lead and not moved)) and not better:
            said.append(found)
        if moved and (doubted or not told):
            steady = Allowance(one.adjusted_p, f"{counted(counts.tested, 'trend')} tested") if better else None
            said.append(_smoothed(one, moves, front, better or (front and not told), context, steady))
        if not told and not lead and not (moved and front):
            unclear.append(one)
    if unclear:
        listed = joined([_plain_name(t.series, context) for t in unclear])
        text = f"whether these have a steady trend over the seasons cannot be told for {context.names[key].lower()}: {listed}"
        said.append(Finding(sentence(text), tuple(t.result.id for t in unclear), "unclear"))
    for reason, members in lost.items():
        listed = joined([_plain_name(t.series, context) for t in members])
        text = f"of {context.names[key].lower()} no trend could be estimated for {listed}: {reason}"
        said.append(Finding(sentence(text), tuple(t.result.id for t in members)))
    return said


def smoothed_result(trend: IndexTrend) -> Result | None:
    """The change of the smoothed level as the trend chapter records it; None without one."""
    s, m = trend.series, trend.smooth
    return None if m is None else Result("smoothed_change", m.change, None, s.species, s.size_class, detail=s.quantity)


def _smoothed(
    trend: IndexTrend, moves: Multiplicity, key: bool, unsteady: bool, context: Context, steady: Allowance | None
) -> Finding:
    """The last season against the first; `unsteady`: that a steady trend cannot be told (see `steady`) is said with it."""
    result, m = smoothed_result(trend), trend.smooth
    assert result is not None and m is not None
    return context.writer.compared(
        result, first=int(m.year[0]), last=int(m.year[-1]), unsteady=trend.result if unsteady else None, key=key,
        allowed=Allowance(trend.smooth_adjusted_p, f"{counted(moves.tested, 'smoothed change')} tested"), steady=steady,
    )  # fmt: skip


def _plain_name(s: IndexSeries, context: Context) -> str:
    if s.quantity == "proportional_size":
        return f"share of stock fish that reach {s.size_class} length"
    name = context.writer.nouns.phrase(s.quantity, s.species).removeprefix("the ").split(" of ")[0]
    return name if s.size_class in ("all", context.lead_class(s.species)) else f"{name} of {s.size_class} length and longer"
