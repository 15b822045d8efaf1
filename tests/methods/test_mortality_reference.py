"""The same data fitted by R's lm and glm, to 1e-6."""

from __future__ import annotations

import subprocess
from pathlib import Path

import numpy as np
import pytest

from fishreport.methods.mortality import catch_curve, poisson_catch_curve
from fishreport.methods.mortality_seasons import cohort_mortality

SCRIPT = Path(__file__).resolve().parents[1] / "reference" / "mortality.R"
AGES, ROCK_BASS = list(range(6)), [118, 73, 36, 14, 1, 1]

pytestmark = pytest.mark.r


@pytest.fixture(scope="module")
def fitted_in_r() -> dict[str, list[float]]:
    done = subprocess.run(["Rscript", "--vanilla", str(SCRIPT)], check=True, capture_output=True, text=True)
    lines = (line.split() for line in done.stdout.splitlines())
    return {name: [float(number) for number in numbers] for name, *numbers in lines}


@pytest.mark.parametrize("weighted", [True, False])
def test_regression_agrees_with_lm(fitted_in_r: dict[str, list[float]], weighted: bool) -> None:
    z = catch_curve(AGES[:4], ROCK_BASS[:4], from_age=0, weighted=weighted).total_mortality
    wanted = fitted_in_r["weighted" if weighted else "unweighted"]
    assert [z.value, z.se, z.lower, z.upper] == pytest.approx(wanted, rel=1e-6)


def test_poisson_agrees_with_glm(fitted_in_r: dict[str, list[float]]) -> None:
    fit = poisson_catch_curve(AGES, ROCK_BASS, from_age=0)
    z = fit.total_mortality
    assert [z.value, z.se, z.lower, z.upper] == pytest.approx(fitted_in_r["poisson"], rel=1e-6)
    assert [fit.chat, fit.intercept] == pytest.approx(fitted_in_r["dispersion"], rel=1e-6)


def test_poisson_counts_an_empty_age_as_glm_does(fitted_in_r: dict[str, list[float]]) -> None:
    fit = poisson_catch_curve([2, 3, 4, 6], [40, 18, 9, 2], from_age=2)
    assert -fit.slope == pytest.approx(fitted_in_r["gap"][0], rel=1e-6)
    assert fit.total_mortality.se / max(np.sqrt(fit.chat), 1) == pytest.approx(fitted_in_r["gap"][1], rel=1e-6)


def test_cohorts_agree_with_lm(fitted_in_r: dict[str, list[float]]) -> None:
    counts = [90, 41, 22, 13, 6, 150, 52, 25, 11, 7, 60, 88, 30, 15, 5, 70, 33, 49, 16, 9]
    season, age = np.repeat([1, 2, 3, 4], 5), np.tile([1, 2, 3, 4, 5], 4)
    fit = cohort_mortality(season, age, counts, effort=np.array([2, 3, 2.5, 2])[season - 1], from_age=1)
    z = fit.total_mortality
    assert [z.value, z.se, z.lower, z.upper] == pytest.approx(fitted_in_r["cohorts"], rel=1e-6)
    assert [fit.equal_rates_f, fit.equal_rates_p] == pytest.approx(fitted_in_r["equal"], rel=1e-6)
