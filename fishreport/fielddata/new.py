"""Laying out a new study: a folder that builds as soon as rows are typed in."""

from __future__ import annotations

import csv
import datetime
import io
import json
from pathlib import Path

from fishreport.exceptions import StudyError
from fishreport.fielddata.schema import TABLES

_STUDY = """\
# The study file: one water, its data, its plan, and how it is reported. Text after # is a comment.
# An unknown key is an error that names the nearest known one, so nothing is misspelt in silence.

[water]
name = {name}
kind = "tailwater"
region = ""
# length_km = 12.5            # length of the fishery, for fish per km
# width_m = 35                # mean wetted width, for fish per hectare
# strata = [                  # reaches that catch rates are stratified by: as in the column `reach` of the runs
#   {{ reach = "upper", length_km = 5.5 }},
#   {{ reach = "lower", length_km = 7.0 }},
# ]

[season]
year = {year}                   # the season to report; all earlier ones in the data are its history
# months = [9, 10, 11]        # months of the standard survey; without this line every run of the year counts

# Where the field data lie, inside this folder. A table that you do not have needs no line.
[data]
# workbook = "field-sheets/field-data.xlsx"   # read this workbook of `fishreport sheets` instead of the files below
runs = "runs.csv"
fish = "fish.csv"
ages = "ages.csv"
census = "census.csv"
stocking = "stocking.csv"
flow = "flow.csv"
harvest = "harvest.csv"

# One section a species, headed by its code in the fish table: take out, change and add. `standard` names the published
# standard weight and length categories, such as "mountain whitefish" (a wrong name tells which there are); a species that
# has none needs no such line. Lengths in mm.
[species.BNT]
name = "brown trout"
standard = "brown trout (lotic)"
minimum_length_mm = 150       # shorter fish are not fully caught, and left out of weights
# maximum_length_mm = 900     # longer is doubted
origin = "wild"               # wild, stocked or mixed

[species.RBT]
name = "rainbow trout"
standard = "rainbow trout (lotic)"
minimum_length_mm = 150
origin = "mixed"

# Vital rates from elsewhere, for what your own data cannot tell; each comes before an estimate.
# [species.BNT.life_history]
# natural_mortality = {{ value = 0.45, se = 0.1 }}
# source = "where these values come from"

# What the management plan wants: exactly one of at_least, at_most, between.
# [[objectives]]
# quantity = "catch_rate"     # fish per hour of electrofishing
# species = "BNT"
# size_class = "quality"      # all, stock, quality, preferred, memorable, trophy, or a range such as "330-610 mm"
# at_least = 40
# over_years = 3              # mean of so many seasons
# source = "the plan, and its page"

# Regulations to compare; the first is today's rule.
# [[scenarios]]
# name = "today"
# species = "BNT"
# minimum_length_mm = 350
# bag_limit = 2
#
# [[scenarios]]
# name = "protected slot"
# species = "BNT"
# protected_slot_mm = [330, 500]
# bag_limit = 2

# A named change that the trend is compared before and after.
# [[events]]
# name = "new release schedule"
# year = {year}                 # first season after it

# What a reviewer may change; these are the values when a line is left out.
[parameters]
level = 0.95                  # confidence level of every interval
seed = 1                      # start of every random generator
release_mortality = 0.05      # share of released fish that die

[report]
title = ""                    # empty: made from water and season
author = ""
units = "metric"              # metric or us
narrative = "narrative"       # folder of your own words: summary.md, recommendations.md, brief.md, growth.md ...

# Rows that are left out, each with its reason: by line in the file (the header is line 1), by what stands in it, or both.
# [[set_aside.fish]]
# row = 412
# where = {{ weight_g = "71" }}
# reason = "weight lacks a digit, and the field sheet is lost"
"""

_NARRATIVE = {
    "summary.md": "*No summary has been written yet.*\n",
    "recommendations.md": "*No recommendations have been written yet.*\n",
}


def _header(table: str) -> str:
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerow(TABLES[table].names)
    return text.getvalue()


def lay_out(folder: Path | str, *, name: str = "", season: int | None = None) -> list[Path]:
    """Write a new study into a folder: the study file, a header for each table, and a narrative to fill in.

    Parameters
    ----------
    folder : Path
        The study folder; made where it is not there. Nothing in it is overwritten.
    name : str
        Name of the water; empty takes the folder's.
    season : int, optional
        Season to report; the current year when not given.

    Returns
    -------
    list[Path]
        The files written.

    Raises
    ------
    StudyError
        If any of the files is there already, or the folder cannot be written.
    """
    folder = Path(folder)
    water = "".join(letter for letter in (name.strip() or folder.resolve().name or "water") if letter.isprintable())
    year = datetime.date.today().year if season is None else season
    if not 1900 <= year <= 2200:
        raise StudyError(f"a season must lie between 1900 and 2200, not {year}", key="season.year")
    files = {"study.toml": _STUDY.format(name=json.dumps(water, ensure_ascii=False), year=year)}
    files |= {f"{table}.csv": _header(table) for table in TABLES}
    files |= {f"narrative/{file}": text for file, text in _NARRATIVE.items()}
    try:
        if folder.exists() and not folder.is_dir():
            raise StudyError("this is a file; a study needs a folder of its own", str(folder))
        there = [file for file in files if (folder / file).exists()]
        if there:
            raise StudyError(f"the folder has {', '.join(there)} already; nothing was written", str(folder))
        (folder / "narrative").mkdir(parents=True, exist_ok=True)
        for file, text in files.items():
            (folder / file).write_text(text, encoding="utf-8", newline="\n")
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "not a path"
        raise StudyError(f"the study cannot be written here ({reason})", str(folder)) from None
    return [folder / file for file in files]
