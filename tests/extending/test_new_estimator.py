"""A new estimator, with the first rungs of its ladder of tests."""

from __future__ import annotations

import importlib.util
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy import stats

from fishreport.exceptions import InputError


def load() -> Any:
    path = Path(__file__).parent / "new_estimator" / "occurrence.py"
    spec = importlib.util.spec_from_file_location("occurrence", path)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


share_of_runs = load().share_of_runs


@pytest.mark.parametrize("catch", [[0, 3, 1, 0, 5, 2, 0, 9], [0] * 6, [4] * 5])
def test_against_scipy(catch: list[int]) -> None:
    found = share_of_runs(catch, level=0.9)
    caught = sum(count > 0 for count in catch)
    expected = stats.binomtest(caught, len(catch)).proportion_ci(0.9, method="wilson")
    assert found.value == pytest.approx(100 * caught / len(catch))
    assert (found.lower, found.upper) == pytest.approx((100 * expected.low, 100 * expected.high), abs=1e-9)


def test_coverage_on_known_truth(rng: np.random.Generator) -> None:
    """20 runs, each with a chance of 0.3 to catch a fish: the 95% interval holds 30% in 93 to 97 of a hundred samples."""
    found = [share_of_runs(rng.random(20) < 0.3) for _ in range(2000)]
    held = np.mean([one.lower <= 30 <= one.upper for one in found])
    # Exact coverage of the score interval at n = 20, p = 0.3 by summing binomial probabilities; Monte Carlo error 3 x 0.0036.
    counts = np.arange(21)
    limits = [stats.binomtest(int(k), 20).proportion_ci(0.95, method="wilson") for k in counts]
    exact = sum(stats.binom.pmf(k, 20, 0.3) for k, ci in zip(counts, limits, strict=True) if ci.low <= 0.3 <= ci.high)
    assert held == pytest.approx(exact, abs=0.015)


def test_degenerate() -> None:
    nothing = share_of_runs([])
    assert not nothing.estimable
    assert nothing.notes == ("not estimable: no run",)
    partly = share_of_runs([1, math.nan])
    assert (partly.n, partly.notes) == (1, ("1 runs without a catch left out",))
    with pytest.raises(InputError, match="catch must be 0 or more; got -2"):
        share_of_runs([1, -2])
