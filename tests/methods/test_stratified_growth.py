"""Growth from aged fish picked by length: against the whole catch aged, an independent solver, and few or odd data."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import optimize

from fishreport.exceptions import InputError
from fishreport.methods.growth import fit_von_bertalanffy
from fishreport.methods.stratified_growth import _open_ended, fit_stratified_growth


def _catch(rng: np.random.Generator, n: int = 4000) -> tuple[np.ndarray, np.ndarray]:
    """Ages and lengths of a catch from a known curve (520 mm, 0.38 a year, -0.55 years)."""
    age = rng.choice(np.arange(10), size=n, p=np.exp(-0.6 * np.arange(10)) / np.exp(-0.6 * np.arange(10)).sum())
    return age.astype(float), 520 * -np.expm1(-0.38 * (age + 0.55)) * (1 + 0.08 * rng.standard_normal(n))


def _by_length(length: np.ndarray, each: int, rng: np.random.Generator) -> np.ndarray:
    order = rng.permutation(length.size)
    bins = np.floor(length[order] / 20).astype(int)
    rank = np.array([np.count_nonzero(bins[:i] == b) for i, b in enumerate(bins)])
    return order[rank < each]


def test_weighing_back_to_the_catch_undoes_the_bias_of_picking_by_length(rng: np.random.Generator) -> None:
    weighed, plain = [], []
    for _ in range(12):
        age, length = _catch(rng, 1500)
        aged = _by_length(length, 8, rng)
        fit = fit_stratified_growth(age[aged], length[aged], length, bin_mm=20, rng=rng, resamples=100)
        weighed.append(fit.parameters[0])
        plain.append(fit_von_bertalanffy(age[aged], length[aged], interval="wald").asymptotic_length.value)
    spread = np.std(weighed, ddof=1) / np.sqrt(12)
    assert abs(np.mean(weighed) - 520) < 4 * spread + 2  # 2 mm: the small-sample bias of a ratio
    assert np.mean(plain) > 530


def test_it_is_weighted_least_squares(rng: np.random.Generator) -> None:
    """Against scipy's trust-region solver with weights worked out by hand (to 1e-5)."""
    age, length = _catch(rng, 1500)
    aged = _by_length(length, 6, rng)
    fit = fit_stratified_growth(age[aged], length[aged], length, bin_mm=20, rng=rng, resamples=50)
    bins, own = np.floor(length / 20).astype(int), np.floor(length[aged] / 20).astype(int)
    weight = np.array([np.sum(bins == b) / np.sum(own == b) for b in own])

    def residuals(p: np.ndarray) -> np.ndarray:
        return np.sqrt(weight) * (length[aged] - p[0] * -np.expm1(-p[1] * (age[aged] - p[2])))

    found = optimize.least_squares(residuals, [500, 0.3, -0.5], x_scale=[100, 0.1, 0.1], xtol=1e-14, ftol=1e-14, gtol=1e-14)
    np.testing.assert_allclose(fit.parameters, found.x, rtol=1e-5)
    assert fit.effective_n == pytest.approx(weight.sum() ** 2 / (weight**2).sum())
    third = fit.mean_length[fit.mean_length["age"] == 3].iloc[0]
    assert third["length_mm"] == pytest.approx(np.average(length[aged][age[aged] == 3], weights=weight[age[aged] == 3]))


def test_with_every_fish_aged_it_is_the_plain_fit(rng: np.random.Generator) -> None:
    age, length = _catch(rng, 600)
    fit = fit_stratified_growth(age, length, length, bin_mm=20, rng=rng, resamples=200)
    plain = fit_von_bertalanffy(age, length, interval="bootstrap", rng=rng, resamples=400)
    np.testing.assert_allclose(fit.parameters, plain.parameters, rtol=1e-6)
    e, other = fit.estimates["asymptotic_length"], plain.asymptotic_length
    assert e.upper - e.lower == pytest.approx(other.upper - other.lower, rel=0.3)
    assert e.lower < e.value < e.upper
    assert fit.length_cv == pytest.approx(0.08, abs=0.01)


def test_predictions_and_draws_follow_the_replicates(rng: np.random.Generator) -> None:
    age, length = _catch(rng, 800)
    run = np.repeat(np.arange(40), 20)
    fit = fit_stratified_growth(age, length, length, bin_mm=20, rng=rng, run=run, resamples=300)
    table = fit.predict([1, 4, 8])
    assert (table["lower"] < table["length_mm"]).all() and (table["length_mm"] < table["upper"]).all()
    drawn = fit.draws(500, rng)
    assert list(drawn.columns) == ["asymptotic_length", "growth_coefficient", "age_at_zero"]
    assert np.corrcoef(drawn["asymptotic_length"], drawn["growth_coefficient"])[0, 1] < -0.5
    assert "runs and aged fish" in fit.estimates["growth_coefficient"].method


@pytest.mark.parametrize(
    ("age", "length", "catch", "reason"),
    [
        ([1, 2, 3], [200, 300, 350], [200.0] * 30, "3 aged fish, 10 needed"),
        ([2] * 12, list(range(300, 312)), [300.0] * 30, "1 distinct age, 3 needed"),
        ([], [], [300.0], "0 aged fish, 10 needed"),
    ],
)
def test_too_little_to_fit(age: list[float], length: list[float], catch: list[float], reason: str) -> None:
    fit = fit_stratified_growth(age, length, catch, bin_mm=20, rng=np.random.default_rng(1))
    assert not fit.estimable
    assert reason in fit.notes[0]
    assert np.isnan(fit.predict([1.0])["length_mm"]).all()
    with pytest.raises(InputError, match="not estimable"):
        fit.draws(5, np.random.default_rng(1))


def test_no_catch_to_weigh_by(rng: np.random.Generator) -> None:
    age, length = _catch(rng, 200)
    fit = fit_stratified_growth(age, length, np.full(5, np.nan), bin_mm=20, rng=rng)
    assert "no measured catch" in fit.notes[0]


def test_straight_growth_has_no_asymptote(rng: np.random.Generator) -> None:
    age = np.repeat(np.arange(1.0, 7.0), 8)
    length = 100 + 60 * age + rng.normal(0, 5, age.size)
    fit = fit_stratified_growth(age, length, length, bin_mm=20, rng=rng, resamples=100)
    e = fit.estimates["asymptotic_length"]
    assert not e.estimable or np.isinf(e.upper)


def test_impossible_input() -> None:
    rng = np.random.default_rng(1)
    with pytest.raises(InputError, match="bin_mm must be above 0"):
        fit_stratified_growth([1.0], [100.0], [100.0], bin_mm=0, rng=rng)
    with pytest.raises(InputError, match="richards"):
        fit_stratified_growth([1.0], [100.0], [100.0], bin_mm=20, rng=rng, curve="richards")
    with pytest.raises(InputError, match="run must name"):
        fit_stratified_growth([1.0], [100.0], [100.0], bin_mm=20, rng=rng, run=["a", "b"])


@pytest.mark.parametrize(("share", "said"), [(0.0, []), (0.004, []), (0.03, ["3 % of the bootstrap replicates have no"])])
def test_replicates_without_an_asymptote_are_told_from_a_percent_on(share: float, said: list[str]) -> None:
    assert [note[: len(said[0])] for note in _open_ended(share)] == said
