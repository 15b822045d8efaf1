"""Objectives of the management plan as aims that a projection can be held against."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fishreport.analysis.catch import catch_rates
from fishreport.analysis.scenario_inputs import SpeciesInputs
from fishreport.analysis.vital_rates import lognormal_draws
from fishreport.fielddata.survey import Survey
from fishreport.methods.estimate import Estimate
from fishreport.population.decision import Goal
from fishreport.population.projection import Projection
from fishreport.study import Objective, Study

Floats = NDArray[np.float64]
CATCH_RATE = "survey_catch_rate_"
_DEATHS = ("total_mortality", "annual_survival", "fishing_mortality")


@dataclass(frozen=True, slots=True)
class Aim:
    """An objective of the plan that a projection can be held against."""

    objective: Objective
    goal: Goal


def _quantity(objective: Objective, categories: dict[str, float]) -> tuple[str, float] | str:
    """Quantity of the projection and factor on the bounds for an objective, or the reason why there is none."""
    size, names = objective.size_class, list(categories)
    if size != "all" and size not in names:
        return f"the length class {size} is none of those followed"
    match objective.quantity:
        case "proportional_size" if size in names[1:]:
            return f"proportional_size_{size}", 1.0
        case "density_per_km":
            return f"density_{size}", 1.0
        case "catch_rate":
            return f"{CATCH_RATE}{size}", 1.0
        case "mean_length" if size == names[0]:
            return "mean_length", 1.0
    if objective.quantity in _DEATHS:
        return "the projection gives no rate as a catch curve measures it; fewer fish kept or dying of release mean fewer deaths"
    return f"the projection gives no {objective.quantity.replace('_', ' ')}"


def aims_of(study: Study, inputs: SpeciesInputs) -> tuple[tuple[Aim, ...], tuple[tuple[Objective, str], ...]]:
    """Objectives of the species that a projection can be held against, and those that it cannot with the reason."""
    found, left_out = [], []
    for objective in study.objectives:
        if study.find_species(objective.species).key != inputs.key:
            continue
        answer = _quantity(objective, inputs.categories)
        if isinstance(answer, str):
            left_out.append((objective, answer))
            continue
        if objective.quantity == "density_per_km" and inputs.relative:
            left_out.append((objective, "today's density is not known"))
            continue
        goal = Goal(
            answer[0], at_least=objective.at_least, at_most=objective.at_most, between=objective.between,
            over_years=objective.over_years, name=objective.name,
        )  # fmt: skip
        found.append(Aim(objective, goal))
    return tuple(found), tuple(left_out)


def with_catch_rates(
    projection: Projection, today: dict[str, Estimate], rng: np.random.Generator, densities: dict[str, Floats]
) -> Projection:
    """The projection with the survey's catch rate of each class added: today's rate times the change of density.

    `today`: size class → catch rate of the reported season (drawn lognormal); `densities`: size class → today's density by draw.
    The catchability of the survey is taken to stay as it is.
    """
    extra, names = [], []
    for size, estimate in today.items():
        rate = lognormal_draws(rng, projection.by_scenario.shape[1], estimate)
        factor = rate / np.maximum(densities[size], 1e-300)
        extra.append(projection.get(f"density_{size}") * factor[None, :, None])
        names.append(f"{CATCH_RATE}{size}")
    if not extra:
        return projection
    values = np.concatenate([projection.by_scenario, np.stack(extra, axis=-1)], axis=-1)
    return replace(projection, values=values, quantities=(*projection.quantities, *names))


def catch_rates_today(study: Study, survey: Survey, inputs: SpeciesInputs, aims: tuple[Aim, ...]) -> dict[str, Estimate]:
    wanted = [aim.objective.size_class for aim in aims if aim.objective.quantity == "catch_rate"]
    if not wanted:
        return {}
    rates = catch_rates(study, survey, [inputs.classes])
    found = {}
    for size in wanted:
        now = rates.one(species=inputs.key, season=study.season.year, size_class=size, site=None)
        if now is not None and now.estimate.estimable and now.estimate.value > 0:
            found[size] = now.estimate
    return found


def goal_words(goal: Goal) -> str:
    """The bounds of a goal in plain numbers: ``at least 50``."""
    if goal.at_least is not None:
        return f"at least {goal.at_least:g}"
    if goal.at_most is not None:
        return f"at most {goal.at_most:g}"
    low, high = goal.between or (math.nan, math.nan)
    return f"between {low:g} and {high:g}"
