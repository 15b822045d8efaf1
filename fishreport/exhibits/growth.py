"""Tables, figures and sentences of the growth chapter."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from matplotlib.ticker import MaxNLocator

from fishreport.analysis.growth import MIXED, Growth, SpeciesGrowth
from fishreport.exhibits.context import Context
from fishreport.exhibits.exhibit import Column, Figure, Finding, Findings, Table
from fishreport.exhibits.style import GREY, INK, drawing, letter, looks, style, to_svg
from fishreport.exhibits.tabulate import counted, frame_table, joined
from fishreport.exhibits.units import NO_VALUE, FormattedEstimate, format_estimate, format_number
from fishreport.exhibits.wording import collect, percent_level, sentence
from fishreport.methods.estimate import Estimate

CURVE_NAMES = {"von_bertalanffy": "von Bertalanffy", "gompertz": "Gompertz", "logistic": "logistic"}
GROWTH_ASSUMES = (
    "The curve assumes that ages are read right, that growth was alike in all seasons, and that fish of a length class were "
    "picked for ageing without regard to their age. It is the curve of the fish in the catch: where gear takes the "
    "longer of the young fish, their mean length is too high. In simulated surveys with about 90 aged fish the 95% "
    "interval of the asymptotic length held the truth in about 90 of 100."
)
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


def _both(text: FormattedEstimate) -> str:
    return text.value if text.interval == NO_VALUE else f"{text.value} ({text.interval})"


def _shown(grown: Growth, context: Context) -> list[tuple[str, SpeciesGrowth]]:
    return [(name, grown.species[key]) for key, name in context.names.items()]


def _level(grown: Growth) -> str:
    return percent_level(next(iter(grown.species.values())).curve.level)


def growth_table(grown: Growth, context: Context) -> Table:
    """The von Bertalanffy parameters by species."""
    rows, data, notes = [], [], [GROWTH_ASSUMES]
    for name, one in _shown(grown, context):
        texts = [
            format_estimate(one.curve.estimates[key], context.units)
            for key in ("asymptotic_length", "growth_coefficient", "age_at_zero")
        ]
        rows.append([name, *map(_both, texts), f"{one.curve.n:,}", format_number(one.curve.effective_n, digits=2)])
        notes += [f"{name}: {note}." for note in (*one.curve.notes, *((MIXED,) if one.mixed else ()))]
        for key, e in one.curve.estimates.items():
            data.append({"species": one.key, "parameter": key, "value": e.value, "se": e.se, "lower": e.lower, "upper": e.upper,
                         "n": e.n, "method": e.method})  # fmt: skip
    columns = [Column("Species", align="left"), Column("Asymptotic length", context.units.length_unit), Column("K", "per year")]
    columns += [Column("Age at length 0", "years"), Column("Aged fish"), Column("Effective")]
    caption = (
        f"Von Bertalanffy growth, with {_level(grown)} intervals, from the aged fish of all seasons together. Fish to age are "
        "picked by length, so each stands for the catch of its length class; taken as they are they would put the "
        "asymptotic length too high. Effective is the number of equally weighing fish that they amount to."
    )
    return frame_table("growth", caption, columns, rows, notes=tuple(notes), data=data)


def growth_figure(grown: Growth, context: Context) -> Figure | None:
    """Length at age: aged fish, mean of the catch, curve and band, one panel a species."""
    shown = [(name, one) for name, one in _shown(grown, context) if len(one.aged) >= 3]
    if not shown:
        return None
    units, rows, said = context.units, [], []
    legend: dict[str, Any] = {}
    fish_look, mean_look = looks(["fish", "mean"]).values()
    with style():
        figure, axes = drawing(1, len(shown), height=3.0, sharey=True)
        for ax, (name, one) in zip(axes[0], shown, strict=True):
            age, length = one.aged["age"].to_numpy(float), one.aged["length_mm"].to_numpy(float)
            # spread the fish of an age by their order in length, so that they do not hide each other
            place = age + 0.5 * ((np.arange(age.size) * 0.618034) % 1 - 0.5)
            (dots,) = ax.plot(place, units.length_value(length), linestyle="none", marker="o", markersize=2.2, alpha=0.45,
                              color=fish_look.colour, markeredgewidth=0)  # fmt: skip
            means = one.curve.mean_length
            means = means[means["aged"] >= 2]
            (mean,) = ax.plot(means["age"], units.length_value(means["length_mm"].to_numpy(float)), linestyle="none",
                              color=mean_look.colour, marker=mean_look.marker, markersize=4.5, markeredgecolor="white",
                              markeredgewidth=0.5, zorder=4)  # fmt: skip
            legend |= {"aged fish": dots, "mean of the catch": mean}
            said.append(f"{name}: {counted(one.curve.n, 'aged fish', 'aged fish')}, no curve.")
            if one.curve.estimable:
                at = np.linspace(0, float(age.max()) + 0.5, 80)
                table = one.curve.predict(at)
                low, value, high = (units.length_value(table[c].to_numpy(float)) for c in ("lower", "length_mm", "upper"))
                band = ax.fill_between(at, low, high, color=GREY, alpha=0.3, linewidth=0)
                (line,) = ax.plot(at, value, color=INK)
                final = one.curve.estimates["asymptotic_length"]
                dash = ax.axhline(units.length_value(final.value), color=GREY, linewidth=0.9, linestyle=(0, (4, 2)))
                legend |= {"curve": line, f"{_level(grown)} band": band, "asymptotic length": dash}
                said[-1] = f"{name}: {one.curve.n} aged fish; the curve nears {format_estimate(final, units).text}."
            rows += _mean_rows(name, one, context)
            ax.set_xlabel("Age (years)")
            ax.xaxis.set_major_locator(MaxNLocator(6, integer=True))
            ax.set_ylim(bottom=0)
            ax.set_xlim(-0.5, max(float(age.max()) + 0.7, 2))
        axes[0][0].set_ylabel(units.length_label)
        figure.legend(legend.values(), legend.keys(), loc="outside lower center", ncols=5)
        letter(axes, [name for name, _ in shown])
        svg = to_svg(figure)
    behind = frame_table(
        "length-at-age-numbers", "Mean length at age in the catch, and on the curve.", _mean_columns(context), rows
    )
    caption = (
        f"Length at age of all aged fish (dots), mean length at age in the catch (squares) and the von Bertalanffy "
        f"curve with its {_level(grown)} band. The dashed line is the asymptotic length. The dots lie above the curve "
        "where long fish were picked for ageing more often than they stand in the catch."
    )
    return Figure("length-at-age", caption, "Scatter of length on age by species. " + " ".join(said), svg, behind)


def _mean_columns(context: Context) -> list[Column]:
    unit = context.units.length_unit
    columns = [Column("Species", align="left"), Column("Age", "years"), Column("Aged fish"), Column("Mean length", unit)]
    return [*columns, Column("Interval"), Column("Aged fish alone", unit), Column("On the curve", unit)]


def _bare(mm: float, context: Context) -> str:
    """A length without its unit."""
    return context.units.length(mm).removesuffix(f" {context.units.length_unit}") if math.isfinite(mm) else NO_VALUE


def _mean_rows(name: str, one: SpeciesGrowth, context: Context) -> list[list[str]]:
    rows = []
    on_curve = one.curve.predict(one.curve.mean_length["age"])["length_mm"].to_numpy(float)

    for row, curve in zip(one.curve.mean_length.to_dict("records"), on_curve, strict=True):
        limits = f"{_bare(row['lower'], context)} to {_bare(row['upper'], context)}" if math.isfinite(row["lower"]) else NO_VALUE
        mean = _bare(row["length_mm"], context)
        rows.append(
            [name, f"{row['age']:g}", str(row["aged"]), mean, limits, _bare(row["raw_mm"], context), _bare(float(curve), context)]
        )
    return rows


def _grid(cells: dict[tuple[int, str], str], first: str, names: list[str], unit: str) -> tuple[list[Column], list[list[str]]]:
    """One row an age or ring, one column a species."""
    columns = [Column(first, align="left"), *(Column(name, unit) for name in names)]
    rows = sorted({row for row, _ in cells})
    return columns, [[str(row), *(cells.get((row, name), NO_VALUE) for name in names)] for row in rows]


def mean_length_table(grown: Growth, context: Context) -> Table | None:
    """Mean length at age in the catch, one column a species."""
    cells = {
        (int(float(row[1])), name): row[3] if row[4] == NO_VALUE else f"{row[3]} ({row[4]})"
        for name, one in _shown(grown, context)
        for row in _mean_rows(name, one, context)
    }
    if not cells:
        return None
    names = [name for name, one in _shown(grown, context) if len(one.curve.mean_length)]
    columns, rows = _grid(cells, "Age", names, context.units.length_unit)
    data = [{"species": one.key, **row} for _, one in _shown(grown, context) for row in one.curve.mean_length.to_dict("records")]
    caption = (
        "Mean length at age in the catch, each aged fish weighed by the catch of its length class, with "
        f"{_level(grown)} intervals where two fish or more were aged."
    )
    return frame_table("mean-length-at-age", caption, columns, rows, data=data)


def curves_table(grown: Growth, context: Context) -> Table | None:
    """The candidate curves by AICc."""
    rows, data = [], []
    for name, one in _shown(grown, context):
        for row in one.weights.to_dict("records"):
            fit = one.fits[row["curve"]]
            final = format_estimate(fit.estimates["asymptotic_length"], context.units)
            weight = "< 0.01" if row["weight"] < 0.005 else f"{row['weight']:.2f}"
            rows.append([name, CURVE_NAMES[row["curve"]], f"{row['difference']:.1f}", weight, _both(final)])
            data.append({"species": one.key, **row, "asymptotic_length_mm": fit.parameters[0]})
    if not rows:
        return None
    columns = [Column("Species", align="left"), Column("Curve", align="left"), Column("AICc, difference"), Column("Weight")]
    columns.append(Column("Asymptotic length", context.units.length_unit))
    caption = (
        "Three growth curves compared by AICc (on the effective number of fish). A difference under 2 tells little; "
        "the weight is the evidence for a curve among these three."
    )
    return frame_table("growth-curves", caption, columns, rows, data=data)


def comparison_table(grown: Growth, context: Context) -> Table | None:
    """Whether growth of the earlier seasons differs from that of the later ones."""
    rows, notes = [], dict[str, None]()
    words = {"asymptotic_length": "asymptotic length", "growth_coefficient": "K", "age_at_zero": "age at length 0"}
    for name, one in _shown(grown, context):
        test = one.comparison
        if test is None:
            continue
        differing = joined([words[p] for p in test.differing]) or "none"
        numbers = " and ".join(str(fit.n) for fit in test.fits.values())
        p = "< 0.001" if test.p_value < 0.001 else f"{test.p_value:.3f}"
        rows.append([name, " against ".join(test.groups), numbers, p, differing])
        notes |= dict.fromkeys(f"{name}: {note}." for note in test.notes)
    if not rows:
        return None
    columns = [Column("Species", align="left"), Column("Seasons", align="left"), Column("Aged fish"), Column("p, one curve")]
    columns.append(Column("Parameters that differ", align="left"))
    caption = (
        "Growth of earlier against later seasons by extra sum of squares, on the aged fish as they were picked: the lean from "
        "picking by length is taken as alike in both. A high p is no evidence that growth was the same."
    )
    return frame_table("growth-comparison", caption, columns, rows, notes=tuple(notes))


def ages_table(grown: Growth, context: Context) -> Table | None:
    """How two readers agree, by species."""
    rows, notes, data = [], dict[str, None](), []
    for name, one in _shown(grown, context):
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


def bias_figure(grown: Growth, context: Context) -> Figure | None:
    """Mean age of the second reader at each age of the first."""
    shown = [(name, one.readers) for name, one in _shown(grown, context) if one.readers is not None]
    if not shown:
        return None
    look, rows, said = looks(["mean"])["mean"], [], []
    with style():
        figure, axes = drawing(1, len(shown), height=2.6)
        for ax, (name, both) in zip(axes[0], shown, strict=True):
            table = both.agreement.bias
            top = float(max(table["age"].max(), table["mean"].max())) + 1
            ax.plot([0, top], [0, top], color=GREY, linewidth=0.9, linestyle=(0, (4, 2)))
            bounded = table[np.isfinite(table["lower"])]
            ax.vlines(bounded["age"], bounded["lower"], bounded["upper"], color=look.colour, linewidth=1.1)
            ax.plot(table["age"], table["mean"], linestyle="none", color=look.colour, marker=look.marker, markeredgecolor="white")
            ax.set_xlim(-0.5, top)
            ax.set_ylim(-0.5, top)
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
        "differ. Points on the dashed line agree on average."
    )
    return Figure("reader-bias", caption, "Points of mean age by two readers. " + " ".join(said), svg, behind)


def recapture_table(grown: Growth, context: Context) -> Table | None:
    """Growth of tagged fish that were caught again."""
    rows, notes = [], [TAGS_ASSUME]
    for name, one in _shown(grown, context):
        if not len(one.tagged):
            continue
        for label, fit in (("all fish alike", one.recaptures), ("fish differ", one.recaptures_varied)):
            final, speed = (format_estimate(e, context.units) for e in (fit.asymptotic_length, fit.growth_coefficient))
            rows.append([name, label, _both(final), _both(speed), str(fit.n)])
            if fit is one.recaptures:
                notes += [f"{name}: {note}." for note in fit.notes if "shorter" in note or "not estimable" in note]
    if not rows:
        return None
    columns = [Column("Species", align="left"), Column("Fit", align="left")]
    columns += [Column("Asymptotic length", context.units.length_unit), Column("K", "per year"), Column("Tagged fish")]
    caption = (
        "Growth of tagged fish from their first catch to their last, 0.3 years later or more: von Bertalanffy increments, with "
        f"{_level(grown)} intervals. No age is needed."
    )
    return frame_table("recapture-growth", caption, columns, rows, notes=tuple(dict.fromkeys(notes)))


def recapture_figure(grown: Growth, context: Context) -> Figure | None:
    """Yearly growth of tagged fish against their length when first caught."""
    shown = [(name, one) for name, one in _shown(grown, context) if len(one.tagged) >= 3]
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
    shown = [(name, one.rings) for name, one in _shown(grown, context) if one.rings is not None]
    for name, rings in shown:
        line = rings.regression
        intercept = format_estimate(line.intercept, context.units).text
        notes.append(f"{name}: {rings.n} fish with rings; intercept {intercept}, r² {line.r_squared:.2f}.")
        for row in rings.table[rings.table["n"] >= 5].to_dict("records"):
            mean, low, high = (_bare(row[column], context) for column in ("length_mm", "lower", "upper"))
            cells[int(row["age"]), name] = f"{mean} ({low} to {high})"
        data += [{"species": name, **row} for row in rings.table.to_dict("records")]
    if not cells:
        return None
    columns, rows = _grid(cells, "Ring", [name for name, _ in shown], context.units.length_unit)
    caption = (
        "Mean length when each ring was laid down, with intervals, back-calculated by the Fraser-Lee form from the aged fish as "
        "they were picked; rings of 5 fish or more. Where rings form before the survey's season, these lengths are shorter than "
        "those at capture."
    )
    return frame_table("back-calculated", caption, columns, rows, notes=tuple(notes), data=data)


def stocked_table(grown: Growth, context: Context) -> Table | None:
    """Growth of marked stocked fish, one row a stocking."""
    rows, unit = [], context.units.length_unit
    for name, one in _shown(grown, context):
        for cohort in one.stocked:
            table = cohort.growth.mean_length.head(2)
            means = [
                f"{context.units.length(r['length_mm'])} at {r['years']:.1f} ({int(r['n'])})" for r in table.to_dict("records")
            ]
            rate = format_estimate(cohort.growth.growth_rate, context.units)
            label, measured = f"{cohort.date:%Y-%m-%d}, {cohort.mark}", str(cohort.growth.n)
            rows.append([name, label, f"{cohort.number:,}", measured, "; ".join(means), _both(rate)])
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
    for name, one in _shown(grown, context):
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


def _age_at(one: SpeciesGrowth, length_mm: float) -> float:
    """Age at which the mean fish reaches a length, on the curve; NaN where it never does."""
    final, speed, zero = one.curve.parameters
    return float(zero - math.log1p(-length_mm / final) / speed) if length_mm < final else math.nan


def _final_length(one: SpeciesGrowth, grown: Growth, context: Context) -> list[Finding]:
    place = {"species": one.key, "detail": None}
    final = grown.results.one(quantity="growth_asymptotic_length", **place)
    speed = grown.results.one(quantity="growth_coefficient", **place)
    if final is None or speed is None:
        return []
    if not final.estimate.estimable:
        return list(context.writer.few_data([final]))
    name = context.writer.nouns.species_name(one.key)
    both = [context.writer.amount(r.estimate) for r in (final, speed)]
    text = f"{name} grow towards a mean length of {both[0]} at a K of {both[1]}"
    longest = float(one.aged["length_mm"].max())
    if final.estimate.value > 1.1 * longest:
        text += f"; that lies beyond the longest aged fish ({context.units.length(longest)}) and is extrapolated"
    if one.mixed:
        text += "; stocked and wild fish are mixed in it, so that it describes neither exactly"
    said = [Finding(sentence(text), (final.id, speed.id), "none", True)]
    classes = context.classes_of(one.key)
    reached = [
        (size_class, _age_at(one, classes.bounds_mm[size_class][0]))
        for size_class in ("quality", "preferred")
        if size_class in classes.bounds_mm
    ]
    span = (float(one.aged["age"].min()), float(one.aged["age"].max()))
    words = [
        f"{size_class} length ({context.units.class_length(size_class, classes.published_mm, classes.published_in)}) at about "
        f"{age:.1f} years"
        for size_class, age in reached
        if span[0] <= age <= span[1]
    ]
    if words:
        said.append(Finding(sentence(f"the mean {name} reaches {joined(words)} of age at the survey"), (final.id, speed.id)))
    never = [size_class for size_class, age in reached if math.isnan(age)]
    if never:
        text = f"the mean {name} never reaches {joined(never, 'or')} length; only fish that grow better than the mean do"
        said.append(Finding(sentence(text), (final.id,)))
    return said


def _overlap(a: Estimate, b: Estimate) -> bool:
    return a.lower <= b.upper and b.lower <= a.upper


def _sources(one: SpeciesGrowth, grown: Growth, context: Context) -> list[Finding]:
    """Whether tagged fish tell the same as aged ones."""
    tagged, aged = one.recaptures.asymptotic_length, one.curve.estimates["asymptotic_length"]
    if not (tagged.estimable and aged.estimable):
        return []
    ids = tuple(
        r.id for r in grown.results.where(quantity="growth_asymptotic_length", species=one.key, detail=[None, "recaptures"])
    )
    name = context.writer.nouns.species_name(one.key)
    amount = context.writer.amount(tagged)
    agrees = "agrees with the aged fish within the intervals" if _overlap(tagged, aged) else "differs from that of the aged fish"
    text = f"growth of {counted(one.recaptures.n, f'tagged {name}', f'tagged {name}')} points to a mean final length of {amount}"
    return [Finding(sentence(f"{text}, which {agrees}"), ids)]


def _changed(one: SpeciesGrowth, grown: Growth, context: Context) -> list[Finding]:
    test = one.comparison
    if test is None:
        return []
    ids = tuple(r.id for r in grown.results.where(quantity="growth_asymptotic_length", species=one.key, detail=None))
    name, seasons = context.writer.nouns.species_name(one.key), " and ".join(test.groups)
    if test.p_value < 1 - test.level:
        p = "< 0.001" if test.p_value < 0.001 else f"= {test.p_value:.3f}"
        return [Finding(sentence(f"growth of {name} differs between {seasons} (p {p})"), ids)]
    text = (
        f"no difference in the growth of {name} between {seasons} can be shown (p = {test.p_value:.2f}); that is not "
        "evidence that there is none"
    )
    return [Finding(sentence(text), ids, "unclear")]


def _reading(one: SpeciesGrowth, grown: Growth, context: Context) -> list[Finding]:
    if one.readers is None:
        return []
    a = one.readers.agreement
    ids = tuple(r.id for r in grown.results.where(quantity="growth_coefficient", species=one.key, detail=None))
    name = context.writer.nouns.species_name(one.key)
    text = (
        f"two readers gave the same age to {a.percent_agreement.value:.0f}% of {a.n} {name} and an age within a year to "
        f"{a.percent_within_one.value:.0f}%"
    )
    pooled = next((t for t in a.symmetry if t.form == "pooled"), None)
    if pooled is not None and pooled.p_value < 0.05:
        older = pooled.table[["second_older", "first_older"]].sum()
        which = "second" if older["second_older"] > older["first_older"] else "first"
        text += f"; the {which} reader read older more often than chance explains (p = {pooled.p_value:.3f})"
    return [Finding(sentence(text), ids)]


def findings(grown: Growth, context: Context) -> Findings:
    """Growth of each species, whether sources agree, whether it changed, and how well ages were read."""
    said: list[Finding] = []
    for one in grown.species.values():
        said += _final_length(one, grown, context)
        said += _sources(one, grown, context)
        said += _changed(one, grown, context)
        said += _reading(one, grown, context)
    return collect(said)
