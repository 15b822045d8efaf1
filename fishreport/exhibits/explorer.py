"""The explorer of the scenario chapter: outcomes over minimum length and effort, for a reader to move through."""

from __future__ import annotations

import numpy as np

from fishreport.analysis.scenario_grid import Grid
from fishreport.analysis.scenarios import Comparison, relative_units
from fishreport.exhibits.context import Context
from fishreport.exhibits.exhibit import Column, Control, Explorer, Table
from fishreport.exhibits.scenario_words import measure_heading, when
from fishreport.exhibits.scenarios import CAUTION, gap_text, kept_against_rule, measure_unit
from fishreport.exhibits.tabulate import heading
from fishreport.exhibits.units import NO_VALUE, format_estimate, format_number
from fishreport.exhibits.wording import percent_level
from fishreport.methods.estimate import Estimate

ON_PAPER_LENGTHS = 8
ON_PAPER = ("scenario_harvest", "scenario_catch_rate", "scenario_stock_density", "scenario_trophy")
_EFFORTS = {
    0.25: "a quarter of today's",
    0.5: "half of today's",
    1.0: "as today",
    1.5: "half as much again",
    2.0: "twice today's",
}


def step_mm(context: Context) -> float:
    """Step of the minimum length: 25 mm, or an inch."""
    return 25.4 if context.units.system == "us" else 25.0


def _limits(values: np.ndarray, level: float) -> np.ndarray:
    """Lower limit, median and upper limit over the draws (last axis), without those that have no value."""
    wanted = [(1 - level) / 2, 0.5, (1 + level) / 2]
    if np.isfinite(values).all():  # the same numbers in a fraction of the time
        return np.quantile(values, wanted, axis=-1)
    return np.nanquantile(values, wanted, axis=-1)


def _estimates(values: np.ndarray, level: float, units: list[str]) -> dict[tuple[int, ...], Estimate]:
    """Median and interval over the draws (last axis), by place among lengths × efforts × measures."""
    known = np.isfinite(values)
    count = known.sum(axis=-1)
    enough = np.where((count >= 2)[..., None], values, 0.0)
    low, middle, high = _limits(enough, level)
    spread = np.nanstd(enough, axis=-1, ddof=1)
    found: dict[tuple[int, ...], Estimate] = {}
    for place in np.ndindex(*count.shape):
        unit, n = units[place[-1]], int(count[place])
        if n < 2:
            found[place] = Estimate.not_estimable(f"{n} draws with a value, 2 needed", units=unit, level=level)
            continue
        value, se, lower, upper = (float(of[place]) for of in (middle, spread, low, high))
        found[place] = Estimate(value, se, lower, upper, level, unit, "", n)
    return found


def _text(estimate: Estimate, context: Context) -> tuple[str, str]:
    if estimate.estimable and estimate.lower == estimate.upper == estimate.value == 0:
        return "0", NO_VALUE
    shown = format_estimate(estimate, context.units)
    return shown.value, shown.interval


def _length_text(mm: float, context: Context) -> str:
    if mm == 0:
        return "no minimum length"
    if context.units.system != "us":
        return context.units.length(mm)
    inches = round(mm / 25.4, 1)
    return f"{format_number(inches, decimals=0 if inches == round(inches) else 1)} in"


def _without_repeats(rows: list[tuple[str, ...]]) -> tuple[list[tuple[str, ...]], bool]:
    """Rows that differ from the one before in what they show, and whether any were left out."""
    kept = [row for place, row in enumerate(rows) if place == 0 or row[1:] != rows[place - 1][1:]]
    return kept, len(kept) < len(rows)


def explorer(one: Comparison, grid: Grid | None, context: Context) -> Explorer | None:
    """Outcomes over the grid for the page, with a reduced table for paper; None without a grid."""
    if grid is None:
        return None
    level = one.outcomes[grid.measures[0].quantity, grid.year][0].value.level
    units = [one.outcomes[measure.quantity, grid.year][0].value.units for measure in grid.measures]
    units = [relative_units(unit) if one.inputs.relative else unit for unit in units]
    heads = [measure_heading(measure, context, one) for measure in grid.measures]
    outcomes = tuple(f"{head}, {measure_unit(one, measure, context)}" for head, measure in zip(heads, grid.measures, strict=True))
    shape = (len(grid.minimum_mm), len(grid.effort), len(grid.measures))
    values = np.moveaxis(grid.values, 0, 2)
    filled = np.where(np.isfinite(values).any(axis=-1, keepdims=True), values, 0.0)  # without a value there is no bar, see below
    low, middle, high = _limits(filled, level)
    top = high.max(axis=(0, 1))
    estimates = _estimates(values, level, units)
    gaps = _estimates(values - grid.today, level, units)
    now = _estimates(grid.today[None, None], level, units)
    todays = [now[0, 0, k] for k in range(shape[2])]
    cells, bars, data = [], [], []
    for i, j, k in np.ndindex(*shape):
        estimate, gap = estimates[i, j, k], gaps[i, j, k]
        value, interval = _text(estimate, context)
        against, between = gap_text(gap, todays[k], context)
        unsure = gap.estimable and gap.lower <= 0 <= gap.upper and between != NO_VALUE
        cells.append((value, interval, f"{against} ({between}){' ?' if unsure else ''}" if between != NO_VALUE else against))
        scale = 100 / top[k] if top[k] > 0 else 0.0
        known = estimate.estimable and scale > 0
        bars.append(tuple(round(float(x[i, j, k]) * scale, 1) for x in (low, middle, high)) if known else None)
        data.append({"minimum_length_mm": grid.minimum_mm[i], "effort": grid.effort[j], "quantity": grid.measures[k].result,
                     "size_class": grid.measures[k].size_class, "year": grid.year, "value": estimate.value,
                     "lower": estimate.lower, "upper": estimate.upper, "difference": gap.value, "difference_lower": gap.lower,
                     "difference_upper": gap.upper, "units": units[k]})  # fmt: skip
    usual = grid.effort.index(1.0)
    name, year = context.names[one.inputs.key], when(one, grid.year)
    chosen = [k for k, measure in enumerate(grid.measures) if measure.result in ON_PAPER]
    columns = [Column("Minimum length", align="left")]
    columns += [Column(heads[k], measure_unit(one, grid.measures[k], context)) for k in chosen]
    rows = []
    every = -(-shape[0] // ON_PAPER_LENGTHS)
    for i in sorted({*range(0, shape[0], every), grid.start}):
        places = [(i * shape[1] + usual) * shape[2] + k for k in chosen]
        texts = [f"{cells[p][0]} ({cells[p][1]})" if cells[p][1] != NO_VALUE else cells[p][0] for p in places]
        rows.append((_length_text(grid.minimum_mm[i], context), *texts))
    rows, same = _without_repeats(rows)
    what = grid.rule.sentence(units=context.units.system, fish=one.inputs.classes.species.name)
    what = what.replace(f"{heading(one.inputs.classes.species.name)} of any length may be kept. ", "")
    draws = one.inputs.life.draws if one.inputs.life is not None else 0
    few = f" over {grid.values.shape[-1]} of {draws} draws, which give about what all give under today's rule"
    notes = (
        f"Only the minimum length differs{f'; the rest of the rule stays: “{what}”' if what else '.'}",
        *(("Lengths that give the same as the line above are left out.",) if same else ()),
        f"{percent_level(level)} intervals{few}. {kept_against_rule(one)} {CAUTION}",
    )
    caption = (
        f"{name}: outcomes in {year} by minimum length, with as much angling as today. Other amounts of angling are in the page "
        "of this report and in the table's file."
    )
    label = f"explorer-{one.inputs.key.replace('_', '-')}"
    table = Table(label, caption, tuple(columns), tuple(rows), notes, tuple(data))
    today = one.inputs.rules[0]
    alike = today.kept_ranges() == ((today.minimum_length_mm or 0.0, np.inf),)
    plain = "" if alike else f" Today's rule is another kind of limit, and no place of the slider: {today.name}."
    efforts = tuple(
        f"{_EFFORTS.get(more, f'{more:g} times today’s')} (fishing mortality about {grid.fishing_today * more:.2f} a year)"
        for more in grid.effort
    )
    return Explorer(
        table=table,
        introduction=(
            f"{name}: move the minimum length or the amount of angling, and read what was computed for {year} with its interval. "
            f"Beside it stands the difference from today's rule; a question mark says that its interval spans zero.{plain}"
        ),
        controls=(
            Control("Minimum length", tuple(_length_text(mm, context) for mm in grid.minimum_mm), grid.start),
            Control("Angling", efforts, usual),
        ),
        outcomes=outcomes,
        cells=tuple(cells),
        bars=tuple(bars),  # type: ignore[arg-type]
        headings=(f"Median in {year}", f"{percent_level(level)} interval", "Against today's rule"),
    )
