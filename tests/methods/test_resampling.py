"""Ratios of cluster totals, design effect, cluster bootstrap."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from fishreport.exceptions import InputError
from fishreport.methods.resampling import cluster_bootstrap, design_effect, effective_poisson_limits, ratio_of_totals


def test_ratio_by_hand() -> None:
    """y 2, 4, 9 over x 1, 2, 3: R = 2.5, residuals -0.5, -1, 1.5, variance 3/2 · 3.5 / 36."""
    ratio = ratio_of_totals(np.array([2.0, 4.0, 9.0]), np.array([1.0, 2.0, 3.0]))
    assert ratio.value == 2.5
    assert ratio.variance == pytest.approx(1.5 * 3.5 / 36)
    empty = ratio_of_totals(np.array([0.0, 2.0, 4.0, 9.0]), np.array([0.0, 1.0, 2.0, 3.0]))
    assert empty == ratio
    assert math.isnan(ratio_of_totals(np.array([2.0]), np.array([1.0])).variance)


def test_ratio_with_equal_denominators_is_the_mean() -> None:
    y = np.array([3.0, 8.0, 1.0, 6.0])
    assert ratio_of_totals(y, np.ones(4)).variance == pytest.approx(y.var(ddof=1) / 4)


def test_design_effect_of_like_and_of_whole_clusters() -> None:
    """All fish of a run alike: the design effect is the cluster size, up to (n − 1)/n and n/(n − 1) of few clusters."""
    value = np.repeat([1.0, 5.0, 2.0, 8.0], 10)
    run = np.repeat(list("abcd"), 10)
    assert design_effect(value, run) == pytest.approx(10 * (39 / 40) * (4 / 3))
    assert design_effect([1.0, 2.0, 4.0], ["a", "b", "c"]) == pytest.approx(1.0)
    assert math.isnan(design_effect([1.0, 2.0], ["a", "a"]))
    assert math.isnan(design_effect([3.0, 3.0], ["a", "b"]))


def test_bootstrap_of_a_mean_agrees_with_theory_and_with_scipy(rng: np.random.Generator) -> None:
    y = rng.gamma(2, 3, 60)
    totals = np.column_stack([y, np.ones(60)])
    got = cluster_bootstrap(totals, "ratio", rng=rng, resamples=20_000)
    assert got.value == pytest.approx(y.mean())
    assert got.se == pytest.approx(y.std() / math.sqrt(60), rel=0.03)
    bca = cluster_bootstrap(totals, "ratio", rng=rng, resamples=20_000, method="bca")
    reach = math.sqrt(60 / 59) * stats.t.ppf(0.975, 59)  # our limits are expanded: the same quantiles asked of scipy
    level = 2 * stats.norm.cdf(reach) - 1
    theirs = stats.bootstrap((y,), np.mean, n_resamples=20_000, method="BCa", confidence_level=level, rng=rng).confidence_interval
    assert (bca.lower, bca.upper) == pytest.approx((theirs.low, theirs.high), abs=0.08 * got.se * 2)


def test_bootstrap_of_raw_clusters_is_that_of_totals(rng: np.random.Generator) -> None:
    parts = [rng.normal(rng.normal(), 1, size) for size in rng.integers(3, 15, 30)]
    totals = np.array([[part.sum(), len(part)] for part in parts])
    raw = cluster_bootstrap(parts, np.mean, rng=rng, resamples=3000)
    fast = cluster_bootstrap(totals, "ratio", rng=rng, resamples=3000)
    assert raw.value == pytest.approx(fast.value)
    assert raw.se == pytest.approx(fast.se, rel=0.08)
    assert cluster_bootstrap(parts, np.median, rng=rng, resamples=200, method="bca").estimable


def test_bootstrap_is_the_same_for_the_same_generator() -> None:
    totals = np.arange(24.0).reshape(12, 2) + 1
    first = cluster_bootstrap(totals, "ratio", rng=np.random.default_rng(5))
    assert first == cluster_bootstrap(totals, "ratio", rng=np.random.default_rng(5))


def test_bootstrap_degenerate(rng: np.random.Generator) -> None:
    one = cluster_bootstrap(np.array([[1.0, 2.0]]), "ratio", rng=rng)
    assert not one.estimable and "1 cluster, 2 needed" in one.notes[0]
    nothing = cluster_bootstrap(np.zeros((4, 2)), "ratio", rng=rng)
    assert not nothing.estimable
    alike = cluster_bootstrap(np.ones((4, 2)), "ratio", rng=rng, method="bca")
    assert (alike.value, alike.se, alike.lower, alike.upper) == (1.0, 0.0, 1.0, 1.0)
    sparse = cluster_bootstrap(np.array([[1.0, 1.0], [0.0, 0.0], [2.0, 1.0]]), "ratio", rng=rng, resamples=500)
    assert sparse.estimable and any("without a finite value left out" in note for note in sparse.notes)


def test_bootstrap_messages(rng: np.random.Generator) -> None:
    with pytest.raises(InputError, match="method must be 'percentile' or 'bca'"):
        cluster_bootstrap(np.ones((4, 2)), "ratio", rng=rng, method="t")  # type: ignore[arg-type]
    with pytest.raises(InputError, match="50 or more"):
        cluster_bootstrap(np.ones((4, 2)), "ratio", rng=rng, resamples=3)
    with pytest.raises(InputError, match=r"shape \(clusters, 2\)"):
        cluster_bootstrap([[1.0], [2.0]], "ratio", rng=rng)
    with pytest.raises(InputError, match="two totals"):
        cluster_bootstrap(np.ones((4, 3)), "ratio", rng=rng)


def test_effective_poisson_limits_are_exact_for_poisson_with_many_units() -> None:
    """Garwood limits of 24 events, 15.377 to 35.711 (exact Poisson table; recomputed with scipy)."""
    low, high = effective_poisson_limits(24.0, 24.0, 1.0, 1e9, 0.95)
    assert (low, high) == pytest.approx((15.3773, 35.7101), abs=1e-4)
    assert effective_poisson_limits(0.0, 0.0, 2.0, 1e9, 0.95) == pytest.approx((0.0, 3.688879 / 2), rel=1e-6)


def test_limits_of_a_weighted_sum_by_the_gamma_of_fay_and_feuer() -> None:
    """Fay and Feuer 1997, Statistics in Medicine 16:791-801 (from memory): upper limit v'/(2y') χ²(0.975; 2 y'²/v') with
    y' = y + w_M and v' = v + w_M²; scipy's gamma gives the quantile."""
    weight, count = np.array([0.2, 0.05, 0.01]), np.array([3, 8, 20])
    rate, variance = float(weight @ count), float(weight**2 @ count)
    low, high = effective_poisson_limits(rate, variance, rate / variance, 1e9, 0.95, heaviest=0.2)
    mean, spread = rate + 0.2, variance + 0.04
    assert high == pytest.approx(stats.gamma.ppf(0.975, mean**2 / spread, scale=spread / mean), rel=1e-6)
    assert low == pytest.approx(stats.gamma.ppf(0.025, rate**2 / variance, scale=variance / rate), rel=1e-6)
