"""Regulation scenarios by species: projections, what each rule gives against today's, and the chance to meet the plan's aims."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from itertools import combinations
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from fishreport.analysis.aims import Aim, aims_of, catch_rates_today, goal_words, with_catch_rates
from fishreport.analysis.classes import LengthClasses
from fishreport.analysis.result import Result, Results
from fishreport.analysis.rules import rules_of
from fishreport.analysis.scenario_changes import BagReach, CreelCheck, bag_reach, creel_check, percent_change
from fishreport.analysis.scenario_draws import representative
from fishreport.analysis.scenario_inputs import SpeciesInputs, species_inputs
from fishreport.analysis.scenario_lacks import Lack, lacks_in_words
from fishreport.exceptions import InputError
from fishreport.fielddata.survey import Survey
from fishreport.methods.estimate import Estimate
from fishreport.population.decision import (
    Chance,
    Dominance,
    Outcome,
    Regret,
    Verdict,
    cannot_tell,
    chances,
    compare,
    dominance,
    regret,
)
from fishreport.population.drivers import Drivers, drivers
from fishreport.population.dynamics import project, recruitment_deviations
from fishreport.population.projection import Projection
from fishreport.population.sensitivity import Sensitivity, sensitivity
from fishreport.study import Objective, Study

Floats = NDArray[np.float64]
NEAR_YEARS = 5
SENSITIVITY_DRAWS = 30
LEAST_DRAWS = 10
SPOKEN = ("scenario_harvest", "scenario_catch_rate", "scenario_trophy")
_REGRETTED = ("scenario_harvest", "scenario_catch_rate", "scenario_trophy")
VARIED: dict[str, tuple[float, ...]] = {
    "release_mortality": (0.0, 0.05, 0.1, 0.2, 0.3),
    "noncompliance": (0.0, 0.05, 0.1, 0.2),
    "voluntary_release": (0.2, 0.5, 0.8),
}
_METHOD = "population followed by month over draws of all inputs, the same draws for every rule; "


@dataclass(frozen=True, slots=True)
class Measure:
    """One thing that scenarios are compared on: the published result name, the quantity of the projection, its length class."""

    result: str
    quantity: str
    size_class: str
    want: Literal["more", "less"] = "more"


@dataclass(frozen=True)
class Comparison:
    """The scenarios of one species.

    Attributes
    ----------
    inputs : SpeciesInputs
    projection : Projection | None
        None where an input is missing.
    measures : tuple[Measure, ...]
    horizons : tuple[int, ...]
        Years ahead that are reported.
    first_year : int
        Calendar year of the first year ahead.
    outcomes : dict[tuple[str, int], tuple[Outcome, ...]]
        (quantity of the projection, year ahead) → one outcome a scenario.
    aims : tuple[Aim, ...]
    chances : tuple[Chance, ...]
    left_out : tuple[tuple[Objective, str], ...]
        Objectives that a projection cannot be held against, and why.
    undecided : dict[str, tuple[Verdict, ...]]
        Quantity → the pairs of rules that the draws cannot tell apart in the last year.
    changes : dict[str, tuple[Estimate, ...]]
        Quantity → change in the last year in percent of today's rule, one estimate a scenario.
    creel : CreelCheck | None
        Today's harvest by the survey of anglers and by the model.
    bags : BagReach | None
        How often the bag limits are reached today.
    deviations : array (draws, ages + years)
        Deviations of log recruitment that every rule met.
    dominance : Dominance | None
    regrets : tuple[Regret, ...]
    drivers : tuple[tuple[str, Drivers], ...]
        What is explained, in words, and by what.
    sensitivity : Sensitivity | None
    sensitivity_measure : Measure | None
    """

    inputs: SpeciesInputs
    projection: Projection | None = None
    measures: tuple[Measure, ...] = ()
    horizons: tuple[int, ...] = ()
    first_year: int = 0
    outcomes: dict[tuple[str, int], tuple[Outcome, ...]] = field(default_factory=dict)
    aims: tuple[Aim, ...] = ()
    chances: tuple[Chance, ...] = ()
    left_out: tuple[tuple[Objective, str], ...] = ()
    undecided: dict[str, tuple[Verdict, ...]] = field(default_factory=dict)
    changes: dict[str, tuple[Estimate, ...]] = field(default_factory=dict)
    creel: CreelCheck | None = None
    bags: BagReach | None = None
    deviations: Floats | None = None
    dominance: Dominance | None = None
    regrets: tuple[Regret, ...] = ()
    drivers: tuple[tuple[str, Drivers], ...] = ()
    sensitivity: Sensitivity | None = None
    sensitivity_measure: Measure | None = None


@dataclass(frozen=True)
class Scenarios:
    """Scenarios of all species that have any: results, and the comparisons by species key."""

    results: Results
    species: dict[str, Comparison]


def _large_class(projection: Projection, categories: dict[str, float]) -> str:
    """Trophy length, or the longest category of which there is now one fish in a hundred of the first."""
    names = list(categories)
    stock = np.median(projection.today[f"density_{names[0]}"])
    for name in reversed(names):
        if np.median(projection.today[f"density_{name}"]) >= 0.01 * stock:
            return name
    return names[0]


def _lead_size(study: Study, own: LengthClasses, names: list[str]) -> str:
    """The category of the plan's objective on proportional size, else quality length."""
    for objective in study.objectives:
        asked = objective.quantity == "proportional_size" and study.find_species(objective.species).key == own.species.key
        if asked and objective.size_class in names[1:]:
            return objective.size_class
    return names[1]


def measures_of(study: Study, inputs: SpeciesInputs, projection: Projection) -> tuple[Measure, ...]:
    """What the scenarios of a species are compared on; spawning potential is left out where fish are stocked."""
    names = list(inputs.categories)
    large = _large_class(projection, inputs.categories)
    stocked = any(rule.stocking is not None and rule.stocking.number_per_year > 0 for rule in inputs.rules)
    found = [
        Measure("scenario_harvest", "legal_harvest_number", "all"),
        Measure("scenario_yield", "legal_harvest_weight", "all"),
    ]
    if inputs.angling is not None and inputs.angling.noncompliance.max() > 0:
        found.append(Measure("scenario_kept_against_rule", "kept_against_rule", "all", "less"))
    found += [
        Measure("scenario_catch_rate", "catch_per_hour", "all"),
        Measure("scenario_stock_density", f"density_{names[0]}", names[0]),
        Measure("scenario_trophy", f"density_{large}", large),
    ]
    if len(names) > 1:
        size = _lead_size(study, inputs.classes, names)
        found.append(Measure("scenario_proportional_size", f"proportional_size_{size}", size))
    if not stocked:
        found.append(Measure("scenario_spawning_potential", "spawning_potential", "all"))
    return (*found, Measure("scenario_release_deaths", "release_deaths", "all", "less"))


def horizons_of(study: Study) -> tuple[int, ...]:
    """Years ahead that are reported: 5 and the last."""
    last = study.parameters.horizon_years
    return tuple(sorted({min(NEAR_YEARS, last), last}))


def _density_at_survey(inputs: SpeciesInputs, projection: Projection) -> dict[str, Floats]:
    """Today's density by class and draw."""
    return {name: projection.today[f"density_{name}"] for name in ("all", *inputs.categories)}


def _explained(projection: Projection, measures: tuple[Measure, ...], level: float) -> tuple[tuple[str, Drivers], ...]:
    large = next(one for one in measures if one.result == "scenario_trophy")
    if not projection.inputs or projection.by_scenario.shape[1] < LEAST_DRAWS:
        return ()
    found = [(projection.scenarios[0], drivers(projection, large.quantity, scenario=0, level=level))]
    if len(projection.scenarios) > 1:
        gaps = projection.at(large.quantity)
        spread = np.abs(np.median(gaps - gaps[0], axis=1))
        which = int(spread.argmax())
        if spread[which] > 0:
            name = f"{projection.scenarios[which]} against {projection.scenarios[0]}"
            found.append((name, drivers(projection, large.quantity, scenario=which, against=0, level=level)))
    return tuple(found)


def chosen_draws(comparison: Comparison, count: int, level: float) -> NDArray[np.intp]:
    """`count` draws that give about what all draws give under today's rule, large fish first (see `representative`)."""
    assert comparison.projection is not None
    first = sorted(comparison.measures, key=lambda one: one.result != "scenario_trophy")
    return representative([comparison.projection.at(one.quantity)[0] for one in first], count, level=level)


def _sensitivity(study: Study, comparison: Comparison, projection: Projection, rng: np.random.Generator) -> Sensitivity | None:
    """What hangs on assumptions, over draws that give about the differences of all, each with the luck that it met there."""
    inputs, measure, luck = comparison.inputs, comparison.sensitivity_measure, comparison.deviations
    if len(inputs.rules) < 2 or inputs.life is None or inputs.angling is None or measure is None or luck is None:
        return None
    values = projection.at(measure.quantity)
    index = representative([values[0], *(values[1:] - values[0])], SENSITIVITY_DRAWS, level=study.parameters.level)
    own_share = all(rule.release_mortality is not None for rule in inputs.rules)
    vary = {name: values for name, values in VARIED.items() if not (name == "release_mortality" and own_share)}
    return sensitivity(
        inputs.life.take(index), inputs.rules, quantity=measure.quantity, rng=rng, vary=vary, want=measure.want,
        angling=inputs.angling.take(index), years=study.parameters.horizon_years, level=study.parameters.level,
        categories=inputs.categories, length_km=inputs.length_km, quantities=[measure.quantity],
        deviations=luck[index], as_given=projection.take(index), workers=1,
    )  # fmt: skip


def _projected(study: Study, inputs: SpeciesInputs, rng: np.random.Generator, luck: Floats) -> Projection:
    assert inputs.life is not None
    return project(
        inputs.life,
        inputs.rules,
        years=study.parameters.horizon_years,
        rng=rng,
        angling=inputs.angling,
        categories=inputs.categories,
        length_km=inputs.length_km,
        deviations=luck,
    )


def compare_species(study: Study, survey: Survey, inputs: SpeciesInputs, rng: np.random.Generator) -> Comparison:
    """Project every rule of a species and compare them; with a missing input, only what is missing."""
    if inputs.life is None or inputs.angling is None:
        return Comparison(inputs)
    p = study.parameters
    # Of a stream of its own, so that years to come meet the same luck whatever the horizon, and so does what is drawn later.
    luck = recruitment_deviations(inputs.life, inputs.life.ages.size + p.horizon_years, rng.spawn(1)[0])
    try:
        projection = _projected(study, inputs, rng, luck)
    except InputError as error:
        return Comparison(replace(inputs, life=None, angling=None, missing=(Lack("", str(error)),)))
    aims, left_out = aims_of(study, inputs)
    rates = catch_rates_today(study, survey, inputs, aims)
    lacking = [aim for aim in aims if aim.objective.quantity == "catch_rate" and aim.objective.size_class not in rates]
    left_out += tuple((aim.objective, "no catch rate of the reported season to start from") for aim in lacking)
    aims = tuple(aim for aim in aims if aim not in lacking)
    measures, horizons = measures_of(study, inputs, projection), horizons_of(study)
    outcomes = {
        (one.quantity, year): compare(projection, one.quantity, year=year, level=p.level) for one in measures for year in horizons
    }
    full = with_catch_rates(projection, rates, rng, _density_at_survey(inputs, projection))
    large = next(one for one in measures if one.result == "scenario_trophy")
    wanted = {one.quantity: one.want for one in measures if one.result in ("scenario_harvest", "scenario_trophy")}
    several = len(inputs.rules) > 1
    compared = [
        one for one in measures if one.result in _REGRETTED and np.isfinite(projection.at(one.quantity)).all(axis=0).any()
    ]
    found = Comparison(
        inputs=inputs,
        projection=full,
        measures=measures,
        horizons=horizons,
        first_year=study.season.year + 1,
        outcomes=outcomes,
        aims=aims,
        chances=chances(full, [aim.goal for aim in aims], years=horizons, level=p.level) if aims else (),
        left_out=left_out,
        undecided={one.quantity: _undecided(projection, one, p.level) for one in measures},
        changes={one.quantity: percent_change(projection, one.quantity, level=p.level) for one in measures},
        creel=creel_check(inputs.kept_counted, compare(projection, "legal_harvest_number", year=1, level=p.level)[0].value),
        bags=bag_reach(projection, inputs, level=p.level),
        deviations=luck,
        dominance=dominance(projection, wanted, certainty=p.certainty) if several else None,
        regrets=tuple(_regret(projection, one, p.level) for one in compared) if several else (),
        drivers=_explained(projection, measures, p.level),
        sensitivity_measure=large,
    )
    return replace(found, sensitivity=_sensitivity(study, found, projection, rng))


def _undecided(projection: Projection, measure: Measure, level: float) -> tuple[Verdict, ...]:
    pairs = combinations(range(len(projection.scenarios)), 2)
    verdicts = (cannot_tell(projection, one, two, measure.quantity, level=level) for one, two in pairs)
    return tuple(verdict for verdict in verdicts if verdict.cannot_tell)


def _regret(projection: Projection, measure: Measure, level: float) -> Regret:
    return regret(projection, measure.quantity, want=measure.want, level=level)


def relative_units(units: str) -> str:
    """Units where numbers stand for 1,000 fish of today's stock instead of a km."""
    return f"{units.removesuffix('/km')} per 1,000 fish today" if units.endswith("/km") else units


def comparison_results(study: Study, found: Comparison) -> Results:
    """Each measure of each scenario in each reported year, its difference from today's rule, and the chance to meet each aim."""
    if found.projection is None:
        return _missing_results(study, found.inputs)
    key, season = found.inputs.key, study.season.year
    notes = (*found.inputs.notes, *found.projection.notes, *(found.creel.notes if found.creel else ()))
    results = []

    def said(estimate: Estimate, *more: str) -> Estimate:
        units = relative_units(estimate.units) if found.inputs.relative else estimate.units
        return replace(estimate, units=units, method=_METHOD + estimate.method, notes=(*estimate.notes, *notes, *more))

    for measure in found.measures:
        for year in found.horizons:
            for place, outcome in enumerate(found.outcomes[measure.quantity, year]):
                where = {"species": key, "size_class": measure.size_class, "scenario": outcome.scenario, "season": season}
                results.append(Result(measure.result, said(outcome.value), detail=f"year {year}", **where))  # type: ignore[arg-type]
                if place:
                    gap, detail = said(outcome.verdict.difference), f"year {year}, against today's rule"
                    results.append(Result(measure.result, gap, detail=detail, **where))  # type: ignore[arg-type]
                    if year == found.horizons[-1] and measure.result in SPOKEN:
                        share = said(found.changes[measure.quantity][place])
                        results.append(Result(measure.result, share, detail=f"year {year}, percent of today's rule", **where))  # type: ignore[arg-type]
    for chance in found.chances:
        aim = next(one for one in found.aims if one.goal == chance.goal)
        detail = f"{aim.objective.quantity}, {goal_words(chance.goal)}, year {chance.year}"
        estimate = replace(chance.probability, method=_METHOD + chance.probability.method, notes=notes)
        results.append(
            Result(
                "objective_probability", estimate, season, key, aim.objective.size_class, scenario=chance.scenario, detail=detail
            )
        )
    return Results(results)


def _missing_results(study: Study, inputs: SpeciesInputs) -> Results:
    reason = lacks_in_words(inputs.missing)
    return Results(
        Result(
            "scenario_harvest", Estimate.not_estimable(reason, units="fish/km", level=study.parameters.level), study.season.year,
            inputs.key, "all", scenario=rule.name,
        )
        for rule in inputs.rules
    )  # fmt: skip


def scenarios(
    study: Study, survey: Survey, classes: tuple[LengthClasses, ...] | list[LengthClasses], rng: np.random.Generator
) -> Scenarios:
    """Scenarios of every species that the study names any for; the first of a species is today's rule."""
    found, results = {}, []
    for key, rules in rules_of(study).items():
        own = next(one for one in classes if one.species.key == key)
        comparison = compare_species(study, survey, species_inputs(study, survey, own, rules, rng), rng)
        found[key] = comparison
        results += list(comparison_results(study, comparison))
    return Scenarios(Results(results), found)
