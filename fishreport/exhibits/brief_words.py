"""Results in plain words, for people who read no statistics: round numbers, no symbols, and no more than the range bears.

A direction is named only where the whole range lies on that side of no change, as in the full report.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from fishreport.analysis.result import Result
from fishreport.exhibits.context import Context
from fishreport.exhibits.exhibit import Finding
from fishreport.exhibits.notes import ages_meant, why_too_short
from fishreport.exhibits.nouns import unit_words
from fishreport.exhibits.tabulate import counted
from fishreport.exhibits.units import METRIC, MINUS, NO_VALUE, Units, format_estimate
from fishreport.exhibits.wording import direction, mirrored, sentence
from fishreport.methods.contrast import percent_change
from fishreport.methods.estimate import Estimate
from fishreport.study import parse_size_range

_MM_PER_CM = 10.0
_MAY_BE_CHANCE = "; but many changes were looked at, and this one may be chance"


@dataclass(frozen=True)
class Plain:
    """A number as it is said: ``82``, ``61 to 107``."""

    value: str
    interval: str

    def after(self) -> str:
        """The range in brackets after a space, or nothing."""
        return "" if self.interval == NO_VALUE else f" ({self.interval})"


def plain(estimate: Estimate, units: Units = METRIC, *, most: float = math.inf) -> Plain:
    """An estimate with the digits that the report shows it with; nothing above `most` (a whole of 100, say)."""
    value, lower, upper = (min(x, most) for x in (estimate.value, estimate.lower, estimate.upper))
    shown = format_estimate(replace(estimate, value=value, lower=lower, upper=upper), units)
    return Plain(shown.value, shown.interval)


def of_hundred(share: Estimate, scale: float = 1.0) -> Plain:
    """A share told in fish of 100: whole fish, as counted things are."""
    return plain(share.converted(lambda x: scale * x, "fish"), most=100.0)


def in_cm(length: Estimate) -> Estimate:
    """A length in mm as one in cm, which the report's units show as it is or in inches."""
    return length.converted(lambda x: x / _MM_PER_CM, "cm")


def _reason(estimate: Estimate) -> str:
    note = next((note for note in estimate.notes if note.startswith("not estimable: ")), "")
    return note.removeprefix("not estimable: ") or "too few data"


def range_sentence(level: float) -> str:
    """What a range in brackets is, said once."""
    share = 100 * level
    many = f"{share:.0f} in 100" if math.isclose(share, round(share)) else f"{10 * share:.0f} in 1,000"
    return (
        "Every number here comes from a sample. The range in brackets shows how far it can be trusted: "
        f"of ranges made this way, about {many} hold the true value."
    )


def too_narrow(estimate: Estimate) -> str:
    """That a range is known to be too narrow, and why, to end a sentence with; else empty."""
    reason = why_too_short(estimate)
    return f"; this range is too narrow: {reason}" if reason else ""


@dataclass(frozen=True)
class PlainWords:
    """Writes the sentences of a brief.

    Attributes
    ----------
    context : Context
        Units, species and season of the report.
    """

    context: Context

    # ---- names --------------------------------------------------------------------------------------------------

    def length(self, species: str | None, size_class: str) -> str:
        """The lower bound of a length class: ``23 cm (9 in)`` where a standard publishes both, ``9 inches`` in US units."""
        own = self.context.classes_of(species)
        mm, inches = own.published_mm.get(size_class), own.published_in.get(size_class)
        if mm is None or inches is None:
            return self.measured(own.bounds_mm[size_class][0])
        if self.context.units.system == "us":
            return f"{inches:g} inches"
        return f"{mm / _MM_PER_CM:g} cm ({inches:g} in)"

    def measured(self, mm: float) -> str:
        """A length that no standard publishes: ``38 cm`` or ``15.1 inches``."""
        if self.context.units.system == "us":
            return f"{self.context.units.length_value(mm):.1f} inches"
        return f"{mm / _MM_PER_CM:.0f} cm"

    def fish(self, species: str | None, size_class: str | None) -> str:
        """The fish meant, as one reads it: ``brown trout that were 15 cm (6 in) or longer``."""
        name = self.context.writer.nouns.species_name(species)
        if not size_class or size_class == "all":
            return name
        bounds = parse_size_range(size_class)
        if bounds is None or math.isinf(bounds[1]):
            return f"{name} that were {self.length(species, size_class)} or longer"
        return f"{name} of {self.measured(bounds[0])} to {self.measured(bounds[1])}"

    def _name(self, result: Result) -> str:
        return self.context.writer.nouns.species_name(result.species)

    # ---- sentences ----------------------------------------------------------------------------------------------

    def caught(self, result: Result) -> Finding:
        """Catch per hour."""
        e, fish = result.estimate, self.fish(result.species, result.size_class)
        if not e.estimable:
            return self._lacking(f"how many {fish} the crew catches in an hour", result)
        if e.value == 0:
            text = f"In {counted(e.n, 'run')} the crew caught no {fish}"
            return Finding(sentence(text), (result.id,))
        said = plain(e, self.context.units)
        name = self._name(result)
        longer = fish.removeprefix(name)
        text = f"The crew caught about {said.value} {name} an hour{longer}{said.after()}"
        return Finding(sentence(text), (result.id,))

    def _lacking(self, what: str, *results: Result) -> Finding:
        reason = next(_reason(r.estimate) for r in results if not r.estimate.estimable)
        return Finding(sentence(f"{what} cannot be said: {reason}"), tuple(r.id for r in results))

    def _moved(
        self, change: Estimate, what: str, span: str, per: str, ids: tuple[str, ...], *, unsure: bool = False
    ) -> Finding:  # fmt: skip
        """A change in percent, told by its range alone; with a caution where it is `unsure`."""
        found = direction(change, margin=self.context.writer.steady_percent)
        if math.isnan(change.lower) or math.isnan(change.upper):
            return Finding(sentence(f"It cannot be told whether {what} rose or fell {span}"), ids, "unclear")
        if found == "up":
            said = plain(change)
            text = f"{what} {'may have risen' if unsure else 'rose'} {span}, by about {said.value}%{per}{said.after()}"
        elif found == "down":
            said = plain(mirrored(change), most=100.0)
            text = f"{what} {'may have fallen' if unsure else 'fell'} {span}, by about {said.value}%{per}{said.after()}"
        else:
            shown = format_estimate(change)
            low, high = (text.lstrip(MINUS) for text in (shown.lower, shown.upper))
            ways = ["down" if x < 0 else "up" for x in (change.lower, change.upper)]
            between = f"({low}% {ways[0]} to {high}% {ways[1]}{per})"
            steady = f"{what} held about steady {span} {between}"
            text = steady if found == "steady" else f"It cannot be told whether {what} rose or fell {span} {between}"
        if unsure and found in ("up", "down"):
            text, found = f"{text}{_MAY_BE_CHANCE}", "unclear"
        return Finding(sentence(text[:1].upper() + text[1:]), ids, found)

    def trend(self, result: Result, first: int, lead: str, *, unsure: bool = False) -> Finding:
        """The change of the catch over the years, from a trend in percent per year; the class is named where it is not `lead`.

        `unsure`: it does not stand among all the changes tested.
        """
        what = f"catches of {self._name(result) if result.size_class == lead else self.fish(result.species, result.size_class)}"
        return self._moved(result.estimate, what, f"since {first}", " a year", (result.id,), unsure=unsure)

    def compared(
        self, smooth: Result, trend: Result, first: int, last: int, lead: str, *, unsure: bool = False, unsteady: bool = True
    ) -> Finding:
        """The last season's catch against the first's, from the smoothed level.

        `unsteady`: that a steady change cannot be told is said as well. `unsure`: it does not stand among all the changes tested.
        """
        what = f"catches of {self._name(trend) if trend.size_class == lead else self.fish(trend.species, trend.size_class)}"
        change, found = smooth.estimate, direction(smooth.estimate)
        up, unit = (
            found == "up",
            "%" if smooth.estimate.units == "percent" else f" {unit_words(self.context.units.units(smooth.estimate.units))}",
        )
        turned = change if up else mirrored(change)
        said = plain(turned, self.context.units, most=math.inf if up or unit != "%" else 100.0)
        were = "may have been" if unsure else "were"
        text = f"{what} {were} {'higher' if up else 'lower'} in {last} than in {first}, by about {said.value}{unit}{said.after()}"
        if unsure:
            return Finding(sentence(f"{text}{_MAY_BE_CHANCE}"), (smooth.id,), "unclear")
        if not unsteady:
            return Finding(sentence(text), (smooth.id,), found)
        text += f"; whether they {'rose' if up else 'fell'} steadily cannot be told"
        return Finding(sentence(text), (trend.id, smooth.id), found)

    def condition_compared(self, smooth: Result, first: int, last: int) -> Finding:
        """The last season's weight for length against the first's, from the smoothed level, in percent."""
        return self._weighed(smooth, f"in {last} than in {first}", "")

    def condition_trend(self, trend: Result, first: int) -> Finding:
        """The change of weight for length over the years, from a trend in percent per year."""
        return self._weighed(trend, f"from year to year since {first}", " a year")

    def _weighed(self, result: Result, span: str, per: str) -> Finding:
        found = direction(result.estimate)
        change = result.estimate if found == "up" else mirrored(result.estimate)
        said, more = plain(change), "more" if found == "up" else "less"
        text = f"For their length, {self._name(result)} weighed {more} {span}, by about {said.value}%{per}{said.after()}"
        return Finding(sentence(text), (result.id,), found)

    def changed(self, before: Result, after: Result) -> Finding:
        """The change of the catch from the season sampled before."""
        ids, what = (before.id, after.id), f"catches of {self._name(after)}"
        change = percent_change(before.estimate, after.estimate)
        if not change.estimable:
            span = f"from {before.season} to {after.season}"
            return Finding(sentence(f"It cannot be told whether {what} rose or fell {span}"), ids, "unclear")
        return self._moved(change, what, f"from {before.season} to {after.season}", "", ids)

    def number(self, result: Result) -> Finding:
        """Fish in the water."""
        e = result.estimate
        said = plain(e, self.context.units)
        fish = self.fish(result.species, result.size_class)
        return Finding(sentence(f"The water held about {said.value} {fish}{said.after()}"), (result.id,))

    def size(self, result: Result) -> Finding:
        """How many of the grown fish had reached a length."""
        e, stock = result.estimate, self.fish(result.species, "stock")
        said = of_hundred(e)
        reached = self.length(result.species, result.size_class or "quality")
        return Finding(sentence(f"Of 100 {stock}, about {said.value} were at least {reached} long{said.after()}"), (result.id,))

    def mean_length(self, result: Result) -> Finding:
        """The average length."""
        e = result.estimate
        said = plain(in_cm(e), self.context.units)
        unit = "inches" if self.context.units.system == "us" else "cm"
        return Finding(
            sentence(
                f"The average length of {self.fish(result.species, result.size_class)} was {said.value} {unit}{said.after()}"
            ),
            (result.id,),
        )

    def condition(self, result: Result) -> Finding:
        """Weight for length, against the published standard of a plump fish."""
        e = result.estimate
        said = plain(e)
        text = f"For their length, {self._name(result)} weighed about {said.value}% of what a plump fish weighs{said.after()}"
        return Finding(sentence(text), (result.id,))

    def survival(self, result: Result) -> Finding:
        """Fish of 100 that live through a year."""
        e = result.estimate
        said = of_hundred(e, 100.0)
        ages = ages_meant(e)
        fish = f"{self._name(result)} {ages}" if ages else f"grown {self._name(result)}"
        text = f"Of 100 {fish}, about {said.value} live through a year{said.after()}{too_narrow(e)}"
        return Finding(sentence(text), (result.id,))

    def growth(self, result: Result) -> Finding:
        """Length at an age that the result's `detail` names."""
        turned = self.mean_length(replace(result, size_class="all"))
        age = (result.detail or "").removeprefix("age ")
        rest = turned.text.split(" was ", 1)[1]
        return Finding(sentence(f"At age {age} the average {self._name(result)} is about {rest}"), (result.id,))
