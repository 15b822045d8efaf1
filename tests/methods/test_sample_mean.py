"""The mean of fish in runs: never surer than for independent fish, against scipy, and coverage on simulated runs."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from fishreport.methods.sample_mean import mean_of_fish

NOTE = "runs differ less than chance alone would make them: the limits are those of independent fish"


def _mean(value: np.ndarray, run: np.ndarray | None) -> object:
    return mean_of_fish(value, run, level=0.95, units="", what="mean")


def test_runs_that_are_alike_by_chance_give_no_narrower_interval() -> None:
    # Every run holds the same three fish: between runs there is no variance at all.
    value, run = np.tile([80.0, 90.0, 100.0], 8), np.repeat(np.arange(8), 3)
    found = _mean(value, run)
    limits = stats.t.interval(0.95, len(value) - 1, loc=value.mean(), scale=stats.sem(value))
    assert (found.lower, found.upper) == pytest.approx(limits, rel=1e-12)
    assert found.se == pytest.approx(stats.sem(value), rel=1e-12)
    assert found.n == 8 and found.notes == (NOTE,)


def test_runs_that_differ_keep_the_interval_of_clusters() -> None:
    value, run = np.repeat([80.0, 90.0, 100.0, 94.0], 10), np.repeat(np.arange(4), 10)
    found = _mean(value, run)
    # Runs of equal size: the mean of the run means, Student's t with runs - 1.
    limits = stats.t.interval(0.95, 3, loc=91.0, scale=stats.sem([80.0, 90.0, 100.0, 94.0]))
    assert (found.lower, found.upper) == pytest.approx(limits, rel=1e-12)
    assert found.notes == ()


def test_an_interval_of_lengths_that_would_reach_below_zero_is_none() -> None:
    """Two fish of two runs: Student's t with 1 degree of freedom, 12.706 × 79 to either side of 400."""
    lengths = np.array([321.0, 479.0])
    assert 400 - stats.t.ppf(0.975, 1) * stats.sem(lengths) < 0
    for run, told in ((None, "2 fish"), (np.array([0, 1]), "2 fish in 2 runs")):
        found = _mean(lengths, run)
        assert not found.estimable and found.notes[0] == f"not estimable: {told}, too few: the interval would reach below 0"
    assert _mean(lengths - 400, None).estimable  # a difference may be below zero
    assert _mean(np.array([398.0, 402.0]), None).estimable


@pytest.mark.parametrize("between", [0.0, 3.0])
def test_interval_holds_the_mean_at_least_as_often_as_said(between: float, rng: np.random.Generator) -> None:
    run = np.repeat(np.arange(24), 16)
    held, narrower = 0, 0
    for _ in range(600):
        value = 92 + between * rng.standard_normal(24)[run] + 8 * rng.standard_normal(len(run))
        found, alone = _mean(value, run), _mean(value, None)
        held += found.lower <= 92 <= found.upper
        narrower += found.upper - found.lower < (alone.upper - alone.lower) * (1 - 1e-9)
    assert narrower == 0
    assert 0.93 <= held / 600 <= 0.98
