"""Why the plain mean of the runs and the standardised index disagree, in words."""

from __future__ import annotations

import math

import pytest

from fishreport.exhibits import standardised


@pytest.mark.parametrize(
    ("missed", "shift", "apart", "words"),
    [
        ((), math.nan, 8.0, "no site was missed"),
        (("S01",), 7.0, 8.0, "S01 was not fished; it usually gives fewer"),
        (("S01", "S02"), -9.0, -10.0, "S01 and S02 were not fished; together they usually give more"),
        (("S01",), 0.2, 8.0, "explain almost none"),
        (("S01",), 2.0, 8.0, "2% the same way"),
        (("S01",), -3.0, 8.0, "3% the other way"),
    ],
)
def test_why_plain_mean_and_index_disagree(missed, shift, apart, words):
    item = standardised._Season(2020, None, None, apart, missed, shift)
    assert words in standardised._why(item)
