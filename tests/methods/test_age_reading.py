"""Agreement of readers, by hand."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.contingency_tables import SquareTable
from statsmodels.stats.multitest import multipletests

from fishreport.exceptions import InputError
from fishreport.methods.ageing import reader_agreement, symmetry_test

# rows the first reader (ages 1 to 3), columns the second
TABLE = np.array([[20, 9, 3], [2, 15, 8], [1, 4, 12]])
FIRST = np.repeat(np.repeat([1, 2, 3], 3), TABLE.ravel())
SECOND = np.repeat(np.tile([1, 2, 3], 3), TABLE.ravel())


def test_symmetry_by_hand() -> None:
    full, by_difference, pooled = (symmetry_test(FIRST, SECOND, form=f) for f in ("full", "by difference", "pooled"))
    assert full.chi_square == pytest.approx(49 / 11 + 4 / 4 + 16 / 12)
    assert full.df == 3
    assert by_difference.chi_square == pytest.approx((17 - 6) ** 2 / 23 + 4 / 4)
    assert by_difference.df == 2
    assert pooled.chi_square == pytest.approx((20 - 7) ** 2 / 27)
    assert pooled.df == 1
    assert pooled.p_value == pytest.approx(stats.chi2.sf(169 / 27, 1))
    assert by_difference.table["second_older"].tolist() == [17, 3]


def test_full_symmetry_agrees_with_statsmodels() -> None:
    wanted = SquareTable(TABLE, shift_zeros=False).symmetry(method="bowker")
    found = symmetry_test(FIRST, SECOND)
    assert (found.chi_square, found.df, found.p_value) == pytest.approx((wanted.statistic, wanted.df, wanted.pvalue))


def test_agreement_by_hand() -> None:
    found = reader_agreement([2, 3, 4, 0], [2, 4, 6, 0])
    assert found.percent_agreement.value == 50
    assert found.percent_within_one.value == 75
    assert found.average_percent_error.value == pytest.approx((0 + 100 * 0.5 / 3.5 + 100 * 1 / 5 + 0) / 4)
    wanted = (100 * np.sqrt(0.5) / 3.5 + 100 * np.sqrt(2) / 5) / 4
    assert found.coefficient_of_variation.value == pytest.approx(wanted)
    exact = stats.binomtest(2, 4).proportion_ci(method="exact")
    assert (found.percent_agreement.lower, found.percent_agreement.upper) == pytest.approx((100 * exact.low, 100 * exact.high))
    assert found.average_percent_error.lower == 0


def test_two_readers_have_a_cv_of_root_two_times_the_error() -> None:
    found = reader_agreement(FIRST, SECOND)
    assert found.coefficient_of_variation.value == pytest.approx(np.sqrt(2) * found.average_percent_error.value)


def test_bias_table_by_hand() -> None:
    bias = reader_agreement(FIRST, SECOND).bias
    assert bias["n"].tolist() == [32, 25, 17]
    assert bias["mean"].tolist() == pytest.approx([(20 + 18 + 9) / 32, (2 + 30 + 24) / 25, (1 + 8 + 36) / 17])
    raw = [stats.ttest_1samp(SECOND[age == FIRST], age).pvalue for age in (1, 2, 3)]
    assert bias["p_value"].tolist() == pytest.approx(multipletests(raw, method="holm")[1])


def test_three_readers_and_missing_readings() -> None:
    found = reader_agreement([1, 2, 3, np.nan], [1, 2, 4, 2], [1, 3, 5, 2])
    assert found.readers == 3 and found.n == 3
    assert found.percent_agreement.value == pytest.approx(100 / 3)
    assert "1 fish without all readings left out" in found.notes
    assert "bias and symmetry compare the first two readers" in found.notes


def test_full_agreement_and_no_fish() -> None:
    same = reader_agreement([1, 2, 3], [1, 2, 3])
    assert same.percent_agreement.value == 100 and same.percent_agreement.upper == 100
    assert [(t.chi_square, t.df, t.p_value) for t in same.symmetry] == [(0, 0, 1)] * 3
    assert same.bias["p_value"].isna().all()
    nothing = reader_agreement([np.nan], [2])
    assert not nothing.percent_agreement.estimable and nothing.symmetry == ()
    single = reader_agreement([1], [2])
    assert np.isnan(single.average_percent_error.se) and single.average_percent_error.value > 0


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: reader_agreement([1, 2]), "two or more"),
        (lambda: reader_agreement([1, 2], [1]), "equal length"),
        (lambda: reader_agreement([1.5], [1]), "whole years"),
        (lambda: symmetry_test([1], [2], form="half"), "form must be"),
    ],
)
def test_impossible_input_is_refused(call, words: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(InputError, match=words):
        call()
