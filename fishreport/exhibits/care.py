"""Tables, figure and sentences about power in the water and care of the fish."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from fishreport.analysis.care import SEEN_FROM, SEEN_TO, CareLog, PowerGoals
from fishreport.analysis.result import Results
from fishreport.exhibits.exhibit import Column, Figure, Finding, Findings, Table
from fishreport.exhibits.style import drawing, interval_points, looks, season_axis, style, to_svg
from fishreport.exhibits.tabulate import counted, frame_table, joined
from fishreport.exhibits.units import NO_VALUE, Units, format_estimate, format_number
from fishreport.exhibits.wording import direction, percent_level
from fishreport.methods.cautions import PULSE_CAUTIONS, SAFETY_CAUTIONS, Caution
from fishreport.methods.electrofishing import ambient_from_specific

SPECIFIC = (50.0, 100.0, 150.0, 200.0, 250.0, 300.0, 400.0, 500.0, 750.0, 1000.0)
DEGREES = {"metric": (2.0, 5.0, 8.0, 10.0, 12.0, 15.0, 20.0), "us": (36.0, 40.0, 45.0, 50.0, 55.0, 60.0, 68.0)}
_KOLZ = "Kolz 1989; Kolz & Reynolds 1989; not compared with the source"


def power_rows(goals: PowerGoals) -> list[tuple[str, str, str, str, str, str]]:
    """Each row of the table of goals as text: conductivity, multiplier, volts, amperes, watts, and what the row is."""
    table, rows = goals.table, []
    for place, water in enumerate(table.water_us_cm):
        marks = []
        if goals.today is not None and water == goals.today.ambient_us_cm:
            marks.append("today")
        if water == goals.reference.conductivity_us_cm:
            marks.append("reference")
        rows.append(
            (
                format_number(water, decimals=0 if float(water).is_integer() else 1),
                format_number(table.multiplier[place], decimals=2),
                format_number(table.voltage_v[place], decimals=0),
                format_number(table.current_a[place], decimals=1),
                format_number(table.power_w[place], decimals=0),
                joined(marks),
            )
        )
    return rows


def power_notes(goals: PowerGoals) -> tuple[str, ...]:
    """What a reader of the goals must know."""
    reference = goals.reference
    notes = [
        f"Goals put as much power into the fish as {reference.voltage_v:g} V and {reference.current_a:g} A did at "
        f"{reference.conductivity_us_cm:g} µS/cm, with the same electrodes in the same place; fish taken as "
        f"{reference.fish_conductivity_us_cm:g} µS/cm ({_KOLZ}).",
        "Conductivity is that of the water as met (ambient), not corrected to 25 °C.",
        "A goal is where to begin looking, not a safe setting: begin lower, and let the response and recovery of the fish "
        "decide. The generator, the electrodes, permits and local rules set their own limits.",
    ]
    if goals.today is not None:
        notes.append(f"Today: {goals.today.ambient_us_cm:.0f} µS/cm ({goals.today.origin}).")
        if not SEEN_FROM <= goals.today.ambient_us_cm <= SEEN_TO:
            notes.append(
                f"Today's water lies outside the {SEEN_FROM:g} to {SEEN_TO:,.0f} µS/cm for which the model was verified "
                "(Miranda & Dolan 2003): its goal is not supported."
            )
    return tuple(notes)


def power_table(goals: PowerGoals | None) -> Table | None:
    """Goals for voltage, current and power over the conductivity of the water, or None without reference settings."""
    if goals is None:
        return None
    columns = [Column("Water", "µS/cm"), Column("Power multiplier"), Column("Voltage goal", "V"), Column("Current goal", "A")]
    columns += [Column("Power goal", "W"), Column("Mark", align="left")]
    table = goals.table
    names = ("water_us_cm", "multiplier", "voltage_multiplier", "current_multiplier", "voltage_v", "current_a", "power_w")
    data = [dict(zip(names, values, strict=True)) for values in zip(*(getattr(table, name) for name in names), strict=True)]
    rows = [(*row[:5], row[5] or NO_VALUE) for row in power_rows(goals)]
    caption = "Power, voltage and current that put the same power into the fish, by conductivity of the water."
    return frame_table("power-goals", caption, columns, rows, notes=power_notes(goals), data=data)


def conversion_heads(units: Units) -> list[str]:
    """The temperatures over the columns of the conversion, such as ``8 °C``."""
    return [f"{degrees:g} {units.unit('°C')}" for degrees in DEGREES[units.system]]


def conversion_rows(units: Units) -> list[tuple[str, ...]]:
    """Conductivity as met by specific conductance (rows) and water temperature (columns), as text."""
    shown = np.array(DEGREES[units.system])
    # Solve shown = factor × celsius + offset, as the report converts temperatures.
    offset = units.temperature_value(0.0)
    celsius = (shown - offset) / (units.temperature_value(1.0) - offset)
    ambient = ambient_from_specific(np.array(SPECIFIC)[:, None], celsius[None, :])
    return [(f"{specific:,.0f}", *(f"{value:,.0f}" for value in row)) for specific, row in zip(SPECIFIC, ambient, strict=True)]


def conversion_table(units: Units) -> Table:
    """From what a temperature-corrected meter shows to the conductivity that the current meets."""
    columns = [Column("Meter at 25 °C", "µS/cm"), *(Column(head, "µS/cm") for head in conversion_heads(units))]
    caption = "Conductivity as met, from specific conductance (corrected to 25 °C) and water temperature."
    notes = ("As met = specific conductance / 1.02^(25 − temperature in °C) (Reynolds 1996, after Kolz, not compared with it).",)
    return frame_table("conversion", caption, columns, conversion_rows(units), notes=notes)


def nights_table(nights: pd.DataFrame, season: int, units: Units) -> Table | None:
    """Settings of each night beside its goals, or None when no night has its readings."""
    if nights.empty:
        return None
    columns = [Column("Night", align="left"), Column("Runs"), Column("Water", "µS/cm")]
    columns += [Column("Temperature", units.unit("°C")), Column("Voltage", "V"), Column("Current", "A"), Column("Power", "W")]
    columns += [Column("Power goal", "W"), Column("Of goal", "%"), Column("Pulse rate", "Hz")]
    rows = []
    for row in nights.to_dict("records"):
        shown = [
            (row["conductivity_us_cm"], 0),
            (units.temperature_value(row["water_temperature_c"]), 1),
            (row["voltage_v"], 0),
            (row["current_a"], 1),
            (row["power_w"], 0),
            (row["goal_power_w"], 0),
            (row["percent_of_goal"], 0),
            (row["pulse_hz"], 0),
        ]
        rows.append([f"{row['night']:%Y-%m-%d}", str(row["runs"]), *(format_number(v, decimals=d) for v, d in shown)])
    caption = (
        f"Settings used in {season}, by night, beside the power that the water of that night called for: medians of its runs, "
        "and the highest pulse rate."
    )
    notes = ("Power is voltage times current as recorded: peak power where both are peaks.",)
    data = [{**row, "night": f"{row['night']:%Y-%m-%d}"} for row in nights.to_dict("records")]
    return frame_table("night-settings", caption, columns, rows, notes=notes, data=data)


def harm_figure(log: CareLog) -> Figure | None:
    """Share of handled fish that were hurt or died, by season; None when no fate was ever written down."""
    table = log.by_season[log.by_season["handled"] > 0]
    if table.empty:
        return None
    level = f"{100 * log.reported.level:.0f}%"
    with style():
        figure, axes = drawing(1, 1, height=2.6)
        ax = axes[0][0]
        look = looks(["harmed"])["harmed"]
        interval_points(ax, table["season"], table["share"], table["lower"], table["upper"], look, line=False)
        season_axis(ax, table["season"].tolist())
        ax.set_ylabel("Injured or dead (%)")
        ax.set_ylim(bottom=0)
        svg = to_svg(figure)
    columns = [Column("Season", align="left"), Column("Handled", "fish"), Column("Injured", "fish"), Column("Dead", "fish")]
    columns += [Column("Share", "%"), Column(f"{level} interval")]
    rows = [
        [str(r["season"]), f"{r['handled']:,}", str(r["injured"]), str(r["dead"]), f"{r['share']:.1f}",
         f"{r['lower']:.1f} to {r['upper']:.1f}"]
        for r in table.to_dict("records")
    ]  # fmt: skip
    behind = frame_table(
        "harm-history-numbers", "Fish hurt or killed in handling, by season.", columns, rows, data=table.to_dict("records")
    )
    first, last = table.iloc[0], table.iloc[-1]
    alt = (
        f"Points with intervals, one a season: {first['share']:.1f}% of handled fish were injured or died in "
        f"{first['season']:.0f}, {last['share']:.1f}% in {last['season']:.0f}; between {table['share'].min():.1f}% and "
        f"{table['share'].max():.1f}% over {counted(len(table), 'season')}."
    )
    caption = (
        f"Share of handled fish, of all species, that were injured or died, with exact {level} limits that take fish as "
        "independent. Only harm seen before release is counted, and only where a fate was written down."
    )
    return Figure("harm-history", caption, alt, svg, behind)


def bad_nights_table(log: CareLog, season: int) -> Table | None:
    """The nights of the reported season against one another; None when no fate was written down."""
    if log.nights is None:
        return None
    columns = [Column("Night", align="left"), Column("Handled", "fish"), Column("Harmed", "fish"), Column("Share", "%")]
    columns += [
        Column(f"{100 * log.reported.level:.0f}% interval"),
        Column("Expected", "fish"),
        Column("Stands out", align="left"),
    ]
    rows = [
        [row["night"], f"{row['handled']:,}", str(row["harmed"]), f"{row['share']:.1f}",
         f"{row['lower']:.1f} to {row['upper']:.1f}", format_number(row["expected"], decimals=1),
         "yes" if row["flagged"] else "no"]
        for row in log.nights.frame.to_dict("records")
    ]  # fmt: skip
    notes = [f"A night is {log.nights.rule}. The rule is our own.", "Expected: at the share of the other nights of the season."]
    earlier = log.flagged[log.flagged["season"] != season]
    if len(earlier):
        listed = [f"{row['night']} ({row['harmed']} of {row['handled']})" for row in earlier.to_dict("records")]
        notes.append(f"Nights of earlier seasons that stand out among those of their season: {joined(listed)}.")
    caption = f"Fish injured or dead on each night of {season}, and whether the night stands out."
    return frame_table("nights", caption, columns, rows, notes=notes, data=log.nights.frame.to_dict("records"))


def cautions_table(label: str, caption: str, cautions: Sequence[Caution]) -> Table:
    """Cautions with where each stands."""
    columns = [Column("Caution", align="left"), Column("Source", align="left")]
    return frame_table(label, caption, columns, [[one.text, one.source] for one in cautions])


def pulse_cautions() -> Table:
    """Pulse rates and waveforms for trout, with sources."""
    return cautions_table("pulse-cautions", "What is published on pulse rate, waveform and harm to trout.", PULSE_CAUTIONS)


def safety_cautions() -> Table:
    """Current and crew, night work, anaesthetics."""
    caption = "Usual cautions. Local rules, permits and licensed practice decide; nothing here replaces them."
    return cautions_table("safety-cautions", caption, SAFETY_CAUTIONS)


def findings(
    log: CareLog, results: Results, nights: pd.DataFrame, fast: tuple[int, int], season: int, units: Units
) -> Findings | None:
    """How the fish fared and whether power met its goal, in sentences; None when there is nothing to say."""
    said: list[Finding] = []
    ids = tuple(result.id for result in results.where(season=season))
    if log.reported.estimable and ids:
        share = format_estimate(log.reported, units).text
        row = log.by_season[log.by_season["season"] == season].iloc[0]
        text = (
            f"Of {counted(int(row['handled']), 'fish')} whose fate was written down in {season}, {row['injured']:.0f} were "
            f"injured and {row['dead']:.0f} died before release: {share} were harmed."
        )
        if log.before.estimable:
            text += f" In the seasons before it was {format_estimate(log.before, units).text}."
        said.append(Finding(text, ids))
        said += _harm_sentence(log, ids, units)
    if log.nights is not None:
        stands_out = log.nights.frame[log.nights.frame["flagged"]]
        for night in stands_out.to_dict("records"):
            said.append(
                Finding(
                    f"The night of {night['night']} stands out: {night['harmed']} of {night['handled']} fish were harmed, where "
                    f"{night['expected']:.1f} were to be expected. Look into its settings, its crew and its water before the "
                    "next night.",
                    ids,
                    "up",
                )
            )
        if stands_out.empty and len(log.nights.frame) > 1:
            text = f"None of the {len(log.nights.frame)} nights stands out from the others by more than chance brings about."
            said.append(Finding(text, ids))
    if fast[0] and ids:
        text = f"Pulse rates above 30 Hz were used in {fast[0]} of {counted(fast[1], 'run')}; trout are then hurt more often."
        said.append(Finding(text, ids))
    said += _power_sentence(nights, season, ids)
    return Findings(tuple(said)) if said else None


def _harm_sentence(log: CareLog, ids: tuple[str, ...], units: Units) -> list[Finding]:
    """Whether fish were harmed more often than in the seasons before, or less, or whether that cannot be told."""
    ratio = log.ratio
    if math.isnan(ratio.lower):
        return []
    shown, level = format_estimate(ratio, units), percent_level(ratio.level)
    if ratio.estimable:
        times = f"{shown.value} times as often ({level} interval {shown.interval}, runs as clusters)"
    else:
        limit = f"{level} limit, runs as clusters"
        times = f"at least {format_number(ratio.lower, digits=2)} times as often ({limit}), as none was harmed before"
    found = direction(replace(ratio, value=0.0, lower=ratio.lower - 1, upper=ratio.upper - 1))
    if found == "up":
        text = f"Fish were harmed more often than in the seasons before: {times}. Look into the cause."
        return [Finding(text, ids, found, key=True)]
    if found == "down":
        return [Finding(f"Fish were harmed less often than in the seasons before: {times}.", ids, found)]
    text = f"Whether fish were harmed more or less often than in the seasons before cannot be told: {times}."
    return [Finding(text, ids, "unclear")]


def _power_sentence(nights: pd.DataFrame, season: int, ids: tuple[str, ...]) -> list[Finding]:
    percent = nights["percent_of_goal"].dropna()
    if percent.empty or not ids:
        return []
    low, high = percent.min(), percent.max()
    spread = f"{low:.0f}%" if round(low) == round(high) else f"{low:.0f} to {high:.0f}%"
    nightly = counted(len(percent), "night")
    return [Finding(f"Over {nightly} of {season} the crew put {spread} of the goal for power into the water.", ids)]
