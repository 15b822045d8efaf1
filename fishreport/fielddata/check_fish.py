"""Doubts about single fish: weight for length, lengths that no such fish has, fish entered twice, unknown species."""

from __future__ import annotations

import difflib

import numpy as np
import pandas as pd

from fishreport.exceptions import StandardError
from fishreport.fielddata.faults import Faults
from fishreport.fielddata.grid import RawTable
from fishreport.fielddata.slips import digits, explain, length_slips
from fishreport.fielddata.usual_weight import MINIMUM_WEIGHED, UsualWeight, common_lengths, fit_usual_weight
from fishreport.species import Standard, load_standards
from fishreport.study import Species, Study

SHORTEST_CAUGHT_MM = 60.0
_SHORT_SHARE = 0.2
_COMMON_CONDITION = (0.1, 5.0)
_EXPLAINED = 2_000
_SEE_SHEET = "see the field sheet"


def _standards(species: Species | None) -> list[Standard]:
    """The standard that the study names, or those of the species, whichever water they are for."""
    if species is None:
        return []
    standards = load_standards()
    if species.standard:
        try:
            return [standards.find(species.standard)]
        except StandardError:
            pass  # one of the study's own, or told by check_standards
    same = [standard for standard in standards if standard.species.casefold() == species.name.casefold()]
    return [standard for standard in same if not standard.regional]


def _usual(length: np.ndarray, weight: np.ndarray, standards: list[Standard]) -> UsualWeight | None:
    """From the data, or from the published standard weight where too few fish are weighed."""
    both = ~np.isnan(length) & ~np.isnan(weight)
    fitted = fit_usual_weight(length[both], weight[both])
    standard = next((standard for standard in standards if not standard.quadratic), None)
    if fitted is not None or standard is None or not both.any():
        return fitted
    return UsualWeight(standard.intercept, standard.slope, 0.09, SHORTEST_CAUGHT_MM, _longest(standards) or 1000.0)


def _longest(standards: list[Standard]) -> float | None:
    return max((standard.world_maximum_length_mm or 0.0 for standard in standards), default=0.0) or None


def _doubt_weights(fish: pd.DataFrame, usual: UsualWeight, raw: RawTable, faults: Faults) -> None:
    weighed = fish[fish["length_mm"].notna() & fish["weight_g"].notna()]
    length, weight = weighed["length_mm"].to_numpy(), weighed["weight_g"].to_numpy()
    lines = weighed.index.to_numpy()
    residual = usual.residual(length, weight)
    # The equation says little about fish far shorter than those it rests on; rounding to a gram then says less.
    for number, place in enumerate(np.flatnonzero(np.abs(residual) > usual.tolerance(length))):
        slips = explain(float(length[place]), float(weight[place]), usual) if number < _EXPLAINED else []
        expected = float(usual.weight(length[place]))
        shown = f"{expected:.0f}" if expected >= 10 else f"{expected:.2g}"
        message = f"{digits(weight[place])} g at {digits(length[place])} mm is far from the usual {shown} g"
        if not slips:
            raw.tell(faults, "weight_far_from_length", lines[place], "weight_g", message, _SEE_SHEET)
            continue
        others = [slip for slip in slips[1:] if slip.code != slips[0].code][:1]
        advice = "; or ".join(slip.advice for slip in [slips[0], *others])
        raw.tell(faults, slips[0].code, lines[place], slips[0].column, message, f"{advice}; {_SEE_SHEET}")


def _doubt_units(fish: pd.DataFrame, name: str, raw: RawTable, faults: Faults) -> None:
    """Lengths or weights of a whole species that seem to be in other units: too short, or far too stout or thin."""
    length = fish["length_mm"].dropna()
    if len(length) < MINIMUM_WEIGHED:
        return
    middle = float(length.median())
    condition = float((1e5 * fish["weight_g"] / fish["length_mm"] ** 3).dropna().median())
    short = middle < SHORTEST_CAUGHT_MM
    if not short and (np.isnan(condition) or _COMMON_CONDITION[0] < condition < _COMMON_CONDITION[1]):
        return
    stout = "" if np.isnan(condition) else f", and a median condition factor of {condition:.2g} where 1 is usual"
    message = f"the {len(length)} fish of {name} have a median length of {middle:.4g} mm{stout}"
    advice = "check that all lengths are in millimetres and all weights in grams, not in inches, centimetres, pounds or kilograms"
    raw.tell(faults, "units_of_table", length.index[0], "length_mm", message, advice)


def _doubt_short(fish: pd.DataFrame, raw: RawTable, faults: Faults) -> None:
    """Lengths too short for the catch, where inches or centimetres would make them common; weighed fish speak by their weight."""
    length = fish["length_mm"].dropna()
    short = length < SHORTEST_CAUGHT_MM
    if not short.any() or short.mean() > _SHORT_SHARE:
        return
    usual = length[~short].to_numpy()
    low, high = common_lengths(usual)
    middle = np.log(np.median(usual))
    told = faults.rows("fish", "doubt")
    for line, value in length[short & fish.loc[length.index, "weight_g"].isna()].items():
        slips = [slip for slip in length_slips(float(value)) if low <= slip.length_mm <= high and not slip.unlikely]
        if line in told or not slips:
            continue
        slips.sort(key=lambda slip: abs(np.log(slip.length_mm) - middle))
        advice = "; ".join(slip.advice for slip in slips)
        message = f"{digits(value)} mm is shorter than the fish that are caught here"
        raw.tell(faults, slips[0].code, line, "length_mm", message, f"{advice}; {_SEE_SHEET}")


def _doubt_long(fish: pd.DataFrame, name: str, longest: float, high: float, raw: RawTable, faults: Faults) -> None:
    told = faults.rows("fish", "doubt")
    over = fish.loc[fish["length_mm"] > longest, "length_mm"]
    for line, value in over.items():
        if line in told:
            continue
        slips = [slip for slip in length_slips(float(value)) if slip.length_mm <= min(longest, high) and slip.unlikely]
        middle = np.log(fish["length_mm"].median())
        slips.sort(key=lambda slip: abs(np.log(slip.length_mm) - middle))
        hint = f"{slips[0].advice}; " if slips else ""
        message = f"{digits(value)} mm is longer than a {name} is believed to grow here ({longest:.0f} mm)"
        raw.tell(faults, "length_over_maximum", line, "length_mm", message, f"{hint}{_SEE_SHEET}")


def check_standards(study: Study, faults: Faults) -> None:
    """Every standard that the study file names is there, in the published ones or the study's own."""
    for code, species in study.species.items():
        if not species.standard:
            continue
        try:
            load_standards(study.own_standards).find(species.standard)
        except StandardError as error:
            message = str(error).rstrip(".?")
            advice = "correct the name; a species without a published standard needs no line `standard`"
            column = f"species.{code}.standard"
            faults.add("unknown_standard", "", message, advice, file="study.toml", column=column, value=species.standard)


def check_sizes(fish: pd.DataFrame, study: Study, raw: RawTable, faults: Faults) -> None:
    """Doubts about length and weight, species by species; `fish` has ``species_key`` and no rows in error."""
    by_key = {species.key: species for species in study.species.values()}
    for key, group in fish.groupby("species_key", sort=True):
        species = by_key.get(str(key))
        standards = _standards(species)
        length = group["length_mm"].to_numpy()
        usual = _usual(length, group["weight_g"].to_numpy(), standards)
        if usual is not None:
            _doubt_weights(group, usual, raw, faults)
        name = species.name if species else str(key)
        _doubt_units(group, name, raw, faults)
        _doubt_short(group, raw, faults)
        longest = species.maximum_length_mm if species else None
        longest = longest or _longest(standards)
        if longest is not None:
            high = common_lengths(length[length <= longest])[1]
            _doubt_long(group, name, longest, high, raw, faults)
    if len(fish) and fish["weight_g"].isna().all():
        message = "no fish was weighed, so nothing is said of condition"
        faults.add("no_weights", "fish", message, file=raw.file, column="weight_g")
    if len(fish) and fish["length_mm"].isna().all():
        message = "no fish was measured, so nothing is said of sizes"
        faults.add("no_lengths", "fish", message, file=raw.file, column="length_mm")


def check_twice(fish: pd.DataFrame, raw: RawTable, faults: Faults) -> None:
    """A measured and weighed fish the same as the row above, or two rows that stand once more in the same run.

    Chance alone gives the first about once in ten thousand weighed fish.
    """
    whole = fish[fish["length_mm"].notna() & fish["weight_g"].notna() & (fish["run_line"] >= 0) & (fish["tag"] == "")]
    if len(whole) < 2:
        return
    same = ["run_line", "species", "length_mm", "weight_g", "count", "mark", "age_sample", "fate"]
    key = whole.groupby(same, sort=False, dropna=False).ngroup()
    lines = whole.index.to_numpy()
    first = pd.Series(lines, whole.index).groupby(key).transform("first").to_numpy()
    above = (np.diff(key, prepend=-1) == 0) & (np.diff(lines, prepend=-9) == 1)
    pairs = pd.DataFrame({"key": key, "previous": key.shift(fill_value=-1)})
    # The second of a pair of rows that stood before in the same order; then the first of that pair too.
    block = pairs.duplicated().to_numpy() & (np.diff(whole["run_line"], prepend=-9) == 0) & key.duplicated().to_numpy()
    block[:-1] |= block[1:] & key.duplicated().to_numpy()[:-1]
    told = faults.rows("fish", "doubt")
    for place in np.flatnonzero(above | block):
        line = int(lines[place])
        if line not in told:
            message = f"the fish is the same as that of line {line - 1 if above[place] else first[place]} in every column"
            raw.tell(faults, "duplicate_fish", line, "length_mm", message, "take one out if it was entered twice")


def check_codes(frame: pd.DataFrame, study: Study, raw: RawTable, faults: Faults) -> None:
    """Species codes that the study does not name, each once with its count."""
    if "species" not in frame:
        return
    known = {text.casefold() for code, item in study.species.items() for text in (code, item.name, item.key)}
    codes = frame.loc[frame["species"] != "", "species"]
    for code, rows in codes.groupby(codes, sort=False):
        if str(code).casefold() in known:
            continue
        letters = sorted(str(code).upper())
        near = [name for name in study.species if sorted(name.upper()) == letters]
        near = near or difflib.get_close_matches(str(code).upper(), list(study.species), n=1, cutoff=0.6)
        hint = f"perhaps {near[0]}, or " if near else ""
        count = len(rows)
        s = "s" if count > 1 else ""
        message = f"the study names no species {code}, which stands in {count} row{s} of the {raw.name} table"
        advice = f"{hint}add [species.{code}] to the study file; until then these rows count for no species of the report"
        raw.tell(faults, "unknown_species", rows.index[0], "species", message, advice)
