"""How many fish there are today, of what ages, and how anglers meet them: the start of every scenario."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtr

from fishreport.analysis.ages import SeasonAges, first_pass_fish
from fishreport.analysis.catch import catch_rates
from fishreport.analysis.classes import LengthClasses
from fishreport.analysis.creel import creel_rows
from fishreport.analysis.population import population
from fishreport.analysis.vital_rates import Origin, Source, described, lognormal_draws, spread_draws
from fishreport.fielddata.survey import Survey
from fishreport.methods.creel import angler_catch_rate, creel_total
from fishreport.methods.estimate import Estimate
from fishreport.methods.resampling import cluster_totals, ratio_of_totals
from fishreport.population.angling import beta_draws
from fishreport.population.life_history import LifeHistory
from fishreport.population.regulation import Regulation
from fishreport.study import Study

Floats = NDArray[np.float64]
RELATIVE_DENSITY = 1000.0
VULNERABILITY_SPREAD_MM = 50.0
CREEL_YEARS_BACK = 3


@dataclass(frozen=True)
class Density:
    """Fish per km of `length_mm` and longer today, as draws; `relative` where only a scale of 1,000 fish could be set."""

    draws: Floats
    length_mm: float
    relative: bool
    source: Source


def counted_length(own: LengthClasses) -> float:
    """Length (mm) from which fish are counted: the stock length, else the species' minimum length, else 150."""
    stock = own.bounds_mm.get("stock")
    return float(stock[0] if stock else own.species.minimum_length_mm or 150.0)


def _census_density(study: Study, survey: Survey, own: LengthClasses) -> tuple[Estimate, str, Origin] | None:
    """Density by this season's census, by an older one carried on by catch rate, or of the sections fished in passes."""
    key, now = own.species.key, study.season.year
    place = {"quantity": "density_per_km", "species": key, "size_class": "stock" if "stock" in own.bounds_mm else "all"}
    found = population(study, survey, [own])
    seasons = sorted({census.season for census in found.censuses}, reverse=True)
    results = {year: found.results.one(**place, season=year, detail=None) for year in seasons}
    known = {year: one.estimate for year, one in results.items() if one is not None and one.estimate.estimable}
    if now in known:
        return known[now], f"census of {now}", "estimated"
    if known:
        year = max(known)
        rates = catch_rates(study, survey, [own])
        then, today = (rates.one(species=key, season=when, size_class=place["size_class"], site=None) for when in (year, now))
        if then and today and then.estimate.value > 0 and today.estimate.value > 0:
            old, ratio = known[year], today.estimate.value / then.estimate.value
            parts = (old, then.estimate, today.estimate)
            relative = math.sqrt(sum((e.se / e.value) ** 2 for e in parts if math.isfinite(e.se)))
            value, nan = old.value * ratio, math.nan
            how = f"census of {year} times the change of the catch rate since"
            return Estimate(value, value * relative, nan, nan, old.level, old.units, how, old.n), how, "estimated"
    removed = [
        one.estimate
        for one in found.results.where(**place, season=now)
        if one.estimate.estimable and math.isfinite(one.estimate.upper)
    ]
    if removed:
        return removed[0], f"removal at the sections of {now}, taken for the whole water", "estimated"
    return None


def todays_density(study: Study, survey: Survey, own: LengthClasses, rng: np.random.Generator, draws: int) -> Density:
    """Density today: by hand, else from a census, else relative (1,000 fish)."""
    given, level, length = own.species.life_history, study.parameters.level, counted_length(own)
    name, units = "density_per_km", "fish/km"
    if given.density_per_km is not None:
        how = given.source or "study file"
        values = spread_draws(rng, draws, given.density_per_km)
        return Density(values, length, False, Source(name, described(values, units, how, level), "given by hand", how))
    found = _census_density(study, survey, own)
    if found is not None and found[0].value > 0:
        estimate, how, origin = found
        values = lognormal_draws(rng, draws, estimate)
        return Density(values, length, False, Source(name, replace(estimate, units=units), origin, how))
    how = "no census, no removal and none by hand: numbers are for 1,000 fish of today's stock"
    values = np.full(draws, RELATIVE_DENSITY)
    return Density(values, length, True, Source(name, described(values, "fish", how, level), "not known", how))


@dataclass(frozen=True)
class Anglers:
    """What the creel survey tells, as draws; `fishing` (per year) is None without a density, all are without a creel survey.

    `effort` (h) and `rate` (fish/h) are the estimates of the creel survey that `effort_h` and `catch_per_hour` are drawn from.
    `effort_h`, `caught` and `kept` (fish, as counted) are of the whole water and year; `release_share` is the share of legal
    fish that anglers let go. `kept_fish` are the draws of `kept`, None where fish may not be kept; `open_number` are the fish
    open to harvest at the survey and `exploitation` the fish kept in the year over them, both None without a density too.
    """

    year: int
    effort: Estimate
    rate: Estimate
    effort_h: Floats
    caught: Floats
    catch_per_hour: Floats
    release_share: Floats
    fishing: Floats | None
    kept: Estimate
    kept_fish: Floats | None = None
    open_number: Floats | None = None
    exploitation: Floats | None = None


def effort_rng(study: Study, year: int) -> np.random.Generator:
    """Random numbers of a year's hours of angling, which are the same for all species: by the study's seed and the year alone."""
    return np.random.default_rng([study.parameters.seed, year, *b"angling effort"])


def anglers_today(
    study: Study,
    survey: Survey,
    own: LengthClasses,
    rng: np.random.Generator,
    density: Density,
    today: Regulation,
    release_deaths: float,
    noncompliance: float,
) -> Anglers | None:
    """Fishing mortality and voluntary release from the latest creel survey of the last three years, or None.

    With N fish of the counted length (by density), p the legal share of the fish that anglers meet (this season's lengths,
    weighted by vulnerability; see `legal_share`) and v their number relative to N: captures a year f = caught / (N v), share
    kept of legal fish K = kept / (caught p), at most 0.99; F = f (1 - (1 - K)(1 - d)) with d the share of released fish that
    die. Under release only K is the share of non-compliance. Fish kept against the rule are taken not to be shown to the clerk;
    the density of the season stands for the year, and v is taken as exact.
    """
    rows = creel_rows(study, survey, own.species.key)
    rows = rows[(rows["year"] > study.season.year - CREEL_YEARS_BACK) & (rows["effort_h"] > 0) & (rows["caught"] > 0)]
    fish = first_pass_fish(survey, own.species.key)
    now = fish[fish["season"] == study.season.year]
    lengths = now["length_mm"].to_numpy(float)
    counted = lengths >= density.length_mm
    if rows.empty or not counted.any():
        return None
    row, level, number = rows.iloc[-1], study.parameters.level, density.draws.size
    effort = creel_total(row["effort_h"], row["se_effort_h"], units="h", what="hours of angling", level=level)
    landed = creel_total(row["caught"], row["se_caught"], units="fish", what="fish caught", level=level)
    rate = angler_catch_rate(
        row["caught"], row["effort_h"], se_caught=row["se_caught"], se_effort_h=row["se_effort_h"], level=level
    )
    hours = lognormal_draws(effort_rng(study, int(row["year"])), number, effort)
    caught = lognormal_draws(rng, number, landed)
    met, may = vulnerability(lengths, density.length_mm), today.legal(lengths)
    kept_share, kept_draws = np.full(number, noncompliance), None
    counted_kept = creel_total(row["kept"], row["se_kept"], units="fish", what="fish kept", level=level)
    if today.may_keep:
        if not counted_kept.estimable or not met[may].sum() > 0:
            return None
        least = creel_total(max(counted_kept.value, 0.5), row["se_kept"], units="fish", what="fish kept", level=level)
        kept_draws = lognormal_draws(rng, number, least)
        legal = legal_share(met, may, now["run_id"], rng, number)
        kept_share = np.minimum(kept_draws / (caught * legal), 0.99)
    fishing = open_number = exploitation = None
    if not density.relative and study.water.length_km is not None:
        there = density.draws * study.water.length_km * float(met.sum() / counted.sum())
        fishing = caught / there * (1 - (1 - kept_share) * (1 - release_deaths))
        if kept_draws is not None:
            open_number = there * legal
            exploitation = kept_draws / open_number
    return Anglers(
        int(row["year"]), effort, rate, hours, caught, caught / hours, 1 - kept_share, fishing, counted_kept, kept_draws,
        open_number, exploitation,
    )  # fmt: skip


def legal_share(met: Floats, legal: NDArray[np.bool_], run: pd.Series, rng: np.random.Generator, draws: int) -> Floats:
    """Draws of the legal share of the fish that anglers meet: beta about the share in the catch of the survey.

    `met` weighs each fish by its vulnerability. Runs are clusters (`resampling.ratio_of_totals`), and the standard error is never
    less than that of as many independent fish as the weights are worth, (Σw)²/Σw² (Kish 1965, from memory).
    """
    code, names = pd.factorize(run)
    found = ratio_of_totals(cluster_totals(code, met * legal, len(names)), cluster_totals(code, met, len(names)))
    widest = found.value * (1 - found.value)
    alone = widest * float((met**2).sum()) / float(met.sum()) ** 2
    variance = min(float(np.nanmax([found.variance, alone])), 0.9 * widest)
    return beta_draws(rng, draws, found.value, math.sqrt(variance), "the legal share")


def vulnerability(length_mm: Floats, half_mm: float) -> Floats:
    """Vulnerability to angling: half at `half_mm`, 0.95 at 50 mm more (common practice, no source)."""
    return np.asarray(1 / (1 + np.exp(np.clip(-math.log(19.0) * (length_mm - half_mm) / VULNERABILITY_SPREAD_MM, -700, 700))))


@dataclass(frozen=True)
class TodaysAges:
    """Fish per km by age on 1 January after the survey (draws × ages from the first to the oldest), and how they were found."""

    numbers: Floats | None
    how: str
    first_counted: int = 0
    notes: tuple[str, ...] = field(default=())


def todays_ages(
    life: LifeHistory,
    ages: SeasonAges | None,
    from_age: int | None,
    today: Regulation,
    rng: np.random.Generator,
    *,
    length_km: float,
) -> TodaysAges:
    """Numbers at age on the first of January, from this season's age composition scaled to the density.

    Ages of `from_age` and more are as in the catch (one of the bootstrap replicates a draw). Younger ages are caught less well:
    each is the mean that total mortality leads back to from there, times a lognormal deviation as recruitment varies. All
    are scaled to the density of fish of the counted length, and then meet the mortality of the months to the end of the
    year. Where fish are stocked, the ages younger than those put in are lowered by the share of stocked fish in the age that
    they joined, so that the fish of the next stocking are not counted twice. Without ages the equilibrium under today's rule
    stands in, each age class varied as recruitment varies.
    """
    if ages is None or from_age is None or not ages.estimable:
        return TodaysAges(None, "equilibrium under today's rule, each age class varied as recruitment varies")
    time = (life.survey_month - 1) / 12
    seen = life.ages - 1  # ages at the survey that stand at life.ages on the next 1 January; the youngest is a year short
    replicates = np.nan_to_num(ages.composition.replicates)
    counts = np.zeros((life.draws, seen.size))
    chosen = replicates[rng.integers(len(replicates), size=life.draws)]
    for column, age in enumerate(ages.ages.astype(int)):
        if from_age <= age:
            counts[:, min(int(age - seen[0]), seen.size - 1)] += chosen[:, column]
    whole = counts.sum(axis=1) > 0
    if not whole.all():
        chosen_rows = np.flatnonzero(whole)
        if chosen_rows.size == 0:
            return TodaysAges(None, "equilibrium under today's rule, each age class varied as recruitment varies")
        counts[~whole] = counts[rng.choice(chosen_rows, int((~whole).sum()))]
    mean = life.mean_length(seen + time)
    sd = np.maximum(life.length_cv[:, None] * mean, 1e-9)
    legal = share_in_ranges(mean, sd, today) if today.may_keep else 1.0
    hazard = life.natural_mortality[:, None] + life.fishing_mortality[:, None] * legal
    full = seen >= from_age
    decline = np.exp(-np.concatenate([np.zeros((life.draws, 1)), np.cumsum(hazard, axis=1)[:, :-1]], axis=1))
    level = counts.sum(axis=1) / np.maximum((decline * full).sum(axis=1), 1e-300)
    deviation = np.exp(life.recruitment_sd[:, None] * rng.standard_normal(counts.shape) - life.recruitment_sd[:, None] ** 2 / 2)
    numbers = np.where(full, counts, level[:, None] * decline * deviation)
    counted = 1 - ndtr((life.density_length_mm - mean) / sd)
    assert life.density_per_km is not None
    numbers = numbers * (life.density_per_km / np.maximum((numbers * counted).sum(axis=1), 1e-300))[:, None]
    numbers = numbers * _wild_share(life, numbers, mean, today, length_km)
    return TodaysAges(
        numbers * np.exp(-hazard * (1 - time)),
        f"age composition of the season's catch from age {from_age} on, younger ages from the mortality, scaled to the density",
        from_age,
    )


def _wild_share(life: LifeHistory, numbers: Floats, mean_mm: Floats, today: Regulation, length_km: float) -> Floats:
    """Factor on each age, draws × ages: below 1 for ages younger than that which this year's stocked fish joined."""
    factor = np.ones(numbers.shape)
    put = today.stocking
    if put is None or put.number_per_year <= 0:
        return factor
    months = max(life.survey_month - put.month, 0)
    left = put.number_per_year / put.every_years / length_km * np.exp(-life.natural_mortality * months / 12)
    top, speed = life.asymptotic_length_mm, life.growth_coefficient
    grown = put.mean_length_mm + np.maximum(top - put.mean_length_mm, 0) * -np.expm1(-speed * months / 12)
    joined = np.abs(mean_mm - grown[:, None]).argmin(axis=1)
    there = numbers[np.arange(len(joined)), joined]
    wild = np.clip(1 - left / np.maximum(there, 1e-300), 0.05, 1.0)
    younger = np.arange(numbers.shape[1])[None, :] < joined[:, None]
    return np.where(younger, wild[:, None], factor)


def share_in_ranges(mean_mm: Floats, sd_mm: Floats, rule: Regulation) -> Floats:
    """Share of fish with normal lengths that may be kept under a rule, of the shape of the means."""
    sd, share = np.maximum(sd_mm, 1e-9), np.zeros(mean_mm.shape)
    for low, high in rule.kept_ranges():
        share += ndtr((high - mean_mm) / sd) - ndtr((low - mean_mm) / sd)
    return np.asarray(share)
