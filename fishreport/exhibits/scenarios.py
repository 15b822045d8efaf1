"""Tables of the scenario chapter: the rules in words, what they start from, what they give, and the chance to meet the plan."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from fishreport.analysis.scenarios import Comparison, Measure, Scenarios, relative_units
from fishreport.exhibits.context import Context
from fishreport.exhibits.exhibit import Column, Table
from fishreport.exhibits.notes import shown_note
from fishreport.exhibits.scenario_doubts import doubt_sentences
from fishreport.exhibits.scenario_words import (
    aim_words,
    bag_words,
    catch_rate_notes,
    chance_range,
    creel_words,
    letters,
    measure_heading,
    noncompliance,
    when,
)
from fishreport.exhibits.tabulate import frame_table, heading, joined
from fishreport.exhibits.units import NO_VALUE, format_estimate, format_number
from fishreport.exhibits.wording import sentence
from fishreport.methods.estimate import Estimate
from fishreport.population.decision import Outcome

FISHING = (
    "scenario_harvest", "scenario_yield", "scenario_kept_against_rule", "scenario_catch_rate",
)  # fmt: skip
UNCLEAR = (
    "Rules by their letters. A question mark: the interval spans zero, so that the data behind the inputs cannot tell the two "
    "rules apart on this."
)
CAUTION = "Simulations inform; licensed managers and the public process decide."
MOST_SIDE_BY_SIDE = 2
_MORE_DECIMALS, _COARSE = 2, 1.2
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
    "hours_per_trip": "Length of an angler's trip",
    "catch_dispersion": "How alike trips are in their catch",
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


def kept_against_rule(one: Comparison, *, releases: bool = False) -> str:
    """What is counted as kept against the rule, and, of a table with `releases` only, that nothing else is kept there."""
    share = noncompliance(one)
    if share == 0:
        return "No fish is assumed to be kept against the rule."
    text = (
        f"Fish kept against the rule are {100 * share:.2g}% of the protected fish that are caught, and no part of legal harvest"
    )
    if releases and any(not rule.may_keep for rule in one.inputs.rules):
        text += ". Under catch and release they are all that is kept, and hang on that share alone"
    return f"{text}."


def input_name(name: str) -> str:
    """An input in plain words; what follows a colon says where it holds."""
    name, _, where = name.partition(": ")
    words = _INPUTS.get(name, heading(name.replace("_", " ")))
    return f"{words}, {where}" if where else words


def value_text(estimate: Estimate, context: Context) -> str:
    """A value with its interval in the digits of the tables: ``23 (9 to 50)``."""
    if estimate.estimable and estimate.value == estimate.lower == estimate.upper == 0:
        return "0"
    shown = format_estimate(estimate, context.units)
    return shown.value if shown.interval == NO_VALUE else f"{shown.value} ({shown.interval})"


def gap_text(gap: Estimate, value: Estimate, context: Context) -> tuple[str, str]:
    """A difference with its sign, and its interval, in the decimals of the value that it is a difference from.

    There is one more where half of the interval is under 1.2 of the last digit, and where the interval leaves zero out, decimals
    are added (two at the most) until both limits are seen to.
    """
    if not gap.estimable or gap.value == gap.lower == gap.upper == 0:
        return ("0" if gap.estimable else format_estimate(gap, context.units).value), NO_VALUE
    parts = [float(context.units.quantity(x, gap.units, difference=True)[0]) for x in (gap.value, gap.lower, gap.upper)]
    scale = value if value.estimable and value.value else gap
    decimals = len(format_estimate(scale, context.units).value.partition(".")[2])
    decimals += (parts[2] - parts[1]) / 2 < _COARSE * 10.0**-decimals
    nearest = min(abs(parts[1]), abs(parts[2])) if parts[1] * parts[2] > 0 else 1.0
    more = next((n for n in range(_MORE_DECIMALS) if round(nearest, decimals + n) > 0), _MORE_DECIMALS)
    amount, low, high = (format_number(x, decimals=decimals + more) for x in parts)
    plus = "+" if gap.value > 0 and any(digit in amount for digit in "123456789") else ""
    return f"{plus}{amount}", f"{low} to {high}"


def missing_table(found: Scenarios, context: Context) -> Table | None:
    """What a study lacks for its scenarios and how to give it; None when nothing is missing."""
    rows = []
    if not found.species:
        rows.append(
            ["Any", "No rule is named to compare", "list rules under [[scenarios]] in the study file, today's rule first"]
        )
    for key, one in found.species.items():
        rows += [[context.names[key], shown_note(lack.what, context.units), lack.remedy] for lack in one.inputs.missing]
    columns = [Column("Species", align="left"), Column("What is missing", align="left"), Column("What to do", align="left")]
    caption = "Scenarios that could not be worked out, and what the study file needs for them."
    return frame_table("scenarios-missing", caption, columns, rows) if rows else None


def rules_table(found: Scenarios, context: Context) -> Table | None:
    """Every rule in words, as the tool reads it from the study file."""
    rows = []
    for one in found.species.values():
        fish = one.inputs.classes.species.name
        for letter, rule in zip(letters(one), one.inputs.rules, strict=True):
            rows.append([letter, rule.name, rule.sentence(units=context.units.system, fish=fish)])
    if not rows:
        return None
    columns = [Column("Rule", align="left"), Column("Name", align="left"), Column("What it says", align="left")]
    caption = (
        "The rules compared. Each sentence is written from the limits in the study file, so that it says what was simulated."
        if any(one.projection is not None for one in found.species.values())
        else "The rules that the study file names, in words; none could be compared."
    )
    notes = [text for one in found.species.values() for text in [bag_words(one, context)] if text]
    return frame_table("rules", caption, columns, rows, notes=notes)


def inputs_tables(compared: Sequence[Comparison], context: Context) -> list[Table]:
    """Every input with its interval and where it came from: two species side by side in one table, more in a table each."""
    known = [one for one in compared if one.inputs.sources]
    if len(known) == MOST_SIDE_BY_SIDE:
        return [_inputs_table(known, "inputs", context)]
    return [_inputs_table([one], f"inputs-{anchor(one)}", context) for one in known]


def _inputs_table(compared: Sequence[Comparison], label: str, context: Context) -> Table:
    names = [context.names[one.inputs.key] for one in compared]
    by_name = [{source.name: source for source in one.inputs.sources} for one in compared]
    rows, data = [], []
    for name in dict.fromkeys(name for sources in by_name for name in sources):
        sources = [one.get(name) for one in by_name]
        told = [(s.origin, shown_note(s.how, context.units), fish) for s, fish in zip(sources, names, strict=True) if s]
        whole = len({text for _, text, _ in told}) == 1 and len(told) == len(compared)
        text = told[0][1] if whole else "; ".join(f"{fish.lower()}: {how}" for _, how, fish in told)
        where = f"{' or '.join(dict.fromkeys(origin for origin, _, _ in told))}; {text}"
        rows.append([input_name(name), *(NO_VALUE if s is None else _input_text(s.estimate, context) for s in sources), where])
        for one, source in zip(compared, sources, strict=True):
            if source is not None:
                e = source.estimate
                data.append({"species": one.inputs.key, "input": name, "value": e.value, "lower": e.lower, "upper": e.upper,
                             "units": e.units, "origin": source.origin, "how": source.how})  # fmt: skip
    single = len(compared) == 1
    columns = [Column("Input", align="left"), *(Column("Value and interval" if single else name, align="left") for name in names)]
    columns.append(Column("Origin, and from what", align="left"))
    title = joined([names[0], *(name[0].lower() + name[1:] for name in names[1:])])
    caption = f"{title}: what the scenarios start from, and where each input came from."
    said: dict[str, list[str]] = {}
    for name, one in zip(names, compared, strict=True):
        for note in (*one.inputs.notes, *(one.projection.notes if one.projection else ())):
            said.setdefault(sentence(shown_note(note, context.units)), []).append(name)
    notes = [
        "A value without an interval is taken as exact: nothing measured tells how far it may be off.",
        *(text if len(of) == len(names) else f"{joined(of)}: {text[0].lower()}{text[1:]}" for text, of in said.items()),
    ]
    return frame_table(label, caption, columns, rows, notes=tuple(notes), data=data)


def _input_text(e: Estimate, context: Context) -> str:
    text = format_estimate(e, context.units)
    unit = "" if text.unit.startswith("log10") else text.unit
    value = NO_VALUE if not e.estimable else text.value if text.interval != NO_VALUE else _exact(text.value)
    return f"{value} {unit}".strip() + ("" if text.interval == NO_VALUE else f" ({text.interval})")


def _exact(text: str) -> str:
    """A number that is taken as exact, without zeros that say nothing."""
    return text.rstrip("0").rstrip(".") if "." in text else text


def anchor(one: Comparison) -> str:
    """The species' part of a table's label."""
    return one.inputs.key.replace("_", "-")


def decision_table(one: Comparison, context: Context) -> Table | None:
    """The probability that each aim of the plan is met under each rule in each reported year, as number and shade."""
    if not one.chances:
        return None
    keys = [(aim, year) for aim in one.aims for year in one.horizons]
    columns = [Column("Rule", align="left")]
    columns += [Column(aim_words(aim, one, context), when(one, year)) for aim, year in keys]
    found = {(chance.scenario, chance.goal, chance.year): chance.probability for chance in one.chances}
    draws = one.chances[0].probability.n
    rows, shades, data = [], [], []
    for letter, rule in zip(letters(one), one.inputs.rules, strict=True):
        row, dark = [f"{letter}  {rule.name}"], [None]
        for aim, year in keys:
            p = found[rule.name, aim.goal, year]
            row.append(chance_range(p))
            dark.append(round(p.value, 3))  # type: ignore[arg-type]
            data.append({"scenario": rule.name, "objective": aim.objective.quantity, "size_class": aim.objective.size_class,
                         "year": year, "probability": p.value, "lower": p.lower, "upper": p.upper})  # fmt: skip
        rows.append(tuple(row))
        shades.append(tuple(dark))
    names = joined([f"{o.name or o.quantity.replace('_', ' ')} ({why})" for o, why in one.left_out])
    notes = [f"Not held against the rules: {names}."] if names else []
    notes.append(
        "Shares of draws that meet the aim: they carry the uncertainty of the inputs and the luck of recruitment, not that of "
        f"the form of the model. In brackets, how far the number of draws ({draws}) leaves the share open. The darker the "
        "ground, the more probable; the number says the same."
    )
    notes += doubt_sentences(one)
    rates = any(aim.objective.quantity == "catch_rate" for aim in one.aims)
    if rates:
        notes.append("The survey's catch rate is taken to follow the number of fish, from today's rate on.")
    caption = f"{context.names[one.inputs.key]}: probability that each aim of the management plan is met, by rule. {CAUTION}"
    return Table(f"decision-{anchor(one)}", caption, tuple(columns), tuple(rows), tuple(notes), tuple(data), tuple(shades))


def gap_cell(outcome: Outcome, today: Estimate, context: Context) -> str:
    """``+13 (7 to 25)``, with a question mark where the interval spans zero."""
    told, interval = gap_text(outcome.verdict.difference, today, context)
    return told if interval == NO_VALUE else f"{told} ({interval}){' ?' if outcome.verdict.cannot_tell else ''}"


def _record(measure: Measure, outcome: Outcome) -> dict[str, Any]:
    value, gap = outcome.value, outcome.verdict.difference
    return {"scenario": outcome.scenario, "quantity": measure.result, "size_class": measure.size_class, "year": outcome.year,
            "value": value.value, "lower": value.lower, "upper": value.upper, "difference": gap.value,
            "difference_lower": gap.lower, "difference_upper": gap.upper, "units": value.units}  # fmt: skip


def _grid(
    one: Comparison, context: Context, label: str, caption: str, measures: Sequence[Measure], notes: Sequence[str]
) -> Table:
    """A row of outcomes for each rule, and under it one of its differences from today's rule."""
    year = one.horizons[-1]
    columns = [Column("Rule", align="left")]
    columns += [Column(measure_heading(measure, context, one), measure_unit(one, measure, context)) for measure in measures]
    rows, data = [], []
    for place, letter in enumerate(letters(one)):
        outcomes = [one.outcomes[measure.quantity, year] for measure in measures]
        row = [letter, *(value_text(of[place].value, context) for of in outcomes)]
        gaps = [f"{letter} less A", *(gap_cell(of[place], of[0].value, context) for of in outcomes)]
        data += [_record(measure, of[place]) for measure, of in zip(measures, outcomes, strict=True)]
        rows += [row, gaps] if place else [row]
    return frame_table(f"{label}-{anchor(one)}", caption, columns, rows, notes=notes, data=data)


def measure_unit(one: Comparison, measure: Measure, context: Context, *, difference: bool = False) -> str:
    """The unit of a measure as shown; of its difference, percentage points for a percentage."""
    units = one.outcomes[measure.quantity, one.horizons[-1]][0].value.units
    if units == "percent":
        return "percentage points" if difference else "%"
    return context.units.units(relative_units(units) if one.inputs.relative else units)


def _parts(one: Comparison) -> list[tuple[str, str, list[Measure]]]:
    """What anglers meet, and what is in the water: label, words and measures of each."""
    fishing = [measure for measure in one.measures if measure.result in FISHING]
    fish = [measure for measure in one.measures if measure not in fishing]
    return [
        ("fishing", "what anglers catch and keep", fishing),
        ("fish", "the fish in the water, and those that die of release", fish),
    ]


def _side_by_side(one: Comparison, context: Context, caption: str, notes: Sequence[str]) -> Table:
    """A row for each measure, a column for each of at most two rules, and one for their difference."""
    columns, rows, data = [Column("Outcome", align="left")], [], []
    columns += [Column(f"Rule {letter}") for letter in letters(one)]
    columns += [Column("B less A")] if len(one.inputs.rules) > 1 else []
    for measure in one.measures:
        outcomes = one.outcomes[measure.quantity, one.horizons[-1]]
        cells = [value_text(outcome.value, context) for outcome in outcomes]
        cells += [gap_cell(outcome, outcomes[0].value, context) for outcome in outcomes[1:]]
        rows.append([f"{measure_heading(measure, context, one)}, {measure_unit(one, measure, context)}", *cells])
        data += [_record(measure, outcome) for outcome in outcomes]
    return frame_table(f"outcomes-{anchor(one)}", caption, columns, rows, notes=notes, data=data)


def _not_like_for_like(one: Comparison) -> list[str]:
    """Where a rule's numbers rest on more than today's fishing tells."""
    today, said = one.inputs.rules[0], catch_rate_notes(one)
    lengths = np.arange(100.0, 800.0, 5.0)
    if any((rule.legal(lengths) & ~today.legal(lengths)).any() for rule in one.inputs.rules[1:]):
        said.append("Of fish that become legal anglers are taken to let go the share that they let go of the fish legal today.")
    return said


def outcomes_tables(one: Comparison, context: Context) -> list[Table]:
    """What each rule gives in the last year, and its difference from today's rule: for anglers, and in the water.

    One or two rules stand side by side in one table.
    """
    if one.projection is None:
        return []
    name, year = context.names[one.inputs.key], when(one, one.horizons[-1])
    large = next(measure for measure in one.measures if measure.result == "scenario_trophy")
    relative = ["Today's density is not known: numbers are for 1,000 fish of today's counted length, not for a river."]
    relative = relative if one.inputs.relative else []
    against = ", and its difference from today's rule (A) within each draw" if len(one.inputs.rules) > 1 else ""
    words = f"what each rule gives in {year}{against}; medians and intervals over all draws."
    unclear = [UNCLEAR] if len(one.inputs.rules) > 1 else []
    fishing = [kept_against_rule(one, releases=True), *(f"{text}." for text in [creel_words(one, context)] if text)]
    fishing += [*_not_like_for_like(one), *doubt_sentences(one)]
    stand_for = f"Fish of {large.size_class} length stand for large fish: next to none grow longer here."
    fish = [stand_for] if large.size_class in context.classes_of(one.inputs.key).categories[:-1] else []
    if len(one.inputs.rules) <= MOST_SIDE_BY_SIDE:
        return [_side_by_side(one, context, f"{name}: {words}", [*unclear, *fishing, *fish, *relative])]
    parts = zip(_parts(one), ([*unclear, *fishing], [*unclear, *fish]), strict=True)
    return [
        _grid(one, context, f"outcomes-{label}", f"{name}, {what}: {words}", measures, [*notes, *relative])
        for (label, what, measures), notes in parts
    ]
