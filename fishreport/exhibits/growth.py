"""Tables, figures and sentences of the growth chapter."""

from __future__ import annotations

import math
from collections.abc import Collection
from typing import Any

import numpy as np
from matplotlib.ticker import MaxNLocator

from fishreport.analysis.growth import MIXED, Growth, SpeciesGrowth
from fishreport.analysis.result import Result
from fishreport.exhibits.context import Context
from fishreport.exhibits.exhibit import Column, Figure, Finding, Findings, Table
from fishreport.exhibits.notes import shown_note
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


_MEAN, _CURVE = "mean of the catch", "curve"


def with_interval(text: FormattedEstimate) -> str:
    """A value with its interval in brackets."""
    return text.value if text.interval == NO_VALUE else f"{text.value} ({text.interval})"


def by_species(grown: Growth, context: Context) -> list[tuple[str, SpeciesGrowth]]:
    """Name and growth of every species, in the order of the study."""
    return [(name, grown.species[key]) for key, name in context.names.items()]


def level_of(grown: Growth) -> str:
    """The level of all intervals, as text."""
    return percent_level(next(iter(grown.species.values())).curve.level)


def growth_table(grown: Growth, context: Context) -> Table:
    """The von Bertalanffy parameters by species."""
    rows, data, notes = [], [], [GROWTH_ASSUMES]
    for name, one in by_species(grown, context):
        texts = [
            format_estimate(one.curve.estimates[key], context.units)
            for key in ("asymptotic_length", "growth_coefficient", "age_at_zero")
        ]
        rows.append([name, *map(with_interval, texts), f"{one.curve.n:,}", format_number(one.curve.effective_n, digits=2)])
        notes += [f"{name}: {shown_note(note, context.units)}." for note in (*one.curve.notes, *((MIXED,) if one.mixed else ()))]
        for key, e in one.curve.estimates.items():
            data.append({"species": one.key, "parameter": key, "value": e.value, "se": e.se, "lower": e.lower, "upper": e.upper,
                         "n": e.n, "method": e.method})  # fmt: skip
    columns = [Column("Species", align="left"), Column("Asymptotic length", context.units.length_unit), Column("K", "per year")]
    columns += [Column("Age at length 0", "years"), Column("Aged fish"), Column("Effective")]
    caption = (
        f"Von Bertalanffy growth, with {level_of(grown)} intervals, from the aged fish of all seasons together. Fish to age are "
        "picked by length, so each stands for the catch of its length class; taken as they are they would put the "
        "asymptotic length too high. Effective is the number of equally weighing fish that they amount to."
    )
    return frame_table("growth", caption, columns, rows, notes=tuple(notes), data=data)


def growth_figure(grown: Growth, context: Context) -> Figure | None:
    """Length at age: aged fish, mean of the catch, curve and band, one panel a species."""
    shown = [(name, one) for name, one in by_species(grown, context) if len(one.aged) >= 3]
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
            if len(means):
                (mean,) = ax.plot(means["age"], units.length_value(means["length_mm"].to_numpy(float)), linestyle="none",
                                  color=mean_look.colour, marker=mean_look.marker, markersize=4.5, markeredgecolor="white",
                                  markeredgewidth=0.5, zorder=4)  # fmt: skip
                legend |= {_MEAN: mean}
            legend |= {"aged fish": dots}
            said.append(f"{name}: {counted(one.curve.n, 'aged fish', 'aged fish')}, no curve.")
            if one.curve.estimable:
                at = np.linspace(0, float(age.max()) + 0.5, 80)
                table = one.curve.predict(at)
                low, value, high = (units.length_value(table[c].to_numpy(float)) for c in ("lower", "length_mm", "upper"))
                band = ax.fill_between(at, low, high, color=GREY, alpha=0.3, linewidth=0)
                (line,) = ax.plot(at, value, color=INK)
                final = one.curve.estimates["asymptotic_length"]
                dash = ax.axhline(units.length_value(final.value), color=GREY, linewidth=0.9, linestyle=(0, (4, 2)))
                legend |= {_CURVE: line, f"{level_of(grown)} band": band, "asymptotic length": dash}
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
    return Figure(
        "length-at-age",
        _figure_caption(legend, shown, grown),
        "Scatter of length on age by species. " + " ".join(said),
        svg,
        behind,
    )


def _figure_caption(drawn: Collection[str], shown: list[tuple[str, SpeciesGrowth]], grown: Growth) -> str:
    """What the figure shows, of which only what is `drawn` is told."""
    parts = ["length at age of all aged fish (dots)"]
    parts += ["mean length at age in the catch (squares)"] if _MEAN in drawn else []
    parts += [f"the von Bertalanffy curve with its {level_of(grown)} band"] if _CURVE in drawn else []
    caption = sentence(joined(parts))
    if _CURVE in drawn:
        caption += (
            " The dashed line is the asymptotic length. The dots lie above the curve where long fish were picked for ageing more "
            "often than they stand in the catch."
        )
    without = [name.lower() for name, one in shown if not one.curve.estimable]
    return f"{caption} No curve could be fitted for {joined(without, 'or')}." if without else caption


def _mean_columns(context: Context) -> list[Column]:
    unit = context.units.length_unit
    columns = [Column("Species", align="left"), Column("Age", "years"), Column("Aged fish"), Column("Mean length", unit)]
    return [*columns, Column("Interval"), Column("Aged fish alone", unit), Column("On the curve", unit)]


def bare_length(mm: float, context: Context) -> str:
    """A length without its unit."""
    return context.units.length(mm).removesuffix(f" {context.units.length_unit}") if math.isfinite(mm) else NO_VALUE


def _mean_rows(name: str, one: SpeciesGrowth, context: Context) -> list[list[str]]:
    rows = []
    on_curve = one.curve.predict(one.curve.mean_length["age"])["length_mm"].to_numpy(float)

    for row, curve in zip(one.curve.mean_length.to_dict("records"), on_curve, strict=True):
        limits = (
            f"{bare_length(row['lower'], context)} to {bare_length(row['upper'], context)}"
            if math.isfinite(row["lower"])
            else NO_VALUE
        )
        mean = bare_length(row["length_mm"], context)
        rows.append(
            [
                name,
                f"{row['age']:g}",
                str(row["aged"]),
                mean,
                limits,
                bare_length(row["raw_mm"], context),
                bare_length(float(curve), context),
            ]
        )
    return rows


def age_grid(cells: dict[tuple[int, str], str], first: str, names: list[str], unit: str) -> tuple[list[Column], list[list[str]]]:
    """One row an age or ring, one column a species."""
    columns = [Column(first, align="left"), *(Column(name, unit) for name in names)]
    rows = sorted({row for row, _ in cells})
    return columns, [[str(row), *(cells.get((row, name), NO_VALUE) for name in names)] for row in rows]


def mean_length_table(grown: Growth, context: Context) -> Table | None:
    """Mean length at age in the catch, one column a species."""
    cells = {
        (int(float(row[1])), name): row[3] if row[4] == NO_VALUE else f"{row[3]} ({row[4]})"
        for name, one in by_species(grown, context)
        for row in _mean_rows(name, one, context)
    }
    if not cells:
        return None
    names = [name for name, one in by_species(grown, context) if len(one.curve.mean_length)]
    columns, rows = age_grid(cells, "Age", names, context.units.length_unit)
    data = [
        {"species": one.key, **row} for _, one in by_species(grown, context) for row in one.curve.mean_length.to_dict("records")
    ]
    caption = (
        "Mean length at age in the catch, each aged fish weighed by the catch of its length class, with "
        f"{level_of(grown)} intervals where two fish or more were aged."
    )
    return frame_table("mean-length-at-age", caption, columns, rows, data=data)


def curves_table(grown: Growth, context: Context) -> Table | None:
    """The candidate curves by AICc."""
    rows, data = [], []
    for name, one in by_species(grown, context):
        for row in one.weights.to_dict("records"):
            fit = one.fits[row["curve"]]
            final = format_estimate(fit.estimates["asymptotic_length"], context.units)
            weight = "< 0.01" if row["weight"] < 0.005 else f"{row['weight']:.2f}"
            rows.append([name, CURVE_NAMES[row["curve"]], f"{row['difference']:.1f}", weight, with_interval(final)])
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
    for name, one in by_species(grown, context):
        test = one.comparison
        if test is None:
            continue
        differing = joined([words[p] for p in test.differing]) or "none"
        numbers = " and ".join(str(fit.n) for fit in test.fits.values())
        p = "< 0.001" if test.p_value < 0.001 else f"{test.p_value:.3f}"
        rows.append([name, " against ".join(test.groups), numbers, p, differing])
        notes |= dict.fromkeys(f"{name}: {shown_note(note, context.units)}." for note in test.notes)
    if not rows:
        return None
    columns = [Column("Species", align="left"), Column("Seasons", align="left"), Column("Aged fish"), Column("p, one curve")]
    columns.append(Column("Parameters that differ", align="left"))
    caption = (
        "Growth of earlier against later seasons by extra sum of squares, on the aged fish as they were picked: the lean from "
        "picking by length is taken as alike in both. A high p is no evidence that growth was the same."
    )
    return frame_table("growth-comparison", caption, columns, rows, notes=tuple(notes))


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
    said = [Finding(sentence(text), (final.id, speed.id), "none")]
    return said + _reached(one, grown, context)


def _years(estimate: Estimate) -> str:
    """An age to the hundredth of a year with its interval; an upper limit without end reads ``or more``."""
    if math.isnan(estimate.lower):
        return f"{estimate.value:.2f} years (no interval)"
    end = f"to {estimate.upper:.2f}" if math.isfinite(estimate.upper) else "or more"
    return f"{estimate.value:.2f} years ({percent_level(estimate.level)} interval {estimate.lower:.2f} {end})"


def _reached(one: SpeciesGrowth, grown: Growth, context: Context) -> list[Finding]:
    """At what age the mean fish reaches the published lengths."""
    name, classes = context.writer.nouns.species_name(one.key), context.classes_of(one.key)
    youngest, oldest = float(one.aged["age"].min()), float(one.aged["age"].max())
    words, ids = [], list[str]()
    short: dict[bool, list[Result]] = {True: [], False: []}
    final = one.curve.estimates["asymptotic_length"]
    for result in grown.results.where(quantity="age_at_length", species=one.key):
        size_class = str(result.size_class)
        if not result.estimate.estimable:
            short[final.upper < classes.bounds_mm[size_class][0]].append(result)
        elif youngest <= result.estimate.value <= oldest:
            bound = context.units.class_length(size_class, classes.published_mm, classes.published_in)
            words.append(f"{size_class} length ({bound}) at {_years(result.estimate)}")
            ids.append(result.id)
    said = []
    if words:
        said.append(Finding(sentence(f"the mean {name} reaches {joined(words)} of age at the survey"), tuple(ids)))
    if never := short[True]:
        text = (
            f"the mean {name} never reaches {joined([str(r.size_class) for r in never], 'or')} length; only fish that grow "
            "better than the mean do"
        )
        said.append(Finding(sentence(text), tuple(r.id for r in never)))
    if unsure := short[False]:
        text = (
            f"whether the mean {name} ever reaches {joined([str(r.size_class) for r in unsure], 'or')} length cannot be told: "
            f"the length that it grows towards, {context.writer.amount(final)}, may lie above that"
        )
        said.append(Finding(sentence(text), tuple(r.id for r in unsure), "unclear"))
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
