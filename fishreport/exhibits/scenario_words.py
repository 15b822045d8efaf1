"""Words and sentences of the scenario chapter: they follow the paired intervals, and claim no direction that those do not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from fishreport.analysis.aims import Aim
from fishreport.analysis.scenario_changes import CreelCheck, chance_change
from fishreport.analysis.scenario_lacks import lacks_in_words
from fishreport.analysis.scenarios import SPOKEN, Comparison, Measure, Scenarios, relative_units
from fishreport.exhibits.context import Context
from fishreport.exhibits.exhibit import Finding, Findings
from fishreport.exhibits.notes import shown_note
from fishreport.exhibits.nouns import unit_words
from fishreport.exhibits.scenario_doubts import doubt_sentences, leaning_sentence
from fishreport.exhibits.tabulate import joined
from fishreport.exhibits.units import format_estimate, format_number
from fishreport.exhibits.wording import Direction, chance_text, collect, direction, mirrored, percent_level, sentence
from fishreport.methods.estimate import Estimate
from fishreport.study import parse_size_range

_NOUNS = {
    "scenario_harvest": "legal harvest",
    "scenario_yield": "legal yield",
    "scenario_kept_against_rule": "fish kept against the rule",
    "scenario_catch_rate": "anglers' catch rate",
    "scenario_stock_density": "fish of {size} length",
    "scenario_trophy": "fish of {size} length",
    "scenario_proportional_size": "share of fish that reach {size} length",
    "scenario_spawning_potential": "spawning potential",
    "scenario_release_deaths": "released fish that die",
}
OPEN_MONTHS = " in the months open to angling, not like for like with today's"
_PARTS = {"a third of": (28.0, 38.0), "half of": (42.0, 60.0), "twice": (170.0, 240.0), "three times": (260.0, 350.0)}  # percent
_SELDOM = 0.05  # share of trips below which a bag limit hardly acts (our own choice)
_COUNTED = ("scenario_stock_density", "scenario_trophy")


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
    e = estimate if estimate.value >= 0 else mirrored(estimate)
    e = replace(e, units=relative_units(e.units)) if relative else e
    shown = format_estimate(e, context.units)
    unit = "percentage points" if shown.unit == "percent" else unit_words(shown.unit)
    return f"{shown.value} {unit} ({percent_level(e.level)} interval {shown.interval})"


def percent_decimals(nearest: float) -> int:
    """Decimals, 3 at the most, that keep the limit of a change in percent that is nearest to zero off it."""
    return next((d for d in range(3) if round(nearest, d) > 0), 3)


def _percent(change: Estimate, *, first: bool) -> str:
    """``45%`` and ``(95% interval 40 to 52)`` of a change, taken as its size; as many digits as keep its limits off zero."""
    low, value, high = sorted(map(abs, (change.lower, change.value, change.upper)))
    decimals = percent_decimals(low)
    shown, least, most = (format_number(x, decimals=decimals) for x in (value, low, high))
    words = f"{percent_level(change.level)} interval " if first else ""
    return f"{shown}% {{}} ({words}{least} to {most})"


def chance_range(chance: Estimate) -> str:
    """``0.87 (0.84 to 0.90)``."""
    return f"{chance_text(chance.value)} ({chance.lower:.2f} to {chance.upper:.2f})"


def noncompliance(one: Comparison) -> float:
    """The share of protected fish that are taken to be kept all the same: the median over the draws, 0 where none is known."""
    return 0.0 if one.inputs.angling is None else float(np.median(one.inputs.angling.noncompliance))


def _still_kept(one: Comparison, place: int, context: Context) -> str:
    """What would be kept all the same where nothing may be kept; empty where that is taken to be nothing."""
    broken = one.outcomes.get(("kept_against_rule", one.horizons[-1]))
    if broken is None:
        return ""
    share = f"{100 * noncompliance(one):.2g}% of the protected fish caught"
    amount = _amount(broken[place].value, context, one.inputs.relative)
    legal, against = _kept_today(one, context)
    beside = f"; under today's rule {legal} are kept legally, and {against} against it"
    return f" If {share} are kept against the rule, as is assumed, that is still {amount}{beside}."


def _kept_today(one: Comparison, context: Context) -> tuple[str, str]:
    """Fish kept legally, and against the rule, in the last year under today's rule: each with its interval."""
    year, told = one.horizons[-1], []
    for name in ("legal_harvest_number", "kept_against_rule"):
        shown = format_estimate(one.outcomes[name, year][0].value, context.units)
        told.append(f"{shown.value} ({shown.interval})")
    return told[0], told[1]


def _against_rule(found: Scenarios, one: Comparison, context: Context) -> Finding | None:
    """How many fish are taken to be kept against today's rule, beside those kept legally; None where that is taken to be none."""
    year = one.horizons[-1]
    if ("kept_against_rule", year) not in one.outcomes or not one.inputs.rules[0].may_keep:
        return None
    legal, against = _kept_today(one, context)
    units = one.outcomes["kept_against_rule", year][0].value.units
    unit = unit_words(context.units.units(relative_units(units) if one.inputs.relative else units))
    text = (
        f"{one.inputs.classes.species.name}: under today's rule {against} {unit} a year are assumed to be kept against the rule "
        f"in {when(one, year)}, beside {legal} kept legally; the first is no count, but {100 * noncompliance(one):.2g}% of the "
        "protected fish caught, as is assumed, and what a stricter rule gains hangs on that share"
    )
    quantities = ["scenario_kept_against_rule", "scenario_harvest"]
    known = found.results.where(
        species=one.inputs.key, scenario=one.inputs.rules[0].name, detail=f"year {year}", quantity=quantities
    )
    return Finding(sentence(text), tuple(result.id for result in known))


def _against_today(found: Scenarios, one: Comparison, place: int, context: Context) -> Finding:
    """One rule against today's in the last year, in percent of today's: what is higher or lower, and what cannot be told."""
    year, key, rule = one.horizons[-1], one.inputs.key, one.inputs.rules[place]
    told: list[str] = []
    untold: list[str] = []
    ways: set[Direction] = set()
    more = ""
    for measure in (measure for measure in one.measures if measure.result in SPOKEN):
        verdict, change = one.outcomes[measure.quantity, year][place].verdict, one.changes[measure.quantity][place]
        way = "unclear" if verdict.cannot_tell else direction(verdict.difference)
        if measure.result == "scenario_harvest" and not rule.may_keep:
            if one.inputs.rules[0].may_keep:
                told.append("legal harvest ends")
                ways.add("down")
                more = _still_kept(one, place, context)
        elif way in ("up", "down"):
            up, down = ("more", "fewer") if measure.result in _COUNTED else ("higher", "lower")
            word = up if way == "up" else down
            sized = change.estimable and change.lower * change.upper > 0
            size = _percent(change, first=not any("interval" in text for text in told)).format(word) if sized else ""
            size = size or f"{word} by {_amount(verdict.difference, context, one.inputs.relative)}"
            unlike = OPEN_MONTHS if measure.result == "scenario_catch_rate" and other_months(one, place) else ""
            told.append(f"{measure_noun(measure, context)} {size}{unlike}")
            ways |= set() if unlike else {way}
        else:
            untold.append(measure_noun(measure, context))
    fish = one.inputs.classes.species.name
    lead = "" if fish.casefold() in rule.name.casefold() else f"{fish}, "
    head = f"{lead}“{rule.name}” against today's rule in {when(one, year)}"
    ids = tuple(
        result.id
        for detail in (f"year {year}, percent of today's rule", f"year {year}, against today's rule")
        for result in found.results.where(species=key, scenario=rule.name, detail=detail, quantity=list(SPOKEN))
    )
    if not told:
        text = f"{head}: the simulations cannot tell the two rules apart, in {joined(untold, 'or')}"
        return Finding(sentence(text) + more, ids, "unclear")
    tail = f"; in {joined(untold, 'or')} the simulations cannot tell the two apart" if untold else ""
    others, other_ways = _besides(one, place, context)
    ways |= other_ways
    text = f"{head}: {', '.join(told)}{others}{tail}"
    more += f" {leaning_sentence(one, place)}".rstrip()
    return Finding(sentence(text) + more, ids, ways.pop() if len(ways) == 1 else "none")


def _besides(one: Comparison, place: int, context: Context) -> tuple[str, set[Direction]]:
    """What else is higher or lower than under today's rule, such as the yield, and the aims that are more or less often met."""
    year, found = one.horizons[-1], dict[str, list[str]]()
    for measure in one.measures:
        if measure.result in (*SPOKEN, "scenario_kept_against_rule", "scenario_release_deaths"):
            continue
        if measure.result == "scenario_yield" and not one.inputs.rules[place].may_keep:
            continue  # as is said of the harvest
        verdict = one.outcomes[measure.quantity, year][place].verdict
        way = "unclear" if verdict.cannot_tell else direction(verdict.difference)
        if way in ("up", "down"):
            found.setdefault(way, []).append(measure_noun(measure, context))
    words = {"up": "more or higher", "down": "fewer or lower"}
    said = [f"also {word}: {joined(found[way])}" for way, word in words.items() if way in found]
    ways: set[Direction] = {"up" if way == "up" else "down" for way in found}
    for aim in one.aims:
        if one.projection is None:
            break
        now, then = _chances_of(one, aim, place)
        way = direction(chance_change(one.projection, aim.goal, place, year=year, level=now.level))
        if way in ("up", "down"):
            often = f"{'more' if way == 'up' else 'less'} often met"
            chance = f"{chance_text(then.value)} instead of {chance_text(now.value)}"
            said.append(f"the aim “{aim_words(aim, one, context)}” {often} ({chance})")
            ways.add(way)
    return "".join(f"; {text}" for text in said), ways


def _doubt_findings(found: Scenarios, one: Comparison) -> list[Finding]:
    """What does not fit, for a species without an aim that it could follow."""
    ids = tuple(result.id for result in found.results.where(species=one.inputs.key, quantity="scenario_harvest"))[:1]
    name = one.inputs.classes.species.name
    return [Finding(sentence(f"{name}: {words[0].lower()}{words[1:]}"), ids, "unclear") for words in doubt_sentences(one)]


def _chances_of(one: Comparison, aim: Aim, place: int) -> tuple[Estimate, Estimate]:
    """Probability to meet an aim in the last year under today's rule and under another."""
    chosen = [chance.probability for chance in one.chances if chance.goal == aim.goal and chance.year == one.horizons[-1]]
    return chosen[0], chosen[place]


def other_months(one: Comparison, place: int) -> bool:
    """True where a rule closes other months than today's, so that its catch rate is not like for like."""
    return set(one.inputs.rules[place].closed_months) != set(one.inputs.rules[0].closed_months)


def catch_rate_notes(one: Comparison) -> list[str]:
    """That catch rates are not like for like where a rule closes other months than today's; empty where none does."""
    unlike = [letter for place, letter in enumerate(letters(one)) if other_months(one, place)]
    if not unlike:
        return []
    which = f"rule {unlike[0]} is" if len(unlike) == 1 else f"rules {joined(unlike)} are each"
    return [f"The catch rate of {which} that of its own open months, and so not like for like with those of other rules."]


def bag_words(one: Comparison, context: Context) -> str:
    """How many legal fish anglers keep a trip today, and on how many trips each bag limit is reached; empty without a limit."""
    found = one.bags
    if found is None:
        return ""
    shown = format_estimate(replace(found.kept_per_trip, units=""), context.units)
    reached = [
        f"a limit of {limit} is passed on {'under 1' if share < 0.01 else f'about {100 * share:.0f}'}% of trips"
        for limit, share in found.share_of_trips.items()
    ]
    text = (
        f"{one.inputs.classes.species.name}: today anglers keep {shown.value} legal fish a trip of {found.trip_h:g} h "
        f"({shown.interval}); without a bag limit {joined(reached)}"
    )
    if max(found.share_of_trips.values()) < _SELDOM:
        text += ", so that these limits hardly act, and rules that differ in the bag alone hardly differ"
    return sentence(text)


def _held_against(check: CreelCheck) -> str:
    """What the model's harvest is of the counted one, and whether that is told apart from all of it."""
    share = check.share
    if not share.estimable:
        return "the two agree" if check.agree else "the two disagree, so that one of them is off, and every harvest here with it"
    decimals = 0 if check.agree else percent_decimals(min(abs(share.lower - 100), abs(share.upper - 100)))
    value, low, high = (format_number(x, decimals=decimals) for x in (share.value, share.lower, share.upper))
    interval = f"{percent_level(share.level)} interval {low} to {high}"
    if check.agree:
        return f"the two cannot be told apart (the model gives {value}% of what was counted, {interval})"
    about = next((words for words, (low, high) in _PARTS.items() if low <= share.value <= high), "")
    size = f"about {about} what was counted ({value}%, {interval})" if about else f"{value}% of what was counted ({interval})"
    return f"the model gives {size}, so that one of them is off, and every harvest here with it"


def creel_words(one: Comparison, context: Context) -> str:
    """What the survey of anglers found kept beside the legal harvest that the model starts from; empty without a survey."""
    check = one.creel
    if check is None:
        return ""
    counted, modelled = (format_estimate(e, context.units) for e in (check.counted, check.modelled))
    end = _held_against(check)
    return (
        f"The creel survey of {check.year} found {counted.value} {unit_words(counted.unit)} kept ({counted.interval}); the "
        f"model's legal harvest under today's rule in {when(one, 1)} is {modelled.value} ({modelled.interval}): {end}"
    )


def _chance_finding(found: Scenarios, one: Comparison, aim: Aim, context: Context, key: bool) -> Finding:
    """The probability to meet an aim under today's rule, and under those that give the lowest and the highest.

    What does not fit in many draws follows it where it is a key finding, which is shown by itself elsewhere.
    """
    year = one.horizons[-1]
    chosen = [chance for chance in one.chances if chance.goal == aim.goal and chance.year == year]
    ranked = sorted(chosen[1:], key=lambda chance: chance.probability.value)
    told = [chosen[0], *(ranked if len(ranked) < 2 else (ranked[0], ranked[-1]))]
    every = found.results.where(quantity="objective_probability", species=one.inputs.key, size_class=aim.objective.size_class)
    rows = [
        r
        for r in every
        if (r.detail or "").startswith(f"{aim.objective.quantity},")
        and (r.detail or "").endswith(f"year {year}")
        and r.scenario in [chance.scenario for chance in told]
    ]
    now, *others = (chance_range(chance.probability) for chance in told)
    text = (
        f"{one.inputs.classes.species.name}: the aim “{aim_words(aim, one, context)}” is met in {when(one, year)} with "
        f"probability {now} under today's rule"
    )
    if len(others) == 1:
        text += f", and {others[0]} under the other (“{told[1].scenario}”)"
    elif others and others[0] == others[1]:
        text += f", and {others[0]} under every other"
    elif others:
        text += f"; among the other rules from {others[0]} (“{told[1].scenario}”) to {others[1]} (“{told[2].scenario}”)"
    text = sentence(f"{text}; in brackets what the number of draws leaves open")
    doubted = [sentence(words) for words in doubt_sentences(one)] if key else []
    return Finding(" ".join([text, *doubted]), tuple(r.id for r in rows), "none", key)


def findings(found: Scenarios, context: Context) -> Findings:
    """Sentences of all species: the plan's aims under the rules, then each rule against today's."""
    said: list[Finding] = []
    for key, one in found.species.items():
        if one.projection is None:
            ids = tuple(result.id for result in found.results.where(species=key))
            reasons = shown_note(lacks_in_words(one.inputs.missing), context.units)
            text = (
                f"the rules for {one.inputs.classes.species.name} could not be compared: {reasons}; a table below says what to do"
            )
            said.append(Finding(sentence(text), ids))
            continue
        said += [_chance_finding(found, one, aim, context, place < 1) for place, aim in enumerate(one.aims)]
        said += [] if one.aims else _doubt_findings(found, one)
        assumed = _against_rule(found, one, context) if len(one.inputs.rules) > 1 else None
        said += [assumed] if assumed is not None else []
        said += [_against_today(found, one, place, context) for place in range(1, len(one.inputs.rules))]
        if one.creel is not None and not one.creel.agree:
            text = f"{one.inputs.classes.species.name}: {creel_words(one, context).replace('The creel', 'the creel', 1)}"
            known = found.results.where(species=key, quantity="scenario_harvest", detail=f"year {one.horizons[0]}")
            said.append(Finding(sentence(text), tuple(result.id for result in known)[:1], "unclear"))
    return collect(said)
