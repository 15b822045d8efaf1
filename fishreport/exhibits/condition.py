"""Tables, figures and sentences of the condition chapter."""

from __future__ import annotations

import re
from collections.abc import Sequence

import numpy as np

from fishreport.analysis.condition import Condition
from fishreport.analysis.result import Result
from fishreport.exhibits.context import Context
from fishreport.exhibits.exhibit import Column, Figure, Finding, Findings, Table
from fishreport.exhibits.history import history_figure
from fishreport.exhibits.notes import FIRST_PASS, shown_note
from fishreport.exhibits.style import GREY, INK, drawing, letter, looks, style, to_svg
from fishreport.exhibits.tabulate import estimates_table, frame_table, heading, joined
from fishreport.exhibits.units import MINUS, Units, format_estimate, format_number
from fishreport.exhibits.wording import collect, direction, percent_level

_SMALL_GROUP = re.compile(r"group (?P<group>.+) left out: (?P<had>\d+) weighed fish, (?P<needed>\d+) needed")


def _p(value: float) -> str:
    return "—" if not np.isfinite(value) else "< 0.001" if value < 0.001 else f"{value:.3f}"


def length_weight_table(weighed: Condition, context: Context) -> Table:
    """The line of the reported season by species, with its scale, correction and test of isometry."""
    columns = [
        Column("Species", align="left"),
        Column("Intercept a"),
        Column("Slope b"),
        Column("Residual SE"),
        Column("Correction"),
    ]
    columns += [Column("p, b = 3"), Column("Fish")]
    rows, notes, data = [], dict[str, None](), []
    for key, name in context.names.items():
        fit = weighed.species[key].fit
        line = [format_estimate(e, Units(), digits=3) for e in (fit.intercept, fit.slope)]
        cells = [f"{text.value} ({text.interval})" if e.estimable else "not estimable"
                 for text, e in zip(line, (fit.intercept, fit.slope), strict=True)]  # fmt: skip
        scale = [f"{fit.residual_se:.4f}", f"{fit.correction:.4f}"] if fit.estimable else ["—", "—"]
        rows.append([name, *cells, *scale, _p(fit.isometry.p_value) if fit.estimable else "—", f"{fit.n:,}"])
        notes |= dict.fromkeys(f"{name}: {shown_note(note, context.units)}." for note in fit.notes)
        data.append(
            {"species": key, "intercept": fit.intercept.value, "intercept_se": fit.intercept.se, "slope": fit.slope.value,
             "slope_se": fit.slope.se, "residual_se_log10": fit.residual_se, "correction": fit.correction,
             "smearing": fit.smearing, "r_squared": fit.r_squared, "isometry_p": fit.isometry.p_value, "n": fit.n}
        )  # fmt: skip
    level = percent_level(next(iter(weighed.species.values())).fit.level)
    caption = (
        f"Length-weight lines of {context.season}: log10 weight (g) = a + b log10 length (mm), with {level} intervals, runs as "
        "clusters and passes over the same water as one run. The correction turns the median weight of the line into the mean."
    )
    if context.units.system == "us":
        caption += (
            " Coefficients are for grams and millimetres, as such lines are published, also in a report in pounds and inches."
        )
    return frame_table("length-weight", caption, columns, rows, notes=tuple(notes), data=data)


def length_weight_figure(weighed: Condition, context: Context) -> Figure | None:
    """Weight against length of this season's fish, with the line and the limits for one fish."""
    shown = [one for one in context.classes if weighed.species[one.species.key].fit.estimable]
    if not shown:
        return None
    units, sentences, rows = context.units, [], []
    look = looks(["fish"])["fish"]
    with style():
        figure, axes = drawing(1, len(shown), height=3.4)
        for ax, one in zip(axes[0], shown, strict=True):
            found = weighed.species[one.species.key]
            length = np.geomspace(*found.fit.length_range_mm, 60)
            line = found.fit.predict(length, corrected=False)
            x = units.length_value(length)
            fish = found.fish
            ax.scatter(
                units.length_value(fish["length_mm"].to_numpy()), units.weight_value(fish["weight_g"].to_numpy()), s=13,
                color=look.colour, edgecolors="white", linewidths=0.3, rasterized=len(fish) > 400, zorder=3,
            )  # fmt: skip
            ax.plot(x, units.weight_value(line.value), color=INK, linewidth=1.0, zorder=2)
            for edge in (line.prediction_lower, line.prediction_upper):
                ax.plot(x, units.weight_value(edge), color=INK, linewidth=0.9, linestyle=(0, (4, 2)), zorder=2)
            ax.set_xlabel(units.length_label)
            name = context.names[one.species.key]
            for at in (200.0, 300.0, 400.0):
                if found.fit.length_range_mm[0] <= at <= found.fit.length_range_mm[1]:
                    p = found.fit.predict(np.array([at]), corrected=False)
                    low, high = float(p.prediction_lower[0]), float(p.prediction_upper[0])
                    rows.append(
                        [name, units.length(at), units.weight(float(p.value[0])), f"{units.weight(low)} to {units.weight(high)}"]
                    )
            mid = found.fit.predict(np.array([300.0]), corrected=False)
            sentences.append(
                f"{name}: {found.fit.n} fish; a fish of {units.length(300)} weighs about {units.weight(float(mid.value[0]))}."
            )
        axes[0][0].set_ylabel(units.weight_label)
        letter(axes, [context.names[one.species.key] for one in shown])
        svg = to_svg(figure)
    level = percent_level(weighed.species[shown[0].species.key].fit.level)
    columns = [Column("Species", align="left"), Column("Length"), Column("Median weight"), Column(f"{level} limits for one fish")]
    behind = frame_table("length-weight-numbers", "Weight by the line at round lengths.", columns, rows)
    caption = (
        f"Weight and length of the fish of {context.season}. Each dot is a weighed fish; the full line is the median weight at "
        f"length, and {level} of single fish are expected between the dashed lines."
    )
    return Figure("length-weight-plot", caption, "Scatter of weight on length by species. " + " ".join(sentences), svg, behind)


def _left_out(notes: Sequence[str], context: Context) -> list[str]:
    """Notes of a comparison, those on groups that are left out for the same want in one."""
    found = [(note, _SMALL_GROUP.fullmatch(note)) for note in notes]
    small = [match for _, match in found if match]
    told = [shown_note(note, context.units) for note, match in found if match is None]
    for needed in dict.fromkeys(match["needed"] for match in small):
        groups = joined([f"{match['group']} ({match['had']})" for match in small if match["needed"] == needed])
        told.append(f"left out for fewer than {needed} weighed fish: {groups}")
    return told


def comparison_table(weighed: Condition, context: Context) -> Table | None:
    """Whether the lines differ between seasons and between this season's sites."""
    rows, notes = [], dict[str, None]()
    for key, name in context.names.items():
        found = weighed.species[key]
        for what, test in (("seasons", found.between_seasons), (f"sites in {context.season}", found.between_sites)):
            if test is not None:
                level = [format_estimate(e, Units(), digits=2) for e in test.adjusted_means.values()]
                means = [float(e.value) for e in test.adjusted_means.values() if e.estimable]
                spread = f"{context.units.weight(min(means))} to {context.units.weight(max(means))}" if means and level else "—"
                at = context.units.length(test.at_length_mm)
                rows.append([name, what, str(len(test.n)), _p(test.slopes.p_value), _p(test.intercepts.p_value), at, spread])
                notes |= dict.fromkeys(f"{name}, {what}: {text}." for text in _left_out(test.notes, context))
    if not rows:
        return None
    columns = [Column("Species", align="left"), Column("Between", align="left"), Column("Groups"), Column("p, equal slopes")]
    columns += [Column("p, equal intercepts"), Column("At length"), Column("Adjusted weights")]
    caption = (
        "Length-weight lines compared between seasons and between sites, with runs as clusters. Where slopes differ, the test of "
        "intercepts has no plain meaning. Adjusted weights are those of a fish of the length given, least to greatest group."
    )
    return frame_table("length-weight-comparison", caption, columns, rows, notes=tuple(notes))


def outlier_table(weighed: Condition, context: Context) -> Table | None:
    """Fish whose weight lies far from the line: look at their sheets."""
    rows, data = [], []
    for key, name in context.names.items():
        for fish in weighed.species[key].outliers.head(10).to_dict("records"):
            weight, length = context.units.weight(fish["weight_g"]), context.units.length(fish["length_mm"])
            rows.append(
                [name, str(fish["run_id"]), str(fish["row"]), length, weight, format_number(fish["studentised"], decimals=1)]
            )
            data.append({"species": key, **fish})
    if not rows:
        return None
    columns = [Column("Species", align="left"), Column("Run", align="left"), Column("Row"), Column("Length"), Column("Weight")]
    columns.append(Column("Studentised residual"))
    caption = (
        f"Fish of {context.season} whose weight is far from the line for their length (beyond the 5% limit for the largest one). "
        "They are in the estimates; their sheets deserve a second look."
    )
    return frame_table("outliers", caption, columns, rows, data=data)


def relative_weight_table(weighed: Condition, context: Context) -> Table | None:
    """Relative weight of this season by species and length category."""
    chosen = list[Result]()
    for one in context.classes:
        own = list(weighed.results.where(quantity="relative_weight", season=context.season, species=one.species.key))
        chosen += [r for r in own if r.size_class == "all"] + [r for r in own if "-" in str(r.size_class)]
        chosen += [r for r in own if r.size_class == one.categories[-1]] if one.categories else []  # open above
    if not chosen:
        return None
    keys = [("Species", lambda r: context.names[str(r.species)]), ("Length category", _category)]
    caption = f"Mean relative weight in {context.season} by length category; 100 is the published standard weight."
    return estimates_table(
        "relative-weight", caption, chosen, context.units, keys=keys, value_heading="Relative weight", n_heading="Runs"
    )


def _category(result: Result) -> str:
    name = str(result.size_class)
    if name == "all":
        return "All lengths of the standard"
    return heading(name.replace("-", " to ")) if "-" in name else f"{heading(name)} and longer"


def relative_weight_figure(weighed: Condition, context: Context) -> Figure | None:
    """Relative weight against length, with the mean by length class."""
    shown = [one for one in context.classes if np.isfinite(weighed.species[one.species.key].fish["relative_weight"]).any()]
    if not shown:
        return None
    units, rows, sentences = context.units, [], []
    fish_look, mean_look = looks(["fish", "mean"]).values()
    with style():
        figure, axes = drawing(1, len(shown), height=2.9, sharey=True)
        for ax, one in zip(axes[0], shown, strict=True):
            fish = weighed.species[one.species.key].fish
            fish = fish[np.isfinite(fish["relative_weight"])]
            length, wr = fish["length_mm"].to_numpy(), fish["relative_weight"].to_numpy()
            ax.scatter(
                units.length_value(length), wr, s=7, color=fish_look.colour, alpha=0.55, linewidths=0, rasterized=len(wr) > 400
            )
            place = np.floor(length / 50) * 50
            name = context.names[one.species.key]
            bins = [(low, wr[place == low]) for low in np.unique(place) if (place == low).sum() >= 5]
            ax.plot(
                [units.length_value(low + 25) for low, _ in bins], [values.mean() for _, values in bins], color=mean_look.colour,
                marker=mean_look.marker, linestyle=mean_look.dash, markeredgecolor="white",
            )  # fmt: skip
            ax.axhline(100, color=GREY, linewidth=0.9, linestyle=(0, (2, 2)))
            ax.set_xlabel(units.length_label)
            rows += [
                [name, f"{units.length(low)} to {units.length(low + 50)}", f"{v.mean():.1f}", f"{len(v)}"] for low, v in bins
            ]
            slope = weighed.results.one(quantity="relative_weight_slope", season=context.season, species=one.species.key)
            sentences.append(f"{name}: mean {wr.mean():.0f} of {len(wr)} fish{_slope_words(slope)}.")
        axes[0][0].set_ylabel("Relative weight")
        letter(axes, [context.names[one.species.key] for one in shown])
        svg = to_svg(figure)
    columns = [Column("Species", align="left"), Column("Length"), Column("Mean relative weight"), Column("Fish")]
    behind = frame_table(
        "relative-weight-numbers", "Mean relative weight by length class, classes of 5 fish or more.", columns, rows
    )
    caption = (
        f"Relative weight of each fish of {context.season}, of all passes (dots) and its mean by length class (line). "
        "The dashed line at 100 is the published standard."
    )
    return Figure(
        "relative-weight-plot", caption, "Scatter of relative weight on length by species. " + " ".join(sentences), svg, behind
    )


def _slope_words(slope: Result | None) -> str:
    if slope is None or not slope.estimate.estimable:
        return ""
    words = {"up": "rising with length", "down": "falling with length"}
    found = direction(slope.estimate)
    return f", {words[found]}" if found in words else ", no clear change with length"


def relative_weight_history(weighed: Condition, context: Context) -> Figure | None:
    """Mean relative weight by season."""
    chosen = list(weighed.results.where(quantity="relative_weight"))
    caption = "Mean relative weight by season, with intervals; runs are the sampling units. " + FIRST_PASS
    series = {"stock": "Stock length and longer", "preferred": "Preferred length and longer"}
    return history_figure(
        "relative-weight-history", caption, chosen, context, noun="Relative weight", series=series, from_zero=False
    )  # fmt: skip


def _slope_finding(slope: Result, context: Context) -> Finding:
    name, e = context.writer.nouns.species_name(slope.species), slope.estimate
    if context.units.system == "us":  # per 100 mm -> per 4 in would be odd; per inch is what is read
        shown = format_estimate(e.converted(lambda x: x * 0.254, e.units))
        unit = "per inch"
    else:
        shown, unit = format_estimate(e), "per 100 mm"
    limits = f"{percent_level(e.level)} interval {shown.interval}"
    words = f"{shown.value.lstrip(MINUS)} points {unit} ({limits})"
    found = direction(e)
    if found == "up":
        text = f"Longer {name} are better fed for their length: relative weight rises by {words}."
    elif found == "down":
        text = f"Longer {name} are leaner for their length: relative weight falls with length by {words}."
    else:
        text = (
            f"Whether longer {name} are fatter or leaner for their length cannot be told ({shown.value} points {unit}, {limits})."
        )
    return Finding(text, (slope.id,), found)


def findings(weighed: Condition, context: Context) -> Findings:
    """Condition of this season, its change since the season before, and its change with length."""
    said: list[Finding] = []
    pairs = []
    for one in context.classes:
        size_class = "stock" if "stock" in one.bounds_mm else "all"
        quantity = "relative_weight" if one.standard is not None else "condition_factor"
        line = weighed.results.where(quantity=quantity, species=one.species.key, size_class=size_class)
        pairs.append(context.latest(line))
    changes = context.changes(pairs)
    for one, (_, now) in zip(context.classes, pairs, strict=True):
        if now is None:
            continue
        said += [context.writer.level(now, key=True), *changes.get(now.id, ())]
        slope = weighed.results.one(quantity="relative_weight_slope", season=context.season, species=one.species.key)
        if slope is not None and slope.estimate.estimable:
            said.append(_slope_finding(slope, context))
    return collect(said)
