"""Notes under a table name the rows that they belong to."""

from __future__ import annotations

from fishreport.analysis.result import Result
from fishreport.exhibits.tabulate import estimates_table, grid_table, placed_notes
from fishreport.exhibits.units import Units
from fishreport.methods.estimate import Estimate


def _result(species: str, size_class: str, season: int, *notes: str) -> Result:
    return Result("mean_length", Estimate(300.0, 4.0, 292.0, 308.0, 0.95, "mm", "", 9, notes), season, species, size_class)


def test_a_note_names_its_rows_and_a_note_on_all_rows_names_none() -> None:
    results = [
        _result(s, c, 2025, "on all", *(["few"] if c == "long" else [])) for s in ("Perch", "Pike") for c in ("long", "All")
    ]
    keys = [("Species", lambda r: r.species), ("Class", lambda r: r.size_class.capitalize())]
    table = estimates_table("t", "c", results, Units(), keys=keys, value_heading="Length", notes=("first",))
    assert table.notes == ("first", "On all.", "Perch (long); Pike (long): few.")


def test_a_grid_names_column_and_row() -> None:
    results = [_result("Pike", "all", year, *(["few"] if year > 2023 else [])) for year in (2022, 2023, 2024, 2025)]
    table = grid_table("t", "c", results, Units(), row=lambda r: str(r.season), column=lambda r: r.species, row_heading="Season")
    assert table.notes == ("Pike (2024; 2025): few.",)


def test_many_rows_are_told_by_those_that_are_left_out() -> None:
    pike = [["Pike", size] for size in ("All lengths", "Stock", "Quality", "Preferred", "Trophy")]
    rows = [*pike, ["Perch", "Stock"], ["Perch", "Quality"]]
    assert placed_notes([("few", place) for place in pike[1:]], rows) == ["Pike (every row but all lengths): few."]
    assert placed_notes([("few", place) for place in pike[2:]], rows) == ["Pike (quality; preferred; trophy): few."]
    assert placed_notes([("few", place) for place in [*pike, rows[-1]]], rows) == ["Pike; Perch (quality): few."]
    assert placed_notes([("few", place) for place in rows], rows) == ["Few."]
    seasons = [["Pike", str(year)] for year in range(2016, 2026)]
    rows = [*seasons, ["Perch", "2016"]]
    assert placed_notes([("few", place) for place in seasons[:6]], rows, noun="cell") == [
        "Pike (2016; 2017; 2018; 2019; 2020; 2021): few."
    ]
    assert placed_notes([("few", place) for place in seasons[1:]], rows, noun="cell") == ["Pike (every cell but 2016): few."]


def test_a_lone_row_needs_no_name() -> None:
    assert placed_notes([("few", ["Pike"])], [["Pike"], ["Perch"]]) == ["Pike: few."]
    assert placed_notes([("few", [])], [["Pike"], []]) == ["Few."]
    assert placed_notes([("few", ["Pike"])], [["Pike"]]) == ["Pike: few."]
