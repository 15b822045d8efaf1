"""Tables on paper and in files."""

from __future__ import annotations

import csv
import io

import pytest

from fishreport.report.tables import LANDSCAPE, PORTRAIT, group_sizes, lay_out_table, safe_cell, table_csv
from fishreport.report.typst_text import drawable, width_of


def columns(count: int) -> list[dict[str, str]]:
    return [{"heading": f"Heading{i}", "units": "fish/h", "align": "right"} for i in range(count)]


def rows(count: int, width: int = 6) -> list[list[str]]:
    return [["9" * width] * count for _ in range(3)]


def test_narrow_table_is_large_and_upright() -> None:
    (layout,) = lay_out_table(columns(4), rows(4))
    assert (layout.size, layout.turned, layout.parts) == (8.5, False, 1)


def test_wide_table_shrinks_then_turns_then_splits() -> None:
    layouts = {count: lay_out_table(columns(count), rows(count)) for count in range(2, 40)}
    sizes = [parts[0].size for parts in layouts.values() if len(parts) == 1 and not parts[0].turned]
    assert sizes == sorted(sizes, reverse=True)
    assert any(parts[0].turned for parts in layouts.values())
    split = layouts[39]
    assert len(split) > 1
    assert not any(part.turned for part in split)
    assert all(part.columns[0] == 0 for part in split)
    assert [place for part in split for place in part.columns[1:]] == list(range(1, 39))
    assert PORTRAIT < LANDSCAPE


def test_long_columns_share_the_width_that_is_left() -> None:
    text = [["short", "a sentence of many words, far too long for one line of a table on paper", "1.25", "x " * 60]]
    (layout,) = lay_out_table(columns(4), text)
    assert layout.shares[0] == layout.shares[2] == 0
    assert layout.shares[3] == 60
    assert lay_out_table(columns(4), rows(4))[0].shares == (0, 0, 0, 0)


def test_intervals_are_set_smaller_before_they_are_broken() -> None:
    """Four columns of numbers with intervals do not fit at 8.5 points, and do at 8; they stand on one line each."""
    row = ["2016", "19,600 (16,700 to 23,000)", "0.194 (0.146 to 0.257)", "0.127 (0.096 to 0.169)", "0.0211 (0.0159 to 0.0280)"]
    year = {"heading": "Year", "units": "", "align": "right"}
    (layout,) = lay_out_table([year, *columns(4)], [row] * 10)
    assert (layout.size, layout.breaks, layout.tracks) == (8.0, False, ("auto",) * 5)


def test_intervals_are_broken_before_the_bracket_and_within_only_where_nothing_else_fits() -> None:
    cell = "19,600 (16,700 to 23,000)"
    for count, whole in ((5, True), (6, True), (7, False)):
        (layout,) = lay_out_table(columns(count), [[cell] * count])
        assert (layout.breaks, layout.whole, layout.turned) == (True, whole, False)


def test_a_column_that_shares_is_no_narrower_than_its_longest_word() -> None:
    long = "a sentence of many words, far too long for one line of a table on paper, and longer still than that"
    given = [[long, "47.7 fish per hour (41.9 to 53.6)", long, "Unmistakeably so", long]]
    (layout,) = lay_out_table(columns(5), given)
    left = PORTRAIT - sum(layout.points)
    widths = [points or left * share / sum(layout.shares) for points, share in zip(layout.points, layout.shares, strict=True)]
    assert widths[1] >= layout.size * width_of("(41.9 to 53.6)") + 8
    assert widths[3] >= layout.size * width_of("Unmistakeably") + 8
    assert sum(widths) == pytest.approx(PORTRAIT)
    assert any(layout.shares)


def test_widths_are_those_of_the_font() -> None:
    """Advances of DejaVu Sans in 2048ths of an em, from its horizontal metrics table: 1303 a digit, 651 a blank, and so on."""
    assert width_of("0 ") == pytest.approx((1303 + 651) / 2048)
    assert width_of("W", bold=True) == pytest.approx(2259 / 2048)
    assert width_of("−") == pytest.approx(1716 / 2048)
    assert width_of("\N{CJK UNIFIED IDEOGRAPH-9C52}") == 1.0


def test_groups_of_rows() -> None:
    named = [["Perch"]] * 6 + [["Pike"]] * 4 + [["Roach"]] * 5
    assert group_sizes(named) == (6, 5)
    assert group_sizes([["Perch"]] * 30) == (3, 3)
    assert group_sizes([[str(year)] for year in range(2016, 2026)]) == (3, 3)
    assert group_sizes([]) == (3, 3)


@pytest.mark.parametrize(
    ("value", "text"),
    [
        ("=1+1", "'=1+1"),
        ("+cmd", "'+cmd"),
        ("-x", "'-x"),
        ("@SUM(A1)", "'@SUM(A1)"),
        ("\tx", "'\tx"),
        ("-3.2", "-3.2"),
        ("+4e-5", "+4e-5"),
        (-3.2, "-3.2"),
        (0.1 + 0.2, "0.30000000000000004"),
        (None, ""),
        (float("nan"), ""),
        (True, "True"),
        ("a,b", "a,b"),
    ],
)
def test_cells_are_text_or_numbers(value: object, text: str) -> None:
    """Cells that begin with = + - @ tab or return run as formulas in a spreadsheet (OWASP, CSV Injection)."""
    assert safe_cell(value) == text


def test_csv_has_full_precision_where_there_is_any() -> None:
    data = {
        "columns": columns(2),
        "rows": [["a", "1.2"]],
        "data": [{"site": "=a", "value": 1.23456789}, {"site": "b", "other": 2}],
    }
    read = list(csv.reader(io.StringIO(table_csv(data).decode())))
    assert read == [["site", "value", "other"], ["'=a", "1.23456789", ""], ["b", "", "2"]]


def test_csv_of_shown_cells() -> None:
    data = {"columns": columns(2), "rows": [["a", "1.2"]], "data": []}
    assert table_csv(data).decode() == "Heading0 (fish/h),Heading1 (fish/h)\na,1.2\n"


def test_signs_that_take_no_room_are_left_out_of_any_text() -> None:
    assert drawable("a\x7fb\x00") == drawable("a\x7fb\x00é").removesuffix("é") == "ab"
