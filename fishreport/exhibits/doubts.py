"""The table of estimates that rows in doubt move."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from fishreport.analysis.doubts import Moved
from fishreport.exhibits.context import Context
from fishreport.exhibits.exhibit import Column, Table
from fishreport.exhibits.tabulate import counted, frame_table, heading, joined
from fishreport.exhibits.units import NO_VALUE, format_estimate
from fishreport.exhibits.wording import percent_level
from fishreport.methods.estimate import Estimate

_NAMED = 3
_SHOWN = (
    "proportional_size", "mean_length", "relative_weight", "condition_factor", "length_weight_slope", "length_weight_intercept",
)  # fmt: skip


def _lines(lines: tuple[int, ...]) -> str:
    if not lines:
        return NO_VALUE
    return joined([str(line) for line in lines]) if len(lines) <= _NAMED else f"{counted(len(lines), 'row')} from {lines[0]} on"


def _moves_too(one: Moved, moved: Sequence[Moved]) -> bool:
    """Whether the same is told of fish of stock length, on a row of its own."""
    return replace(one.result, size_class="stock").id in {other.result.id for other in moved}


def _stock(one: Moved, shown: Callable[[Estimate], str], context: Context) -> str:
    """What becomes of fish of stock length where those of all lengths are moved."""
    assert one.stock is not None
    subject = context.writer.subject(replace(one.result, size_class="stock"))
    given, without = (shown(estimate) for estimate in one.stock)
    values = f"{given} with those rows and without" if given == without else f"{given} with those rows, {without} without"
    return f"{heading(subject)} is not moved so far in {one.result.season}: {values}."


def doubts_table(label: str, moved: Sequence[Moved], context: Context) -> Table | None:
    """Each estimate with and without the rows in doubt; None where they move none.

    `label` names the table in the report, such as ``condition-doubts``.
    """
    moved = [one for one in moved if one.result.quantity in _SHOWN]
    if not moved:
        return None

    def shown(estimate: Estimate) -> str:
        text = format_estimate(estimate, context.units)
        unit = "%" if text.unit == "percent" else "" if text.unit.startswith("log10") else f" {text.unit}".rstrip()
        return text.value if text.interval == NO_VALUE else f"{text.value}{unit} ({text.interval})"

    rows, data = [], []
    for one in moved:
        what = heading(context.writer.subject(one.result).removeprefix("the "))
        what += ", all lengths" if one.stock else ""
        rows.append([what, str(one.result.season), shown(one.result.estimate), shown(one.without), _lines(one.lines)])
        data.append({**one.result.record(), "without_doubts": one.without.value, "without_doubts_lower": one.without.lower,
                     "without_doubts_upper": one.without.upper, "lines": list(one.lines)})  # fmt: skip
    columns = [Column("Estimate", align="left"), Column("Season", align="left"), Column("With"), Column("Without")]
    columns.append(Column("Lines", align="left"))
    caption = (
        "Estimates that rows in doubt move: as reported, with those rows, and without them, with "
        f"{percent_level(moved[0].result.estimate.level)} intervals. Lines are those of the fish table: look at their sheets. "
        "A row that is wrong is mended, or set aside in the study file with its reason."
    )
    notes = [_stock(one, shown, context) for one in moved if one.stock and not _moves_too(one, moved)]
    return frame_table(label, caption, columns, rows, notes=notes, data=data)
