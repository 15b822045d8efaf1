"""Ages of a species: one reading a fish, agreement of readers, keys, and numbers at age of every season."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from fishreport.analysis.classes import LengthClasses, first_passes
from fishreport.analysis.result import Result, Results
from fishreport.fielddata.survey import Survey
from fishreport.methods.age_composition import AgeComposition, numbers_at_age
from fishreport.methods.age_key import THIN_BIN
from fishreport.methods.age_reading import ReaderAgreement, reader_agreement
from fishreport.methods.mortality_seasons import pool_seasons
from fishreport.study import Study

AGED_FOR_A_KEY = 60
"""Aged fish that a season's key should rest on; with fewer the seasons next to it are added (common practice, no source)."""

KEY_REPLICATES = 100
"""Draws of the key that give the variance it adds to mortality; that needs far fewer than the limits of an interval."""

LEAST_PAIRS = 5
"""Fish read twice below which the agreement of readers is not shown (common practice, no source)."""


@dataclass(frozen=True)
class SeasonAges:
    """Numbers at age in the catch of one season, or of several together.

    Attributes
    ----------
    season : int
        The season, or the last of several.
    composition : AgeComposition
        Of the reported season both stages, runs and aged fish, are drawn again for its limits; else
        the aged fish alone.
    key_replicates : array (resamples, ages)
        Numbers at age that differ by the draw of the key alone.
    key_seasons : tuple[int, ...]
        Seasons whose aged fish make the key.
    counts : array (ages,)
        Numbers at age; of several seasons, each season's catch per hour weighing the same.
    """

    season: int
    composition: AgeComposition
    key_replicates: np.ndarray = field(repr=False)
    key_seasons: tuple[int, ...]
    counts: np.ndarray

    @property
    def ages(self) -> np.ndarray:
        """Whole ages (years)."""
        return self.composition.ages

    @property
    def estimable(self) -> bool:
        """True when there are numbers at age."""
        return self.composition.n > 0

    @property
    def notes(self) -> tuple[str, ...]:
        """Which seasons made the key, and what the key says of itself."""
        borrowed = len(self.key_seasons) > 1
        where = f"the key is of the fish aged in {_listed(self.key_seasons)}, since a season has too few by itself"
        return ((where,) if borrowed else ()) + self.composition.notes


@dataclass(frozen=True)
class Readers:
    """Two readers over the same fish: their names, what they read (``first``, ``second``), and how they agree."""

    names: tuple[str, str]
    pairs: pd.DataFrame
    agreement: ReaderAgreement


def _listed(seasons: tuple[int, ...]) -> str:
    runs = np.split(np.array(seasons), np.flatnonzero(np.diff(seasons) > 1) + 1)
    return ", ".join(str(part[0]) if part.size == 1 else f"{part[0]} to {part[-1]}" for part in runs)


def aged_fish(survey: Survey, species_key: str) -> pd.DataFrame:
    """One row an aged fish with its age by the reader who read most of them, or by another where that one did not.

    Returns
    -------
    DataFrame
        ``age`` (whole years), ``length_mm``, ``season``, ``run_id``, ``reader``, ``radius_mm``, ``increments_mm``; fish without
        age or length are left out.
    """
    ages = survey.ages[survey.ages["species_key"] == species_key]
    ages = ages[ages["age_years"].notna() & ages["length_mm"].notna()]
    rank = ages["reader"].map(ages["reader"].value_counts())
    names = ages["age_sample"].astype(object).where(ages["age_sample"].ne(""), "row " + ages["row"].astype(str))
    order = ages.assign(_rank=rank.to_numpy(), _fish=names).sort_values(["_rank", "row"], ascending=[False, True], kind="stable")
    first = order.drop_duplicates("_fish").sort_values("row", kind="stable")
    columns = ["season", "run_id", "length_mm", "reader", "radius_mm", "increments_mm"]
    return first[columns].assign(age=np.floor(first["age_years"].to_numpy(float))).reset_index(drop=True)


def readers(survey: Survey, species_key: str, *, level: float) -> Readers | None:
    """The two readers with the most fish in common, or None with fewer than 5 such fish."""
    ages = survey.ages[(survey.ages["species_key"] == species_key) & survey.ages["age_years"].notna()]
    ages = ages[ages["reader"].ne("") & ages["age_sample"].ne("")]
    table = ages.pivot_table(index="age_sample", columns="reader", values="age_years", aggfunc="first")
    if table.shape[1] < 2:
        return None
    read = table.notna().sum()
    chosen = [str(name) for name in read.sort_values(ascending=False, kind="stable").index]
    both = table[chosen[:2]].dropna()
    if len(both) < LEAST_PAIRS:
        return None
    pairs = pd.DataFrame(np.floor(both.to_numpy(float)), columns=["first", "second"])
    agreement = reader_agreement(pairs["first"], pairs["second"], level=level)
    return Readers((chosen[0], chosen[1]), pairs, agreement)


def first_pass_fish(survey: Survey, species_key: str) -> pd.DataFrame:
    """Measured fish of a species that were not taken in a second or later pass: those fish what the first left."""
    fish = survey.fish_of(species_key)
    first = first_passes(fish)
    return fish[first & fish["length_mm"].notna()]


def key_seasons(aged: pd.DataFrame, season: int) -> tuple[int, ...]:
    """The season and as many of the nearest ones, the earlier first, as give 60 aged fish; all where even they do not."""
    count = aged.groupby("season").size()
    nearest = sorted((int(year) for year in count.index), key=lambda year: (abs(year - season), year))
    chosen: list[int] = []
    for year in nearest:
        if chosen and int(count[chosen].sum()) >= AGED_FOR_A_KEY:
            break
        chosen.append(year)
    return tuple(sorted(chosen))


def _composition(
    study: Study, fish: pd.DataFrame, key: pd.DataFrame, rng: np.random.Generator, *, limits: bool
) -> tuple[AgeComposition, np.ndarray]:
    """Numbers at age, and replicates in which the key alone is drawn again; with `limits` both stages are for the first."""
    p = study.parameters
    length, run = fish["length_mm"].to_numpy(float), fish["run_id"].to_numpy()
    aged_length, age = key["length_mm"].to_numpy(float), key["age"].to_numpy(float)
    in_bins = np.bincount(np.floor(aged_length / p.bin_mm + 1e-9).astype(int))
    caught = np.unique(np.floor(length / p.bin_mm + 1e-9).astype(int))
    aged_there = np.array([in_bins[b] if b < in_bins.size else 0 for b in caught])
    smooth = bool((aged_there < THIN_BIN).any())

    def drawn(unit: np.ndarray, resamples: int) -> AgeComposition:
        return numbers_at_age(
            length, aged_length, age, bin_mm=p.bin_mm, rng=rng, smooth=smooth, run=unit, resamples=resamples, level=p.level
        )

    alone = drawn(np.zeros(length.size), KEY_REPLICATES)  # one unit drawn again is itself: the sample stays as it is
    return (drawn(run, p.resamples) if limits else alone), alone.replicates


def _too_few(study: Study, aged: pd.DataFrame) -> str:
    least = study.parameters.minimum_aged
    return f"{len(aged)} aged fish, {least} needed" if len(aged) < least else ""


def season_ages(
    study: Study, survey: Survey, own: LengthClasses, season: int, rng: np.random.Generator, *, limits: bool = True
) -> SeasonAges | None:
    """Numbers at age in the first-pass catch of a season, or None with too few aged fish or no measured catch.

    The key is of the season's own aged fish, or with fewer than 60 of those of the seasons next to it as well, and smoothed
    where a length bin of the catch has fewer than 5 aged fish. The numbers of the reported season have
    limits unless `limits` is False.
    """
    aged = aged_fish(survey, own.species.key)
    fish = first_pass_fish(survey, own.species.key)
    fish = fish[fish["season"] == season]
    if _too_few(study, aged) or fish.empty:
        return None
    seasons = key_seasons(aged, season)
    own_key = aged[aged["season"].isin(seasons)]
    composition, alone = _composition(study, fish, own_key, rng, limits=limits and season == study.season.year)
    return SeasonAges(season, composition, alone, seasons, composition.counts)


def pooled_ages(
    study: Study, survey: Survey, own: LengthClasses, seasons: tuple[int, ...], rng: np.random.Generator
) -> SeasonAges | None:
    """Numbers at age of several seasons together by one key; each season's catch per hour weighs the same."""
    aged = aged_fish(survey, own.species.key)
    aged = aged[aged["season"].isin(seasons)]
    fish = first_pass_fish(survey, own.species.key)
    fish = fish[fish["season"].isin(seasons)]
    if _too_few(study, aged) or fish.empty:
        return None
    composition, alone = _composition(study, fish, aged, rng, limits=False)
    key, rows = composition.key, []
    hours = effort_hours(survey)
    for season, part in fish.groupby("season"):
        shares = key.shares(part["length_mm"].to_numpy(float))
        known = np.isfinite(shares).all(axis=1)
        rows += [(season, age, n, hours[season]) for age, n in zip(key.ages, shares[known].sum(axis=0), strict=True)]
    season_of, age, count, effort = (np.array(column, float) for column in zip(*rows, strict=True))
    ages, counts = pool_seasons(season_of, age, count, effort=effort)
    assert np.array_equal(ages, key.ages)
    return SeasonAges(max(seasons), composition, alone, tuple(sorted(set(aged["season"].astype(int)))), counts)


def effort_hours(survey: Survey) -> pd.Series:
    """Hours of current of all first passes, by season."""
    first = first_passes(survey.runs)
    return survey.runs[first].groupby("season")["effort_h"].sum()


def age_results(ages: SeasonAges, species_key: str) -> Results:
    """Numbers at age of a season as results, one an age."""
    found = []
    for age, estimate in zip(ages.ages, ages.composition.numbers, strict=True):
        if estimate.estimable and estimate.value > 0:
            noted = estimate.noting(*ages.notes)
            found.append(Result("number_at_age", noted, ages.season, species_key, "all", detail=f"age {int(age)}"))
    return Results(found)
