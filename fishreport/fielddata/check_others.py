"""Checks of the optional tables: ages, census, flow, harvest."""

from __future__ import annotations

import pandas as pd

from fishreport.fielddata.faults import Faults
from fishreport.fielddata.grid import RawTable
from fishreport.study import SIZE_CLASSES, parse_size_range

_SEE = "see the field sheet"


def check_ages(ages: pd.DataFrame, raw: RawTable, faults: Faults) -> None:
    """Rings within the radius; no reader twice on a sample."""
    total = ages["increments_mm"].map(sum).astype(float)
    for line in ages.index[(total > ages["radius_mm"] * 1.02 + 0.01)]:
        message = f"the rings add up to {total[line]:.4g} mm, more than the radius of {ages.at[line, 'radius_mm']:g} mm"
        raw.tell(faults, "rings_beyond_radius", int(line), "increments_mm", message, _SEE)
    sampled = ages[ages["age_sample"] != ""]
    same = ["age_sample", "reader", "structure"]
    for line in sampled.index[sampled.duplicated(same)]:
        message = f"sample {sampled.at[line, 'age_sample']} stands twice for the same reader and structure"
        raw.tell(faults, "age_read_twice", int(line), "age_sample", message, "name the reader, or take one out")


def check_census(census: pd.DataFrame, raw: RawTable, faults: Faults) -> None:
    """No more fish marked or recaptured than caught; size classes that are known."""
    for line in census.index[census["marked"] + census["recaptured"] > census["caught"]]:
        row = census.loc[line]
        message = f"{row['marked']:g} newly marked and {row['recaptured']:g} recaptured are more than {row['caught']:g} caught"
        raw.tell(faults, "contradiction", int(line), "caught", message, _SEE)
    for line, text in census.loc[census["size_class"] != "", "size_class"].items():
        if text not in SIZE_CLASSES and parse_size_range(text) is None:
            message = f"the size class {text!r} is not known"
            advice = f"write one of {', '.join(SIZE_CLASSES)}, or a range such as 330-610 mm"
            raw.tell(faults, "unknown_size_class", int(str(line)), "size_class", message, advice)


def check_harvest(harvest: pd.DataFrame, raw: RawTable, faults: Faults) -> None:
    """No more fish kept than caught; a year and species once."""
    for line in harvest.index[harvest["kept"] > harvest["caught"]]:
        message = f"{harvest.at[line, 'kept']:g} fish kept are more than {harvest.at[line, 'caught']:g} caught"
        raw.tell(faults, "contradiction", int(line), "kept", message, "caught counts fish kept and fish released")
    for line in harvest.index[harvest.duplicated(["year", "species"])]:
        message = f"{harvest.at[line, 'species']} of {harvest.at[line, 'year']:g} stands in the table already"
        raw.tell(faults, "duplicate_row", int(line), "year", message, "keep one row a year and species")


def check_flow(flow: pd.DataFrame, raw: RawTable, faults: Faults) -> None:
    """A day once."""
    for line in flow.index[flow["date"].duplicated()]:
        message = f"{flow.at[line, 'date']:%Y-%m-%d} stands in the table already"
        raw.tell(faults, "duplicate_row", int(line), "date", message, "keep one row a day, with its mean flow")
