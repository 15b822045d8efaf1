"""A fishing regulation: limits on length, number, season and gear, stocking and effort, any of them together.

The lengths that may be kept are the intersection of what each limit allows:

* minimum length *a*: lengths of *a* and more;
* maximum length *b*: lengths of *b* and less;
* protected slot *(a, b)*: lengths below *a*, and of *b* and more (a slot of zero width protects nothing);
* harvest slot *(a, b)*: lengths from *a* to *b*, both included;
* release only, or a bag limit of 0: none.

A rule under which an angler may keep fish, but no length can be kept, is refused.

Release mortality by gear. The share of released fish that die is a default of the gear unless the rule names its own:

=========================  =====  ==============================================================================
gear                       share  source
=========================  =====  ==============================================================================
bait                       0.31   Taylor & White 1992, N. Am. J. Fish. Manage. 12:760-767 (31.4 %, from memory)
flies and lures            0.048  the same, barbed hooks (4.8 %, as quoted second-hand)
barbless flies and lures   0.026  the same, barbless hooks (2.6 %, as quoted second-hand). Schill & Scarpella 1997,
                                  N. Am. J. Fish. Manage. 17:873-881, found no significant difference (4.5 and 4.2 %)
any                        0.10   one part bait to four parts flies and lures; common practice, no source
=========================  =====  ==============================================================================
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fishreport.exceptions import InputError
from fishreport.population.rule_sentence import rule_sentence

GEAR_RELEASE_MORTALITY: dict[str, float] = {
    "any": 0.10,
    "flies and lures": 0.048,
    "barbless flies and lures": 0.026,
    "bait": 0.31,
}
GEAR_SOURCE: dict[str, str] = {
    "any": "one part bait to four parts flies and lures; common practice, no source",
    "flies and lures": "Taylor & White 1992, N. Am. J. Fish. Manage. 12:760-767, barbed hooks (as quoted second-hand)",
    "barbless flies and lures": "Taylor & White 1992, N. Am. J. Fish. Manage. 12:760-767, barbless (as quoted second-hand)",
    "bait": "Taylor & White 1992, N. Am. J. Fish. Manage. 12:760-767 (from memory)",
}


def _positive(name: str, value: float) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float | np.integer | np.floating):
        raise InputError(f"{name} must be a number of mm above 0, got {value!r}")
    if not math.isfinite(value) or value <= 0:
        raise InputError(f"{name} must be a finite number of mm above 0, got {value!r}")
    return float(value)


def _pair(name: str, value: Any) -> tuple[float, float]:
    try:
        low, high = value
    except (TypeError, ValueError):
        raise InputError(f"{name} must be a pair of lengths (mm), got {value!r}") from None
    low, high = _positive(name, low), _positive(name, high)
    if low > high:
        raise InputError(f"{name} must run from the shorter to the longer length, got {low:g} to {high:g} mm")
    return low, high


def _whole(name: str, value: Any, low: int, high: int) -> int:
    whole = isinstance(value, int | np.integer) and not isinstance(value, bool)
    if not whole or not low <= value <= high:
        raise InputError(f"{name} must be a whole number from {low} to {high}, got {value!r}")
    return int(value)


def _share(name: str, value: Any) -> float:
    number = isinstance(value, int | float | np.integer | np.floating) and not isinstance(value, bool)
    if not number or not 0 <= value <= 1:
        raise InputError(f"{name} must be a share from 0 to 1, got {value!r}")
    return float(value)


@dataclass(frozen=True, slots=True)
class Stocking:
    """Fish put into the water.

    Attributes
    ----------
    number_per_year : float
        Fish put in at each stocking, in the whole water.
    mean_length_mm : float
        Their mean length (mm) when they are put in; lengths spread about it as those of an age class do.
    every_years : int
        1 stocks every year, 2 every other year (years 1, 3, ...).
    month : int
        Calendar month, at the start of which they are put in.
    natural_mortality_factor : float
        Their natural mortality as a multiple of that of wild fish.
    reproduces : bool
        Whether mature stocked fish count as spawners.
    """

    number_per_year: float
    mean_length_mm: float
    every_years: int = 1
    month: int = 5
    natural_mortality_factor: float = 1.0
    reproduces: bool = True

    def __post_init__(self) -> None:
        if not (isinstance(self.number_per_year, int | float) and math.isfinite(self.number_per_year)):
            raise InputError(f"number_per_year must be a finite number of fish, got {self.number_per_year!r}")
        if self.number_per_year < 0:
            raise InputError(f"number_per_year must be 0 or more fish, got {self.number_per_year!r}")
        _positive("mean_length_mm of stocked fish", self.mean_length_mm)
        _whole("every_years", self.every_years, 1, 20)
        _whole("month of stocking", self.month, 1, 12)
        if not math.isfinite(self.natural_mortality_factor) or self.natural_mortality_factor <= 0:
            raise InputError(f"natural_mortality_factor must be above 0, got {self.natural_mortality_factor!r}")


@dataclass(frozen=True, slots=True)
class Regulation:
    """A rule, checked when it is made; every part is optional and all can be combined.

    Attributes
    ----------
    minimum_length_mm, maximum_length_mm : float, optional
        Shortest and longest fish (mm, total length) that may be kept.
    protected_slot_mm, harvest_slot_mm : (float, float), optional
        Lengths (mm) that must be released, or the only ones that may be kept.
    release_only : bool
        Every fish must be released.
    bag_limit : int, optional
        Fish that one angler may keep in a day (taken as one trip).
    closed_months : tuple of int
        Calendar months without angling.
    gear : str
        'any', 'flies and lures', 'barbless flies and lures' or 'bait'.
    release_mortality : float, optional
        Share of released fish that die under this rule; None leaves it to the gear and to the angling assumptions.
    stocking : Stocking, optional
        Fish put in; a mapping with the same keys will do.
    effort_change : float
        Share by which angling effort changes against today (-1 stops angling, 0.2 is a fifth more).
    bag_over_slot : int, optional
        Fish at or above the upper end of the protected slot that one angler may keep in a day, within the bag limit.
    name : str
        Label; it takes no part in comparisons for equality.

    Raises
    ------
    InputError
        If a part is impossible, parts contradict each other, or no fish of any length could be kept.
    """

    minimum_length_mm: float | None = None
    maximum_length_mm: float | None = None
    protected_slot_mm: tuple[float, float] | None = None
    harvest_slot_mm: tuple[float, float] | None = None
    release_only: bool = False
    bag_limit: int | None = None
    closed_months: tuple[int, ...] = ()
    gear: str = "any"
    release_mortality: float | None = None
    stocking: Stocking | None = None
    effort_change: float = 0.0
    bag_over_slot: int | None = None
    name: str = field(default="", compare=False)

    def __post_init__(self) -> None:
        self._check_types()
        self._check_together()

    def _check_types(self) -> None:
        def put(name: str, value: Any) -> None:
            object.__setattr__(self, name, value)

        for name in ("minimum_length_mm", "maximum_length_mm"):
            if getattr(self, name) is not None:
                put(name, _positive(name, getattr(self, name)))
        for name in ("protected_slot_mm", "harvest_slot_mm"):
            if getattr(self, name) is not None:
                put(name, _pair(name, getattr(self, name)))
        if not isinstance(self.release_only, bool):
            raise InputError(f"release_only must be True or False, got {self.release_only!r}")
        for name, lowest in (("bag_limit", 0), ("bag_over_slot", 1)):
            if getattr(self, name) is not None:
                put(name, _whole(name, getattr(self, name), lowest, 1000))
        try:
            months = tuple(self.closed_months)
        except TypeError:
            raise InputError(f"closed_months must be a list of months from 1 to 12, got {self.closed_months!r}") from None
        months = tuple(_whole("a closed month", month, 1, 12) for month in months)
        if len(set(months)) < len(months):
            raise InputError(f"closed_months names a month twice: {list(months)}")
        put("closed_months", tuple(sorted(months)))
        if self.gear not in GEAR_RELEASE_MORTALITY:
            raise InputError(f"gear must be one of {', '.join(GEAR_RELEASE_MORTALITY)}, got {self.gear!r}")
        if self.release_mortality is not None:
            put("release_mortality", _share("release_mortality", self.release_mortality))
        if isinstance(self.stocking, Mapping):
            put("stocking", Stocking(**self.stocking))
        if self.stocking is not None and not isinstance(self.stocking, Stocking):
            raise InputError(f"stocking must be a Stocking or a mapping with its keys, got {type(self.stocking).__name__}")
        effort = self.effort_change
        if isinstance(effort, bool) or not isinstance(effort, int | float) or not -1 <= effort <= 10:
            raise InputError(f"effort_change must be a share from -1 to 10, got {effort!r}")
        put("effort_change", float(effort))

    def _check_together(self) -> None:
        limits = [
            name
            for name in ("minimum_length_mm", "maximum_length_mm", "protected_slot_mm", "harvest_slot_mm")
            if getattr(self, name) is not None
        ]
        if self.release_only and self.bag_limit:
            raise InputError(f"release_only and a bag limit of {self.bag_limit} contradict each other; give one of them")
        if not self.may_keep and limits:
            why = "release_only" if self.release_only else "a bag limit of 0"
            raise InputError(f"under {why} no fish may be kept, so {', '.join(limits)} cannot act; leave one of them out")
        if self.bag_over_slot is not None:
            if self.protected_slot_mm is None:
                raise InputError("bag_over_slot needs a protected_slot_mm that it stands above")
            if self.bag_limit is not None and self.bag_over_slot > self.bag_limit:
                raise InputError(f"bag_over_slot ({self.bag_over_slot}) must not exceed the bag limit ({self.bag_limit})")
        if len(self.closed_months) == 12:
            others = limits + [name for name in ("bag_limit", "bag_over_slot") if getattr(self, name) is not None]
            if others:
                raise InputError(f"the water is closed all year, so {', '.join(others)} cannot act; leave them out")
        if self.may_keep and not self.kept_ranges():
            given = ", ".join(f"{name} = {getattr(self, name)}" for name in limits)
            raise InputError(f"no length could be kept under {given}; say release_only if that is meant")

    @property
    def may_keep(self) -> bool:
        """False under release only and under a bag limit of 0."""
        return not self.release_only and self.bag_limit != 0

    @property
    def limits_number(self) -> bool:
        """True when a bag limit acts on what anglers may keep."""
        return self.may_keep and (self.bag_limit is not None or self.bag_over_slot is not None)

    def kept_ranges(self) -> tuple[tuple[float, float], ...]:
        """Ranges of length (mm), each of some width, that may be kept; the last may reach to infinity."""
        if not self.may_keep:
            return ()
        low, high = self.minimum_length_mm or 0.0, self.maximum_length_mm or math.inf
        if self.harvest_slot_mm is not None:
            low, high = max(low, self.harvest_slot_mm[0]), min(high, self.harvest_slot_mm[1])
        ranges = [(low, high)]
        if self.protected_slot_mm is not None:
            start, end = self.protected_slot_mm
            if start < end:
                ranges = [(low, min(high, start)), (max(low, end), high)]
        return tuple((one, two) for one, two in ranges if one < two)

    def legal(self, length_mm: ArrayLike) -> NDArray[np.bool_]:
        """Whether fish of these lengths (mm) may be kept, as an array of the same shape."""
        length = np.asarray(length_mm, dtype=float)
        if np.isnan(length).any() or (length < 0).any():
            raise InputError("length_mm must hold lengths of 0 mm and more, without NaN")
        answer = np.full(length.shape, self.may_keep)
        if self.minimum_length_mm is not None:
            answer &= length >= self.minimum_length_mm
        if self.maximum_length_mm is not None:
            answer &= length <= self.maximum_length_mm
        if self.harvest_slot_mm is not None:
            answer &= (length >= self.harvest_slot_mm[0]) & (length <= self.harvest_slot_mm[1])
        if self.protected_slot_mm is not None:
            answer &= (length < self.protected_slot_mm[0]) | (length >= self.protected_slot_mm[1])
        return answer

    def sentence(self, units: str = "metric", *, fish: str = "trout") -> str:
        """The rule in plain words, in 'metric', 'us' or 'cm' units (see `rule_sentence`); `fish` names the kind in the plural."""
        return rule_sentence(self, units=units, fish=fish)

    def replace(self, **changes: Any) -> Regulation:
        """The same rule with parts changed, checked again."""
        unknown = set(changes) - {item.name for item in dataclasses.fields(self)}
        if unknown:
            raise InputError(f"a regulation has no part {', '.join(sorted(unknown))}")
        return dataclasses.replace(self, **changes)

    def __or__(self, other: Regulation) -> Regulation:
        """Both rules together: what `other` sets is added to this rule, and overrides it where both speak."""
        if not isinstance(other, Regulation):
            return NotImplemented
        plain = Regulation()
        names = [item.name for item in dataclasses.fields(self)]
        return self.replace(**{name: getattr(other, name) for name in names if getattr(other, name) != getattr(plain, name)})
