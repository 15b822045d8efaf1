"""What next season's survey needs: runs, fish to measure, to weigh and to age, sites or repeats, and power to see a trend."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from fishreport.analysis.ages import aged_fish
from fishreport.analysis.catch import catch_rates
from fishreport.analysis.catch_model import standardised
from fishreport.analysis.classes import LengthClasses, first_passes, run_catches
from fishreport.analysis.result import Result, Results
from fishreport.fielddata.survey import Survey
from fishreport.methods.allocation import Allocation, SpreadOfCatch, allocate_runs, spread_of_catch
from fishreport.methods.condition import relative_weight
from fishreport.methods.estimate import Estimate
from fishreport.methods.fish_per_bin import BinPlan, ages_per_bin, weights_per_bin
from fishreport.methods.precision import (
    RunsCurve,
    design_effect,
    fish_needed_by_runs,
    fish_needed_for_mean,
    runs_curve,
    runs_needed,
)
from fishreport.methods.series import FEWEST_SEASONS
from fishreport.methods.trend import log_linear
from fishreport.methods.trend_power import PowerCurve, SurveyPlan, power_to_detect
from fishreport.study import Study

# What the plan aims at beside the study's own `relative_error` and `power` (common practice, no source).
SHARE_POINTS = 10.0
WEIGHT_POINTS = 2.0
AGE_POINTS = 5.0
WEIGHT_SHARE = 0.05
WEIGHT_BIN_MM = 50.0
CHANGES = (-5.0, -10.0, -20.0)
YEARS = tuple(range(3, 16))
SHOWN_YEARS = (3, 5, 10)
SIMULATED_YEARS = (3, 5, 7, 10, 12, 15)
REPLICATES = 600
MOST_REPEATS = 4


@dataclass(frozen=True)
class SpeciesPlan:
    """Next season for one species.

    Attributes
    ----------
    species, size_class : str
        The class that catch rates are planned for.
    runs_made : int
        Runs of the reported season.
    reached : Estimate | None
        Catch rate of the reported season, as reported.
    curve : RunsCurve
        Precision against runs; without runs where it is not estimable.
    spread : SpreadOfCatch
        Between sites, and between runs of one site, over all seasons.
    power : PowerCurve | None
        Power of today's survey against seasons, by formula at `YEARS` and by simulation where it was run.
    survey_plan : SurveyPlan | None
    weigh, age : BinPlan
        Fish to weigh and to age in each length bin.
    aged_now : int
        Fish aged in the reported season.
    """

    species: str
    size_class: str
    runs_made: int
    reached: Estimate | None
    curve: RunsCurve
    spread: SpreadOfCatch
    power: PowerCurve | None
    survey_plan: SurveyPlan | None
    weigh: BinPlan
    age: BinPlan
    aged_now: int


@dataclass(frozen=True)
class NextSeason:
    """Next season for all species: results, and what is drawn."""

    results: Results
    species: tuple[SpeciesPlan, ...]
    sharing: dict[tuple[str, float], Allocation]
    """(species, cost of a site in runs) → ways to share out this season's effort."""
    runs: int
    sites: int


def _lead(own: LengthClasses) -> str:
    return "stock" if "stock" in own.bounds_mm else "all"


def _fish(study: Study, survey: Survey, own: LengthClasses) -> pd.DataFrame:
    fish = survey.fish_of(own.species.key, season=study.season.year)
    return fish[first_passes(fish)]


def _share_result(study: Study, own: LengthClasses, fish: pd.DataFrame, rng: np.random.Generator) -> Result | None:
    """Fish of stock length to measure for the share that reaches quality length."""
    if own.standard is None or "quality" not in own.bounds_mm:
        return None
    level, length = study.parameters.level, fish["length_mm"].to_numpy(float)
    stock = own.holds(length, "stock")
    n = int(stock.sum())
    if n < 10:
        reason, method = f"{n} fish of stock length, 10 needed", "binomial sample size times design effect"
        estimate = Estimate.not_estimable(reason, units="fish", method=method, n=n, level=level)
    else:
        inside = own.holds(length, "quality")[stock].astype(float)
        run = fish["run_id"].to_numpy()[stock]
        deff = design_effect(inside, run)
        estimate = fish_needed_by_runs(
            inside, run, half_width=SHARE_POINTS, level=level, rng=rng, resamples=study.parameters.resamples
        )
        estimate = estimate.noting(f"for {SHARE_POINTS:g} percentage points either way, design effect {deff:.2f}")
    return Result("fish_to_measure", estimate, study.season.year, own.species.key, "quality")


def _weigh_result(study: Study, own: LengthClasses, fish: pd.DataFrame) -> Result | None:
    """Fish to weigh for the mean relative weight of stock fish."""
    if own.standard is None:
        return None
    length = fish["length_mm"].to_numpy(float)
    inside = own.holds(length, _lead(own)) & fish["weight_g"].notna().to_numpy()
    inside &= length >= (own.species.minimum_length_mm or 0.0)
    wr = relative_weight(length[inside], fish["weight_g"].to_numpy(float)[inside], own.standard)
    estimate = fish_needed_for_mean(
        wr, half_width=WEIGHT_POINTS, level=study.parameters.level, run=fish["run_id"].to_numpy()[inside]
    )
    if estimate.estimable:
        estimate = estimate.noting(f"for {WEIGHT_POINTS:g} points of relative weight either way")
    return Result("fish_to_weigh", estimate, study.season.year, own.species.key, _lead(own))


def _bins(study: Study, survey: Survey, own: LengthClasses) -> tuple[BinPlan, BinPlan, int]:
    """Fish to weigh and to age in each bin, and the fish aged in the reported season."""
    p = study.parameters
    every = survey.fish[survey.fish["species_key"] == own.species.key]
    weighed = every[every["weight_g"].notna() & (every["length_mm"] >= (own.species.minimum_length_mm or 0.0))]
    weigh = weights_per_bin(
        weighed["length_mm"].to_numpy(float), weighed["weight_g"].to_numpy(float), bin_mm=WEIGHT_BIN_MM,
        relative_error=WEIGHT_SHARE, level=p.level,
    )  # fmt: skip
    aged = aged_fish(survey, own.species.key)
    age = ages_per_bin(
        aged["length_mm"].to_numpy(float), aged["age"].to_numpy(float), every["length_mm"].to_numpy(float),
        bin_mm=p.bin_mm, half_width=AGE_POINTS, level=p.level,
    )  # fmt: skip
    return weigh, age, int((aged["season"] == study.season.year).sum())


def _season_scatter(study: Study, survey: Survey, own: LengthClasses, rng: np.random.Generator) -> float:
    """Scatter of whole seasons about their trend beyond sampling error (log scale); NaN with fewer than four seasons."""
    index = standardised(study, survey, own, _lead(own), rng).index
    known = {season: e for season, e in index.items() if e.estimable and e.value > 0}
    if len(known) < FEWEST_SEASONS:
        return math.nan
    fit = log_linear(list(known), [e.value for e in known.values()], se=[e.se for e in known.values()])
    return fit.between_year_sd


def _survey_plan(spread: SpreadOfCatch, sites: int, runs: int, year_sd: float) -> SurveyPlan | None:
    """None where the spread of runs or of seasons is not known: power without it would promise too much."""
    if not spread.between_runs.estimable or not spread.mean_catch > 0 or not sites or math.isnan(year_sd):
        return None
    between = spread.between_sites.value if spread.between_sites.estimable else 0.0
    return SurveyPlan(
        spread.mean_catch, spread.dispersion, sites, max(1, round(runs / sites)), math.sqrt(math.log1p(between**2)), year_sd
    )


def _power(plan: SurveyPlan, level: float, rng: np.random.Generator) -> PowerCurve:
    """Formula at every number of seasons, simulation at some."""
    formula = power_to_detect(plan, change_per_year=CHANGES, years=YEARS, level=level)
    drawn = power_to_detect(plan, change_per_year=CHANGES, years=SIMULATED_YEARS, level=level, rng=rng, replicates=REPLICATES)
    simulated = np.full(formula.by_formula.shape, math.nan)
    simulated[[YEARS.index(year) for year in SIMULATED_YEARS]] = drawn.by_simulation
    return replace(formula, by_simulation=simulated, replicates=REPLICATES)


_POWER = "noncentral t for a log-linear trend, small-sample form of Gerrodette 1987"


def _power_results(plan: SpeciesPlan, season: int) -> list[Result]:
    curve = plan.power
    found = []
    if curve is None or plan.survey_plan is None:
        reason = f"fewer than {FEWEST_SEASONS} seasons with catch, or too few repeat runs, to know how much seasons differ"
        lost = Estimate.not_estimable(reason, method=_POWER, n=plan.spread.runs, level=plan.curve.level)
        return [Result("power_to_detect", lost, season, plan.species, plan.size_class)]
    for j, change in enumerate(CHANGES):
        for years in SHOWN_YEARS:
            power = float(curve.by_formula[YEARS.index(years), j])
            simulated = float(curve.by_simulation[YEARS.index(years), j])
            notes = (f"by simulation {simulated:.2f} ({curve.replicates} surveys)",)
            nan = math.nan
            estimate = Estimate(power, nan, nan, nan, curve.level, "", _POWER, plan.spread.runs, notes)
            detail = f"{change:g}% a year, {years} seasons"
            found.append(Result("power_to_detect", estimate, season, plan.species, plan.size_class, detail=detail))
    return found


def _spread_results(plan: SpeciesPlan, season: int) -> list[Result]:
    return [
        Result("catch_rate_spread", e, season, plan.species, plan.size_class, detail=detail)
        for e, detail in ((plan.spread.between_sites, "between sites"), (plan.spread.between_runs, "between runs of a site"))
    ]


def next_season(study: Study, survey: Survey, classes: Sequence[LengthClasses], rng: np.random.Generator) -> NextSeason:
    """Plan of next season from this water's own variation.

    Runs and fish to measure and to weigh: from the first passes of the reported season and their fish. Fish by length bin,
    the spread between sites and runs, and the scatter of seasons about their trend: from all seasons, as one holds too few.
    """
    p, season = study.parameters, study.season.year
    reported = catch_rates(study, survey, list(classes))
    results, plans = list[Result](), list[SpeciesPlan]()
    sharing = dict[tuple[str, float], Allocation]()
    runs_now = sites_now = 0
    for own in classes:
        key, size_class = own.species.key, _lead(own)
        catches = run_catches(survey, own)
        now = catches[catches["season"] == season]
        runs_now, sites_now = len(now), int(now["site"].nunique())
        for name in dict.fromkeys((size_class, "quality" if "quality" in own.bounds_mm else size_class)):
            estimate = runs_needed(now[name], now["effort_h"], relative_error=p.relative_error, level=p.level)
            note = f"for {100 * p.relative_error:g}% either way; {len(now)} runs were made"
            estimate = estimate.noting(note) if estimate.estimable else estimate
            results.append(Result("runs_needed", estimate, season, key, name))
        curve = runs_curve(
            now[size_class], now["effort_h"], rng=rng, relative_error=p.relative_error, level=p.level, resamples=p.resamples
        )
        spread = spread_of_catch(
            catches[size_class], catches["effort_h"], catches["site"], season=catches["season"], level=p.level
        )
        survey_plan = _survey_plan(spread, sites_now, runs_now, _season_scatter(study, survey, own, rng))
        if spread.between_runs.estimable:
            for cost in (0.0, 1.0):
                between = spread.between_sites.value if spread.between_sites.estimable else 0.0
                budget = runs_now + cost * sites_now
                if sites_now >= 2:
                    sharing[key, cost] = allocate_runs(
                        between, spread.between_runs.value, budget=budget, cost_per_site=cost, most_runs_per_site=MOST_REPEATS,
                        level=p.level,
                    )  # fmt: skip
        power = _power(survey_plan, p.level, rng) if survey_plan is not None else None
        found = reported.one(quantity="catch_rate", species=key, size_class=size_class, season=season, site=None)
        weigh, age, aged_now = _bins(study, survey, own)
        plan = SpeciesPlan(
            key, size_class, len(now), found.estimate if found else None, curve, spread, power, survey_plan, weigh, age, aged_now
        )
        plans.append(plan)
        fish = _fish(study, survey, own)
        results += [r for r in (_share_result(study, own, fish, rng), _weigh_result(study, own, fish)) if r is not None]
        results.append(Result("fish_to_age", age.total, season, key, "all"))
        results += _spread_results(plan, season) + _power_results(plan, season)
    return NextSeason(Results(results), tuple(plans), sharing, runs_now, sites_now)
