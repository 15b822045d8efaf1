"""Shares of harmed fish and nights that stand out: published exact limits, Fisher's test, and the rate of false alarms."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from fishreport.exceptions import InputError
from fishreport.methods.fish_care import flag_bad_nights, harmed_share


@pytest.mark.parametrize(
    ("x", "n", "lower", "upper"),
    [(81, 263, 0.2527, 0.3676), (15, 148, 0.0578, 0.1617), (0, 20, 0.0, 0.1684), (1, 29, 0.0009, 0.1776)],
)
def test_exact_limits_of_newcombe_1998(x: int, n: int, lower: float, upper: float) -> None:
    # Newcombe 1998, Stat. Med. 17:857-872, table I, Clopper-Pearson (from memory).
    found = harmed_share(x, n)
    assert (found.lower / 100, found.upper / 100) == pytest.approx((lower, upper), abs=5.1e-5)
    assert found.value == pytest.approx(100 * x / n)


def test_no_fish() -> None:
    assert harmed_share(0, 0).notes == ("not estimable: no fish handled",)
    with pytest.raises(InputError, match="0 ≤ harmed ≤ handled"):
        harmed_share(3, 2)


def test_a_bad_night_is_flagged_and_the_others_not() -> None:
    found = flag_bad_nights(["a", "b", "c", "d"], [200, 180, 220, 150], [2, 1, 2, 14])
    assert found.frame["flagged"].tolist() == [False, False, False, True]
    assert found.usual.value == pytest.approx(100 * 19 / 750)
    row = found.frame.iloc[3]
    fisher = stats.fisher_exact([[14, 136], [5, 595]], alternative="greater").pvalue
    assert row["p"] == pytest.approx(fisher, rel=1e-9)
    assert row["expected"] == pytest.approx(150 * 5 / 600)
    assert "1% of surveys" in found.rule


def test_one_dead_fish_or_a_lone_night_is_no_alarm() -> None:
    assert not flag_bad_nights(["a", "b"], [1, 5000], [1, 0]).frame["flagged"].any()
    lone = flag_bad_nights(["a"], [10], [9]).frame.iloc[0]
    assert not lone["flagged"] and math.isnan(lone["p"])
    empty = flag_bad_nights(["a", "b", "c"], [0, 50, math.nan], [0, 1, 0])
    assert len(empty.frame) == 2
    assert math.isnan(empty.frame.loc[0, "share"])


def test_false_alarms_are_rarer_than_stated(rng: np.random.Generator) -> None:
    # Twelve nights alike at 3 % harm; stated: at most 1 % of surveys with any flag. The exact test is conservative.
    alarms = 0
    for _ in range(400):
        handled = rng.integers(40, 200, 12)
        alarms += flag_bad_nights(range(12), handled, rng.binomial(handled, 0.03)).frame["flagged"].any()
    assert alarms / 400 <= 0.02


@pytest.mark.parametrize(
    ("columns", "text"),
    [
        (([1, 1], [5, 5], [0, 0]), "one row"),
        (([1, 2], [5, 5], [0, 6]), "no more harmed"),
        (([1, 2], [5, 5], [0, 0.5]), "whole numbers"),
        (([1, 2], [5, 5], [0, -1]), "harmed must be 0 or more"),
        (([1, 2], [5, 5, 5], [0, 1, 1]), "same number of rows"),
    ],
)
def test_messages(columns: tuple[list[float], ...], text: str) -> None:
    with pytest.raises(InputError, match=text):
        flag_bad_nights(*columns)
