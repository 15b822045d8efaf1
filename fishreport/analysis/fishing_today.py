"""Natural and fishing mortality of today as draws: from creel survey, number of fish and ages in the catch, put together once.

The mortality chapter tells them and the scenarios start from them; both hold the same draws.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from fishreport.analysis.ages import SeasonAges, aged_fish, season_ages
from fishreport.analysis.classes import LengthClasses
from fishreport.analysis.creel import creel_rows, latest_kept
from fishreport.analysis.mortality import PER_YEAR, natural_mortality_of
from fishreport.analysis.result import Result, Results
from fishreport.analysis.rules import todays_rule
from fishreport.analysis.season import survey_month
from fishreport.analysis.todays_fish import CREEL_YEARS_BACK, Anglers, Density, anglers_today, share_in_ranges, todays_density
from fishreport.analysis.vital_rates import (
    Growth,
    MortalityDraws,
    Origin,
    described,
    growth_draws,
    mortality_draws,
    spread_draws,
)
from fishreport.exceptions import InputError
from fishreport.fielddata.survey import Survey
from fishreport.methods.catch_curve import CatchCurve
from fishreport.methods.estimate import Estimate
from fishreport.methods.mortality import ChapmanRobson, chapman_robson
from fishreport.population.regulation import Regulation
from fishreport.study import Study

Floats = NDArray[np.float64]
CREEL, CREEL_OVER_AGES = "creel survey", "creel survey, over the ages of the catch curve"
FITS_BOTH = "with total mortality and creel survey"
WEIGHED = "then weighed by total mortality from ages"


@dataclass(frozen=True)
class RatesToday:
    """What is known of how fish of one species live and die today, as joint draws.

    Attributes
    ----------
    today : Regulation
        Today's rule.
    time : float
        Part of the year gone by at the survey.
    growth : Growth
    natural_origin : Origin
    natural_how : str
        Where natural mortality came from, before total mortality weighed it.
    density : Density
    ages : SeasonAges | None
    fit : ChapmanRobson | None
        Catch curve of the reported season.
    anglers : Anglers | None
    open_share : array (draws,) or float
        What the fish of the catch curve bear of the fishing mortality of fish open to harvest.
    natural_known : bool
    rates : MortalityDraws | None
        None where natural or fishing mortality cannot be known.
    lacking : str
        Why fishing mortality cannot be known; empty where it can.
    release_deaths, noncompliance : float
        Shares that are assumed: of released fish that die, and of protected fish that are kept all the same.
    """

    today: Regulation
    time: float
    growth: Growth
    natural_origin: Origin
    natural_how: str
    density: Density
    ages: SeasonAges | None
    fit: ChapmanRobson | None
    anglers: Anglers | None
    open_share: Floats | float
    natural_known: bool
    rates: MortalityDraws | None
    release_deaths: float
    noncompliance: float
    lacking: str = ""

    @property
    def from_age(self) -> int | None:
        """First age that the catch curve uses."""
        return first_full_age(self.fit)


def first_full_age(fit: CatchCurve | None) -> int | None:
    """First age that a catch curve uses, or None without one."""
    return None if fit is None or fit.from_age is None else int(fit.from_age)


def release_deaths(study: Study, today: Regulation) -> float:
    """Share of released fish that die under today's rule."""
    return study.parameters.release_mortality if today.release_mortality is None else today.release_mortality


def _total(study: Study, ages: SeasonAges | None) -> ChapmanRobson | None:
    if ages is None or not ages.estimable:
        return None
    p = study.parameters
    fit = chapman_robson(ages.ages, ages.counts, from_age=p.from_age, level=p.level, replicates=ages.key_replicates)
    return fit if fit.total_mortality.estimable and fit.total_mortality.value > 0 else None


def _no_total(study: Study, survey: Survey, own: LengthClasses, ages: SeasonAges | None) -> str:
    """Why the ages tell no total mortality."""
    n, least = len(aged_fish(survey, own.species.key)), study.parameters.minimum_aged
    if n < least:
        return f"{n} aged fish where a catch curve needs {least}"
    return "no measured fish in the catch" if ages is None else "the ages in the catch make no catch curve"


def _no_harvest(anglers: Anglers | None) -> str:
    """Why a creel survey tells no fishing mortality."""
    return "no creel survey that tells it" if anglers is None else "the creel survey has no number of fish beside it"


def _natural(
    study: Study, survey: Survey, own: LengthClasses, rng: np.random.Generator, draws: int
) -> tuple[Estimate | Floats | None, Origin, str]:
    p, given = study.parameters, own.species.life_history
    if p.natural_mortality is not None:
        return np.full(draws, p.natural_mortality), "given by hand", "[parameters]"
    if given.natural_mortality is not None:
        return spread_draws(rng, draws, given.natural_mortality), "given by hand", given.source or "study file"
    estimate, how = natural_mortality_of(study, survey, own, rng)
    if not estimate.estimable or estimate.value <= 0:
        return None, "not known", how
    return estimate, "estimated", how


def _open_share(
    growth: Growth,
    ages: SeasonAges | None,
    fit: CatchCurve,
    today: Regulation,
    kept: Floats | float,
    release: float,
    noncompliance: float,
) -> Floats | float:
    """What the fish of the catch curve bear of the fishing mortality of legal fish.

    1 for the legal part of them, and for the rest the share that deaths after release and keeping against the rule make up.
    """
    first = first_full_age(fit)
    if ages is None or first is None or not today.may_keep:
        return 1.0
    used = ages.ages >= first
    top, speed, zero = (growth.draws[name][:, None] for name in ("asymptotic_length_mm", "growth_coefficient", "age_at_zero"))
    mean = np.maximum(top * -np.expm1(-speed * (ages.ages[used][None, :] - zero)), 1.0)
    legal = share_in_ranges(mean, growth.length_cv * mean, today)
    legal = (legal * ages.counts[used]).sum(axis=1) / ages.counts[used].sum()
    protected = 1 - (1 - noncompliance) * (1 - release)
    return np.asarray(legal + (1 - legal) * np.minimum(protected / np.maximum(1 - (1 - kept) * (1 - release), 1e-9), 1.0))


def shared_rng(study: Study, species: str) -> np.random.Generator:
    """Random numbers of what several chapters tell alike: they depend on the study's seed and the species' key alone."""
    return np.random.default_rng([study.parameters.seed, *species.encode()])


def rates_today(study: Study, survey: Survey, own: LengthClasses, today: Regulation) -> RatesToday:
    """Put together what is known of mortality today; see `anglers_today` and `mortality_draws` for the estimators.

    Parameters
    ----------
    today : Regulation
        Today's rule: which fish anglers may keep.
    """
    p, given = study.parameters, own.species.life_history
    draws, rng = p.draws, shared_rng(study, own.species.key)
    time = (survey_month(study, survey) - 1) / 12
    growth = growth_draws(study, survey, own, rng, draws, survey_time=time)
    natural, origin, how = _natural(study, survey, own, rng, draws)
    density = todays_density(study, survey, own, rng, draws)
    ages = season_ages(study, survey, own, study.season.year, rng, limits=False)
    fit = _total(study, ages)
    release = release_deaths(study, today)
    anglers = anglers_today(study, survey, own, rng, density, today, release, p.noncompliance)
    by_choice = anglers is None or p.gives("voluntary_release")
    kept = 1 - (p.voluntary_release if by_choice or anglers is None else anglers.release_share)
    share: Floats | float = 1.0
    if fit is not None and not growth.missing:
        share = _open_share(growth, ages, fit, today, kept, release, p.noncompliance)
    by_hand = None if given.fishing_mortality is None else spread_draws(rng, draws, given.fishing_mortality)
    drawn: MortalityDraws | None = None
    lacking = ""
    if natural is not None:
        try:
            drawn = mortality_draws(
                rng, draws, natural=natural, total=None if fit is None else fit.total_mortality, fishing=by_hand,
                from_harvest=None if anglers is None else anglers.fishing, open_share=share,
            )  # fmt: skip
        except InputError as error:
            lacking = str(error) if fit is not None else f"{_no_total(study, survey, own, ages)}, and {_no_harvest(anglers)}"
    return RatesToday(
        today, time, growth, origin, how, density, ages, fit, anglers, share, natural is not None, drawn, release,
        p.noncompliance, lacking,
    )  # fmt: skip


@dataclass(frozen=True)
class SpeciesFishing:
    """Fishing mortality of one species by creel survey and number of fish.

    Attributes
    ----------
    key : str
    known : RatesToday
    year : int
        Of the creel survey.
    open_number : Estimate
        Fish open to harvest at the survey, as far as anglers meet them (fish).
    exploitation : Estimate
        Fish kept in the year over those (percent).
    fishing : Estimate
        Of fish open to harvest, release deaths included (per year).
    spread : Estimate
        The same over all fish of the ages that the catch curve uses (per year).
    natural : Estimate | None
        Natural mortality weighed by total mortality less that (per year); None where it is given by hand, or F is.
    """

    key: str
    known: RatesToday
    year: int
    open_number: Estimate
    exploitation: Estimate
    fishing: Estimate
    spread: Estimate
    natural: Estimate | None


@dataclass(frozen=True)
class Fishing:
    """Fishing mortality by creel survey.

    Attributes
    ----------
    results : Results
    species : dict[str, SpeciesFishing]
        By key, of the species with a creel survey of the last three years and a rule of today.
    without_rule : tuple[str, ...]
        Keys of species in the harvest table whose rule the study does not name.
    kept : dict[str, Result]
        By key, the number of fish that anglers kept in the latest creel survey of the last three years, with or without a rule.
    """

    results: Results
    species: dict[str, SpeciesFishing]
    without_rule: tuple[str, ...] = ()
    kept: dict[str, Result] = field(default_factory=dict)


def _lacking(study: Study, survey: Survey, key: str, year: int) -> tuple[str, ...]:
    """What the harvest table gives without a standard error."""
    rows = creel_rows(study, survey, key)
    row = rows[rows["year"] == year].iloc[-1]
    names = [name for name in ("caught", "kept") if not row[f"se_{name}"] > 0]
    return (f"no standard error of fish {' and '.join(names)} in the table: the interval leaves it out",) if names else ()


def species_fishing(study: Study, survey: Survey, own: LengthClasses, today: Regulation) -> SpeciesFishing | None:
    """Fishing mortality of one species by creel survey; None without a creel survey of the last three years."""
    known = rates_today(study, survey, own, today)
    anglers, level = known.anglers, study.parameters.level
    if anglers is None:
        return None
    notes = _lacking(study, survey, own.species.key, anglers.year)
    n, how = known.density.source.estimate.n, f"creel survey of {anglers.year} and {known.density.source.how}"

    def drawn(values: Floats | None, units: str, what: str) -> Estimate:
        if values is None:
            reason = "the number of fish is not known: no census, no removal, none by hand"
            if not known.density.relative:
                reason = "no fish may be kept" if not known.today.may_keep else "the length of the water is not given"
            return Estimate.not_estimable(reason, units=units, method=what, level=level)
        return described(values, units, f"{what}; median and percentiles of draws", level, n).noting(*notes)

    share = None if anglers.exploitation is None else 100 * anglers.exploitation
    fishing = drawn(anglers.fishing, PER_YEAR, f"captures and fish kept of the {how}, release deaths included")
    over = None if anglers.fishing is None or known.fit is None or known.growth.missing else anglers.fishing * known.open_share
    spread = drawn(over, PER_YEAR, f"the same spread over the ages of the catch curve, {how}")
    if known.fit is None or known.growth.missing:
        spread = Estimate.not_estimable("no catch curve or no growth curve", units=PER_YEAR, level=level)
    natural, now = None, known.rates
    if fishing.estimable and now is not None and now.fishing_how == "harvest" and now.natural_how != "given by hand":
        natural = described(now.natural, PER_YEAR, f"{known.natural_how}, {WEIGHED}", level, n)
    return SpeciesFishing(
        own.species.key, known, anglers.year, drawn(anglers.open_number, "fish", f"of the {how}"),
        drawn(share, "percent", f"fish kept in the year over fish open to harvest at the survey, {how}"), fishing, spread,
        natural,
    )  # fmt: skip


def fishing_today(study: Study, survey: Survey, classes: Sequence[LengthClasses]) -> Fishing:
    """Exploitation and fishing mortality by creel survey of every species that one was made of lately.

    A species without a rule is left out: which fish may be kept is not known. Today's rule is the first scenario of a species.
    The draws are those that the scenarios start from; see `rates_today`.
    """
    results: list[Result] = []
    species = {}
    asked = set(creel_rows(study, survey)["species_key"])
    for own in classes:
        rule = todays_rule(study, own.species.key) if own.species.key in asked else None
        one = None if rule is None else species_fishing(study, survey, own, rule)
        if one is None:
            continue
        species[one.key] = one
        now, key = study.season.year, one.key
        results += [
            Result("fish_open_to_harvest", one.open_number, now, key),
            Result("exploitation", one.exploitation, now, key),
            Result("fishing_mortality", one.fishing, now, key, detail=CREEL),
            Result("fishing_mortality", one.spread, now, key, detail=CREEL_OVER_AGES),
        ]
        if one.natural is not None:
            results.append(Result("natural_mortality", one.natural, None, key, detail=FITS_BOTH))
    unruled = tuple(
        own.species.key for own in classes if own.species.key in asked and todays_rule(study, own.species.key) is None
    )
    counted = ((key, latest_kept(study, survey, key, years_back=CREEL_YEARS_BACK)) for key in asked)
    return Fishing(Results(results), species, unruled, {key: kept for key, kept in counted if kept is not None})
