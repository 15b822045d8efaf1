"""Checks of the optional tables: ages, census, flow, harvest."""

from __future__ import annotations

import pandas as pd

from fishreport.fielddata.faults import Faults
from fishreport.fielddata.grid import RawTable
from fishreport.study import SIZE_CLASSES, parse_size_range

_SEE = "see the field sheet"
_OLD_YEARS, _OLD_TIMES = 12, 4  # common practice, no source: a digit too much makes tens of years


def check_ages(ages: pd.DataFrame, raw: RawTable, faults: Faults) -> None:
    """Rings within the radius; no age far above the others; no reader twice on a sample."""
    usual = ages["age_years"].median()
    for line, age in ages.loc[ages["age_years"] > max(_OLD_YEARS, _OLD_TIMES * usual), "age_years"].items():
        message = f"an age of {age:g} years is far from the usual {usual:g} years"
        raw.tell(faults, "age_unusual", line, "age_years", message, _SEE)
    total = ages["increments_mm"].map(sum).astype(float)
    for row in ages.assign(total=total)[total > ages["radius_mm"] * 1.02 + 0.01].itertuples():
        message = f"the rings add up to {row.total:.4g} mm, more than the radius of {row.radius_mm:g} mm"
        raw.tell(faults, "rings_beyond_radius", row.Index, "increments_mm", message, _SEE)
    sampled = ages[ages["age_sample"] != ""]
    same = ["age_sample", "reader", "structure"]
    for line, sample in sampled.loc[sampled.duplicated(same), "age_sample"].items():
        message = f"sample {sample} stands twice for the same reader and structure"
        raw.tell(faults, "age_read_twice", line, "age_sample", message, "name the reader, or take one out")


def check_census(census: pd.DataFrame, raw: RawTable, faults: Faults) -> None:
    """No more fish marked or recaptured than caught; size classes that are known."""
    for row in census[census["marked"] + census["recaptured"] > census["caught"]].itertuples():
        message = f"{row.marked:g} newly marked and {row.recaptured:g} recaptured are more than {row.caught:g} caught"
        raw.tell(faults, "contradiction", row.Index, "caught", message, _SEE)
    for line, text in census.loc[census["size_class"] != "", "size_class"].items():
        if text not in SIZE_CLASSES and parse_size_range(text) is None:
            message = f"the size class {text!r} is not known"
            advice = f"write one of {', '.join(SIZE_CLASSES)}, or a range such as 330-610 mm"
            raw.tell(faults, "unknown_size_class", line, "size_class", message, advice)


def check_harvest(harvest: pd.DataFrame, raw: RawTable, faults: Faults) -> None:
    """No more fish kept than caught; a year and species once."""
    for row in harvest[harvest["kept"] > harvest["caught"]].itertuples():
        message = f"{row.kept:g} fish kept are more than {row.caught:g} caught"
        raw.tell(faults, "contradiction", row.Index, "kept", message, "caught counts fish kept and fish released")
    for row in harvest[harvest.duplicated(["year", "species"])].itertuples():
        message = f"{row.species} of {row.year:g} stands in the table already"
        raw.tell(faults, "duplicate_row", row.Index, "year", message, "keep one row a year and species")


def check_flow(flow: pd.DataFrame, raw: RawTable, faults: Faults) -> None:
    """A day once."""
    for row in flow[flow["date"].duplicated()].itertuples():
        message = f"{row.date:%Y-%m-%d} stands in the table already"
        raw.tell(faults, "duplicate_row", row.Index, "date", message, "keep one row a day, with its mean flow")
