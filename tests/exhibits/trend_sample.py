"""What the trend chapter works out of a study, for the tests of its exhibits."""

from __future__ import annotations

import dataclasses

import numpy as np

from fishreport.analysis import catch, catch_model, condition, drivers, plan, sizes, trend, trend_family
from fishreport.exhibits.context import report_context


@dataclasses.dataclass
class Made:
    """What the chapter works out."""

    indices: list
    before: object
    trends: list
    lead: list
    counts: trend_family.Multiplicity
    moves: trend_family.Multiplicity
    steps: list
    effects: list
    outcomes: tuple
    history: list

    @property
    def ids(self) -> set[str]:
        every = self.before + catch_model.index_results(self.indices) + trend.trend_results(self.trends, self.steps)
        return {r.id for r in every + [e.result for e in self.effects] + [o.result for o in self.outcomes]}


def make_trends(study, survey) -> Made:
    classes = list(report_context(study).classes)
    indices = catch_model.standardised_indices(study, survey, classes, np.random.default_rng(2))
    before = (
        catch.catch_rates(study, survey, classes)
        + sizes.size_structure(study, survey, classes)
        + condition.condition(study, survey, classes).results
    )
    known = before + catch_model.index_results(indices)
    trends = trend.index_trends(known, classes, study.season.year)
    lead = trend.lead_trends(trends, classes)
    steps = trend.steps(study, lead)
    effects = drivers.driver_effects(study, drivers.drivers(study, survey), trend.driven(lead, classes))
    outcomes = plan.evaluate_objectives(study, known)
    history = plan.objective_history(study, known, survey.seasons)
    many = (
        trend_family.multiplicity(trends, study.parameters.level),
        trend_family.smoothed_multiplicity(trends, study.parameters.level),
    )
    return Made(indices, before, trends, lead, *many, steps, effects, outcomes, history)
