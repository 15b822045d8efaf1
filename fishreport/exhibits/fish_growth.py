"""Growth seen in single fish: tagged fish caught again, rings of hard parts, marked stocked fish, and modes of length."""

from __future__ import annotations

import numpy as np

from fishreport.analysis.growth import Growth
from fishreport.exhibits.context import Context
from fishreport.exhibits.exhibit import Column, Figure, Table
from fishreport.exhibits.growth import age_grid, bare_length, by_species, level_of, with_interval
from fishreport.exhibits.notes import shown_note
from fishreport.exhibits.style import GREY, INK, drawing, letter, looks, style, to_svg
from fishreport.exhibits.tabulate import counted, frame_table
from fishreport.exhibits.units import format_estimate

TAGS_ASSUME = (
    "Growth from tagged fish assumes that tagging does not slow them. Taken as all alike, fish that differ in their final length "
    "make K too low and the asymptotic length too high; the second fit allows for that."
)
RINGS_ASSUME = (
    "Lengths at earlier ages assume that the hard part grows in a straight line with the fish from the intercept on. Fish that "
    "lived to be old may have grown otherwise when young than those that did not."
)
STOCKED_ASSUME = (
    "Ages of marked fish are known. Mean length rises faster than fish grow where the small ones die sooner. A mark that was "
    "used twice stands for the later stocking from that day on."
)


def recapture_table(grown: Growth, context: Context) -> Table | None:
    """Growth of tagged fish that were caught again."""
    rows, notes = [], [TAGS_ASSUME]
    for name, one in by_species(grown, context):
        if not len(one.tagged):
            continue
        for label, fit in (("all fish alike", one.recaptures), ("fish differ", one.recaptures_varied)):
            final, speed = (format_estimate(e, context.units) for e in (fit.asymptotic_length, fit.growth_coefficient))
            rows.append([name, label, with_interval(final), with_interval(speed), str(fit.n)])
            if fit is one.recaptures:
                notes += [
                    f"{name}: {shown_note(note, context.units)}."
                    for note in fit.notes
                    if "shorter" in note or "not estimable" in note
                ]
    if not rows:
        return None
    columns = [Column("Species", align="left"), Column("Fit", align="left")]
    columns += [Column("Asymptotic length", context.units.length_unit), Column("K", "per year"), Column("Tagged fish")]
    caption = (
        "Growth of tagged fish from their first catch to their last, 0.3 years later or more: von Bertalanffy increments, with "
        f"{level_of(grown)} intervals. No age is needed."
    )
    return frame_table("recapture-growth", caption, columns, rows, notes=tuple(dict.fromkeys(notes)))


def recapture_figure(grown: Growth, context: Context) -> Figure | None:
    """Yearly growth of tagged fish against their length when first caught."""
    shown = [(name, one) for name, one in by_species(grown, context) if len(one.tagged) >= 3]
    if not shown:
        return None
    units, rows, said = context.units, [], []
    fish_look = looks(["fish"])["fish"]
    with style():
        figure, axes = drawing(1, len(shown), height=2.7, sharey=True)
        for ax, (name, one) in zip(axes[0], shown, strict=True):
            start = one.tagged["length_at_mark"].to_numpy(float)
            gain = (one.tagged["length_at_recapture"].to_numpy(float) - start) / one.tagged["years"].to_numpy(float)
            ax.plot(
                units.length_value(start), units.length_value(gain), linestyle="none", marker=fish_look.marker, markersize=3.5,
                color=fish_look.colour, alpha=0.7, markeredgewidth=0,
            )  # fmt: skip
            ax.axhline(0, color=GREY, linewidth=0.9)
            at = np.linspace(start.min(), start.max(), 40)
            if one.recaptures.estimable:
                table = one.recaptures.predict(at, 1.0)
                low, mid, high = (units.length_value(table[c].to_numpy(float) - at) for c in ("lower", "length_mm", "upper"))
                ax.fill_between(units.length_value(at), low, high, color=GREY, alpha=0.3, linewidth=0)
                ax.plot(units.length_value(at), mid, color=INK)
                rows += [
                    [name, units.length(float(at[i])), units.length(float(table["length_mm"].iloc[i] - at[i]))]
                    for i in (0, 20, 39)
                ]
            ax.set_xlabel(f"Length when tagged ({units.length_unit})")
            shrunk = int((gain < 0).sum())
            said.append(f"{name}: {counted(len(gain), 'fish')}, {shrunk} of them shorter when caught again.")
        axes[0][0].set_ylabel(f"Growth ({units.length_unit} per year)")
        letter(axes, [name for name, _ in shown])
        svg = to_svg(figure)
    columns = [Column("Species", align="left"), Column("Length when tagged"), Column("Growth in a year")]
    behind = frame_table("increments-numbers", "Growth in a year on the fitted line, at three lengths.", columns, rows)
    caption = (
        "Growth of tagged fish per year at liberty against their length when tagged (dots), and the growth in one year "
        "that the fit expects (line with band). Fish that seem to have shrunk are kept: measuring errs both ways."
    )
    return Figure("increments", caption, "Scatter of yearly growth on length. " + " ".join(said), svg, behind)


def rings_table(grown: Growth, context: Context) -> Table | None:
    """Back-calculated length at each ring, one column a species."""
    cells, notes, data = {}, [RINGS_ASSUME], []
    shown = [(name, one.rings) for name, one in by_species(grown, context) if one.rings is not None]
    for name, rings in shown:
        line = rings.regression
        intercept = format_estimate(line.intercept, context.units).text
        notes.append(f"{name}: {rings.n} fish with rings; intercept {intercept}, r² {line.r_squared:.2f}.")
        for row in rings.table[rings.table["n"] >= 5].to_dict("records"):
            mean, low, high = (bare_length(row[column], context) for column in ("length_mm", "lower", "upper"))
            cells[int(row["age"]), name] = f"{mean} ({low} to {high})"
        data += [{"species": name, **row} for row in rings.table.to_dict("records")]
    if not cells:
        return None
    columns, rows = age_grid(cells, "Ring", [name for name, _ in shown], context.units.length_unit)
    caption = (
        "Mean length when each ring was laid down, with intervals, back-calculated by the Fraser-Lee form from the aged fish as "
        "they were picked; rings of 5 fish or more. Where rings form before the survey's season, these lengths are shorter than "
        "those at capture."
    )
    return frame_table("back-calculated", caption, columns, rows, notes=tuple(notes), data=data)


def stocked_table(grown: Growth, context: Context) -> Table | None:
    """Growth of marked stocked fish, one row a stocking."""
    rows, unit = [], context.units.length_unit
    for name, one in by_species(grown, context):
        for cohort in one.stocked:
            table = cohort.growth.mean_length.head(2)
            means = [
                f"{context.units.length(r['length_mm'])} at {r['years']:.1f} ({int(r['n'])})" for r in table.to_dict("records")
            ]
            rate = format_estimate(cohort.growth.growth_rate, context.units)
            label, measured = f"{cohort.date:%Y-%m-%d}, {cohort.mark}", str(cohort.growth.n)
            rows.append([name, label, f"{cohort.number:,}", measured, "; ".join(means), with_interval(rate)])
    if not rows:
        return None
    columns = [Column("Species", align="left"), Column("Stocked, mark", align="left"), Column("Put in"), Column("Measured since")]
    columns += [Column("Mean length at years since stocking (fish)", align="left"), Column("Growth", f"{unit}/year")]
    caption = (
        "Growth of marked stocked fish, with intervals. Growth is the slope of a straight line over all years at "
        "liberty; as growth slows with age, a stocking that has been out for longer shows a smaller one."
    )
    return frame_table("stocked-growth", caption, columns, rows, notes=(STOCKED_ASSUME,))


def modes_table(grown: Growth, context: Context) -> Table | None:
    """Modes of this season's lengths, for species without a growth curve."""
    rows = []
    for name, one in by_species(grown, context):
        if one.modes is None:
            continue
        for row in one.modes.modes.to_dict("records"):
            interval = f"{context.units.length(row['lower'])} to {context.units.length(row['upper'])}"
            mean = context.units.length(row["mean_mm"])
            rows.append([name, str(int(row["mode"])), mean, interval, f"{100 * row['weight']:.0f}"])
    if not rows:
        return None
    columns = [Column("Species", align="left"), Column("Mode"), Column("Mean length"), Column("Interval"), Column("Fish", "%")]
    caption = (
        f"Modes of the lengths of {context.season}, for species whose ages give no curve. The first modes are likely "
        "the youngest ages; later ones run together. Read them as a guess until fish are aged."
    )
    return frame_table("length-modes", caption, columns, rows)
