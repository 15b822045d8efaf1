"""The scenarios of a study as regulations, by species."""

from __future__ import annotations

from fishreport.exceptions import InputError, StudyError
from fishreport.population.regulation import Regulation, Stocking
from fishreport.study import Scenario, Study


def regulation_of(scenario: Scenario) -> Regulation:
    """A scenario of the study file as a regulation; StudyError with its name where it cannot be one."""
    try:
        put = scenario.stocking
        stocking = None if put is None else Stocking(put.number_per_year, put.mean_length_mm, put.every_years, put.month)
        return Regulation(
            minimum_length_mm=scenario.minimum_length_mm,
            maximum_length_mm=scenario.maximum_length_mm,
            protected_slot_mm=scenario.protected_slot_mm,
            harvest_slot_mm=scenario.harvest_slot_mm,
            release_only=scenario.release_only,
            bag_limit=scenario.bag_limit,
            closed_months=scenario.closed_months,
            gear=scenario.gear,
            release_mortality=scenario.release_mortality,
            stocking=stocking,
            effort_change=scenario.effort_change,
            name=scenario.name,
        )
    except InputError as error:
        raise StudyError(f"the scenario {scenario.name!r} is no rule: {error}", "study.toml", "scenarios") from None


def todays_rule(study: Study, species: str) -> Regulation | None:
    """Today's rule of a species by its key, the first scenario that names it; None where the study names none."""
    first = next(iter(study.species.values())).key
    for scenario in study.scenarios:
        if (first if scenario.species is None else study.find_species(scenario.species).key) == species:
            return regulation_of(scenario)
    return None


def rules_of(study: Study) -> dict[str, tuple[Regulation, ...]]:
    """Regulations by species key, in the order of the study; the first of a species is today's rule."""
    first = next(iter(study.species.values())).key
    found: dict[str, list[Regulation]] = {}
    for scenario in study.scenarios:
        key = first if scenario.species is None else study.find_species(scenario.species).key
        found.setdefault(key, []).append(regulation_of(scenario))
    return {key: tuple(rules) for key, rules in found.items()}
