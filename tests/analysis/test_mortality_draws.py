"""Draws of mortality: medians and limits kept, ages and a creel survey weighed, by grids and distributions worked out apart."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import norm

from fishreport.analysis.vital_rates import (
    NOTHING_LEFT,
    against_the_mortality_chapter,
    hundred,
    log_sds,
    lognormal_draws,
    mortality_draws,
)  # fmt: skip
from fishreport.exceptions import InputError
from fishreport.methods.estimate import Estimate


def test_natural_mortality_is_weighed_by_the_ages_in_the_catch():
    """Normal on the log scale, both: the picked draws lie about the product of the two densities, worked out on a grid."""
    rng = np.random.default_rng(6)
    prior = Estimate(0.5, math.nan, 0.5 / 1.8, 0.5 * 1.8, 0.95, "per year", "", 1)
    total = Estimate(0.9, math.nan, 0.9 / 1.2, 0.9 * 1.2, 0.95, "per year", "", 50)
    drawn = mortality_draws(rng, 4000, natural=prior, total=total, fishing=np.full(4000, 0.2))
    m = np.linspace(0.05, 3, 20_000)
    density = np.exp(-0.5 * ((np.log(m) - math.log(0.5)) / log_sds(prior)[0]) ** 2) / m
    density *= np.exp(-0.5 * ((np.log(m + 0.2) - math.log(0.9)) / log_sds(total)[0]) ** 2)
    density /= density.sum()
    assert drawn.natural.mean() == pytest.approx((m * density).sum(), rel=0.01)
    assert drawn.natural.std() == pytest.approx(math.sqrt((m**2 * density).sum() - (m * density).sum() ** 2), rel=0.06)


def test_fishing_mortality_without_a_harvest_is_what_is_left():
    total = Estimate(0.8, 0.0, math.nan, math.nan, 0.95, "per year", "", 50)
    drawn = mortality_draws(np.random.default_rng(1), 30, natural=np.full(30, 0.5), total=total, open_share=0.6)
    assert drawn.fishing == pytest.approx((0.8 - 0.5) / 0.6)
    assert drawn.left_out == 0 and drawn.notes == ()
    with pytest.raises(InputError, match=r"natural mortality \(0.9\) is not below total mortality \(0.8\)"):
        mortality_draws(np.random.default_rng(1), 30, natural=np.full(30, 0.9), total=total)
    with pytest.raises(InputError, match="nothing tells of fishing mortality"):
        mortality_draws(np.random.default_rng(1), 30, natural=np.full(30, 0.5), total=None)


def test_pairs_that_leave_nothing_for_fishing_are_counted():
    """P(ln M > ln Z) of two normals by the distribution function, and what remains of M lies below what it was drawn from."""
    natural = Estimate(0.5, math.nan, 0.5 / 1.8, 0.5 * 1.8, 0.95, "per year", "", 1)
    total = Estimate(0.6, math.nan, 0.6 / 1.3, 0.6 * 1.3, 0.95, "per year", "", 50)
    drawn = mortality_draws(np.random.default_rng(3), 1000, natural=natural, total=total)
    spread = math.hypot(log_sds(natural)[0], log_sds(total)[0])
    by_hand = norm.cdf(math.log(0.5 / 0.6) / spread)
    assert drawn.left_out == pytest.approx(by_hand, abs=0.003)
    assert drawn.notes == (f"in {100 * by_hand:.0f} of 100 draws {NOTHING_LEFT}; they are left out",)
    assert (drawn.fishing > 0).all() and np.median(drawn.natural) < 0.49
    (note,) = against_the_mortality_chapter(drawn)
    assert "without the draws that leave nothing for fishing" in note
    kept = mortality_draws(np.random.default_rng(3), 100, natural=np.full(100, 0.1), total=total)
    (note,) = against_the_mortality_chapter(kept)
    assert "without the draws" not in note and "higher" not in note


def test_shares_of_a_hundred():
    assert [hundred(share) for share in (0.002, 0.006, 0.234)] == ["under 1", "1", "23"]


@pytest.mark.parametrize(
    ("low", "value", "high", "level"),
    [(8.0, 10.0, 12.5, 0.95), (440.0, 520.0, 670.0, 0.95), (440.0, 650.0, 670.0, 0.9), (0.19, 0.52, 1.28, 0.95), (5, 5, 9, 0.95)],
)
def test_draws_keep_median_and_both_limits(low, value, high, level):
    """Within four Monte Carlo errors of a quantile: of n draws, a number with sd sqrt(n p (1 - p)) lies below that of p."""
    n, tail = 40_000, (1 - level) / 2
    drawn = lognormal_draws(np.random.default_rng(1), n, Estimate(value, 1.0, low, high, level, "fish", "", 9))
    for p, limit in ((tail, low), (0.5, value), (1 - tail, high)):
        if low == value and p < 0.5:
            assert drawn.min() == pytest.approx(low)
        else:
            off = 4 * math.sqrt(p * (1 - p) / n)
            assert np.mean(drawn < limit * (1 - 1e-12)) - off <= p <= np.mean(drawn <= limit * (1 + 1e-12)) + off


def test_draws_without_limits_go_by_the_standard_error():
    """Mean and sd of a lognormal with that coefficient of variation and the estimate as its median."""
    drawn = lognormal_draws(np.random.default_rng(2), 200_000, Estimate(10.0, 2.0, 0.0, 14.0, 0.95, "fish", "", 9))
    assert np.median(drawn) == pytest.approx(10.0, rel=0.005)
    assert drawn.std() / drawn.mean() == pytest.approx(0.2, rel=0.01)
    assert (
        lognormal_draws(np.random.default_rng(2), 5, Estimate(10.0, math.nan, math.nan, math.nan, 0.95, "", "", 9)) == 10
    ).all()


def test_natural_mortality_weighed_by_a_skewed_total():
    """As with equal sides, on a grid: the density of ln Z falls off on each side as that limit tells."""
    rng = np.random.default_rng(6)
    prior = Estimate(0.5, math.nan, 0.5 / 1.8, 0.5 * 1.8, 0.95, "per year", "", 1)
    total = Estimate(0.9, math.nan, 0.9 / 1.1, 0.9 * 1.6, 0.95, "per year", "", 50)
    drawn = mortality_draws(rng, 4000, natural=prior, total=total, fishing=np.full(4000, 0.2))
    m, z = np.linspace(0.05, 3, 20_000), 1.959964
    off = np.log(m + 0.2) - math.log(0.9)
    density = np.exp(-0.5 * ((np.log(m) - math.log(0.5)) / (math.log(1.8) / z)) ** 2) / m
    density *= np.exp(-0.5 * (off / (np.where(off < 0, math.log(1.1), math.log(1.6)) / z)) ** 2)
    density /= density.sum()
    assert drawn.natural.mean() == pytest.approx((m * density).sum(), rel=0.01)
