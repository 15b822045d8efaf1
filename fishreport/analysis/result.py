"""An estimate with its place: which quantity, of which species, size class, site and season."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

import pandas as pd

from fishreport.methods.estimate import Estimate

# A slash; and a percent sign that would be taken for the start of an encoded one.
_SLASH = re.compile("/|%(?=2F|25)")


def _whole(name: str) -> str:
    return _SLASH.sub(lambda found: "%2F" if found[0] == "/" else "%25", str(name))


def _number(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


@dataclass(frozen=True, slots=True)
class Result:
    """One line of ``results.json``.

    Attributes
    ----------
    quantity : str
        A published name of the results file, such as ``catch_rate``.
    estimate : Estimate
        The value and its uncertainty.
    season : int | None
        The season it is for; None when it is for all of them.
    species : str | None
        Key of the species, such as ``brown_trout``.
    size_class : str | None
        ``all``, a published length category, or a range such as ``330-610 mm``.
    site : str | None
        The site, or None for the whole water.
    scenario : str | None
        The regulation scenario, or None.
    detail : str | None
        What else tells it from its neighbours, such as an age, a method or a horizon year.
    """

    quantity: str
    estimate: Estimate
    season: int | None = None
    species: str | None = None
    size_class: str | None = None
    site: str | None = None
    scenario: str | None = None
    detail: str | None = None

    @property
    def id(self) -> str:
        """The stable name of the result, such as ``catch_rate/brown_trout/stock/2025``.

        A slash in the name of a site or scenario is written ``%2F`` (percent-encoding of RFC 3986), so that no two share an id.
        """
        named = [_whole(part) for part in (self.quantity, self.species, self.size_class, self.site, self.scenario) if part]
        told = [str(part).replace("/", "-") for part in (self.detail, self.season) if part is not None and part != ""]
        return "/".join([*named, *told])

    def record(self) -> dict[str, Any]:
        """The result as it stands in ``results.json``; what is not a finite number is null."""
        e = self.estimate
        return {
            "id": self.id,
            "quantity": self.quantity,
            "species": self.species,
            "size_class": self.size_class,
            "site": self.site,
            "season": self.season,
            "scenario": self.scenario,
            "detail": self.detail,
            "method": e.method,
            "value": _number(e.value),
            "se": _number(e.se),
            "lower": _number(e.lower),
            "upper": _number(e.upper),
            "level": e.level,
            "units": e.units,
            "n": int(e.n),
            "estimable": e.estimable,
            "notes": list(e.notes),
        }


class Results:
    """An ordered, immutable collection of results with look-up by place."""

    def __init__(self, results: Iterable[Result] = ()) -> None:
        self._results = tuple(results)
        self._sorted: dict[tuple[str | None, ...], list[Result]] = {}

    def __iter__(self) -> Iterator[Result]:
        return iter(self._results)

    def __len__(self) -> int:
        return len(self._results)

    def __add__(self, other: Iterable[Result]) -> Results:
        return Results((*self._results, *other))

    def where(self, **place: Any) -> Results:
        """Those results whose attributes equal all of `place` (a list or tuple means one of)."""

        def fits(result: Result) -> bool:
            return all(
                getattr(result, key) in wanted if isinstance(wanted, list | tuple) else getattr(result, key) == wanted
                for key, wanted in place.items()
            )

        return Results(filter(fits, self._near(place.get("quantity"), place.get("species"))))

    def _near(self, quantity: Any, species: Any) -> Iterable[Result]:
        """Those that can fit: a chapter asks many times, so they are sorted once."""
        if not isinstance(quantity, str):
            return self._results
        if not self._sorted:
            for result in self._results:
                self._sorted.setdefault((result.quantity,), []).append(result)
                self._sorted.setdefault((result.quantity, result.species), []).append(result)
        return self._sorted.get((quantity, species) if isinstance(species, str) else (quantity,), ())

    def one(self, **place: Any) -> Result | None:
        """The single result at `place`, or None; two or more raise LookupError."""
        found = tuple(self.where(**place))
        if len(found) > 1:
            raise LookupError(f"{len(found)} results at {place}: {', '.join(result.id for result in found[:3])} …")
        return found[0] if found else None

    def frame(self) -> pd.DataFrame:
        """One row a result, with the columns of ``results.json``."""
        columns = list(Result("", Estimate.not_estimable("")).record())
        return pd.DataFrame([result.record() for result in self._results], columns=columns)
