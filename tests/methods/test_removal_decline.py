"""Removal where catches hardly fall: numbers that nearly cancel, against closed forms and the likelihood itself."""

from __future__ import annotations

import math

import numpy as np
import pytest

from fishreport.exceptions import InputError
from fishreport.methods.removal import adjusted_log_likelihood, declines, log_likelihood, removal, two_pass

SLIGHT = [(52, 51), (82, 81), (274, 269), (1000, 999), (10**5, 10**5 - 1), (39, 48, 41, 41), (162, 184, 170, 166), (9, 9, 8)]


def log_rise(start: float, length: int) -> float:
    """ln Γ(start + length) − ln Γ(start), term by term."""
    return math.fsum(math.log(start + i) for i in range(length))


def direct_log_likelihood(n: int, c: np.ndarray) -> float:
    k, total, x = c.size, int(c.sum()), int((np.arange(c.size - 1, -1, -1) * c).sum())
    trials = k * n - x
    parts = [log_rise(n - total + 1, total), total * math.log(total / trials)]
    return math.fsum([*parts, (trials - total) * math.log1p(-total / trials) if trials > total else 0.0])


def log_conditional(t: np.ndarray, c: np.ndarray) -> np.ndarray:
    """Log-likelihood of the catches given their sum, with q = exp(−t): a softmax of −i t."""
    weight = -np.arange(c.size) * t[:, None]
    return np.asarray((c * (weight - np.log(np.exp(weight).sum(axis=1, keepdims=True)))).sum(axis=1))


@pytest.mark.parametrize("method", ["likelihood", "whole", "weighted"])
@pytest.mark.parametrize("catches", SLIGHT)
def test_a_slight_fall_gives_an_estimate_within_its_limits(catches: tuple[int, ...], method) -> None:  # type: ignore[no-untyped-def]
    fit = removal(catches, method=method)
    for estimate in (fit.population_size, fit.capture_probability):
        assert estimate.lower <= estimate.value <= estimate.upper and estimate.se > 0
    assert sum(catches) <= fit.population_size.lower and math.isinf(fit.population_size.upper)


def test_two_passes_that_hardly_differ_agree_with_the_closed_form(rng: np.random.Generator) -> None:
    # Seber & Le Cren 1967; 2,704 fish and p 0.01923 of 52 and 51.
    assert removal([52, 51]).population_size.value == pytest.approx(2704, rel=1e-12)
    assert removal([52, 51]).capture_probability.value == pytest.approx(1 / 52, rel=1e-12)
    for _ in range(300):
        first = int(10 ** rng.uniform(0.7, 5))
        second = max(first - int(rng.integers(1, 6)), 1)
        fit = removal([first, second])
        size, chance = fit.population_size, fit.capture_probability
        assert (size.value, chance.value) == pytest.approx((first**2 / (first - second), 1 - second / first), rel=1e-11)
        assert (size.se, chance.se) == pytest.approx(np.array(two_pass(first, second))[[1, 3]], rel=1e-5)


def test_three_and_four_passes_that_hardly_fall_lie_at_the_greatest_likelihood(rng: np.random.Generator) -> None:
    slight = 0
    for _ in range(300):
        passes = int(rng.integers(3, 5))
        c = rng.poisson(rng.uniform(20, 300), passes).astype(float)
        for method in ("likelihood", "whole", "weighted"):
            fit = removal(c, method=method)  # type: ignore[arg-type]
            assert fit.population_size.estimable == declines(c)
            if declines(c):
                assert fit.population_size.lower <= fit.population_size.value <= fit.population_size.upper
        if not declines(c):
            continue
        slight += 1
        t = -math.log1p(-removal(c).capture_probability.value)
        around = log_conditional(t * np.array([1.0, 0.5, 0.99, 1.01, 2.0]), c)
        assert around[0] >= around[1:].max() - 1e-12 * c.sum()
        low, high = 1e-9, 20.0  # the score falls with t: mean pass of the softmax less the mean pass of the catches
        for _ in range(200):
            middle = (low + high) / 2
            share = np.exp(-np.arange(passes) * middle)
            rises = float((np.arange(passes) * share).sum() / share.sum()) > float((np.arange(passes) * c).sum() / c.sum())
            low, high = (middle, high) if rises else (low, middle)
        assert t == pytest.approx(low, rel=1e-6, abs=1e-12)
    assert slight > 100


@pytest.mark.parametrize("catches", [(52, 51), (82, 81), (39, 48, 41, 41), (30, 28, 29)])
def test_whole_fish_of_a_slight_fall_agree_with_the_likelihood_of_every_population(catches: tuple[int, ...]) -> None:
    c = np.array(catches)
    every = [direct_log_likelihood(n, c) for n in range(int(c.sum()), 4000)]
    assert 0 < int(np.argmax(every)) < len(every) - 1
    assert removal(catches, method="whole").population_size.value == c.sum() + int(np.argmax(every))


@pytest.mark.parametrize("n", [103, 550, 1102, 1103, 5000, 10**8])
def test_likelihoods_of_few_and_of_many_fish_agree_with_sums_of_logarithms(n: int) -> None:
    c = np.array([52.0, 51.0])
    assert float(log_likelihood(n, c)) == pytest.approx(direct_log_likelihood(n, c), abs=1e-10)
    adjusted = log_rise(n - 102, 103) + math.lgamma(103) - log_rise(2 * n - 52 - 102, 103)
    assert float(adjusted_log_likelihood(n, c)) == pytest.approx(adjusted, abs=1e-10)


def test_a_fall_that_says_nothing_is_not_estimable_and_catches_beyond_reason_are_refused() -> None:
    size = removal([10**8, 10**8 - 1]).population_size
    assert not size.estimable and "hardly decline" in size.notes[0] and "at least the 199999999 fish" in size.notes[1]
    for method in ("likelihood", "whole", "weighted"):
        many = removal([6 * 10**8, 3 * 10**8], method=method).population_size  # type: ignore[arg-type]
        assert many.lower < many.value < many.upper and many.value == pytest.approx(1.2e9, rel=1e-3)
        for catches in ([1e300, 1e299], [1e17, 5e16], [10**9, 1]):
            with pytest.raises(InputError, match="catches must be"):
                removal(catches, method=method)  # type: ignore[arg-type]
