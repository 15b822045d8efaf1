"""Tables, figures and sentences of the size-structure chapter."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.patheffects import withStroke

from fishreport.analysis.result import Results
from fishreport.exhibits.context import Context
from fishreport.exhibits.exhibit import Column, Figure, Finding, Findings, Table
from fishreport.exhibits.history import history_figure
from fishreport.exhibits.notes import FIRST_PASS
from fishreport.exhibits.style import GREY, INK, drawing, looks, style, to_svg
from fishreport.exhibits.tabulate import estimates_table, frame_table, grid_table, heading
from fishreport.exhibits.wording import collect
from fishreport.methods.length_distribution import LengthComparison

DRAWN = ("quality", "preferred", "memorable")
_HALO = [withStroke(linewidth=3.2, foreground="white")]  # an outline in front of bars is told from them in grey too


def size_table(results: Results, context: Context) -> Table:
    """Proportional size of this season by species and category."""
    chosen = results.where(quantity="proportional_size", season=context.season)
    keys = [("Species", lambda r: context.names[str(r.species)]), ("Category reached", context.class_label)]
    caption = (
        f"Share of the fish of stock length that reached each published length category in {context.season}. "
        "Limits take the run, not the fish, as the sampling unit."
    )
    return estimates_table("size-indices", caption, chosen, context.units, keys=keys, value_heading="Share", n_heading="Runs")


def shares_table(results: Results, context: Context) -> Table:
    """Shares of this season's stock fish by category, with simultaneous limits."""
    keys = [("Species", lambda r: context.names[str(r.species)]), ("Category", lambda r: heading(str(r.size_class)))]
    caption = f"Stock fish of {context.season} by category; the limits hold for all categories of a species together."
    return estimates_table("class-shares", caption, results, context.units, keys=keys, value_heading="Share", n_heading="Runs")


def mean_length_table(results: Results, context: Context) -> Table:
    """Mean length of stock fish by species and season."""
    caption = (
        "Mean length of fish of stock length and longer, by season, with intervals; runs are the sampling units. " + FIRST_PASS
    )
    return grid_table(
        "mean-length", caption, list(results.where(quantity="mean_length")), context.units, row_heading="Season",
        row=lambda r: str(r.season), column=lambda r: context.names[str(r.species)],
    )  # fmt: skip


def size_history_figure(results: Results, context: Context) -> Figure | None:
    """Proportional size by season."""
    chosen = list(results.where(quantity="proportional_size"))
    caption = "Share of stock fish that reached each category, by season, with intervals. " + FIRST_PASS
    series = {name: f"{heading(name)} length" for name in DRAWN}
    return history_figure("size-history", caption, chosen, context, noun="Share of stock fish", series=series)


def frequency_figure(tables: Mapping[str, pd.DataFrame], context: Context) -> Figure | None:
    """Length-frequency by species: bars for this season, an outline for the one before.

    `tables`: species key → the table of `analysis.sizes.frequencies`.
    """
    shown = [one for one in context.classes if (tables[one.species.key]["season"] == context.season).any()]
    if not shown:
        return None
    units, rows, sentences = context.units, [], []
    now_look, then_look = looks(["now", "then"]).values()
    labels: dict[str, Any] = {}
    with style():
        figure, axes = drawing(len(shown), 1, height=1.75 * len(shown) + 0.5, sharex=True)
        for ax, one in zip(axes[:, 0], shown, strict=True):
            table = tables[one.species.key]
            for season in sorted(table["season"].unique(), reverse=True):
                part = table[table["season"] == season]
                left = units.length_value(part["lower_mm"].to_numpy())
                right = units.length_value(part["upper_mm"].to_numpy())
                percent = 100 * part["share"].to_numpy()
                if season == context.season:
                    ax.bar(
                        left, percent, width=(right - left) * 0.92, align="edge", color=now_look.colour, label=f"{season}, bars"
                    )
                else:
                    ax.stairs(
                        percent,
                        np.append(left, right[-1]),
                        color=then_look.colour,
                        linewidth=1.5,
                        label=f"{season}, outline",
                        path_effects=_HALO,
                    )
            for name in one.categories:
                at = units.length_value(one.bounds_mm[name][0])
                ax.axvline(at, color=GREY, linewidth=0.8, linestyle=(0, (2, 2)))
                place = {"xycoords": ("data", "axes fraction"), "ha": "center", "va": "bottom"}
                ax.annotate(name[0].upper(), (at, 1.0), fontsize=7, color=INK, **place)
            ax.set_ylabel("Fish (%)")
            labels |= {text: handle for handle, text in zip(*ax.get_legend_handles_labels(), strict=True)}
            own = table[table["season"] == context.season]
            mode = own.iloc[int(own["count"].to_numpy().argmax())]
            bounds = f"{units.length(mode['lower_mm'])} to {units.length(mode['upper_mm'])}"
            sentences.append(
                f"{context.names[one.species.key]}: {int(own['count'].sum())} fish measured, the commonest class {bounds} "
                f"({100 * mode['share']:.0f}%)."
            )
            rows += [
                [context.names[one.species.key], str(row["season"]), units.length(row["lower_mm"]), f"{row['count']:,}",
                 f"{100 * row['share']:.1f}", f"{100 * row['lower']:.1f} to {100 * row['upper']:.1f}"]
                for row in table.to_dict("records") if row["season"] == context.season
            ]  # fmt: skip
        axes[-1, 0].set_xlabel(units.length_label)
        figure.legend(labels.values(), labels.keys(), loc="outside lower center", ncols=2)
        for i, (ax, one) in enumerate(zip(axes[:, 0], shown, strict=True)):
            ax.set_title(f"{chr(97 + i)}  {context.names[one.species.key]}", pad=12)
        svg = to_svg(figure)
    columns = [Column("Species", align="left"), Column("Season", align="left"), Column("From"), Column("Fish")]
    columns += [Column("Share", "%"), Column("Interval")]
    data = [record for one in shown for record in tables[one.species.key].assign(species=one.species.key).to_dict("records")]
    behind = frame_table("length-frequency-numbers", "Length-frequency of the reported season.", columns, rows, data=data)
    earlier = any((tables[one.species.key]["season"] != context.season).any() for one in shown)
    outline = " (bars) and in the season before (outline)" if earlier else ""
    caption = (
        f"Length-frequency in {context.season}{outline}. Dashed lines mark the published length "
        "categories by their first letter: stock, quality, preferred, memorable, trophy. Boats catch small fish less well, so "
        f"that the left of each panel under-states them. {FIRST_PASS}"
    )
    return Figure("length-frequency", caption, "Bars of length-frequency by species. " + " ".join(sentences), svg, behind)


Compared = Mapping[str, tuple[int, LengthComparison] | None]


def comparison_sentences(found: Compared, results: Results, context: Context) -> list[Finding]:
    """Whether the length distribution changed since the season before, by a test that permutes whole runs."""
    said = []
    for key, item in found.items():
        if item is None:
            continue
        before, test = item
        ids = tuple(r.id for r in results.where(quantity="mean_length", species=key, season=[before, context.season]))
        name = context.names[key].casefold()
        if not np.isfinite(test.distance):
            text = f"Whether the lengths of {name} changed from {before} to {context.season} cannot be told: too few runs."
            said.append(Finding(text, ids, "unclear"))
        elif test.p_value < 0.05:
            gap = f"{100 * test.distance:.0f} percentage points at {context.units.length(test.at_mm)}"
            text = (
                f"The lengths of {name} differ between {before} and {context.season} (largest gap between the cumulative "
                f"distributions {gap}; p = {test.p_value:.3f})."
            )
            said.append(Finding(text, ids))
        else:
            text = (
                f"The runs show no clear difference in the lengths of {name} between {before} and {context.season} "
                f"(p = {test.p_value:.2f}); that is not evidence that there is none."
            )
            said.append(Finding(text, ids, "unclear"))
    return said


def findings(results: Results, compared: Compared, context: Context) -> Findings:
    """Size structure of this season, and its change since the season before."""
    said: list[Finding] = []
    shares = results.where(quantity="proportional_size", size_class="quality")
    pairs = [context.latest(shares.where(species=one.species.key)) for one in context.classes]
    changes = context.changes(pairs)
    for _, now in pairs:
        if now is not None:
            said += [context.writer.level(now, key=True), *changes.get(now.id, ())]
    return collect([*said, *comparison_sentences(compared, results, context)])
