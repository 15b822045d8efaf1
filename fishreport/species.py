"""Published standards by species: standard weight, length categories, their sources and limits of use."""

from __future__ import annotations

import difflib
import math
import re
import tomllib
from collections.abc import Iterator
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Literal

import numpy as np
import numpy.typing as npt
from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

from fishreport.exceptions import StandardError

CATEGORIES = ("stock", "quality", "preferred", "memorable", "trophy")
GRAMS_PER_POUND = 453.59237
MM_PER_INCH = 25.4
_FILE = Path(__file__).with_name("species.toml")

FloatArray = npt.NDArray[np.float64]
Length = Annotated[float, Field(gt=0, allow_inf_nan=False)]
Coefficient = Annotated[float, Field(allow_inf_nan=False)]
Status = Literal["seen", "from memory", "own"]


class Standard(BaseModel):
    """One published standard of one species.

    Attributes
    ----------
    name, species : str
        The full name (``brown trout (lotic)``) and the species it stands for (``brown trout``).
    intercept, slope, quadratic : float
        log10 weight (g) = intercept + slope x + quadratic x², x = log10 total length (mm).
    minimum_length_mm, maximum_length_mm : float
        Limits of use of the equation (total length, mm, both inclusive); 0 and infinity where the source gives none.
    categories, categories_in : dict[str, float]
        Lower bounds of stock, quality, preferred, memorable and trophy length in mm and in inches, as published
        (Willis, Murphy and Guy 1993: one is never converted into the other); empty when there are none.
    source, categories_source : str
        Author and year.
    status, categories_status : str
        ``seen`` (read in the source), ``from memory`` (not yet compared with it) or ``own`` (a study's own standard).
    limits, note, categories_note : str
        Limits of use, and what a reader must know, in words.
    regional : bool
        Not a general standard of the species: found by its full name only.
    world_maximum_length_mm : float | None
        About the longest fish ever reported, from memory; for doubting entries only.
    """

    model_config = ConfigDict(extra="forbid", frozen=True, str_strip_whitespace=True)

    name: str = Field(min_length=2)
    species: str = Field(min_length=2)
    synonyms: tuple[str, ...] = ()
    intercept: Coefficient
    slope: Coefficient
    quadratic: Coefficient = 0.0
    minimum_length_mm: Annotated[float, Field(ge=0, allow_inf_nan=False)] = 0.0
    maximum_length_mm: Annotated[float, Field(gt=0)] = math.inf
    categories: dict[Literal["stock", "quality", "preferred", "memorable", "trophy"], Length] = Field(default_factory=dict)
    categories_in: dict[Literal["stock", "quality", "preferred", "memorable", "trophy"], Length] = Field(default_factory=dict)
    source: str = Field(min_length=4)
    status: Status = "own"
    limits: str = ""
    note: str = ""
    categories_source: str = ""
    categories_status: Status = "own"
    categories_note: str = ""
    regional: bool = False
    world_maximum_length_mm: Length | None = None

    @field_validator("categories", "categories_in")
    @classmethod
    def _ascending(cls, value: dict[str, float]) -> dict[str, float]:
        ordered = {name: float(value[name]) for name in CATEGORIES if name in value}
        bounds = list(ordered.values())
        if any(low >= high for low, high in pairwise(bounds)):
            raise ValueError(f"length categories must rise from stock to trophy, not {bounds}")
        return ordered

    @model_validator(mode="after")
    def _consistent(self) -> Standard:
        low, high = self.minimum_length_mm, self.maximum_length_mm
        if not low < high:
            raise ValueError(f"minimum_length_mm must be below maximum_length_mm, not {low:g} and {high:g}")
        if self.categories_in and set(self.categories_in) != set(self.categories):
            raise ValueError("categories_in must name the same categories as categories")
        return self

    @property
    def english_intercept(self) -> float:
        """Intercept for pounds and inches (a straight-line equation only; NaN for a quadratic one)."""
        if self.quadratic:
            return math.nan
        return self.intercept + self.slope * math.log10(MM_PER_INCH) - math.log10(GRAMS_PER_POUND)

    def applies_to(self, length_mm: npt.ArrayLike) -> npt.NDArray[np.bool_]:
        """True where the equation may be used: a length within its limits (missing lengths are False)."""
        length = np.asarray(length_mm, dtype=float)
        usable = np.isfinite(length) & (length > 0)
        return usable & (length >= self.minimum_length_mm) & (length <= self.maximum_length_mm)

    def standard_weight(self, length_mm: npt.ArrayLike, *, strict: bool = False) -> FloatArray:
        """Standard weight.

        Parameters
        ----------
        length_mm : array
            Total length (mm), any shape.
        strict : bool
            Refuse lengths outside the limits of use instead of answering NaN there.

        Returns
        -------
        array
            Grams, of the shape of `length_mm`; NaN where the standard does not apply.

        Raises
        ------
        StandardError
            With `strict`, when a length lies outside the limits of use.
        """
        length = np.asarray(length_mm, dtype=float)
        applies = self.applies_to(length)
        outside = ~applies & ~np.isnan(length)
        if strict and outside.any():
            worst = float(length[outside].flat[0])
            raise StandardError(
                f"the standard weight of {self.name} holds for {self.range_text}; got {worst:g} mm"
                + (f" and {int(outside.sum()) - 1} more" if outside.sum() > 1 else "")
                + "; leave such fish out of relative weight"
            )
        x = np.log10(np.where(applies, length, 1.0))
        weight = 10.0 ** (self.intercept + self.slope * x + self.quadratic * x**2)
        return np.where(applies, weight, np.nan)

    @property
    def range_text(self) -> str:
        """The lengths that the equation holds for, in words."""
        low, high = self.minimum_length_mm, self.maximum_length_mm
        if math.isinf(high):
            return f"total lengths of {low:g} mm and longer" if low else "positive lengths (the source gives no limits)"
        return f"total lengths of {low:g} to {high:g} mm" if low else f"total lengths up to {high:g} mm"

    def category_bound(self, category: str) -> float:
        """Lower bound (mm) of a length category; StandardError when the standard has none of that name."""
        if category in self.categories:
            return self.categories[category]
        known = ", ".join(self.categories) or "no length categories"
        raise StandardError(f"{self.name} has no length category {category!r}; it has {known}")


def _tokens(text: str) -> frozenset[str]:
    return frozenset(re.findall(r"[a-z0-9]+", text.casefold()))


class Standards:
    """All standards at hand, found by name; immutable."""

    def __init__(self, standards: tuple[Standard, ...]) -> None:
        self._standards = standards

    def __iter__(self) -> Iterator[Standard]:
        return iter(self._standards)

    def __len__(self) -> int:
        return len(self._standards)

    @property
    def names(self) -> tuple[str, ...]:
        """Full names, in the order of the file."""
        return tuple(standard.name for standard in self._standards)

    def find(self, name: str) -> Standard:
        """The standard of that name.

        Case, punctuation and order of words do not matter. A species with one general standard is found by the name of the
        species or a synonym.

        Raises
        ------
        StandardError
            If there is none (the nearest names are suggested), or if the species has several and the name does not say which.
        """
        wanted = _tokens(name)
        for standard in self._standards:
            if wanted and _tokens(standard.name) == wanted:
                return standard
        general = [standard for standard in self._standards if not standard.regional]
        fits = [s for s in general if wanted in (_tokens(s.species), *(_tokens(synonym) for synonym in s.synonyms))]
        if not fits:
            for standard in general:
                for synonym in standard.synonyms:
                    if wanted == _tokens(synonym) | (_tokens(standard.name) - _tokens(standard.species)):
                        fits.append(standard)
        if len(fits) == 1:
            return fits[0]
        if fits:
            choice = " or ".join(repr(standard.name) for standard in fits)
            raise StandardError(f"{name!r} has {len(fits)} standards; say which: {choice}")
        raise StandardError(f"no published standard for {name!r}; {self._hint(name)}")

    def _hint(self, name: str) -> str:
        known: dict[str, str] = {}
        for standard in self._standards:
            for text in (standard.name, standard.species, *standard.synonyms):
                known.setdefault(text.casefold().replace("(", "").replace(")", ""), standard.name)
        plain = re.sub(r"[^a-z0-9]+", " ", name.casefold()).strip()
        near = list(dict.fromkeys(known[text] for text in difflib.get_close_matches(plain, known, n=3, cutoff=0.7)))
        if near:
            return "did you mean " + " or ".join(repr(text) for text in near) + "?"
        species = ", ".join(dict.fromkeys(standard.species for standard in self._standards))
        return f"relative weight and length categories need one; there are standards for {species}"


def _parse(file: Path) -> tuple[Standard, ...]:
    try:
        raw = tomllib.loads(file.read_text(encoding="utf-8-sig"))
    except FileNotFoundError:
        raise StandardError(f"{file}: there is no such file of standards") from None
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise StandardError(f"{file}: not readable as a TOML file of standards: {error}") from None
    rows = raw.pop("standard", None)
    if raw or not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
        raise StandardError(f"{file}: a file of standards holds [[standard]] tables only")
    found: list[Standard] = []
    for number, row in enumerate(rows, start=1):
        try:
            found.append(Standard.model_validate(row))
        except ValidationError as error:
            raise StandardError(f"{file}: standard {number} ({row.get('name', 'no name')}): {_sentence(error)}") from None
    names = [_tokens(standard.name) for standard in found]
    for index, standard in enumerate(found):
        if names.index(names[index]) != index:
            raise StandardError(f"{file}: two standards are called {standard.name!r}")
    return tuple(found)


def _sentence(error: ValidationError) -> str:
    faults = []
    for item in error.errors(include_url=False):
        key = ".".join(str(part) for part in item["loc"])
        if item["type"] == "extra_forbidden":
            near = difflib.get_close_matches(key, Standard.model_fields, n=1)
            faults.append(f"unknown key {key!r}" + (f", did you mean {near[0]!r}?" if near else ""))
        elif item["type"] == "missing":
            faults.append(f"the key {key!r} is required")
        else:
            faults.append(f"{key}: {item['msg'].removeprefix('Value error, ')}" if key else item["msg"])
    return "; ".join(faults)


@cache
def _published() -> tuple[Standard, ...]:
    return _parse(_FILE)


def load_standards(extra: Path | str | None = None) -> Standards:
    """The published standards that travel with the package, and a study's own.

    Parameters
    ----------
    extra : Path, optional
        A TOML file of ``[[standard]]`` tables with the same keys. A standard of the same name takes the place of the
        published one.

    Raises
    ------
    StandardError
        If `extra` cannot be read, or a key in it is unknown, missing or out of bounds.
    """
    published = _published()
    if extra is None:
        return Standards(published)
    own = _parse(Path(extra))
    replaced = {_tokens(standard.name) for standard in own}
    return Standards((*own, *(standard for standard in published if _tokens(standard.name) not in replaced)))
