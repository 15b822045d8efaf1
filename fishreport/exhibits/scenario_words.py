"""Words and sentences of the scenario chapter: they follow the paired intervals, and claim no direction that those do not."""

from __future__ import annotations

from dataclasses import replace

from fishreport.analysis.aims import Aim
from fishreport.analysis.scenarios import Comparison, Measure, Scenarios, relative_units
from fishreport.exhibits.context import Context
from fishreport.exhibits.exhibit import Finding, Findings
from fishreport.exhibits.nouns import unit_words
from fishreport.exhibits.tabulate import joined
from fishreport.exhibits.units import format_estimate
from fishreport.exhibits.wording import collect, direction, percent_level, sentence
from fishreport.methods.estimate import Estimate
from fishreport.study import parse_size_range

_NOUNS = {
    "scenario_harvest": "harvest",
    "scenario_yield": "yield",
    "scenario_catch_rate": "anglers' catch rate",
    "scenario_stock_density": "fish of {size} length",
    "scenario_trophy": "fish of {size} length",
    "scenario_proportional_size": "share of fish that reach {size} length",
    "scenario_spawning_potential": "spawning potential",
    "scenario_release_deaths": "released fish that die",
}
_FINDINGS = ("scenario_harvest", "scenario_catch_rate", "scenario_stock_density", "scenario_trophy", "scenario_proportional_size")


def letters(one: Comparison) -> list[str]:
    """A letter for each rule of a species, today's first."""
    return [chr(65 + place % 26) * (1 + place // 26) for place in range(len(one.inputs.rules))]


def when(one: Comparison, year: int) -> str:
    """A year ahead as the calendar year of its survey: ``2035``."""
    return str(one.first_year + year - 1)


def measure_noun(measure: Measure, context: Context) -> str:
    """What is measured, in lower case."""
    noun = _NOUNS[measure.result].format(size=measure.size_class)
    bounds = parse_size_range(measure.size_class)
    if bounds is None:
        return noun
    return noun.replace(f"{measure.size_class} length", f"{context.units.length(bounds[0])}").replace(
        "fish of", "fish of at least"
    )


def measure_heading(measure: Measure, context: Context, one: Comparison) -> str:
    """What is measured as a heading, with the length where it has one: ``Fish of trophy length (460 mm)``."""
    noun = measure_noun(measure, context)
    own = one.inputs.classes
    if measure.size_class in own.published_mm:
        noun += f" ({context.units.class_length(measure.size_class, own.published_mm, own.published_in)})"
    return noun[0].upper() + noun[1:]


def aim_words(aim: Aim, one: Comparison, context: Context) -> str:
    """An aim in the plan's words, else in its numbers: ``Catch rate of quality length at least 50``."""
    objective = aim.objective
    if objective.name:
        return objective.name
    units = {"proportional_size": "percent", "catch_rate": "fish/h", "density_per_km": "fish/km", "mean_length": "mm"}
    unit = units[objective.quantity]

    def number(value: float) -> str:
        return f"{context.units.quantity(value, unit)[0]:.4g}"

    ending = f" {context.units.units(unit)}".replace(" percent", "%")
    if objective.at_least is not None:
        bounds = f"at least {number(objective.at_least)}{ending}"
    elif objective.at_most is not None:
        bounds = f"at most {number(objective.at_most)}{ending}"
    else:
        low, high = objective.between or (0.0, 0.0)
        bounds = f"between {number(low)} and {number(high)}{ending}"
    name = context.writer.nouns.phrase(objective.quantity, one.inputs.key, objective.size_class)
    return f"{name[0].upper()}{name[1:]}: {bounds}"


def _amount(estimate: Estimate, context: Context, relative: bool) -> str:
    """``5.4 fish per km (95% interval 3.0 to 9.1)``, of a difference taken as its size."""
    e = (
        estimate
        if estimate.value >= 0
        else replace(estimate, value=-estimate.value, lower=-estimate.upper, upper=-estimate.lower)
    )
    e = replace(e, units=relative_units(e.units)) if relative else e
    shown = format_estimate(e, context.units)
    unit = "percentage points" if shown.unit == "percent" else unit_words(shown.unit)
    return f"{shown.value} {unit} ({percent_level(e.level)} interval {shown.interval})"


def _ids(found: Scenarios, key: str, scenario: str, year: int, measures: tuple[Measure, ...]) -> tuple[str, ...]:
    detail = f"year {year}, against today's rule"
    chosen = found.results.where(species=key, scenario=scenario, detail=detail, quantity=[one.result for one in measures])
    return tuple(result.id for result in chosen)


def _against_today(found: Scenarios, one: Comparison, place: int, context: Context) -> Finding:
    """One rule against today's in the last year: what is higher or lower, and what cannot be told."""
    year, key = one.horizons[-1], one.inputs.key
    told, untold = [], []
    spoken = tuple(measure for measure in one.measures if measure.result in _FINDINGS)
    ways = set()
    for measure in spoken:
        verdict = one.outcomes[measure.quantity, year][place].verdict
        way = "unclear" if verdict.cannot_tell else direction(verdict.difference)
        if way in ("up", "down"):
            word = {"up": "higher", "down": "lower"}[way]
            if measure.result in ("scenario_stock_density", "scenario_trophy"):
                word = {"up": "more", "down": "fewer"}[way]
            told.append(f"{measure_noun(measure, context)} {word} by {_amount(verdict.difference, context, one.inputs.relative)}")
            ways.add(way)
        else:
            untold.append(measure_noun(measure, context))
    name = one.inputs.rules[place].name
    head = f"“{name}” against today's rule for {one.inputs.classes.species.name} in {when(one, year)}"
    ids = _ids(found, key, name, year, spoken)
    if not told:
        text = f"{head}: the data cannot tell the two rules apart, in {joined(untold, 'or')}"
        return Finding(sentence(text), ids, "unclear")
    tail = f"; in {joined(untold, 'or')} the data cannot tell them apart" if untold else ""
    return Finding(sentence(f"{head}: {'; '.join(told)}{tail}"), ids, ways.pop() if len(ways) == 1 else "none")


def _chance_finding(found: Scenarios, one: Comparison, aim: Aim, context: Context, key: bool) -> Finding:
    """The probability to meet an aim under today's rule, and under the rule that gives the highest."""
    year = one.horizons[-1]
    chosen = [chance for chance in one.chances if chance.goal == aim.goal and chance.year == year]
    today, best = chosen[0], max(chosen, key=lambda chance: chance.probability.value)
    detail = f"year {year}"
    every = found.results.where(quantity="objective_probability", species=one.inputs.key, size_class=aim.objective.size_class)
    rows = [
        r
        for r in every
        if (r.detail or "").startswith(f"{aim.objective.quantity},")
        and (r.detail or "").endswith(detail)
        and r.scenario in (today.scenario, best.scenario)
    ]
    head = f"{one.inputs.classes.species.name}: the aim “{aim_words(aim, one, context)}” is met in {when(one, year)}"
    now = f"{head} with probability {_probability(today.probability.value)} under today's rule"
    lead = best.probability.lower > today.probability.upper
    if len(chosen) == 1:
        text = now
    elif best.scenario == today.scenario or not lead:
        text = f"{now}, and under no other rule clearly more"
    else:
        text = f"{now}, and at most {_probability(best.probability.value)} among the other rules (“{best.scenario}”)"
    return Finding(sentence(text), tuple(r.id for r in rows), "none", key)


def _probability(value: float) -> str:
    return "over 0.99" if value > 0.99 else "under 0.01" if value < 0.01 else f"{value:.2f}"


def findings(found: Scenarios, context: Context) -> Findings:
    """Sentences of all species: the plan's aims under the rules, then each rule against today's."""
    said: list[Finding] = []
    for key, one in found.species.items():
        if one.projection is None:
            ids = tuple(result.id for result in found.results.where(species=key))
            reasons = "; ".join(one.inputs.missing)
            text = f"the rules for {one.inputs.classes.species.name} could not be compared: {reasons}"
            said.append(Finding(sentence(text), ids))
            continue
        said += [_chance_finding(found, one, aim, context, place < 1) for place, aim in enumerate(one.aims)]
        said += [_against_today(found, one, place, context) for place in range(1, len(one.inputs.rules))]
    return collect(said)
