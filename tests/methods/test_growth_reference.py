"""The same fish fitted by R's nls (coefficients, standard errors, RSS and AIC to 1e-6) and by scipy's curve_fit."""

from __future__ import annotations

import subprocess
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import optimize

from fishreport.methods.growth import compare_growth, fit_growth, fit_recapture_growth

SCRIPT = Path(__file__).resolve().parents[1] / "reference" / "growth.R"
NAMES = ("von_bertalanffy", "gompertz", "logistic")


def aged_fish() -> pd.DataFrame:
    """Eighty fish of whole and part ages."""
    rng = np.random.default_rng(11)
    age = rng.integers(1, 9, 80) + rng.choice([0.0, 0.25], 80)
    return pd.DataFrame({"t": age, "L": np.round(550 * (1 - np.exp(-0.35 * (age + 0.3))) + rng.normal(0, 18, 80), 1)})


def two_groups() -> pd.DataFrame:
    rng = np.random.default_rng(12)
    age = rng.integers(1, 9, 120).astype(float)
    second = np.arange(120) % 2 == 1
    length = np.where(second, 510.0, 550.0) * (1 - np.exp(-0.35 * (age + 0.3))) + rng.normal(0, 18, 120)
    return pd.DataFrame({"t": age, "L": np.round(length, 1), "group": np.where(second, "b", "a")})


def marked_fish() -> pd.DataFrame:
    rng = np.random.default_rng(13)
    first = rng.uniform(180, 420, 30)
    years = rng.choice([1.0, 2.0], 30) + rng.uniform(-0.1, 0.1, 30)
    second = first + (520 - first) * (1 - np.exp(-0.3 * years)) + rng.normal(0, 8, 30)
    return pd.DataFrame({"L1": np.round(first), "L2": np.round(second), "dt": np.round(years, 2)})


def sigmoid_fish() -> pd.DataFrame:
    """Growth with an inflection well inside the data."""
    age = np.repeat(np.arange(0.5, 10, 0.5), 6)
    mean = 500 * (1 + 0.5 * np.exp(-0.6 * (age - 2.5))) ** (1 / -0.5)
    return pd.DataFrame({"t": age, "L": np.round(mean + np.random.default_rng(14).normal(0, 8, age.size), 1)})


@pytest.fixture(scope="module")
def in_r(tmp_path_factory: pytest.TempPathFactory) -> dict[str, np.ndarray]:
    folder = tmp_path_factory.mktemp("growth")
    files = []
    for name, frame in (("aged", aged_fish()), ("groups", two_groups()), ("marked", marked_fish()), ("sigmoid", sigmoid_fish())):
        files.append(folder / f"{name}.csv")
        frame.to_csv(files[-1], index=False)
    done = subprocess.run(["Rscript", "--vanilla", str(SCRIPT), *map(str, files)], check=True, capture_output=True, text=True)
    lines = (line.split() for line in done.stdout.splitlines())
    return {name: np.array(numbers, float) for name, *numbers in lines}


@pytest.mark.r
@pytest.mark.parametrize("errors", ["constant", "proportional"])
@pytest.mark.parametrize("curve", NAMES)
def test_curves_agree_with_nls(in_r: dict[str, np.ndarray], curve: str, errors: str) -> None:
    fish = aged_fish()
    fit = fit_growth(curve, fish["t"], fish["L"], errors=errors)
    key = f"{curve}.{errors}"
    assert fit.parameters == pytest.approx(in_r[f"{key}.value"], rel=1e-6)
    assert np.sqrt(np.diag(fit.covariance)) == pytest.approx(in_r[f"{key}.se"], rel=1e-6)
    assert fit.covariance.ravel() == pytest.approx(in_r[f"{key}.covariance"], rel=1e-5)
    assert fit.rss == pytest.approx(in_r[f"{key}.rss"][0], rel=1e-8)
    jacobian = 2 * np.log(fish["L"]).sum() if errors == "proportional" else 0.0  # AIC of lengths, where nls gives that of logs
    assert fit.aic == pytest.approx(in_r[f"{key}.aic"][0] + jacobian, rel=1e-8)


@pytest.mark.r
def test_richards_agrees_with_nls(in_r: dict[str, np.ndarray]) -> None:
    fish = sigmoid_fish()
    fit = fit_growth("richards", fish["t"], fish["L"], interval="wald")
    assert fit.rss == pytest.approx(in_r["richards.constant.rss"][0], rel=1e-8)
    assert fit.parameters == pytest.approx(in_r["richards.constant.value"], rel=1e-6)
    assert np.sqrt(np.diag(fit.covariance)) == pytest.approx(in_r["richards.constant.se"], rel=1e-6)


@pytest.mark.r
def test_profile_limits_agree_with_confint(in_r: dict[str, np.ndarray]) -> None:
    fish = aged_fish()
    fit = fit_growth("von_bertalanffy", fish["t"], fish["L"])
    estimates = (fit.asymptotic_length, fit.growth_coefficient, fit.age_at_zero)
    assert [e.lower for e in estimates] + [e.upper for e in estimates] == pytest.approx(in_r["profile"], rel=2e-5)


@pytest.mark.r
def test_comparison_agrees_with_anova_of_nls(in_r: dict[str, np.ndarray]) -> None:
    fish = two_groups()
    found = compare_growth(fish["t"], fish["L"], fish["group"]).table.set_index("common")
    everything, k_only = found.iloc[0], found.loc["growth_coefficient"]
    f_all, p_all, rss_same, rss_full = in_r["compare.all"]
    assert [everything["f"], everything["p_value"]] == pytest.approx([f_all, p_all], rel=1e-5)
    assert [everything["rss"], found.loc["none", "rss"]] == pytest.approx([rss_same, rss_full], rel=1e-8)
    assert [k_only["f"], k_only["p_value"], k_only["rss"]] == pytest.approx(in_r["compare.k"], rel=1e-5)


@pytest.mark.r
def test_increments_agree_with_nls(in_r: dict[str, np.ndarray]) -> None:
    fish = marked_fish()
    fit = fit_recapture_growth(fish["L1"], fish["L2"], fish["dt"])
    both = (fit.asymptotic_length, fit.growth_coefficient)
    assert [e.value for e in both] == pytest.approx(in_r["fabens.value"], rel=1e-6)
    assert [e.se for e in both] == pytest.approx(in_r["fabens.se"], rel=1e-6)
    assert fit.covariance.ravel() == pytest.approx(in_r["fabens.covariance"], rel=1e-5)
    assert [e.lower for e in both] + [e.upper for e in both] == pytest.approx(in_r["fabens.profile"], rel=2e-5)


def test_curve_agrees_with_curve_fit() -> None:
    fish = aged_fish()
    fit = fit_growth("von_bertalanffy", fish["t"], fish["L"])
    values, covariance = optimize.curve_fit(
        lambda t, a, k, z: a * (1 - np.exp(-k * (t - z))),
        fish["t"].to_numpy(),
        fish["L"].to_numpy(),
        [500, 0.3, 0],
        xtol=1e-14,
        ftol=1e-14,
        gtol=1e-14,
    )
    assert fit.parameters == pytest.approx(values, rel=1e-6)
    assert fit.covariance == pytest.approx(covariance, rel=1e-3)  # curve_fit differentiates numerically


def test_mean_length_band_agrees_with_a_fit_in_expected_lengths() -> None:
    """Francis' form of the curve, fitted as such by curve_fit, has the lengths and errors that the fit derives."""
    fish = aged_fish()
    young, middle, old = 1.0, 4.5, 8.0

    def francis(t: np.ndarray, a: float, b: float, c: float) -> np.ndarray:
        r = (c - b) / (b - a)
        return a + (c - a) * (1 - r ** (2 * (t - young) / (old - young))) / (1 - r**2)

    values, covariance = optimize.curve_fit(francis, fish["t"].to_numpy(), fish["L"].to_numpy(), [200, 440, 520], xtol=1e-14)
    found = fit_growth("von_bertalanffy", fish["t"], fish["L"]).expected_lengths([young, middle, old])
    assert [e.value for e in found.lengths] == pytest.approx(values, rel=1e-6)
    assert found.covariance == pytest.approx(covariance, rel=1e-4, abs=1e-3)
