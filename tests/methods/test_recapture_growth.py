"""Growth from recaptures: noise-free truth, degenerate data, intervals, variation between fish."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate, stats

from fishreport.exceptions import InputError
from fishreport.methods.growth import fit_recapture_growth
from fishreport.methods.recapture_likelihood import log_likelihood


def marked(rng: np.random.Generator, n: int, cv: float = 0.0, sd: float = 4.0) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    age = rng.choice(np.arange(1, 7), n, p=[0.3, 0.25, 0.2, 0.12, 0.08, 0.05]) + rng.uniform(0, 0.5, n)
    years = rng.choice([1.0, 2.0], n) + rng.uniform(-0.1, 0.1, n)
    own = rng.normal(550, 550 * cv, n)
    first, second = (own * (1 - np.exp(-0.35 * (a + 0.3))) + rng.normal(0, sd, n) for a in (age, age + years))
    return first, second, years


def test_noise_free_increments_return_the_truth() -> None:
    """Constructed from Linf 500, K 0.35."""
    found = fit_recapture_growth(
        [180, 230, 290, 340, 390], [274.499811, 302.957004, 357.105367, 387.249906, 445.375617], [1, 0.9, 1.1, 1, 2]
    )
    assert found.asymptotic_length.value == pytest.approx(500, abs=1e-4)
    assert found.growth_coefficient.value == pytest.approx(0.35, abs=1e-6)


def test_increments_without_any_rounding_have_no_interval_to_speak_of() -> None:
    first, years = np.array([180.0, 230, 290, 340]), np.array([1, 0.9, 1.1, 2])
    found = fit_recapture_growth(first, first + (500 - first) * (1 - np.exp(-0.35 * years)), years)
    assert found.asymptotic_length.upper - found.asymptotic_length.lower < 1e-6


@pytest.mark.parametrize("interval", ["profile", "wald", "bootstrap"])
def test_each_interval_holds_its_estimate(rng: np.random.Generator, interval: str) -> None:
    found = fit_recapture_growth(*marked(rng, 40), interval=interval, rng=rng, resamples=400)
    for e, truth in ((found.asymptotic_length, 550), (found.growth_coefficient, 0.35)):
        assert e.lower < e.value < e.upper
        assert abs(e.value - truth) < 5 * e.se


def test_profile_reaches_the_quantile(rng: np.random.Generator) -> None:
    first, second, years = marked(rng, 15)
    found = fit_recapture_growth(first, second, years)
    wanted = found.rss * (1 + stats.f.ppf(0.95, 1, 13) / 13)
    for k in (found.growth_coefficient.lower, found.growth_coefficient.upper):
        e = 1 - np.exp(-k * years)
        linf = np.sum(e * (second - first + first * e)) / np.sum(e**2)
        assert np.sum((second - first - (linf - first) * e) ** 2) == pytest.approx(wanted, rel=1e-6)
    for linf in (found.asymptotic_length.lower, found.asymptotic_length.upper):
        costs = [np.sum((second - first - (linf - first) * (1 - np.exp(-k * years))) ** 2) for k in np.linspace(0.1, 0.8, 70001)]
        assert min(costs) == pytest.approx(wanted, rel=1e-6)


def test_shrunken_fish_are_kept_and_explained(rng: np.random.Generator) -> None:
    first, second, years = marked(rng, 30)
    second[0] = first[0] - 6
    found = fit_recapture_growth(first, second, years)
    assert found.n == 30
    assert any("shorter at recapture, by 6 mm: kept" in note for note in found.notes)


def test_predicted_length_and_yearly_growth(rng: np.random.Generator) -> None:
    found = fit_recapture_growth(*marked(rng, 40))
    linf, k = found.asymptotic_length.value, found.growth_coefficient.value
    table = found.predict([250.0, 400.0], 2.0)
    assert table["length_mm"].to_numpy() == pytest.approx([s + (linf - s) * (1 - np.exp(-2 * k)) for s in (250, 400)])
    assert (table["lower"] < table["length_mm"]).all()
    young, old = found.yearly_growth([200.0, 400.0])
    assert young.value == pytest.approx((linf - 200) * (1 - np.exp(-k))) and young.value > old.value
    assert young.se / young.value < found.growth_coefficient.se / k


def test_too_little_data_gives_the_reason() -> None:
    cases = {
        "0 recaptured fish, 4 needed": ([], [], []),
        "2 recaptured fish": ([200, 300], [260, 330], [1, 1]),
        "one length when marked": ([200] * 5, [250, 255, 248, 251, 253], [1] * 5),
        "K runs to 0": ([200, 250, 300, 350, 400], [250, 301, 352, 405, 459], [1] * 5),
        "K runs to infinity": ([200, 250, 300, 350, 380], [400, 401, 399, 400, 400], [1] * 5),
        "no growth visible": ([200, 250, 300, 350, 400], [195, 244, 293, 342, 391], [1] * 5),
    }
    for words, columns in cases.items():
        found = fit_recapture_growth(*columns)
        assert not found.estimable, words
        assert words in found.notes[0] or (words == "no growth visible" and "K runs to 0" in found.notes[0])
        assert found.predict([200.0], 1.0)["length_mm"].isna().all()
        assert not found.yearly_growth([200.0])[0].estimable
    few = fit_recapture_growth([200, 250, 300, 350], [260, 300, 340, 380], [1] * 4, variation="between fish")
    assert "4 recaptured fish, 10 needed" in few.notes[0]
    assert few.asymptote_sd is not None and not few.asymptote_sd.estimable


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: fit_recapture_growth([200], [250, 260], [1]), "equal length"),
        (lambda: fit_recapture_growth([200], [250], [0]), "years must be above 0"),
        (lambda: fit_recapture_growth([-1], [250], [1]), "length_at_mark must be above 0"),
        (lambda: fit_recapture_growth([200], [250], [1], variation="some"), "variation must be one of"),
        (lambda: fit_recapture_growth([200], [250], [1], interval="bootstrap"), "random generator"),
    ],
)
def test_impossible_input_is_refused(call, words: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(InputError, match=words):
        call()


def test_missing_values_are_dropped_and_counted(rng: np.random.Generator) -> None:
    first, second, years = marked(rng, 20)
    found = fit_recapture_growth(np.append(first, np.nan), np.append(second, 300), np.append(years, 1))
    assert found.n == 20 and "1 fish without both lengths" in found.notes[0]


def test_likelihood_agrees_with_quadrature() -> None:
    """One fish: the sum over ages equals scipy's adaptive integral of a bivariate normal over a lognormal age."""
    linf, k, s, e, age, spread = at = np.array([550.0, 0.35, 35.0, 5.0, 2.5, 0.5])
    start, end, years = 310.0, 400.0, 1.1

    def integrand(z: float) -> float:
        a = age * np.exp(spread * z)
        f = 1 - np.exp(-k * np.array([a, a + years]))
        covariance = s**2 * np.outer(f, f) + e**2 * np.eye(2)
        return float(stats.multivariate_normal.pdf([start, end], linf * f, covariance) * stats.norm.pdf(z))

    wanted = np.log(integrate.quad(integrand, -4.5, 4.5, epsabs=0, epsrel=1e-10, limit=300)[0])
    one = (np.array([start]), np.array([end]), np.array([years]))
    assert log_likelihood(np.log(at), *one) == pytest.approx(wanted, abs=1e-4)  # the grid stops at 4.5 of the normal score


def test_variation_between_fish_removes_the_bias(rng: np.random.Generator) -> None:
    """Where fish differ in their asymptote by 8 %, K of the plain form is low by a sixth; the other form's is not."""
    drawn = [marked(rng, 60, cv=0.08) for _ in range(6)]
    plain = [fit_recapture_growth(*each, interval="wald").growth_coefficient.value for each in drawn]
    fits = [fit_recapture_growth(*each, variation="between fish") for each in drawn]
    own = [fit.growth_coefficient.value for fit in fits]
    assert np.mean(plain) < 0.32
    assert np.mean(own) == pytest.approx(0.35, abs=0.03)
    spread = [fit.asymptote_sd.value for fit in fits if fit.asymptote_sd is not None]
    assert np.mean(spread) == pytest.approx(44, rel=0.3)
    assert all(e.lower < e.value < e.upper for fit in fits for e in (fit.asymptotic_length, fit.growth_coefficient))
