"""Condition by species and season: length-weight lines, relative weight, condition factor."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy import stats

from fishreport.analysis.classes import LengthClasses, first_passes, later_passes_note, run_clusters
from fishreport.analysis.result import Result, Results
from fishreport.fielddata.survey import Survey
from fishreport.methods.condition import (
    condition_factor,
    mean_relative_weight,
    relative_weight,
    relative_weight_by_category,
    relative_weight_trend,
)
from fishreport.methods.estimate import Estimate
from fishreport.methods.length_weight import LengthWeightComparison, LengthWeightFit, compare_length_weight, fit_length_weight
from fishreport.study import Study


@dataclass(frozen=True)
class SpeciesCondition:
    """Condition of one species in the reported season, as drawn.

    Attributes
    ----------
    key : str
        Species key.
    fit : LengthWeightFit
        The line of the reported season.
    fish : DataFrame
        Its weighed fish of the species' minimum length and longer: ``run_id``, ``length_mm``, ``weight_g``,
        ``relative_weight`` (NaN where the standard does not apply), ``studentised``, ``leverage``, and ``cluster``: its run,
        or the first one of the passes over the same water.
    outliers : DataFrame
        Those whose studentised residual is beyond the 5 % limit of the largest of all (Bonferroni).
    between_seasons, between_sites : LengthWeightComparison | None
        Lines of the seasons, and of this season's sites, compared with runs as clusters; None with fewer than two.
    """

    key: str
    fit: LengthWeightFit
    fish: pd.DataFrame
    outliers: pd.DataFrame
    between_seasons: LengthWeightComparison | None
    between_sites: LengthWeightComparison | None


@dataclass(frozen=True)
class Condition:
    """Condition of all species: results of every season, and the details of the reported one by species key."""

    results: Results
    species: dict[str, SpeciesCondition]


def _weighed(survey: Survey, classes: LengthClasses, cluster: pd.Series) -> pd.DataFrame:
    fish = survey.fish[survey.fish["species_key"] == classes.species.key]
    enough = fish["length_mm"] >= (classes.species.minimum_length_mm or 0.0)
    fish = fish[enough & fish["weight_g"].notna()]
    return fish.assign(cluster=cluster.reindex(fish["run_id"]).to_numpy())


def _line(fish: pd.DataFrame, minimum: int, level: float) -> LengthWeightFit:
    """The line with runs as clusters, or with fish as independent where there are fewer than 3 runs."""
    length, weight, run = (fish[name].to_numpy() for name in ("length_mm", "weight_g", "cluster"))
    runs = run if fish["cluster"].nunique() >= 3 else None
    fit = fit_length_weight(length.astype(float), weight.astype(float), run=runs, level=level)
    if len(fish) >= minimum or not fit.estimable:
        return fit
    reason = f"{len(fish)} weighed fish, {minimum} needed"
    intercept, slope = (
        Estimate.not_estimable(reason, units=e.units, method=e.method, n=e.n, level=level) for e in (fit.intercept, fit.slope)
    )
    return replace(
        fit, intercept=intercept, slope=slope, residual_se=float("nan"), notes=(f"not estimable: {reason}", *fit.notes)
    )


def _season_results(study: Study, own: LengthClasses, season: int, fish: pd.DataFrame) -> list[Result]:
    level, key = study.parameters.level, own.species.key
    fit = _line(fish, study.parameters.minimum_weighed, level)
    found = [
        Result("length_weight_intercept", fit.intercept, season, key, "all"),
        Result("length_weight_slope", fit.slope, season, key, "all"),
    ]
    first = fish[first_passes(fish)]
    notes = later_passes_note(fish)
    length, weight, run = (first[name].to_numpy() for name in ("length_mm", "weight_g", "run_id"))
    stock = "stock" if "stock" in own.bounds_mm else "all"
    inside = own.holds(length.astype(float), stock)
    factor = condition_factor(length[inside], weight[inside], run=run[inside], level=level)
    found.append(Result("condition_factor", factor.noting(*notes), season, key, stock))
    if own.standard is None:
        return found
    for size_class in ["all", *own.categories]:
        low = 0.0 if size_class == "all" else own.bounds_mm[size_class][0]
        estimate = mean_relative_weight(length, weight, own.standard, run=run, lower_mm=low, level=level)
        found.append(Result("relative_weight", estimate.noting(*notes), season, key, size_class))
    length, weight, run = (fish[name].to_numpy() for name in ("length_mm", "weight_g", "cluster"))
    slope = relative_weight_trend(length, weight, own.standard, run=run, level=level)
    found.append(Result("relative_weight_slope", slope, season, key, "all"))
    return found


def _this_season(study: Study, own: LengthClasses, weighed: pd.DataFrame) -> SpeciesCondition:
    level, minimum = study.parameters.level, study.parameters.minimum_weighed
    now = weighed[weighed["season"] == study.season.year]
    fit = _line(now, minimum, level)
    length, weight = now["length_mm"].to_numpy(float), now["weight_g"].to_numpy(float)
    wr = relative_weight(length, weight, own.standard) if own.standard is not None else np.full(len(now), np.nan)
    columns = {"relative_weight": wr, "studentised": fit.studentised, "leverage": fit.leverage}
    fish = now[["row", "run_id", "cluster", "site", "length_mm", "weight_g"]].reset_index(drop=True).assign(**columns)
    limit = stats.t.ppf(1 - 0.025 / max(fit.n, 1), max(fit.n - 3, 1)) if fit.estimable else np.inf
    outliers = fish[fish["studentised"].abs() > limit].sort_values("studentised", key=abs, ascending=False, kind="stable")
    return SpeciesCondition(
        own.species.key, fit, fish, outliers, _compared(weighed, "season", level), _compared(now, "site", level)
    )


def _compared(fish: pd.DataFrame, group: str, level: float) -> LengthWeightComparison | None:
    if fish[group].nunique() < 2:
        return None
    columns = (fish[name].to_numpy() for name in ("length_mm", "weight_g", group))
    length, weight, label = columns
    found = compare_length_weight(length, weight, label, run=fish["cluster"].to_numpy(), level=level)
    return found if found.estimable else None


def condition(study: Study, survey: Survey, classes: list[LengthClasses]) -> Condition:
    """Length-weight lines, relative weight and condition factor of every species and season; runs are clusters.

    Means are of fish of first passes, as catch rates are. Lines, and the slope of relative weight, are of all weighed fish,
    with the passes over the same water on a night as one cluster.

    Fish shorter than the species' ``minimum_length_mm`` are left out: a boat's scale weighs them badly. A line needs
    ``minimum_weighed`` fish.
    """
    results: list[Result] = []
    species = {}
    cluster = run_clusters(survey)
    for own in classes:
        weighed = _weighed(survey, own, cluster)
        for season in survey.seasons:
            results += _season_results(study, own, season, weighed[weighed["season"] == season])
        species[own.species.key] = _this_season(study, own, weighed)
        if own.standard is not None and own.categories:
            now = weighed[weighed["season"] == study.season.year]
            notes = later_passes_note(now)
            now = now[first_passes(now)]
            length, weight, run = (now[name].to_numpy() for name in ("length_mm", "weight_g", "run_id"))
            by_category = relative_weight_by_category(length, weight, own.standard, run=run, level=study.parameters.level)
            for name, estimate in by_category.items():
                if "-" in name and not name.startswith("sub-"):
                    results.append(Result("relative_weight", estimate.noting(*notes), study.season.year, own.species.key, name))
    return Condition(Results(results), species)
