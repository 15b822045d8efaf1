"""Size structure by species and season: shares by published length category, mean length, length-frequency."""

from __future__ import annotations

import numpy as np
import pandas as pd

from fishreport.analysis.classes import LengthClasses, first_passes, later_passes_note
from fishreport.analysis.result import Result, Results
from fishreport.fielddata.survey import Survey
from fishreport.methods.length_distribution import LengthComparison, compare_lengths, length_frequency, mean_length
from fishreport.methods.size_structure import incremental_indices, size_indices
from fishreport.study import Study


def _by_season(survey: Survey, classes: LengthClasses) -> list[tuple[int, pd.DataFrame, tuple[str, ...]]]:
    """Season, its fish of first passes, and the note on those left out."""
    own = survey.fish_of(classes.species.key)
    groups = dict(list(own.groupby("season")))
    found = []
    for season in survey.seasons:
        fish = groups.get(season, own.iloc[:0])
        found.append((season, fish[first_passes(fish)], later_passes_note(fish)))
    return found


def size_structure(study: Study, survey: Survey, classes: list[LengthClasses]) -> Results:
    """Proportional size by category, and the mean length of stock fish, by species and season; runs are clusters.

    Like catch rates, from runs that are no second or later pass over a removal section.
    """
    level = study.parameters.level
    found = []
    for own in classes:
        for season, fish, notes in _by_season(survey, own):
            length, run = fish["length_mm"].to_numpy(float), fish["run_id"].to_numpy()
            if own.standard is not None and len(own.categories) > 1:
                for name, estimate in size_indices(length, own.published_mm, run=run, level=level).items():
                    found.append(Result("proportional_size", estimate.noting(*notes), season, own.species.key, name))
            size_class = "stock" if "stock" in own.bounds_mm else "all"
            inside = own.holds(length, size_class)
            estimate = mean_length(length[inside], run=run[inside], level=level)
            found.append(Result("mean_length", estimate.noting(*notes), season, own.species.key, size_class))
    return Results(found)


def class_shares(study: Study, survey: Survey, classes: list[LengthClasses]) -> Results:
    """Share of this season's stock fish in each category, with limits that hold for all categories together."""
    found = []
    for own in classes:
        if own.standard is None or len(own.categories) < 2:
            continue
        _, fish, notes = next(item for item in _by_season(survey, own) if item[0] == study.season.year)
        shares = incremental_indices(
            fish["length_mm"].to_numpy(float), own.published_mm, run=fish["run_id"].to_numpy(), simultaneous=True,
            level=study.parameters.level,
        )  # fmt: skip
        for name, estimate in shares.items():
            found.append(Result("size_class_share", estimate.noting(*notes), study.season.year, own.species.key, name))
    return Results(found)


def frequencies(study: Study, survey: Survey, classes: LengthClasses, seasons: list[int]) -> pd.DataFrame:
    """Length-frequency of a species in several seasons: the columns of `length_frequency` and ``season``."""
    tables = []
    for season, fish, _ in _by_season(survey, classes):
        if season in seasons:
            table = length_frequency(
                fish["length_mm"].to_numpy(float), bin_mm=study.parameters.bin_mm, run=fish["run_id"].to_numpy(),
                level=study.parameters.level,
            )  # fmt: skip
            tables.append(table.assign(season=season))
    return pd.concat(tables, ignore_index=True)


def compared_with_before(
    study: Study, survey: Survey, classes: LengthClasses, rng: np.random.Generator
) -> tuple[int, LengthComparison] | None:
    """This season's length distribution against that of the season sampled before it; None without one."""
    earlier = [season for season in survey.seasons if season < study.season.year]
    if not earlier or study.season.year not in survey.seasons:
        return None
    fish = survey.fish_of(classes.species.key)
    fish = fish[first_passes(fish) & fish["season"].isin([earlier[-1], study.season.year]) & fish["length_mm"].notna()]
    if fish["season"].nunique() < 2:
        return None
    found = compare_lengths(
        fish["length_mm"].to_numpy(float), fish["season"].to_numpy(), run=fish["run_id"].to_numpy(), rng=rng,
        resamples=study.parameters.resamples,
    )  # fmt: skip
    return earlier[-1], found
