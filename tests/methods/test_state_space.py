"""Local level with known sampling error: against statsmodels' likelihood, R's smoother, a direct solution, and by simulation."""

from __future__ import annotations

import math
import subprocess
from pathlib import Path

import numpy as np
import pytest
from statsmodels.tsa.statespace.kalman_smoother import KalmanSmoother

from fishreport.exceptions import InputError
from fishreport.methods.state_space import filter_local_level, local_level

SCRIPT = Path(__file__).parents[1] / "reference" / "trend.R"
Y = np.array([3.72, 3.65, 3.81, 3.86, np.nan, 3.97, 3.80, 4.07, 4.11, 4.01, 4.20])
ERROR = np.array([0.003, 0.006, 0.002, 0.004, 0.0, 0.003, 0.012, 0.002, 0.003, 0.007, 0.002])


def reference(y: np.ndarray, error: np.ndarray, process: float) -> KalmanSmoother:
    model = KalmanSmoother(k_endog=1, k_states=1)
    model.bind(y[:, None].copy())
    model["design", 0, 0] = model["transition", 0, 0] = model["selection", 0, 0] = 1.0
    model["obs_cov"] = error[None, None, :]
    model["state_cov", 0, 0] = process
    model.initialize_diffuse()
    return model


@pytest.mark.parametrize("process", [0.0005, 0.004, 0.05])
def test_likelihood_and_smoother_against_statsmodels(process: float) -> None:
    # statsmodels starts exactly diffuse: its likelihood has −½ log 2π for the first value, ours leaves that value out.
    model = reference(Y, ERROR, process)
    found = filter_local_level(Y, ERROR, process)
    smooth = model.smooth()
    assert found.log_likelihood == pytest.approx(smooth.llf_obs[1:].sum(), abs=1e-9)
    np.testing.assert_allclose(found.smoothed, smooth.smoothed_state[0], atol=1e-9)
    np.testing.assert_allclose(found.smoothed_variance, smooth.smoothed_state_cov[0, 0], atol=1e-9)
    np.testing.assert_allclose(found.filtered[1:], smooth.filtered_state[0, 1:], atol=1e-9)


def test_most_likely_process_against_statsmodels() -> None:
    grid = np.linspace(0.001, 0.4, 2000)
    likelihood = [reference(Y, ERROR, sd**2).loglike() for sd in grid]
    keep = ~np.isnan(Y)
    found = local_level(2010 + np.flatnonzero(keep), Y[keep], se=np.sqrt(ERROR[keep]), scale="identity")
    assert found.process_sd.value == pytest.approx(grid[int(np.argmax(likelihood))], abs=2.5e-4)
    inside = grid[np.array(likelihood) >= max(likelihood) - 1.920729]
    assert found.process_sd.lower == pytest.approx(inside[0], abs=3e-4) or found.process_sd.lower == 0
    assert found.process_sd.upper == pytest.approx(inside[-1], abs=3e-4)


@pytest.mark.r
def test_smoother_against_r() -> None:
    text = subprocess.run(["Rscript", "--vanilla", str(SCRIPT)], capture_output=True, text=True, check=True).stdout
    expected = {line.split()[0]: [float(x) for x in line.split()[1:]] for line in text.splitlines() if line.startswith("smooth")}
    found = filter_local_level(Y, np.full(11, 0.003), 0.004)
    # R starts with a variance of 1e7 instead of exactly diffuse.
    np.testing.assert_allclose(found.smoothed, expected["smooth"], atol=1e-6)
    np.testing.assert_allclose(found.smoothed_variance, expected["smooth_var"], atol=1e-6)


def test_covariances_by_a_direct_solution() -> None:
    process, m = 0.004, Y.size
    step = np.diff(np.eye(m), axis=0)
    given = np.flatnonzero(~np.isnan(Y))
    observed = np.eye(m)[given]
    information = step.T @ step / process + observed.T @ np.diag(1 / ERROR[given]) @ observed
    covariance = np.linalg.inv(information)
    found = filter_local_level(Y, ERROR, process)
    np.testing.assert_allclose(found.lag_covariance, covariance, atol=1e-10)
    np.testing.assert_allclose(found.smoothed, covariance @ observed.T @ (Y[given] / ERROR[given]), atol=1e-9)


def test_sampling_error_alone_is_not_taken_for_change(rng: np.random.Generator) -> None:
    steady = [local_level(range(12), np.exp(3 + rng.normal(0, 0.2, 12)), se=np.full(12, 4.0)) for _ in range(40)]
    moved = sum(not one.change.lower <= 0 <= one.change.upper for one in steady)
    assert moved <= 5
    assert np.median([one.process_sd.value for one in steady]) < 0.08


@pytest.mark.parametrize("process", [0.05, 0.2])
def test_levels_and_change_cover(process: float, rng: np.random.Generator) -> None:
    # 15 seasons, one missed, sampling CV 0.15; 150 series. Levels pooled over years; Monte Carlo error 1 and 2 points.
    inside, changes = [], []
    for _ in range(150):
        truth = 3 + np.cumsum(rng.normal(0, process, 15))
        relative = 0.15 * np.exp(rng.normal(0, 0.3, 15))
        value = np.exp(truth + rng.normal(0, relative))
        keep = np.arange(15) != 6
        found = local_level(np.arange(15)[keep], value[keep], se=(value * relative)[keep])
        inside.append((found.lower <= np.exp(truth)) & (np.exp(truth) <= found.upper))
        change = 100 * math.expm1(truth[-1] - truth[0])
        changes.append(found.change.lower <= change <= found.change.upper)
    assert 0.92 <= np.mean(inside) <= 0.98
    assert 0.90 <= np.mean(changes) <= 0.99


def test_missed_years_are_in_the_smooth_with_wider_limits() -> None:
    value = np.array([30.0, 33, 31, 36, 35, 39])
    found = local_level([2010, 2011, 2012, 2016, 2017, 2018], value, se=value * 0.05, units="fish/h")
    np.testing.assert_array_equal(found.year, np.arange(2010, 2019))
    width = np.log(found.upper / found.lower)
    assert width[4] > width[2] and width[4] > width[6]
    assert found.change.units == "percent"
    assert 0 < found.sampling_share <= 1


def test_what_cannot_be_told() -> None:
    few = local_level([1, 2, 3], [1.0, 2, 3], se=[0.1, 0.1, 0.1])
    assert few.change.notes == ("not estimable: 3 seasons with data, 4 needed",)
    assert few.level.size == 0
    bare = local_level(range(6), [1.0, 2, 3, 4, 5, 6], se=np.full(6, np.nan))
    assert "cannot be told apart" in bare.process_sd.notes[0]
    flat = local_level(range(6), [5.0] * 6, se=[0.5] * 6)
    assert flat.process_sd.value == 0
    assert flat.change.value == pytest.approx(0, abs=1e-9)
    lacking = local_level(range(6), [5.0, 6, 5, 7, 6, 6], se=[0.5, np.nan, *[0.4] * 4])
    assert any("1 of 6 seasons have no standard error" in note for note in lacking.notes)


def test_messages() -> None:
    with pytest.raises(InputError, match="whole years"):
        local_level([1, 2, 3, 4.5], [1, 2, 3, 4], se=[1, 1, 1, 1])
    with pytest.raises(InputError, match="scale must be"):
        local_level([1, 2, 3, 4], [1, 2, 3, 4], se=[1, 1, 1, 1], scale="x")  # type: ignore[arg-type]
    with pytest.raises(InputError, match="one value a season"):
        local_level([1, 1, 2, 3, 4], [1, 2, 3, 4, 5], se=[1, 1, 1, 1, 1])
    with pytest.raises(InputError, match="first year"):
        filter_local_level([math.nan, 1.0], [1.0, 1.0], 0.1)
