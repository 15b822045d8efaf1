"""Growth groups against scipy's truncated normal."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import truncnorm

from fishreport.exceptions import InputError
from fishreport.population.length_groups import LengthGroups


@pytest.mark.parametrize("number", [1, 7, 40])
def test_groups_have_the_moments_of_the_truncated_normal(number: int) -> None:
    groups = LengthGroups.make(number)
    assert groups.share.sum() == pytest.approx(1.0, abs=1e-15)
    assert groups.share @ groups.mean == pytest.approx(0.0, abs=1e-12)
    assert groups.share @ (groups.variance + groups.mean**2) == pytest.approx(truncnorm(-3, 3).var(), abs=1e-9)


@pytest.mark.parametrize("limit", [150.0, 260.0, 300.0, 333.3, 395.0])
def test_share_below_a_limit(limit: float) -> None:
    groups = LengthGroups.make(9)
    found = groups.share @ groups.share_below(limit, 300.0, 300.0, 0.1)
    assert found == pytest.approx(truncnorm(-3, 3).cdf((limit / 300 - 1) / 0.1), abs=1e-12)


def test_exactly_none_and_all_beyond_the_groups() -> None:
    groups = LengthGroups.make(5)
    assert (groups.share_below(500.0, 300.0, 310.0, 0.1) == 1).all()
    assert (groups.share_below(100.0, 300.0, 310.0, 0.1) == 0).all()
    assert (groups.share_below(np.inf, 300.0, 310.0, 0.1) == 1).all()
    assert (groups.share_within((), [300.0], [310.0], [0.1]) == 0).all()


def test_without_spread_the_part_of_the_step_is_exact() -> None:
    groups = LengthGroups.make(3)
    assert groups.share_below(302.5, 300.0, 310.0, 0.0).tolist() == [0.25] * 3
    assert groups.share_below(300.0, 300.0, 300.0, 0.0).tolist() == [0.0] * 3


def test_power_mean_of_a_cube() -> None:
    groups = LengthGroups.make(15)
    # E[(1 + cv z)^3] = 1 + 3 cv^2 var(z) for a symmetric z.
    found = groups.share @ groups.power_mean(300.0, 0.1, 3.0)
    assert found == pytest.approx(300**3 * (1 + 3 * 0.01 * truncnorm(-3, 3).var()), rel=1e-9)


def test_a_number_of_groups_is_needed() -> None:
    with pytest.raises(InputError, match="growth groups"):
        LengthGroups.make(0)
