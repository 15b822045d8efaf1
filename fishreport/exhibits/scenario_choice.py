"""Tables for those who choose between rules: regret and dominance, what hangs on assumptions, and what cannot be told apart."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from fishreport.analysis.scenarios import Comparison
from fishreport.exhibits.context import Context
from fishreport.exhibits.exhibit import Column, Table
from fishreport.exhibits.scenario_words import catch_rate_notes, letters, measure_heading, when
from fishreport.exhibits.scenarios import anchor, gap_cell, input_name, measure_unit
from fishreport.exhibits.tabulate import frame_table
from fishreport.exhibits.units import format_number
from fishreport.population.sensitivity import Case, Sensitivity

# Assumption → a value of it as the head of a row, kept short so that the numbers have room, and the fish that it is a share of.
_VALUES = {
    "release_mortality": ("{} die", "of released fish that die"),
    "noncompliance": ("{} kept", "of protected fish caught that are kept against the rule"),
    "voluntary_release": ("{} let go", "of legal fish caught that are let go by choice"),
}


def _as_assumed(one: Comparison, case: Case) -> bool:
    """Whether a case holds the value that all other tables of the chapter rest on."""
    return one.inputs.angling is not None and bool(np.all(np.asarray(getattr(one.inputs.angling, case.assumption)) == case.value))


def _of_some_draws(one: Comparison, found: Sensitivity) -> str:
    """Over how many draws the cases were worked out."""
    assert one.projection is not None
    used, every = found.draws, one.projection.by_scenario.shape[1]
    if used >= every:
        return f"Over all {every} draws."
    return (
        f"Over {used} of the {every} draws, chosen to give about the differences and intervals that all give as assumed; other "
        "intervals are rougher than those of the tables above."
    )


def sensitivity_table(one: Comparison, context: Context) -> Table | None:
    """The difference from today's rule, with its interval, at other values of what no survey measures."""
    found, measure = one.sensitivity, one.sensitivity_measure
    if found is None or measure is None:
        return None
    today = one.outcomes[measure.quantity, one.horizons[-1]][0].value
    rows, data = [], []
    gear = len({(rule.gear, rule.release_mortality) for rule in one.inputs.rules}) > 1
    for case in found.cases:
        mark = ", as assumed" if _as_assumed(one, case) else ""
        row = [_VALUES[case.assumption][0].format(f"{100 * case.value:g}%") + mark]
        for outcome in case.outcomes[1:]:
            e = outcome.verdict.difference
            row.append(gap_cell(outcome, today, context))
            data.append({"assumption": case.assumption, "value": case.value, "scenario": outcome.scenario, "difference": e.value,
                         "lower": e.lower, "upper": e.upper, "units": e.units, "draws": found.draws})  # fmt: skip
        rows.append(row)
    unit = measure_unit(one, measure, context, difference=True)
    columns = [Column("If", align="left"), *(Column(f"{letter} less A", unit) for letter in letters(one)[1:])]
    what = measure_heading(measure, context, one)
    what = what[0].lower() + what[1:]
    caption = (
        f"{context.names[one.inputs.key]}: what hangs on what anglers are taken to do. Median difference from today's "
        f"rule in {what} in {when(one, one.horizons[-1])} with its interval, one assumption changed at a time; today's fishing "
        "mortality stays as it was estimated. A question mark: the simulations cannot tell the two rules apart."
    )
    shares = "; ".join(_VALUES[name][1] for name in dict.fromkeys(case.assumption for case in found.cases))
    notes = [f"Shares in the first column: {shares}.", _of_some_draws(one, found), *_told_by_creel(one, found, context)]
    if gear and any(case.assumption == "release_mortality" for case in found.cases):
        notes.append("The share of released fish that die is that under today's rule; under other gear it moves with it.")
    return frame_table(f"sensitivity-{anchor(one)}", caption, columns, rows, notes=notes, data=data)


def _told_by_creel(one: Comparison, found: Sensitivity, context: Context) -> list[str]:
    """What a survey of anglers tells of an assumption that is varied: the other tables rest on that."""
    told = {source.name: source for source in one.inputs.sources if source.origin == "estimated"}
    said = []
    for name in dict.fromkeys(case.assumption for case in found.cases):
        if name in told:
            e = told[name].estimate
            value, low, high = (f"{100 * x:.0f}" for x in (e.value, e.lower, e.upper))
            said.append(
                f"{input_name(name)} is estimated ({told[name].how}): {value}% ({low} to {high}), as in the other tables."
            )
    return said


def regret_table(one: Comparison, context: Context) -> Table | None:
    """What each rule loses on average against the best of each draw, and how often it is the best."""
    if not one.regrets or len(one.inputs.rules) < 3:  # of two rules the table of differences says all
        return None
    by_quantity = {measure.quantity: measure for measure in one.measures}
    columns = [Column("Rule", align="left")]
    for item in one.regrets:
        measure = by_quantity[item.quantity]
        unit = measure_unit(one, measure, context)
        columns += [Column(measure_heading(measure, context, one), f"{unit} lost"), Column("Best", "% of draws")]
    widest = {item.quantity: max(item.mean) for item in one.regrets}
    units_of = {item.quantity: one.outcomes[item.quantity, one.horizons[-1]][0].value.units for item in one.regrets}
    most = {name: float(context.units.quantity(loss, units_of[name], difference=True)[0]) for name, loss in widest.items()}
    decimals = {name: len(format_number(loss, digits=2).partition(".")[2]) for name, loss in most.items()}
    rows, data = [], []
    for place, (letter, rule) in enumerate(zip(letters(one), one.inputs.rules, strict=True)):
        row = [f"{letter}  {rule.name}"]
        for item in one.regrets:
            loss = context.units.quantity(float(item.mean[place]), units_of[item.quantity], difference=True)[0]
            row += [format_number(loss, decimals=decimals[item.quantity]), f"{100 * item.probability_best[place]:.0f}"]
            data.append({"scenario": rule.name, "quantity": by_quantity[item.quantity].result, "mean_regret": item.mean[place],
                         "high_regret": item.high[place], "probability_best": item.probability_best[place]})  # fmt: skip
        rows.append(row)
    caption = (
        f"{context.names[one.inputs.key]}: regret in {when(one, one.horizons[-1])}, what a rule gives less than the best rule "
        "of the same draw, on average. No rule is best on everything: what to want more of is not for a simulation to say."
    )
    return frame_table(
        f"regret-{anchor(one)}", caption, columns, rows, notes=[*_dominance_notes(one), *catch_rate_notes(one)], data=data
    )


def _dominance_notes(one: Comparison) -> list[str]:
    if one.dominance is None or not one.dominance.dominated:
        return ["No rule leaves another behind on both legal harvest and large fish."]
    share = f"{100 * one.dominance.certainty:g}%"
    code = dict(zip((rule.name for rule in one.inputs.rules), letters(one), strict=True))
    pairs = [f"{code[winner]} over {code[loser]}" for loser, winner in one.dominance.dominated]
    return [
        f"At least as good on both legal harvest and large fish, and better on one, in {share} of draws or more: "
        f"{'; '.join(pairs)}. Fish kept against the rule count for nothing here."
    ]


def undecided_table(one: Comparison, context: Context) -> Table | None:
    """Which pairs of rules cannot be told apart, by measure; None for two rules, whose question marks say it already."""
    if one.projection is None or len(one.inputs.rules) < 3:
        return None
    code = dict(zip((rule.name for rule in one.inputs.rules), letters(one), strict=True))
    total = math.comb(len(code), 2)
    rows: list[list[Any]] = []
    for measure in one.measures:
        gaps = ((verdict, verdict.difference) for verdict in one.undecided[measure.quantity])
        unlike = [verdict for verdict, gap in gaps if not gap.lower == gap.value == gap.upper == 0]
        pairs = [f"{code[verdict.first]} and {code[verdict.second]}" for verdict in unlike]
        rows.append([measure_heading(measure, context, one), f"{len(pairs)} of {total}", "; ".join(pairs) or "none"])
    columns = [Column("Outcome", align="left"), Column("Pairs"), Column("Rules that cannot be told apart", align="left")]
    caption = (
        f"{context.names[one.inputs.key]}: where the simulations, with what the data leave open about their inputs, cannot tell "
        f"two rules apart in {when(one, one.horizons[-1])}: the interval of their difference spans zero."
    )
    return frame_table(f"undecided-{anchor(one)}", caption, columns, rows, notes=catch_rate_notes(one))
