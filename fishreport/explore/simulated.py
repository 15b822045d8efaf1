"""One season of a simulated water, as the lessons sample it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from fishreport.simulate import SimulatedSurvey, light_spec, simulate_survey

SPECIES, SEASON = "BNT", 2016
EVERY_FISH = 10_000


def season_survey(
    rng: np.random.Generator, *, changes: dict[str, Any] | None = None, fished: float = 0.8, **options: Any
) -> SimulatedSurvey:
    """A survey of one season of brown trout with constant rates.

    Parameters
    ----------
    rng : Generator
    changes : dict, optional
        Fields of the species to change, such as ``length_at_half``.
    fished : float
        Share of the water that the sites take up; smaller for sites that stand for a water much larger than they are.
    **options
        Of `light_spec`, such as ``fish`` or ``total_mortality``.
    """
    spec = light_spec(**options)
    if fished != 0.8:
        longer, species = 0.8 / fished, spec.species[0]
        species = replace(species, recruits=species.recruits * longer)
        spec = replace(spec, species=(species,), site_length_km=spec.site_length_km / longer)
    if changes:
        spec = replace(spec, species=(replace(spec.species[0], **changes),))
    return simulate_survey(spec, rng=rng)


def catch_by_run(survey: SimulatedSurvey) -> pd.DataFrame:
    """One row a run: ``run_id``, ``site``, ``effort_h`` and ``catch``."""
    runs = survey.runs[["run_id", "site"]].assign(effort_h=survey.runs["effort_s"] / 3600)
    caught = survey.fish.groupby("run_id")["count"].sum()
    return runs.assign(catch=caught.reindex(runs["run_id"], fill_value=0).to_numpy())


def measured(survey: SimulatedSurvey) -> pd.DataFrame:
    """One row a measured fish: ``run_id``, ``length_mm``, ``weight_g``."""
    fish = survey.fish[survey.fish["length_mm"].notna()]
    return fish[["run_id", "length_mm", "weight_g"]].reset_index(drop=True)


def aged(survey: SimulatedSurvey) -> pd.DataFrame:
    """One row an aged fish: ``age`` and ``length_mm``."""
    joined = survey.ages[["age_sample", "age_years"]].merge(survey.fish[["age_sample", "length_mm"]], on="age_sample")
    return joined.rename(columns={"age_years": "age"})[["age", "length_mm"]].astype(float)


def some(frame: pd.DataFrame, number: int, rng: np.random.Generator) -> pd.DataFrame:
    """That many rows at random, or all where there are fewer."""
    if len(frame) <= number:
        return frame.reset_index(drop=True)
    return frame.iloc[np.sort(rng.permutation(len(frame))[:number])].reset_index(drop=True)
