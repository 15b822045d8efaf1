"""Drawings of the scenario chapter: years ahead with bands, isopleths with today's place, and what drives the answer."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from matplotlib.axes import Axes

from fishreport.analysis.scenario_grid import YieldMap
from fishreport.analysis.scenarios import Comparison, Measure
from fishreport.exhibits.context import Context
from fishreport.exhibits.exhibit import Column, Figure
from fishreport.exhibits.scenario_words import letters, measure_heading, when
from fishreport.exhibits.scenarios import input_name, measure_unit
from fishreport.exhibits.style import GREY, INK, SERIES, drawing, letter, style, to_svg
from fishreport.exhibits.tabulate import frame_table
from fishreport.exhibits.units import format_estimate, format_number
from fishreport.exhibits.wording import percent_level

MOST_PANELS = 6
DRAWN_INPUTS = 7


def _fan(values: np.ndarray, level: float) -> np.ndarray:
    """Lower limit, lower quartile, median, upper quartile and upper limit by year, of draws × years."""
    tail = (1 - level) / 2
    return np.nanquantile(values, [tail, 0.25, 0.5, 0.75, 1 - tail], axis=0)


def fan_figure(one: Comparison, result: str, context: Context) -> Figure | None:
    """One measure over the years ahead, a panel a rule with today's median; None where it is not followed."""
    measure = next((m for m in one.measures if m.result == result), None)
    if one.projection is None or measure is None:
        return None
    level = one.outcomes[measure.quantity, one.horizons[-1]][0].value.level
    units = one.outcomes[measure.quantity, one.horizons[-1]][0].value.units
    shown = context.units.quantity(one.projection.get(measure.quantity), units)[0]
    years = one.first_year + one.projection.years - 1
    fans = [_fan(values, level) for values in shown]
    places = list(range(1, len(fans)))[:MOST_PANELS] or [0]
    columns = min(3, len(places))
    rows = -(-len(places) // columns)
    name, codes = context.names[one.inputs.key], letters(one)
    with style():
        figure, axes = drawing(rows, columns, height=2.15 * rows + 0.6 if len(places) > 1 else 2.1, sharex=True, sharey=True)
        handles: dict[str, Any] = {}
        for ax, place in zip(axes.ravel(), places, strict=False):
            low, quarter, middle, three, high = fans[place]
            handles[f"{percent_level(level)} of draws"] = ax.fill_between(
                years, low, high, color=SERIES[0], alpha=0.18, linewidth=0
            )
            handles["half of draws"] = ax.fill_between(years, quarter, three, color=SERIES[0], alpha=0.38, linewidth=0)
            handles["median"] = ax.plot(years, middle, color=SERIES[0], marker="o", markersize=3)[0]
            if place:
                today = ax.plot(years, fans[0][2], color=INK, linestyle=(0, (4, 2)), linewidth=1.3)[0]
                handles["median under today's rule (A)"] = today
            ax.set_title(_short(f"{codes[place]}  {one.inputs.rules[place].name}", 60 if columns == 1 else 30), fontsize=7)
            _whole_years(ax, years)
        for ax in axes.ravel()[len(places) :]:
            ax.set_visible(False)
        axes[0, 0].set_ylim(0, 1.05 * max(*(float(fans[place][4].max()) for place in places), 1e-9))
        unit = measure_unit(one, measure, context)
        figure.supylabel(f"{_short(measure_heading(measure, context, one), 44)}\n({unit})", fontsize=8.5)
        figure.legend(handles.values(), handles.keys(), loc="outside lower center", ncols=min(len(handles), 4))
        svg = to_svg(figure)
    table_rows, data = [], []
    for place, fan in enumerate(fans):
        for year, (low, quarter, middle, three, high) in zip(years.tolist(), fan.T, strict=True):
            cells = [format_number(value, digits=3) for value in (middle, quarter, three, low, high)]
            table_rows.append([codes[place], str(year), *cells])
            data.append({"scenario": one.inputs.rules[place].name, "year": year, "median": middle, "quarter": quarter,
                         "three_quarters": three, "lower": low, "upper": high})  # fmt: skip
    heads = [Column("Rule", align="left"), Column("Year", align="left"), Column("Median", unit), Column("25%"), Column("75%")]
    heads += [Column("Lower"), Column("Upper")]
    label = f"years-{result.removeprefix('scenario_').replace('_', '-')}-{one.inputs.key.replace('_', '-')}"
    heading = measure_heading(measure, context, one)
    caption = (
        f"{name}: {heading[0].lower()}{heading[1:]} in the years ahead under each rule, from today's population on. The wide "
        f"band holds {percent_level(level)} of the draws, the narrow one half of them; most of both is shared by all rules, so "
        "that the difference from today's rule is sharper than the bands suggest."
    )
    behind = frame_table(f"{label}-numbers", f"{heading} by rule and year, as drawn.", heads, table_rows, data=data)
    return Figure(label, caption, _fan_alt(one, measure, fans, context), svg, behind)


def _short(name: str, most: int = 34) -> str:
    """A name broken over two lines where it is long."""
    if len(name) <= most:
        return name
    cut = name.rfind(" ", 0, most)
    return f"{name[:cut]}\n{name[cut + 1 :]}" if cut > 0 else name


def _whole_years(ax: Axes, years: np.ndarray) -> None:
    step = max(1, -(-len(years) // 4))
    ticks = years[::-1][::step][::-1]
    ax.set_xticks(ticks, [str(year) for year in ticks])


def _fan_alt(one: Comparison, measure: Measure, fans: list[np.ndarray], context: Context) -> str:
    last, unit = when(one, int(one.projection.years[-1]) if one.projection else 0), measure_unit(one, measure, context)
    parts = [
        f"{rule.name}: {format_number(fan[2, -1], digits=3)} ({format_number(fan[0, -1], digits=3)} to "
        f"{format_number(fan[4, -1], digits=3)})"
        for rule, fan in zip(one.inputs.rules, fans, strict=True)
    ]
    heading = measure_heading(measure, context, one)
    return f"Bands over the years ahead, one panel a rule. {heading} in {last}, {unit}: {'; '.join(parts)}."


def _contours(ax: Axes, x: np.ndarray, y: np.ndarray, z: np.ndarray) -> None:
    if np.ptp(z) <= 0:
        return
    ax.contourf(x, y, z, levels=8, cmap="Blues", alpha=0.55)
    lines = ax.contour(x, y, z, levels=8, colors=INK, linewidths=0.8)
    ax.clabel(lines, fontsize=7, fmt=lambda value: format_number(value, digits=2))


def isopleth_figure(one: Comparison, found: YieldMap | None, context: Context) -> Figure | None:
    """Yield and large fish per recruit over exploitation and minimum length, with today's place and how sure it is."""
    if found is None:
        return None
    units, grid = context.units, found.grid
    limits = units.length_value(grid.minimum_length_mm)
    weight = np.median(grid.yield_g, axis=-1)
    weight_shown, weight_unit = units.quantity(weight, "g per recruit")
    large = 1000 * np.median(grid.trophies, axis=-1)
    low, middle, high = np.quantile(found.exploitation_today, [0.025, 0.5, 0.975])
    own = context.classes_of(one.inputs.key)
    length = units.length_range(grid.trophy_length_mm, math.inf, own.published_mm, own.published_in).removesuffix(" and longer")
    titles = [f"Yield ({weight_unit})", f"Fish that reach {length}, per 1,000"]
    with style():
        figure, axes = drawing(1, 2, height=3.5, sharey=True)
        for ax, values in zip(axes[0], (weight_shown, large), strict=True):
            _contours(ax, 100 * grid.exploitation, limits, values.T)
            ax.grid(False)
            if found.minimum_today_mm is not None:
                at = units.length_value(found.minimum_today_mm)
                ax.plot([100 * low, 100 * high], [at, at], color="#c2571a", linewidth=2.2)
                ax.plot(100 * middle, at, marker="D", color="#c2571a", markeredgecolor="white", markersize=7)
            else:
                ax.axvspan(100 * low, 100 * high, color=GREY, alpha=0.25)
            ax.set_xlabel("Exploitation if every fish caught were kept (%)")
        axes[0][0].set_ylabel(f"Minimum length ({units.length_unit})")
        letter(axes, titles)
        svg = to_svg(figure)
    rows, data = [], []
    for i, share in enumerate(grid.exploitation):
        for j, limit in enumerate(grid.minimum_length_mm):
            if i % 4 == 0 and j % 2 == 0:
                rows.append([f"{100 * share:.0f}", units.length(limit), format_number(weight_shown[i, j], digits=3),
                             format_number(large[i, j], digits=3)])  # fmt: skip
            data.append({"exploitation": share, "minimum_length_mm": limit, "yield_g_per_recruit": weight[i, j],
                         "large_per_1000_recruits": large[i, j]})  # fmt: skip
    name, key = context.names[one.inputs.key], one.inputs.key.replace("_", "-")
    rule = one.inputs.rules[0].name
    here = f"{100 * middle:.0f}% ({100 * low:.0f} to {100 * high:.0f})"
    today = (
        f"The diamond is today's minimum length and exploitation, {here}; its bar says how sure that is."
        if found.minimum_today_mm is not None
        else f"Today's rule is no plain minimum length: the grey strip is today's exploitation, {here}."
    )
    caption = (
        f"{name}: what a recruit gives over its life, by how hard the water is fished and by minimum length, with today's share "
        f"of fish let go by choice; medians of the draws, fish that reach a length of 1,000 recruits. {today} It leaves "
        "out recruitment, and the years that a change takes."
    )
    best = np.unravel_index(int(weight.argmax()), weight.shape)
    where = f"exploitation {100 * grid.exploitation[best[0]]:.0f}%"
    alt = (
        f"Contours of yield per recruit and of fish that reach {length}. Today ({rule}): exploitation {here}. The highest yield "
        f"on the grid, {format_number(weight_shown[best], digits=3)} {weight_unit}, is at {where} and minimum length "
        f"{units.length(grid.minimum_length_mm[best[1]])}; fish that reach {length} fall from "
        f"{format_number(large.max(), digits=3)} to {format_number(large.min(), digits=3)} of 1,000 recruits."
    )
    columns = [
        Column("Exploitation", "%"),
        Column("Minimum length"),
        Column("Yield", weight_unit),
        Column("Large fish", "per 1,000"),
    ]
    behind = frame_table(
        f"isopleths-{key}-numbers", "Every fourth exploitation and second length drawn.", columns, rows, data=data
    )
    return Figure(f"isopleths-{key}", caption, alt, svg, behind)


def drivers_figure(one: Comparison, context: Context) -> Figure | None:
    """Rank correlations of the inputs with large fish under today's rule, and with the largest difference from it."""
    drawn = [(name, found) for name, found in one.drivers if found.drivers and found.drivers[0].rank_correlation.estimable]
    if not drawn:
        return None
    large = next(m for m in one.measures if m.result == "scenario_trophy")
    level = drawn[0][1].drivers[0].rank_correlation.level
    rows, data, said = [], [], []
    codes = dict(zip((rule.name for rule in one.inputs.rules), letters(one), strict=True))
    titles = []
    with style():
        count = max(min(len(found.drivers), DRAWN_INPUTS) for _, found in drawn)
        figure, axes = drawing(len(drawn), 1, height=(0.2 * count + 0.7) * len(drawn), sharex=True)
        for ax, (name, found) in zip(axes[:, 0], drawn, strict=True):
            shown = found.drivers[:DRAWN_INPUTS]
            first, _, second = name.partition(" against ")
            titles.append(f"Rule {codes[first]}{f' less rule {codes[second]}' if second else ''}")
            place = np.arange(len(shown))[::-1]
            rho = np.array([driver.rank_correlation.value for driver in shown])
            low = np.array([driver.rank_correlation.lower for driver in shown])
            high = np.array([driver.rank_correlation.upper for driver in shown])
            ax.barh(place, rho, height=0.6, color=SERIES[0], alpha=0.55)
            ax.hlines(place, low, high, color=INK, linewidth=1.2)
            ax.axvline(0, color=GREY, linewidth=0.8)
            ax.set_yticks(place, [input_name(driver.name) for driver in shown], fontsize=7.5)
            ax.set_xlim(-1, 1)
            ax.grid(axis="x")
            ax.grid(False, axis="y")
            for driver in shown:
                text = format_estimate(driver.rank_correlation, context.units)
                share = f"{100 * driver.variance_share:.0f}"
                rows.append([titles[-1], input_name(driver.name), text.value, text.interval, share])
                data.append({"of": name, "input": driver.name, "rank_correlation": driver.rank_correlation.value,
                             "lower": driver.rank_correlation.lower, "upper": driver.rank_correlation.upper,
                             "variance_share": driver.variance_share})  # fmt: skip
            lead = shown[0]
            way = "more" if lead.rank_correlation.value > 0 else "fewer"
            carried = f"{100 * lead.variance_share:.0f}% of the variance of ranks"
            said.append(f"{titles[-1]}: {input_name(lead.name).lower()} matters most ({carried}; the higher it is, the {way}).")
        axes[-1, 0].set_xlabel(f"Rank correlation over draws, with {percent_level(level)} interval")
        letter(axes, titles)
        svg = to_svg(figure)
    name, key = context.names[one.inputs.key], one.inputs.key.replace("_", "-")
    noun = measure_heading(large, context, one)
    caption = (
        f"{name}: what drives the answer. Inputs that vary over the draws against {noun[0].lower()}{noun[1:]} in "
        f"{when(one, one.horizons[-1])}, and against the difference of the rule that moves them most. {' '.join(said)}"
    )
    columns = [Column("Explained", align="left"), Column("Input", align="left"), Column("Rank correlation"), Column("Interval")]
    columns.append(Column("Share of variance", "%"))
    behind = frame_table(
        f"drivers-{key}-numbers", "Rank correlations as drawn, and shares of the variance.", columns, rows, data=data
    )
    return Figure(f"drivers-{key}", caption, f"Bars of rank correlation. {' '.join(said)}", svg, behind)
