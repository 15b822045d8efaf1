"""Today's rules and their alternatives, for the brief: what simulations give for each, from the results of the report."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import zip_longest

from fishreport.analysis.aims import goal_words
from fishreport.analysis.result import Result, Results
from fishreport.analysis.rules import rules_of
from fishreport.analysis.scenarios import horizons_of
from fishreport.exhibits.brief_words import PlainWords
from fishreport.exhibits.nouns import unit_words
from fishreport.exhibits.scenario_doubts import plain_doubts
from fishreport.exhibits.scenario_words import percent_decimals
from fishreport.exhibits.scenarios import CAUTION as DECIDED
from fishreport.exhibits.tabulate import counted, heading, joined
from fishreport.exhibits.units import MINUS, format_estimate, format_number
from fishreport.exhibits.wording import direction, mirrored
from fishreport.methods.estimate import Estimate
from fishreport.population.decision import Goal
from fishreport.population.regulation import Regulation
from fishreport.study import Objective, Study

UNMEASURED = (
    "No survey here measures what share of released fish die, of protected fish are kept, or of newly legal fish are let go: "
    "the first two are held at one value, the last at today's share, and no range holds how far that is off."
)
_TODAY, _UNTOLD, _UNKNOWN, _NO_AIM = "today's rule", "cannot be told", "not worked out", "no aim"
_HARVEST, _LARGE, _CHANCE = "scenario_harvest", "scenario_trophy", "objective_probability"
_WITHOUT_AIM = 3  # columns
_LEAST = 3  # rows of a fish that are shown before other parts of the brief: today's rule, the best and the worst
_WAYS = {_HARVEST: ("higher", "lower"), _LARGE: ("more", "fewer")}


@dataclass(frozen=True)
class RuleRow:
    """A rule: its fish, its name, what it would change in legal harvest and large fish, and the chance that the aim is met.

    `merit` ranks the rules of a fish: the chance of the aim, or without an aim the change in large fish; NaN where not known.
    """

    fish: str
    name: str
    cells: tuple[str, ...]
    results: tuple[str, ...]
    merit: float = math.nan


@dataclass(frozen=True)
class Alternatives:
    """Today's rules in words, and the rules compared with them.

    Attributes
    ----------
    heading : str
    today : str
        Today's rules, one sentence or more a species.
    caption : str
        What the table holds, and for which year.
    columns : tuple[str, ...]
        The first is that of the rules' names.
    groups : dict[str, str]
        Fish → what large fish and the aim are for them.
    rows : tuple[RuleRow, ...]
        The lead species first, and of each species today's rule first; empty where there is nothing to compare.
    notes : str
        What the numbers are of, what they leave out, and who decides.
    lacking : str
        Fish whose rules could not be compared; empty where there are none.
    doubts : str
        What does not fit together in many simulations, a sentence or two each; empty where all fits.
    """

    heading: str
    today: str
    caption: str
    columns: tuple[str, ...]
    groups: Mapping[str, str]
    rows: tuple[RuleRow, ...]
    notes: str
    lacking: str
    doubts: str = ""

    @property
    def needed(self) -> int:
        """How many rows hold of every fish today's rule, and the best and the worst of its rules."""
        return sum(1 for rounds in self._rounds() for row in rounds[:_LEAST])

    def _rounds(self) -> list[list[RuleRow]]:
        """The rows of each fish by how soon they are shown: today's rule, the best, the worst, then the others in their order."""
        found = []
        for fish in dict.fromkeys(row.fish for row in self.rows):
            today, *others = (row for row in self.rows if row.fish == fish)
            known = sorted((row for row in others if not math.isnan(row.merit)), key=lambda row: row.merit)
            ends = [known[-1], known[0]] if len(known) > 1 else known
            found.append([today, *ends, *(row for row in others if row not in ends)])
        return found

    def first(self, count: int) -> tuple[RuleRow, ...]:
        """So many rows in their order, spread over the fish: today's rule of each, then the best, the worst, and the others."""
        turns = (row for turn in zip_longest(*self._rounds()) for row in turn if row is not None)
        kept = list(turns)[: max(count, 0)]
        return tuple(row for row in self.rows if row in kept)

    def more(self, count: int) -> str:
        """What is left out where so many rows are shown; empty where nothing is."""
        left = len(self.rows) - count
        if left <= 0:
            return ""
        said = f"And {counted(left, 'more rule')} in the report"
        if count < self.needed:
            return f"{said}."
        aimless = [row.cells[-1] == _NO_AIM for row in self.rows]
        by = "number of large fish"
        if len(self.columns) > _WITHOUT_AIM:
            by = "chance of the aim (or, without one, number of large fish)" if any(aimless) else "chance of the aim"
        return f"{said}; today's and those with the highest and the lowest {by} are shown."


def _percent(change: Estimate) -> tuple[str, str, str]:
    """Size and limits of a change in percent, with the digits of the report's chapter on scenarios.

    Whole percents, or as many decimals (3 at the most) as keep the nearer limit off zero.
    """
    parts = (change.value, change.lower, change.upper)
    nearest = min(abs(change.lower), abs(change.upper))
    decimals = percent_decimals(nearest) if change.lower * change.upper > 0 else 0
    value, lower, upper = (format_number(abs(x), decimals=decimals) for x in parts)
    return f"{value}%", lower, upper


def _amount(gap: Estimate, words: PlainWords) -> tuple[str, str, str]:
    shown = format_estimate(gap, words.context.units)
    value, lower, upper = (text.lstrip(MINUS) for text in (shown.value, shown.lower, shown.upper))
    return f"{value} {unit_words(shown.unit)}".strip(), lower, upper


def change_words(change: Result | None, gap: Result | None, words: PlainWords) -> str:
    """``45% lower (34 to 56)``, or ``cannot be told (19% lower to 159% higher)`` where the range of the difference spans zero.

    In percent of today's rule; in fish where there is none of today's to take a percentage of.
    """
    if gap is None or not gap.estimate.estimable:
        return _UNKNOWN
    if gap.estimate.lower == gap.estimate.value == gap.estimate.upper == 0:
        return "no change"
    more, fewer = _WAYS[gap.quantity]
    share = change.estimate if change is not None and change.estimate.estimable else None
    way = direction(gap.estimate)
    if way in ("up", "down"):
        own = share if share is not None and share.lower * share.upper > 0 else None
        sized = own if own is not None else gap.estimate
        sized = sized if way == "up" else mirrored(sized)
        value, lower, upper = _percent(sized) if own is not None else _amount(sized, words)
        word, other = (more, "more") if way == "up" else (fewer, "fewer")
        return f"{value} {word if own is not None else other} ({lower} to {upper})"
    if share is None or not share.lower <= 0 <= share.upper:
        return _UNTOLD
    _, lower, upper = _percent(share)
    return f"{_UNTOLD} ({lower}% {fewer} to {upper}% {more})"


def chance_words(chance: Result | None) -> str:
    """``85 of 100 (81 to 89)``."""
    if chance is None or not chance.estimate.estimable:
        return _UNKNOWN
    e = chance.estimate
    value = "over 99" if e.value > 0.99 else "under 1" if e.value < 0.01 else format_number(100 * e.value, decimals=0)
    low, high = (format_number(100 * limit, decimals=0) for limit in (e.lower, e.upper))
    return f"{value} of 100 ({low} to {high})"


@dataclass(frozen=True)
class _Species:
    """The rules of a species with their results of the last year ahead."""

    key: str
    rules: tuple[Regulation, ...]
    found: Mapping[tuple[str, str, str], Result]
    year: int

    def of(self, rule: Regulation, quantity: str, ending: str = "") -> Result | None:
        return self.found.get((quantity, rule.name, f"year {self.year}{ending}"))

    @property
    def compared(self) -> bool:
        """True when there is another rule than today's, and a harvest of each."""
        harvests = [self.of(rule, _HARVEST) for rule in self.rules]
        return len(self.rules) > 1 and all(one is not None and one.estimate.estimable for one in harvests)


def _species(study: Study, results: Results) -> list[_Species]:
    """Those with rules and with anything of them in the results, in the order of the study."""
    rules, year = rules_of(study), horizons_of(study)[-1]
    found = []
    for species in study.species.values():
        own = results.where(species=species.key, season=study.season.year)
        known = {(r.quantity, r.scenario, r.detail or ""): r for r in own if r.scenario and r.quantity in (_HARVEST, _LARGE)}
        if species.key in rules and known:
            found.append(_Species(species.key, rules[species.key], known, year))
    return found


def _lead_aim(
    one: _Species, study: Study, results: Results, aims: Sequence[tuple[Objective, str]]
) -> tuple[str, Mapping[str, Result]]:  # fmt: skip
    """The first aim of the plan for a species that its rules were held against: its name, and the chance by rule."""
    for objective, name in aims:
        if study.find_species(objective.species).key != one.key:
            continue
        goal = Goal("", at_least=objective.at_least, at_most=objective.at_most, between=objective.between)
        detail = f"{objective.quantity}, {goal_words(goal)}, year {one.year}"
        held = results.where(quantity=_CHANCE, species=one.key, size_class=objective.size_class, detail=detail)
        chances = {result.scenario: result for result in held if result.scenario}
        if chances:
            return name, chances
    return "", {}


def _rows(one: _Species, chances: Mapping[str, Result], fish: str, words: PlainWords, *, aimed: bool) -> list[RuleRow]:
    rows = []
    for place, rule in enumerate(one.rules):
        pairs = [
            (one.of(rule, quantity, ", percent of today's rule"), one.of(rule, quantity, ", against today's rule"))
            for quantity in (_HARVEST, _LARGE)
        ]
        harvest, large = (change_words(change, gap, words) for change, gap in pairs)
        cells = ["none may be kept" if not rule.may_keep else harvest, large] if place else [_TODAY, _TODAY]
        chance = chances.get(rule.name)
        cells += [chance_words(chance) if chances else _NO_AIM] if aimed else []
        ids = [result.id for result in (*pairs[0], *pairs[1], chance, *([] if place else [one.of(rule, _HARVEST)])) if result]
        change = pairs[1][0]
        judged = chance if chances else change if place else None
        merit = judged.estimate.value if judged is not None and judged.estimate.estimable else math.nan
        rows.append(RuleRow(fish, rule.name, tuple(cells), tuple(ids), merit))
    return rows


def _doubts(one: _Species, fish: str) -> list[str]:
    """What does not fit in many simulations of a species: its results all carry the same notes."""
    harvest = one.of(one.rules[0], _HARVEST)
    return plain_doubts(fish, harvest.estimate.notes if harvest else ())


def _group(one: _Species, aim: str, words: PlainWords) -> str:
    """``large fish: 46 cm (18 in) or longer; aim: Plenty of trout``."""
    large = next((r.size_class for (quantity, _, _), r in one.found.items() if quantity == _LARGE and r.size_class), None)
    said = [f"large fish: {words.length(one.key, large)} or longer"] if large else []
    return "; ".join([*said, *([f"aim: {aim}"] if aim else [])])


def _notes(level: float, *, aimed: bool) -> str:
    many = f"{100 * level:g} of 100"
    chance = ", that of a chance shows only how many simulations were run" if aimed else ""
    numbers = f"Numbers are medians of simulations: the range of a change holds {many} of them{chance}."
    return f"{numbers} {UNMEASURED} {DECIDED}"


def alternatives(
    study: Study, results: Results, words: PlainWords, aims: Sequence[tuple[Objective, str]] = ()
) -> Alternatives | None:
    """Today's rules and what others would do in the last year ahead; None for a report that holds no scenario.

    `aims`: the plan's objectives with their names, in its order.
    """
    every = _species(study, results)
    if not every:
        return None
    names = {one.key: words.context.writer.nouns.species_name(one.key) for one in every}
    units = "us" if words.context.units.system == "us" else "cm"  # as all other lengths of the brief
    sentences = [one.rules[0].sentence(units=units, fish=names[one.key]) for one in every]
    compared = [one for one in every if one.compared]
    led = {one.key: _lead_aim(one, study, results, aims) for one in compared}
    aimed = any(name for name, _ in led.values())
    fish = {key: heading(name) for key, name in names.items()}
    rows = [row for one in compared for row in _rows(one, led[one.key][1], fish[one.key], words, aimed=aimed)]
    year = study.season.year + horizons_of(study)[-1]
    lacking = [names[one.key] for one in every if len(one.rules) > 1 and not one.compared]
    return Alternatives(
        heading="Regulation alternatives" if rows or lacking else "Today's rules",
        today=f"Today's rule{'s' if len(every) > 1 else ''}: {' '.join(sentences)}",
        caption=f"What each rule would give in {year} against today's rule, by simulation." if rows else "",
        columns=("Rule", "Legal harvest", "Large fish", *(("Chance of the aim",) if aimed else ())),
        groups={fish[one.key]: _group(one, led[one.key][0], words) for one in compared},
        rows=tuple(rows),
        notes=_notes(study.parameters.level, aimed=aimed) if rows else "",
        lacking=f"What other rules for {joined(lacking)} would do could not be worked out; the report says why."
        if lacking
        else "",
        doubts=" ".join(text for one in compared for text in _doubts(one, fish[one.key])),
    )
