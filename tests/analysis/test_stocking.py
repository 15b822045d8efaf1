"""Whether stocking changed within the year classes of a catch curve: the demo's cut, made-up tables, and none."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest

from fishreport.analysis.stocking import StockingStep, stocking_step
from fishreport.methods.mortality import chapman_robson

AGES = np.arange(0, 9)
FIT = chapman_robson(AGES, [30, 60, 40, 20, 10, 5, 3, 2, 1], from_age=2)


def _step(demo_survey, numbers: dict[int, float], fit=FIT):
    stocking = pd.DataFrame(
        {"date": pd.to_datetime([f"{year}-05-12" for year in numbers]), "species_key": "rainbow_trout", "number": list(numbers.values())}
    )  # fmt: skip
    return stocking_step(dataclasses.replace(demo_survey, stocking=stocking), "rainbow_trout", 2025, fit)


def test_the_demo_was_cut_to_a_third(demo_survey):
    got = stocking_step(demo_survey, "rainbow_trout", 2025, FIT)
    assert got == StockingStep(3600.0, 1200.0, (2017, 2020), (2021, 2024))
    assert got.fewer
    assert stocking_step(demo_survey, "brown_trout", 2025, FIT) is None


@pytest.mark.parametrize(
    ("numbers", "expected"),
    [
        (dict.fromkeys(range(2016, 2026), 2000.0), None),  # alike
        ({year: 2000.0 + 300 * (year >= 2021) for year in range(2016, 2026)}, None),  # within a factor of 1.25
        ({year: 1000.0 + 1500 * (year >= 2022) for year in range(2016, 2026)}, (1000.0, 2500.0)),  # more
        (dict.fromkeys(range(2017, 2026, 2), 2000.0), None),  # every second year, no change
        (dict.fromkeys(range(2016, 2021), 2000.0), (2000.0, 0.0)),  # ended
        ({year: 5000.0 - 3000 * (year == 2025) for year in range(2016, 2026)}, None),  # too young for the limb
        ({2018: 2000.0}, None),  # a single stocking
    ],
)
def test_made_up_tables(demo_survey, numbers, expected):
    got = _step(demo_survey, numbers)
    assert (None if got is None else (got.before, got.after)) == expected


def test_a_change_before_the_oldest_fish_does_not_count(demo_survey):
    short = chapman_robson([0, 1, 2, 3, 4], [10, 40, 20, 10, 5], from_age=1)
    assert _step(demo_survey, {year: 9000.0 if year < 2020 else 1000.0 for year in range(2010, 2026)}, short) is None
