"""Doubts about tagged fish: what the same tag says at different times."""

from __future__ import annotations

import pandas as pd

from fishreport.fielddata.faults import Faults
from fishreport.fielddata.grid import RawTable

SHRINKAGE_MM = 5.0
SHRINKAGE_SHARE = 0.02
GROWTH_MM_PER_YEAR = 250.0
GROWTH_ALLOWANCE_MM = 15.0


def check_tags(fish: pd.DataFrame, raw: RawTable, faults: Faults) -> None:
    """A tag on two species, twice in a run, or on a fish that shrank or grew beyond belief.

    `fish` has ``species_key``, ``run_line``, ``run_date`` and no rows in error. Shrinking is doubted beyond 5 mm or 2
    percent (measuring error), growing beyond 15 mm and 250 mm a year (common practice, no source).
    """
    tagged = fish[(fish["tag"] != "") & (fish["run_line"] >= 0)]
    tagged = tagged[tagged["tag"].duplicated(keep=False)]
    if tagged.empty:
        return
    tagged = tagged.assign(line=tagged.index).sort_values(["tag", "run_date", "line"], kind="stable")
    doubled = tagged.duplicated(["tag", "run_line"])
    for line, tag in tagged.loc[doubled, "tag"].items():
        message = f"the tag {tag} stands twice in the same run"
        raw.tell(faults, "tag_twice_in_run", line, "tag", message, "see the field sheet")
    first = tagged.groupby("tag", sort=False)[["species", "species_key", "line"]].transform("first")
    other = (tagged["species_key"] != first["species_key"]) & ~doubled
    for row in tagged.assign(was=first["species"], where=first["line"])[other].itertuples():
        message = f"the tag {row.tag} was on a {row.was} in line {row.where}"
        raw.tell(faults, "tag_two_species", row.Index, "tag", message, "see the field sheets for the tag and the species")
    _check_growth(tagged[~doubled & ~other], raw, faults)


def _check_growth(tagged: pd.DataFrame, raw: RawTable, faults: Faults) -> None:
    measured = tagged[tagged["length_mm"].notna() & ~tagged.index.isin(list(faults.rows("fish", "doubt")))]
    before = measured.groupby("tag", sort=False)[["length_mm", "run_date", "line"]].shift()
    gain = measured["length_mm"] - before["length_mm"]
    years = (measured["run_date"] - before["run_date"]).dt.total_seconds() / (365.25 * 86_400)
    shrank = gain < -(before["length_mm"] * SHRINKAGE_SHARE).clip(lower=SHRINKAGE_MM)
    fast = gain > GROWTH_ALLOWANCE_MM + GROWTH_MM_PER_YEAR * years
    then = measured.assign(years=years, shrank=shrank, before=before["length_mm"], where=before["line"])
    for row in then[shrank | fast].itertuples():
        code = "recapture_shrank" if row.shrank else "recapture_grew_fast"
        did = "was longer before" if row.shrank else f"cannot well have grown so much in {row.years:.1f} years"
        message = f"the fish of tag {row.tag} {did}: {row.before:g} mm in line {row.where:.0f}, {row.length_mm:g} mm here"
        raw.tell(faults, code, row.Index, "length_mm", message, "see the field sheets for the length and the tag")
