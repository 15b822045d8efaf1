"""What the scenarios of a species start from: life history, anglers and today's population as draws, with the source of each."""

from __future__ import annotations

import calendar
import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fishreport.analysis.ages import aged_fish
from fishreport.analysis.classes import LengthClasses
from fishreport.analysis.fishing_today import WEIGHED, rates_today
from fishreport.analysis.scenario_lacks import Lack, hand_lack
from fishreport.analysis.season import survey_month
from fishreport.analysis.todays_fish import (
    VULNERABILITY_SPREAD_MM,
    Anglers,
    Density,
    counted_length,
    todays_ages,
)
from fishreport.analysis.vital_rates import (
    Growth,
    MortalityDraws,
    Origin,
    Source,
    against_the_mortality_chapter,
    described,
    hundred,
    weight_line,
)
from fishreport.fielddata.survey import Survey
from fishreport.methods.estimate import Estimate
from fishreport.population.angling import Angling
from fishreport.population.life_history import LifeHistory
from fishreport.population.regulation import Regulation
from fishreport.study import Study

Floats = NDArray[np.float64]
# Month of spawning by a word of the species' name; elsewhere spring is taken. Field guides agree, no single source.
SPAWNING = {"brown": 11, "brook": 10, "lake trout": 10, "bull": 9, "char": 10, "salmon": 11, "whitefish": 11, "cutthroat": 5}
SPRING, SUMMER, AUTUMN_BEGINS = 4, 6, 8
MATURITY_RATIO, MATURITY_SPREAD = 0.66, 0.1
YOUNGEST, OLDEST = 6, 25
LARGE_SHARE = 0.7
_CURVES = {"beverton-holt": "Beverton and Holt's", "ricker": "Ricker's"}
_GEAR_ODDS = "between published means of the two kinds of gear (Taylor and White 1992, second-hand)"


@dataclass(frozen=True)
class SpeciesInputs:
    """Everything that the scenarios of one species need.

    Attributes
    ----------
    key : str
    classes : LengthClasses
    life, angling : LifeHistory, Angling | None
        None where something is missing.
    rules : tuple[Regulation, ...]
        The first is today's.
    sources : tuple[Source, ...]
        Every input with its value and where it came from.
    missing : tuple[Lack, ...]
        What the study lacks, and what to give by hand instead.
    relative : bool
        True where the density is not known and numbers are for 1,000 fish of today's stock.
    length_km : float
        Over which stocked fish are spread.
    categories : dict[str, float]
        Length categories (mm) from short to long.
    notes : tuple[str, ...]
    kept_counted : tuple[int, Estimate] | None
        Year of the creel survey, and the fish that it counted as kept, per km; None without it, and with a relative density.
    """

    key: str
    classes: LengthClasses
    life: LifeHistory | None
    angling: Angling | None
    rules: tuple[Regulation, ...]
    sources: tuple[Source, ...]
    missing: tuple[Lack, ...]
    relative: bool
    length_km: float
    categories: dict[str, float]
    notes: tuple[str, ...] = field(default=())
    kept_counted: tuple[int, Estimate] | None = None


def length_categories(own: LengthClasses, growth: Growth) -> dict[str, float]:
    """Published categories; without them the counted length and, where growth is known, 0.7 of the asymptote, as ranges."""
    if own.published_mm:
        return dict(own.published_mm)
    counted = counted_length(own)
    bounds = [counted]
    if "asymptotic_length_mm" in growth.draws:
        large = LARGE_SHARE * float(np.median(growth.draws["asymptotic_length_mm"]))
        bounds.append(max(10.0 * round(large / 10), counted + 10.0))
    return {f"{bound:g}- mm": bound for bound in bounds}


def spawning_month(name: str) -> int:
    """Month of spawning: of trout and char by the kind, else spring, or early summer for bass and sunfish."""
    low = name.casefold()
    found = next((month for word, month in SPAWNING.items() if word in low), None)
    if found is not None:
        return found
    return SUMMER if any(word in low for word in ("bass", "sunfish", "bluegill", "catfish")) else SPRING


def _hand(name: str, value: float, units: str, how: str, level: float, origin: Origin) -> Source:
    return Source(name, described(np.array([value]), units, how, level), origin, how)


def _set_by_hand(study: Study, name: str) -> bool:
    return study.parameters.gives(name)


def _assumptions(study: Study, rules: Sequence[Regulation], angling: Angling) -> list[Source]:
    """What nobody measures of anglers; the death of released fish also under those rules that change it."""
    p, today, found = study.parameters, rules[0], list[Source]()
    for name in ("release_mortality", "noncompliance"):
        value = getattr(p, name)
        if name == "release_mortality" and today.release_mortality is not None:
            value = today.release_mortality
        origin: Origin = "given by hand" if _set_by_hand(study, name) else "default"
        how = "a table above varies it"
        found.append(_hand(name, value, "", how, p.level, origin))
        if name == "release_mortality":
            found += _under_other_gear(rules, angling, p.level)
    how = "common practice, no source; it bears on bag limits alone"
    found.append(_hand("hours_per_trip", float(np.median(angling.hours_per_trip)), "h", how, p.level, "default"))
    how = f"{how}: size of the negative binomial catch of a trip"
    found.append(_hand("catch_dispersion", float(np.median(angling.catch_dispersion)), "", how, p.level, "default"))
    return found


def _under_other_gear(rules: Sequence[Regulation], angling: Angling, level: float) -> list[Source]:
    """The share of released fish that die under rules with other gear than today's, or with a share of their own."""
    found: dict[str, Source] = {}
    usual = np.asarray(angling.effort_by_month)
    for rule in rules[1:]:
        own = rule.release_mortality is not None
        if (rule.gear, rule.release_mortality) == (rules[0].gear, rules[0].release_mortality):
            continue
        share = float((np.median(angling.monthly_release_mortality(rule, today=rules[0]), axis=0) * usual).sum())
        how = (
            f"of the rule “{rule.name}”, as the study file gives it"
            if own
            else f"today's share, its odds changed as {_GEAR_ODDS}"
        )
        name = f"release_mortality: {rule.name if own else rule.gear}"
        found[name] = _hand(name, share, "", how, level, "given by hand" if own else "default")
    return list(found.values())


def _angling(study: Study, anglers: Anglers | None, density: Density, sources: list[Source], noncompliance: float) -> Angling:
    p, level = study.parameters, study.parameters.level
    values: dict[str, object] = {"release_mortality": p.release_mortality, "noncompliance": noncompliance}
    if anglers is not None and not _set_by_hand(study, "voluntary_release"):
        how = f"creel survey of {anglers.year}: fish of legal length caught and not kept"
        values["voluntary_release"] = np.clip(anglers.release_share, 0.0, 0.999)
        sources.append(Source("voluntary_release", described(anglers.release_share, "", how, level), "estimated", how))
    else:
        origin: Origin = "given by hand" if _set_by_hand(study, "voluntary_release") else "default"
        values["voluntary_release"] = p.voluntary_release
        sources.append(_hand("voluntary_release", p.voluntary_release, "", "share of legal fish let go by choice", level, origin))
    if anglers is not None:
        how = f"creel survey of {anglers.year}"
        values["catch_per_hour"] = anglers.catch_per_hour
        sources.append(Source("catch_per_hour", anglers.rate, "estimated", how))
        if not density.relative and study.water.length_km is not None:
            values["effort_h_per_km"] = anglers.effort_h / study.water.length_km
            sources.append(Source("effort_h_per_km", _per_km(anglers.effort, study.water.length_km), "estimated", how))
    else:
        how = "common practice, no source; effort follows from it"
        sources.append(_hand("catch_per_hour", 0.7, "fish/h", how, level, "default"))
    if p.water_temperature_c is not None:
        values["water_temperature_c"] = (p.water_temperature_c,) * 12
    return Angling(**values)  # type: ignore[arg-type]


def _per_km(total: Estimate, length_km: float) -> Estimate:
    """An estimate of the whole water, for each km of it."""
    return total.converted(lambda number: number / length_km, f"{total.units}/km")


def _maturity(own: LengthClasses, growth: Growth, sources: list[Source], level: float) -> dict[str, Any]:
    given = own.species.life_history
    how = given.source or "study file"
    if given.length_at_maturity_mm is not None:
        sources.append(_hand("length_at_maturity_mm", given.length_at_maturity_mm, "mm", how, level, "given by hand"))
        return {
            "length_at_maturity_mm": given.length_at_maturity_mm,
            "maturity_spread_mm": MATURITY_SPREAD * given.length_at_maturity_mm,
        }
    if given.age_at_maturity is not None:
        sources.append(_hand("age_at_maturity", given.age_at_maturity, "years", how, level, "given by hand"))
        return {"age_at_maturity": given.age_at_maturity}
    values = MATURITY_RATIO * growth.draws["asymptotic_length_mm"]
    how = "0.66 of the asymptotic length (Jensen 1996, not compared with the source)"
    sources.append(Source("length_at_maturity_mm", described(values, "mm", how, level), "default", how))
    return {"length_at_maturity_mm": values, "maturity_spread_mm": MATURITY_SPREAD * values}


def _oldest(survey: Survey, own: LengthClasses, natural: Floats) -> tuple[int, Origin, str]:
    given = own.species.life_history.maximum_age
    if given is not None:
        return int(np.clip(round(given), 3, 60)), "given by hand", own.species.life_history.source or "study file"
    aged = aged_fish(survey, own.species.key)
    seen = int(aged["age"].max()) if len(aged) else 0
    by_rate = math.ceil(math.log(100) / float(np.median(natural)))
    age = int(np.clip(max(seen + 1, by_rate), YOUNGEST, OLDEST))
    return age, "default", "the oldest aged fish, or where 1 in 100 live without fishing, whichever is older"


def species_inputs(
    study: Study, survey: Survey, own: LengthClasses, rules: tuple[Regulation, ...], rng: np.random.Generator
) -> SpeciesInputs:
    """Put together what the scenarios of a species start from.

    Where growth, weight, natural mortality, fishing mortality or, with stocking, the density cannot be known, `life` is None and
    `missing` says what to give by hand. Fishing mortality is by hand, else by creel survey, else total less natural mortality;
    where that difference is not above 0 it is not known, as in the mortality chapter.
    """
    p, given, key = study.parameters, own.species.life_history, own.species.key
    level = p.level
    code = next(code for code, one in study.species.items() if one.key == key)
    today = rules[0]
    known = rates_today(study, survey, own, today)
    growth, density, anglers, rates, time = known.growth, known.density, known.anglers, known.rates, known.time
    month = survey_month(study, survey)
    sources, missing = list(growth.sources), [hand_lack(code, *one) for one in growth.missing]
    line = weight_line(study, survey, own)
    if line is None:
        missing.append(Lack("weight", "too few fish were weighed", "weigh fish, or name a published standard for the species"))
    else:
        sources.append(line[2])
    if not known.natural_known:
        why = "neither growth, ages nor an age at maturity to predict it from"
        missing.append(hand_lack(code, "natural_mortality", why))
    sources.append(density.source)
    stocked = any(rule.stocking is not None and rule.stocking.number_per_year > 0 for rule in rules)
    if stocked and density.relative:
        missing.append(hand_lack(code, "density_per_km", "stocked fish need today's number beside them"))
    if stocked and study.water.length_km is None:
        missing.append(Lack("length_km", "stocked fish spread over it", "give it under [water]"))
    if known.natural_known and rates is None:
        other = "bring a creel survey (harvest table) together with a number of fish (census, removal, or by hand)"
        missing.append(hand_lack(code, "fishing_mortality", known.lacking, other=other))
    categories = length_categories(own, growth)
    length_km = study.water.length_km or 1.0
    if missing or rates is None or line is None:
        return SpeciesInputs(
            key, own, None, None, rules, tuple(sources), tuple(missing), density.relative, length_km, categories
        )  # fmt: skip
    sources += _rate_sources(rates, known.natural_origin, known.natural_how, given.source, anglers, level)
    angling = _angling(study, anglers, density, sources, p.noncompliance)
    sources += _assumptions(study, rules, angling)
    oldest, origin, how = _oldest(survey, own, rates.natural)
    sources.append(_hand("maximum_age", oldest, "years", how, level, origin))
    spawns = spawning_month(own.species.name)
    lag = 2 if spawns >= AUTUMN_BEGINS else 1
    how = f"{_CURVES[given.recruitment]} recruitment; spawning in {calendar.month_name[spawns]}, by the kind of fish"
    for name, words in (
        ("steepness", how),
        ("recruitment_sd", "of the logarithm of recruitment"),
        ("recruitment_autocorrelation", "of the logarithm of recruitment"),
    ):
        origin = "given by hand" if name in given.model_fields_set else "default"
        sources.append(_hand(name, getattr(given, name), "", words, level, origin))
    ripe = _maturity(own, growth, sources, level)
    counted = counted_length(own)
    how = f"half at this length, 0.95 at {VULNERABILITY_SPREAD_MM:g} mm (2 in) more; common practice, no source"
    sources.append(_hand("vulnerability_length_mm", counted, "mm", how, level, "default"))
    life = LifeHistory(
        asymptotic_length_mm=growth.draws["asymptotic_length_mm"],
        growth_coefficient=growth.draws["growth_coefficient"],
        age_at_zero=growth.draws["age_at_zero"] + time,
        length_cv=growth.length_cv,
        weight_intercept=line[0],
        weight_slope=line[1],
        natural_mortality=rates.natural,
        fishing_mortality=rates.fishing,
        vulnerability_length_mm=counted,
        vulnerability_spread_mm=VULNERABILITY_SPREAD_MM,
        maximum_age=oldest,
        recruitment=given.recruitment,
        steepness=given.steepness,
        recruitment_sd=given.recruitment_sd,
        recruitment_autocorrelation=given.recruitment_autocorrelation,
        recruitment_lag=lag,
        density_per_km=density.draws,
        density_length_mm=density.length_mm,
        spawning_month=spawns,
        survey_month=month,
        **ripe,
    )
    now = todays_ages(life, known.ages, known.from_age, today, rng, length_km=length_km)
    n = 0 if known.ages is None else known.ages.composition.n
    origin = "default" if now.numbers is None else "estimated"
    nan = math.nan
    sources.append(Source("age_composition", Estimate(nan, nan, nan, nan, level, "", now.how, n), origin, now.how))
    if now.numbers is not None:
        life = replace(life, initial_numbers_per_km=now.numbers)
    return SpeciesInputs(
        key, own, life, angling, rules, tuple(sources), (), density.relative, length_km, categories,
        (*against_the_mortality_chapter(rates), *rates.notes), _kept_counted(study, anglers, density),
    )  # fmt: skip


def _kept_counted(study: Study, anglers: Anglers | None, density: Density) -> tuple[int, Estimate] | None:
    if anglers is None or anglers.kept_fish is None or density.relative or study.water.length_km is None:
        return None
    return anglers.year, _per_km(anglers.kept, study.water.length_km)


def _rate_sources(
    rates: MortalityDraws, natural_origin: Origin, natural_how: str, source: str, anglers: Anglers | None, level: float
) -> list[Source]:
    how = natural_how if natural_origin == "given by hand" else f"{natural_how}, {WEIGHED}"
    dropped = f"{hundred(rates.left_out)} of 100 draws, which left nothing for fishing," if rates.left_out > 0 else ""
    if rates.natural_how == "life history":
        how = natural_how
    if dropped:
        how = f"{natural_how}; what remains of it without {dropped.rstrip(',')}"
    natural = Source("natural_mortality", described(rates.natural, "per year", how, level), natural_origin, how)
    origin: Origin = "given by hand" if rates.fishing_how == "given by hand" else "estimated"
    how = {
        "given by hand": source or "study file",
        "harvest": f"creel survey of {anglers.year if anglers else ''} over the fish open to harvest, release deaths included",
    }.get(rates.fishing_how, f"total mortality from ages less natural mortality{f'; {dropped} are dropped' if dropped else ''}")
    return [natural, Source("fishing_mortality", described(rates.fishing, "per year", how, level), origin, how)]
