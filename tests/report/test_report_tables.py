"""Tables on paper and in files."""

from __future__ import annotations

import csv
import io

import pytest

from fishreport.report.tables import LANDSCAPE, PORTRAIT, lay_out_table, safe_cell, table_csv


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
