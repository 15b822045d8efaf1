"""Why the plain mean of the runs and the standardised index disagree, in words."""

from __future__ import annotations

import math

import pytest

from fishreport.analysis.result import Result
from fishreport.exhibits import standardised
from fishreport.methods.estimate import Estimate


@pytest.mark.parametrize(
    ("missed", "shift", "apart", "words"),
    [
        ((), math.nan, 8.0, "no site was missed, but the catch may have been spread"),
        (
            ("S01",),
            7.0,
            8.0,
            "S01 was not fished; it usually gives fewer of these fish than the other sites near, which would make a difference of about 7%",
        ),
        (("S01", "S02"), -9.0, -10.0, "S01 and S02 were not fished; together they usually give more"),
        (("S01",), 0.2, 8.0, "explain almost none"),
        (("S01",), 2.0, 8.0, "make a difference of 2% the same way"),
        (("S01",), -3.0, 8.0, "3% the other way"),
    ],
)
def test_why_plain_mean_and_index_disagree(missed, shift, apart, words):
    item = standardised._Season(2020, None, None, apart, missed, shift)
    assert words in standardised._why(item)


@pytest.mark.parametrize(
    ("plain", "index", "inside"),
    [
        ((0.44, 0.0, 5.2), (0.68, 0.01, 69.6), True),
        ((10, 8, 12), (13, 11, 16), False),
        ((13, 11, 16), (10, 8, 12), False),
        ((13, 5, 30), (10, 4, 25), True),
        ((13, 5, 30), (10, 9.9, 10.1), False),
    ],
)
def test_a_difference_far_inside_both_intervals_is_not_explained(plain, index, inside):
    both = [Result("catch_rate", Estimate(v, 1.0, low, high, 0.95, "fish/h", "", 9), 2020) for v, low, high in (plain, index)]
    item = standardised._Season(2020, *both, 100 * (plain[0] / index[0] - 1), (), math.nan)
    assert standardised._far_inside(item) is inside
