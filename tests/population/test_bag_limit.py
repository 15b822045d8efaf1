"""The bag limit against scipy's distributions and against trips simulated fish by fish."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import nbinom, poisson

from fishreport.exceptions import InputError
from fishreport.population.bag_limit import ShareTable, share_kept


@pytest.mark.parametrize("mean", [0.05, 0.8, 3.0, 20.0])
@pytest.mark.parametrize("limit", [1, 2, 5, 40])
@pytest.mark.parametrize("size", [0.3, 1.0, 8.0, math.inf])
def test_expected_kept_from_the_distribution(mean: float, limit: int, size: float) -> None:
    numbers = np.arange(20_000)
    mass = poisson.pmf(numbers, mean) if math.isinf(size) else nbinom.pmf(numbers, size, size / (size + mean))
    expected = (np.minimum(numbers, limit) * mass).sum() / mean
    assert share_kept(mean, limit, dispersion=size)[0] == pytest.approx(expected, abs=1e-9)


def _trips(
    rng: np.random.Generator, below: float, above: float, size: float, limit: float, top: float, trips: int
) -> tuple[float, float]:
    kept = np.zeros(2)
    for _ in range(trips):
        luck = 1.0 if math.isinf(size) else rng.gamma(size, 1 / size)
        fish = [0] * rng.poisson(below * luck) + [1] * rng.poisson(above * luck)
        rng.shuffle(fish)
        bag = [0, 0]
        for kind in fish:
            if sum(bag) < limit and (kind == 0 or bag[1] < top):
                bag[kind] += 1
        kept += bag
    return kept[0] / trips / below, kept[1] / trips / above


@pytest.mark.parametrize(("size", "limit", "top"), [(0.8, 4, 1), (math.inf, 2, 1), (1.5, 3, 2), (0.8, 2, 2), (2.0, math.inf, 1)])
def test_two_limits_in_random_order_against_simulated_trips(
    rng: np.random.Generator, size: float, limit: float, top: float
) -> None:
    below, above, trips = 2.0, 0.7, 20_000
    seen = _trips(rng, below, above, size, limit, top, trips)
    found = share_kept(below, limit, dispersion=size, mean_above=above, limit_above=top)
    for one, other, mean in zip(seen, found, (below, above), strict=True):
        # The number kept a trip has a standard deviation below 2.5 whenever it is bounded, and below 4 otherwise.
        assert one == pytest.approx(float(other), abs=4 * 4 / math.sqrt(trips) / mean)


def test_limits() -> None:
    assert share_kept(3.0, math.inf, dispersion=1.0)[0] == 1
    assert share_kept(0.0, 2, dispersion=1.0)[0] == 1
    assert share_kept(3.0, 0, dispersion=1.0)[0] == 0
    one, two = share_kept(2.0, 3, dispersion=1.0, mean_above=0.0, limit_above=1)
    assert one == pytest.approx(share_kept(2.0, 3, dispersion=1.0)[0])
    assert two == 1
    # A limit above the slot as large as the bag limit binds nothing of its own: both kinds fare as one.
    one, two = share_kept(2.0, 3, dispersion=0.7, mean_above=1.0, limit_above=3)
    assert one == pytest.approx(float(two))
    assert one == pytest.approx(float(share_kept(3.0, 3, dispersion=0.7)[0]))


def test_arrays_and_elements_agree(rng: np.random.Generator) -> None:
    mean, above = rng.gamma(1, 2, 30), rng.gamma(1, 1, 30)
    limit = rng.choice([1.0, 2, 5, np.inf], 30)
    top = rng.choice([1.0, 2, np.inf], 30)
    size = rng.choice([0.5, 2, np.inf], 30)
    together = share_kept(mean, limit, dispersion=size, mean_above=above, limit_above=top)
    for i in range(30):
        alone = share_kept(mean[i], limit[i], dispersion=size[i], mean_above=above[i], limit_above=top[i])
        assert float(alone[0]) == pytest.approx(together[0][i], rel=1e-9)
        assert float(alone[1]) == pytest.approx(together[1][i], rel=1e-9)
    assert all(((item >= 0) & (item <= 1)).all() for item in together)


def test_the_table_is_close_to_the_sum(rng: np.random.Generator) -> None:
    n = 400
    limit, size = rng.choice([1.0, 2, 4, 9, 30, np.inf], n), rng.choice([0.2, 0.8, 3, np.inf], n)
    table = ShareTable(limit, size)
    for mean in (np.zeros(n), rng.gamma(0.5, 4, n), rng.gamma(1, 60, n), np.full(n, 5e4)):
        assert table.share(mean) == pytest.approx(share_kept(mean, limit, dispersion=size)[0], abs=1e-4)
    assert (table.share(np.full(n, 7.0))[np.isinf(limit)] == 1).all()


def test_impossible_input() -> None:
    with pytest.raises(InputError, match="bag limits need"):
        share_kept(-1.0, 2, dispersion=1.0)
    with pytest.raises(InputError, match="bag limits need"):
        share_kept(1.0, 2, dispersion=0.0)
