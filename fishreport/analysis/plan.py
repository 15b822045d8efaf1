"""The management plan's objectives, held against the season's results."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from fishreport.analysis.mortality import AGES_USED, TOO_SHORT
from fishreport.analysis.result import Result, Results
from fishreport.methods.estimate import Estimate
from fishreport.methods.objectives import ObjectiveOutcome, evaluate_objective
from fishreport.study import Objective, Study

_TREND_OF = ("standardised_catch_rate", "catch_rate")
_LASTING = ("natural_mortality", "growth_asymptotic_length", "growth_coefficient", "trend_per_year")


# Quantities that a report estimates in several ways; the estimate of a part of the water is none of them.
_SEVERAL_WAYS = (
    "total_mortality", "annual_survival", "fishing_mortality", "natural_mortality", "population_size",
    "growth_asymptotic_length", "growth_coefficient",
)  # fmt: skip
_OF_A_PART = ("removal sections",)


@dataclass(frozen=True)
class OtherWay:
    """Another estimator of what an objective is held against; `name` is the detail of its result, such as ``Poisson``."""

    name: str
    outcome: ObjectiveOutcome
    result: Result


@dataclass(frozen=True)
class ObjectiveResult:
    """One objective with its outcome, and the result that carries its probability into ``results.json``.

    `others`: estimators of the same quantity that would put the objective on the other side.
    """

    objective: Objective
    outcome: ObjectiveOutcome
    result: Result
    others: tuple[OtherWay, ...] = ()


def _season_estimate(study: Study, results: Results, objective: Objective, season: int) -> Estimate:
    species = study.find_species(objective.species).key
    place = {
        "quantity": objective.quantity,
        "species": species,
        "size_class": objective.size_class,
        "site": None,
        "scenario": None,
    }
    seasons: tuple[int | None, ...] = (season, None) if objective.quantity in _LASTING else (season,)
    for year in seasons:
        found = results.where(**place, season=year)
        plain = found.where(detail=None)
        if objective.quantity == "trend_per_year":  # a plan that asks for a trend asks for that of the catch rate
            plain = next((part for name in _TREND_OF if len(part := found.where(detail=name))), plain)
        chosen = list(plain if len(plain) else found)
        if len(chosen) == 1:
            return chosen[0].estimate
        if chosen:
            reason = f"{len(chosen)} estimates of {objective.quantity} in {season}; the objective does not say which"
            return Estimate.not_estimable(reason, units=chosen[0].estimate.units, level=chosen[0].estimate.level)
    like = next(iter(results.where(quantity=objective.quantity, species=species)), None)
    units = like.estimate.units if like else ""
    level = like.estimate.level if like else study.parameters.level
    what = objective.quantity.replace("_", " ")
    return Estimate.not_estimable(f"this report estimates no {what} of that size class in {season}", units=units, level=level)


def _like_the_others(estimates: list[Estimate]) -> list[Estimate]:
    units = next((e.units for e in estimates if e.estimable), estimates[-1].units)
    return [
        e if e.estimable else Estimate(e.value, e.se, e.lower, e.upper, e.level, units, e.method, e.n, e.notes) for e in estimates
    ]


def _outcome(study: Study, results: Results, objective: Objective, season: int) -> ObjectiveOutcome:
    years = range(season - objective.over_years + 1, season + 1)
    return _held(study, objective, [_season_estimate(study, results, objective, year) for year in years])


def _held(study: Study, objective: Objective, seasons: list[Estimate]) -> ObjectiveOutcome:
    estimates = _like_the_others(seasons)
    outcome = evaluate_objective(
        estimates, at_least=objective.at_least, at_most=objective.at_most, between=objective.between,
        certainty=study.parameters.certainty,
    )  # fmt: skip
    shared = _in_every_season(seasons)
    return replace(outcome, mean=outcome.mean.noting(*shared), notes=(*outcome.notes, *shared))


def _in_every_season(seasons: list[Estimate]) -> tuple[str, ...]:
    """What a mean of several seasons says no more of its fish and its interval, though every season does."""
    if len(seasons) < 2:
        return ()
    told = [note for note in seasons[0].notes if note.startswith((AGES_USED, TOO_SHORT))]
    return tuple(note for note in told if all(note in one.notes for one in seasons))


def _other_side(outcome: ObjectiveOutcome, other: ObjectiveOutcome) -> bool:
    """The other estimate is called met or not met where this one is not, or lies on the other side of a bound that decides."""
    if math.isnan(other.probability) or other.verdict == outcome.verdict:
        return False
    if other.verdict != "not yet known":
        return True
    return other.probability < 0.5 if outcome.verdict == "met" else other.probability > 0.5


def _others(study: Study, results: Results, objective: Objective, outcome: ObjectiveOutcome) -> tuple[OtherWay, ...]:
    if objective.quantity not in _SEVERAL_WAYS or objective.over_years > 1 or math.isnan(outcome.probability):
        return ()
    season = None if objective.quantity in _LASTING else study.season.year
    same = results.where(
        quantity=objective.quantity, species=study.find_species(objective.species).key, size_class=objective.size_class,
        site=None, scenario=None, season=season,
    )  # fmt: skip
    if not any(r.detail is None and r.estimate.estimable for r in same):
        return ()  # the objective is held against the only one
    ways = [r for r in same if r.detail and r.detail not in _OF_A_PART and r.estimate.estimable]
    held = [OtherWay(str(r.detail), _held(study, objective, [r.estimate]), r) for r in ways]
    return tuple(one for one in held if _other_side(outcome, one.outcome))


def objective_history(study: Study, results: Results, seasons: Sequence[int]) -> list[dict[int, ObjectiveOutcome]]:
    """Every objective of the study as it stood in each of the seasons, by today's bounds; in the order of the study.

    A season in which the objective could not be judged is absent, such as the first two for a mean of three. An objective on a
    quantity that one estimate stands for in all seasons has none but the reported one.
    """
    found = []
    for objective in study.objectives:
        judged = seasons if objective.quantity not in _LASTING else [year for year in seasons if year == study.season.year]
        outcomes = {season: _outcome(study, results, objective, season) for season in judged}
        found.append({season: one for season, one in outcomes.items() if not math.isnan(one.probability)})
    return found


def evaluate_objectives(study: Study, results: Results) -> tuple[ObjectiveResult, ...]:
    """Hold every objective of the study against the results of the reported season, or the mean of its last seasons.

    Parameters
    ----------
    study : Study
    results : Results
        Of all chapters.

    Returns
    -------
    tuple[ObjectiveResult, ...]
        In the order of the study. A season without an estimate counts as not estimable, and a mean of several seasons is not
        judged without each of them.
    """
    found = []
    for objective in study.objectives:
        outcome = _outcome(study, results, objective, study.season.year)
        if math.isnan(outcome.probability):
            reason = (outcome.notes or ("not known",))[0].removeprefix("not estimable: ").removeprefix("not judged: ")
            estimate = Estimate.not_estimable(reason, method=outcome.rule, n=objective.over_years, level=study.parameters.level)
        else:
            nan = math.nan
            notes = (f"verdict: {outcome.verdict}", *outcome.notes)
            estimate = Estimate(
                outcome.probability, nan, nan, nan, study.parameters.level, "", outcome.rule, outcome.mean.n, notes
            )
        species = study.find_species(objective.species).key
        detail = f"{objective.quantity}/{_bounds(objective)}"
        found.append(
            ObjectiveResult(
                objective, outcome,
                Result("objective_probability", estimate, study.season.year, species, objective.size_class, detail=detail),
                _others(study, results, objective, outcome),
            )
        )  # fmt: skip
    return tuple(found)


def _bounds(objective: Objective) -> str:
    if objective.at_least is not None:
        return f"at least {objective.at_least:g}"
    if objective.at_most is not None:
        return f"at most {objective.at_most:g}"
    low, high = objective.between or (math.nan, math.nan)
    return f"between {low:g} and {high:g}"
