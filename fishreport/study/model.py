"""The study file ``study.toml`` as a typed model."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from pydantic import Field, PrivateAttr, model_validator

from fishreport.exceptions import StudyError
from fishreport.study.names import species_key
from fishreport.study.sections import (
    Data,
    ElectrofishingReference,
    Event,
    Objective,
    Parameters,
    Report,
    Scenario,
    Season,
    Section,
    SetAsides,
    Species,
    Water,
)


class Study(Section):
    """A study: one water, its data, its plan, and how it is reported."""

    water: Water
    season: Season
    data: Data = Data()
    species: dict[str, Species] = Field(min_length=1)
    objectives: tuple[Objective, ...] = ()
    scenarios: tuple[Scenario, ...] = ()
    events: tuple[Event, ...] = ()
    parameters: Parameters = Parameters()
    report: Report = Report()
    set_aside: SetAsides = SetAsides()
    electrofishing: ElectrofishingReference | None = None

    _folder: Path = PrivateAttr(default=Path())
    _given: dict[str, Any] = PrivateAttr(default_factory=dict)
    _overrides: dict[str, Any] = PrivateAttr(default_factory=dict)
    _written_year: int | None = PrivateAttr(default=None)

    @property
    def folder(self) -> Path:
        """Absolute path of the study folder."""
        return self._folder

    @property
    def own_standards(self) -> Path | None:
        """The study's own file of species standards, ``species.toml`` beside the study file, where there is one."""
        path = self._folder / "species.toml"
        return path if path.is_file() else None

    @property
    def overrides(self) -> dict[str, Any]:
        """Settings changed on the command line, dotted key to value."""
        return dict(self._overrides)

    @property
    def written_year(self) -> int:
        """Season that the file names, also where the command line reports another one."""
        return self.season.year if self._written_year is None else self._written_year

    def find_species(self, text: str) -> Species:
        """The species with that code, name or key; StudyError if there is none."""
        for code, species in self.species.items():
            if text in (code, species.name, species.key) or species_key(text) == species.key:
                return species
        known = ", ".join(f"{code} ({species.name})" for code, species in self.species.items())
        raise StudyError(f"no species {text!r}; the study names {known}", "study.toml")

    @model_validator(mode="after")
    def _consistent(self) -> Study:
        keys = [species.key for species in self.species.values()]
        if len(set(keys)) < len(keys):
            raise ValueError("two species have the same name, or names that differ in signs and case only")
        names = [scenario.name for scenario in self.scenarios]
        if len(set(names)) < len(names):
            raise ValueError("two scenarios have the same name")
        for kind in ("objectives", "scenarios"):
            for item in getattr(self, kind):
                if item.species is not None:
                    try:
                        self.find_species(item.species)
                    except StudyError as error:
                        raise ValueError(f"{kind}: {error.message}") from None
        return self
