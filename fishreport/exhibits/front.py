"""The front page: the scorecard of the plan's objectives and what it means."""

from __future__ import annotations

import math
from collections.abc import Sequence

from fishreport.analysis.firm_ground import why_shaky
from fishreport.analysis.mortality import TOO_SHORT
from fishreport.analysis.plan import ObjectiveResult
from fishreport.exhibits.context import Context
from fishreport.exhibits.exhibit import Finding, Findings, Remark, Scorecard, ScorecardRow
from fishreport.exhibits.notes import seasons_lacking, too_short, why_too_short
from fishreport.exhibits.tabulate import counted, heading, joined
from fishreport.exhibits.units import format_estimate
from fishreport.exhibits.wording import VERDICTS, chance_text, sentence

_ORDER = (
    "trend_per_year", "smoothed_change", "catch_rate", "population_size", "relative_weight", "proportional_size",
    "total_mortality", "fishing_mortality", "objective_probability",
)  # fmt: skip
"""Quantities in the order in which the front page tells of them; what else chapters call key comes after."""


def scorecard(objectives: Sequence[ObjectiveResult], context: Context) -> Scorecard | Remark:
    """Every objective with its target, its estimate, the probability that it is met, and the verdict; a remark without any."""
    if not objectives:
        return Remark("The study names no objectives of a management plan.")
    rows = []
    sources = {one.objective.source for one in objectives}
    for one in objectives:
        shown = format_estimate(one.outcome.mean, context.units)
        unit = "%" if shown.unit == "percent" else f" {shown.unit}" if shown.unit else ""
        value = f"{shown.value}{unit}" if one.outcome.mean.estimable else "Not estimable"
        subject = sentence(context.writer.subject(one.result)).rstrip(".")
        name, about = (one.objective.name, subject) if one.objective.name else (subject, "")
        years = f", mean of {counted(one.objective.over_years, 'season')}" if one.objective.over_years > 1 else ""
        target, chance = heading(context.writer.wish(one.outcome)) + years, chance_text(one.outcome.probability)
        verdict = VERDICTS[one.outcome.verdict]
        source = "" if len(sources) == 1 else one.objective.source
        rows.append(ScorecardRow(name, target, value, shown.interval, chance, verdict, source, about))
    share = f"{100 * objectives[0].outcome.certainty:g}%"
    fished = any(one.objective.quantity == "catch_rate" for one in objectives)
    notes: tuple[str, ...] = (
        f"An objective is called met when that is at least {share} probable by the estimate and its interval, not met when the "
        f"contrary is, and not yet known otherwise{'; catch rates are judged at the sites fished' if fished else ''}.",
    )
    notes += tuple(note for one in objectives for note in _doubts(one, context) if note)
    caption = f"Objectives of the management plan in {context.season}, with the estimate that each is held against."
    if len(sources) == 1 and any(sources):
        notes = (f"All objectives: {sources.pop()}.", *notes)
    return Scorecard(caption, tuple(rows), notes)


def _called(one: ObjectiveResult, context: Context) -> str:
    return f"“{one.objective.name}”" if one.objective.name else sentence(context.writer.subject(one.result)).rstrip(".")


def _doubts(one: ObjectiveResult, context: Context) -> tuple[str, ...]:
    """What a reader must know of the estimate of an objective before relying on it; empty texts where there is nothing."""
    reason = why_too_short(one.outcome.mean)
    short = f"{_called(one, context)}: {TOO_SHORT}{reason}, and its probability too near 0 or 1." if reason else ""
    shaky = why_shaky(one.objective.quantity, one.outcome.mean)
    rate = "taken as a rate of death, the estimate" if one.objective.quantity == "annual_survival" else "the estimate"
    unsure = f"{_called(one, context)}: {rate} {shaky}, and is no firm ground." if shaky else ""
    return _unjudged(one, context), short, unsure, _hangs(one, context)


def _unjudged(one: ObjectiveResult, context: Context) -> str:
    """Why an objective with an estimate was not judged; empty for one that was."""
    if not one.outcome.mean.estimable or not math.isnan(one.outcome.probability):
        return ""
    reason = next((note for note in one.outcome.notes if note.startswith("not judged: ")), "")
    lacking = seasons_lacking(one.outcome.notes)
    if lacking:
        reason += f", and the number shown is of {'that one' if lacking[0] == 1 else f'those {lacking[0]}'} alone"
    return f"{_called(one, context)}: {reason}." if reason else ""


def _hangs(one: ObjectiveResult, context: Context) -> str:
    """That other estimators of the same quantity would put the objective on the other side; empty where none would."""
    if not one.others:
        return ""
    told = [
        f"by “{way.name}”{too_short(way.outcome.mean)} it is {context.writer.amount(way.outcome.mean)}, and "
        f"{VERDICTS[way.outcome.verdict].casefold()} (probability {chance_text(way.outcome.probability)})"
        for way in one.others
    ]
    return f"{_called(one, context)} hangs on the estimator: {joined(told)}."


def key_findings(found: Findings, context: Context) -> list[Findings | Remark]:
    """Key findings on no single species, then those of each under its name: trend first, then how many, how fat, how large."""
    by_species: dict[str, list[Finding]] = {"": []}
    for item in found.items:
        keys = {part for result in item.results for part in result.split("/")[1:2] if part in context.names}
        by_species.setdefault(keys.pop() if len(keys) == 1 else "", []).append(item)
    shown: list[Findings | Remark] = [Findings(tuple(by_species[""]))] if by_species[""] else []
    for key, name in context.names.items():
        if by_species.get(key):
            shown += [Remark(f"### {name}"), Findings(tuple(sorted(by_species[key], key=_place)))]
    return shown


def _place(finding: Finding) -> tuple[int, bool]:
    """Order on the page: by quantity, and of one quantity what can be told before what cannot."""
    return _rank(finding), finding.direction == "unclear"


def _rank(finding: Finding) -> int:
    quantity = finding.results[0].split("/")[0]
    return _ORDER.index(quantity) if quantity in _ORDER else len(_ORDER)
