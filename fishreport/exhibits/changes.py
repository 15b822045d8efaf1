"""Tables and sentences of step changes after named events, and of what else may drive the indices."""

from __future__ import annotations

import math
from collections.abc import Sequence

from fishreport.analysis.catch_model import QUANTITY
from fishreport.analysis.drivers import DriverEffect
from fishreport.analysis.trend import Step
from fishreport.exhibits.allowance import Allowance
from fishreport.exhibits.context import Context
from fishreport.exhibits.exhibit import Column, Finding, Findings, Table
from fishreport.exhibits.tabulate import counted, frame_table, joined
from fishreport.exhibits.trend import index_name, p_text, points
from fishreport.exhibits.units import NO_VALUE, format_estimate, format_number
from fishreport.exhibits.wording import collect, direction, mirrored, percent_level, sentence
from fishreport.methods.estimate import Estimate


def step_table(changes: Sequence[Step], context: Context) -> Table | None:
    """Every leading index before and after every event."""
    if not changes:
        return None
    several = len({(one.event.name, one.event.year) for one in changes}) > 1
    rows = []
    for one in changes:
        change, beside = (format_estimate(e, context.units) for e in (one.change.change, one.beside_trend.change))
        levels = [_level(e, context) for e in (one.change.before, one.change.after)]
        event = [str(one.event.year)] if several else []
        name = index_name(one.series, context, units=True)
        rows.append(
            [
                context.names[one.series.species], name, *event, *levels, _change(one.change.change, change.text),
                p_text(one.change.p if one.change.change.estimable else math.nan), p_text(one.adjusted_p),
                _change(one.beside_trend.change, beside.text),
            ]
        )  # fmt: skip
    events = dict.fromkeys(f"“{one.event.name}”, first season {one.event.year}" for one in changes)
    columns = [Column("Species", align="left"), Column("Index", align="left")]
    columns += [Column("First season after")] * several + [Column("Before"), Column("After")]
    columns += [Column("Change"), Column("p"), Column("Adjusted p"), Column("Beside a steady trend")]
    caption = (
        f"Means of the seasons before and after {joined(list(events))}, their change, and the change that is left when a "
        "steady trend is allowed for. Whatever else changed in those years is in the change too. p is of the change; it is "
        "adjusted for the number of changes (Benjamini–Hochberg)."
    )
    data = [one.result.record() | {"p": one.change.p, "adjusted_p": one.adjusted_p} for one in changes]
    notes = dict.fromkeys(
        f"{context.names[one.series.species]}, {index_name(one.series, context).lower()}: {note.removeprefix('not estimable: ')}."
        for one in changes
        for e in (one.change.change, one.beside_trend.change)
        for note in e.notes
        if note.startswith("not estimable: ")
    )
    return frame_table("step-changes", caption, columns, rows, notes=tuple(notes), data=data)


def _level(estimate: Estimate, context: Context) -> str:
    """A level without its unit, which the row says, and without its interval, as the change has one."""
    return format_estimate(estimate, context.units).value if estimate.estimable else NO_VALUE


def _change(estimate: Estimate, text: str) -> str:
    return points(text) if estimate.estimable else "not estimable"


def step_findings(changes: Sequence[Step], context: Context) -> Findings:
    """One sentence an event and species, on the standardised catch rate of its leading class, as one of all changes tested."""
    tested = f"{counted(sum(not math.isnan(one.adjusted_p) for one in changes), 'change')} after an event tested"
    said = []
    for one in changes:
        s = one.series
        if s.quantity != QUANTITY or s.size_class != context.lead_class(s.species):
            continue
        found = context.writer.moved(
            one.result, f"after “{one.event.name}” ({one.event.year})", allowed=Allowance(one.adjusted_p, tested)
        )
        beside = one.beside_trend.change
        if found.direction in ("up", "down") and beside.estimable and direction(beside) != found.direction:
            tail = "a steady trend over all seasons would look much the same, so the event need not be the cause"
            found = Finding(f"{found.text.rstrip('.')}; {tail}.", found.results, found.direction)
        said.append(found)
    return collect(said)


def driver_table(effects: Sequence[DriverEffect], context: Context) -> Table | None:
    """Effect of each driver on the leading indices."""
    if not effects:
        return None
    rows = []
    for one in effects:
        e = one.result.estimate
        shown = format_estimate(e, context.units)
        step, unit = context.units.quantity(one.step, one.driver.units, difference=True)
        rows.append(
            [context.names[one.trend.series.species], index_name(one.trend.series, context), one.driver.short,
             f"{format_number(step)} {unit}", shown.text if e.estimable else "not estimable", p_text(one.p),
             p_text(one.adjusted_p)]
        )  # fmt: skip
    columns = [Column("Species", align="left"), Column("Index", align="left"), Column("Driver", align="left"), Column("One sd")]
    columns += [Column("Change of the index"), Column("p"), Column("Adjusted p")]
    lag = next((one.result.detail for one in effects if "before" in str(one.result.detail)), "")
    caption = (
        "What one standard deviation more of each driver goes with, one driver at a time beside a steady trend"
        f"{', lagged as the study asks' if lag else ''}. An association between seasons of one water; it does not show a cause. "
        "p is adjusted for the number of associations (Benjamini–Hochberg)."
    )
    notes = dict.fromkeys(
        sentence(note.removeprefix("not estimable: "))
        for one in effects
        for note in one.result.estimate.notes
        if note.startswith("not estimable: ")
    )
    return frame_table(
        "drivers", caption, columns, rows, notes=tuple(notes),
        data=[one.result.record() | {"p": one.p, "adjusted_p": one.adjusted_p} for one in effects],
    )  # fmt: skip


def driver_findings(effects: Sequence[DriverEffect], context: Context) -> Findings:
    """Drivers whose effect stands after adjusting for the number tried, and how many chance would give; or that none does."""
    tested = [one for one in effects if one.result.estimate.estimable]
    if not tested:
        ids = tuple(one.result.id for one in effects)
        text = "the seasons are too few to tell what release, temperature or stocking does to the indices"
        return collect([Finding(sentence(text), ids, "unclear")] if ids else [])
    clear = [one for one in tested if direction(one.result.estimate) in ("up", "down")]
    expected = format_number((1 - tested[0].result.estimate.level) * len(tested), decimals=1)
    ids = tuple(one.result.id for one in tested)
    many = f"{counted(len(tested), 'association')} with release, temperature or stocking"
    if not clear:
        text = f"none of {many} can be told from zero; that is not evidence that there is no effect"
        return collect([Finding(sentence(text), ids, "unclear")])
    standing = [one for one in clear if one.adjusted_p < 1 - one.result.estimate.level]
    said = [_driver_finding(one, context) for one in standing]
    stand = "1 stands" if len(standing) == 1 else f"{len(standing) or 'none'} stand{'' if standing else 's'}"
    text = (
        f"of {many}, {len(clear)} can be told from zero by {'its' if len(clear) == 1 else 'their'} own interval, where about "
        f"{expected} would by chance, and {stand} after adjusting for the number; an association shows no cause"
    )
    return collect([*said, Finding(sentence(text), ids)])


def _driver_finding(one: DriverEffect, context: Context) -> Finding:
    e = one.result.estimate
    step, unit = context.units.quantity(one.step, one.driver.units, difference=True)
    limits, word = (e, "higher") if e.value > 0 else (mirrored(e), "lower")
    shown = format_estimate(limits, context.units)
    size = f"{shown.value}{'%' if e.units == 'percent' else f' {shown.unit}'}"
    more = f"{format_number(step, digits=2)} {unit}".removesuffix(" fish")
    text = (
        f"for each {more} {one.driver.more}, {context.writer.subject(one.result)} was {size} {word} "
        f"({percent_level(e.level)} interval {shown.interval})"
    )
    return Finding(sentence(text), (one.result.id,), direction(e))
