"""Tables of the scenario chapter: the rules in words, what they start from, what they give, and the chance to meet the plan."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from fishreport.analysis.scenarios import Comparison, Measure, Scenarios, relative_units
from fishreport.exhibits.context import Context
from fishreport.exhibits.exhibit import Column, Table
from fishreport.exhibits.notes import shown_note
from fishreport.exhibits.scenario_words import aim_words, letters, measure_heading, when
from fishreport.exhibits.tabulate import frame_table, heading, joined
from fishreport.exhibits.units import MINUS, NO_VALUE, format_estimate, format_number
from fishreport.exhibits.wording import sentence
from fishreport.methods.estimate import Estimate

FISHING = ("scenario_harvest", "scenario_yield", "scenario_catch_rate", "scenario_release_deaths")
CAUTION = "Simulations inform; licensed managers and the public process decide."
_INPUTS = {
    "asymptotic_length_mm": "Length that fish grow towards",
    "growth_coefficient": "Growth coefficient",
    "age_at_zero": "Age at length zero, ages as read at the survey",
    "length_cv": "Spread of length at age (share of the mean)",
    "weight_slope": "Slope of log weight on log length",
    "natural_mortality": "Natural mortality rate",
    "fishing_mortality": "Fishing mortality rate of fish open to harvest",
    "release_mortality": "Share of released fish that die",
    "noncompliance": "Share of protected fish kept all the same",
    "voluntary_release": "Share of legal fish let go by choice",
    "catch_per_hour": "Anglers' catch rate today",
    "effort_h_per_km": "Angling effort in a year",
    "density_per_km": "Fish of the counted length today",
    "maximum_age": "Oldest age followed",
    "steepness": "Steepness of recruitment",
    "recruitment_sd": "Spread of recruitment (log scale)",
    "recruitment_autocorrelation": "Correlation of recruitment between years",
    "recruitment_luck": "Good or bad luck of recruitment to come",
    "length_at_maturity_mm": "Length at which half are mature",
    "age_at_maturity": "Age at which half are mature",
    "vulnerability_length_mm": "Length at which half can be caught by anglers",
    "age_composition": "Ages of today's fish",
}


def kept_against_rule(one: Comparison) -> str:
    """What harvest counts beside the legal fish, with the share that was taken for it, and what that means without harvest."""
    share = next((s.estimate.value for s in one.inputs.sources if s.name == "noncompliance"), math.nan)
    text = "Harvest counts the fish kept against the rule too"
    if math.isfinite(share):
        text += f": {100 * share:g}% of the protected fish that are caught"
    if any(not rule.may_keep for rule in one.inputs.rules):
        text += ". What catch and release still harvests is all of that kind, and hangs on that share alone"
    return f"{text}."


def input_name(name: str) -> str:
    """An input in plain words."""
    return _INPUTS.get(name, heading(name.replace("_", " ")))


def _both(estimate: Estimate, context: Context, *, signed: bool = False) -> str:
    shown = format_estimate(estimate, context.units)
    plus = "+" if signed and estimate.estimable and estimate.value > 0 and any(d in shown.value for d in "123456789") else ""
    return f"{plus}{shown.value}" if shown.interval == NO_VALUE else f"{plus}{shown.value} ({shown.interval})"


def missing_table(found: Scenarios, context: Context) -> Table | None:
    """What a study lacks for its scenarios and how to give it; None when nothing is missing."""
    rows = []
    if not found.species:
        rows.append(
            ["Any", "No rule is named to compare", "list rules under [[scenarios]] in the study file, today's rule first"]
        )
    for key, one in found.species.items():
        for text in one.inputs.missing:
            what, _, how = text.partition(": ")
            rows.append([context.names[key], what, how])
    columns = [Column("Species", align="left"), Column("What is missing", align="left"), Column("What to do", align="left")]
    caption = "Scenarios that could not be worked out, and what the study file needs for them."
    return frame_table("scenarios-missing", caption, columns, rows) if rows else None


def rules_table(found: Scenarios, context: Context) -> Table | None:
    """Every rule in words, as the tool reads it from the study file."""
    rows = []
    for key, one in found.species.items():
        fish = one.inputs.classes.species.name
        for letter, rule in zip(letters(one), one.inputs.rules, strict=True):
            name = context.names[key] if len(found.species) > 1 else ""
            rows.append([letter, name, rule.name, rule.sentence(units=context.units.system, fish=fish)])
    if not rows:
        return None
    columns = [Column("Rule", align="left"), Column("Species", align="left"), Column("Name", align="left")]
    columns.append(Column("What it says", align="left"))
    caption = (
        "The rules compared. Each sentence is written from the limits in the study file, so that it says what was simulated."
    )
    return frame_table("rules", caption, columns, rows)


def inputs_table(one: Comparison, context: Context) -> Table | None:
    """Every input of a species with its interval and where it came from."""
    rows, data = [], []
    for source in one.inputs.sources:
        e = source.estimate
        text = format_estimate(e, context.units)
        unit = "" if text.unit.startswith("log10") else text.unit
        value = NO_VALUE if not e.estimable else text.value if text.interval != NO_VALUE else _exact(text.value)
        shown = f"{value} {unit}".strip() + ("" if text.interval == NO_VALUE else f" ({text.interval})")
        rows.append([input_name(source.name), shown, source.origin, shown_note(source.how, context.units)])
        data.append({"input": source.name, "value": e.value, "lower": e.lower, "upper": e.upper, "units": e.units,
                     "origin": source.origin, "how": source.how})  # fmt: skip
    if not rows:
        return None
    columns = [Column("Input", align="left"), Column("Value and interval", align="left")]
    columns += [Column("Origin", align="left"), Column("From", align="left")]
    name = context.names[one.inputs.key]
    caption = f"{name}: what the scenarios start from, and where each input came from."
    notes = [
        "A value without an interval is taken as exact: nothing measured tells how far it may be off.",
        *(sentence(shown_note(note, context.units)) for note in one.inputs.notes),
        *(sentence(shown_note(note, context.units)) for note in (one.projection.notes if one.projection else ())),
    ]
    return frame_table(f"inputs-{_anchor(one)}", caption, columns, rows, notes=tuple(notes), data=data)


def _exact(text: str) -> str:
    """A number that is taken as exact, without zeros that say nothing."""
    return text.rstrip("0").rstrip(".") if "." in text else text


def _anchor(one: Comparison) -> str:
    return one.inputs.key.replace("_", "-")


def chance_text(probability: float) -> str:
    """``0.87``, ``over 0.99``, ``under 0.01``."""
    return "over 0.99" if probability > 0.99 else "under 0.01" if probability < 0.01 else f"{probability:.2f}"


def decision_table(one: Comparison, context: Context) -> Table | None:
    """The probability that each aim of the plan is met under each rule in each reported year, as number and shade."""
    if not one.chances:
        return None
    keys = [(aim, year) for aim in one.aims for year in one.horizons]
    columns = [Column("Rule", align="left")]
    columns += [Column(aim_words(aim, one, context), when(one, year)) for aim, year in keys]
    found = {(chance.scenario, chance.goal, chance.year): chance.probability for chance in one.chances}
    rows, shades, data = [], [], []
    for letter, rule in zip(letters(one), one.inputs.rules, strict=True):
        row, dark = [f"{letter}  {rule.name}"], [None]
        for aim, year in keys:
            p = found[rule.name, aim.goal, year]
            row.append(chance_text(p.value))
            dark.append(round(p.value, 3))  # type: ignore[arg-type]
            data.append({"scenario": rule.name, "objective": aim.objective.quantity, "size_class": aim.objective.size_class,
                         "year": year, "probability": p.value, "lower": p.lower, "upper": p.upper})  # fmt: skip
        rows.append(tuple(row))
        shades.append(tuple(dark))
    names = joined([f"{o.name or o.quantity.replace('_', ' ')} ({why})" for o, why in one.left_out])
    notes = [f"Not held against the rules: {names}."] if names else []
    notes.append(
        "Shares of draws that meet the aim: they carry the uncertainty of the inputs and the luck of recruitment, not that of "
        "the form of the model. The darker the ground, the more probable; the number says the same."
    )
    rates = any(aim.objective.quantity == "catch_rate" for aim in one.aims)
    if rates:
        notes.append("The survey's catch rate is taken to follow the number of fish, from today's rate on.")
    caption = f"{context.names[one.inputs.key]}: probability that each aim of the management plan is met, by rule. {CAUTION}"
    return Table(f"decision-{_anchor(one)}", caption, tuple(columns), tuple(rows), tuple(notes), tuple(data), tuple(shades))


def _grid(
    one: Comparison,
    context: Context,
    label: str,
    caption: str,
    measures: Sequence[Measure],
    *,
    difference: bool,
    notes: Sequence[str],
) -> Table:
    year = one.horizons[-1]
    columns = [Column("Rule", align="left")]
    for measure in measures:
        unit = measure_unit(one, measure, context, difference=difference)
        columns.append(Column(measure_heading(measure, context, one), unit))
    rows, data = [], []
    for place, (letter, rule) in enumerate(zip(letters(one), one.inputs.rules, strict=True)):
        if difference and place == 0:
            continue
        row = [letter if difference else f"{letter}  {rule.name}"]
        for measure in measures:
            outcome = one.outcomes[measure.quantity, year][place]
            e = outcome.verdict.difference if difference else outcome.value
            mark = "?" if difference and outcome.verdict.cannot_tell else ""
            row.append(f"{_both(e, context, signed=difference)}{' ' if mark else ''}{mark}")
            data.append({"scenario": rule.name, "quantity": measure.result, "size_class": measure.size_class, "year": year,
                         "value": e.value, "lower": e.lower, "upper": e.upper, "units": e.units})  # fmt: skip
        rows.append(row)
    return frame_table(f"{label}-{_anchor(one)}", caption, columns, rows, notes=notes, data=data)


def measure_unit(one: Comparison, measure: Measure, context: Context, *, difference: bool = False) -> str:
    """The unit of a measure as shown; of its difference, percentage points for a percentage."""
    units = one.outcomes[measure.quantity, one.horizons[-1]][0].value.units
    if units == "percent":
        return "percentage points" if difference else "%"
    return context.units.units(relative_units(units) if one.inputs.relative else units)


def _parts(one: Comparison) -> list[tuple[str, str, list[Measure]]]:
    """What anglers meet, and what is in the water: label, words and measures of each."""
    fishing = [measure for measure in one.measures if measure.result in FISHING]
    return [
        ("fishing", "what anglers catch and keep", fishing),
        ("fish", "the fish in the water", [measure for measure in one.measures if measure not in fishing]),
    ]


def outcomes_tables(one: Comparison, context: Context) -> list[Table]:
    """What each rule gives in the last year, median and interval: for anglers, and in the water."""
    if one.projection is None:
        return []
    name, year = context.names[one.inputs.key], when(one, one.horizons[-1])
    large = next(measure for measure in one.measures if measure.result == "scenario_trophy")
    relative = ["Today's density is not known: numbers are for 1,000 fish of today's counted length, not for a river."]
    relative = relative if one.inputs.relative else []
    found = []
    for label, words, measures in _parts(one):
        notes = [kept_against_rule(one)] if label == "fishing" else []
        if label == "fish" and large.size_class in context.classes_of(one.inputs.key).categories[:-1]:
            notes.append(f"Fish of {large.size_class} length stand for large fish: next to none grow longer here.")
        caption = f"{name}, {words}: what each rule is expected to give in {year}; median and interval over all draws."
        label = f"outcomes-{label}"
        found.append(_grid(one, context, label, caption, measures, difference=False, notes=[*notes, *relative]))
    return found


def differences_tables(one: Comparison, context: Context) -> list[Table]:
    """Each rule against today's in the last year, with the interval of the difference within draws."""
    if one.projection is None or len(one.inputs.rules) < 2:
        return []
    name, year = context.names[one.inputs.key], when(one, one.horizons[-1])
    notes = [
        "Rules by their letters. A question mark: the interval spans zero, so the data cannot tell the two rules apart on this."
    ]
    found = []
    for label, words, measures in _parts(one):
        caption = (
            f"{name}, {words}: each rule less today's rule (A) in {year}; median and interval of the difference within each "
            "draw, which is far sharper than the outcomes themselves."
        )
        found.append(_grid(one, context, f"differences-{label}", caption, measures, difference=True, notes=notes))
    return found


def regret_table(one: Comparison, context: Context) -> Table | None:
    """What each rule loses on average against the best of each draw, and how often it is the best."""
    if not one.regrets or len(one.inputs.rules) < 3:  # of two rules the table of differences says all
        return None
    by_quantity = {measure.quantity: measure for measure in one.measures}
    columns = [Column("Rule", align="left")]
    for item in one.regrets:
        measure = by_quantity[item.quantity]
        unit = measure_unit(one, measure, context)
        columns += [Column(f"{measure_heading(measure, context, one)}: mean loss", unit), Column("Best in", "% of draws")]
    rows, data = [], []
    for place, (letter, rule) in enumerate(zip(letters(one), one.inputs.rules, strict=True)):
        row = [f"{letter}  {rule.name}"]
        for item in one.regrets:
            units = one.outcomes[item.quantity, one.horizons[-1]][0].value.units
            loss = context.units.quantity(float(item.mean[place]), units, difference=True)[0]
            row += [format_number(loss, digits=2), f"{100 * item.probability_best[place]:.0f}"]
            data.append({"scenario": rule.name, "quantity": by_quantity[item.quantity].result, "mean_regret": item.mean[place],
                         "high_regret": item.high[place], "probability_best": item.probability_best[place]})  # fmt: skip
        rows.append(row)
    caption = (
        f"{context.names[one.inputs.key]}: regret in {when(one, one.horizons[-1])}, what a rule gives less than the best rule "
        "of the same draw, on average. No rule is best on everything: what to want more of is not for a simulation to say."
    )
    return frame_table(f"regret-{_anchor(one)}", caption, columns, rows, notes=_dominance_notes(one), data=data)


def _dominance_notes(one: Comparison) -> list[str]:
    if one.dominance is None or not one.dominance.dominated:
        return ["No rule leaves another behind on both harvest and large fish."]
    share = f"{100 * one.dominance.certainty:g}%"
    code = dict(zip((rule.name for rule in one.inputs.rules), letters(one), strict=True))
    pairs = [f"{code[winner]} over {code[loser]}" for loser, winner in one.dominance.dominated]
    return [
        f"At least as good on both harvest and large fish, and better on one, in {share} of draws or more: {'; '.join(pairs)}."
    ]


def sensitivity_table(one: Comparison, context: Context) -> Table | None:
    """The difference from today's rule at other values of what no survey measures."""
    found, measure = one.sensitivity, one.sensitivity_measure
    if found is None or measure is None:
        return None
    rows, data = [], []
    for case in found.cases:
        row = [input_name(case.assumption), f"{case.value:g}"]
        for outcome in case.outcomes[1:]:
            e = outcome.verdict.difference
            value = context.units.quantity(e.value, e.units, difference=True)[0]
            text = format_number(value, digits=2)
            row.append(f"{'+' if value > 0 else ''}{text}{' ?' if outcome.verdict.cannot_tell else ''}".replace("+-", MINUS))
            data.append({"assumption": case.assumption, "value": case.value, "scenario": outcome.scenario, "difference": e.value,
                         "lower": e.lower, "upper": e.upper, "units": e.units})  # fmt: skip
        rows.append(row)
    unit = measure_unit(one, measure, context, difference=True)
    columns = [Column("Assumption", align="left"), Column("Value")]
    columns += [Column(f"{letter} less A", unit) for letter in letters(one)[1:]]
    what = measure_heading(measure, context, one)
    what = what[0].lower() + what[1:]
    caption = (
        f"{context.names[one.inputs.key]}: what hangs on assumptions that no survey measures. Median difference from today's "
        f"rule in {what} in {when(one, one.horizons[-1])}, one assumption changed at a time; today's fishing mortality stays as "
        "it was estimated. A question mark: the rules cannot be told apart."
    )
    return frame_table(f"sensitivity-{_anchor(one)}", caption, columns, rows, data=data)


def undecided_table(one: Comparison, context: Context) -> Table | None:
    """Which pairs of rules cannot be told apart, by measure; None for two rules, whose question marks say it already."""
    if one.projection is None or len(one.inputs.rules) < 3:
        return None
    code = dict(zip((rule.name for rule in one.inputs.rules), letters(one), strict=True))
    total = math.comb(len(code), 2)
    rows: list[list[Any]] = []
    for measure in one.measures:
        pairs = [f"{code[verdict.first]} and {code[verdict.second]}" for verdict in one.undecided[measure.quantity]]
        rows.append([measure_heading(measure, context, one), f"{len(pairs)} of {total}", "; ".join(pairs) or "none"])
    columns = [Column("Outcome", align="left"), Column("Pairs"), Column("Rules that cannot be told apart", align="left")]
    caption = (
        f"{context.names[one.inputs.key]}: where the data cannot tell two rules apart in {when(one, one.horizons[-1])}, since "
        "the interval of their difference spans zero."
    )
    return frame_table(f"undecided-{_anchor(one)}", caption, columns, rows)
