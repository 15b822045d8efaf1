"""Tables, figures and sentences of a regional roll-up."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from fishreport.analysis.region import INDICES, Gap, ReportedWater, data_gaps, index, region_species, verdict_counts
from fishreport.exhibits.exhibit import Column, Figure, Table
from fishreport.exhibits.style import SERIES, drawing, style, to_svg
from fishreport.exhibits.tabulate import counted, frame_table, heading
from fishreport.exhibits.units import NO_VALUE, Units, format_estimate

PER_FIGURE = 30  # waters in one drawing


def opening(waters: Sequence[ReportedWater]) -> str:
    """A few plain sentences on the whole region, as Markdown."""
    reported = [water for water in waters if water.season]
    failed = [water for water in waters if water.error]
    counts = [verdict_counts(water) for water in reported]
    total = {kind: sum(count[kind] for count in counts) for kind in ("met", "not met", "not yet known")}
    seasons = sorted({water.season for water in reported})
    span = f"season {seasons[0]}" if len(seasons) == 1 else f"seasons {seasons[0]} to {seasons[-1]}"
    lines = [f"{len(reported)} of {counted(len(waters), 'water')} {'is' if len(reported) == 1 else 'are'} reported here, {span}."]
    objectives = sum(total.values())
    if objectives:
        lines.append(
            f"Of {counted(objectives, 'objective')} in their plans, {total['met']} {'is' if total['met'] == 1 else 'are'} met, "
            f"{total['not met']} not met and {total['not yet known']} not yet known."
        )
    if failed:
        lines.append(f"The report of {counted(len(failed), 'water')} could not be built this time; {{table:gaps}} says why.")
    lines.append(
        "Waters differ in size, access and fieldwork: side by side they show where to look, not which is better managed."
    )
    return " ".join(lines)


def index_table(waters: Sequence[ReportedWater], species: str, name: str, units: Units) -> Table | None:
    """The indices of one species, a water a row; None when no water has any."""
    shown = [water for water in waters if species in water.species]
    columns = [Column("Water", align="left"), Column("Season")]
    names = [one for one in INDICES if any(index(water, species, one) is not None for water in shown)]
    if not names:
        return None
    rows, data, said = [], [], dict[str, None]()
    for one in names:
        found = next(result for water in shown if (result := index(water, species, one)) is not None)
        columns.append(Column(one, units.units(found.estimate.units)))
    for water in shown:
        cells = [water.name, str(water.season)]
        for one in names:
            result = index(water, species, one)
            if result is None:
                cells.append(NO_VALUE)
                continue
            text = format_estimate(result.estimate, units)
            cells.append(text.value if text.interval == NO_VALUE else f"{text.value} ({text.interval})")
            data.append({"water": water.name, "place": water.place, "index": one, **result.record()})
            if result.size_class == "all" and INDICES[one][0][1] != "all":
                said[f"{one} of {water.name} is of all lengths: the study names no published length categories."] = None
        rows.append(cells)
    caption = (
        f"Indices of {name} by water in its reported season, with intervals. Catch rate and relative weight are of fish of stock "
        "length and longer, the share is of those that also reach quality length."
    )
    if "Total mortality" in names:
        caption += " Total mortality is that of the ages that each survey catches fully."
    return frame_table(f"indices-{species.replace('_', '-')}", caption, columns, rows, notes=tuple(said), data=data)


def index_figures(waters: Sequence[ReportedWater], species: str, name: str, units: Units) -> list[Figure]:
    """The indices of one species drawn, a water a line, one panel an index; long regions take several drawings."""
    shown = [water for water in waters if species in water.species]
    names = [one for one in INDICES if any((found := index(water, species, one)) and found.estimate.estimable for water in shown)]
    if not names:
        return []
    parts = [shown[start : start + PER_FIGURE] for start in range(0, len(shown), PER_FIGURE)]
    return [_index_figure(part, species, name, names, units, place, len(parts)) for place, part in enumerate(parts, start=1)]


def _index_figure(
    waters: Sequence[ReportedWater], species: str, name: str, names: Sequence[str], units: Units, part: int, parts: int
) -> Figure:
    label = f"indices-{species.replace('_', '-')}" + (f"-{part}" if parts > 1 else "")
    rows: list[list[str]] = []
    said = []
    with style():
        figure, axes = drawing(1, len(names), height=1.1 + 0.24 * len(waters), sharey=True)
        for place, (ax, one) in enumerate(zip(axes[0], names, strict=True)):
            found = [index(water, species, one) for water in waters]
            limits = [
                (np.nan,) * 3 if result is None else (result.estimate.value, result.estimate.lower, result.estimate.upper)
                for result in found
            ]
            unit = next((result.estimate.units for result in found if result is not None), "")
            drawn, shown_unit = units.quantity(np.array(limits, dtype=float), unit)
            lines = np.arange(len(waters))
            bounded = np.isfinite(drawn).all(axis=1)
            ax.hlines(lines[bounded], drawn[bounded, 1], drawn[bounded, 2], color=SERIES[place], linewidth=1.1)
            ax.plot(
                drawn[:, 0],
                lines,
                linestyle="none",
                marker="o",
                color=SERIES[place],
                markeredgecolor="white",
                markeredgewidth=0.6,
            )
            ax.set_xlabel(f"{one} ({'%' if shown_unit == 'percent' else shown_unit})" if shown_unit else one)
            ax.set_yticks(lines, [water.name for water in waters])
            ax.grid(axis="x")
            ax.set_ylim(len(waters) - 0.4, -0.6)
            values = drawn[np.isfinite(drawn[:, 0]), 0]
            if len(values):
                said.append(_range(one, [w.name for w in waters], drawn[:, 0]))
            for water, result in zip(waters, found, strict=True):
                if result is not None:
                    text = format_estimate(result.estimate, units)
                    rows.append([water.name, one, text.value, text.interval, text.unit])
        svg = to_svg(figure)
    columns = [
        Column("Water", align="left"),
        Column("Index", align="left"),
        Column("Value"),
        Column("Interval"),
        Column("Units", align="left"),
    ]
    behind = frame_table(f"{label}-numbers", f"Indices of {name} by water, as drawn.", columns, rows)
    more = f", part {part} of {parts}" if parts > 1 else ""
    caption = f"Indices of {name} by water in its reported season, points with their intervals{more}."
    return Figure(label, caption, f"Points with intervals, one line a water, one panel an index. {' '.join(said)}", svg, behind)


def _range(what: str, names: Sequence[str], values: np.ndarray) -> str:
    low, high = int(np.nanargmin(values)), int(np.nanargmax(values))
    if low == high:
        return f"{what}: {values[low]:.3g} at {names[low]}."
    return f"{what}: from {values[low]:.3g} at {names[low]} to {values[high]:.3g} at {names[high]}."


def objective_table(waters: Sequence[ReportedWater]) -> Table | None:
    """Number of objectives met, not met and not yet known, a water a row; None when no water has any."""
    rows = []
    for water in waters:
        if water.objectives:
            counts = verdict_counts(water)
            rows.append([water.name, str(len(water.objectives)), *(str(counts[kind]) for kind in counts)])
    if not rows:
        return None
    columns = [Column("Water", align="left"), Column("Objectives"), Column("Met"), Column("Not met"), Column("Not yet known")]
    return frame_table("objectives-met", "Objectives of the waters' plans by verdict.", columns, rows)


def verdict_table(waters: Sequence[ReportedWater]) -> Table | None:
    """Every objective of every water with its verdict; None when there is none."""
    rows = [
        [water.name, stand.objective, stand.target, stand.value, stand.verdict] for water in waters for stand in water.objectives
    ]
    if not rows:
        return None
    columns = [Column(head, align="left") for head in ("Water", "Objective", "Target")]
    columns += [Column("Estimate"), Column("Verdict", align="left")]
    return frame_table("objectives", "Objectives of every water and how its season stands to them.", columns, rows)


def gap_table(waters: Sequence[ReportedWater]) -> Table:
    """What the waters' data leave open, or a line that nothing is open."""
    gaps: Sequence[Gap] = data_gaps(waters)
    rows = [[gap.water, heading(gap.what), gap.why] for gap in gaps] or [["All waters", "Nothing is left open", NO_VALUE]]
    columns = [Column(head, align="left") for head in ("Water", "What is missing", "Why")]
    caption = "What the waters' data leave open: reports, seasons, tables, and estimates that could not be made."
    return frame_table("gaps", caption, columns, rows)


def region_indices(waters: Sequence[ReportedWater], units: Units) -> list[tuple[str, list[Table | Figure]]]:
    """Name of each species with its table and figures, those of most waters first."""
    found: list[tuple[str, list[Table | Figure]]] = []
    for key, name in region_species(waters).items():
        table = index_table(waters, key, name, units)
        if table is not None:
            found.append((name, [table, *index_figures(waters, key, name, units)]))
    return found
