"""What may have gone wrong in writing down a length or a weight: which single slip would explain it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from fishreport.fielddata.usual_weight import UsualWeight

MM_PER_INCH = 25.4
_UNITS_OF_WEIGHT = (("kilograms", 1000.0), ("pounds", 453.59237), ("ounces", 28.349523125))


@dataclass(frozen=True, slots=True)
class Slip:
    """One explanation: a code of the faults, the column at fault, what to say, and what would then be true."""

    code: str
    column: str
    advice: str
    length_mm: float
    weight_g: float
    unlikely: float = 0.0


def digits(value: float) -> str:
    """A measurement as digits, without a needless point."""
    return str(int(value)) if float(value).is_integer() else repr(float(value))


def _one_less(text: str) -> list[str]:
    return sorted({text[:k] + text[k + 1 :] for k in range(len(text)) if text[k].isdigit()})


def _changed_over(text: str) -> list[str]:
    swapped = {text[:k] + text[k + 1] + text[k] + text[k + 2 :] for k in range(len(text) - 1) if text[k : k + 2].isdigit()}
    return sorted(swapped - {text})


def _number(text: str) -> float:
    return float(text) if text.strip(".") and not text.startswith("0") else 0.0


def length_slips(length: float) -> Iterator[Slip]:
    """Slips of a length alone (mm)."""
    yield Slip(
        "length_in_inches", "length_mm", f"in inches it would be {length * MM_PER_INCH:.0f} mm", length * MM_PER_INCH, np.nan
    )
    centimetres = f"in centimetres, or with its last digit lost, it would be about {length * 10:.0f} mm"
    yield Slip("length_in_centimetres", "length_mm", centimetres, length * 10, np.nan)
    text = digits(length)
    for other in _one_less(text) if len(text) > 2 else []:
        if value := _number(other):
            yield Slip("length_digit_added", "length_mm", f"perhaps {other} mm, with a digit too many", value, np.nan, 0.5)
    for other in _changed_over(text):
        if value := _number(other):
            advice = f"perhaps {other} mm, with two digits changed over"
            yield Slip("digits_transposed", "length_mm", advice, value, np.nan, 0.5)


def _weight_slips(length: float, weight: float, usual: float) -> Iterator[Slip]:
    text = digits(weight)
    if weight.is_integer():
        nearest = float(np.clip(usual, weight * 10, weight * 10 + 9))
        advice = f"perhaps its last digit is lost ({text}0 to {text}9 g)"
        yield Slip("weight_digit_lost", "weight_g", advice, length, nearest, 0.3)
    for other in _one_less(text) if len(text) > 2 else []:
        if value := _number(other):
            yield Slip("weight_digit_added", "weight_g", f"perhaps {other} g, with a digit too many", length, value, 0.5)
    for other in _changed_over(text):
        if value := _number(other):
            advice = f"perhaps {other} g, with two digits changed over"
            yield Slip("digits_transposed", "weight_g", advice, length, value, 0.5)
    for unit, grams in _UNITS_OF_WEIGHT:
        advice = f"in {unit} it would be {weight * grams:.0f} g"
        yield Slip("weight_in_other_unit", "weight_g", advice, length, weight * grams, 1.0)


def explain(length: float, weight: float, usual: UsualWeight) -> list[Slip]:
    """Slips that would make length (mm) and weight (g) agree with the usual weight, the likeliest first."""
    swapped = f"the other way round it would be {digits(weight)} mm and {digits(length)} g"
    found = [Slip("length_weight_swapped", "length_mm", swapped, weight, length)]
    found += [Slip(slip.code, slip.column, slip.advice, slip.length_mm, weight, slip.unlikely) for slip in length_slips(length)]
    found += _weight_slips(length, weight, float(usual.weight(length)))
    ranked = []
    for order, slip in enumerate(found):
        if not usual.low <= slip.length_mm <= usual.high or slip.weight_g <= 0:
            continue
        residual = abs(float(usual.residual(slip.length_mm, slip.weight_g)))
        if residual <= max(2.5 * usual.scale, np.log10(1.2)):
            ranked.append((residual / usual.scale + slip.unlikely, order, slip))
    return [slip for _, _, slip in sorted(ranked, key=lambda entry: entry[:2])]
