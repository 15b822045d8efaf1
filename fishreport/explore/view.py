"""What a reader sees of a sample: the data, the estimate beside the truth as figure and table, and a sentence on it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes

from fishreport.exhibits.exhibit import Column, Figure, Table
from fishreport.exhibits.style import GREY, INK, SERIES, drawing, style, to_svg
from fishreport.exhibits.tabulate import frame_table
from fishreport.exhibits.units import NO_VALUE, format_estimate, format_number
from fishreport.explore.lesson_parts import Lesson, Sample, Settings, Shown

TRUTH = SERIES[1]
ESTIMATE = SERIES[0]


@dataclass(frozen=True)
class View:
    """One sample as shown.

    Attributes
    ----------
    figure : Figure
        Data and estimates; its table holds the numbers.
    sentence : str
        What came out, in one or two sentences.
    shown : tuple of Shown
    """

    figure: Figure
    sentence: str
    shown: tuple[Shown, ...]

    @property
    def table(self) -> Table:
        """The estimates beside the truth."""
        assert self.figure.table is not None
        return self.figure.table

    def _repr_html_(self) -> str:
        from fishreport.explore.html import view_html

        return view_html(self)


def truth_text(one: Shown) -> str:
    """The truth with the digits of its estimate; a dash where nobody knows it."""
    if math.isnan(one.truth):
        return NO_VALUE
    e = one.estimate
    shown = format_estimate(e).value if e.estimable else ""
    decimals = len(shown.partition(".")[2]) if shown else None
    return format_number(one.truth, decimals=decimals)


def _held_text(one: Shown) -> str:
    return {True: "yes", False: "no", None: NO_VALUE}[one.held]


def estimates_table(lesson: Lesson, sample: Sample, shown: tuple[Shown, ...]) -> Table:
    """One row an estimate: value, interval, truth, and whether the interval holds it."""
    level = f"{100 * shown[0].estimate.level:.0f}%"
    known = bool(sample.truth)
    columns = [Column("What", align="left"), Column("Estimate"), Column("Units", align="left"), Column(f"{level} interval")]
    if known:
        columns += [Column("Truth"), Column("Held by the interval", align="center")]
    rows = []
    for one in shown:
        text = format_estimate(one.estimate)
        row = [one.name, text.value, text.unit or NO_VALUE, text.interval]
        rows.append(row + ([truth_text(one), _held_text(one)] if known else []))
    caption = f"{lesson.title}: the estimate{' beside the truth' if known else ''}."
    notes = tuple(dict.fromkeys(f"{note[:1].upper()}{note[1:]}." for one in shown for note in one.estimate.notes))
    return frame_table(f"{lesson.key}-estimates", caption, columns, rows, notes=notes)


def _estimate_sentence(one: Shown) -> str:
    e, text = one.estimate, format_estimate(one.estimate)
    if not e.estimable:
        return f"{one.name}: {'; '.join(e.notes) or 'not estimable'}."
    said = f"{one.name}: {text.text}"
    if one.held is None:
        return f"{said}." if math.isnan(one.truth) else f"{said}; the truth is {truth_text(one)}."
    return f"{said}; the truth is {truth_text(one)}, and the interval {'holds' if one.held else 'misses'} it."


def _panel(ax: Axes, shown: tuple[Shown, ...]) -> None:
    """Estimates of the units of the first one, with their intervals, and the truth as diamonds."""
    rows = [one for one in shown if one.estimate.units == shown[0].estimate.units]
    place = np.arange(len(rows))[::-1]
    for y, one in zip(place, rows, strict=True):
        e = one.estimate
        if e.estimable:
            if math.isfinite(e.lower):
                known = [x for x in (e.value, one.truth, e.upper) if math.isfinite(x)]
                upper = e.upper if math.isfinite(e.upper) else 1.6 * max(known)
                ax.hlines(y, e.lower, upper, color=ESTIMATE, linewidth=2.2)
                ax.plot(e.lower, y, "|", color=ESTIMATE, markersize=9, markeredgewidth=1.8)
                ax.plot(upper, y, "|" if upper == e.upper else ">", color=ESTIMATE, markersize=9, markeredgewidth=1.8)
            ax.plot(e.value, y, "o", color=ESTIMATE, markersize=7, label="estimate and interval" if y == place[0] else None)
        if not math.isnan(one.truth):
            ax.plot(one.truth, y, "D", color=TRUTH, markersize=7, markeredgecolor="white", zorder=3,
                    label="truth" if y == place[0] else None)  # fmt: skip
    ax.set_yticks(place, [one.name for one in rows])
    ax.set_ylim(-0.7, len(rows) - 0.3)
    ax.grid(axis="x")
    ax.grid(visible=False, axis="y")
    ax.set_xlabel(format_estimate(rows[0].estimate).unit or "value")
    ax.margins(x=0.15)


def look(lesson: Lesson, sample: Sample, settings: Settings) -> View:
    """The sample with the estimates that these settings give.

    Parameters
    ----------
    lesson : Lesson
    sample : Sample
        Simulated, or the reader's own.
    settings : mapping
        Of all controls.
    """
    answer = lesson.estimate(sample, settings)
    shown = answer.shown
    with style():
        rows = sum(one.estimate.units == shown[0].estimate.units for one in shown)
        strip = 0.45 + 0.3 * rows
        figure, axes = drawing(2, 1, height=2.9 + strip + 0.75, height_ratios=[2.9, strip])
        drawn = lesson.plot(axes[0, 0], sample, settings, answer)
        if legend := axes[0, 0].get_legend():
            legend.set_frame_on(True)
            legend.get_frame().set(facecolor="white", edgecolor="none", alpha=0.85)
        _panel(axes[1, 0], shown)
        if handles := axes[1, 0].get_legend_handles_labels()[0]:
            figure.legend(handles=handles, loc="outside lower center", ncols=2)
        svg = to_svg(figure)
    said = " ".join(_estimate_sentence(one) for one in shown)
    table = estimates_table(lesson, sample, shown)
    truth = " Below, the estimate with its interval" + (", and the truth as a diamond." if sample.truth else ".")
    caption = f"{sample.source}{truth}"
    return View(Figure(f"{lesson.key}-view", caption, f"{drawn} {said}", svg, table), said, shown)


def dashed_truth(ax: Axes, value: float, *, horizontal: bool = True, label: str = "truth") -> None:
    """A dashed line at the truth; nothing where nobody knows it."""
    if math.isfinite(value):
        (ax.axhline if horizontal else ax.axvline)(value, color=TRUTH, linestyle=(0, (5, 2)), linewidth=1.6, label=label)


__all__ = ["ESTIMATE", "GREY", "INK", "TRUTH", "View", "dashed_truth", "estimates_table", "look", "truth_text"]
