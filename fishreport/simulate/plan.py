"""The study file of a simulated survey: water, species, plan, rules to compare, and the rows set aside."""

from __future__ import annotations

import json
from typing import Any

from fishreport.simulate.entry_errors import Planted
from fishreport.simulate.presets import STOCKING_CUT
from fishreport.simulate.spec import SurveySpec
from fishreport.simulate.survey import SimulatedSurvey

WIDTH_M = 38
SPECIES_LINES: dict[str, dict[str, Any]] = {
    "BNT": {"minimum_length_mm": 140, "maximum_length_mm": 760},
    "RBT": {"minimum_length_mm": 120, "maximum_length_mm": 760},
    "SMB": {"minimum_length_mm": 150, "maximum_length_mm": 560},
}
LIFE_HISTORY: dict[str, dict[str, Any]] = {
    "BNT": {
        "age_at_maturity": 2.6,
        "length_at_maturity_mm": 310,
        "recruitment": "beverton-holt",
        "steepness": 0.75,
        "recruitment_sd": 0.3,
        "recruitment_autocorrelation": 0.3,
        "source": "invented for the demonstration",
    },
    "RBT": {
        "age_at_maturity": 2.6,
        "length_at_maturity_mm": 320,
        "recruitment": "beverton-holt",
        "steepness": 0.65,
        "recruitment_sd": 0.4,
        "recruitment_autocorrelation": 0.2,
        "source": "invented for the demonstration",
    },
    "SMB": {
        "age_at_maturity": 3.7,
        "length_at_maturity_mm": 260,
        "recruitment": "density independent",
        "recruitment_sd": 0.5,
        "source": "invented for the demonstration",
    },
}
PLAN = "management plan of the invented district, 2016"
OBJECTIVES: tuple[dict[str, Any], ...] = (
    {
        "name": "Plenty of brown trout of quality length",
        "quantity": "catch_rate",
        "species": "BNT",
        "size_class": "quality",
        "at_least": 50,
        "over_years": 3,
        "source": PLAN,
    },
    {
        "name": "Brown trout of all sizes",
        "quantity": "proportional_size",
        "species": "BNT",
        "size_class": "preferred",
        "between": [40, 60],
        "source": PLAN,
    },
    {
        "name": "Brown trout well fed",
        "quantity": "relative_weight",
        "species": "BNT",
        "size_class": "stock",
        "at_least": 95,
        "source": PLAN,
    },
    {
        "name": "Brown trout die no faster than the plan bears",
        "quantity": "total_mortality",
        "species": "BNT",
        "size_class": "all",
        "at_most": 0.65,
        "source": PLAN,
    },
    {
        "name": "Plenty of rainbow trout",
        "quantity": "catch_rate",
        "species": "RBT",
        "size_class": "stock",
        "at_least": 45,
        "over_years": 3,
        "source": PLAN,
    },
    {
        "name": "Some large rainbow trout",
        "quantity": "proportional_size",
        "species": "RBT",
        "size_class": "quality",
        "at_least": 15,
        "source": PLAN,
    },
)
SCENARIOS: tuple[dict[str, Any], ...] = (
    {"name": "Today: 356 mm minimum, five a day", "species": "BNT", "minimum_length_mm": 356, "bag_limit": 5},
    {"name": "406 mm minimum, two a day", "species": "BNT", "minimum_length_mm": 406, "bag_limit": 2},
    {"name": "Slot of 330 to 508 mm protected, two a day", "species": "BNT", "protected_slot_mm": [330, 508], "bag_limit": 2},
    {"name": "Harvest slot of 254 to 356 mm, five a day", "species": "BNT", "harvest_slot_mm": [254, 356], "bag_limit": 5},
    {"name": "Catch and release", "species": "BNT", "release_only": True},
    {
        "name": "Catch and release, barbless flies and lures",
        "species": "BNT",
        "release_only": True,
        "gear": "barbless flies and lures",
    },
    {
        "name": "Today's rule, closed while brown trout spawn",
        "species": "BNT",
        "minimum_length_mm": 356,
        "bag_limit": 5,
        "closed_months": [11, 12, 1],
    },
    {
        "name": "Rainbow trout: today's rule and stocking",
        "species": "RBT",
        "minimum_length_mm": 356,
        "bag_limit": 5,
        "stocking": {"number_per_year": 1200, "mean_length_mm": 232, "month": 5},
    },
    {
        "name": "Rainbow trout: today's rule, stocking as before 2021",
        "species": "RBT",
        "minimum_length_mm": 356,
        "bag_limit": 5,
        "stocking": {"number_per_year": 3600, "mean_length_mm": 232, "month": 5},
    },
)


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_value(item) for item in value) + "]"
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {_value(item)}" for key, item in value.items()) + " }"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False)
    return f"{value:g}" if isinstance(value, float) else str(value)


def _block(heading: str, pairs: dict[str, Any]) -> list[str]:
    return [heading, *(f"{key} = {_value(value)}" for key, value in pairs.items()), ""]


def _water(spec: SurveySpec) -> list[str]:
    water = {
        "name": spec.water,
        "kind": "tailwater",
        "region": "an invented region",
        "length_km": round(spec.length_km, 2),
        "width_m": WIDTH_M,
    }
    lines = _block("[water]", water)
    for reach, length in spec.reaches.items():
        lines += _block("[[water.strata]]", {"reach": reach, "length_km": length})
    return lines


def study_text(survey: SimulatedSurvey, *, tables: list[str], planted: list[Planted]) -> str:
    """The text of ``study.toml``.

    Parameters
    ----------
    survey : SimulatedSurvey
        The survey that the study is about.
    tables : list of str
        Tables that were written.
    planted : list of Planted
        Slips; those with a reason are set aside.
    """
    spec = survey.truth.spec
    codes = [species.code for species in spec.species]
    lines = ["# An invented water. Its fish, its catches and its plan are simulated; what is true of them is in truth.json.", ""]
    lines += _water(spec)
    lines += _block("[season]", {"year": spec.years[-1], "months": [10]})
    lines += _block("[data]", {name: f"{name}.csv" for name in tables})
    for species in spec.species:
        pairs = {
            "name": species.name,
            "standard": species.standard,
            **SPECIES_LINES.get(species.code, {}),
            "origin": species.origin,
        }
        lines += _block(f"[species.{species.code}]", pairs)
        if species.code in LIFE_HISTORY:
            lines += _block(f"[species.{species.code}.life_history]", LIFE_HISTORY[species.code])
    for objective in OBJECTIVES:
        if objective["species"] in codes:
            lines += _block("[[objectives]]", objective)
    for scenario in SCENARIOS:
        if scenario["species"] in codes:
            lines += _block("[[scenarios]]", scenario)
    if spec.first_year < STOCKING_CUT <= spec.years[-1] and "RBT" in codes:
        lines += _block("[[events]]", {"name": "Stocking of rainbow trout cut to a third", "year": STOCKING_CUT})
    lines += _block("[parameters]", {"level": 0.95, "seed": 2025, "bin_mm": 20, "water_temperature_c": 9.5})
    lines += _block(
        "[electrofishing]", {"conductivity_us_cm": 195, "voltage_v": 265, "current_a": 5.7, "fish_conductivity_us_cm": 115}
    )
    title = f"Trout and bass of the {spec.water}, {spec.years[-1]}"
    lines += _block("[report]", {"title": title, "author": "District fisheries biologist", "units": "metric"})
    for slip in planted:
        if slip.reason:
            pairs = {"row": slip.row, "where": dict(slip.where), "reason": slip.reason}
            lines += _block(f"[[set_aside.{slip.table}]]", pairs)
    return "\n".join(lines).rstrip("\n") + "\n"
