"""Creel surveys by year: effort, anglers' catch rate and fish kept, as tables, a figure and sentences."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from matplotlib.axes import Axes

from fishreport.analysis.creel import CATCH_RATE, EFFORT, KEPT, Creel
from fishreport.analysis.result import Result
from fishreport.exhibits.allowance import Allowance
from fishreport.exhibits.context import Context
from fishreport.exhibits.exhibit import Column, Figure, Finding, Findings, Table
from fishreport.exhibits.history import narrow_season_axis
from fishreport.exhibits.notes import shown_note
from fishreport.exhibits.style import Look, drawing, interval_points, letter, looks, style, to_svg
from fishreport.exhibits.tabulate import counted, frame_table, heading, joined
from fishreport.exhibits.trend import p_text, slope_text
from fishreport.exhibits.units import NO_VALUE, format_estimate, format_number
from fishreport.exhibits.wording import collect, percent_level, sentence
from fishreport.methods.creel import NO_ERROR

RATE_ASSUMES = (
    "Effort is that of all anglers, whatever they fished for, so that a catch rate falls where more of them come for other fish. "
    "Intervals are from the table's own standard errors; the catch rate takes catch and effort as independent of each other, "
    "which is too wide where the catch was raised by the effort."
)
KEPT_ASSUMES = "Fish kept against the rule are not shown to a clerk and are not in these numbers."


ALL = "all anglers"
_NAMES = {EFFORT: "Effort", CATCH_RATE: "Caught an hour", KEPT: "Kept"}
_WHAT = {EFFORT: "effort in h", CATCH_RATE: "caught in fish/h", KEPT: "kept in fish"}


def _species(surveyed: Creel, context: Context) -> list[tuple[str, str]]:
    """Key and name of the species that anglers were asked about."""
    known = {r.species for r in surveyed.results}
    return [(key, name) for key, name in context.names.items() if key in known]


def _yearly(surveyed: Creel, quantity: str, species: str | None) -> list[Result]:
    return list(surveyed.results.where(quantity=quantity, species=species))


def _cell(result: Result | None, context: Context) -> str:
    if result is None or not result.estimate.estimable:
        return NO_VALUE
    text = format_estimate(result.estimate, context.units)
    if text.interval != NO_VALUE:
        return f"{text.value} ({text.interval})"
    return text.value if result.quantity == CATCH_RATE else format_number(result.estimate.value, decimals=0)


def _notes(results: list[Result], context: Context) -> list[str]:
    """Notes of the estimates with the years that they hold for; values without a standard error are told apart."""
    years: dict[tuple[str, str], list[int]] = {}
    for r in results:
        for note in r.estimate.notes:
            if not note.startswith("not estimable"):
                name = f"{context.names[r.species]}, " if r.species else ""
                years.setdefault((name, shown_note(note, context.units)), []).append(r.season or 0)
    return [f"{name}{joined([str(year) for year in found])}: {note}." for (name, note), found in years.items()]


def _by_year(surveyed: Creel, columns: list[tuple[str, str | None]], context: Context) -> tuple[list[list[str]], list[Result]]:
    found = {(r.quantity, r.species, r.season): r for r in surveyed.results if r.season is not None}
    rows = [[str(year), *(_cell(found.get((*column, year)), context) for column in columns)] for year in surveyed.years]
    return rows, [r for r in surveyed.results if r.season is not None and (r.quantity, r.species) in columns]


def effort_table(surveyed: Creel, context: Context) -> Table | None:
    """Effort and anglers' catch rate by year."""
    if not surveyed.years:
        return None
    shown = _species(surveyed, context)
    rows, told = _by_year(surveyed, [(EFFORT, None), *((CATCH_RATE, key) for key, _ in shown)], context)
    columns = [Column("Year", align="left"), Column("Effort", "h"), *(Column(name, "fish/h") for _, name in shown)]
    caption = f"Angling effort, and fish caught an hour of it, kept or not, by creel survey, with {_level(told)} intervals."
    notes = (RATE_ASSUMES, *_notes(told, context))
    return frame_table("creel-effort", caption, columns, rows, notes=notes, data=[r.record() for r in told])


def kept_table(surveyed: Creel, context: Context) -> Table | None:
    """Fish kept by year."""
    shown = _species(surveyed, context)
    if not surveyed.years or not shown:
        return None
    rows, told = _by_year(surveyed, [(KEPT, key) for key, _ in shown], context)
    columns = [Column("Year", align="left"), *(Column(name, "fish") for _, name in shown)]
    caption = f"Fish that anglers kept, by creel survey, with {_level(told)} intervals."
    notes = (KEPT_ASSUMES, *_notes(told, context))
    return frame_table("creel-kept", caption, columns, rows, notes=notes, data=[r.record() for r in told])


def _level(results: list[Result]) -> str:
    return percent_level(results[0].estimate.level)


def _draw(ax: Axes, line: list[Result], look: Look, label: str, offset: float) -> None:
    table = np.array([[r.season or 0, r.estimate.value, r.estimate.lower, r.estimate.upper] for r in line], float).reshape(-1, 4)
    interval_points(ax, table[:, 0], table[:, 1], table[:, 2], table[:, 3], look, label=label, offset=offset)


def creel_figure(surveyed: Creel, context: Context) -> Figure | None:
    """Effort, catch rate and fish kept by year, a panel each."""
    if len(surveyed.years) < 2:
        return None
    shown = _species(surveyed, context)
    look = looks([key for key, _ in shown] or ["all"])
    said = []
    with style():
        figure, axes = drawing(1, 3, height=2.9)
        panels = ((EFFORT, "Hours"), (CATCH_RATE, "Fish an hour of angling"), (KEPT, "Fish"))
        for ax, (quantity, label) in zip(axes[0], panels, strict=True):
            lines = [(ALL, None)] if quantity == EFFORT else [(name, key) for key, name in shown]
            for place, (name, key) in enumerate(lines):
                line = _yearly(surveyed, quantity, key)
                own = Look("#444c52", "D", "-") if key is None else look[key]
                _draw(ax, line, own, name, 0.16 * (place - (len(lines) - 1) / 2))
                known = [r for r in line if r.estimate.estimable]
                if known:
                    first, last = (_cell(r, context) for r in (known[0], known[-1]))
                    said.append(
                        f"{heading(name)}, {_WHAT[quantity]}: {first} in {known[0].season}, {last} in {known[-1].season}."
                    )
            narrow_season_axis(ax, surveyed.years)
            ax.set_xlabel("Year")
            ax.set_ylabel(label)
            ax.set_ylim(bottom=0)
            if quantity != CATCH_RATE:
                ax.yaxis.set_major_formatter(lambda value, _: f"{value:,.0f}")
        handles, labels = axes[0][1].get_legend_handles_labels()
        if handles:
            figure.legend(handles, labels, loc="outside lower center", ncols=min(len(handles), 4))
        letter(axes, ["Angling effort", "Anglers' catch rate", "Fish kept"])
        svg = to_svg(figure)
    told = [r for r in surveyed.results if r.season is not None]
    rows = [[str(r.season), context.names[r.species] if r.species else ALL, _WHAT[r.quantity], _cell(r, context)] for r in told]
    columns = [Column("Year", align="left"), Column("Species", align="left"), Column("Quantity", align="left"), Column("Value")]
    behind = frame_table("creel-numbers", "Creel surveys by year, as drawn.", columns, rows, data=[r.record() for r in told])
    caption = f"Creel surveys by year, with {_level(told)} intervals where the table gives a standard error."
    return Figure("creel-history", caption, "Three panels by year. " + " ".join(said), svg, behind)


def _extreme(line: list[Result], context: Context) -> str:
    """Whether the last of the yearly estimates is the highest or lowest of all, with the next one; empty where it is neither."""
    known = [r for r in line if r.estimate.estimable]
    if len(known) < 3:
        return ""
    last, others = known[-1].estimate.value, known[:-1]
    high, low = (pick(others, key=lambda r: r.estimate.value) for pick in (max, min))
    if low.estimate.value <= last <= high.estimate.value:
        return ""
    word, rival = ("highest", high) if last > high.estimate.value else ("lowest", low)
    amount = format_estimate(rival.estimate, context.units).value
    return f", the {word} estimate of {len(known)} years (the next is {amount} in {rival.season})"


def _level_said(line: list[Result], context: Context) -> list[Finding]:
    known = [r for r in line if r.estimate.estimable]
    if not known:
        return []
    told = context.writer.level(known[-1])
    extra = _extreme(line, context)
    if NO_ERROR in known[-1].estimate.notes:
        extra += "; how exact that is is not given"
    ids = tuple(r.id for r in known) if extra else told.results
    return [Finding(sentence(told.text.rstrip(".") + extra), ids)]


def _tests(surveyed: Creel) -> str:
    return f"{counted(len(surveyed.adjusted_p), 'trend')} of creel surveys tested"


def _p_words(p: float) -> str:
    return "adjusted p under 0.001" if p < 0.001 else f"adjusted p {p:.2g}"


def trend_table(surveyed: Creel, context: Context) -> Table | None:
    """The trend of effort, and by species of catch rate and fish kept, each with its p adjusted for their number."""
    trends = [r for r in surveyed.results.where(quantity="trend_per_year") if r.estimate.estimable]
    if not trends:
        return None
    rows = [
        [
            context.names[r.species] if r.species else heading(ALL), _NAMES[str(r.detail)], slope_text(r.estimate, context),
            str(r.estimate.n), p_text(surveyed.adjusted_p.get(r.id, math.nan)),
        ]
        for r in trends
    ]  # fmt: skip
    columns = [Column("Species", align="left"), Column("Quantity", align="left"), Column("Trend a year"), Column("Years")]
    columns.append(Column("Adjusted p"))
    caption = (
        f"Trends of creel surveys over the years, with {_level(trends)} intervals that are not adjusted for their number. "
        f"Adjusted p allows for the {_tests(surveyed)} (Benjamini–Hochberg); the trend chapter counts its own."
    )
    data = [r.record() | {"adjusted_p": surveyed.adjusted_p.get(r.id, math.nan)} for r in trends]
    return frame_table("creel-trends", caption, columns, rows, data=data)


def _moves(surveyed: Creel, line: list[Result], context: Context, *, change: bool) -> list[Finding]:
    known = [r for r in line if r.estimate.estimable]
    said = []
    if change and len(known) > 1:
        said += context.change(known[-2], known[-1])
    if known:
        trend = surveyed.results.one(quantity="trend_per_year", species=line[0].species, detail=line[0].quantity)
        if trend is not None and trend.estimate.estimable and len(known) > 3:
            first, last = int(known[0].season or 0), int(known[-1].season or 0)
            allowed = Allowance(surveyed.adjusted_p.get(trend.id, math.nan), _tests(surveyed))
            told = context.writer.trend(trend, first=first, last=last, seasons=len(known), allowed=allowed)
            text = told.text.replace(f"{len(known)} seasons", f"{len(known)} years")
            if told.direction in ("up", "down") and math.isfinite(allowed.adjusted_p):
                text = sentence(
                    f"{text.rstrip('.')}, also after adjusting for the {allowed.tests} ({_p_words(allowed.adjusted_p)})"
                )
            said.append(replace(told, text=text))
    return said


def findings(surveyed: Creel, context: Context) -> Findings:
    """Effort of the latest year and its moves; by species the trends of catch rate and fish kept."""
    effort = _yearly(surveyed, EFFORT, None)
    said = [*_level_said(effort, context), *_moves(surveyed, effort, context, change=True)]
    for key, _ in _species(surveyed, context):
        said += _moves(surveyed, _yearly(surveyed, CATCH_RATE, key), context, change=False)
        kept = _yearly(surveyed, KEPT, key)
        said += [*_level_said(kept, context), *_moves(surveyed, kept, context, change=False)]
    return collect(said)
