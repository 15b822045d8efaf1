"""Mann-Kendall by hand: mathcs.holycross.edu/~little/Montserrat (seen), and Gilbert 1987 (from memory)."""

from __future__ import annotations

import pytest

from fishreport.methods.trend import mann_kendall, sen_slope

HOLY_CROSS = [12.9, 14.8, 13.2, 15.7, 13.8, 15.6, 12.9, 11.0, 17.3, 15.9, 19.0, 18.3, 20.1, 21.7]


def test_holy_cross_as_printed() -> None:
    found = mann_kendall(range(14), HOLY_CROSS, alternative="increasing")
    assert found.statistic == 54  # 72 up, 18 down, 1 tie
    assert found.variance == pytest.approx(14 * 13 * 33 / 18 - 2 * 1 * 9 / 18, rel=1e-12)
    assert found.z == pytest.approx(2.9058, abs=5e-5)
    assert found.p == pytest.approx(0.0018, abs=5e-5)
    assert mann_kendall(range(14), HOLY_CROSS).p == pytest.approx(2 * found.p)
    assert mann_kendall(range(14), HOLY_CROSS, alternative="decreasing").p > 0.99


def test_holy_cross_sen_slope_worked_out() -> None:
    # Not printed there: the median of the 91 pairwise slopes, worked out independently.
    slopes = sorted((HOLY_CROSS[j] - HOLY_CROSS[i]) / (j - i) for i in range(14) for j in range(i + 1, 14))
    assert sen_slope(range(14), HOLY_CROSS).value == pytest.approx(slopes[45]) == pytest.approx(0.566667, abs=5e-7)


def test_gilbert_several_observations_a_period() -> None:
    # Gilbert 1987, section 16.4, data from memory and one datum uncertain: Var(S) = 58.1 is as remembered; the rest is computed
    # from these data by the formulas of that section, so this checks arithmetic, not the book.
    t, x = [1, 1, 1, 2, 3, 3, 4, 5], [10, 22, 21, 30, 22, 30, 40, 40]
    found = mann_kendall(t, x)
    assert found.statistic == 19
    assert found.variance == pytest.approx(58.1, abs=0.05)
    assert found.z == pytest.approx(2.361578, abs=5e-7)
    slope = sen_slope(t, x, level=0.9)
    assert slope.value == 5.5
    ordered = sorted((x[j] - x[i]) / (t[j] - t[i]) for i in range(8) for j in range(8) if t[j] > t[i])
    assert len(ordered) == 24
    # Ranks 5.73 and 19.27 of the 24 slopes, between ranks by proportion.
    assert slope.lower == pytest.approx(ordered[4] + 0.7314 * (ordered[5] - ordered[4]), abs=2e-4)
    assert slope.upper == pytest.approx(ordered[18] + 0.2686 * (ordered[19] - ordered[18]), abs=2e-4)
