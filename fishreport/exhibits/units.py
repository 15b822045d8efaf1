"""The units that a report is read in: metric, or US customary. Everything is kept in metric; only what is shown is converted."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Context, Decimal
from functools import lru_cache
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike

from fishreport.exceptions import UsageError
from fishreport.methods.estimate import Estimate

MINUS = "−"
NOT_ESTIMABLE = "not estimable"
NO_VALUE = "—"

# Exact by definition: inch, pound, mile, foot (international yard and pound agreement, 1959), acre = 4840 square yards.
_MM_PER_INCH = 25.4
_GRAMS_PER_POUND = 453.59237
_KM_PER_MILE = 1.609344
_M_PER_FOOT = 0.3048
_HECTARES_PER_ACRE = 0.40468564224


@dataclass(frozen=True, slots=True)
class Unit:
    """How a metric unit is shown: ``shown = factor × value + offset``, with the decimals of a plain reading."""

    name: str
    factor: float = 1.0
    offset: float = 0.0
    decimals: int = 1
    word: str = ""
    """The unit spelled out, in the plural, for sentences."""


_METRIC: dict[str, Unit] = {
    "mm": Unit("mm", decimals=0, word="mm"),
    "cm": Unit("cm", word="cm"),
    "m": Unit("m", word="m"),
    "km": Unit("km", word="km"),
    "g": Unit("g", decimals=0, word="g"),
    "kg": Unit("kg", word="kg"),
    "ha": Unit("ha", word="hectares"),
    "m2": Unit("m²", decimals=0, word="square metres"),
    "°C": Unit("°C", word="°C"),
    "m3/s": Unit("m³/s", decimals=2, word="m³/s"),
    "µS/cm": Unit("µS/cm", decimals=0, word="µS/cm"),
}
_US: dict[str, Unit] = {
    "mm": Unit("in", 1 / _MM_PER_INCH, decimals=1, word="inches"),
    "cm": Unit("in", 10 / _MM_PER_INCH, decimals=1, word="inches"),
    "m": Unit("ft", 1 / _M_PER_FOOT, decimals=1, word="feet"),
    "km": Unit("mi", 1 / _KM_PER_MILE, decimals=1, word="miles"),
    "g": Unit("lb", 1 / _GRAMS_PER_POUND, decimals=2, word="pounds"),
    "kg": Unit("lb", 1000 / _GRAMS_PER_POUND, decimals=1, word="pounds"),
    "ha": Unit("acres", 1 / _HECTARES_PER_ACRE, decimals=1, word="acres"),
    "m2": Unit("ft²", 1 / _M_PER_FOOT**2, decimals=0, word="square feet"),
    "°C": Unit("°F", 1.8, 32.0, 1, "°F"),
    "m3/s": Unit("cfs", 1 / _M_PER_FOOT**3, decimals=0, word="cubic feet per second"),
    "µS/cm": Unit("µS/cm", decimals=0, word="µS/cm"),
}
_SPELLINGS = {"m³/s": "m3/s", "m^3/s": "m3/s", "C": "°C", "degC": "°C", "uS/cm": "µS/cm", "m²": "m2", "hectare": "ha"}
_ONE_OF = {"acres": "acre", "miles": "mile", "hectares": "hectare", "inches": "inch", "pounds": "pound", "feet": "foot"}
_DIVISION = re.compile(r"\s*/\s*|\s+per\s+")
_FAR = 5  # times the value
# Counted things are shown whole; lengths and shares no finer than they can be read.
_FINEST = {
    "fish": 0, "runs": 0, "sites": 0, "mm": 1, "in": 2, "percent": 1, "°C": 1, "°F": 1, "cfs": 0, "fish/km": 0, "fish/mi": 0,
}  # fmt: skip


def _spelled(units: str) -> str:
    return _SPELLINGS.get(units.strip(), units.strip())


def _decimals_for(spread: float, digits: int) -> int:
    return digits - 1 - math.floor(math.log10(max(spread, 1e-15)))  # no more decimals are ever shown


def _fixed(value: float, decimals: int) -> str:
    if not math.isfinite(value):
        return NO_VALUE if math.isnan(value) else ("∞" if value > 0 else f"{MINUS}∞")
    exact = Decimal(repr(float(value)))
    # As many digits as the number has before its point and those asked for: the default of 28 is too few for 1e30.
    context = Context(prec=max(28, exact.adjusted() + max(decimals, 0) + 2))
    rounded = exact.quantize(Decimal(1).scaleb(-decimals), ROUND_HALF_UP, context)
    text = f"{abs(rounded):,.{max(decimals, 0)}f}"
    return f"{MINUS}{text}" if rounded < 0 else text


def format_number(value: float, *, digits: int = 3, decimals: int | None = None) -> str:
    """A number as text: `digits` significant digits, or a fixed number of `decimals`; '—' for NaN.

    Thousands are parted by a comma, minus is a true minus sign, and no zero is ever negative.
    """
    value = float(value)
    if decimals is None:
        decimals = 0 if not math.isfinite(value) or value == 0 else min(max(_decimals_for(abs(value), digits), 0), 12)
    return _fixed(value, decimals)


@dataclass(frozen=True, slots=True)
class FormattedEstimate:
    """An estimate as text in the units of the report.

    Attributes
    ----------
    value : str
        Such as ``61.2``; ``not estimable`` when there is no value.
    interval : str
        Such as ``51.9 to 71.7``; ``—`` when there is none. An open side reads ``51.9 or more``.
    unit : str
        Such as ``fish/h``; empty for a pure number.
    text : str
        All in one, such as ``61.2 fish/h (51.9 to 71.7)``.
    lower, upper : str
        The limits alone, with the digits of the value.
    """

    value: str
    interval: str
    unit: str
    text: str
    lower: str = NO_VALUE
    upper: str = NO_VALUE


@dataclass(frozen=True, slots=True)
class Units:
    """A unit system for all that is shown.

    Attributes
    ----------
    system : str
        ``metric`` or ``us`` (inches, pounds, °F, cfs, miles, acres).
    """

    system: Literal["metric", "us"] = "metric"

    def __post_init__(self) -> None:
        if self.system not in ("metric", "us"):
            raise UsageError(f"units must be 'metric' or 'us', not {self.system!r}")

    def _unit(self, metric: str) -> Unit:
        table = _US if self.system == "us" else _METRIC
        try:
            return table[_spelled(metric)]
        except KeyError:
            raise UsageError(f"no unit {metric!r}; known metric units: {', '.join(_METRIC)}") from None

    # ---- any unit by its metric name ----------------------------------------------------------------------------

    def value(self, value: ArrayLike, metric: str) -> Any:
        """`value`, given in the metric unit `metric`, in the unit shown; a float, or an array for an array."""
        unit = self._unit(metric)
        shown = np.asarray(value, float) * unit.factor + unit.offset
        return float(shown) if np.ndim(value) == 0 else shown

    def unit(self, metric: str) -> str:
        """Name of the unit in which the metric unit `metric` is shown, such as ``in`` for ``mm``."""
        return self._unit(metric).name

    def text(self, value: float, metric: str, *, decimals: int | None = None) -> str:
        """`value` with its unit, such as ``330 mm`` or ``13.0 in``; '—' for NaN."""
        unit = self._unit(metric)
        if not math.isfinite(value):
            return NO_VALUE
        number = format_number(self.value(value, metric), decimals=unit.decimals if decimals is None else decimals)
        name = _ONE_OF.get(unit.name, unit.name) if float(number.replace(",", "").replace(MINUS, "-")) == 1 else unit.name
        return f"{number} {name}"

    def label(self, noun: str, metric: str) -> str:
        """An axis label or column heading with its unit, such as ``Total length (in)``."""
        return f"{noun} ({self.unit(metric)})"

    def units(self, units: str) -> str:
        """The units string of an estimate as it is shown: ``fish/km`` → ``fish/mi``, ``mm/year`` → ``in/year``."""
        return self._conversion(units)[0]

    def quantity(self, value: ArrayLike, units: str, *, difference: bool = False) -> tuple[Any, str]:
        """A value with the units string of an estimate, as it is shown.

        Parameters
        ----------
        value : float or array
            In the units `units`.
        units : str
            Of an Estimate, such as ``fish/h``, ``mm``, ``fish/km``, ``percent``, ``g per recruit``, ``°C`` or empty.
        difference : bool
            True for a difference or a standard error: then a temperature gets no offset.

        Returns
        -------
        (value, units) : the value in the unit shown, and the name of that unit.
        """
        name, factor, offset = self._conversion(units)
        shown = np.asarray(value, float) * factor + (0.0 if difference else offset)
        return (float(shown) if np.ndim(value) == 0 else shown), name

    def _conversion(self, units: str) -> tuple[str, float, float]:
        return _converted(self.system, units)

    # ---- the usual measures -------------------------------------------------------------------------------------

    def length(self, mm: float) -> str:
        """Fish length: ``330 mm`` | ``13.0 in``."""
        return self.text(mm, "mm")

    def length_value(self, mm: ArrayLike) -> Any:
        """Fish length in mm | inches."""
        return self.value(mm, "mm")

    @property
    def length_unit(self) -> str:
        """``mm`` | ``in``."""
        return self.unit("mm")

    @property
    def length_label(self) -> str:
        """Axis label of fish length."""
        return self.label("Total length", "mm")

    def weight(self, g: float) -> str:
        """Fish weight: ``350 g`` | ``0.77 lb``."""
        return self.text(g, "g")

    def weight_value(self, g: ArrayLike) -> Any:
        """Fish weight in g | pounds."""
        return self.value(g, "g")

    @property
    def weight_label(self) -> str:
        """Axis label of fish weight."""
        return self.label("Weight", "g")

    def temperature(self, celsius: float) -> str:
        """Water temperature: ``12.5 °C`` | ``54.5 °F``."""
        return self.text(celsius, "°C")

    def temperature_value(self, celsius: ArrayLike) -> Any:
        """Water temperature in °C | °F."""
        return self.value(celsius, "°C")

    def discharge(self, m3_s: float) -> str:
        """Discharge: ``8.50 m³/s`` | ``300 cfs``."""
        return self.text(m3_s, "m3/s")

    def distance(self, km: float) -> str:
        """Distance along the river: ``12.5 km`` | ``7.8 mi``."""
        return self.text(km, "km")

    def area(self, ha: float) -> str:
        """Area of water: ``12.3 ha`` | ``30.4 acres``."""
        return self.text(ha, "ha")

    def density(self, fish_per_km: float) -> str:
        """Fish per length of river: ``450 fish/km`` | ``724 fish/mi``."""
        shown, name = self.quantity(fish_per_km, "fish/km")
        return f"{format_number(shown)} {name}" if math.isfinite(shown) else NO_VALUE

    def length_range(self, low: float, high: float, categories: Mapping[str, float], categories_in: Mapping[str, float]) -> str:
        """A range of lengths (mm): ``230 to 300 mm``, ``380 mm and longer``.

        A bound that is a published length category reads as it was published, ``9 to 12 in``, and is not converted.
        """

        def bound(mm: float) -> str:
            name = next((name for name, published in categories.items() if published == mm), "")
            return self.class_length(name, categories, categories_in) if name in categories_in else self.length(mm)

        if math.isinf(high):
            return f"{bound(low)} and longer"
        return f"{bound(low).removesuffix(f' {self.length_unit}')} to {bound(high)}"

    def class_length(self, size_class: str, categories: Mapping[str, float], categories_in: Mapping[str, float]) -> str:
        """Lower bound of a published length category as it was published: ``230 mm`` | ``9 in``; never converted.

        The published millimetres and inches are two rounded sets (Willis, Murphy & Guy 1993); '—' for a class that the
        standard does not have.
        """
        bound = (categories_in if self.system == "us" else categories).get(size_class)
        return (
            NO_VALUE
            if bound is None
            else f"{format_number(bound, decimals=0 if float(bound).is_integer() else 1)} {self.length_unit}"
        )


@lru_cache(maxsize=512)
def _converted(system: str, units: str) -> tuple[str, float, float]:
    """Name, factor and offset by which a value in these units is shown."""
    table = _US if system == "us" else _METRIC
    if (whole := table.get(_spelled(units))) is not None:
        return whole.name, whole.factor, whole.offset
    parts = _DIVISION.split(units.strip(), maxsplit=1)
    if len(parts) != 2:
        return units, 1.0, 0.0
    between = "/" if (sign := _DIVISION.search(units.strip())) and "/" in sign.group() else " per "
    above, below = (table.get(_spelled(part)) for part in parts)
    names = [unit.name if unit else part for unit, part in zip((above, below), parts, strict=True)]
    names[1] = _ONE_OF.get(names[1], names[1])
    return between.join(names), (above.factor if above else 1.0) / (below.factor if below else 1.0), 0.0


METRIC = Units("metric")
US = Units("us")


def _coarser(limit: float, decimals: int) -> int:
    """Decimals of a limit far from its value: three significant digits, or whole."""
    return min(decimals, max(_decimals_for(limit, 3), 0)) if math.isfinite(limit) and limit else decimals


def format_estimate(estimate: Estimate, units: Units = METRIC, *, digits: int = 2) -> FormattedEstimate:
    """An estimate as text, with as many digits as its uncertainty bears.

    The last digit shown is the second (`digits`) significant digit of half the interval (of twice the standard error where
    there is no interval), but the first where the value would have four digits or more: ``88.9 (88.0 to 89.7)``. A value far
    from the middle of its interval keeps two digits, and one decimal more is shown where it keeps a limit from reading as zero.
    Without any uncertainty, three significant digits, none after the point of a whole number. Value and limits share the
    decimals, but a limit of over five times the value has three significant digits at most: ``0.7 (0.0 to 1,931)``. Counted
    things are shown whole. A value that is not estimable reads ``not estimable``, with '—' for its interval.
    """
    name = units.units(estimate.units)
    if not estimate.estimable:
        return FormattedEstimate(NOT_ESTIMABLE, NO_VALUE, name, NOT_ESTIMABLE)
    value, lower, upper = (float(units.quantity(x, estimate.units)[0]) for x in (estimate.value, estimate.lower, estimate.upper))
    if lower > upper:  # of a unit that runs the other way
        lower, upper = upper, lower
    sides = [side for side in (value - lower, upper - value) if math.isfinite(side) and side > 0]
    if not sides and math.isfinite(estimate.se) and estimate.se > 0:
        sides = [2 * abs(float(units.quantity(estimate.se, estimate.units, difference=True)[0]))]
    finest = _FINEST.get(name, 12)
    if sides:
        half = sum(sides) / len(sides)
        # Half the value, so that 97.4 and 100.3 have the same decimals; the value asks for one digit more than the interval.
        bearable = max(_decimals_for(abs(value) / 2, digits + 1) if value else 12, _decimals_for(half, digits - 1))
        wanted = min(_decimals_for(half, digits), bearable)
        if value and len(sides) == 2:
            wanted = max(wanted, min(_decimals_for(abs(value), digits), _decimals_for(min(sides), digits - 1)))
        if 0 < min(sides) < abs(value):  # a coarse unit never rounds a value away that is told from zero
            finest = max(finest, _decimals_for(abs(value), 1))
        if any(0.05 <= abs(x) * 10.0**wanted < 0.5 for x in (lower, upper)):
            wanted += 1
        decimals = min(wanted, finest, 12)
    else:
        decimals = 0 if value.is_integer() else min(max(_decimals_for(abs(value), 3), 0), 12)
    shown = _fixed(value, decimals)
    low, high = (_fixed(x, _coarser(x, decimals) if abs(x) > _FAR * abs(value) else decimals) for x in (lower, upper))
    if math.isfinite(lower) and math.isfinite(upper):
        interval = f"{low} to {high}"
    elif math.isfinite(lower):
        interval = f"{low} or more"
    elif math.isfinite(upper):
        interval = f"{high} or less"
    else:
        interval = NO_VALUE
    text = f"{shown} {name}".strip() if name != "percent" else f"{shown}%"
    return FormattedEstimate(shown, interval, name, text if interval == NO_VALUE else f"{text} ({interval})", low, high)
