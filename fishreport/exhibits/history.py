"""An estimate by season: one panel a species, one line a length class, with the table behind it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes

from fishreport.analysis.result import Result
from fishreport.exhibits.context import Context
from fishreport.exhibits.exhibit import Column, Figure
from fishreport.exhibits.style import INK, drawing, interval_points, letter, looks, season_axis, style, to_svg
from fishreport.exhibits.tabulate import frame_table
from fishreport.exhibits.units import format_estimate

_ENOUGH, _FAR_WIDER = 5, 4.0
"""Intervals in a panel, and width over their median, from which one is not to set the frame (our own choice)."""


def narrow_season_axis(ax: Axes, seasons: Sequence[int]) -> None:
    """A season axis for one of several panels: four years or fewer are named, the last one always."""
    season_axis(ax, seasons)
    ticks = [round(float(tick)) for tick in ax.get_xticks()]
    shown = ticks[::-1][:: max(1, -(-len(ticks) // 4))][::-1]
    ax.set_xticks(shown, [str(year) for year in shown])


def history_figure(
    label: str,
    caption: str,
    results: Sequence[Result],
    context: Context,
    *,
    noun: str,
    series: Mapping[str, str],
    from_zero: bool = True,
) -> Figure | None:
    """Draw results by season.

    Parameters
    ----------
    label, caption : str
    results : sequence of Result
        Of one quantity, for the whole water; those of a size class that `series` does not name are left out.
    context : Context
    noun : str
        What is drawn, such as ``Catch rate``; the axis adds the unit.
    series : mapping
        Size class → its name in the legend, in the order drawn.
    from_zero : bool
        Start the axis at zero.

    Returns
    -------
    Figure | None
        None when fewer than two seasons are estimable.
    """
    chosen = [r for r in results if r.size_class in series]
    shown = [one for one in context.classes if any(r.species == one.species.key and r.estimate.estimable for r in chosen)]
    if not shown or len({r.season for r in chosen if r.estimate.estimable}) < 2:
        return None
    units = context.units
    look = looks(list(series))
    unit = units.units(chosen[0].estimate.units)
    with style():
        figure, axes = drawing(1, len(shown), height=2.9)
        used: dict[str, Any] = {}
        beyond = False
        for ax, one in zip(axes[0], shown, strict=True):
            own = [r for r in chosen if r.species == one.species.key]
            shifts: dict[str, float] = {}
            present = [c for c in series if any(r.size_class == c for r in own)]
            for place, size_class in enumerate(present):
                line = [r for r in own if r.size_class == size_class]
                values = units.quantity(
                    np.array([[r.estimate.value, r.estimate.lower, r.estimate.upper] for r in line]), line[0].estimate.units
                )[0]
                shift = 0.18 * (place - (len(present) - 1) / 2)
                shifts[size_class] = shift
                years = [r.season or 0 for r in line]
                value, lower, upper = values.T
                interval_points(ax, years, value, lower, upper, look[size_class], label=series[size_class], offset=shift)
            narrow_season_axis(ax, sorted({r.season or 0 for r in own}))
            beyond |= _kept_in_sight(ax, own, shifts, context, from_zero=from_zero)
            if from_zero:
                ax.set_ylim(bottom=0)
            used |= {text: handle for handle, text in zip(*ax.get_legend_handles_labels(), strict=True)}
        axes[0][0].set_ylabel(f"{noun} ({'%' if unit == 'percent' else unit})" if unit else noun)
        if len(used) > 1:
            figure.legend(used.values(), used.keys(), loc="outside lower center", ncols=min(len(used), 4))
        letter(axes, [context.names[one.species.key] for one in shown])
        svg = to_svg(figure)
    columns = [Column("Season", align="left"), Column("Species", align="left"), Column("Class", align="left")]
    columns += [Column(noun, unit), Column("Interval"), Column("n")]
    rows = []
    for result in chosen:
        text = format_estimate(result.estimate, units)
        rows.append(
            [str(result.season), context.names[result.species or ""], series[result.size_class or ""], text.value, text.interval,
             str(result.estimate.n)]
        )  # fmt: skip
    if any(_breaks(chosen, one.species.key, size_class) for one in shown for size_class in series):
        caption += " Where a line breaks, a season that was fished has no estimate."
    if beyond:
        caption += " An arrow marks an interval that goes on beyond the frame; its limits are in the numbers of the figure."
    behind = frame_table(f"{label}-numbers", f"{noun} by season, as drawn.", columns, rows, data=[r.record() for r in chosen])
    return Figure(
        label, caption, f"{noun} by season with intervals, one panel a species. {_ends(chosen, context, series)}", svg, behind
    )


def _kept_in_sight(ax: Axes, drawn: Sequence[Result], shifts: Mapping[str, float], context: Context, *, from_zero: bool) -> bool:
    """Frame a panel by its usual intervals where single ones are far wider, with an arrow where one goes on; whether any does."""
    known = [r for r in drawn if r.estimate.estimable and np.isfinite([r.estimate.lower, r.estimate.upper]).all()]
    if len(known) < _ENOUGH:
        return False
    limits = np.array([[r.estimate.value, r.estimate.lower, r.estimate.upper] for r in known])
    value, lower, upper = context.units.quantity(limits, known[0].estimate.units)[0].T
    wide = upper - lower > _FAR_WIDER * np.median(upper - lower)
    low, high = min(value.min(), lower[~wide].min()), max(value.max(), upper[~wide].max())
    pad = 0.1 * (high - low)
    low, high = (0.0 if from_zero else low - pad), high + pad
    above, under = upper > high, (lower < low) & (not from_zero)
    if not (wide & (above | under)).any():
        return False
    ax.set_ylim(low, high)
    for out, edge, marker in ((above, high, "^"), (under, low, "v")):
        years = [(r.season or 0) + shifts[str(r.size_class)] for r, is_out in zip(known, out, strict=True) if is_out]
        if (
            years
        ):  # the marker of an empty line that is not clipped counts as lying in the corner of the figure: all panels shrink
            ax.plot(years, [edge] * len(years), linestyle="none", marker=marker, markersize=5, color=INK, clip_on=False, zorder=5)
    return True


def _breaks(chosen: Sequence[Result], species: str, size_class: str) -> bool:
    """Whether a season without an estimate stands between two with one."""
    line = [r for r in chosen if r.species == species and r.size_class == size_class]
    known = [place for place, r in enumerate(line) if r.estimate.estimable]
    return bool(known) and known[-1] - known[0] + 1 > len(known)


def _ends(chosen: Sequence[Result], context: Context, series: Mapping[str, str]) -> str:
    sentences = []
    for one in context.classes:
        for size_class in series:
            line = [r for r in chosen if r.species == one.species.key and r.size_class == size_class and r.estimate.estimable]
            if line:
                first, last = (format_estimate(r.estimate, context.units).text for r in (line[0], line[-1]))
                name = f"{context.names[one.species.key]}, {series[size_class].casefold()}"
                sentences.append(f"{name}: {first} in {line[0].season}, {last} in {line[-1].season}.")
    return " ".join(sentences)
