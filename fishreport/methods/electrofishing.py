"""Power transfer from water to fish: goals for voltage and current when the conductivity of the water changes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from fishreport.exceptions import InputError
from fishreport.methods.inputs import FloatArray, measurements, number, numbers

FISH_US_CM = 115.0
_PER_DEGREE = 1.02
_REFERENCE_C = 25.0


@dataclass(frozen=True, slots=True)
class PowerTable:
    """Goals for a range of water conductivities; all arrays have one shape.

    Attributes
    ----------
    water_us_cm : array
        Ambient conductivity.
    multiplier, voltage_multiplier, current_multiplier : array
        Of matched conditions (water as conductive as the fish).
    voltage_v, current_a, power_w : array
        Goals that put as much power into the fish as the reference settings did.
    """

    water_us_cm: FloatArray
    multiplier: FloatArray
    voltage_multiplier: FloatArray
    current_multiplier: FloatArray
    voltage_v: FloatArray
    current_a: FloatArray
    power_w: FloatArray


def _ratio(water_us_cm: ArrayLike, fish_us_cm: float) -> FloatArray:
    water = measurements("water conductivity", water_us_cm, above=0)
    return np.asarray(number("fish conductivity", fish_us_cm, above=0, units="µS/cm") / water)


def _as_given(result: FloatArray) -> Any:
    return float(result) if result.ndim == 0 else result


def power_multiplier(water_us_cm: ArrayLike, fish_us_cm: float = FISH_US_CM) -> Any:
    """By how much the power in the water must exceed that of matched conditions for the same power in the fish.

    Parameters
    ----------
    water_us_cm : float or array
        Ambient (not temperature-corrected) conductivity of the water, µS/cm; NaN stays NaN.
    fish_us_cm : float
        Effective conductivity of the fish, µS/cm. 115 adds little error from 12 to 1,030 µS/cm (Miranda & Dolan 2003, Trans. Am.
        Fish. Soc., DOI 10.1577/T02-093, abstract seen); published values for trout reach from 50 to 160.

    Returns
    -------
    float or array
        (1 + q)² / (4 q), q = fish / water (Kolz 1989; Kolz & Reynolds 1989; from memory): 1 in matched water, else more.

    Raises
    ------
    InputError
        A conductivity that is zero, negative or infinite.
    """
    q = _ratio(water_us_cm, fish_us_cm)
    return _as_given((1 + q) ** 2 / (4 * q))


def voltage_multiplier(water_us_cm: ArrayLike, fish_us_cm: float = FISH_US_CM) -> Any:
    """Voltage for constant power in the fish, relative to matched water: (1 + q)/2, q = fish / water.

    Follows from `power_multiplier` when the resistance of the electrodes is proportional to 1/conductivity. Arguments and errors
    as there.
    """
    return _as_given((1 + _ratio(water_us_cm, fish_us_cm)) / 2)


def current_multiplier(water_us_cm: ArrayLike, fish_us_cm: float = FISH_US_CM) -> Any:
    """Current for constant power in the fish, relative to matched water: (1 + 1/q)/2, q = fish / water.

    As for `voltage_multiplier`.
    """
    return _as_given((1 + 1 / _ratio(water_us_cm, fish_us_cm)) / 2)


def ambient_from_specific(specific_us_cm: ArrayLike, temperature_c: ArrayLike) -> Any:
    """Ambient conductivity from specific conductance at 25 °C.

    Parameters
    ----------
    specific_us_cm : float or array
        Specific conductance, µS/cm at 25 °C, as most meters show it.
    temperature_c : float or array
        Water temperature, °C.

    Returns
    -------
    float or array
        Specific / 1.02^(25 − temperature), µS/cm (Reynolds 1996, after Kolz; from memory).

    Raises
    ------
    InputError
        A conductance not above zero, or a temperature outside −2 to 45 °C.
    """
    specific = measurements("specific conductance", specific_us_cm, above=0)
    degrees = measurements("water temperature", temperature_c)
    if bool(((degrees < -2) | (degrees > 45)).any()):
        raise InputError("water temperature must lie between −2 and 45 °C")
    return _as_given(np.asarray(specific / _PER_DEGREE ** (_REFERENCE_C - degrees)))


def power_table(
    water_us_cm: ArrayLike,
    *,
    reference_us_cm: float,
    reference_voltage_v: float,
    reference_current_a: float,
    fish_us_cm: float = FISH_US_CM,
) -> PowerTable:
    """Voltage, current and power goals from settings that worked on this water.

    Parameters
    ----------
    water_us_cm : array
        Ambient conductivities to give goals for, µS/cm.
    reference_us_cm, reference_voltage_v, reference_current_a : float
        Ambient conductivity, voltage and current at which fish were turned without harm; of the same kind (peak or mean) as the
        goals are read.
    fish_us_cm : float
        As for `power_multiplier`.

    Returns
    -------
    PowerTable
        Reference settings times the ratio of the multipliers at the new and at the reference conductivity, with the same
        electrodes in the same place. Goals are where to begin looking, not what is safe: the response of fish decides.

    Raises
    ------
    InputError
        A conductivity, voltage or current that is not above zero.
    """
    water = numbers("water_us_cm", water_us_cm, above=0)
    for name, value in (("reference_voltage_v", reference_voltage_v), ("reference_current_a", reference_current_a)):
        number(name, value, above=0)
    by_voltage = np.atleast_1d(voltage_multiplier(water, fish_us_cm))
    by_current = np.atleast_1d(current_multiplier(water, fish_us_cm))
    voltage = reference_voltage_v * by_voltage / voltage_multiplier(reference_us_cm, fish_us_cm)
    current = reference_current_a * by_current / current_multiplier(reference_us_cm, fish_us_cm)
    multiplier = np.atleast_1d(power_multiplier(water, fish_us_cm))
    return PowerTable(water, multiplier, by_voltage, by_current, voltage, current, voltage * current)
