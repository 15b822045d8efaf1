"""Standardised catch rates: what every season would have given at the same sites, and how that differs from the plain mean."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from scipy import stats

from fishreport.analysis.classes import LengthClasses, run_catches
from fishreport.analysis.result import Result, Results
from fishreport.fielddata.survey import Survey
from fishreport.methods.catch_index import standardised_index
from fishreport.methods.catch_model import CatchModel, fit_catch_model
from fishreport.methods.estimate import Estimate
from fishreport.methods.inputs import FloatArray
from fishreport.study import Study

QUANTITY = "standardised_catch_rate"
CLASSES = ("stock", "quality")


@dataclass(frozen=True)
class StandardisedIndex:
    """The catch rate of one species and class by season, as if every season had been fished at the same sites.

    Attributes
    ----------
    species, size_class : str
    model : CatchModel
        Of season and site (or of season and reach, where no site was fished in two seasons).
    index : dict[int, Estimate]
        Season → fish/h.
    place : str
        ``site``, ``reach`` or empty: the term beside the season.
    residuals : array
        Randomised quantile residuals of the runs fitted; empty without a model.
    missed : dict[int, tuple[str, ...]]
        Season → sites of the model that were not fished then; seasons without any are absent.
    shift : dict[int, float]
        Season → percent by which leaving out those sites alone would move the plain mean.
    notes : tuple[str, ...]
    """

    species: str
    size_class: str
    model: CatchModel
    index: dict[int, Estimate]
    place: str
    residuals: FloatArray = field(repr=False)
    missed: dict[int, tuple[str, ...]]
    shift: dict[int, float]
    notes: tuple[str, ...] = ()

    @property
    def normality(self) -> float:
        """p of a Kolmogorov-Smirnov test of the residuals against the standard normal; NaN without a model."""
        return float(stats.kstest(self.residuals, "norm").pvalue) if self.residuals.size else math.nan

    @property
    def strained(self) -> tuple[str, ...]:
        """How the model fails its checks; empty when it does not.

        Zero runs more than two standard deviations from what the model expects, Pearson residuals spread more than half as much
        again as they should, or quantile residuals with p below 0.01 as normal ones (common practice, no source).
        """
        found = []
        if abs(self.model.zeros_z) > 2:
            more = "more" if self.model.zeros_z > 0 else "fewer"
            found.append(f"{more} runs without a fish than it expects")
        if self.model.pearson_dispersion > 1.5:
            found.append("catches scatter more than it allows for")
        if self.normality < 0.01:
            found.append("its residuals are not normal")
        return tuple(found)


def reach_lengths(study: Study) -> dict[str, float]:
    """Length (km) of each reach of the study; empty when fewer than two are named or a length is missing."""
    lengths = {stratum.reach: stratum.length_km for stratum in study.water.strata}
    if len(lengths) < 2 or any(length is None for length in lengths.values()):
        return {}
    return {reach: float(length or 0.0) for reach, length in lengths.items()}


def _fixed_sites(runs: pd.DataFrame) -> list[str]:
    """Sites fished in two seasons or more: only they tell seasons from sites."""
    seasons = runs[runs["site"].astype(str) != ""].groupby("site")["season"].nunique()
    return sorted(str(site) for site in seasons[seasons >= 2].index)


def _mix(runs: pd.DataFrame, place: str, lengths: dict[str, float]) -> tuple[pd.DataFrame, FloatArray]:
    """One row a place, weighted by the length of river that it stands for; equally where lengths are not known."""
    if not place:
        return pd.DataFrame(index=range(1)), np.ones(1)
    reach = runs.groupby(place)["reach"].agg(lambda names: names.mode().iloc[0])
    mix = pd.DataFrame({place: reach.index, "reach": reach.to_numpy()})
    if not lengths or not set(mix["reach"]) <= set(lengths):
        return mix, np.ones(len(mix))
    share = mix["reach"].map(lengths) / mix.groupby("reach")["reach"].transform("size")
    return mix, share.to_numpy(dtype=float)


def _chosen(runs: pd.DataFrame) -> tuple[pd.DataFrame, str, tuple[str, ...]]:
    fixed = _fixed_sites(runs)
    kept = runs[runs["site"].isin(fixed)]
    if len(kept) * 2 >= len(runs) and len(kept):
        lost = len(runs) - len(kept)
        notes = (f"{lost} run{'' if lost == 1 else 's'} at sites fished in one season only left out",) if lost else ()
        return kept, "site", notes
    note = "too few sites were fished in two seasons or more to tell seasons from sites"
    reaches = runs.groupby("reach")["season"].nunique()
    if len(reaches) > 1 and "" not in reaches.index and (reaches >= 2).all():
        return runs, "reach", (note,)
    return runs, "", (note,)


def _moved_by_missing(model: CatchModel, mix: pd.DataFrame, weight: FloatArray, missed: tuple[str, ...]) -> float:
    """Percent by which the mean over the sites fished lies above the mean over all, by the model's site effects."""
    effect = {name: e.value for name, e in model.coefficients.items() if name.startswith("site[")}
    empty = {str(label) for term in model.terms for label in term.empty}
    rate = np.array(
        [0.0 if site in empty else math.exp(min(effect.get(f"site[{site}]", 0.0), 700)) for site in mix["site"].astype(str)]
    )
    seen = ~mix["site"].isin(missed).to_numpy()
    whole = float(weight @ rate)
    if not seen.any() or whole <= 0:
        return math.nan
    left = pd.DataFrame({"reach": mix["reach"].to_numpy(), "weight": weight, "rate": rate, "seen": seen})
    total = left.groupby("reach")["weight"].sum()
    by_reach = left[left["seen"]].groupby("reach")["rate"].mean()
    if len(by_reach) < len(total) or (weight == weight[0]).all():
        return 100 * (float(rate[seen].mean()) * float(weight.sum()) / whole - 1)
    return 100 * (float((by_reach * total).sum()) / whole - 1)


def standardised(
    study: Study, survey: Survey, own: LengthClasses, size_class: str, rng: np.random.Generator
) -> StandardisedIndex:
    """The standardised index of one species and class.

    Negative binomial model of the catch of a run with season and site as factors and effort as offset; runs of a site in a
    season are one cluster. The index is the mean over all sites fished in two seasons or more, each weighted by the length of
    river that it stands for, where the study gives the lengths of its reaches.
    """
    runs, place, notes = _chosen(run_catches(survey, own))
    terms = ["season", place] if place else ["season"]
    level = study.parameters.level
    model = fit_catch_model(runs, catch=size_class, terms=terms, cluster=["site", "season"], level=level)
    mix, weight = _mix(runs, place, reach_lengths(study))
    index = {int(season): e for season, e in standardised_index(model, mix, weight=weight).items()}
    missed, shift = dict[int, tuple[str, ...]](), dict[int, float]()
    if place == "site":
        every = set(mix["site"])
        for season, part in runs.groupby("season"):
            lacking = tuple(sorted(every - set(part["site"])))
            if lacking and model.estimable:
                missed[int(str(season))] = lacking
                shift[int(str(season))] = _moved_by_missing(model, mix, weight, lacking)
    residuals = model.quantile_residuals(rng) if model.estimable else np.empty(0)
    return StandardisedIndex(own.species.key, size_class, model, index, place, residuals, missed, shift, notes)


def standardised_indices(
    study: Study, survey: Survey, classes: list[LengthClasses], rng: np.random.Generator
) -> list[StandardisedIndex]:
    """Standardised indices of every species, for stock and quality length (all lengths where no category is published)."""
    found = []
    for own in classes:
        for name in [name for name in CLASSES if name in own.bounds_mm] or ["all"]:
            found.append(standardised(study, survey, own, name, rng))
    return found


def index_results(indices: list[StandardisedIndex]) -> Results:
    """The indices as results, season by season."""
    return Results(
        Result(QUANTITY, e.noting(*one.notes, *one.model.notes), season, one.species, one.size_class)
        for one in indices
        for season, e in one.index.items()
    )
