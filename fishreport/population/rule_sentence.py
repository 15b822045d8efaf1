"""A regulation in plain sentences, in metric or US units."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from fishreport.exceptions import InputError

if TYPE_CHECKING:
    from fishreport.population.regulation import Regulation

_MONTHS = (
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
)
_WORDS = ("none", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")


# Units of lengths → what a shown unit is in mm, and its sign.
_LENGTHS = {"metric": (1.0, "mm"), "cm": (10.0, "cm"), "us": (25.4, "in")}


def _number(value: float, units: str) -> str:
    scale, _ = _LENGTHS[units]
    return f"{value:g}" if scale == 1 else f"{round(value / scale, 1):g}"


def _lengths(*values: float, units: str) -> str:
    """``356 mm``, ``330 to 508 mm``; with cm, inches in brackets: ``35.6 cm (14 in)``."""
    told = f"{' to '.join(_number(value, units) for value in values)} {_LENGTHS[units][1]}"
    return f"{told} ({_lengths(*values, units='us')})" if units == "cm" else told


def _count(value: int) -> str:
    return _WORDS[value] if value < len(_WORDS) else str(value)


def _range(low: float, high: float, units: str) -> str:
    if low <= 0 and math.isinf(high):
        return "of any length"
    if math.isinf(high):
        return f"of {_lengths(low, units=units)} or more"
    if low <= 0:
        return f"up to {_lengths(high, units=units)}"
    return f"of {_lengths(low, high, units=units)}"


def _months(months: tuple[int, ...]) -> str:
    """Runs of months, one that spans the turn of the year in one piece."""
    chosen = set(months)
    starts = [month for month in months if (month - 2) % 12 + 1 not in chosen]
    runs = []
    for start in starts:
        end = start
        while end % 12 + 1 in chosen:
            end = end % 12 + 1
        names = _MONTHS[start - 1], _MONTHS[end - 1]
        runs.append(f"in {names[0]}" if start == end else f"from {names[0]} to {names[1]}")
    return " and ".join([", ".join(runs[:-1]), runs[-1]] if len(runs) > 1 else runs)


def _length_rule(rule: Regulation, units: str, kind: str) -> str:
    ranges = rule.kept_ranges()
    slot = rule.protected_slot_mm
    plain_slot = slot is not None and slot[0] < slot[1] and ranges == ((0.0, slot[0]), (slot[1], math.inf))
    if not rule.may_keep:
        return f"All {kind.lower()} must be released."
    if ranges == ((0.0, math.inf),):
        return f"{kind} of any length may be kept."
    if plain_slot and slot is not None:
        text = f"{kind} {_range(*slot, units)} must be released"
        above = _range(slot[1], math.inf, units)
        if rule.bag_over_slot is None:
            return f"{text}; shorter and longer ones may be kept."
        return f"{text}; {_count(rule.bag_over_slot)} {above} may be kept a day, and shorter ones."
    if len(ranges) == 1:
        low, high = ranges[0]
        if math.isinf(high):
            return f"{kind} {_range(low, high, units)} may be kept; shorter ones must be released."
        if low <= 0:
            return f"{kind} {_range(low, high, units)} may be kept; longer ones must be released."
        return f"{kind} {_range(low, high, units)} may be kept; shorter and longer ones must be released."
    kept = " or ".join(_range(low, high, units) for low, high in ranges)
    text = f"{kind} {kept} may be kept; all others must be released."
    if rule.bag_over_slot is not None and slot is not None:
        above = _range(slot[1], math.inf, units)
        text += f" At most {_count(rule.bag_over_slot)} {above} may be kept a day."
    return text


def rule_sentence(rule: Regulation, *, units: str = "metric", fish: str = "trout") -> str:
    """What the rule asks of an angler and of the manager, in plain words.

    Parameters
    ----------
    rule : Regulation
    units : {'metric', 'us', 'cm'}
        Lengths in mm, in inches to the nearest tenth, or in cm with inches in brackets, both to the nearest tenth.
    fish : str
        The kind of fish in the plural, such as ``"brown trout"``.
    """
    if units not in _LENGTHS:
        raise InputError(f"units must be 'metric', 'us' or 'cm', got {units!r}")
    kind = fish[:1].upper() + fish[1:]
    parts: list[str] = []
    if len(rule.closed_months) == 12:
        parts.append("The water is closed to angling all year.")
    else:
        parts.append(_length_rule(rule, units, kind))
        if rule.bag_limit:
            parts.append(f"At most {_count(rule.bag_limit)} may be kept a day.")
        if rule.closed_months:
            parts.append(f"Angling is closed {_months(rule.closed_months)}.")
        if rule.gear == "bait":
            parts.append("Bait is used.")
        elif rule.gear != "any":
            parts.append(f"Only {rule.gear} are allowed.")
    if rule.release_mortality is not None:
        parts.append(f"Of released fish {100 * rule.release_mortality:g} % are taken to die.")
    if rule.stocking is not None and rule.stocking.number_per_year > 0:
        put = rule.stocking
        length = _lengths(put.mean_length_mm, units=units)
        often = "every year" if put.every_years == 1 else f"every {_count(put.every_years)} years"
        parts.append(f"{put.number_per_year:,.0f} {fish} of {length} are stocked {often} in {_MONTHS[put.month - 1]}.")
    if rule.effort_change:
        way = "more" if rule.effort_change > 0 else "less"
        parts.append(f"Angling effort is taken to be {abs(100 * rule.effort_change):g} % {way} than today.")
    return " ".join(parts)
