"""The same survey many times over: how often the interval holds the truth."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from fishreport.exceptions import UsageError
from fishreport.exhibits.exhibit import Column, Figure
from fishreport.exhibits.style import GREY, INK, SERIES, drawing, style, to_svg
from fishreport.exhibits.tabulate import frame_table
from fishreport.exhibits.units import format_number
from fishreport.explore.lesson_parts import Lesson, Settings, generator
from fishreport.methods.proportion import exact_interval

MOST = 2000


@dataclass(frozen=True)
class Repeats:
    """Estimates of many simulated surveys under the same settings.

    Attributes
    ----------
    name : str
        What was estimated.
    level : float
        Level that the intervals promise.
    value, lower, upper, truth : arrays
        One element a survey; NaN where the survey gave no value or no interval.
    """

    name: str
    level: float
    value: np.ndarray
    lower: np.ndarray
    upper: np.ndarray
    truth: np.ndarray

    @property
    def counted(self) -> np.ndarray:
        """Surveys that gave an interval (an open side counts as one)."""
        return np.isfinite(self.value) & ~np.isnan(self.lower) & ~np.isnan(self.upper)

    @property
    def held(self) -> np.ndarray:
        """Surveys whose interval holds the truth."""
        return self.counted & (self.lower <= self.truth) & (self.truth <= self.upper)

    @property
    def share(self) -> tuple[float, float, float]:
        """Percent of the intervals that hold the truth, with exact 95 % limits of that percentage."""
        n, held = int(self.counted.sum()), int(self.held.sum())
        if not n:
            return math.nan, math.nan, math.nan
        low, high = exact_interval(held, n)
        return 100 * held / n, 100 * float(low), 100 * float(high)

    @property
    def bias_percent(self) -> float:
        """Mean of the estimates over the truth, less 1, in percent."""
        off = (self.value / self.truth)[np.isfinite(self.value)]
        return 100 * float(off.mean() - 1) if off.size else math.nan

    @property
    def sentence(self) -> str:
        """What came out."""
        n, all_of = int(self.counted.sum()), self.value.size
        if not n:
            return f"None of {all_of} surveys gave an interval."
        percent, low, high = self.share
        lost = f" ({all_of - n} of {all_of} surveys gave none)" if n < all_of else ""
        promised = 100 * self.level
        if high < promised:
            verdict = "less often than"
        elif low > promised:
            verdict = "more often than"
        else:
            verdict = "in keeping with"
        bias = self.bias_percent
        off = format_number(abs(bias), digits=2)
        side = "above" if bias > 0 else "below"
        return (
            f"{int(self.held.sum())} of {n} intervals hold the truth{lost}: {percent:.3g}% ({low:.0f} to {high:.0f}), "
            f"{verdict} the {promised:.0f}% promised. On average the estimate lies {off}% {side} the truth."
        )

    @property
    def figure(self) -> Figure:
        """Every interval over the truth, those that miss it apart by colour, mark and width."""
        share = {name: 100 * getattr(self, name) / self.truth for name in ("value", "lower", "upper")}
        order = np.arange(1, self.value.size + 1)
        top = np.nanmax(np.where(np.isfinite(share["upper"]), share["upper"], share["value"]), initial=120.0) * 1.05
        with style():
            figure, axes = drawing(height=2.8)
            ax = axes[0, 0]
            missed = self.counted & ~self.held
            for which, colour, mark, width, words in (
                (self.held, GREY, "o", 0.7, "holds the truth"),
                (missed, SERIES[1], "X", 1.8, "misses the truth"),
            ):
                low, high = np.maximum(share["lower"][which], -1e6), np.minimum(share["upper"][which], top)
                ax.vlines(order[which], low, high, color=colour, linewidth=width)
                name = f"{words} ({int(which.sum())})"
                ax.plot(order[which], share["value"][which], mark, color=colour, markersize=2.2 if mark == "o" else 5, label=name)
            ax.axhline(100, color=INK, linewidth=1.2)
            ax.set_xlabel("Survey, in the order drawn")
            ax.set_ylabel("Percent of the truth")
            ax.legend(loc="upper center", bbox_to_anchor=(0.5, -0.24), ncols=2)
            svg = to_svg(figure)
        table = frame_table(
            "repeats",
            f"{self.name}: simulated surveys under the same settings.",
            [Column("", align="left"), Column("Surveys")],
            [
                ["Interval holds the truth", int(self.held.sum())],
                ["Truth above the interval", int((missed & (self.truth > self.upper)).sum())],
                ["Truth below the interval", int((missed & (self.truth < self.lower)).sum())],
                ["No interval", int((~self.counted).sum())],
            ],
        )
        caption = f"{self.name}: {self.value.size} simulated surveys, each with its interval, over the truth (the line at 100)."
        return Figure("repeats", caption, f"{self.value.size} intervals side by side. {self.sentence}", svg, table)

    def _repr_html_(self) -> str:
        from fishreport.explore.html import repeats_html

        return repeats_html(self)


def repeat(
    lesson: Lesson, settings: Settings, *, times: int = 200, seed: int = 1, progress: Callable[[int], None] | None = None
) -> Repeats:
    """Simulate the survey `times` times and estimate each time.

    Parameters
    ----------
    lesson : Lesson
    settings : mapping
        Of all controls.
    times : int
        Surveys, 20 to 2000.
    seed : int
        First seed; survey *i* is the one that `seed` + *i* draws alone.
    progress : callable, optional
        Is told the number of surveys done, every ten.
    """
    if isinstance(times, bool) or not isinstance(times, int) or not 20 <= times <= MOST:
        raise UsageError(f"times must be a whole number from 20 to {MOST}; got {times!r}")
    rows, name, level = [], "", 0.95
    for i in range(times):
        first = lesson.estimate(lesson.draw(settings, generator(lesson, seed + i)), settings).first
        e, name, level = first.estimate, first.name, first.estimate.level
        rows.append((e.value, e.lower, e.upper, first.truth))
        if progress and (i + 1) % 10 == 0:
            progress(i + 1)
    return Repeats(name, level, *np.array(rows, dtype=float).T)
