"""Notes of estimators as the report shows them."""

from __future__ import annotations

import pytest

from fishreport.exhibits.notes import shown_note, singular
from fishreport.exhibits.units import METRIC, US


@pytest.mark.parametrize(
    ("note", "shown"),
    [
        ("1 runs only", "1 run only"),
        ("11 runs only", "11 runs only"),
        ("2.1 runs on average", "2.1 runs on average"),
        ("1 classes pooled with 2 passes", "1 class pooled with 2 passes"),
    ],
)
def test_one_is_singular(note, shown):
    assert singular(note) == shown
    assert shown_note(note, METRIC) == shown


def test_lengths_and_weights_are_converted_for_us_readers():
    assert shown_note("up to 254 mm in 1 runs", US) == "up to 10.0 in in 1 run"
    assert shown_note("up to 254 mm in 1 runs", METRIC) == "up to 254 mm in 1 run"
