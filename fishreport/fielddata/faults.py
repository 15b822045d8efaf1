"""Faults of the field data, collected all at once: what is wrong, where, how badly, and what to do."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import pandas as pd

from fishreport.exceptions import DataError

Severity = Literal["error", "doubt", "note"]
SEVERITIES: tuple[Severity, ...] = ("error", "doubt", "note")
COLUMNS = ["severity", "code", "table", "file", "row", "column", "value", "message", "advice"]


@dataclass(frozen=True, slots=True)
class Code:
    """A kind of fault: how badly it counts, and what it is."""

    severity: Severity
    meaning: str


CODES: dict[str, Code] = {
    # the file as a whole
    "missing_file": Code("error", "a file or sheet that the study names is not there"),
    "unreadable_file": Code("error", "a file is damaged, of another kind, or cannot be opened"),
    "file_too_large": Code("error", "a file is larger than any survey"),
    "empty_file": Code("error", "a file or sheet has nothing in it"),
    "wrong_encoding": Code("error", "a file is not UTF-8 text"),
    "wrong_delimiter": Code("error", "fields are separated by something else than commas, semicolons or tabs"),
    "unclosed_quote": Code("error", "a quotation mark is opened and not closed"),
    "header_not_found": Code("error", "no line with the names of the columns"),
    "header_spread": Code("error", "the header takes two lines, as merged cells do"),
    "unnamed_column": Code("error", "a column with data has no name, as merged header cells leave it"),
    "duplicate_column": Code("error", "two columns have the same name"),
    "missing_column": Code("error", "a required column is not there"),
    "unknown_standard": Code("error", "a species of the study file names a standard that there is not"),
    "no_rows": Code("error", "a table that the report stands on has a header and no rows"),
    # cells
    "long_row": Code("error", "a row has more fields than the header"),
    "empty_cell": Code("error", "a required cell is empty"),
    "unreadable_number": Code("error", "a cell that should hold a number holds something else"),
    "decimal_comma": Code("error", "a number is written with a decimal comma where the comma is not understood"),
    "unreadable_date": Code("error", "a date is not written YYYY-MM-DD"),
    "impossible_date": Code("error", "a date that is not in the calendar, or lies beyond the study"),
    "unreadable_time": Code("error", "a time of day is not written HH:MM"),
    "unknown_yes_no": Code("error", "a cell that should say yes or no says something else"),
    "unknown_fate": Code("error", "a fate that is none of released, injured, dead, kept"),
    "out_of_bounds": Code("error", "a number that cannot be true, such as a negative effort"),
    # rows that belong together
    "duplicate_run": Code("error", "a run_id stands twice in the runs table"),
    "orphan_run": Code("error", "a fish of a run that the runs table does not have"),
    "fish_without_run": Code("error", "a fish of a site and day on which there was no run"),
    "ambiguous_run": Code("error", "a fish without run_id, of a site and day on which there were several runs"),
    "differs_from_run": Code("error", "date, site or pass of a fish differ from those of its run"),
    "sample_without_fish": Code("error", "an age sample that no fish carries"),
    "sample_on_two_fish": Code("error", "an age sample that two fish carry"),
    "unlinked_age": Code("error", "an age with neither a sample number nor species, length and date"),
    "rings_beyond_radius": Code("error", "yearly rings that add up to more than the radius"),
    "contradiction": Code("error", "numbers of a row that contradict each other, such as more fish kept than caught"),
    "unknown_size_class": Code("error", "a size class that is neither a length category nor a range"),
    "duplicate_row": Code("error", "a day or year that stands twice in a table"),
    "season_without_runs": Code("error", "the reported season has no runs"),
    "set_aside_unmatched": Code("error", "a row set aside in the study file that no table has"),
    "set_aside_disagrees": Code("error", "a row set aside by line and text, where the line holds another text"),
    # what is believed, and listed
    "weight_digit_lost": Code("doubt", "a weight that would fit with one more digit"),
    "weight_digit_added": Code("doubt", "a weight that would fit with one digit less"),
    "weight_in_other_unit": Code("doubt", "a weight that would fit in kilograms, pounds or ounces"),
    "length_in_inches": Code("doubt", "a length that would fit in inches"),
    "length_in_centimetres": Code("doubt", "a length that would fit in centimetres"),
    "length_digit_added": Code("doubt", "a length that would fit with one digit less"),
    "length_weight_swapped": Code("doubt", "length and weight that would fit the other way round"),
    "digits_transposed": Code("doubt", "a length or weight that would fit with two digits changed over"),
    "weight_far_from_length": Code("doubt", "a weight far from the weight usual at that length"),
    "units_of_table": Code("doubt", "lengths or weights of a whole species that seem to be in other units"),
    "length_over_maximum": Code("doubt", "a fish longer than the species grows"),
    "duplicate_fish": Code("doubt", "a fish entered twice, or a block of rows pasted twice"),
    "unknown_species": Code("doubt", "a species code that the study does not name"),
    "unknown_reach": Code("doubt", "a reach that is none of the strata that the study names"),
    "effort_unusual": Code("doubt", "a run far longer or shorter than usual"),
    "run_entered_twice": Code("doubt", "two runs of the same site, day, time and effort"),
    "site_spelt_two_ways": Code("doubt", "two sites whose names differ only in case, spaces or signs"),
    "pulse_rate_high": Code("doubt", "a pulse rate over 30 Hz in salmonid water"),
    "tag_two_species": Code("doubt", "a tag seen on two species"),
    "tag_twice_in_run": Code("doubt", "a tag seen twice in the same run"),
    "recapture_shrank": Code("doubt", "a recaptured fish shorter than before"),
    "recapture_grew_fast": Code("doubt", "a recaptured fish that grew beyond belief"),
    "age_unusual": Code("doubt", "an age far above the others, as of a digit too much"),
    "age_read_twice": Code("doubt", "the same reader's age of the same sample twice"),
    # for the reader to know
    "lines_above_header": Code("note", "lines above the header that are not read"),
    "unknown_column": Code("note", "a column that the table does not define; it is kept"),
    "column_ignored": Code("note", "a column whose name the tool itself gives to what it works out; it is not read"),
    "short_row": Code("note", "rows with fewer fields than the header; the rest is read as not recorded"),
    "not_recorded_word": Code("note", "words such as NA, read as not recorded"),
    "formula_without_value": Code("note", "formulas of a workbook that carry no stored value"),
    "table_not_named": Code("note", "a table in the folder that the study file does not name"),
    "no_fish": Code("note", "a fish table without fish"),
    "no_weights": Code("note", "no fish was weighed"),
    "no_lengths": Code("note", "no fish was measured"),
    "run_without_fish": Code("note", "a run that caught nothing; it counts as a zero catch"),
    "site_not_sampled": Code("note", "a site without a run in a season, and with runs before and after"),
    "outside_months": Code("note", "runs outside the months of the standard survey; they are left out"),
    "later_season": Code("note", "rows of seasons after the reported one; they are left out"),
    "set_aside_with_run": Code("note", "fish set aside together with their run"),
}


class SurveyFaults(DataError):
    """The field data have errors; `faults` holds all of them (and the doubts and notes) as a table.

    Parameters
    ----------
    faults : DataFrame
        As `Faults.frame` gives it; with at least one error.
    """

    def __init__(self, faults: pd.DataFrame) -> None:
        errors = faults[faults["severity"] == "error"]
        first = errors.iloc[0]
        advice = f"; {first['advice']}" if first["advice"] else ""
        more = len(errors) - 1
        rest = f" ({more} more error{'s' if more > 1 else ''}; `fishreport check` lists all)" if more else ""
        row = None if pd.isna(first["row"]) else int(first["row"])
        super().__init__(f"{first['message']}{advice}{rest}", first["file"], row, first["column"], first["value"])
        self.faults = faults

    def __reduce__(self) -> tuple[Any, ...]:
        return (SurveyFaults, (self.faults,))


class Faults:
    """Collects faults while tables are read and checked."""

    def __init__(self) -> None:
        self._found: list[tuple[Any, ...]] = []
        self._bad: dict[tuple[str, str], set[int]] = {}

    def __len__(self) -> int:
        return len(self._found)

    def add(
        self,
        code: str,
        table: str,
        message: str,
        advice: str = "",
        *,
        file: str = "",
        row: int | None = None,
        column: str = "",
        value: object = "",
    ) -> None:
        """One fault; its severity follows from its code."""
        severity = CODES[code].severity
        text = "" if value is None else str(value)
        text = text if len(text) <= 60 else text[:57] + "…"
        self._found.append((severity, code, table, file, row, column, text, message, advice))
        if row is not None:
            self._bad.setdefault((table, severity), set()).add(int(row))

    def rows(self, table: str, severity: Severity = "error") -> set[int]:
        """Lines of `table` that have a fault of that severity."""
        return self._bad.get((table, severity), set())

    def has_error(self, table: str | None = None) -> bool:
        """Whether any error was found, or any in `table`."""
        return any(fault[0] == "error" and table in (None, fault[2]) for fault in self._found)

    def frame(self) -> pd.DataFrame:
        """All faults, errors first, then by table and row.

        Columns: severity (error, doubt, note), code (a key of `CODES`), table, file, row (line in the file, nullable
        integer), column, value (the text as it stands in the file), message (what is wrong), advice (what to do).
        """
        frame = pd.DataFrame(self._found, columns=COLUMNS)
        frame["row"] = pd.array([fault[4] if fault[4] is not None else pd.NA for fault in self._found], dtype="Int64")
        if frame.empty:
            return frame.astype({name: "str" for name in COLUMNS if name != "row"})
        order = {name: rank for rank, name in enumerate(("", "runs", "fish", "ages", "census", "stocking", "flow", "harvest"))}
        keys = (
            np.arange(len(frame)),
            frame["row"].fillna(0).to_numpy(dtype=np.int64),
            frame["table"].map(lambda name: order.get(name, len(order))).to_numpy(),
            frame["severity"].map(SEVERITIES.index).to_numpy(),
        )
        frame = frame.iloc[np.lexsort(keys)].reset_index(drop=True)
        return frame.astype({name: "str" for name in COLUMNS if name != "row"})
