"""What a brief of two pages says, for anglers and commissioners: sentences, aims and drawings from the results of a report."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from fishreport.analysis.firm_ground import KEY_FISH, survival_to_tell, why_shaky
from fishreport.analysis.plan import ObjectiveResult, evaluate_objectives
from fishreport.analysis.result import Results
from fishreport.exhibits.brief_changes import catch_change, condition_change, doubted, one_result
from fishreport.exhibits.brief_pictures import Picture, catch_picture, size_picture, third_picture
from fishreport.exhibits.brief_rules import Alternatives, alternatives
from fishreport.exhibits.brief_words import Plain, PlainWords, of_hundred, plain, range_sentence, too_narrow
from fishreport.exhibits.brief_work import care_taken, work_done
from fishreport.exhibits.context import report_context
from fishreport.exhibits.exhibit import Finding
from fishreport.exhibits.notes import ages_meant, seasons_lacking
from fishreport.exhibits.nouns import unit_words
from fishreport.exhibits.tabulate import counted, heading, joined
from fishreport.exhibits.wording import VERDICTS, sentence
from fishreport.methods.estimate import Estimate
from fishreport.methods.objectives import ObjectiveOutcome
from fishreport.study import Study

CAUTION = (
    "Electric current in water can kill. Only trained crews with a permit may fish this way, and local rules decide. "
    "A survey advises; licensed managers and the public decide."
)
_GROWN_AGE = 3


@dataclass(frozen=True)
class AimRow:
    """An aim of the management plan: what is wanted, what was found, and the verdict."""

    name: str
    about: str
    wanted: str
    found: str
    verdict: str
    result: str


@dataclass(frozen=True)
class Told:
    """A sentence on one species; `rank` says how soon it is told: 0 before all others."""

    species: str
    rank: int
    finding: Finding


@dataclass(frozen=True)
class Brief:
    """All that a brief may say; a page of it shows as much as fits.

    Attributes
    ----------
    did : tuple[Finding, ...]
        What was done.
    care : tuple[Finding, ...]
        How the fish fared.
    ranges : str
        What the ranges in brackets mean.
    told : tuple[Told, ...]
        What was found, in the order in which it is told.
    aims : tuple[AimRow, ...]
    rule : str
        How a verdict is reached; empty without aims.
    tally : Finding | None
        How many aims are met.
    rules : Alternatives | None
        Today's rules and what others would do; None where none were simulated.
    catch, sizes, third : Picture | None
    """

    did: tuple[Finding, ...]
    care: tuple[Finding, ...]
    ranges: str
    told: tuple[Told, ...]
    aims: tuple[AimRow, ...]
    rule: str
    tally: Finding | None
    rules: Alternatives | None
    catch: Picture | None
    sizes: Picture | None
    third: Picture | None


def _told(results: Results, season: int, words: PlainWords, unsure: Collection[str]) -> tuple[Told, ...]:
    """Sentences on each species: what the crew caught, what changed, then what could not be told to have, and the rest."""
    told: list[Told] = []
    for one in words.context.classes:
        key, lead = one.species.key, words.context.lead_class(one.species.key)
        level = next(iter(results.where(quantity="catch_rate", species=key, size_class=lead, season=season, site=None)), None)
        now = {"species": key, "season": season}
        number = one_result(results, quantity="population_size", size_class=lead, **now)
        size = one_result(results, quantity="proportional_size", size_class="quality", **now)
        length = None if size else one_result(results, quantity="mean_length", size_class=lead, **now)
        weight = one_result(results, quantity="relative_weight", size_class=lead, **now)
        lives = survival_to_tell(results, key, season)
        grown = one_result(results, quantity="length_at_age", species=key, size_class="all", detail=f"age {_GROWN_AGE}")
        moved = catch_change(results, key, season, words, unsure)
        unclear = moved is not None and moved.direction == "unclear"
        changes = [condition_change(results, key, season, words, unsure), None if unclear else moved]
        sentences = [
            words.caught(level) if level else None,
            *changes,
            moved if unclear else None,
            words.number(number) if number else None,
            words.size(size) if size else words.mean_length(length) if length else None,
            words.condition(weight) if weight else None,
            words.survival(lives) if lives else None,
            words.growth(grown) if grown else None,
        ]
        told += [Told(words.context.names[key], rank, said) for rank, said in enumerate(sentences) if said is not None]
    return tuple(sorted(told, key=lambda one: one.rank))


# Quantity → (the aim in words, the number in words); {fish}, {species} and {length} are filled in.
_AIMS = {
    "catch_rate": ("{fish}, caught in an hour", "{} an hour"),
    "standardised_catch_rate": ("{fish}, caught in an hour", "{} an hour"),
    "proportional_size": ("of 100 {stock}, those that were {length} or longer", "{} of 100"),
    "relative_weight": ("weight of {species}, against a plump fish of their length", "{}%"),
    "total_mortality": ("of 100 {species}, those that die in a year", "{} of 100"),
    "annual_survival": ("of 100 {species}, those that live through a year", "{} of 100"),
    "population_size": ("{fish}, in the whole water", "{} fish"),
}

_OF_HUNDRED = ("proportional_size", "total_mortality", "annual_survival")


def _scaled(quantity: str, value: float, words: PlainWords, units: str) -> float:
    """A number of an objective as it is told; a death rate becomes the fish of 100 that die, 100 (1 − e^−Z)."""
    if quantity == "total_mortality":
        return 100 * (1 - math.exp(-value)) if value > -math.inf else -math.inf
    if quantity == "annual_survival":
        return 100 * value
    return float(words.context.units.quantity(value, units)[0])


def _bound(quantity: str, bound: float) -> str:
    """A bound as the plan has it; a death rate turned into fish of 100 is told in whole fish, as what was found is."""
    if quantity == "total_mortality" and 10 <= bound <= 90:
        return f"{bound:.0f}"
    return f"{bound:,.3g}" if abs(bound) < 1000 else f"{bound:,.0f}"


def _wanted(outcome: ObjectiveOutcome, quantity: str, words: PlainWords, pattern: str) -> str:
    bounds = [_scaled(quantity, bound, words, outcome.mean.units) for bound in (outcome.at_least, outcome.at_most)]
    low, high = (_bound(quantity, bound) for bound in bounds)
    if math.isinf(outcome.at_most):
        return f"at least {pattern.format(low)}"
    if math.isinf(outcome.at_least):
        return f"at most {pattern.format(high)}"
    return f"{low} to {pattern.format(high)}"


def _found(quantity: str, mean: Estimate, words: PlainWords) -> Plain:
    if quantity not in _OF_HUNDRED:
        return plain(mean, words.context.units)
    value, lower, upper = (_scaled(quantity, x, words, mean.units) for x in (mean.value, mean.lower, mean.upper))
    return of_hundred(replace(mean, value=value, se=math.nan, lower=lower, upper=upper))


def _reservations(one: ObjectiveResult) -> str:
    """What must be known of a number that an aim is held against before relying on it, to end it with; else empty."""
    outcome, mean = one.outcome, one.outcome.mean
    lacking = seasons_lacking(outcome.notes)
    if lacking:
        return f", from {counted(lacking[0], 'season')} alone; to judge the aim takes {lacking[1]}{too_narrow(mean)}"
    if math.isnan(outcome.probability):
        return "; its range is not known, so that the aim cannot be judged"
    if not why_shaky(one.objective.quantity, mean):
        return too_narrow(mean)
    ground = f"from {counted(mean.n, 'fish')}, too few" if mean.n < KEY_FISH else "too wide a range"
    return f"; {ground} to rely on{too_narrow(mean)}"


def _aim(one: ObjectiveResult, words: PlainWords) -> AimRow:
    objective, outcome, mean = one.objective, one.outcome, one.outcome.mean
    quantity, species = objective.quantity, one.result.species
    subject, pattern = _AIMS.get(quantity, ("", ""))
    if subject:
        fish = {"fish": words.fish(species, objective.size_class), "species": words.fish(species, "all")}
        if ages := ages_meant(mean):
            fish["species"] += f" {ages}"
        if quantity == "proportional_size":
            fish |= {"stock": words.fish(species, "stock"), "length": words.length(species, objective.size_class)}
        about = subject.format(**fish)
    else:
        unit = unit_words(words.context.units.units(mean.units))
        about, pattern = words.context.writer.subject(one.result), f"{{}} {'' if unit == 'percent' else unit}".rstrip()
        pattern = "{}%" if unit == "percent" else pattern
    if mean.estimable:
        said = _found(quantity, mean, words)
        found = f"{pattern.format(said.value)}{said.after()}{_reservations(one)}"
    else:
        found = "could not be estimated"
    wanted = _wanted(outcome, quantity, words, pattern)
    wanted += f", over {counted(objective.over_years, 'season')}" if objective.over_years > 1 else ""
    name, under = (objective.name, heading(about)) if objective.name else (heading(about), "")
    return AimRow(name, under, heading(wanted), heading(found), VERDICTS[outcome.verdict], one.result.id)


def tally_of(verdicts: Sequence[str]) -> str:
    """``2 are met, 1 is not met and 3 are not yet known``."""
    counts = {word: sum(verdict == word for verdict in verdicts) for word in VERDICTS.values()}
    return joined([f"{many} {'is' if many == 1 else 'are'} {word.casefold()}" for word, many in counts.items() if many])


def _tally(rows: Sequence[AimRow]) -> Finding | None:
    if not rows:
        return None
    verdicts = [row.verdict for row in rows]
    text = (
        f"Of the plan's {len(rows)} aims, {tally_of(verdicts)}"
        if len(rows) > 1
        else f"The plan's aim is {verdicts[0].casefold()}"
    )
    return Finding(sentence(text), tuple(row.result for row in rows))


def brief_content(
    study: Study,
    results: Results,
    *,
    work: Sequence[Mapping[str, Any]] = (),
    frequencies: Sequence[Mapping[str, Any]] = (),
    tests: Sequence[Mapping[str, Any]] = (),
) -> Brief:
    """All that a brief may say.

    Parameters
    ----------
    study : Study
    results : Results
        Of all chapters of the report.
    work : sequence of mapping
        Rows behind the report's figure of effort: ``season``, ``sites``, ``runs``, ``effort_h``, and fish by species key.
    frequencies : sequence of mapping
        Rows behind its figure of length-frequency: ``species``, ``season``, ``lower_mm``, ``upper_mm``, ``count``.
    tests : sequence of mapping
        Rows behind its table of trends, see `brief_changes.doubted`.
    """
    words = PlainWords(report_context(study))
    objectives = evaluate_objectives(study, results)
    aims = tuple(_aim(one, words) for one in objectives)
    rule = ""
    if objectives:
        share = f"{100 * objectives[0].outcome.certainty:.0f}"
        rule = (
            f"Met means that the chance of it is at least {share} in 100, not met that the chance against it is; "
            "otherwise it is not yet known. The range is in brackets."
        )
    return Brief(
        did=work_done(study, results, work, words),
        care=care_taken(results, study.season.year),
        ranges=range_sentence(study.parameters.level),
        told=_told(results, study.season.year, words, doubted(tests)),
        aims=aims,
        rule=rule,
        tally=_tally(aims),
        rules=alternatives(study, results, words, [(one.objective, row.name) for one, row in zip(objectives, aims, strict=True)]),
        catch=catch_picture(results, words),
        sizes=size_picture(frequencies, words, results),
        third=third_picture(results, words),
    )
