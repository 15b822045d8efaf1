"""Bootstrap of 5,000 aged fish with 2,000 replicates: the batch beside a loop of separate fits.

Measured on two shared cores: 0.2 to 0.5 s for the batch, nearly all of it for drawing the samples, against 1 to 1.5 s for a
loop over scipy's curve_fit. Run with ``-s`` to see the seconds.
"""

from __future__ import annotations

import time

import numpy as np
import pytest
from scipy import optimize

from fishreport.methods.growth import fit_von_bertalanffy

FISH, RESAMPLES, LOOPED = 5000, 2000, 40


def curve(t: np.ndarray, linf: float, k: float, t0: float) -> np.ndarray:
    return linf * (1 - np.exp(-k * (t - t0)))


@pytest.mark.slow
@pytest.mark.parametrize("ages", ["whole", "any"])
def test_batch_is_seconds_and_agrees_with_the_loop(ages: str) -> None:
    rng = np.random.default_rng(7)
    age = rng.integers(1, 9, FISH).astype(float) if ages == "whole" else rng.uniform(0.5, 9, FISH)
    length = curve(age, 550, 0.35, -0.3) + rng.normal(0, 25, FISH)

    fit_von_bertalanffy(age, length, interval="bootstrap", resamples=10, rng=rng)
    started = time.perf_counter()
    fit = fit_von_bertalanffy(age, length, interval="bootstrap", resamples=RESAMPLES, rng=rng)
    batch = time.perf_counter() - started
    assert fit.replicates is not None

    started = time.perf_counter()
    looped = np.empty((LOOPED, 3))
    for row in range(LOOPED):
        drawn = rng.integers(FISH, size=FISH)
        looped[row], _ = optimize.curve_fit(curve, age[drawn], length[drawn], [500, 0.3, 0])
    loop = (time.perf_counter() - started) * RESAMPLES / LOOPED

    print(f"\n{ages} ages: batch {batch:.1f} s, loop {loop:.0f} s for {RESAMPLES} replicates of {FISH} fish")
    assert len(fit.replicates) == RESAMPLES
    assert fit.replicates.std(axis=0) == pytest.approx(looped.std(axis=0), rel=0.4)
    assert batch < loop
    assert batch < 10
