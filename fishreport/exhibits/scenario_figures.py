"""Drawings of the scenario chapter: years ahead with bands, isopleths with today's place, and what drives the answer."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import Patch

from fishreport.analysis.scenario_grid import YieldMap
from fishreport.analysis.scenarios import Comparison, Measure
from fishreport.exhibits.context import Context
from fishreport.exhibits.exhibit import Column, Figure
from fishreport.exhibits.scenario_words import letters, measure_heading, when
from fishreport.exhibits.scenarios import input_name, measure_unit, value_text
from fishreport.exhibits.style import GREY, INK, SERIES, drawing, letter, style, to_svg
from fishreport.exhibits.tabulate import frame_table
from fishreport.exhibits.units import format_estimate, format_number
from fishreport.exhibits.wording import percent_level
from fishreport.methods.estimate import Estimate
from fishreport.population.drivers import Driver

MOST_PANELS = 6
DRAWN_INPUTS = 5


def _fan(values: np.ndarray, level: float) -> np.ndarray:
    """Lower limit, lower quartile, median, upper quartile and upper limit by year, of draws × years."""
    tail = (1 - level) / 2
    return np.nanquantile(values, [tail, 0.25, 0.5, 0.75, 1 - tail], axis=0)


def fan_figures(one: Comparison, results: Sequence[str], context: Context) -> list[Figure]:
    """Measures over the years ahead: of several rules one drawing a measure, of one or two a panel a measure in one drawing."""
    if one.projection is None:
        return []
    measures = [m for result in results for m in one.measures if m.result == result]
    places = list(range(1, len(one.inputs.rules)))[:MOST_PANELS] or [0]
    if len(places) > 1:
        return [_fans(one, f"years-{_dashes(m.result)}", [(m, place) for place in places], context) for m in measures]
    return [_fans(one, "years", [(m, places[0]) for m in measures], context)] if measures else []


def _dashes(result: str) -> str:
    return result.removeprefix("scenario_").replace("_", "-")


def _shown(one: Comparison, measure: Measure, context: Context) -> np.ndarray:
    """Scenarios × draws × years in the units of the report."""
    assert one.projection is not None
    units = one.outcomes[measure.quantity, one.horizons[-1]][0].value.units
    return np.asarray(context.units.quantity(one.projection.get(measure.quantity), units)[0])


def _fans(one: Comparison, label: str, panels: list[tuple[Measure, int]], context: Context) -> Figure:
    """A panel for each measure and rule, with the median under today's rule; panels of one measure share their axis."""
    assert one.projection is not None
    measures = list(dict.fromkeys(measure for measure, _ in panels))
    level = one.outcomes[measures[0].quantity, one.horizons[-1]][0].value.level
    years = one.first_year + one.projection.years - 1
    fans = {m.quantity: [_fan(values, level) for values in _shown(one, m, context)] for m in measures}
    columns, codes, name = min(3, len(panels)), letters(one), context.names[one.inputs.key]
    rows, single = -(-len(panels) // columns), len(measures) == 1
    heads = {m: f"{measure_heading(m, context, one)}\n({measure_unit(one, m, context)})" for m in measures}
    with style():
        figure, axes = drawing(rows, columns, height=1.5 * rows + 0.55, sharex=True, sharey=single)
        handles: dict[str, Any] = {}
        for ax, (measure, place) in zip(axes.ravel(), panels, strict=False):
            low, quarter, middle, three, high = fans[measure.quantity][place]
            handles[f"{percent_level(level)} of draws"] = ax.fill_between(
                years, low, high, color=SERIES[0], alpha=0.18, linewidth=0
            )
            handles["half of draws"] = ax.fill_between(years, quarter, three, color=SERIES[0], alpha=0.38, linewidth=0)
            handles["median"] = ax.plot(years, middle, color=SERIES[0], marker="o", markersize=3)[0]
            if place:
                old = fans[measure.quantity][0][2]
                handles["median under today's rule (A)"] = ax.plot(years, old, color=INK, linestyle=(0, (4, 2)), linewidth=1.3)[0]
            ax.set_title(_short(f"{codes[place]}  {one.inputs.rules[place].name}", 60 if columns == 1 else 30), fontsize=7)
            top = max(float(fans[measure.quantity][p][4].max()) for m, p in panels if m == measure)
            ax.set_ylim(0, 1.05 * max(top, 1e-9))
            _whole_years(ax, years)
            if not single:
                ax.set_ylabel(_wrapped(heads[measure], 26), fontsize=7.5)
        for ax in axes.ravel()[len(panels) :]:
            ax.set_visible(False)
        if single:
            figure.supylabel(_wrapped(heads[measures[0]], 26 * rows), fontsize=8.5)
        figure.legend(handles.values(), handles.keys(), loc="outside lower center", ncols=min(len(handles), 4))
        svg = to_svg(figure)
    table_rows, data = [], []
    for measure in measures:
        for place, fan in enumerate(fans[measure.quantity]):
            for year, (low, quarter, middle, three, high) in zip(years.tolist(), fan.T, strict=True):
                cells = [format_number(value, digits=3) for value in (middle, quarter, three, low, high)]
                table_rows.append([measure_heading(measure, context, one), codes[place], str(year), *cells])
                data.append({"quantity": measure.result, "scenario": one.inputs.rules[place].name, "year": year, "median": middle,
                             "quarter": quarter, "three_quarters": three, "lower": low, "upper": high})  # fmt: skip
    columns_of = [Column("Outcome", align="left"), Column("Rule", align="left"), Column("Year", align="left")]
    columns_of += [Column("Median"), Column("25%"), Column("75%"), Column("Lower"), Column("Upper")]
    label = f"{label}-{one.inputs.key.replace('_', '-')}"
    heading = " and ".join(f"{h[0].lower()}{h[1:]}" for h in (measure_heading(m, context, one) for m in measures))
    caption = (
        f"{name}: {heading} in the years ahead, from today's population on. The wide band holds {percent_level(level)} of the "
        "draws, the narrow one half of them; most of both is shared by all rules, so that the difference from today's rule is "
        "sharper than the bands suggest."
    )
    units = ", ".join(dict.fromkeys(measure_unit(one, m, context) for m in measures))
    behind = frame_table(f"{label}-numbers", f"By rule and year, as drawn ({units}).", columns_of, table_rows, data=data)
    alt = " ".join(_fan_alt(one, m, context) for m in measures)
    return Figure(label, caption, f"Bands over the years ahead, one panel a rule and outcome. {alt}", svg, behind)


def _wrapped(text: str, most: int) -> str:
    """Lines of at most `most` letters, so that a label is no longer than its axis."""
    return "\n".join(part for line in text.split("\n") for part in textwrap.wrap(line, most))


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


def _fan_alt(one: Comparison, measure: Measure, context: Context) -> str:
    """What each rule gives in the last year, in the numbers of the tables."""
    last, unit = when(one, one.horizons[-1]), measure_unit(one, measure, context)
    outcomes = one.outcomes[measure.quantity, one.horizons[-1]]
    parts = [
        f"{rule.name}: {value_text(outcome.value, context)}" for rule, outcome in zip(one.inputs.rules, outcomes, strict=True)
    ]
    heading = measure_heading(measure, context, one)
    return f"{heading} in {last}, {unit}: {'; '.join(parts)}."


def _contours(ax: Axes, x: np.ndarray, y: np.ndarray, z: np.ndarray, today: tuple[float, float, float] | None = None) -> None:
    """Contours with labels, but none that the side would cut off, nor on today's bar (from, to, height)."""
    if np.ptp(z) <= 0:
        return
    ax.contourf(x, y, z, levels=8, cmap="Blues", alpha=0.55)
    lines = ax.contour(x, y, z, levels=8, colors=INK, linewidths=0.8)
    inside = [value for value in lines.levels if z.min() < value < z.max()]  # labels of the others would lie on the frame
    labels = ax.clabel(lines, inside, fontsize=7, inline=False, fmt=lambda value: format_number(value, digits=2))
    for label in labels:
        label.set_bbox({"facecolor": "white", "alpha": 0.6, "linewidth": 0, "pad": 0.6})
        across, up = label.get_position()
        margin = 0.05 * (x[-1] - x[0])
        on_bar = today is not None and today[0] - margin < across < today[1] + margin and abs(up - today[2]) < 0.06 * np.ptp(y)
        if on_bar or not x[0] + margin < across < x[-1] - margin:
            label.remove()


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
        figure, axes = drawing(1, 2, height=2.7, sharey=True)
        for ax, values in zip(axes[0], (weight_shown, large), strict=True):
            at = None if found.minimum_today_mm is None else float(units.length_value(found.minimum_today_mm))
            _contours(ax, 100 * grid.exploitation, limits, values.T, None if at is None else (100 * low, 100 * high, at))
            ax.grid(False)
            if at is not None:
                ax.plot([100 * low, 100 * high], [at, at], color="#c2571a", linewidth=2.2)
                ax.plot(100 * middle, at, marker="D", color="#c2571a", markeredgecolor="white", markersize=7)
            else:
                ax.axvspan(100 * low, 100 * high, color=GREY, alpha=0.25)
            ax.set_xlabel("Exploitation if all were kept\nand none died otherwise (%)")
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
    taken = (
        f"were every fish caught kept and did none die otherwise, {here} of those that anglers can catch would be taken in a year"
    )
    today = (
        f"The diamond is today: {taken} (fewer are, as some are let go); its bar says how sure that is."
        if found.minimum_today_mm is not None
        else f"Today's rule is no plain minimum length: the grey strip is today: {taken} (fewer are, as some are let go)."
    )
    caption = (
        f"{name}: what a recruit gives over its life, by how hard the water is fished and by minimum length, with today's share "
        f"of fish let go by choice; medians of the draws, fish that reach a length of 1,000 recruits. {today} It leaves "
        "out recruitment, and the years that a change takes."
    )
    best = np.unravel_index(int(weight.argmax()), weight.shape)
    where = f"exploitation {100 * grid.exploitation[best[0]]:.0f}%"
    alt = (
        f"Contours of yield per recruit and of fish that reach {length}. Today ({rule}): {taken}. The highest yield "
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


def _way(correlation: Estimate) -> str:
    """Whether the answer rises or falls with an input, or neither can be told."""
    return "rises" if correlation.lower > 0 else "falls" if correlation.upper < 0 else "unclear"


_WAYS: dict[str, tuple[str, dict[str, Any]]] = {
    "rises": ("answer rises with the input", {"facecolor": SERIES[0], "edgecolor": SERIES[0]}),
    "falls": ("answer falls as the input rises", {"facecolor": "white", "edgecolor": SERIES[0], "hatch": "/////"}),
    "unclear": ("direction cannot be told", {"facecolor": "white", "edgecolor": GREY}),
}


def _shares(ax: Axes, shown: Sequence[Driver]) -> None:
    """Bars of the inputs' shares of the variance, filled by the direction of each."""
    shares = [100 * driver.variance_share for driver in shown]
    for place, (driver, share) in enumerate(zip(shown, shares, strict=True)):
        ax.barh(-place, share, height=0.62, linewidth=0.8, **_WAYS[_way(driver.rank_correlation)][1])
        ax.annotate(f"{share:.0f}%", (share, -place), (4, 0), textcoords="offset points", va="center", fontsize=7.5)
    ax.set_yticks(-np.arange(len(shown)), [input_name(driver.name) for driver in shown], fontsize=7.5)
    ax.set_xlim(0, 100)
    ax.grid(axis="x")
    ax.grid(False, axis="y")


def drivers_figure(one: Comparison, context: Context) -> Figure | None:
    """Shares of the inputs in what varies of large fish under today's rule, and of the largest difference from it."""
    drawn = [(name, found) for name, found in one.drivers if found.drivers and found.drivers[0].rank_correlation.estimable]
    if not drawn:
        return None
    large = next(m for m in one.measures if m.result == "scenario_trophy")
    rows, data, said = [], [], []
    codes = dict(zip((rule.name for rule in one.inputs.rules), letters(one), strict=True))
    titles = []
    with style():
        count = max(min(len(found.drivers), DRAWN_INPUTS) for _, found in drawn)
        figure, axes = drawing(len(drawn), 1, height=(0.17 * count + 0.45) * len(drawn) + 0.4, sharex=True)
        ways: set[str] = set()
        for ax, (name, found) in zip(axes[:, 0], drawn, strict=True):
            first, _, second = name.partition(" against ")
            titles.append(f"Rule {codes[first]}{f' less rule {codes[second]}' if second else ''}")
            _shares(ax, found.drivers[:DRAWN_INPUTS])
            ways |= {_way(driver.rank_correlation) for driver in found.drivers[:DRAWN_INPUTS]}
            for driver in found.drivers:
                text = format_estimate(driver.rank_correlation, context.units)
                share = f"{100 * driver.variance_share:.0f}"
                rows.append([titles[-1], input_name(driver.name), share, text.value, text.interval])
                data.append({"of": name, "input": driver.name, "rank_correlation": driver.rank_correlation.value,
                             "lower": driver.rank_correlation.lower, "upper": driver.rank_correlation.upper,
                             "variance_share": driver.variance_share})  # fmt: skip
            lead = found.drivers[0]
            more, fewer = ("the larger the difference", "the smaller the difference") if second else ("the more", "the fewer")
            way = {"rises": f"; the higher it is, {more}", "falls": f"; the higher it is, {fewer}", "unclear": ""}
            carried = f"{100 * lead.variance_share:.0f}%{way[_way(lead.rank_correlation)]}"
            said.append(f"{titles[-1]}: {input_name(lead.name).lower()} matters most ({carried}).")
        axes[-1, 0].set_xlabel("Share of the variance of ranks over the draws (%)")
        keys = [Patch(label=words, **look) for way, (words, look) in _WAYS.items() if way in ways]
        figure.legend(handles=keys, loc="outside lower center", ncols=len(keys))
        letter(axes, titles)
        svg = to_svg(figure)
    name, key = context.names[one.inputs.key], one.inputs.key.replace("_", "-")
    noun = measure_heading(large, context, one)
    second = ", and with the difference of the rule that moves them most" if len(drawn) > 1 else ""
    caption = (
        f"{name}: what drives the answer. How much of what varies over the draws goes with each input, strongest first: with "
        f"{noun[0].lower()}{noun[1:]} in {when(one, one.horizons[-1])} under today's rule{second}. {' '.join(said)}"
    )
    columns = [Column("Explained", align="left"), Column("Input", align="left"), Column("Share of variance", "%")]
    columns += [Column("Rank correlation"), Column("Interval")]
    behind = frame_table(
        f"drivers-{key}-numbers", "Shares of the variance of ranks as drawn, and rank correlations.", columns, rows, data=data
    )
    return Figure(f"drivers-{key}", caption, f"Bars of shares of the variance. {' '.join(said)}", svg, behind)
