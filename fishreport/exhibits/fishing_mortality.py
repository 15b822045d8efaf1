"""Fishing mortality in sentences and a table: by creel survey and number of fish first, then as total less natural mortality."""

from __future__ import annotations

import math

from fishreport.analysis.firm_ground import is_firm
from fishreport.analysis.fishing_today import CREEL, CREEL_OVER_AGES, FITS_BOTH, Fishing, SpeciesFishing
from fishreport.analysis.mortality import Mortality, SpeciesMortality
from fishreport.analysis.result import Result
from fishreport.exhibits.context import Context
from fishreport.exhibits.exhibit import Column, Finding, Table
from fishreport.exhibits.notes import shown_note
from fishreport.exhibits.tabulate import frame_table, joined
from fishreport.exhibits.units import NO_VALUE, Units, format_estimate
from fishreport.exhibits.wording import percent_level, sentence
from fishreport.methods.estimate import Estimate

CREEL_ASSUMES = (
    "The number of fish is that of the survey, taken as present on average through the year; more are alive at the year's start, "
    "and the share of those that die by fishing is u in the table of all rates of death. Fish open to harvest count as far as "
    "anglers meet them, and what anglers catch and keep is as they told the clerk. A creel survey that misses anglers, or a "
    "census that misses fish, shifts the rate by as much."
)


MATURITY_APART = 1.0
"""Years between the given age at maturity and the age at the given length beyond which they are said to disagree."""
WOULD_TELL = "a creel survey beside a count of the fish would"
NO_RULE = "which gives no rate, since the study names no rule of today for them"


def by_species(found: Mortality, context: Context) -> list[tuple[str, SpeciesMortality]]:
    """Name and mortality of every species, in the order of the study."""
    return [(name, found.species[key]) for key, name in context.names.items()]


def value_cell(estimate: Estimate) -> str:
    """A value with its interval in brackets; rates have no other units."""
    text = format_estimate(estimate, Units())
    return text.value if text.interval == NO_VALUE else f"{text.value} ({text.interval})"


def maturity_apart(one: SpeciesMortality, context: Context) -> str:
    """A sentence where the study's age and length at maturity lie more than a year apart on the growth curve, else empty."""
    given, reached = one.life_history.get("age_at_maturity", math.nan), one.age_at_mature_length
    length = context.classes_of(one.key).species.life_history.length_at_maturity_mm
    if length is None or math.isnan(given) or math.isnan(reached) or abs(reached - given) <= MATURITY_APART:
        return ""
    name = context.writer.nouns.species_name(one.key)
    at = f"at {reached:.1f} years" if math.isfinite(reached) else "at no age"
    return sentence(
        f"the study gives maturity of {name} at {given:g} years and at {context.units.length(length)}, a length that the mean "
        f"fish reaches {at} on the growth curve: natural mortality is predicted from the one, and spawning in the scenarios "
        "follows the other"
    )


def open_lengths(one: SpeciesFishing, context: Context) -> str:
    """Lengths of the fish that may be kept today and are counted: ``356 mm and longer``; ``none`` under release only."""
    published = context.classes_of(one.key)
    shortest = one.known.density.length_mm
    ranges = [(max(low, shortest), high) for low, high in one.known.today.kept_ranges() if high > shortest]
    words = [context.units.length_range(low, high, published.published_mm, published.published_in) for low, high in ranges]
    return joined(words, "or") or "none"


def _hangs(one: SpeciesFishing) -> str:
    """On which assumptions the rates hang, as they enter `anglers_today` and `mortality_draws`."""
    die, kept = (f"{100 * share:.3g}%" for share in (one.known.release_deaths, one.known.noncompliance))
    if not one.known.today.may_keep:
        return (
            f"assumed, not measured: {die} of released fish die, and {kept} of protected fish are kept all the same; fishing "
            "mortality by creel survey hangs on both"
        )
    return (
        f"assumed, not measured: {die} of released fish die, on which fishing mortality by creel survey hangs, and {kept} of "
        "protected fish are kept all the same, on which that over the ages of the catch curve and the natural mortality that "
        "fits both hang"
    )


def fishing_table(fishing: Fishing, found: Mortality, context: Context) -> Table | None:
    """Exploitation and fishing mortality by creel survey beside what total mortality leaves, one column a species."""
    shown = [(name, fishing.species[key]) for key, name in context.names.items() if key in fishing.species]
    shown = [(name, one) for name, one in shown if one.fishing.estimable]
    if not shown:
        return None
    left = {one.key: found.species[one.key].fishing for _, one in shown}

    def row(label: str, cells: list[Estimate | None]) -> list[str]:
        return [label, *(NO_VALUE if e is None or not e.estimable else value_cell(e) for e in cells)]

    rows = [
        ["May be kept today", *(open_lengths(one, context) for _, one in shown)],
        row("Those present on average, fish", [one.open_number for _, one in shown]),
        row("Kept in the year, per 100 present on average", [one.exploitation for _, one in shown]),
        row("Fishing mortality F of them, per year", [one.fishing for _, one in shown]),
        row("The same over the ages of the catch curve, per year", [one.spread for _, one in shown]),
        row("Total less natural mortality at those ages, per year", [left[one.key] for _, one in shown]),
        row("Natural mortality M that fits both, used in the scenarios, per year", [one.natural for _, one in shown]),
    ]
    notes = dict.fromkeys([CREEL_ASSUMES])
    for name, one in shown:
        how = shown_note(one.known.density.source.how, context.units)
        notes[f"{name}: creel survey of {one.year}; number of fish by {how}."] = None
        notes |= dict.fromkeys(f"{name}: {note}." for note in one.fishing.notes)
    hangs = {name: _hangs(one) for name, one in shown}
    alike = len(set(hangs.values())) == 1
    notes |= dict.fromkeys(sentence(text if alike else f"{name}: {text}") for name, text in hangs.items())
    columns = [Column("Measure", align="left"), *(Column(name) for name, _ in shown)]
    level = percent_level(shown[0][1].fishing.level)
    caption = (
        f"What anglers take, by creel survey and number of fish, with {level} intervals, beside what total mortality leaves for "
        "fishing. Deaths after release are included. The scenarios start from these rates."
    )
    data = [r.record() for r in fishing.results if r.species in {one.key for _, one in shown}]
    return frame_table("angling-mortality", caption, columns, rows, notes=tuple(notes), data=data)


def fishing_sentences(one: SpeciesMortality, found: Mortality, context: Context, fishing: Fishing | None = None) -> list[Finding]:
    """Fishing mortality by creel survey where there is one, then total less natural mortality, and whether the two agree."""
    asked = None if fishing is None else fishing.species.get(one.key)
    if asked is None or fishing is None:
        unruled = fishing is not None and one.key in fishing.without_rule
        return _left_over(one, found, context, kept=fishing.kept.get(one.key) if fishing is not None and unruled else None)
    if not asked.fishing.estimable:
        return [*_not_told(asked, fishing, context), *_left_over(one, found, context)]
    said = [*_by_creel(asked, fishing, context), *_left_over(one, found, context, asked)]
    return [*said, *_agreement(asked, fishing, found, context)]


def _result(fishing: Fishing, quantity: str, key: str, detail: str | None = None) -> Result:
    found = fishing.results.one(quantity=quantity, species=key, detail=detail)
    assert found is not None
    return found


def _not_told(asked: SpeciesFishing, fishing: Fishing, context: Context) -> list[Finding]:
    name = context.writer.nouns.species_name(asked.key)
    reason = asked.fishing.notes[0].removeprefix("not estimable: ")
    text = f"what anglers take of {name} is known from the creel survey, but not how large a share of them that is: {reason}"
    return [Finding(sentence(text), (_result(fishing, "fishing_mortality", asked.key, CREEL).id,))]


def _by_creel(asked: SpeciesFishing, fishing: Fishing, context: Context) -> list[Finding]:
    """The rate, for the front page where it is firm, and how many of those that may be kept are."""
    name, rate = context.writer.nouns.species_name(asked.key), _result(fishing, "fishing_mortality", asked.key, CREEL)
    share = _result(fishing, "exploitation", asked.key)
    source = f"the creel survey of {asked.year} and the number of fish ({asked.known.density.source.how})"
    if not share.estimate.estimable:
        text = (
            f"fishing mortality of {name}, none of which may be kept, was {context.writer.amount(rate.estimate)} by {source}: "
            "deaths after release, and fish kept against the rule"
        )
        return [Finding(sentence(text), (rate.id,), key=is_firm(rate.estimate))]
    kept = format_estimate(share.estimate, Units())
    limits = "" if kept.interval == NO_VALUE else f" ({kept.interval})"
    amount = context.writer.amount(rate.estimate)
    text = (
        f"fishing mortality of {name} that may be kept ({open_lengths(asked, context)}) was {amount} by {source}, deaths after "
        "release included"
    )
    taken = f"anglers kept {kept.value}{limits} for every 100 {name} that may be kept, present on average through the year"
    return [
        Finding(sentence(text), (rate.id,), key=is_firm(rate.estimate)),
        Finding(sentence(taken), (rate.id, share.id)),
    ]


def _left_over(
    one: SpeciesMortality,
    found: Mortality,
    context: Context,
    asked: SpeciesFishing | None = None,
    *,
    kept: Result | None = None,
) -> list[Finding]:
    """Total less natural mortality of the reported season."""
    result = found.results.one(quantity="fishing_mortality", species=one.key, season=context.season, detail=None)
    if result is None:
        return []
    e, name = result.estimate, context.writer.nouns.species_name(one.key)
    if not e.estimable:
        reason = next((n for n in e.notes if n.startswith("not estimable: ")), "").removeprefix("not estimable: ")
        what = "fishing mortality of" if asked is None else "what total mortality leaves for fishing of"
        return [Finding(sentence(f"{what} {name} could not be estimated: {reason}"), (result.id,))]
    amount = context.writer.amount(e)
    if e.lower > 0:
        if asked is None:
            text = f"fishing mortality of {name} was {amount} in {context.season}, natural mortality {one.natural_source}"
            text += _doubt(one)
        else:
            text = f"total less natural mortality leaves {amount} for fishing of {name}, over all fish of the catch curve's ages"
        return [Finding(sentence(text), (result.id,))]
    if asked is None:
        others, ids = _left_otherwise(one, found, context)
        text = (
            f"what is left for fishing of {name} is {amount}{_doubt(one)}{others}: the data do not tell it from nothing, since "
            "total and natural mortality are both uncertain; "
        )
        if kept is None:
            return [Finding(sentence(text + WOULD_TELL), (result.id, *ids), "unclear")]
        text += f"by the creel survey of {kept.season} anglers kept {kept_text(kept)}, {NO_RULE}"
        return [Finding(sentence(text), (result.id, *ids, kept.id), "unclear")]
    text = (
        f"total less natural mortality leaves {amount} for fishing of {name}: this difference alone does not tell it from "
        "nothing, since both are uncertain"
    )
    if asked.known.anglers is not None and asked.known.anglers.kept.value > 0:
        text += f"; the creel survey does: {value_cell(asked.fishing)} of fish that may be kept"
    creel = Result("fishing_mortality", asked.fishing, context.season, asked.key, detail=CREEL)
    return [Finding(sentence(text), (result.id, creel.id), "unclear")]


def kept_text(kept: Result) -> str:
    """``4 fish (2 to 6)``, the interval left out where the table gives no standard error."""
    text = format_estimate(kept.estimate, Units())
    return f"{text.value} fish" + ("" if text.interval == NO_VALUE else f" ({text.interval})")


def _doubt(one: SpeciesMortality) -> str:
    """That the season's total mortality is no firm ground, to follow what it leaves; empty where it is."""
    firm = one.fit is None or is_firm(one.fit.total_mortality)
    return "" if firm else ", from a total mortality that is no firm ground"


def _left_otherwise(one: SpeciesMortality, found: Mortality, context: Context) -> tuple[str, tuple[str, ...]]:
    """What the latest seasons together leave, where the season alone is no firm ground, and the result."""
    pooled = [
        r
        for r in found.results.where(quantity="fishing_mortality", species=one.key, season=context.season)
        if str(r.detail).startswith("seasons ") and r.estimate.estimable
    ]
    if not pooled or not _doubt(one):
        return "", ()
    return f"; {pooled[0].detail} leave {value_cell(pooled[0].estimate)}", (pooled[0].id,)


def _agreement(asked: SpeciesFishing, fishing: Fishing, found: Mortality, context: Context) -> list[Finding]:
    """Whether the creel survey and total less natural mortality agree over the ages of the catch curve, and what M fits both."""
    left = found.results.one(quantity="fishing_mortality", species=asked.key, season=context.season, detail=None)
    spread = _result(fishing, "fishing_mortality", asked.key, CREEL_OVER_AGES)
    if left is None or not (left.estimate.estimable and spread.estimate.estimable):
        return []
    name, a, b = context.writer.nouns.species_name(asked.key), left.estimate, spread.estimate
    ids: tuple[str, ...] = (spread.id, left.id)
    amount = context.writer.amount(b)
    head = f"over all {name} of the catch curve's ages the creel survey's rate comes to {amount}"
    if a.lower <= b.upper and b.lower <= a.upper:
        text = f"{head}, which agrees within the intervals with total less natural mortality"
        if asked.natural is not None:
            text += (
                f"; natural mortality that fits both is {context.writer.amount(asked.natural)}, which the scenarios start from"
            )
            ids = (*ids, _result(fishing, "natural_mortality", asked.key, FITS_BOTH).id)
    else:
        way = "less" if b.upper < a.lower else "more"
        text = (
            f"{head}, {way} than the {value_cell(a)} that total less natural mortality leaves, beyond both intervals: the creel "
            "survey, the number of fish, the ages or natural mortality must be off"
        )
    return [Finding(sentence(text), ids)]
