"""The study file ``study.toml`` as a typed model: every key is typed, documented and checked."""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, PrivateAttr, ValidationError, field_validator, model_validator

from fishreport.exceptions import StudyError

SIZE_CLASSES = ("all", "stock", "quality", "preferred", "memorable", "trophy")
_RANGE = re.compile(r"^\s*(\d+(?:\.\d+)?)?\s*-\s*(\d+(?:\.\d+)?)?\s*mm\s*$")

Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Share = Annotated[float, Field(ge=0, le=1)]
Finite = Annotated[float, Field(allow_inf_nan=False)]
Month = Annotated[int, Field(ge=1, le=12)]


def species_key(name: str) -> str:
    """``"Brown trout"`` → ``"brown_trout"``."""
    return re.sub(r"[^a-z0-9]+", "_", name.casefold()).strip("_") or "species"


def parse_size_range(text: str) -> tuple[float, float] | None:
    """Lower (inclusive) and upper (exclusive) bound in mm of ``"330-610 mm"``, ``"-330 mm"``, ``"610- mm"``, or None."""
    found = _RANGE.match(text)
    if not found or found.group(1) is found.group(2) is None:
        return None
    low = float(found.group(1)) if found.group(1) else 0.0
    high = float(found.group(2)) if found.group(2) else float("inf")
    return (low, high) if low < high else None


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, str_strip_whitespace=True)


class Stratum(_Model):
    """A reach that catch rates are stratified by."""

    reach: str = Field(min_length=1, description="name as in the column `reach` of the runs table")
    length_km: Positive | None = Field(None, description="length of the reach (km); weights of the strata")


class Water(_Model):
    """The water that the study is about."""

    name: str = Field(min_length=1)
    kind: str = "tailwater"
    region: str = ""
    length_km: Positive | None = Field(None, description="length of the fishery (km), for fish per km")
    width_m: Positive | None = Field(None, description="mean wetted width (m), for fish per hectare")
    strata: tuple[Stratum, ...] = ()


class Season(_Model):
    """The reported season; all earlier seasons in the data are history."""

    year: int = Field(ge=1900, le=2200)
    months: tuple[Month, ...] = Field((), description="months of the standard survey; empty takes every run of the year")


class Data(_Model):
    """Where the field data lie: files inside the study folder only."""

    runs: str = "runs.csv"
    fish: str = "fish.csv"
    ages: str | None = None
    stocking: str | None = None
    flow: str | None = None
    harvest: str | None = None
    census: str | None = None
    workbook: str | None = Field(None, description="an .xlsx with one sheet a table; then the names above are sheets")


class Spread(_Model):
    """A value given by hand with its spread."""

    value: Finite
    se: NotNegative = 0.0


class LifeHistoryInput(_Model):
    """Vital rates given by hand, for a study that cannot estimate them; each takes precedence over an estimate."""

    asymptotic_length_mm: Spread | None = None
    growth_coefficient: Spread | None = Field(None, description="per year")
    age_at_zero: Spread | None = Field(None, description="years")
    length_cv: Positive | None = Field(None, description="coefficient of variation of length at age")
    natural_mortality: Spread | None = Field(None, description="instantaneous, per year")
    fishing_mortality: Spread | None = Field(None, description="instantaneous, per year, of fish open to harvest today")
    age_at_maturity: Positive | None = Field(None, description="years")
    length_at_maturity_mm: Positive | None = None
    maximum_age: Positive | None = Field(None, description="years")
    recruitment: Literal["density independent", "beverton-holt", "ricker"] = "beverton-holt"
    steepness: Annotated[float, Field(gt=0.2, lt=5)] = 0.7
    recruitment_sd: NotNegative = Field(0.5, description="standard deviation of log recruitment")
    recruitment_autocorrelation: Annotated[float, Field(ge=0, lt=1)] = 0.0
    density_per_km: Spread | None = Field(None, description="fish per km of stock length and longer today")
    source: str = Field("", description="where these values come from")


class Species(_Model):
    """A species that the report covers."""

    name: str = Field(min_length=2)
    standard: str | None = Field(None, description="name of the standard in species.toml, such as 'brown trout (lotic)'")
    minimum_length_mm: Positive | None = Field(None, description="shorter fish are not fully caught; left out of weights")
    maximum_length_mm: Positive | None = Field(None, description="longer is doubted by the checks")
    origin: Literal["wild", "stocked", "mixed"] = "wild"
    life_history: LifeHistoryInput = LifeHistoryInput()

    @property
    def key(self) -> str:
        """Key of the species in results, such as ``brown_trout``."""
        return species_key(self.name)


QUANTITIES = (
    "catch_rate",
    "proportional_size",
    "relative_weight",
    "condition_factor",
    "handling_mortality",
    "population_size",
    "density_per_km",
    "total_mortality",
    "annual_survival",
    "natural_mortality",
    "fishing_mortality",
    "growth_asymptotic_length",
    "growth_coefficient",
    "mean_length",
    "trend_per_year",
)


class Objective(_Model):
    """An objective of the management plan."""

    quantity: str
    species: str = Field(description="code or name of a species of the study")
    size_class: str = "all"
    at_least: Finite | None = None
    at_most: Finite | None = None
    between: tuple[Finite, Finite] | None = None
    over_years: int = Field(1, ge=1, le=50, description="mean of that many seasons up to the reported one")
    name: str = ""
    source: str = Field("", description="where the plan says so")

    @field_validator("quantity")
    @classmethod
    def _known(cls, value: str) -> str:
        if value not in QUANTITIES:
            near = difflib.get_close_matches(value, QUANTITIES, n=1)
            hint = f"; did you mean {near[0]!r}?" if near else ""
            raise ValueError(f"quantity must be one of {', '.join(QUANTITIES)}, not {value!r}{hint}")
        return value

    @field_validator("size_class")
    @classmethod
    def _class(cls, value: str) -> str:
        if value not in SIZE_CLASSES and parse_size_range(value) is None:
            raise ValueError(
                f"size_class must be one of {', '.join(SIZE_CLASSES)} or a range such as '330-610 mm', not {value!r}"
            )
        return value

    @model_validator(mode="after")
    def _one_bound(self) -> Objective:
        given = [name for name in ("at_least", "at_most", "between") if getattr(self, name) is not None]
        if len(given) != 1:
            raise ValueError(f"give exactly one of at_least, at_most, between; got {', '.join(given) or 'none'}")
        if self.between and self.between[0] >= self.between[1]:
            raise ValueError(f"between needs a lower and a higher number, not {list(self.between)}")
        return self


class Stocking(_Model):
    """Fish put in, in a scenario."""

    number_per_year: NotNegative
    mean_length_mm: Positive
    every_years: int = Field(1, ge=1, le=20)
    month: Month = 5


class Scenario(_Model):
    """A regulation to compare; the first one of the study is today's rule."""

    name: str = Field(min_length=1)
    species: str | None = Field(None, description="code or name; empty means the first species of the study")
    minimum_length_mm: Positive | None = None
    maximum_length_mm: Positive | None = None
    protected_slot_mm: tuple[Positive, Positive] | None = None
    harvest_slot_mm: tuple[Positive, Positive] | None = None
    release_only: bool = False
    bag_limit: int | None = Field(None, ge=0, le=1000)
    closed_months: tuple[Month, ...] = ()
    gear: Literal["any", "flies and lures", "barbless flies and lures", "bait"] = "any"
    release_mortality: Share | None = None
    stocking: Stocking | None = None
    effort_change: Annotated[float, Field(ge=-1, le=10)] = Field(0.0, description="share by which angling effort changes")


class Event(_Model):
    """A named change that the trend is tested before and after."""

    name: str = Field(min_length=1)
    year: int = Field(ge=1900, le=2200, description="first season after it")


class Parameters(_Model):
    """Everything that a reviewer may change."""

    level: Annotated[float, Field(gt=0.5, lt=1)] = Field(0.95, description="confidence level of every interval")
    seed: int = Field(1, ge=0, description="start of every random generator")
    resamples: int = Field(1000, ge=100, le=100_000, description="bootstrap replicates")
    draws: int = Field(300, ge=20, le=10_000, description="parameter draws in the scenarios")
    horizon_years: int = Field(10, ge=1, le=100, description="years that scenarios look ahead")
    bin_mm: Positive = Field(20.0, description="width of length classes in figures and keys (mm)")
    minimum_aged: int = Field(10, ge=3, le=1000, description="aged fish below which nothing is estimated from ages")
    minimum_weighed: int = Field(10, ge=5, le=1000, description="weighed fish below which no regression is fitted")
    from_age: int | None = Field(None, ge=0, le=100, description="first fully caught age; empty: age of peak catch plus one")
    natural_mortality: Positive | None = Field(None, description="instantaneous, per year; empty: from life history")
    release_mortality: Share = Field(0.05, description="share of released fish that die")
    noncompliance: Share = Field(0.05, description="share of protected fish that are kept all the same")
    voluntary_release: Share = Field(0.5, description="share of legal fish that anglers release by choice")
    water_temperature_c: Finite | None = Field(None, description="mean yearly water temperature (°C)")
    relative_error: Annotated[float, Field(gt=0, lt=1)] = Field(0.25, description="wanted precision next season")
    power: Annotated[float, Field(gt=0.5, lt=1)] = Field(0.8, description="wanted power to see a change")
    certainty: Annotated[float, Field(gt=0.5, lt=1)] = Field(0.9, description="probability from which an objective is called met")
    lag_years: int = Field(0, ge=0, le=10, description="lag of covariates in trends (years)")


CHAPTERS = (
    "season",
    "abundance",
    "size-structure",
    "condition",
    "growth",
    "mortality",
    "trend",
    "scenarios",
    "next-season",
    "methods",
)


class Report(_Model):
    """How the report reads."""

    title: str = ""
    author: str = ""
    units: Literal["metric", "us"] = "metric"
    chapters: tuple[str, ...] = Field(CHAPTERS, description="in this order; a chapter of the study's own by its file name")
    narrative: str = "narrative"
    language: str = "en"


class SetAside(_Model):
    """A row of a table that is left out, and why."""

    reason: str = Field(min_length=5)
    row: int | None = Field(None, ge=2, description="line in the file; the header is line 1")
    where: dict[str, str] = Field(default_factory=dict, description="column = text as it stands in the file")

    @model_validator(mode="after")
    def _named(self) -> SetAside:
        if self.row is None and not self.where:
            raise ValueError("name the row by `row` (its line in the file), by `where`, or by both")
        return self


class SetAsides(_Model):
    """Rows set aside, a list a table."""

    runs: tuple[SetAside, ...] = ()
    fish: tuple[SetAside, ...] = ()
    ages: tuple[SetAside, ...] = ()
    census: tuple[SetAside, ...] = ()
    stocking: tuple[SetAside, ...] = ()
    flow: tuple[SetAside, ...] = ()
    harvest: tuple[SetAside, ...] = ()


class ElectrofishingReference(_Model):
    """Settings that worked on this water, for the power-transfer table."""

    conductivity_us_cm: Positive
    voltage_v: Positive
    current_a: Positive
    fish_conductivity_us_cm: Positive = 115.0


class Study(_Model):
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

    @property
    def folder(self) -> Path:
        """Absolute path of the study folder."""
        return self._folder

    @property
    def overrides(self) -> dict[str, Any]:
        """Settings changed on the command line, dotted key to value."""
        return dict(self._overrides)

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
            raise ValueError("two species have the same name")
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


def _set(raw: dict[str, Any], dotted: str, value: Any) -> None:
    parts = dotted.split(".")
    node: Any = raw
    for depth, part in enumerate(parts):
        last = depth == len(parts) - 1
        if isinstance(node, list):
            index = int(part) if part.isdigit() else -1
            if not 0 <= index < len(node):
                raise StudyError(f"no item {part!r} in a list of {len(node)}; count from 0", key=dotted)
            if last:
                node[index] = value
            else:
                node = node[index]
        elif isinstance(node, dict):
            if last:
                node[part] = value
            else:
                node = node.setdefault(part, {})
        else:
            raise StudyError(f"{'.'.join(parts[:depth])} is a value and has no key {part!r}", key=dotted)


def _known_keys(error_location: tuple[Any, ...]) -> list[str]:
    model: Any = Study
    for part in error_location[:-1]:
        if isinstance(part, int):
            continue
        if model is None or not (isinstance(model, type) and issubclass(model, BaseModel)):
            return []
        if part not in model.model_fields:
            continue
        model = _inner_model(model.model_fields[part].annotation)
    return list(model.model_fields) if isinstance(model, type) and issubclass(model, BaseModel) else []


def _inner_model(annotation: Any) -> Any:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for argument in getattr(annotation, "__args__", ()):
        found = _inner_model(argument)
        if found is not None:
            return found
    return None


def _sentences(error: ValidationError) -> list[tuple[str, str]]:
    found = []
    for item in error.errors(include_url=False):
        location = item["loc"]
        key = ".".join(str(part) for part in location)
        if item["type"] == "extra_forbidden":
            known = _known_keys(location)
            near = difflib.get_close_matches(str(location[-1]), known, n=1, cutoff=0.5)
            hint = f"did you mean {near[0]!r}?" if near else f"known keys here: {', '.join(known)}"
            found.append((key, f"unknown key; {hint}"))
        elif item["type"] == "missing":
            found.append((key, "this key is required"))
        else:
            text = item["msg"].removeprefix("Value error, ")
            value = item.get("input")
            got = "" if isinstance(value, Mapping | list | tuple) or item["type"] == "value_error" else f"; got {value!r}"
            found.append((key, f"{text}{got}"))
    return found


def parse_setting(text: str) -> tuple[str, Any]:
    """``"parameters.level=0.9"`` or ``"level=0.9"`` → dotted key and typed value (TOML; bare words are text)."""
    key, equals, value = text.partition("=")
    key = key.strip()
    if not equals or not key:
        raise StudyError(f"a setting is KEY=VALUE, such as level=0.9; got {text!r}")
    if "." not in key and key in Parameters.model_fields:
        key = f"parameters.{key}"
    try:
        return key, tomllib.loads(f"value = {value.strip()}")["value"]
    except tomllib.TOMLDecodeError:
        return key, value.strip()


def read_study(path: Path | str, *, overrides: Mapping[str, Any] | None = None, season: int | None = None) -> Study:
    """Read and check a study.

    Parameters
    ----------
    path : Path
        The study folder or its ``study.toml``.
    overrides : mapping, optional
        Dotted key → value, set before the study is checked (``{"parameters.level": 0.9}``).
    season : int, optional
        Report this season instead of the one in the file.

    Raises
    ------
    StudyError
        If the file is missing, not TOML, or any key is unknown, missing or out of bounds; all faults are named.
    """
    path = Path(path)
    file = path / "study.toml" if path.is_dir() else path
    if not file.is_file():
        raise StudyError("there is no study here; `fishreport new FOLDER` lays one out", str(file))
    try:
        raw = tomllib.loads(file.read_text(encoding="utf-8-sig"))
    except UnicodeDecodeError:
        raise StudyError("the file is not UTF-8 text; save it as UTF-8", str(file)) from None
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise StudyError(f"not readable as TOML: {error}", str(file)) from None
    changed = dict(overrides or {})
    if season is not None:
        changed["season.year"] = season
    for key, value in changed.items():
        _set(raw, key, value)
    try:
        study = Study.model_validate(raw)
    except ValidationError as error:
        faults = _sentences(error)
        if len(faults) == 1:
            raise StudyError(faults[0][1], str(file), faults[0][0]) from None
        listed = "\n".join(f"  {key}: {text}" if key else f"  {text}" for key, text in faults)
        raise StudyError(f"{len(faults)} faults\n{listed}", str(file)) from None
    study._folder = file.resolve().parent
    study._given = raw
    study._overrides = changed
    _contained(study, str(file))
    return study


def _contained(study: Study, file: str) -> None:
    paths = {f"data.{name}": value for name, value in study.data.model_dump().items() if value and not study.data.workbook}
    if study.data.workbook:
        paths["data.workbook"] = study.data.workbook
    paths["report.narrative"] = study.report.narrative
    for key, value in paths.items():
        target = (study.folder / value).resolve()
        if Path(value).is_absolute() or not target.is_relative_to(study.folder):
            raise StudyError(f"must lie inside the study folder, not {value!r}", file, key)
