"""Findings: sentences that follow from results by fixed rules, and never say more than the interval does.

Direction words follow the interval alone: *rose* or *fell* only when the whole interval lies on that side of zero, *steady* only
when the whole interval lies inside a stated margin, and otherwise that it cannot be told. Words of likelihood follow a published
scale, see `likelihood`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

from fishreport.analysis.result import Result
from fishreport.exceptions import InputError
from fishreport.exhibits.allowance import Allowance
from fishreport.exhibits.exhibit import Finding, Findings
from fishreport.exhibits.notes import ages_meant, singular, too_short
from fishreport.exhibits.nouns import Nouns, unit_words
from fishreport.exhibits.units import MINUS, NO_VALUE, format_estimate, format_number
from fishreport.methods.contrast import difference, percent_change
from fishreport.methods.estimate import Estimate
from fishreport.methods.objectives import ObjectiveOutcome, probability_above

_PER_YEAR = " per year"
_NOT_JUDGED = "not judged: "
VERDICTS = {"met": "Met", "not met": "Not met", "not yet known": "Not yet known"}
_ABOUT_ANOTHER = ("trend_per_year", "sen_slope", "step_change", "smoothed_change", "covariate_effect", "objective_probability")
_OF_AGES = ("total_mortality", "annual_survival")
Direction = Literal["up", "down", "steady", "unclear"]

# Mastrandrea et al. 2010, guidance note on consistent treatment of uncertainties (IPCC), table 1; from memory.
_LIKELIHOOD = ((0.99, "virtually certain"), (0.95, "extremely likely"), (0.90, "very likely"), (0.66, "likely"))
# What is no longer told from chance once its fellow tests are counted is called likely at most (our own choice).
_MOST_OF_ONE_AMONG_MANY = 0.90


def likelihood(probability: float) -> str:
    """A probability in words: above 0.99 'virtually certain', 0.95 'extremely likely', 0.90 'very likely', 0.66 'likely'.

    The scale is mirrored below: 'unlikely' under 0.33, 'very unlikely' under 0.10, 'extremely unlikely' under 0.05,
    'exceptionally unlikely' under 0.01; between, 'about as likely as not' (Mastrandrea et al. 2010, from memory).
    """
    for bound, word in _LIKELIHOOD:
        if probability > bound:
            return word
    mirrored = ((0.01, "exceptionally unlikely"), (0.05, "extremely unlikely"), (0.10, "very unlikely"), (0.33, "unlikely"))
    return next((word for bound, word in mirrored if probability < bound), "about as likely as not")


def direction(estimate: Estimate, *, margin: float = 0.0) -> Direction:
    """Direction of a change or trend, from its interval alone.

    ``steady`` when the interval lies within ± `margin` (equivalence; it goes before the others), ``up`` or ``down`` when it lies
    wholly above or below zero, else ``unclear``; always ``unclear`` without an interval. A limit of zero spans zero.
    """
    lower, upper = estimate.lower, estimate.upper
    if not estimate.estimable or math.isnan(lower) or math.isnan(upper):
        return "unclear"
    if -margin <= lower and upper <= margin and margin > 0:
        return "steady"
    return "up" if lower > 0 else "down" if upper < 0 else "unclear"


def percent_level(level: float) -> str:
    """``0.95`` → ``95%``."""
    return f"{100 * level:.3g}%"


def sentence(text: str) -> str:
    """The text with a capital at the start and one full stop at the end."""
    text = text.strip()
    return f"{text[:1].upper()}{text[1:].rstrip('.')}."


def collect(findings: Iterable[Finding]) -> Findings:
    """Findings in order, each sentence once; a repeated sentence hands its result ids to the first and stays key if either is."""
    kept: dict[str, Finding] = {}
    for finding in findings:
        before = kept.get(finding.text)
        if before is None:
            kept[finding.text] = finding
        else:
            ids = tuple(dict.fromkeys(before.results + finding.results))
            kept[finding.text] = replace(before, results=ids, key=before.key or finding.key)
    return Findings(tuple(kept.values()))


def _reason(estimate: Estimate) -> str:
    note = next((note for note in estimate.notes if note.startswith("not estimable: ")), "")
    return singular(note.removeprefix("not estimable: ")) or "too few data"


def mirrored(estimate: Estimate) -> Estimate:
    """The estimate with its sign turned, so that a fall can be told as a size."""
    return replace(estimate, value=-estimate.value, lower=-estimate.upper, upper=-estimate.lower)


def season_change(before: Estimate, after: Estimate) -> Estimate:
    """The change between two independent estimates, both estimable.

    In percent of the first (`contrast.percent_change`); as a plain difference (`contrast.difference`), of percentages in
    percentage points, for what is itself a percentage and where a value or lower limit is not above zero.
    """
    change = percent_change(before, after) if before.units != "percent" else None
    if change is not None and change.estimable:
        return change
    change = difference(before, after)
    return replace(change, units="percentage points") if change.units == "percent" else change


def two_sided(change: Estimate) -> float:
    """Two-sided p of no change, as the interval has it; NaN without an interval."""
    return math.nan if math.isnan(change.lower) or math.isnan(change.upper) else 2 * (1 - _likely_direction(change))


def _likely_direction(estimate: Estimate) -> float:
    above = probability_above(estimate, 0.0)
    return max(above, 1 - above)


def _likely(change: Estimate, noun: str, allowed: Allowance | None) -> str:
    """How likely a rise or fall is, by its interval; no more than likely where it does not stand among the others tested."""
    plain = _likely_direction(change)
    if allowed is None or allowed.stands(change.level):
        return f"a {noun} is {likelihood(plain)}"
    return f"a {noun} is {likelihood(min(plain, _MOST_OF_ONE_AMONG_MANY))}, but it {allowed.lost(change.level)}"


def chance_text(probability: float) -> str:
    """``0.87``, ``over 0.99``, ``under 0.01``; a dash for NaN."""
    if math.isnan(probability):
        return NO_VALUE
    return "over 0.99" if probability > 0.99 else "under 0.01" if probability < 0.01 else f"{probability:.2f}"


def _subject_of(result: Result) -> str:
    """The quantity that a result is about; a trend, a change or an objective names it first in its detail."""
    if result.quantity in _ABOUT_ANOTHER and result.detail:
        return result.detail.split("/")[0].split(" ")[0]
    return result.quantity


@dataclass(frozen=True)
class Writer:
    """Writes the sentences of one report.

    Attributes
    ----------
    nouns : Nouns
        Names and units.
    steady_percent : float
        Margin, in percent (of the first season, or per year for a trend), within which a change is called steady.
    """

    nouns: Nouns = field(default_factory=Nouns)
    steady_percent: float = 2.0

    # ---- pieces -------------------------------------------------------------------------------------------------

    def subject(self, result: Result) -> str:
        """What the result is about: ``the catch rate of brown trout of quality length (230 mm) and longer``; for deaths, ages."""
        about = self.nouns.phrase(_subject_of(result), result.species, result.size_class, result.site)
        ages = ages_meant(result.estimate)
        if not ages and result.estimate.estimable and _subject_of(result) in _OF_AGES and result.quantity not in _OF_AGES:
            ages = "of the ages fully caught"
        return f"{about} {ages}".rstrip()

    def amount(self, estimate: Estimate) -> str:
        """Value and interval: ``61.2 fish per hour (95% interval 51.9 to 71.7)``."""
        shown = format_estimate(estimate, self.nouns.units)
        if not estimate.estimable:
            return shown.text
        unit = unit_words(shown.unit)
        value = f"{shown.value}%" if unit == "percent" else f"{shown.value} {unit}".strip()
        return value if shown.interval == NO_VALUE else f"{value} ({percent_level(estimate.level)} interval {shown.interval})"

    def _measure(self, estimate: Estimate, text: str) -> str:
        """A number of a change with its unit: ``23%``, ``4.1 fish per hour``, ``23% a year``."""
        unit = self.nouns.units.units(estimate.units)
        ending = " a year" if unit.endswith(_PER_YEAR) else ""
        unit = unit_words(unit.removesuffix(_PER_YEAR))
        if unit == "percentage points" and text == "1":
            unit = "percentage point"
        return f"{text}%{ending}" if unit == "percent" else f"{text} {unit}".strip() + ending

    def _with_interval(self, estimate: Estimate) -> str:
        shown = format_estimate(estimate, self.nouns.units)
        return f"{self._measure(estimate, shown.value)} ({percent_level(estimate.level)} interval {shown.interval})"

    def _across_zero(self, estimate: Estimate) -> str:
        """An interval that spans zero: ``anything from a fall of 12% to a rise of 30%``."""
        shown = format_estimate(estimate, self.nouns.units)

        def side(text: str, limit: float) -> str:
            noun = "a rise" if limit > 0 else "a fall"
            if math.isinf(limit):
                return f"{noun} without bound"
            bare = text.lstrip(MINUS)
            return f"{noun} of {self._measure(estimate, bare)}" if any(digit in bare for digit in "123456789") else "no change"

        low, high = side(shown.lower, estimate.lower), side(shown.upper, estimate.upper)
        if low == high:
            return f"a change too small to show ({percent_level(estimate.level)} interval)"
        return f"anything from {low} to {high} ({percent_level(estimate.level)} interval)"

    # ---- rules --------------------------------------------------------------------------------------------------

    def level(self, result: Result, *, key: bool = False) -> Finding:
        """A level with its interval, or the statement that it could not be estimated."""
        if not result.estimate.estimable:
            return self.few_data([result])[0]
        when = "" if result.season is None else f"in {result.season} "
        return Finding(sentence(f"{when}{self.subject(result)} was {self.amount(result.estimate)}"), (result.id,), "none", key)

    def change(
        self, before: Result, after: Result, *, margin: float | None = None, key: bool = False, allowed: Allowance | None = None
    ) -> Finding:
        """Change from one season to another, of two independent estimates of one quantity.

        In percent of the first (`contrast.percent_change`); as a plain difference (`contrast.difference`) for a quantity that is
        itself a percentage, and where a value or lower limit is not above zero. `margin`: in percent or those units; None takes
        `steady_percent` for changes in percent, and no margin otherwise. `allowed`: as in `trend`.

        Raises
        ------
        InputError
            The two are of different quantities, species, classes or sites.
        """
        place = [(r.quantity, r.species, r.size_class, r.site, r.scenario, r.detail) for r in (before, after)]
        if place[0] != place[1]:
            raise InputError(f"a change needs two results of one quantity and place; got {before.id!r} and {after.id!r}")
        ids = (before.id, after.id)
        subject, span = self.subject(after), f"from {before.season} to {after.season}"
        was, now = (ages_meant(r.estimate) for r in (before, after))
        if was and now and was != now:
            subject = f"{subject.removesuffix(f' {now}')}, {was} in {before.season} and {now} in {after.season},"
        lacking = [r for r in (before, after) if not r.estimate.estimable]
        if lacking:
            seasons = " and ".join(str(r.season) for r in lacking)
            text = f"whether {subject} changed {span} cannot be told: {_reason(lacking[0].estimate)} in {seasons}"
            return Finding(sentence(text), ids, "unclear", key)
        change = season_change(before.estimate, after.estimate)
        if margin is None:
            margin = self.steady_percent if change.units == "percent" else 0.0
        return self._moved(change, subject, span, ids, margin, key, allowed)

    def _moved(
        self, change: Estimate, subject: str, span: str, ids: tuple[str, ...], margin: float, key: bool,
        allowed: Allowance | None = None,
    ) -> Finding:  # fmt: skip
        found = direction(change, margin=margin)
        if math.isnan(change.lower) or math.isnan(change.upper):
            text = f"whether {subject} rose or fell {span} cannot be told: the change has no interval"
        elif found == "unclear":
            text = f"whether {subject} rose or fell {span} cannot be told: {self._across_zero(change)}"
        elif found == "steady":
            within = self._measure(change, f"{self.nouns.units.quantity(margin, change.units, difference=True)[0]:.3g}")
            text = f"{subject} was steady {span}: a change of {self._with_interval(change)} lies within {within} either way"
        else:
            verb, noun = ("rose", "rise") if found == "up" else ("fell", "fall")
            size = self._with_interval(change if found == "up" else mirrored(change))
            if allowed is not None and not allowed.stands(change.level):
                verb, found = "seems to have risen" if found == "up" else "seems to have fallen", "unclear"
            text = f"{subject} {verb} {span} by {size}; {_likely(change, noun, allowed)}"
        return Finding(sentence(text), ids, found, key)

    def trend(
        self, result: Result, *, first: int, last: int, seasons: int | None = None, margin: float | None = None,
        key: bool = False, allowed: Allowance | None = None,
    ) -> Finding:  # fmt: skip
        """Trend over seasons, from a ``trend_per_year`` result whose `detail` names the quantity that it is the trend of.

        `seasons` counts those with data. `margin`: in the units of the estimate; None takes `steady_percent` for a trend in
        percent per year, and no margin otherwise. `allowed`: where its adjusted p no longer tells the trend from chance,
        that is said, the trend only *seems* to be one, and its direction is unclear.
        """
        estimate, subject = result.estimate, self.subject(result)
        if not estimate.estimable:
            return Finding(
                sentence(f"the trend of {subject} could not be estimated: {_reason(estimate)}"), (result.id,), "none", key
            )
        count = estimate.n if seasons is None else seasons
        span = f"over the {count} seasons from {first} to {last}"
        if margin is None:
            margin = self.steady_percent if estimate.units.startswith("percent") else 0.0
        return self._moved(estimate, subject, span, (result.id,), margin, key, allowed)

    def compared(
        self, result: Result, *, first: int, last: int, unsteady: Result | None = None, key: bool = False,
        allowed: Allowance | None = None, steady: Allowance | None = None,
    ) -> Finding:  # fmt: skip
        """Two seasons of a smoothed level, from a ``smoothed_change`` result: the last was higher or lower than the first.

        `unsteady`: the trend over the same seasons, where it cannot be told and the sentence is to say so; `steady` is what is
        allowed for in it. `allowed`: as in `trend`.
        """
        change, subject = result.estimate, self.subject(result)
        found, span = direction(change), "with sampling error smoothed out"
        if found not in ("up", "down"):
            return self.moved(result, f"from {first} to {last}, {span},", key=key)
        word, noun, verb = ("higher", "rise", "rose") if found == "up" else ("lower", "fall", "fell")
        size = self._with_interval(change if found == "up" else mirrored(change))
        was = "was"
        if allowed is not None and not allowed.stands(change.level):
            was, found = "seems to have been", "unclear"
        text = f"{subject} {was} {word} in {last} than in {first}, {span}, by {size}; {_likely(change, noun, allowed)}"
        if unsteady is None:
            return Finding(sentence(text), (result.id,), found, key)
        way = direction(unsteady.estimate)
        if way in ("up", "down") and steady is not None:
            size = self._with_interval(unsteady.estimate if way == "up" else mirrored(unsteady.estimate))
            moved = "risen" if way == "up" else "fallen"
            text = f"{text}; it seems to have {moved} steadily, by {size}, but that {steady.lost(change.level)}"
            return Finding(sentence(text), (unsteady.id, result.id), found, key)
        text = f"{text}; whether it {verb} steadily cannot be told"
        if not math.isnan(unsteady.estimate.lower) and not math.isnan(unsteady.estimate.upper):
            text = f"{text}: {self._across_zero(unsteady.estimate)}"
        return Finding(sentence(text), (unsteady.id, result.id), found, key)

    def moved(
        self, result: Result, span: str, *, margin: float = 0.0, key: bool = False, allowed: Allowance | None = None
    ) -> Finding:
        """A change that the result itself holds, such as a step after an event; its `detail` names what changed, `span` when.

        `allowed`: as in `trend`.
        """
        estimate, subject = result.estimate, self.subject(result)
        if not estimate.estimable:
            text = f"whether {subject} changed {span} cannot be told: {_reason(estimate)}"
            return Finding(sentence(text), (result.id,), "unclear", key)
        return self._moved(estimate, subject, span, (result.id,), margin, key, allowed)

    def objective(self, result: Result, outcome: ObjectiveOutcome, *, name: str = "", key: bool = True) -> Finding:
        """An objective of the plan: met, not met or not yet known, with its probability.

        `result` is the one that the outcome is reported under; its `quantity` (or, for ``objective_probability``, its `detail`)
        names what the objective is about.
        """
        subject = self.subject(result)
        called = f"“{name}”: " if name else ""
        wish = self.wish(outcome)
        head = f"{called}{subject} should be {wish}"
        if not outcome.mean.estimable:
            reason = _reason(outcome.mean)
            return Finding(sentence(f"{head}; whether it is met is not yet known: {reason}"), (result.id,), "none", key)
        was = f"it was {self.amount(outcome.mean)}{too_short(outcome.mean)}"
        if math.isnan(outcome.probability):
            reason = next((note for note in outcome.notes if note.startswith(_NOT_JUDGED)), "too few data")
            tail = f"whether that meets the objective is not yet known: {reason.removeprefix(_NOT_JUDGED)}"
        else:
            chance = chance_text(outcome.probability)
            tail = {
                "met": f"the objective is met (probability {chance})",
                "not met": f"the objective is not met (probability that it is: {chance})",
                "not yet known": f"whether the objective is met is not yet known (probability {chance})",
            }[outcome.verdict]
        return Finding(sentence(f"{head}; {was}, and {tail}"), (result.id,), "none", key)

    def wish(self, outcome: ObjectiveOutcome) -> str:
        """The bounds of an objective in the units of the report: ``at least 20 fish per hour``."""
        units = outcome.mean.units
        low, unit = self.nouns.units.quantity(outcome.at_least, units)
        high, _ = self.nouns.units.quantity(outcome.at_most, units)
        ending = "%" if unit == "percent" else f" {unit_words(unit)}".rstrip()
        shown_low, shown_high = (f"{x:.3g}" if abs(x) < 1000 else format_number(x) for x in (low, high))
        if math.isinf(outcome.at_most):
            return f"at least {shown_low}{ending}"
        if math.isinf(outcome.at_least):
            return f"at most {shown_high}{ending}"
        return f"between {shown_low} and {shown_high}{ending}"

    def few_data(self, results: Sequence[Result]) -> tuple[Finding, ...]:
        """One sentence for each reason and season why something could not be estimated; estimable results are passed over."""
        groups: dict[tuple[str, int | None], list[Result]] = {}
        for result in results:
            if not result.estimate.estimable:
                groups.setdefault((_reason(result.estimate), result.season), []).append(result)
        found = []
        for (reason, season), members in groups.items():
            names = list(dict.fromkeys(self.subject(member) for member in members))
            listed = names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
            when = "" if season is None else f"in {season} "
            ids = tuple(member.id for member in members)
            found.append(Finding(sentence(f"{when}{listed} could not be estimated: {reason}"), ids))
        return tuple(found)
