"""The reader's own study, opened for a lesson: its checked data, and the species that is looked at."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import pandas as pd

from fishreport.analysis.classes import LengthClasses, study_classes
from fishreport.exceptions import UsageError
from fishreport.fielddata import load_survey
from fishreport.fielddata.survey import Survey
from fishreport.study import Study, read_study


@dataclass(frozen=True)
class OwnStudy:
    """A study with one of its species.

    Attributes
    ----------
    study : Study
    survey : Survey
    classes : LengthClasses
        Of the chosen species.
    species : tuple[str, ...]
        Names of all species that it might be.
    """

    study: Study
    survey: Survey
    classes: LengthClasses
    species: tuple[str, ...]

    @property
    def key(self) -> str:
        """Key of the chosen species."""
        return self.classes.species.key

    @property
    def season(self) -> int:
        """The season that the study reports."""
        return self.study.season.year

    @property
    def name(self) -> str:
        """Species, water and season, for captions."""
        return f"{self.classes.species.name} of {self.study.water.name}, {self.season}"

    @property
    def fish(self) -> pd.DataFrame:
        """Fish of the species that the first pass of each run took in the season."""
        fish = self.survey.fish_of(self.key, season=self.season)
        return fish[fish["pass_number"].isna() | fish["pass_number"].le(1)]


@lru_cache(maxsize=4)
def _read(folder: Path) -> tuple[Study, Survey, tuple[LengthClasses, ...]]:
    study = read_study(folder)
    return study, load_survey(study), tuple(study_classes(study))


def open_own_study(path: str | Path, *, species: str = "") -> OwnStudy:
    """Open a study for the lessons.

    Parameters
    ----------
    path : str or Path
        The study's folder or its study.toml.
    species : str
        Name, key or code of the species; the one with the most fish in the season otherwise.

    Raises
    ------
    UsageError
        If the study has no such species. What is wrong with the study or its data raises as it does in a build.
    """
    study, survey, classes = _read(Path(path).expanduser().resolve())
    names = tuple(one.species.name for one in classes)
    if species:
        code = {code: one.key for code, one in study.species.items()}
        found = [one for one in classes if species in (one.species.name, one.species.key) or code.get(species) == one.species.key]
        if not found:
            raise UsageError(f"the study's species are {', '.join(names)}; got {species!r}")
        return OwnStudy(study, survey, found[0], names)
    caught = survey.fish.loc[survey.fish["season"] == study.season.year, "species_key"].value_counts()
    lead = max(classes, key=lambda one: int(caught.get(one.species.key, 0)))
    return OwnStudy(study, survey, lead, names)
