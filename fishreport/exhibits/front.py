"""The front page: the scorecard of the plan's objectives and what it means."""

from __future__ import annotations

import math
from collections.abc import Sequence

from fishreport.analysis.plan import ObjectiveResult
from fishreport.exhibits.context import Context
from fishreport.exhibits.exhibit import Findings, Remark, Scorecard, ScorecardRow
from fishreport.exhibits.tabulate import counted, heading
from fishreport.exhibits.units import format_estimate
from fishreport.exhibits.wording import collect, sentence

VERDICTS = {"met": "Met", "not met": "Not met", "not yet known": "Not yet known"}


def _probability(value: float) -> str:
    if math.isnan(value):
        return "—"
    return "over 0.99" if value > 0.99 else "under 0.01" if value < 0.01 else f"{value:.2f}"


def scorecard(objectives: Sequence[ObjectiveResult], context: Context) -> Scorecard | Remark:
    """Every objective with its target, its estimate, the probability that it is met, and the verdict; a remark without any."""
    if not objectives:
        return Remark("The study names no objectives of a management plan.")
    rows = []
    for one in objectives:
        shown = format_estimate(one.outcome.mean, context.units)
        unit = "%" if shown.unit == "percent" else f" {shown.unit}" if shown.unit else ""
        value = f"{shown.value}{unit}" if one.outcome.mean.estimable else "Not estimable"
        subject = sentence(context.writer.subject(one.result)).rstrip(".")
        name, about = (one.objective.name, subject) if one.objective.name else (subject, "")
        years = f", mean of {counted(one.objective.over_years, 'season')}" if one.objective.over_years > 1 else ""
        target, chance = heading(context.writer.wish(one.outcome)) + years, _probability(one.outcome.probability)
        verdict = VERDICTS[one.outcome.verdict]
        rows.append(ScorecardRow(name, target, value, shown.interval, chance, verdict, one.objective.source, about))
    share = f"{100 * objectives[0].outcome.certainty:g}%"
    notes = (
        f"An objective is called met when that is at least {share} probable by the estimate and its interval, not met when the "
        "contrary is, and not yet known otherwise.",
    )
    caption = f"Objectives of the management plan in {context.season}, with the estimate that each is held against."
    return Scorecard(caption, tuple(rows), notes)


def objective_findings(objectives: Sequence[ObjectiveResult], context: Context) -> Findings:
    """One sentence an objective."""
    return collect(context.writer.objective(one.result, one.outcome, name=one.objective.name) for one in objectives)
