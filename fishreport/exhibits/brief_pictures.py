"""The few drawings of a brief: large text, one message each, and the numbers behind them."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from matplotlib.axes import Axes

from fishreport.analysis.classes import LATER_PASSES, LengthClasses
from fishreport.analysis.result import Result, Results
from fishreport.exhibits.brief_words import Plain, PlainWords, of_hundred, plain
from fishreport.exhibits.exhibit import Column, Table
from fishreport.exhibits.notes import ages_meant
from fishreport.exhibits.style import INK, SERIES, Look, drawing, interval_points, style, to_svg
from fishreport.exhibits.tabulate import counted, frame_table, heading

MOST_PANELS = 3
WIDE, HALF = 6.7, 3.25
WIDE_HEIGHT, HALF_HEIGHT = 1.4, 1.5
_MM_PER_CM = 10.0


@dataclass(frozen=True)
class Panel:
    """One drawing and what it shows, in words, for a reader who cannot see it."""

    svg: str = field(repr=False)
    alt: str


@dataclass(frozen=True)
class Picture:
    """A figure of a brief.

    Attributes
    ----------
    label : str
        Short name, unique in the brief.
    caption : str
        What to see in it.
    panels : tuple[Panel, ...]
        Side by side on paper, below each other on a small screen.
    table : Table
        The numbers drawn.
    results : tuple[str, ...]
        Ids of the results drawn; empty where it is drawn from a table of the report.
    """

    label: str
    caption: str
    panels: tuple[Panel, ...]
    table: Table
    results: tuple[str, ...] = ()


def _years(ax: Axes, seasons: Sequence[int], most: int) -> None:
    """Whole years as ticks, few enough to be read without turning; the last one always."""
    years = sorted(set(seasons))
    step = max(1, -(-(years[-1] - years[0]) // (most - 1))) if len(years) > 1 else 1
    ticks = list(range(years[-1], years[0] - 1, -step))[::-1]
    ax.set_xticks(ticks, [str(year) for year in ticks])
    ax.set_xlim(years[0] - 0.7, years[-1] + 0.7)


def _line_panel(
    line: Sequence[Result],
    scale: float,
    title: str,
    ylabel: str,
    *,
    width: float,
    height: float = WIDE_HEIGHT,
    reference: tuple[float, str] | None = None,
) -> str:
    values = scale * np.array([[r.estimate.value, r.estimate.lower, r.estimate.upper] for r in line])
    years = [r.season or 0 for r in line]
    with style():
        figure, axes = drawing(width=width, height=height)
        ax = axes[0, 0]
        value, lower, upper = values.T
        interval_points(ax, years, value, lower, upper, Look(SERIES[0], "o", "-"))
        _years(ax, years, 4 if width < HALF else 5)
        if reference is None:
            ax.set_ylim(bottom=0)
        else:
            at, name = reference
            ax.axhline(at, color=INK, linewidth=1.0, linestyle=(0, (4, 2)))
            low, high = np.nanmin(values), max(np.nanmax(values), at)
            ax.set_ylim(low - 0.12 * (high - low), high + 0.22 * (high - low))
            ax.annotate(name, (years[0], at), xytext=(0, 3), textcoords="offset points", fontsize=8.5, ha="left", va="bottom")
        ax.set_title(title, fontsize=9.5)
        ax.set_ylabel(ylabel)
        return to_svg(figure)


def _history_table(
    label: str, caption: str, noun: str, lines: Mapping[str, Sequence[Result]], say: Callable[[Result], Plain]
) -> Table:
    columns = [Column("Season", align="left"), Column("Fish", align="left"), Column(noun), Column("Range"), Column("n")]
    rows, data = [], []
    for name, line in lines.items():
        for result in line:
            said = say(result) if result.estimate.estimable else Plain("not estimable", "—")
            rows.append([str(result.season), name, said.value, said.interval, str(result.estimate.n)])
            data.append(result.record())
    return frame_table(label, caption, columns, rows, data=data)


def _ends(line: Sequence[Result], say: Callable[[Result], Plain]) -> str:
    known = [result for result in line if result.estimate.estimable]
    return "; ".join(f"{result.season}: {(said := say(result)).value}{said.after()}" for result in known)


def catch_picture(results: Results, words: PlainWords) -> Picture | None:
    """Catch per hour by season, one panel a species, the first three of the study."""
    context = words.context
    lines: dict[str, list[Result]] = {}
    classes: dict[str, str] = {}
    for one in context.classes:
        key, lead = one.species.key, context.lead_class(one.species.key)
        line = list(results.where(quantity="catch_rate", species=key, size_class=lead, site=None, detail=None))
        if any(result.estimate.estimable for result in line):
            name = context.names[key]
            lines[name] = sorted(line, key=lambda result: result.season or 0)
            classes[name] = "of any length" if lead == "all" else f"{words.length(key, lead)} or longer"
    if not lines:
        return None

    def say(result: Result) -> Plain:
        return plain(result.estimate, context.units)

    shown = dict(list(lines.items())[:MOST_PANELS])
    width = WIDE / len(shown) - 0.03
    panels = tuple(
        Panel(
            _line_panel(line, 1.0, name, "Fish an hour" if place == 0 else "", width=width),
            f"{name} {classes[name]}, caught in an hour of electrofishing, by season. {_ends(line, say)}.",
        )
        for place, (name, line) in enumerate(shown.items())
    )
    caption = (
        "How many fish an hour of electrofishing caught: dots, with the range as a bar. "
        + "; ".join(f"{name} {classes[name]}" for name in shown)
        + "."
    )
    left = len(lines) - len(shown)
    if left:
        caption += f" And {left} more {'kind' if left == 1 else 'kinds'} of fish in the report."
    table = _history_table("brief-catch", "Fish caught in an hour of electrofishing, by season.", "Fish an hour", shown, say)
    return Picture("brief-catch", caption, panels, table, tuple(r.id for line in shown.values() for r in line))


def size_picture(frequencies: Sequence[Mapping[str, Any]], words: PlainWords, results: Results) -> Picture | None:
    """Lengths of this season's fish of the lead species.

    `frequencies`: rows of the report's length-frequency figure (``species``, ``season``, ``lower_mm``, ``upper_mm``, ``count``).
    `results`: whether fish of later passes are left out of them is told by the results on length of that species and season.
    """
    context = words.context
    for one in context.classes:
        own = [row for row in frequencies if row["species"] == one.species.key and row["season"] == context.season]
        if sum(row["count"] for row in own):
            of_length = results.where(
                quantity=["mean_length", "proportional_size"], species=one.species.key, season=context.season
            )
            first = any(note.startswith(LATER_PASSES) for result in of_length for note in result.estimate.notes)
            return _size_picture(one, own, words, f"{one.species.name}{' of the first passes' if first else ''}")
    return None


def _size_picture(one: LengthClasses, rows: Sequence[Mapping[str, Any]], words: PlainWords, fish: str) -> Picture:
    context = words.context
    us = context.units.system == "us"
    scale, unit = (context.units.length_value(1.0), "inches") if us else (1 / _MM_PER_CM, "cm")
    left, right = (scale * np.array([row[name] for row in rows], dtype=float) for name in ("lower_mm", "upper_mm"))
    count = np.array([row["count"] for row in rows])
    total, name = int(count.sum()), one.species.name
    marks = [mark for mark in ("quality", "preferred") if mark in one.bounds_mm]
    with style():
        figure, axes = drawing(width=HALF, height=HALF_HEIGHT)
        ax = axes[0, 0]
        ax.bar(left, 100 * count / total, width=0.9 * (right - left), align="edge", color=SERIES[0])
        for mark, side in zip(marks, ("right", "left"), strict=False):
            at = scale * one.bounds_mm[mark][0]
            text = f"{one.published_in[mark]:g} in" if us else f"{one.published_mm[mark] / _MM_PER_CM:g} cm"
            ax.axvline(at, color=INK, linewidth=1.0, linestyle=(0, (4, 2)))
            place = {
                "xycoords": ("data", "axes fraction"),
                "xytext": (3 if side == "right" else -3, 1),
                "textcoords": "offset points",
            }
            ax.annotate(text, (at, 1.0), fontsize=8, ha=side, va="bottom", **place)
        ax.set_xlabel(f"Length ({unit})")
        ax.set_ylabel("Of 100 fish")
        ax.set_title(f"{heading(name)}, {context.season}", fontsize=9.5, pad=14)
        svg = to_svg(figure)
    top = int(count.argmax())
    commonest = f"{left[top]:.1f} to {right[top]:.1f} {unit}" if us else f"{left[top]:.0f} to {right[top]:.0f} {unit}"
    above = []
    for mark in marks:
        share = 100 * count[np.array([row["lower_mm"] for row in rows]) >= one.bounds_mm[mark][0]].sum() / total
        # Only where the bins part at that length can the bars be counted.
        if any(row["lower_mm"] == one.bounds_mm[mark][0] for row in rows):
            above.append(f"{share:.0f} of 100 were {words.length(one.species.key, mark)} or longer")
    alt = f"Bars of length: {counted(total, fish, fish)} measured in {context.season}, most often {commonest} long."
    alt += f" {heading('; '.join(above))}." if above else ""
    dashed = " and ".join(words.length(one.species.key, mark) for mark in marks)
    were = (
        f"{total:,} measured {fish} of {context.season} were" if total > 1 else f"the one measured {fish} of {context.season} was"
    )
    caption = f"How long {were}."
    caption += f" Dashed lines: {dashed}." if marks else ""
    caption += " Small fish are caught less well than large ones."
    columns = [Column("From", unit), Column("To", unit), Column("Fish")]
    behind = frame_table(
        "brief-lengths",
        f"Lengths of measured {fish} of {context.season}.",
        columns,
        [[f"{a:.1f}", f"{b:.1f}", str(n)] for a, b, n in zip(left, right, count, strict=True)],
        data=[dict(row) for row in rows],
    )
    return Picture("brief-lengths", caption, (Panel(svg, alt),), behind)


# What a third drawing shows, in the order looked for: quantity, scale, axis, caption, line of reference.
_THIRD: tuple[tuple[str, float, str, str, tuple[float, str] | None], ...] = (
    (
        "relative_weight",
        1.0,
        "Plump fish = 100",
        "How heavy {name} were for their length, by season. 100 is the weight of a plump fish of the same length.",
        (100.0, "a plump fish"),
    ),
    ("annual_survival", 100.0, "Fish of 100", "How many of 100 grown {name} live through a year, by season.", None),
    ("population_size", 1.0, "Fish in the water", "How many {name} the water held, by season.", None),
)


def third_picture(results: Results, words: PlainWords) -> Picture | None:
    """The history of the lead species' condition, or else of its survival or number."""
    context = words.context
    for quantity, scale, axis, caption, reference in _THIRD:
        for one in context.classes:
            key = one.species.key
            chosen = results.where(quantity=quantity, species=key, site=None, detail=None, scenario=None)
            size_class = "all" if quantity == "annual_survival" else context.lead_class(key)
            line = sorted((r for r in chosen.where(size_class=size_class) if r.season), key=lambda r: r.season or 0)
            if sum(result.estimate.estimable for result in line) < 2:
                continue

            def say(result: Result, scale: float = scale) -> Plain:
                return of_hundred(result.estimate, scale) if scale != 1.0 else plain(result.estimate, context.units)

            name = context.names[key]
            said = caption.format(name=one.species.name)
            ages = {ages_meant(result.estimate) for result in line if result.estimate.estimable}
            if len(ages) == 1 and (meant := ages.pop()):
                said = said.replace(f"grown {one.species.name}", f"{one.species.name} {meant}")
            svg = _line_panel(line, scale, name, axis, width=HALF, height=HALF_HEIGHT, reference=reference)
            table = _history_table(f"brief-{quantity.replace('_', '-')}", said, axis, {name: line}, say)
            alt = f"{said} {_ends(line, say)}."
            return Picture(table.label, said, (Panel(svg, alt),), table, tuple(r.id for r in line))
    return None
