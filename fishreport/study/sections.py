"""The sections of the study file ``study.toml``: every key is typed, documented and checked."""

from __future__ import annotations

import difflib
import re
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from fishreport.study.names import SIZE_CLASSES, parse_size_range, species_key

_LANGUAGE = re.compile(r"[A-Za-z]{2,3}(-[A-Za-z0-9]{1,8}){0,4}")  # RFC 5646: primary language and what tells it closer
# Strict: the text "2025" and the word true are no numbers, and 1 is not true.
Real = Annotated[float, Field(strict=True)]
Whole = Annotated[int, Field(strict=True)]
YesNo = Annotated[bool, Field(strict=True)]
Positive = Annotated[float, Field(strict=True, gt=0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(strict=True, ge=0, allow_inf_nan=False)]
Share = Annotated[float, Field(strict=True, ge=0, le=1)]
Finite = Annotated[float, Field(strict=True, allow_inf_nan=False)]
Month = Annotated[int, Field(strict=True, ge=1, le=12)]
PathText = Annotated[str, Field(min_length=1, max_length=1000)]


class Section(BaseModel):
    """A section of the study file: unknown keys are errors, and nothing changes once it is read."""

    model_config = ConfigDict(extra="forbid", frozen=True, str_strip_whitespace=True)


class Stratum(Section):
    """A reach that catch rates are stratified by."""

    reach: str = Field(min_length=1, description="name as in the column `reach` of the runs table")
    length_km: Positive | None = Field(None, description="length of the reach (km); weights of the strata")


class Water(Section):
    """The water that the study is about."""

    name: str = Field(min_length=1, description="name of the water, as it stands in titles")
    kind: str = Field("tailwater", description="what it is: tailwater, river, reservoir …")
    region: str = Field("", description="where it lies")
    length_km: Positive | None = Field(None, description="length of the fishery (km), for fish per km")
    width_m: Positive | None = Field(None, description="mean wetted width (m), for fish per hectare")
    strata: tuple[Stratum, ...] = ()


class Season(Section):
    """The reported season; all earlier seasons in the data are history."""

    year: Whole = Field(ge=1900, le=2200, description="the season to report")
    months: tuple[Month, ...] = Field((), description="months of the standard survey; empty takes every run of the year")


class Data(Section):
    """Where the field data lie: files inside the study folder only."""

    runs: PathText = Field("runs.csv", description="file of the timed electrofishing runs")
    fish: PathText = Field("fish.csv", description="file of the fish caught")
    ages: PathText | None = Field(None, description="file of the aged subsample")
    stocking: PathText | None = Field(None, description="file of the stockings")
    flow: PathText | None = Field(None, description="file of daily flow or dam release")
    harvest: PathText | None = Field(None, description="file of creel surveys")
    census: PathText | None = Field(None, description="file of mark-recapture events")
    workbook: PathText | None = Field(None, description="an .xlsx with a sheet a table; then the names above are sheets")


class Spread(Section):
    """A value given by hand with its spread."""

    value: Finite = Field(description="its value")
    se: NotNegative = Field(0.0, description="its standard error; 0 takes it as exact")


class LifeHistoryInput(Section):
    """Vital rates given by hand, for a study that cannot estimate them; each takes precedence over an estimate."""

    asymptotic_length_mm: Spread | None = Field(None, description="mean length that the oldest fish approach (mm)")
    growth_coefficient: Spread | None = Field(None, description="von Bertalanffy growth coefficient, per year")
    age_at_zero: Spread | None = Field(None, description="age at which length would be zero (years)")
    length_cv: Positive | None = Field(None, description="coefficient of variation of length at age")
    natural_mortality: Spread | None = Field(None, description="instantaneous natural mortality, per year")
    fishing_mortality: Spread | None = Field(
        None, description="instantaneous fishing mortality, per year, of fish open to harvest today"
    )
    age_at_maturity: Positive | None = Field(
        None, description="age at which half are mature (years from 1 January of the birth year)"
    )
    length_at_maturity_mm: Positive | None = Field(None, description="length at which half are mature (mm)")
    maximum_age: Positive | None = Field(None, description="age of the oldest fish known here (years)")
    recruitment: Literal["density independent", "beverton-holt", "ricker"] = Field(
        "beverton-holt", description="how recruits depend on spawners"
    )
    steepness: Annotated[Real, Field(gt=0.2, lt=5)] = Field(
        0.7, description="share of unfished recruitment that a fifth of the unfished spawners give"
    )
    recruitment_sd: NotNegative = Field(0.5, description="standard deviation of log recruitment")
    recruitment_autocorrelation: Annotated[Real, Field(ge=0, lt=1)] = Field(
        0.0, description="correlation of log recruitment with that of the year before"
    )
    density_per_km: Spread | None = Field(None, description="fish per km of stock length and longer today")
    source: str = Field("", description="where these values come from")


class Species(Section):
    """A species that the report covers."""

    name: str = Field(min_length=2, description="common name; results are keyed by it")
    standard: str | None = Field(None, description="name of the standard in species.toml, such as 'brown trout (lotic)'")
    minimum_length_mm: Positive | None = Field(None, description="shorter fish are not fully caught; left out of weights")
    maximum_length_mm: Positive | None = Field(None, description="longer is doubted by the checks")
    origin: Literal["wild", "stocked", "mixed"] = Field("wild", description="where its fish come from")
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


class Objective(Section):
    """An objective of the management plan."""

    quantity: str = Field(description="what is measured, such as catch_rate or proportional_size")
    species: str = Field(description="code or name of a species of the study")
    size_class: str = Field("all", description="all, a length category (that length and longer), or a range such as 330-610 mm")
    at_least: Finite | None = Field(None, description="lowest value that meets the objective, in the units of the quantity")
    at_most: Finite | None = Field(None, description="highest value that meets the objective")
    between: tuple[Finite, Finite] | None = Field(None, description="lowest and highest value that meet the objective")
    over_years: Whole = Field(
        1, ge=1, le=50, description="mean of that many seasons up to the reported one; judged only when each was estimated"
    )
    name: str = Field("", description="the objective in the plan's words; empty is worded from its numbers")
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


class Stocking(Section):
    """Fish put in, in a scenario."""

    number_per_year: NotNegative = Field(description="fish put in, each time")
    mean_length_mm: Positive = Field(description="their mean length (mm)")
    every_years: Whole = Field(1, ge=1, le=20, description="years from one stocking to the next")
    month: Month = Field(5, description="month of the stocking")


class Scenario(Section):
    """A regulation to compare; the first one of the study is today's rule."""

    name: str = Field(min_length=1, description="name of the regulation, as it stands in tables")
    species: str | None = Field(None, description="code or name; empty means the first species of the study")
    minimum_length_mm: Positive | None = Field(None, description="shorter fish must be released (mm)")
    maximum_length_mm: Positive | None = Field(None, description="longer fish must be released (mm)")
    protected_slot_mm: tuple[Positive, Positive] | None = Field(None, description="fish between must be released (mm)")
    harvest_slot_mm: tuple[Positive, Positive] | None = Field(None, description="only fish between may be kept (mm)")
    release_only: YesNo = Field(False, description="every fish must be released")
    bag_limit: Whole | None = Field(None, ge=0, le=1000, description="fish that an angler may keep a day; empty: no limit")
    closed_months: tuple[Month, ...] = Field((), description="months closed to fishing")
    gear: Literal["any", "flies and lures", "barbless flies and lures", "bait"] = Field("any", description="gear allowed")
    release_mortality: Share | None = Field(None, description="share of released fish that die; empty: as in [parameters]")
    stocking: Stocking | None = None
    effort_change: Annotated[Real, Field(ge=-1, le=10)] = Field(0.0, description="share by which angling effort changes")

    @model_validator(mode="after")
    def _ascending(self) -> Scenario:
        for key in ("protected_slot_mm", "harvest_slot_mm"):
            slot = getattr(self, key)
            if slot is not None and slot[0] >= slot[1]:
                raise ValueError(f"{key} needs a lower and a higher length, not {list(slot)}")
        low, high = self.minimum_length_mm, self.maximum_length_mm
        if low is not None and high is not None and low >= high:
            raise ValueError(f"minimum_length_mm {low:g} must be below maximum_length_mm {high:g}")
        return self


class Event(Section):
    """A named change that the trend is tested before and after."""

    name: str = Field(min_length=1, description="what changed")
    year: Whole = Field(ge=1900, le=2200, description="first season after it")


class Parameters(Section):
    """Everything that a reviewer may change."""

    level: Annotated[Real, Field(gt=0.5, lt=1)] = Field(0.95, description="confidence level of every interval")
    seed: Whole = Field(1, ge=0, description="start of every random generator")
    resamples: Whole = Field(1000, ge=100, le=100_000, description="bootstrap replicates")
    draws: Whole = Field(300, ge=20, le=10_000, description="parameter draws in the scenarios")
    horizon_years: Whole = Field(10, ge=1, le=100, description="years that scenarios look ahead")
    bin_mm: Positive = Field(20.0, description="width of length classes in figures and keys (mm)")
    minimum_aged: Whole = Field(10, ge=3, le=1000, description="aged fish below which nothing is estimated from ages")
    minimum_weighed: Whole = Field(10, ge=5, le=1000, description="weighed fish below which no regression is fitted")
    from_age: Whole | None = Field(None, ge=0, le=100, description="first fully caught age; empty: age of peak catch plus one")
    natural_mortality: Positive | None = Field(None, description="instantaneous, per year; empty: from life history")
    release_mortality: Share = Field(0.05, description="share of released fish that die")
    noncompliance: Share = Field(0.05, description="share of protected fish that are kept all the same")
    voluntary_release: Share = Field(0.5, description="share of legal fish let go by choice, where no creel survey tells it")
    water_temperature_c: Finite | None = Field(None, description="mean yearly water temperature (°C)")
    relative_error: Annotated[Real, Field(gt=0, lt=1)] = Field(0.25, description="wanted precision next season")
    power: Annotated[Real, Field(gt=0.5, lt=1)] = Field(0.8, description="wanted power to see a change")
    certainty: Annotated[Real, Field(gt=0.5, lt=1)] = Field(0.9, description="probability from which an objective is called met")
    lag_years: Whole = Field(0, ge=0, le=10, description="lag of covariates in trends (years)")

    def gives(self, name: str) -> bool:
        """Whether the study file or the command line gives this parameter, be it the default."""
        getattr(self, name)  # asked for by its name alone, so that a chapter depends on this parameter only
        given: set[str] = object.__getattribute__(self, "__pydantic_fields_set__")
        return name in given


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


class Report(Section):
    """How the report reads."""

    title: str = Field("", description="title of the report; empty is made from water and season")
    author: str = Field("", description="who answers for it")
    units: Literal["metric", "us"] = Field("metric", description="units shown; data stay metric")
    chapters: tuple[str, ...] = Field(CHAPTERS, description="in this order; a chapter of the study's own by its file name")
    narrative: PathText = Field("narrative", description="folder of the author's own text")
    language: str = Field("en", description="language tag of the report, such as en or en-GB")

    @field_validator("language")
    @classmethod
    def _tag(cls, value: str) -> str:
        if not _LANGUAGE.fullmatch(value):
            raise ValueError(f"language must be a language tag such as en, en-GB or de, not {value[:60]!r}")
        return value


class SetAside(Section):
    """A row of a table that is left out, and why."""

    reason: str = Field(min_length=5, description="why it is left out; printed in the report")
    row: Whole | None = Field(None, ge=2, description="line in the file; the header is line 1")
    where: dict[str, str] = Field(default_factory=dict, description="column = text as it stands in the file")

    @model_validator(mode="after")
    def _named(self) -> SetAside:
        if self.row is None and not self.where:
            raise ValueError("name the row by `row` (its line in the file), by `where`, or by both")
        return self


class SetAsides(Section):
    """Rows set aside, a list a table."""

    runs: tuple[SetAside, ...] = ()
    fish: tuple[SetAside, ...] = ()
    ages: tuple[SetAside, ...] = ()
    census: tuple[SetAside, ...] = ()
    stocking: tuple[SetAside, ...] = ()
    flow: tuple[SetAside, ...] = ()
    harvest: tuple[SetAside, ...] = ()


class ElectrofishingReference(Section):
    """Settings that worked on this water, for the power-transfer table."""

    conductivity_us_cm: Positive = Field(description="conductivity of the water then (µS/cm)")
    voltage_v: Positive = Field(description="peak voltage that worked (V)")
    current_a: Positive = Field(description="peak current that worked (A)")
    fish_conductivity_us_cm: Positive = Field(115.0, description="conductivity of the fish (µS/cm)")
