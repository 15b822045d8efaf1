"""Mortality by species: total from the ages in the catch, natural from life history, and what is left for fishing."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd
from scipy.stats import norm

from fishreport.analysis.ages import SeasonAges, age_results, aged_fish, effort_hours, pooled_ages, season_ages
from fishreport.analysis.classes import LengthClasses
from fishreport.analysis.growth import growth_curve
from fishreport.analysis.result import Result, Results
from fishreport.analysis.season import survey_month
from fishreport.analysis.stocking import StockingStep, stocking_step
from fishreport.fielddata.survey import Survey
from fishreport.methods.age_at_length import age_at_length
from fishreport.methods.catch_curve import CatchCurve
from fishreport.methods.estimate import Estimate
from fishreport.methods.mortality import (
    ChapmanRobson,
    catch_curve,
    chapman_robson,
    fishing_mortality,
    poisson_catch_curve,
)
from fishreport.methods.mortality_seasons import CohortMortality, cohort_mortality, from_age_sensitivity
from fishreport.methods.natural_mortality import NaturalMortalityEnsemble, ensemble
from fishreport.methods.stratified_growth import StratifiedGrowth
from fishreport.study import Study

POOLED_SEASONS = 5
"""Latest seasons that are taken together (common practice, no source)."""

LEAST_AGES = 3
"""Age classes read below which the greatest age says nothing of how old fish become."""

PER_YEAR = "per year"
FOLLOWED = "year classes followed"
AGES_USED = "fish of age "
"""Begins the note that says which fish a total mortality holds for: ``fish of age 2 and older``."""
TOO_SHORT = "interval too short: "
"""Begins the note of an estimate whose interval is known to be too short, before the reason."""
SHARED_AGES = f"{TOO_SHORT}seasons share aged fish"
UNEQUAL = "stocking changed among the year classes used, so that they were not equally strong"


@dataclass(frozen=True)
class SpeciesMortality:
    """Mortality of one species.

    Attributes
    ----------
    key : str
    ages : SeasonAges | None
        Numbers at age in the catch of the reported season.
    fit : ChapmanRobson | None
        Of the reported season: the estimate that is reported.
    others : dict[str, CatchCurve]
        The same numbers by other estimators: ``weighted regression`` and ``Poisson``.
    pooled_seasons : tuple[int, ...]
    pooled : ChapmanRobson | None
        Of the latest seasons together.
    cohorts : CohortMortality | None
        Year classes followed through all seasons.
    sensitivity : DataFrame
        The reported estimate for every possible first age; see `from_age_sensitivity`.
    natural : Estimate
        Natural mortality as used (per year).
    natural_source : str
        ``given by the study``, or what it was predicted from.
    forms : NaturalMortalityEnsemble | None
        Every published form that the life history allows.
    life_history : dict[str, float]
        What the forms were given: ``max_age``, ``asymptotic_length_mm``, ``k``, ``temperature_c``, ``age_at_maturity``.
    fishing : Estimate
        Z - M of the reported season (per year).
    stocking : StockingStep | None
        A change in stocking among the year classes of `fit`, so that they are known not to have been equal.
    age_at_mature_length : float
        Age (years from 1 January of the birth year) at which the mean fish reaches the length at maturity that the study gives
        beside an age at maturity; NaN where it gives not both, or without a growth curve.
    """

    key: str
    ages: SeasonAges | None
    fit: ChapmanRobson | None
    others: dict[str, CatchCurve]
    pooled_seasons: tuple[int, ...]
    pooled: ChapmanRobson | None
    cohorts: CohortMortality | None
    sensitivity: pd.DataFrame = field(repr=False)
    natural: Estimate
    natural_source: str
    forms: NaturalMortalityEnsemble | None
    life_history: dict[str, float]
    fishing: Estimate
    stocking: StockingStep | None = None
    age_at_mature_length: float = math.nan


@dataclass(frozen=True)
class Mortality:
    """Mortality of all species: results, and the fits by species key."""

    results: Results
    species: dict[str, SpeciesMortality]


def _fit(study: Study, ages: SeasonAges) -> ChapmanRobson:
    p = study.parameters
    return chapman_robson(ages.ages, ages.counts, from_age=p.from_age, level=p.level, replicates=ages.key_replicates)


def _others(study: Study, ages: SeasonAges) -> dict[str, CatchCurve]:
    p = study.parameters
    return {
        name: estimator(ages.ages, ages.counts, from_age=p.from_age, level=p.level, replicates=ages.key_replicates)
        for name, estimator in (("weighted regression", catch_curve), ("Poisson", poisson_catch_curve))
    }


def _cohorts(study: Study, survey: Survey, every: dict[int, SeasonAges]) -> CohortMortality | None:
    """Year classes through all seasons with numbers at age, by catch per hour; None with fewer than two seasons."""
    if len(every) < 2:
        return None
    hours = effort_hours(survey)
    rows = [
        (season, age, count, hours[season])
        for season, ages in every.items()
        for age, count in zip(ages.ages.tolist(), ages.counts.tolist(), strict=True)
        if count >= 0.5  # less than half a fish stands for none; its logarithm would weigh on the line
    ]
    if not rows:
        return None
    season, age, count, effort = (np.array(column, float) for column in zip(*rows, strict=True))
    p = study.parameters
    return cohort_mortality(season, age, count, effort=effort, from_age=p.from_age, level=p.level)


def _life_history(
    study: Study, survey: Survey, own: LengthClasses, rng: np.random.Generator
) -> tuple[dict[str, float], StratifiedGrowth]:
    """What natural mortality can be predicted from, given by the study, else estimated; and the growth curve."""
    given, found = own.species.life_history, dict[str, float]()
    aged = aged_fish(survey, own.species.key)
    if given.maximum_age is not None:
        found["max_age"] = given.maximum_age
    elif len(aged) >= study.parameters.minimum_aged and aged["age"].nunique() >= LEAST_AGES:
        found["max_age"] = float(aged["age"].max())
    curve = growth_curve(study, survey, own, rng)
    if given.growth_coefficient is not None:
        found["k"] = given.growth_coefficient.value
    elif curve.estimable:
        found["k"] = float(curve.parameters[1])
    if given.asymptotic_length_mm is not None:
        found["asymptotic_length_mm"] = given.asymptotic_length_mm.value
    elif curve.estimable:
        found["asymptotic_length_mm"] = float(curve.parameters[0])
    if study.parameters.water_temperature_c is not None and study.parameters.water_temperature_c > 0:
        found["temperature_c"] = study.parameters.water_temperature_c
    if given.age_at_maturity is not None:
        found["age_at_maturity"] = given.age_at_maturity
    return found, curve


def _age_at_mature_length(study: Study, survey: Survey, own: LengthClasses, curve: StratifiedGrowth) -> float:
    given = own.species.life_history
    if given.age_at_maturity is None or given.length_at_maturity_mm is None:
        return math.nan
    age = age_at_length(curve, given.length_at_maturity_mm)
    if curve.estimable and not age.estimable:
        return math.inf
    return age.value + (survey_month(study, survey) - 1) / 12


def _natural(study: Study, own: LengthClasses, known: dict[str, float]) -> tuple[Estimate, str, NaturalMortalityEnsemble | None]:
    """Natural mortality as used, where it comes from, and the published forms beside it."""
    level, nan = study.parameters.level, math.nan
    enough = bool({"max_age", "k", "age_at_maturity"} & set(known))
    forms = ensemble(level=level, **known) if enough else None  # type: ignore[arg-type]
    source = "given by the study"
    if study.parameters.natural_mortality is not None:
        note = "given without a standard error"
        value = study.parameters.natural_mortality
        return Estimate(value, nan, nan, nan, level, PER_YEAR, "set in the study's parameters", 0, (note,)), source, forms
    given = own.species.life_history.natural_mortality
    if given is not None:
        method = f"set in the study file for {own.species.name}"
        reach = float(norm.ppf(0.5 + level / 2)) * given.se
        low, high = (max(given.value - reach, 0.0), given.value + reach) if given.se > 0 else (nan, nan)
        return Estimate(given.value, given.se or nan, low, high, level, PER_YEAR, method, 0), source, forms
    if forms is None:
        reason = "neither ages, growth nor an age at maturity to predict it from"
        return Estimate.not_estimable(reason, units=PER_YEAR, level=level), "", None
    return replace(forms.median, units=PER_YEAR), "predicted from life history", forms


def _per_year(estimate: Estimate, *notes: str) -> Estimate:
    return replace(estimate, units=PER_YEAR).noting(*notes) if estimate.units == "1/year" else estimate.noting(*notes)


def _pair(fit: CatchCurve | CohortMortality, key: str, season: int, detail: str | None, notes: tuple[str, ...]) -> list[Result]:
    notes = (f"{AGES_USED}{fit.from_age} and older", *notes)
    z, s = _per_year(fit.total_mortality, *notes), fit.annual_survival.noting(*notes)
    return [
        Result("total_mortality", z, season, key, "all", detail=detail),
        Result("annual_survival", s, season, key, "all", detail=detail),
    ]


def _unequal(result: Result) -> Result:
    if result.quantity not in ("total_mortality", "annual_survival"):
        return result
    return replace(result, estimate=result.estimate.noting(UNEQUAL))


def _without(study: Study, survey: Survey, key: str, season: int) -> list[Result]:
    """Results of a season without numbers at age, with the reason."""
    n, least = len(aged_fish(survey, key)), study.parameters.minimum_aged
    reason = f"{n} aged fish, {least} needed" if n < least else "no measured fish in the catch"
    level = study.parameters.level
    return [
        Result(quantity, Estimate.not_estimable(reason, units=units, n=n, level=level), season, key, "all")
        for quantity, units in (("total_mortality", PER_YEAR), ("annual_survival", ""))
    ]


def _sensitivity(study: Study, ages: SeasonAges, fit: ChapmanRobson) -> pd.DataFrame:
    table = from_age_sensitivity(ages.ages, ages.counts, level=study.parameters.level)
    return table.assign(chosen=table["from_age"] == fit.from_age)


def species_mortality(
    study: Study, survey: Survey, own: LengthClasses, rng: np.random.Generator
) -> tuple[list[Result], SpeciesMortality]:
    """Mortality of one species in every season, and the details of the reported one."""
    key, now, level = own.species.key, study.season.year, study.parameters.level
    found: list[Result] = []
    every: dict[int, SeasonAges] = {}
    fits: dict[int, ChapmanRobson] = {}
    for season in [year for year in survey.seasons if year <= now]:
        ages = season_ages(study, survey, own, season, rng)
        if ages is None or not ages.estimable:
            found += _without(study, survey, key, season)
            continue
        every[season], fits[season] = ages, _fit(study, ages)
        found += _pair(fits[season], key, season, None, ages.notes)
    if now not in survey.seasons:
        found += _without(study, survey, key, now)
    ages, fit = every.get(now), fits.get(now)
    others = _others(study, ages) if ages is not None else {}
    for name, other in others.items():
        found += _pair(other, key, now, name, ages.notes if ages else ())
    seasons = tuple(every)[-POOLED_SEASONS:]
    together = pooled_ages(study, survey, own, seasons, rng) if len(seasons) > 1 else None
    pooled = _fit(study, together) if together is not None and together.estimable else None
    if pooled is not None:
        found += _pair(pooled, key, now, f"seasons {seasons[0]} to {seasons[-1]} together", together.notes if together else ())
    cohorts = _cohorts(study, survey, every)
    if cohorts is not None:
        found += _pair(cohorts, key, now, FOLLOWED, (SHARED_AGES,))

    known, curve = _life_history(study, survey, own, rng)
    natural, source, forms = _natural(study, own, known)
    found.append(Result("natural_mortality", natural, None, key, "all"))
    if forms is not None:
        for row in forms.table.to_dict("records"):
            e = Estimate(
                row["value"], row["se"], row["lower"], row["upper"], level, PER_YEAR, row["method"], 1,
                tuple(note for note in row["notes"].split("; ") if note),
            )  # fmt: skip
            found.append(Result("natural_mortality", e, None, key, "all", detail=row["form"]))
        if source == "given by the study":
            found.append(
                Result("natural_mortality", replace(forms.median, units=PER_YEAR), None, key, "all", detail="median of forms")
            )
    total = (
        fit.total_mortality if fit is not None else Estimate.not_estimable("no ages in the catch", units=PER_YEAR, level=level)
    )
    fishing = _per_year(fishing_mortality(total, natural, level=level), f"natural mortality {source}" if source else "")
    fishing = replace(fishing, notes=tuple(note for note in fishing.notes if note))
    found.append(Result("fishing_mortality", fishing, now, key, "all"))
    if pooled is not None:
        both = _per_year(fishing_mortality(pooled.total_mortality, natural, level=level))
        found.append(Result("fishing_mortality", both, now, key, "all", detail=f"seasons {seasons[0]} to {seasons[-1]} together"))
    stocking = None if fit is None else stocking_step(survey, key, now, fit)
    if stocking is not None:
        found = [_unequal(r) if r.season == now and r.detail is None else r for r in found]
    if ages is not None:
        found += age_results(ages, key)
    one = SpeciesMortality(
        key=key,
        ages=ages,
        fit=fit,
        others=others,
        pooled_seasons=seasons,
        pooled=pooled,
        cohorts=cohorts,
        sensitivity=_sensitivity(study, ages, fit) if ages is not None and fit is not None else pd.DataFrame(),
        natural=natural,
        natural_source=source,
        forms=forms,
        life_history=known,
        fishing=fishing,
        stocking=stocking,
        age_at_mature_length=_age_at_mature_length(study, survey, own, curve),
    )
    return found, one


def mortality(study: Study, survey: Survey, classes: list[LengthClasses], rng: np.random.Generator) -> Mortality:
    """Mortality of every species.

    Reported is the Chapman-Robson estimate of each season's own numbers at age; the same numbers by regression and by a Poisson
    model, the latest seasons together, and year classes followed through the seasons stand beside it under their own names.
    Fish of first passes alone count. Natural mortality is that of the study's parameters, else of its species, else predicted.
    """
    results: list[Result] = []
    species = {}
    for own in classes:
        found, species[own.species.key] = species_mortality(study, survey, own, rng)
        results += found
    return Mortality(Results(results), species)


def natural_mortality_of(study: Study, survey: Survey, own: LengthClasses, rng: np.random.Generator) -> tuple[Estimate, str]:
    """Natural mortality of a species as this report uses it (per year), and where it comes from."""
    estimate, source, _ = _natural(study, own, _life_history(study, survey, own, rng)[0])
    return estimate, source
