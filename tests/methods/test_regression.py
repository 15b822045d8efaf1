"""Least squares and the cluster jackknife."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from fishreport.methods.regression import cluster_blocks, f_test, jackknife_covariance, least_squares, t_test, wald_test


def test_against_numpy(rng: np.random.Generator) -> None:
    x = np.column_stack([np.ones(40), rng.normal(size=(40, 2))])
    y = x @ [1.0, 2.0, -1.0] + rng.normal(size=40)
    fit = least_squares(x, y)
    assert fit.coefficients == pytest.approx(np.linalg.lstsq(x, y, rcond=None)[0])
    assert fit.covariance == pytest.approx(np.linalg.inv(x.T @ x) * fit.sse / 37)
    assert fit.leverage == pytest.approx(np.diag(x @ np.linalg.inv(x.T @ x) @ x.T))


def test_wald_test_of_independent_errors_is_the_f_test(rng: np.random.Generator) -> None:
    x = np.column_stack([np.ones(40), rng.normal(size=(40, 2))])
    y = rng.normal(size=40)
    fit, small = least_squares(x, y), least_squares(x[:, :1], y)
    test = wald_test(fit, slice(1, 3))
    f = (small.sse - fit.sse) / 2 / (fit.sse / fit.df)
    assert test.statistic == pytest.approx(f) and test.p_value == pytest.approx(stats.f.sf(f, 2, 37))


def test_one_row_a_cluster_is_the_plain_jackknife(rng: np.random.Generator) -> None:
    x = np.column_stack([np.ones(15), rng.normal(size=15)])
    y = rng.normal(size=15)
    fit = least_squares(x, y, np.arange(15))
    left = np.array([np.linalg.lstsq(np.delete(x, i, 0), np.delete(y, i), rcond=None)[0] for i in range(15)]) - fit.coefficients
    assert fit.covariance == pytest.approx(14 / 15 * left.T @ left)


def test_a_coefficient_of_one_cluster_only_does_not_break_the_others(rng: np.random.Generator) -> None:
    """A column that is 1 in cluster 0 alone: the slope's variance is that of leaving out each cluster, that one included."""
    code = np.repeat(np.arange(6), 5)
    x = np.column_stack([np.ones(30), rng.normal(size=30), code == 0]).astype(float)
    y = rng.normal(size=30)
    fit = least_squares(x, y, code)
    slopes = []
    for g in range(6):
        keep = code != g
        columns = [0, 1] if g == 0 else [0, 1, 2]
        slopes.append(np.linalg.lstsq(x[keep][:, columns], y[keep], rcond=None)[0][1])
    expected = 5 / 6 * ((np.array(slopes) - fit.coefficients[1]) ** 2).sum()
    assert fit.covariance[1, 1] == pytest.approx(expected)


def test_blocks_sum_to_the_whole(rng: np.random.Generator) -> None:
    x, w, u, code = rng.normal(size=(20, 3)), rng.uniform(1, 2, 20), rng.normal(size=20), rng.integers(0, 4, 20)
    blocks, scores = cluster_blocks(x, w, u, code.astype(np.intp))
    assert blocks.sum(axis=0) == pytest.approx((x * w[:, None]).T @ x)
    assert scores.sum(axis=0) == pytest.approx(x.T @ u)
    assert jackknife_covariance(blocks.sum(axis=0), blocks, np.zeros((4, 3))) == pytest.approx(np.zeros((3, 3)))


def test_degenerate_tests() -> None:
    assert math.isnan(t_test(1.0, 0.0, 5).p_value) and math.isnan(t_test(1.0, 1.0, 0).p_value)
    assert math.isnan(f_test(math.nan, 1, 5).p_value)
    assert t_test(2.0, 1.0, 10).p_value == pytest.approx(2 * stats.t.sf(2, 10))
