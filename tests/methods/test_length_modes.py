"""Modes of a length frequency."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from fishreport.exceptions import InputError
from fishreport.methods.growth import fit_length_modes


def lengths(rng: np.random.Generator, n: int, shares: tuple[float, ...] = (0.45, 0.3, 0.15, 0.1)) -> np.ndarray:
    age = rng.choice(np.arange(1, len(shares) + 1), n, p=shares)
    return np.round(550 * (1 - np.exp(-0.35 * (age + 0.3))) + rng.normal(0, 10 + 2 * age))


@pytest.fixture(scope="module")
def fish() -> np.ndarray:
    return lengths(np.random.default_rng(5), 1500)


def test_modes_and_growth_of_a_simulated_survey(fish: np.ndarray) -> None:
    found = fit_length_modes(fish)
    assert found.number == 4
    truth = 550 * (1 - np.exp(-0.35 * (np.arange(1, 5) + 0.3)))
    assert np.all(np.abs(found.modes["mean_mm"] - truth) < 4 * found.modes["mean_se"])
    assert found.growth_coefficient.lower < 0.35 < found.growth_coefficient.upper
    assert found.asymptotic_length.lower < 550 < found.asymptotic_length.upper
    assert found.modes["weight"].sum() == pytest.approx(1)
    steps = np.diff(found.modes["mean_mm"])
    assert steps[1:] / steps[:-1] == pytest.approx(np.exp(-found.growth_coefficient.value), rel=1e-6)


def test_likelihood_and_bic_by_hand(fish: np.ndarray) -> None:
    found = fit_length_modes(fish, number=4)
    row = found.criterion.iloc[0]
    direct = np.log(found.density(fish).sum(axis=1)).sum()
    assert row["log_likelihood"] == pytest.approx(direct, rel=1e-6)
    assert row["bic"] == pytest.approx(-2 * direct + row["parameters"] * np.log(fish.size), rel=1e-6)
    assert row["parameters"] == 3 + 3 + 2  # weights; first mean, rise and K; two of the standard deviations


def test_one_mode_is_the_plain_normal(rng: np.random.Generator) -> None:
    x = rng.normal(300, 20, 200)
    found = fit_length_modes(x)
    assert found.number == 1
    assert found.modes["mean_mm"][0] == pytest.approx(x.mean(), abs=1e-3)
    assert found.modes["sd_mm"][0] == pytest.approx(x.std(), rel=1e-4)
    assert found.modes["mean_se"][0] == pytest.approx(x.std() / np.sqrt(200), rel=1e-3)
    assert "3 needed for a curve" in found.growth_coefficient.notes[0]
    assert found.criterion["log_likelihood"][0] == pytest.approx(stats.norm.logpdf(x, x.mean(), x.std()).sum(), rel=1e-8)


def test_free_means_agree_with_em(rng: np.random.Generator) -> None:
    """Two modes of equal spread, independently by EM from the fitted values: nothing moves."""
    x = np.concatenate([rng.normal(200, 15, 300), rng.normal(300, 22, 200)])
    found = fit_length_modes(x, number=2, means="free")
    mean, sd, weight = (found.modes[name].to_numpy() for name in ("mean_mm", "sd_mm", "weight"))
    for _ in range(20):
        member = weight * stats.norm.pdf(x[:, None], mean, sd)
        member /= member.sum(axis=1, keepdims=True)
        weight = member.mean(axis=0)
        mean = (member * x[:, None]).sum(axis=0) / member.sum(axis=0)
        sd = np.sqrt((member * (x[:, None] - mean) ** 2).sum(axis=0) / member.sum(axis=0))
    assert found.modes["mean_mm"].to_numpy() == pytest.approx(mean, abs=0.05)
    assert found.modes["sd_mm"].to_numpy() == pytest.approx(sd, abs=0.05)
    assert found.modes["weight"].to_numpy() == pytest.approx(weight, abs=1e-3)
    assert found.membership([150.0, 400.0]) == pytest.approx(np.array([[1, 0], [0, 1]]), abs=1e-3)


def test_the_curve_never_fits_better_than_free_means(fish: np.ndarray) -> None:
    curve, free = (fit_length_modes(fish[:400], largest=4, means=m).criterion for m in ("growth curve", "free"))
    assert np.all(curve["log_likelihood"] <= free["log_likelihood"] + 1e-3)
    assert curve["log_likelihood"][:2].to_numpy() == pytest.approx(free["log_likelihood"][:2].to_numpy(), abs=1e-3)


def test_few_fish_and_impossible_input() -> None:
    few = fit_length_modes([200.0, 210.0, np.nan])
    assert not few.estimable and few.number == 0 and few.modes.empty
    assert "2 fish, 50 needed" in few.notes[0]
    assert "80 needed" in fit_length_modes(np.linspace(200, 300, 60), number=8).notes[0]
    assert "same length" in fit_length_modes([200.0] * 60).notes[0]
    for call, words in (
        (lambda: fit_length_modes([-1.0]), "above 0"),
        (lambda: fit_length_modes([200.0], number=0), "at least 1"),
        (lambda: fit_length_modes([200.0], means="any"), "means must be one of"),
        (lambda: fit_length_modes([200.0], level=3), "level must be a number"),
    ):
        with pytest.raises(InputError, match=words):
            call()
