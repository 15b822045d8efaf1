"""Tables and figures of trends."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes

from fishreport.analysis.catch_model import QUANTITY
from fishreport.analysis.trend import IndexSeries, IndexTrend
from fishreport.analysis.trend_family import Multiplicity
from fishreport.exhibits.context import Context
from fishreport.exhibits.exhibit import Column, Figure, Table
from fishreport.exhibits.history import narrow_season_axis
from fishreport.exhibits.style import INK, PALE, drawing, interval_points, letter, looks, style, to_svg
from fishreport.exhibits.tabulate import counted, frame_table, grid_table, heading, joined
from fishreport.exhibits.units import format_estimate, format_number
from fishreport.exhibits.wording import percent_level
from fishreport.methods.estimate import Estimate

NAMES = {
    QUANTITY: "Catch rate",
    "catch_rate": "Catch rate, as caught",
    "mean_length": "Mean length",
    "relative_weight": "Relative weight",
    "condition_factor": "Condition factor",
    "total_mortality": "Total mortality",
    "annual_survival": "Annual survival",
}
_ONE_POINT = re.compile(r"(?<![\d.])(1) points")
_INDICES = {QUANTITY: "standardised catch rate", "proportional_size": "share by length"}
DRAWN = (("proportional_size", "quality"), ("relative_weight", "stock"), ("mean_length", "stock"))
# What is tested, said wherever the trends are counted.
FAMILY = (
    "catch rate, share by length, mean length and condition of each length class, and total mortality; each question once, so "
    "that the catch rate as caught, the condition factor, survival and all lengths are left out where the standardised catch "
    "rate, relative weight, total mortality and stock length stand for them"
)
# What the panels are drawn with, in the order of the legend.
_DRAWN_WITH = (_SEASON, _LEVEL, _BAND, _TREND) = (
    "season, with interval", "smoothed level", "interval of the smoothed level", "trend line",
)  # fmt: skip
_AXES = {"proportional_size": "Share quality (%)", "relative_weight": "Relative weight", "mean_length": "Mean length"}


def index_name(s: IndexSeries, context: Context, *, units: bool = False) -> str:
    """The index as tables name it, with its class, and its units where asked: ``Catch rate, stock (fish/h)``."""
    name = f"Share {s.size_class}" if s.quantity == "proportional_size" else NAMES[s.quantity]
    if s.size_class != "all" and s.quantity != "proportional_size":
        name = f"{name}, {s.size_class}"
    unit = context.units.units(s.units)
    return f"{name} ({'%' if unit == 'percent' else unit})" if unit and units else name


def slope_text(estimate: Estimate, context: Context) -> str:
    """A change per year in a cell, without the words that its column says: ``4.2% (−0.5 to 9.1)``."""
    text = format_estimate(estimate, context.units).text
    return points(text.replace(" percent per year", "%")).replace(" per year", "")


def points(text: str) -> str:
    """Percentage points in a cell, whose column says the rest: ``−4 points (−9 to 1)``, ``1 point (0 to 2)``."""
    return _ONE_POINT.sub(r"\1 point", text.replace(" percentage points", " points"))


def p_text(value: float) -> str:
    """A probability of a test as tables show it."""
    return "—" if math.isnan(value) else "<0.001" if value < 0.001 else format_number(value, decimals=3)


def trend_table(trends: Sequence[IndexTrend], counts: Multiplicity, moves: Multiplicity, context: Context) -> Table | None:
    """The trend of every leading index, with its p, and the change of its smoothed level; `counts` and `moves` are of all."""
    if not trends:
        return None
    rows = [
        [
            context.names[one.series.species], index_name(one.series, context), slope_text(one.result.estimate, context),
            p_text(one.p), p_text(one.adjusted_p),
            "—" if one.smooth is None else slope_text(one.smooth.change, context),
        ]
        for one in trends
    ]  # fmt: skip
    columns = [Column("Species", align="left"), Column("Index", align="left"), Column("Trend a year"), Column("p")]
    columns += [Column("Adjusted p"), Column("Smoothed, first to last")]
    caption = (
        f"Trends over all seasons, with {percent_level(counts.level)} intervals; catch rates are the standardised ones. "
        "Adjusted p allows for the number of trends tested (Benjamini–Hochberg). The last column is the change of the smoothed "
        "level from the first season to the last."
    )
    reasons = {
        f"{context.names[t.series.species]}, {index_name(t.series, context).lower()}: {_bare(note)}.": None
        for t in trends
        for note in t.result.estimate.notes
    }
    data = [
        t.result.record()
        | {"p": t.p, "adjusted_p": t.adjusted_p, "chosen": t.method}
        | {"smoothed_p": t.smooth_p, "smoothed_adjusted_p": t.smooth_adjusted_p}
        for t in trends
    ]
    said = (*_counted_words(counts, "trend", context), *_counted_words(moves, "smoothed change", context))
    return frame_table("trends", caption, columns, rows, notes=(*said, *reasons), data=data)


def rank_table(trends: Sequence[IndexTrend], context: Context) -> Table | None:
    """The tests that take no line: Sen slope and Mann-Kendall, without and with correction for autocorrelation."""
    if not trends:
        return None
    rows = [
        [
            context.names[one.series.species], index_name(one.series, context), slope_text(one.sen.estimate, context),
            p_text(one.test.p), p_text(one.corrected_test.p),
        ]
        for one in trends
    ]  # fmt: skip
    columns = [Column("Species", align="left"), Column("Index", align="left"), Column("Sen slope a year")]
    columns += [Column("p"), Column("Corrected p")]
    caption = (
        "The same indices by ranks: Sen slope with its interval, and the Mann–Kendall test, without and with correction for "
        "seasons that resemble each other. It takes no line and no standard errors; read it as a check on the table above."
    )
    data = [t.sen.record() | {"p": t.test.p, "corrected_p": t.corrected_test.p, "tau": t.test.tau} for t in trends]
    return frame_table("trends-by-rank", caption, columns, rows, data=data)


def _bare(note: str) -> str:
    return note.removeprefix("not estimable: ")


def standing_words(counts: Multiplicity, context: Context, by: str = "") -> str:
    """How many stand after adjusting for their number, and which: ``1 stands …: relative weight of brown trout, stock``."""
    head = f"{counts.held or 'none'} {'stand' if counts.held > 1 else 'stands'} after adjusting for the number{by}"
    return f"{head}: {_listed(counts.standing, context)}" if counts.standing else head


def outside_words(counts: Multiplicity, context: Context) -> str:
    """Those whose interval leaves out zero, in brackets after a space; empty where none does."""
    return f" ({_listed(counts.apart, context)})" if counts.apart else ""


def _listed(several: Sequence[IndexSeries], context: Context) -> str:
    classes: dict[str, list[str]] = {}
    for s in several:
        name = context.names[s.species].lower()
        index = _INDICES.get(s.quantity) or NAMES[s.quantity].lower().replace(",", "")
        classes.setdefault(f"{index} of {name}", []).append("all lengths" if s.size_class == "all" else s.size_class)
    return "; ".join(f"{of}, {joined(sizes)}" for of, sizes in classes.items())


def _counted_words(counts: Multiplicity, noun: str, context: Context) -> tuple[str, ...]:
    if not counts.tested:
        return ()
    nested = (
        f": {FAMILY}. The classes hold each other, so that they are not independent" if noun == "trend" else ""
    )  # fmt: skip
    return (
        f"{counted(counts.tested, noun)} {'was' if counts.tested == 1 else 'were'} tested{nested}. If nothing had changed, about "
        f"{format_number(counts.expected, decimals=1)} of the intervals would leave out zero by chance; {counts.outside} "
        f"{'does' if counts.outside == 1 else 'do'}{outside_words(counts, context)}, and "
        f"{standing_words(counts, context, ' (Benjamini–Hochberg)')}.",
    )


def class_table(trends: Sequence[IndexTrend], context: Context) -> Table | None:
    """Trend of the catch rate by length class."""
    chosen = [t.result for t in trends if t.series.quantity == "catch_rate" and t.result.estimate.units == "percent per year"]
    left_out = [t for t in trends if t.series.quantity == "catch_rate" and t.result.estimate.units != "percent per year"]
    if not chosen:
        return None
    lost = joined([f"{context.names[t.series.species].lower()} {t.series.size_class}" for t in left_out])
    notes = (f"No trend in percent where no such fish was caught in some season: {lost}.",) if left_out else ()
    caption = (
        "Trend of the catch rate as estimated season by season, by length class: percent a year, with intervals that are not "
        "adjusted for their number."
    )
    return grid_table(
        "trends-by-class", caption, chosen, context.units, row_heading="Class", row=lambda r: heading(str(r.size_class)),
        column=lambda r: context.names[str(r.species)], notes=notes, say_notes=False,
    )  # fmt: skip


def _panel(ax: Axes, trend: IndexTrend, context: Context) -> None:
    s, units = trend.series, context.units
    point, smooth, line = looks(["index", "level", "line"]).values()

    def shown(x: np.ndarray) -> np.ndarray:
        return np.asarray(units.quantity(np.asarray(x, float), s.units)[0], dtype=float)

    interval_points(ax, s.year, shown(s.value), shown(s.lower), shown(s.upper), point, label=_SEASON, line=False)
    m = trend.smooth
    if m is not None and _has_level(trend):
        ax.fill_between(m.year, shown(m.lower), shown(m.upper), color=PALE, linewidth=0, label=_BAND)
        ax.plot(m.year, shown(m.level), color=smooth.colour, linewidth=1.8, label=_LEVEL)
    if trend.line is not None and _has_line(trend):
        ax.plot(trend.line.year, shown(trend.line.fitted), color=INK, linewidth=1.0, linestyle=line.dash, label=_TREND)
    narrow_season_axis(ax, s.seasons)


def _told(trend: IndexTrend, context: Context) -> str:
    s = trend.series
    change = format_estimate(trend.result.estimate, context.units)
    text = f"{context.names[s.species]}, {index_name(s, context).lower()}: trend {change.text}"
    if trend.smooth is not None and trend.smooth.change.estimable:
        moved = format_estimate(trend.smooth.change, context.units)
        text += f", smoothed level {moved.text} from {int(trend.smooth.year[0])} to {int(trend.smooth.year[-1])}"
    return f"{text}."


def _numbers(label: str, trends: Sequence[IndexTrend], context: Context) -> Table:
    rows, data = [], []
    for one in trends:
        s, m = one.series, one.smooth
        name = index_name(s, context, units=True)
        values = dict(zip(s.year.tolist(), s.value.tolist(), strict=True))
        for at, year in enumerate(m.year.tolist() if m is not None and _has_level(one) else s.year.tolist()):
            level = [m.level[at], m.lower[at], m.upper[at]] if m is not None and _has_level(one) else [math.nan] * 3
            numbers = [values.get(year, math.nan), *level]
            text = ["—" if math.isnan(x) else format_number(float(context.units.quantity(float(x), s.units)[0])) for x in numbers]
            limits = "—" if math.isnan(level[1]) else f"{text[2]} to {text[3]}"
            rows.append([context.names[s.species], name, f"{year:.0f}", *text[:2], limits])
            data.append(
                {"species": s.species, "quantity": s.quantity, "size_class": s.size_class, "season": int(year), "units": s.units}
                | dict(zip(("value", "level", "lower", "upper"), numbers, strict=True))
            )
    columns = [Column("Species", align="left"), Column("Index", align="left"), Column("Season"), Column("Estimate")]
    columns += [Column("Smoothed level"), Column("Interval")]
    return frame_table(label, "Yearly estimates and their smoothed level, as drawn.", columns, rows, data=data)


def _legend(figure: object, axes: np.ndarray) -> None:
    found = {text: handle for ax in axes.ravel() for handle, text in zip(*ax.get_legend_handles_labels(), strict=True)}
    handles = {text: found[text] for text in _DRAWN_WITH if text in found}
    figure.legend(handles.values(), handles.keys(), loc="outside lower center", ncols=4)  # type: ignore[attr-defined]


def _has_level(trend: IndexTrend) -> bool:
    return trend.smooth is not None and bool(trend.smooth.year.size)


def _has_line(trend: IndexTrend) -> bool:
    return trend.line is not None and bool(trend.line.year.size)


def _drawn(trends: Sequence[IndexTrend]) -> tuple[bool, bool]:
    """Whether a smoothed level, and whether a trend line, is drawn in some panel."""
    return any(map(_has_level, trends)), any(map(_has_line, trends))


def _not_drawn(trends: Sequence[IndexTrend], context: Context) -> str:
    """What some panels or all lack, as sentences to end a caption with, a blank before each; empty where every panel is whole."""
    said = []
    for what, has in (("smoothed level", _has_level), ("trend line", _has_line)):
        lacking = [t for t in trends if not has(t)]
        if len(lacking) == len(trends):
            said.append(f" No {what} could be estimated.")
        elif lacking:
            names = joined(
                [f"{context.names[t.series.species].lower()}, {index_name(t.series, context).lower()}" for t in lacking]
            )
            said.append(f" No {what} could be estimated for {names}.")
    return "".join(said)


def trend_figure(trends: Sequence[IndexTrend], context: Context) -> Figure | None:
    """The standardised index of the leading class with its smoothed level and trend line, one panel a species."""
    shown = [t for t in trends if t.series.quantity == QUANTITY and t.series.size_class == context.lead_class(t.series.species)]
    shown = [t for t in shown if t.series.year.size]
    if not shown:
        return None
    with style():
        figure, axes = drawing(1, len(shown), height=2.9)
        for ax, one in zip(axes[0], shown, strict=True):
            _panel(ax, one, context)
            ax.set_ylim(bottom=0)
        axes[0][0].set_ylabel("Standardised catch rate (fish/h)")
        _legend(figure, axes)
        letter(axes, [context.names[t.series.species] for t in shown])
        svg = to_svg(figure)
    smoothed, lined = _drawn(shown)
    caption = "Standardised catch per hour of fish of stock length and longer, with intervals."
    if smoothed:
        caption += (
            " The smoothed level tells real change from sampling error: it moves no more than the intervals of the seasons call "
            "for."
        )
    caption += " The dotted line is the trend." if lined else ""
    caption += _not_drawn(shown, context)
    alt = f"Points with intervals by season{' and a smoothed line' if smoothed else ''}, one panel a species. "
    alt += " ".join(_told(t, context) for t in shown)
    return Figure("trend-catch", caption, alt, svg, _numbers("trend-catch-numbers", shown, context))


def other_figure(trends: Sequence[IndexTrend], context: Context) -> Figure | None:
    """Size structure and condition with their smoothed levels: a row an index, a column a species."""
    places = {
        (quantity, one.species.key): next(
            (
                t
                for t in trends
                if (t.series.quantity, t.series.size_class, t.series.species) == (quantity, size_class, one.species.key)
                and t.series.year.size
            ),
            None,
        )
        for quantity, size_class in DRAWN
        for one in context.classes
    }
    quantities = [q for q, _ in DRAWN if any(places[q, one.species.key] is not None for one in context.classes)]
    species = [one.species.key for one in context.classes if any(places[q, one.species.key] is not None for q in quantities)]
    if not quantities:
        return None
    shown = []
    with style():
        figure, axes = drawing(len(quantities), len(species), height=1.65 * len(quantities) + 0.9, sharex=True)
        for i, quantity in enumerate(quantities):
            for j, key in enumerate(species):
                ax, trend = axes[i][j], places[quantity, key]
                if trend is None:
                    ax.set_axis_off()
                    continue
                shown.append(trend)
                _panel(ax, trend, context)
                if i < len(quantities) - 1:
                    ax.set_xlabel("")
                if i == 0:
                    ax.set_title(context.names[key])
            unit = context.units.length_unit
            axes[i][0].set_ylabel(f"{_AXES[quantity]} ({unit})" if quantity == "mean_length" else _AXES[quantity])
        _legend(figure, axes)
        svg = to_svg(figure)
    smoothed, lined = _drawn(shown)
    drawn = ["intervals", *["smoothed levels"] * smoothed, *["trend lines (dotted)"] * lined]
    caption = (
        "Share of stock fish that reach quality length, mean relative weight and mean length of fish of stock length and longer, "
        f"with {joined(drawn)}.{_not_drawn(shown, context)}"
    )
    alt = "Points with intervals by season, a row an index, a column a species. " + " ".join(_told(t, context) for t in shown)
    return Figure("trend-size-condition", caption, alt, svg, _numbers("trend-size-condition-numbers", shown, context))
