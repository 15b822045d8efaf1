"""How two readers of ages agree: a table and the bias of one against the other."""

from __future__ import annotations

import math

import numpy as np
from matplotlib.ticker import MaxNLocator

from fishreport.analysis.growth import Growth
from fishreport.exhibits.context import Context
from fishreport.exhibits.exhibit import Column, Figure, Table
from fishreport.exhibits.growth import by_species
from fishreport.exhibits.style import GREY, drawing, letter, looks, style, to_svg
from fishreport.exhibits.tabulate import frame_table, joined
from fishreport.exhibits.units import NO_VALUE, format_number


def ages_table(grown: Growth, context: Context) -> Table | None:
    """How two readers agree, by species."""
    rows, notes, data = [], dict[str, None](), []
    for name, one in by_species(grown, context):
        if one.readers is None:
            continue
        a = one.readers.agreement
        cells = [f"{e.value:.0f} ({e.lower:.0f} to {e.upper:.0f})" for e in (a.percent_agreement, a.percent_within_one)]
        spread = [format_number(e.value, digits=2) for e in (a.average_percent_error, a.coefficient_of_variation)]
        pooled = next((t for t in a.symmetry if t.form == "pooled"), None)
        p = NO_VALUE if pooled is None else f"{pooled.p_value:.2f}"
        rows.append([name, f"{a.n}", *cells, *spread, p])
        notes |= dict.fromkeys(f"{name}: {note}." for note in a.notes)
        data.append({"species": one.key, "n": a.n, "agreement": a.percent_agreement.value,
                     "within_one": a.percent_within_one.value, "ape": a.average_percent_error.value,
                     "cv": a.coefficient_of_variation.value,
                     **{f"p_{t.form.replace(' ', '_')}": t.p_value for t in a.symmetry}})  # fmt: skip
    if not rows:
        return None
    columns = [Column("Species", align="left"), Column("Read twice"), Column("Same age", "%"), Column("Within a year", "%")]
    columns += [Column("Average error", "%"), Column("CV", "%"), Column("p of symmetry")]
    caption = (
        "Agreement of two readers over the same fish. Average error is the mean percent error; a low p of symmetry "
        "means that one reader reads older than the other. Agreement is not accuracy: both may be wrong alike."
    )
    return frame_table("readers", caption, columns, rows, notes=tuple(notes), data=data)


def _highest(upper: float, top: float) -> float:
    """Top of the axis: above all intervals, but no more than twice the greatest age, lest a wild one squeeze the rest."""
    return min(max(top, upper + 0.5), 2 * top) if math.isfinite(upper) else top


def bias_figure(grown: Growth, context: Context) -> Figure | None:
    """Mean age of the second reader at each age of the first."""
    shown = [(name, one.readers) for name, one in by_species(grown, context) if one.readers is not None]
    if not shown:
        return None
    look, rows, said, cut = looks(["mean"])["mean"], [], [], False
    with style():
        figure, axes = drawing(1, len(shown), height=2.6)
        for ax, (name, both) in zip(axes[0], shown, strict=True):
            table = both.agreement.bias
            top = float(max(table["age"].max(), table["mean"].max())) + 1
            high = _highest(table["upper"].max(), top)
            ax.plot([0, top], [0, top], color=GREY, linewidth=0.9, linestyle=(0, (4, 2)))
            bounded = table[np.isfinite(table["lower"])]
            ends = bounded["upper"].clip(upper=high)
            ax.vlines(bounded["age"], bounded["lower"].clip(lower=0), ends, color=look.colour, linewidth=1.1)
            beyond = bounded[bounded["upper"] > high]
            if not beyond.empty:
                ax.plot(beyond["age"], np.full(len(beyond), high), linestyle="none", marker="^", color=look.colour, clip_on=False)
                cut = True
            ax.plot(table["age"], table["mean"], linestyle="none", color=look.colour, marker=look.marker, markeredgecolor="white")
            ax.set_xlim(-0.5, top)
            ax.set_ylim(-0.5, high)
            ax.set_xlabel("Age by the first reader")
            for axis in (ax.xaxis, ax.yaxis):
                axis.set_major_locator(MaxNLocator(6, integer=True))
            off = table[table["p_value"] < 0.05]["age"].tolist()
            ages = joined([str(a) for a in off])
            differs = f"the second reader differs at age {ages}" if off else "no age at which the second reader plainly differs"
            said.append(f"{name}: {both.agreement.n} fish; {differs}.")
            for r in table.to_dict("records"):
                limits = f"{r['lower']:.1f} to {r['upper']:.1f}" if math.isfinite(r["lower"]) else NO_VALUE
                rows.append([name, str(r["age"]), str(r["n"]), f"{r['mean']:.2f}", limits])
        axes[0][0].set_ylabel("Mean age by the second reader")
        letter(axes, [name for name, _ in shown])
        svg = to_svg(figure)
    columns = [
        Column("Species", align="left"),
        Column("First reader"),
        Column("Fish"),
        Column("Second reader"),
        Column("Interval"),
    ]
    behind = frame_table("reader-bias-numbers", "Mean age by the second reader at each age of the first.", columns, rows)
    caption = (
        "Mean age by the second reader at each age of the first, with intervals where there are two fish or more that "
        "differ; they end at 0, since no age lies below it. Points on the dashed line agree on average."
    )
    if cut:
        caption += " An arrow head marks an interval that reaches beyond the drawing; the numbers below give its end."
    return Figure("reader-bias", caption, "Points of mean age by two readers. " + " ".join(said), svg, behind)
