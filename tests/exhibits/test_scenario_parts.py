"""Small parts of the scenario chapter's exhibits that need no projection: differences as text, labels, shades and controls."""

from __future__ import annotations

import pytest

from fishreport.exhibits import scenario_figures
from fishreport.exhibits import scenarios as exhibits
from fishreport.exhibits.exhibit import Column, Control, Explorer, Table
from fishreport.methods.estimate import Estimate


@pytest.mark.parametrize(
    ("gap", "value", "shown"),
    [
        ((-5.2, -10.4, -2.6), 38.0, ("−5", "−10 to −3")),
        ((0.0055, 0.0027, 0.0114), 0.222, ("+0.006", "0.003 to 0.011")),
        ((-0.00079, -0.0019, 0.0004), 0.231, ("−0.001", "−0.002 to 0.000")),
        ((0.2, 0.1, 0.4), 38.0, ("+0.2", "0.1 to 0.4")),  # told from zero, so that its limits are not rounded to it
        ((0.0, 0.0, 0.0), 38.0, ("0", "—")),
    ],
)
def test_a_difference_has_the_decimals_of_what_it_differs_from(demo_context, gap, value, shown):
    middle, low, high = gap
    from_what = Estimate(value, value / 6, 0.7 * value, 1.5 * value, 0.95, "", "", 9)
    assert exhibits.gap_text(Estimate(middle, 1.0, low, high, 0.95, "", "", 9), from_what, demo_context) == shown


def test_a_label_is_no_longer_than_its_axis():
    assert scenario_figures._wrapped("Fish of quality length (400 mm)\n(fish/km)", 26).split("\n") == [
        "Fish of quality length", "(400 mm)", "(fish/km)"
    ]  # fmt: skip


def test_shades_and_controls_are_checked():
    columns, rows = (Column("a"), Column("b")), (("x", "0.5"),)
    with pytest.raises(ValueError, match="shades need one entry a cell"):
        Table("t", "Caption.", columns, rows, shades=((0.5,),))
    with pytest.raises(ValueError, match="a shade is from 0 to 1"):
        Table("t", "Caption.", columns, rows, shades=((None, 1.5),))
    with pytest.raises(ValueError, match="needs two steps or more"):
        Control("c", ("one",))
    table = Table("t", "Caption.", columns, rows)
    two = Control("c", ("one", "two"))
    with pytest.raises(ValueError, match="needs 4 cells"):
        Explorer(table, "Move.", (two, two), ("o",), (("1", "2", "3"),), (None,), ("a", "b", "c"))
