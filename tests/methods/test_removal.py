"""Removal: direct maximisation of the likelihood, exact enumeration, failure cases."""

from __future__ import annotations

import math
from itertools import product

import numpy as np
import pytest
from scipy.integrate import trapezoid
from scipy.optimize import minimize, minimize_scalar
from scipy.special import gammaln
from scipy.stats import binom, chi2, multinomial

from fishreport.exceptions import InputError
from fishreport.methods.removal import adjusted_log_likelihood, declines, removal, three_pass, two_pass

CATCHES = [(244, 86, 43), (79, 28), (38, 26, 12), (24, 17, 8), (40, 20, 10, 6, 2), (12, 5, 4, 1)]


def conditional_minus_log(p: float, catches: np.ndarray) -> float:
    share = p * (1 - p) ** np.arange(catches.size)
    return -float((catches * np.log(share / share.sum())).sum())


@pytest.mark.parametrize("catches", CATCHES)
def test_likelihood_agrees_with_direct_maximisation(catches: tuple[int, ...]) -> None:
    c = np.array(catches, dtype=float)
    best = minimize_scalar(conditional_minus_log, args=(c,), bounds=(1e-4, 0.9999), method="bounded", options={"xatol": 1e-10})
    fit = removal(catches)
    assert fit.capture_probability.value == pytest.approx(best.x, rel=1e-6)
    assert fit.population_size.value == pytest.approx(c.sum() / (1 - (1 - best.x) ** c.size), rel=1e-6)


@pytest.mark.parametrize("catches", CATCHES)
def test_whole_fish_agree_with_the_full_likelihood_of_every_population(catches: tuple[int, ...]) -> None:
    c = np.array(catches)
    k, total = c.size, int(c.sum())
    trials = k * np.arange(total, 5 * total) - ((k - np.arange(1, k + 1)) * c).sum()
    p = total / trials
    cells = np.array([[one * (1 - one) ** i for i in range(k)] for one in p])
    logs = [
        multinomial.logpmf([*c, n - total], n, [*cell, 1 - cell.sum()])
        for n, cell in zip(range(total, 5 * total), cells, strict=True)
    ]
    assert removal(catches, method="whole").population_size.value == total + int(np.argmax(logs))


@pytest.mark.parametrize("catches", [c for c in CATCHES if len(c) == 3])
def test_explicit_three_pass_formula_is_the_same_estimate(catches: tuple[int, ...]) -> None:
    fit = removal(catches)
    assert three_pass(catches) == pytest.approx((fit.population_size.value, fit.capture_probability.value), rel=1e-9)


@pytest.mark.parametrize("catches", [(79, 28), (30, 10), (55, 40)])
def test_explicit_two_pass_formula_is_the_same_estimate(catches: tuple[int, int]) -> None:
    fit = removal(catches)
    size, chance = fit.population_size, fit.capture_probability
    assert (size.value, size.se, chance.value, chance.se) == pytest.approx(two_pass(*catches), rel=1e-9)


def test_standard_errors_agree_with_the_inverse_information() -> None:
    # Expected information of (N, p) with ln N!/(N − T)! taken to first order, as Zippin did.
    fit = removal([38, 26, 12])
    n, p, k = fit.population_size.value, fit.capture_probability.value, 3
    q = 1 - p
    caught = 1 - q**k
    information = np.array([[caught / (n * q**k), k / q], [k / q, n * caught / (p**2 * q)]])
    covariance = np.linalg.inv(information)
    assert fit.population_size.se == pytest.approx(math.sqrt(covariance[0, 0]), rel=1e-9)
    assert fit.capture_probability.se == pytest.approx(math.sqrt(covariance[1, 1]), rel=1e-9)


def test_adjusted_likelihood_is_the_likelihood_integrated_over_p() -> None:
    c = np.array([24.0, 17, 8])
    k, total, x = 3, c.sum(), 2 * c[0] + c[1]
    p = np.linspace(1e-6, 1 - 1e-6, 200_001)
    values = []
    for n in (52.0, 70.0, 120.0):
        logs = total * np.log(p) + (k * n - x - total) * np.log1p(-p) - np.log(p)
        values.append(gammaln(n + 1) - gammaln(n - total + 1) + math.log(trapezoid(np.exp(logs + 80), p)) - 80)
    found = adjusted_log_likelihood([52.0, 70.0, 120.0], c)
    assert np.diff(found) == pytest.approx(np.diff(values), abs=1e-6)


def test_limits_lie_where_the_likelihood_has_fallen_far_enough() -> None:
    c = np.array([24.0, 17, 8])
    size = removal(c).population_size
    best = max(float(adjusted_log_likelihood(n, c)) for n in range(49, 400))
    drop = chi2.ppf(0.95, 1) / 2
    assert adjusted_log_likelihood([size.lower, size.upper], c) == pytest.approx([best - drop] * 2, abs=1e-8)


def test_weighted_estimate_is_the_largest_of_its_posterior() -> None:
    # Carle & Strub 1978: uniform weight on p, and the whole number at which the weighted likelihood peaks.
    for catches in CATCHES:
        c = np.array(catches)
        k, total = c.size, int(c.sum())
        x = int(((k - np.arange(1, k + 1)) * c).sum())
        n = np.arange(total, 20 * total)
        logs = gammaln(n + 1) - gammaln(n - total + 1)
        logs = logs + gammaln(k * n - x - total + 1) - gammaln(k * n - x + 2)
        assert removal(catches, method="weighted").population_size.value == n[np.argmax(logs)]


def chances_of_all_catches(population: int, p: float, passes: int) -> list[tuple[tuple[int, ...], float]]:
    found = []
    for catches in product(range(population + 1), repeat=passes):
        left, chance = population, 1.0
        for caught in catches:
            if caught > left:
                chance = 0.0
                break
            chance *= float(binom.pmf(caught, left, p))
            left -= caught
        if chance > 1e-9:
            found.append((catches, chance))
    return found


@pytest.mark.parametrize(("population", "p", "passes"), [(14, 0.6, 2), (12, 0.6, 3), (12, 0.75, 3)])
def test_coverage_of_small_reaches_by_exact_enumeration(population: int, p: float, passes: int) -> None:
    held = estimable = 0.0
    for catches, chance in chances_of_all_catches(population, p, passes):
        size = removal(catches).population_size
        if size.estimable:
            estimable += chance
            held += chance * (size.lower <= population <= size.upper)
    assert estimable > 0.85
    assert held / estimable > 0.92


@pytest.mark.parametrize("method", ["likelihood", "whole", "weighted"])
@pytest.mark.parametrize(
    ("catches", "said"),
    [
        ((5, 6, 7), "do not decline"),
        ((10, 10), "do not decline"),
        ((10, 10, 10), "do not decline"),
        ((0, 0, 0), "0 fish caught"),
        ((2, 1, 0), "3 fish caught"),
    ],
)
def test_failures_are_said_and_give_no_number(catches, said, method) -> None:  # type: ignore[no-untyped-def]
    fit = removal(catches, method=method)
    for estimate in (fit.population_size, fit.capture_probability):
        assert not estimate.estimable and math.isnan(estimate.upper)
        assert said in estimate.notes[0]
    assert "at least" in fit.population_size.notes[1]


@pytest.mark.parametrize("method", ["likelihood", "whole", "weighted"])
def test_all_fish_in_the_first_pass(method) -> None:  # type: ignore[no-untyped-def]
    fit = removal([20, 0, 0], method=method)
    assert (fit.population_size.value, fit.population_size.lower) == (20, 20)
    assert fit.capture_probability.upper == 1
    assert 0.8 < fit.capture_probability.lower < 1
    assert any("first pass" in note for note in fit.population_size.notes)


def test_a_weak_decline_has_no_upper_limit() -> None:
    size = removal([10, 9, 8]).population_size
    assert math.isinf(size.upper)
    assert any("no upper limit" in note for note in size.notes)


def test_fit_is_pearsons_chi_square_and_bad_fits_are_noted() -> None:
    fit = removal([60, 20, 19, 1])
    expected = np.array(fit.fit.expected)
    assert fit.fit.chi2 == pytest.approx(((np.array([60, 20, 19, 1]) - expected) ** 2 / expected).sum())
    assert fit.fit.df == 2
    assert fit.fit.p < 0.05
    assert any("does not look constant" in note for note in fit.population_size.notes)
    assert removal([79, 28]).fit.df == 0
    assert any("two passes cannot test" in note for note in removal([79, 28]).population_size.notes)


@pytest.mark.parametrize(
    ("catches", "said"),
    [
        ([10], "two or more passes"),
        ([10, -2], "0 or more"),
        ([10, 2.5], "whole"),
        ([10, math.nan], "missing"),
        (["a", 2], "numbers"),
    ],
)
def test_impossible_catches_are_refused(catches, said) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(InputError, match=said):
        removal(catches)
    with pytest.raises(InputError, match="method must be"):
        removal([10, 5], method="guess")  # type: ignore[arg-type]


def test_decline_is_the_condition_for_a_peak() -> None:
    # The free maximum over (N, p) runs away exactly where `declines` says no.
    def runs_away(c: np.ndarray) -> bool:
        def minus(v: np.ndarray) -> float:
            n = c.sum() * (1 + math.exp(min(v[0], 30)))
            p = 1 / (1 + math.exp(-v[1]))
            rest = c.size * n - ((c.size - np.arange(1, c.size + 1)) * c).sum() - c.sum()
            return -float(gammaln(n + 1) - gammaln(n - c.sum() + 1) + c.sum() * math.log(p) + rest * math.log1p(-p))

        return bool(minimize(minus, [0.0, -0.5], method="Nelder-Mead", options={"maxiter": 4000}).x[0] > 5)

    for catches in ([30, 20, 10], [10, 11, 12], [20, 18, 25], [25, 20, 15]):
        c = np.array(catches, dtype=float)
        assert declines(c) is not runs_away(c)
