"""The tables of field data: their columns with type, units, bounds and meaning, and the same as pandera schemas."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    import pandera.pandas as pandera

Kind = Literal["text", "number", "whole", "date", "time", "yes_no", "numbers"]

KINDS: dict[Kind, str] = {
    "text": "text",
    "number": "number",
    "whole": "whole number",
    "date": "date, YYYY-MM-DD",
    "time": "time of day, HH:MM",
    "yes_no": "yes or no",
    "numbers": "numbers separated by spaces",
}
FATES = ("released", "injured", "dead", "kept")


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a table.

    Attributes
    ----------
    name : str
        Heading in the file; units are part of it.
    kind : str
        One of `KINDS`.
    meaning : str
        What is written there, in plain words.
    units : str
        Units of a number; empty for text.
    required : bool
        The column must be there and none of its cells may be empty.
    above, at_least, at_most : float | None
        Bounds of a number; what lies outside cannot be true and is an error.
    choices : tuple[str, ...]
        The words allowed; empty allows any text.
    unique : bool
        No two rows may have the same text.
    example : str
        What a filled cell looks like.
    """

    name: str
    kind: Kind
    meaning: str
    units: str = ""
    required: bool = False
    above: float | None = None
    at_least: float | None = None
    at_most: float | None = None
    choices: tuple[str, ...] = ()
    unique: bool = False
    example: str = ""

    @property
    def allowed(self) -> str:
        """The bounds in words, such as ``above 0, at most 3000 mm``; empty when there are none."""
        if self.choices:
            return "one of " + ", ".join(self.choices)
        parts = []
        if self.above is not None:
            parts.append(f"above {self.above:g}")
        if self.at_least is not None:
            parts.append(f"at least {self.at_least:g}")
        if self.at_most is not None:
            parts.append(f"at most {self.at_most:g}")
        return ", ".join(parts) + (f" {self.units}" if parts and self.units else "")


@dataclass(frozen=True, slots=True)
class TableSchema:
    """One table: what a row is, and its columns.

    `either` lists sets of columns of which at least one must be there whole (and be filled in, row by row).
    """

    name: str
    row_is: str
    columns: tuple[Column, ...]
    either: tuple[tuple[str, ...], ...] = ()

    def __iter__(self) -> Iterator[Column]:
        return iter(self.columns)

    def __getitem__(self, name: str) -> Column:
        return next(column for column in self.columns if column.name == name)

    def __contains__(self, name: object) -> bool:
        return any(column.name == name for column in self.columns)

    @property
    def names(self) -> list[str]:
        """The headings, in order."""
        return [column.name for column in self.columns]

    @property
    def required(self) -> list[str]:
        """Headings of the columns that must be there."""
        return [column.name for column in self.columns if column.required]


def _text(name: str, meaning: str, *, required: bool = False, unique: bool = False, example: str = "") -> Column:
    return Column(name, "text", meaning, required=required, unique=unique, example=example)


_DATE_OF_RUN = "day on which the run began"
_COMMENTS = _text("comments", "anything a reader of this row should know")

RUNS = TableSchema(
    "runs",
    "one timed electrofishing run",
    (
        _text("run_id", "name of the run, given once and never again", required=True, unique=True, example="2025-A-1"),
        _text("site", "name of the site, spelt alike in all seasons", required=True, example="A"),
        Column("date", "date", _DATE_OF_RUN, required=True, example="2025-10-14"),
        Column("start_time", "time", "when the run began, local time", example="21:30"),
        Column("effort_s", "number", "time that current was in the water", "s", True, 0, at_most=36_000, example="600"),
        _text("reach", "part of the river that the site stands for", example="upper"),
        Column("river_km", "number", "distance of the site along the river", "km", at_least=0, at_most=10_000, example="3.2"),
        Column("pass_number", "whole", "pass of a removal estimate: 1, 2, 3 …", at_least=1, at_most=20, example="1"),
        Column("length_m", "number", "length of water fished", "m", above=0, at_most=100_000, example="400"),
        Column("width_m", "number", "mean wetted width fished", "m", above=0, at_most=10_000, example="12"),
        _text("gear", "boat, barge or backpack, and its electrodes", example="boat"),
        Column("voltage_v", "number", "peak voltage", "V", at_least=0, at_most=2_000, example="300"),
        Column("current_a", "number", "peak current", "A", at_least=0, at_most=200, example="8"),
        Column("pulse_hz", "number", "pulse rate; 0 for smooth direct current", "Hz", at_least=0, at_most=1_000, example="30"),
        Column("duty_pct", "number", "share of time that current flows", "%", at_least=0, at_most=100, example="25"),
        Column(
            "conductivity_us_cm", "number", "conductivity of the water as met", "µS/cm", above=0, at_most=100_000, example="180"
        ),
        Column("water_temperature_c", "number", "temperature of the water", "°C", at_least=-2, at_most=45, example="9.5"),
        Column(
            "discharge_m3_s", "number", "flow or dam release during the run", "m³/s", at_least=0, at_most=500_000, example="22"
        ),
        Column("visibility_m", "number", "depth to which fish are seen", "m", at_least=0, at_most=50, example="1.5"),
        Column("netters", "whole", "people who net", at_least=0, at_most=20, example="2"),
        _COMMENTS,
    ),
)

FISH = TableSchema(
    "fish",
    "one fish, or `count` fish alike",
    (
        _text("run_id", "run that caught it, as in the runs table", example="2025-A-1"),
        _text("species", "code of the species, as in the study file", required=True, example="BNT"),
        Column(
            "length_mm",
            "number",
            "total length, tip of the snout to the end of the pinched tail; empty when not measured",
            "mm",
            above=0,
            at_most=3_000,
            example="312",
        ),
        Column("weight_g", "number", "weight of one fish; empty when not weighed", "g", above=0, at_most=200_000, example="318"),
        Column(
            "count", "whole", "how many fish alike this row stands for; empty means 1", at_least=1, at_most=10_000, example="1"
        ),
        _text("mark", "fin clip or other mark seen", example="adipose clip"),
        _text("tag", "number of the tag, put in or found", example="0413"),
        Column("recaptured", "yes_no", "whether it carried a tag or mark from before", example="no"),
        _text("age_sample", "number of the scale or otolith sample taken", example="S-031"),
        Column("fate", "text", "what became of it: released, injured, dead or kept", choices=FATES, example="released"),
        Column("date", "date", "day of its run; needed only where run_id is empty", example="2025-10-14"),
        _text("site", "site of its run; needed only where run_id is empty", example="A"),
        Column("pass_number", "whole", "pass of its run, where run_id is empty", at_least=1, at_most=20, example="1"),
        _COMMENTS,
    ),
    either=(("run_id",), ("site", "date")),
)

AGES = TableSchema(
    "ages",
    "one reading of the age of one fish",
    (
        _text("age_sample", "number of the sample, as in the fish table", example="S-031"),
        Column("age_years", "number", "age read, in whole years", "years", True, at_least=0, at_most=100, example="3"),
        _text("species", "code of the species, where no sample number links it to a fish", example="BNT"),
        Column("length_mm", "number", "total length at capture", "mm", above=0, at_most=3_000, example="312"),
        Column("date", "date", "day of capture, where no sample number links it to a fish", example="2025-10-14"),
        _text("reader", "who read it", example="1"),
        _text("structure", "scale, otolith, fin ray …", example="scale"),
        Column("radius_mm", "number", "radius of the structure at capture", "mm", above=0, at_most=1_000, example="1.62"),
        Column(
            "increments_mm",
            "numbers",
            "widths of the yearly rings from the focus outwards",
            "mm",
            above=0,
            at_most=1_000,
            example="0.42 0.45 0.40",
        ),
        _COMMENTS,
    ),
    either=(("age_sample",), ("species", "length_mm", "date")),
)

CENSUS = TableSchema(
    "census",
    "one event of a mark-recapture census, of one species and size class",
    (
        _text(
            "event", "number or name of the event; events stand in the order in which they took place", required=True, example="1"
        ),
        _text("species", "code of the species", required=True, example="BNT"),
        Column("caught", "whole", "fish caught and looked at for marks", "fish", True, at_least=0, at_most=1e7, example="84"),
        Column("marked", "whole", "fish newly marked and put back alive", "fish", True, at_least=0, at_most=1e7, example="80"),
        Column("recaptured", "whole", "fish caught that carried a mark of this census", "fish", True, None, 0, 1e7, example="4"),
        _text("size_class", "all, a length category, or a range such as 330-610 mm; empty means all", example="all"),
        Column("date", "date", "day of the event", example="2025-10-14"),
        Column(
            "year", "whole", "season of the census; empty takes the year of `date`", at_least=1900, at_most=2200, example="2025"
        ),
        _COMMENTS,
    ),
)

STOCKING = TableSchema(
    "stocking",
    "one stocking of fish",
    (
        Column("date", "date", "day of the stocking", required=True, example="2025-05-06"),
        _text("species", "code of the species", required=True, example="RBT"),
        Column("number", "whole", "fish put in", "fish", True, at_least=0, at_most=1e9, example="2500"),
        Column("mean_length_mm", "number", "mean total length", "mm", above=0, at_most=3_000, example="245"),
        _text("mark", "fin clip or other mark that they carry", example="adipose clip"),
        _COMMENTS,
    ),
)

FLOW = TableSchema(
    "flow",
    "one day of flow or dam release",
    (
        Column("date", "date", "the day", required=True, unique=True, example="2025-06-01"),
        Column("discharge_m3_s", "number", "mean flow of the day", "m³/s", True, at_least=0, at_most=500_000, example="22.4"),
    ),
)

HARVEST = TableSchema(
    "harvest",
    "a year's creel survey of one species",
    (
        Column("year", "whole", "year of the creel survey", "", True, at_least=1900, at_most=2200, example="2025"),
        _text("species", "code of the species", required=True, example="BNT"),
        Column("effort_h", "number", "angling effort", "h", above=0, at_most=1e9, example="14200"),
        Column("caught", "number", "fish caught, kept or not", "fish", at_least=0, at_most=1e9, example="9300"),
        Column("kept", "number", "fish kept", "fish", at_least=0, at_most=1e9, example="1100"),
        Column("se_effort_h", "number", "standard error of effort_h", "h", at_least=0, at_most=1e9, example="1200"),
        Column("se_caught", "number", "standard error of caught", "fish", at_least=0, at_most=1e9, example="900"),
        Column("se_kept", "number", "standard error of kept", "fish", at_least=0, at_most=1e9, example="160"),
        _COMMENTS,
    ),
)

TABLES: dict[str, TableSchema] = {table.name: table for table in (RUNS, FISH, AGES, CENSUS, STOCKING, FLOW, HARVEST)}


# Names that the tool gives to what it works out; a column of the file with such a name is not read.
WORKED_OUT: dict[str, tuple[str, ...]] = {
    "runs": ("row", "season", "effort_h"),
    "fish": ("row", "season", "reach", "species_key"),
    "ages": ("row", "season", "species_key", "site", "run_id"),
    "census": ("row", "season", "species_key"),
    "stocking": ("row", "season", "species_key"),
    "flow": ("row", "season"),
    "harvest": ("row", "season", "species_key"),
}


def plain_name(heading: str) -> str:
    """A heading with case, spaces, brackets and signs taken out: ``"Length (mm)"`` → ``"length_mm"``."""
    text = unicodedata.normalize("NFKC", heading).casefold().replace("μ", "u").replace("²", "2").replace("³", "3")
    return re.sub(r"[\W_]+", "_", text).strip("_")


@cache
def frame_schema(name: str) -> pandera.DataFrameSchema:
    """The pandera schema of a table of typed values: bounds and choices, each check under the name of its bound.

    Empty cells pass: NaN or empty text means not recorded; that required cells are filled is checked on the text.
    """
    import pandera.pandas as pandera

    columns = {}
    for column in TABLES[name]:
        checks = []
        if column.kind in ("number", "whole"):
            if column.above is not None:
                checks.append(pandera.Check.gt(column.above))
            if column.at_least is not None:
                checks.append(pandera.Check.ge(column.at_least))
            if column.at_most is not None:
                checks.append(pandera.Check.le(column.at_most))
        elif column.choices:
            checks.append(pandera.Check.isin(["", *column.choices]))
        if checks:
            columns[column.name] = pandera.Column(None, checks, nullable=True, required=False, description=column.meaning)
    return pandera.DataFrameSchema(columns, name=name, strict=False)
