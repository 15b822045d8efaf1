"""Tables, figures and sentences of the plan for next season."""

from __future__ import annotations

import math

import numpy as np
from scipy import stats

from fishreport.analysis.classes import LATER_RUNS
from fishreport.analysis.precision import (
    AGE_POINTS,
    CHANGES,
    SHARE_POINTS,
    SHOWN_YEARS,
    WEIGHT_POINTS,
    WEIGHT_SHARE,
    YEARS,
    NextSeason,
    SpeciesPlan,
)
from fishreport.analysis.result import Result
from fishreport.exhibits.context import Context
from fishreport.exhibits.exhibit import Column, Figure, Finding, Findings, Table
from fishreport.exhibits.style import GREY, INK, drawing, letter, looks, style, to_svg
from fishreport.exhibits.tabulate import counted, estimates_table, frame_table, joined
from fishreport.exhibits.units import NO_VALUE, format_estimate, format_number
from fishreport.exhibits.wording import collect, percent_level, sentence
from fishreport.methods.estimate import Estimate
from fishreport.methods.fish_per_bin import BinPlan

_WORK = {
    "runs_needed": "Runs, catch rate",
    "fish_to_measure": "Fish to measure, share of quality length",
    "fish_to_weigh": "Fish to weigh, relative weight",
    "fish_to_age": "Fish to age, ages of the catch",
}
_LEAST_SHARE = 0.001
APART = 0.1  # power by formula and by simulation, from which both are told in the sentence
FAR_APART = 1.5  # half-widths by two reckonings


def _percent(share: float) -> str:
    return NO_VALUE if not math.isfinite(share) else f"{format_number(100 * share, decimals=0)}%"


def _half_width(estimate: Estimate | None) -> float:
    """Longer side of the interval as a share of the value; NaN without one."""
    if estimate is None or not estimate.estimable or not estimate.value > 0:
        return math.nan
    return max(estimate.value - estimate.lower, estimate.upper - estimate.value) / estimate.value


def _whole(estimate: Estimate, context: Context) -> tuple[str, str]:
    """A count and its interval; without an interval it is whole, however large."""
    shown = format_estimate(estimate, context.units)
    if estimate.estimable and shown.interval == NO_VALUE:
        return f"{estimate.value:,.0f}", NO_VALUE
    return shown.value, shown.interval


def _aims(wanted: float) -> dict[str, str]:
    return {
        "runs_needed": f"{100 * wanted:g}% either way",
        "fish_to_measure": f"{SHARE_POINTS:g} percentage points either way",
        "fish_to_weigh": f"{WEIGHT_POINTS:g} points either way",
        "fish_to_age": f"{AGE_POINTS:g} percentage points either way",
    }


def _had(result: Result, plan: SpeciesPlan) -> int:
    """What the reported season had of it."""
    return plan.aged_now if result.quantity == "fish_to_age" else result.estimate.n


def needs_table(plan: NextSeason, wanted: float, context: Context) -> Table | None:
    """Runs, and fish to measure, weigh and age, beside what this season had."""
    rows, notes, chosen = [], dict[str, list[str]](), list[Result]()
    for one in plan.species:
        for result in plan.results.where(species=one.species):
            if result.quantity not in _WORK:
                continue
            chosen.append(result)
            value, interval = _whole(result.estimate, context)
            name = _WORK[result.quantity]
            name = f"{name}, {result.size_class}" if result.quantity == "runs_needed" else name
            rows.append([context.names[one.species], name, _aims(wanted)[result.quantity], value, interval, _had(result, one)])
            told = [note for note in result.estimate.notes if note.startswith(("not estimable:", "no interval:"))]
            for note in told[:1]:
                notes.setdefault(note, []).append(f"{context.names[one.species]}, {name[0].lower()}{name[1:]}")
    if not rows:
        return None
    level = percent_level(chosen[0].estimate.level)
    columns = [Column("Species", align="left"), Column("What", align="left"), Column("Aim", align="left"), Column("Needed")]
    columns += [Column(f"{level} interval"), Column(f"{context.season} had")]
    caption = (
        f"What a survey needs for intervals at level {level}, from the spread seen on this water. Runs are like those of "
        f"{context.season}, and of these the first passes are meant. The interval says how far the answer can be trusted."
    )
    data = [r.record() for r in chosen]
    said = tuple(f"{'; '.join(where)}: {note}." for note, where in notes.items())
    return frame_table("needs", caption, columns, rows, notes=said, data=data)


def _drawn(plan: NextSeason) -> list[SpeciesPlan]:
    return [one for one in plan.species if one.curve.runs.size]


def precision_figure(plan: NextSeason, wanted: float, context: Context) -> Figure | None:
    """Precision of the catch rate against the number of runs, by formula and by simulation."""
    shown = _drawn(plan)
    if not shown:
        return None
    formula, drawn = looks(["formula", "simulation"]).values()
    rows, sentences = [], []
    with style():
        figure, axes = drawing(1, len(shown), height=2.9)
        for ax, one in zip(axes[0], shown, strict=True):
            c = one.curve
            reached = _half_width(one.reached)
            at = c.runs >= min(4, c.runs.max())
            ax.plot(c.runs[at], 100 * c.by_formula[at], color=formula.colour, linestyle=formula.dash, label="by formula")
            ax.plot(c.runs[at], 100 * c.by_simulation[at], color=drawn.colour, linestyle=drawn.dash, label="by simulation")
            ax.axhline(100 * wanted, color=GREY, linewidth=0.9, linestyle=(0, (1, 2)), label="wanted")
            if math.isfinite(reached):
                ax.plot(
                    one.runs_made, 100 * reached, linestyle="none", marker="D", color=INK, label=f"{context.season}, as reported"
                )
            ax.set_ylim(0, min(200.0, 100 * max(4 * wanted, 1.3 * (reached if math.isfinite(reached) else 0.0))))
            ax.set_xlim(left=0)
            ax.set_xlabel("Runs")
            name = context.names[one.species]
            for runs in dict.fromkeys((10, one.runs_made, 20, 40, 80, 160)):
                if runs <= c.runs.max() and runs >= 2:
                    near = int(np.abs(c.runs - runs).argmin())
                    rows.append([name, f"{c.runs[near]:.0f}", _percent(c.by_formula[near]), _percent(c.by_simulation[near])])
            said = f"{name}: {c.needed_by_formula:.0f} runs by formula, {c.needed_by_simulation:.0f} by simulation"
            sentences.append(f"{said}; the {one.runs_made} {_kind(one)} of {context.season} reached {_percent(reached)}.")
        axes[0][0].set_ylabel("Half-width of the interval (%)")
        handles = {text: handle for ax in axes[0] for handle, text in zip(*ax.get_legend_handles_labels(), strict=True)}
        figure.legend(handles.values(), handles.keys(), loc="outside lower center", ncols=4)
        letter(axes, [context.names[one.species] for one in shown])
        svg = to_svg(figure)
    columns = [Column("Species", align="left"), Column("Runs"), Column("By formula"), Column("By simulation")]
    behind = frame_table(
        "precision-numbers", "Half-width of the interval of the catch rate at round numbers of runs.", columns, rows
    )
    caption = (
        "How precise the catch rate of fish of stock length and longer is after so many runs: half the interval, in percent of "
        f"the rate. The diamond is the interval that this report gives for {context.season} (its longer side); it allows for "
        "reaches and for few runs, so that it may lie beside the curves."
    )
    alt = f"Falling curves of interval width against runs, one panel a species. {' '.join(sentences)}"
    return Figure("precision-runs", caption, alt, svg, behind)


def _change_words(change: float) -> str:
    return f"{'fall' if change < 0 else 'rise'} of {abs(change):g}% a year"


def power_figure(plan: NextSeason, power: float, context: Context) -> Figure | None:
    """Power of today's survey to see a yearly change, against the number of seasons."""
    shown = [one for one in plan.species if one.power is not None]
    if not shown:
        return None
    look = looks([str(change) for change in CHANGES])
    sentences = []
    with style():
        figure, axes = drawing(1, len(shown), height=2.9, sharey=True)
        for ax, one in zip(axes[0], shown, strict=True):
            curve = one.power
            assert curve is not None
            for j, change in enumerate(CHANGES):
                own = look[str(change)]
                ax.plot(curve.years, curve.by_formula[:, j], color=own.colour, linestyle=own.dash)
                ax.plot(
                    curve.years, curve.by_simulation[:, j], color=own.colour, linestyle="none", marker=own.marker, markersize=4,
                    markerfacecolor="white",
                )  # fmt: skip
            ax.axhline(power, color=GREY, linewidth=0.9, linestyle=(0, (1, 2)))
            ax.set_ylim(0, 1.03)
            ax.set_xticks([3, 5, 7, 10, 15])
            ax.set_xlabel("Seasons")
            j = len(CHANGES) // 2
            sentences.append(
                f"{context.names[one.species]}: a {_change_words(CHANGES[j])} is seen with power "
                f"{joined([f'{curve.by_formula[YEARS.index(n), j]:.2f} in {n} seasons' for n in SHOWN_YEARS])}."
            )
        axes[0][0].set_ylabel("Power")
        for change in CHANGES:
            own = look[str(change)]
            style_of = {"color": own.colour, "linestyle": own.dash, "marker": own.marker, "markersize": 4}
            axes[0][0].plot([], [], label=_change_words(change), markerfacecolor="white", **style_of)
        figure.legend(loc="outside lower center", ncols=len(CHANGES))
        letter(axes, [context.names[one.species] for one in shown])
        svg = to_svg(figure)
    caption = (
        "Chance that a survey like today's, repeated every season at the same sites, tells a steady fall in the catch rate of "
        "fish of stock length and longer from no change. Lines: by formula; markers: by simulated surveys; dotted: the power "
        "wanted."
    )
    alt = f"Rising curves of power against seasons, one panel a species. {' '.join(sentences)}"
    return Figure("power", caption, alt, svg, power_table(plan, context))


def power_table(plan: NextSeason, context: Context) -> Table | None:
    """Power at 3, 5 and 10 seasons, by formula and by simulation."""
    rows = []
    for one in plan.species:
        if one.power is None:
            continue
        for j, change in enumerate(CHANGES):
            at = [YEARS.index(years) for years in SHOWN_YEARS]
            cells = [f"{one.power.by_formula[i, j]:.2f} ({one.power.by_simulation[i, j]:.2f})" for i in at]
            rows.append([context.names[one.species], _change_words(change), *cells])
    if not rows:
        return None
    columns = [Column("Species", align="left"), Column("Change", align="left")]
    columns += [Column(f"{years} seasons") for years in SHOWN_YEARS]
    caption = (
        "Power to see a steady change in the catch rate with a survey like today's: by formula, and by simulation in brackets."
    )
    return frame_table("power-numbers", caption, columns, rows)


def spread_table(plan: NextSeason, context: Context) -> Table | None:
    """Spread of the catch rate between sites, and between runs of a site."""
    chosen = plan.results.where(quantity="catch_rate_spread")
    if not any(r.estimate.estimable for r in chosen):
        return None
    keys = [("Species", lambda r: context.names[str(r.species)]), ("Spread", lambda r: str(r.detail).capitalize())]
    caption = (
        "Spread of the catch rate within a season, as a coefficient of variation (1 is as much as the mean), from all seasons: "
        "between sites, and between runs of one site."
    )
    return estimates_table("spread", caption, chosen, context.units, keys=keys, value_heading="Spread", n_heading="Runs")


def sharing_table(plan: NextSeason, context: Context) -> Table | None:
    """Sites against repeat runs, at this season's effort."""
    species = [one.species for one in plan.species if (one.species, 0.0) in plan.sharing]
    if not species:
        return None
    rows = []
    for cost, words in ((0.0, "nothing"), (1.0, "as much as a run")):
        tables = {key: plan.sharing[key, cost].frame.set_index("runs_per_site") for key in species}
        first = tables[species[0]]
        for repeats in first.index:
            errors = [_percent(float(tables[key].loc[repeats, "relative_error"])) for key in species]
            sites, runs = int(first.loc[repeats, "sites"]), int(first.loc[repeats, "runs"])
            rows.append([words, str(repeats), str(sites), str(runs), *errors])
    columns = [Column("A new site costs", align="left"), Column("Runs a site"), Column("Sites"), Column("Runs")]
    columns += [Column(context.names[key]) for key in species]
    caption = (
        f"Half-width of the interval of a season's catch rate when the effort of {context.season} ({counted(plan.runs, 'run')} "
        f"at {counted(plan.sites, 'site')}) is shared out otherwise, with sites drawn anew. A trend over the same sites does not "
        "suffer from the spread between them: do not change fixed sites for the sake of this table."
    )
    return frame_table("sites-or-repeats", caption, columns, rows)


def bin_table(plan: NextSeason, what: str, context: Context) -> Table | None:
    """Fish to ``age`` or to ``weigh`` in each length bin, one column a species."""
    chosen: dict[str, BinPlan] = {one.species: getattr(one, what) for one in plan.species if getattr(one, what).total.estimable}
    if not chosen:
        return None
    frames = {key: p.frame[p.frame["share"] >= _LEAST_SHARE] for key, p in chosen.items()}
    bounds = sorted({(low, high) for f in frames.values() for low, high in zip(f["lower_mm"], f["upper_mm"], strict=True)})
    needed = {key: dict(zip(f["lower_mm"], f["needed"], strict=True)) for key, f in frames.items()}
    rows = []
    for low, high in bounds:
        cells = [f"{needed[key][low]:.0f}" if low in needed[key] else NO_VALUE for key in frames]
        if any(cell not in (NO_VALUE, "0") for cell in cells):
            shorter = context.units.length(low).removesuffix(f" {context.units.length_unit}")
            rows.append([f"{shorter} to {context.units.length(high)}", *cells])
    whole = {key: round(p.total.value) for key, p in chosen.items()}
    rare = [whole[key] - sum(int(f"{n:.0f}") for n in needed[key].values()) for key in frames]
    notes = []
    if any(rare):
        rows.append(["Rarer lengths", *(f"{n:,}" for n in rare)])
        notes = [f"Rarer lengths are bins of fewer than one fish in a thousand each: fish to {what} of these are taken as met."]
    rows.append(["All bins", *(f"{n:,}" for n in whole.values())])
    columns = [Column("Length", align="left"), *(Column(context.names[key]) for key in frames)]
    aim = {
        "age": f"every age's share of the catch within {AGE_POINTS:g} percentage points",
        "weigh": f"mean weight at length of each bin within {100 * WEIGHT_SHARE:g}%",
    }[what]
    caption = f"Fish to {what} in each length bin, for {aim}; from the spread in all seasons."
    return frame_table(f"bins-{what}", caption, columns, rows, notes=notes)


def findings(plan: NextSeason, wanted: float, power: float, context: Context) -> Findings:
    """One plain sentence each: runs, fish to measure, weigh and age, sites or repeats, power."""
    said: list[Finding] = []
    for place, one in enumerate(plan.species):
        said += _runs(plan, one, wanted, context, key=place == 0)
        said += _fish(plan, one, context)
        said += _power(plan, one, power, context)
    said += _sharing(plan, context)
    return collect(said)


def _kind(one: SpeciesPlan) -> str:
    """What the runs that count are called: ``first-pass runs`` where others were left out."""
    return "first-pass runs" if one.reached is not None and LATER_RUNS in one.reached.notes else "runs"


def _runs(plan: NextSeason, one: SpeciesPlan, wanted: float, context: Context, *, key: bool) -> list[Finding]:
    result = plan.results.one(quantity="runs_needed", species=one.species, size_class=one.size_class)
    if result is None:
        return []
    if not result.estimate.estimable:
        return list(context.writer.few_data([result]))
    e = result.estimate
    value, interval = _whole(e, context)
    limits = f" ({percent_level(e.level)} interval {interval})" if interval != NO_VALUE else ""
    name = context.writer.nouns.fish(one.species, one.size_class)
    text = f"about {value} runs{limits} would give the catch rate of {name} within {100 * wanted:g}%"
    c, r, same = one.curve, one.reached, math.nan
    if c.runs.size and one.runs_made >= 2:
        same = float(stats.t.ppf((1 + c.level) / 2, one.runs_made - 1)) * c.cv / math.sqrt(one.runs_made)
        text += f"; by the same reckoning the {one.runs_made} {_kind(one)} of {context.season} gave it within {_percent(same)}"
    if r is not None and math.isfinite(_half_width(r)):
        down, up = (r.value - r.lower) / r.value, (r.upper - r.value) / r.value
        text += f", and the interval that is reported reaches {_percent(down)} down and {_percent(up)} up"
        wider = (down + up) / 2 / same
        if wider > FAR_APART:
            text, key = f"{text}: few runs in each reach make it wider than so reckoned, and more would be needed", False
        elif wider < 1 / FAR_APART:
            text, key = f"{text}: differences between reaches do not widen it, and fewer would do", False
    return [Finding(sentence(text), (result.id,), key=key)]


def _fish(plan: NextSeason, one: SpeciesPlan, context: Context) -> list[Finding]:
    wanted = {
        "fish_to_measure": ("measure", f"the share that reach quality length within {SHARE_POINTS:g} percentage points"),
        "fish_to_weigh": ("weigh", f"the mean relative weight within {WEIGHT_POINTS:g} points"),
        "fish_to_age": ("age", f"each age's share of the catch within {AGE_POINTS:g} percentage points"),
    }
    chosen = [r for r in plan.results.where(species=one.species) if r.quantity in wanted and r.estimate.estimable]
    parts = []
    for result in chosen:
        verb, aim = wanted[result.quantity]
        had = _had(result, one)
        past = {"measure": "measured", "weigh": "weighed", "age": "aged"}[verb]
        which = " of stock length" if verb == "measure" else ""
        value, interval = _whole(result.estimate, context)
        sure = "" if interval == NO_VALUE else f" ({percent_level(result.estimate.level)} interval {interval})"
        parts.append(f"{verb} about {value}{which}{sure} for {aim} ({had} were {past} in {context.season})")
    if not parts:
        return []
    text = f"of {context.writer.nouns.species_name(one.species)}, {'; '.join(parts)}"
    return [Finding(sentence(text), tuple(r.id for r in chosen))]


def _power(plan: NextSeason, one: SpeciesPlan, power: float, context: Context) -> list[Finding]:
    curve = one.power
    if curve is None:
        none = plan.results.where(quantity="power_to_detect", species=one.species)
        reason = next((r.estimate.notes[0].removeprefix("not estimable: ") for r in none), "too few data")
        name = context.writer.nouns.species_name(one.species)
        text = f"what power the survey has to see a change in the catch rate of {name} cannot be told: {reason}"
        return [Finding(sentence(text), tuple(r.id for r in none), "unclear")]
    j = len(CHANGES) // 2
    found = [
        r for r in plan.results.where(quantity="power_to_detect", species=one.species) if f"{CHANGES[j]:g}%" in str(r.detail)
    ]
    years = curve.years_needed(power, change=j)
    name = context.writer.nouns.fish(one.species, one.size_class)
    reached = f"after {years:.0f} seasons" if math.isfinite(years) else f"not even after {YEARS[-1]} seasons"
    chances = joined([f"{curve.by_formula[YEARS.index(n), j]:.2f} in {n}" for n in SHOWN_YEARS])
    text = (
        f"a survey like today's would tell a {_change_words(CHANGES[j])} in the catch rate of {name} from no change with power "
        f"{power:g} {reached} (by formula); its power is {chances} seasons"
    )
    drawn = [curve.by_simulation[YEARS.index(n), j] for n in SHOWN_YEARS]
    if max(abs(a - curve.by_formula[YEARS.index(n), j]) for a, n in zip(drawn, SHOWN_YEARS, strict=True)) > APART:
        simulated = joined([f"{a:.2f} in {n}" for a, n in zip(drawn, SHOWN_YEARS, strict=True)])
        text += f"; simulated surveys, in which fish grow scarce, give {simulated}"
    return [Finding(sentence(text), tuple(r.id for r in found))]


def _sharing(plan: NextSeason, context: Context) -> list[Finding]:
    keys = [one.species for one in plan.species if (one.species, 0.0) in plan.sharing]
    if not keys:
        return []
    ids = tuple(r.id for r in plan.results.where(quantity="catch_rate_spread", species=keys))
    best = [int(plan.sharing[key, 1.0].best["runs_per_site"]) for key in keys]
    if max(best) == 1:
        answer = "one run at each of more sites would give the most precise catch rate of a single season"
    elif min(best) == max(best):
        answer = f"{max(best)} runs a site give the most precise catch rate of a single season"
    else:
        each = joined([f"{n} for {context.writer.nouns.species_name(key)}" for key, n in zip(keys, best, strict=True)])
        answer = f"the runs a site that give the most precise catch rate of a single season are {each}"
    text = f"where a new site costs as much as a run, {answer}; for the trend, the same sites every year count for more"
    return [Finding(sentence(text), ids)]
