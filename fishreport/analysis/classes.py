"""Length classes of a species: published categories and ranges that the study asks for."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from fishreport.fielddata.survey import Survey
from fishreport.species import Standard, Standards, load_standards
from fishreport.study import SIZE_CLASSES, Species, Study, parse_size_range

LATER_PASSES = "fish of second and later passes are left out"
LATER_RUNS = "runs of second and later passes are left out"


@dataclass(frozen=True)
class LengthClasses:
    """The length classes that one species is reported by.

    Attributes
    ----------
    species : Species
    standard : Standard | None
        The published standard, or None when the study names none.
    bounds_mm : dict[str, tuple[float, float]]
        Class name → lower (inclusive) and upper (exclusive) length; ``all`` has no bounds and also takes fish that were not
        measured; a category reaches from its length upwards.
    """

    species: Species
    standard: Standard | None
    bounds_mm: dict[str, tuple[float, float]] = field(default_factory=dict)

    def holds(self, length_mm: np.ndarray, size_class: str) -> np.ndarray:
        """Which of the lengths (mm) are in the class; an unmeasured fish (NaN) is only in ``all``."""
        length = np.asarray(length_mm, dtype=float)
        if size_class == "all":
            return np.ones(length.shape, dtype=bool)
        low, high = self.bounds_mm[size_class]
        with np.errstate(invalid="ignore"):
            return (length >= low) & (length < high)

    @property
    def published_mm(self) -> dict[str, float]:
        """Published categories, name → lower bound in mm, smallest first; empty without a standard."""
        return {} if self.standard is None else {str(name): bound for name, bound in self.standard.categories.items()}

    @property
    def published_in(self) -> dict[str, float]:
        """The same in inches, as published."""
        return {} if self.standard is None else {str(name): bound for name, bound in self.standard.categories_in.items()}

    @property
    def categories(self) -> list[str]:
        """The published categories that this species has, smallest first."""
        return [name for name in SIZE_CLASSES[1:] if name in self.bounds_mm]


def length_classes(study: Study, species: Species, standards: Standards) -> LengthClasses:
    """Classes of a species: ``all``, its published categories, and the ranges named in the study's objectives."""
    standard = standards.find(species.standard) if species.standard else None
    bounds = {"all": (0.0, np.inf)}
    if standard is not None:
        bounds |= {str(name): (float(low), np.inf) for name, low in standard.categories.items()}
    for objective in study.objectives:
        asked = parse_size_range(objective.size_class)
        if asked and study.find_species(objective.species).key == species.key:
            bounds[objective.size_class] = asked
    return LengthClasses(species, standard, bounds)


def study_classes(study: Study) -> list[LengthClasses]:
    """Length classes of every species of the study, in its order.

    Standards come with the package; a file ``species.toml`` in the study folder adds the study's own.
    """
    standards = load_standards(study.own_standards)
    return [length_classes(study, species, standards) for species in study.species.values()]


def first_passes(rows: pd.DataFrame) -> pd.Series:
    """Which runs, or fish, are of no second or later pass over a removal section: those fish what the first pass left."""
    return rows["pass_number"].isna() | rows["pass_number"].le(1)


def later_passes_note(fish: pd.DataFrame) -> tuple[str, ...]:
    """The note on an estimate that leaves out `fish` of second and later passes; none where there are no such fish."""
    return (LATER_PASSES,) * bool((~first_passes(fish)).any())


def later_runs_note(runs: pd.DataFrame) -> tuple[str, ...]:
    """The note on an estimate that leaves out `runs` of second and later passes; none where there are no such runs."""
    return (LATER_RUNS,) * bool((~first_passes(runs)).any())


def run_clusters(survey: Survey) -> pd.Series:
    """Cluster of each run: the run itself, but one for all passes over the same water on a night.

    Passes follow each other in the same order, so that the first run of every pass at a site is the same stretch, and so on.
    Where passes of a site and night have unequal numbers of runs, all of them are one cluster.

    Returns
    -------
    Series
        ``run_id`` → name of the cluster, which is that of its first run.
    """
    runs = survey.runs
    cluster = pd.Series(runs["run_id"].to_numpy(), index=runs["run_id"].to_numpy(), copy=True)
    for _, there in runs[runs["pass_number"].notna()].groupby(["season", "site", "date"]):
        per_pass = there.groupby("pass_number").size()
        if len(per_pass) < 2:
            continue
        place = there.groupby("pass_number").cumcount() if per_pass.nunique() == 1 else pd.Series(0, index=there.index)
        cluster[there["run_id"].to_numpy()] = there.groupby(place)["run_id"].transform("first").to_numpy()
    return cluster


def run_catches(survey: Survey, classes: LengthClasses) -> pd.DataFrame:
    """Catch of a species by run and class.

    Second and later passes over a removal section are left out: they fish what the first pass left.

    Returns
    -------
    DataFrame
        All other runs of the survey, in order, with ``run_id``, ``season``, ``site``, ``reach``, ``effort_h`` and one integer
        column a class. A run without such a fish has zeros.
    """
    columns = ["run_id", "season", "site", "reach", "effort_h"]
    runs = survey.runs.loc[first_passes(survey.runs), columns].reset_index(drop=True)
    fish = survey.fish[survey.fish["species_key"] == classes.species.key]
    length = fish["length_mm"].to_numpy(dtype=float)
    position = pd.Index(runs["run_id"]).get_indexer(fish["run_id"])
    for name in classes.bounds_mm:
        inside = classes.holds(length, name) & (position >= 0)
        runs[name] = np.bincount(position[inside], minlength=len(runs))
    return runs
