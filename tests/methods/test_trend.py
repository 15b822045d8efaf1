"""Mann-Kendall, Sen slope and the log-linear trend: hand-worked, against R, by simulation, and with too little data."""

from __future__ import annotations

import math
import subprocess
from itertools import permutations
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from fishreport.exceptions import InputError
from fishreport.methods.trend import log_linear, mann_kendall, sen_slope

SCRIPT = Path(__file__).parents[1] / "reference" / "trend.R"
YEAR = np.array([2010, 2011, 2012, 2013, 2015, 2016, 2017, 2018, 2019, 2020])
VALUE = np.array([41.2, 38.5, 45.1, 47.3, 52.8, 44.9, 58.6, 61.0, 55.4, 66.7])
RELATIVE_SE = np.array([0.02, 0.03, 0.02, 0.04, 0.03, 0.05, 0.03, 0.02, 0.04, 0.03])


@pytest.fixture(scope="module")
def from_r() -> dict[str, list[float]]:
    text = subprocess.run(["Rscript", "--vanilla", str(SCRIPT)], capture_output=True, text=True, check=True).stdout
    lines = (line.split() for line in text.splitlines() if line.strip())
    return {name: [float(x) for x in rest] for name, *rest in lines}


def series(
    rng: np.random.Generator, n: int, *, slope: float, scatter: float, sampling: float, rho: float = 0.0, miss: int | None = None
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Years, index and its standard errors; scatter of seasons autoregressive, one season missed."""
    year = np.arange(n) + 2005
    u = np.empty(n)
    u[0] = rng.normal(0, scatter)
    for i in range(1, n):
        u[i] = rho * u[i - 1] + rng.normal(0, scatter * math.sqrt(1 - rho**2))
    relative = sampling * np.exp(rng.normal(0, 0.3, n))
    value = np.exp(3 + slope * (year - 2005) + u + rng.normal(0, relative))
    keep = np.arange(n) != (-1 if miss is None else miss)
    return year[keep], value[keep], (value * relative)[keep]


# ---- by hand ---------------------------------------------------------------------------------------------------------


def test_exact_probability_by_all_orders() -> None:
    value = [3.0, 1.0, 4.0, 5.0, 6.0]
    pairs = [(i, j) for i in range(5) for j in range(i + 1, 5)]
    scores = [sum(np.sign(p[j] - p[i]) for i, j in pairs) for p in permutations(range(5))]
    found = mann_kendall(range(5), value)
    assert found.statistic == 9 - 1  # nine rising pairs, one falling
    assert found.p == pytest.approx(np.mean(np.abs(scores) >= 8))
    assert found.variance == pytest.approx(np.var(scores))
    assert "exact" in found.method


def test_variance_with_ties_is_that_of_all_orders() -> None:
    # With ties in value and several observations a season, the variance formula equals the variance over all orders.
    year, value = [1, 1, 2, 3, 3, 4], [5, 2, 5, 7, 7, 7]
    pairs = [(i, j) for i in range(6) for j in range(6) if year[j] > year[i]]
    scores = [sum(np.sign(p[j] - p[i]) for i, j in pairs) for p in permutations(value)]
    assert mann_kendall(year, value).variance == pytest.approx(np.var(scores))


def test_sen_slope_by_hand() -> None:
    found = sen_slope([2010, 2011, 2013, 2014], [1.0, 2.0, 10.0, 5.0], units="fish/h")
    # slopes 1, 3, 1, 4, 1, -5: median of -5 1 1 1 3 4 is 1.
    assert (found.value, found.units, found.n) == (1.0, "fish/h per year", 4)
    assert (found.lower, found.upper) == (-math.inf, math.inf)
    assert any("too few to bound" in note for note in found.notes)
    assert sen_slope([1, 2, 3, 4], [1, 2, 3, 4], units="percent").units == "percentage points per year"


def test_log_linear_recovers_an_exact_line() -> None:
    year = np.array([2010, 2011, 2013, 2016, 2017])
    found = log_linear(year, 20 * 1.05 ** (year - 2010))
    assert found.trend_per_year.value == pytest.approx(5.0)
    assert found.trend_per_year.units == "percent per year"
    assert found.slope.value == pytest.approx(math.log(1.05))
    np.testing.assert_allclose(found.fitted, 20 * 1.05 ** np.arange(8))
    np.testing.assert_array_equal(found.year, np.arange(2010, 2018))


def test_a_precise_season_does_not_count_for_more_than_seasons_scatter() -> None:
    # One season has a tiny standard error; seasons scatter widely, so weights are nearly even.
    se = np.full(10, 5.0)
    se[0] = 0.01
    found = log_linear(YEAR, VALUE * np.where(np.arange(10) % 2, 1.5, 1.0), se=se)
    even = log_linear(YEAR, VALUE * np.where(np.arange(10) % 2, 1.5, 1.0))
    assert found.between_year_sd > 0.15
    assert found.slope.value == pytest.approx(even.slope.value, abs=0.3 * even.slope.se)


# ---- against R -------------------------------------------------------------------------------------------------------


@pytest.mark.r
def test_against_r(from_r: dict[str, list[float]]) -> None:
    kendall = mann_kendall(YEAR, VALUE)
    assert kendall.p == pytest.approx(from_r["kendall_exact_p"][0], rel=1e-9)
    assert kendall.tau == pytest.approx(from_r["kendall_tau"][0], rel=1e-9)
    tied = mann_kendall(YEAR, [12, 15, 15, 18, 17, 12, 21, 22, 21, 25])
    assert tied.p == pytest.approx(from_r["kendall_tied_p"][0], rel=1e-9)
    plain = log_linear(YEAR, VALUE).slope
    expected = [from_r[f"lm_slope{part}"][0] for part in ("", "_se", "_lower", "_upper")]
    assert (plain.value, plain.se, plain.lower, plain.upper) == pytest.approx(expected, rel=1e-9)
    weighted = log_linear(YEAR, VALUE, se=VALUE * RELATIVE_SE)
    assert weighted.between_year_sd == pytest.approx(from_r["pm_sd"][0], rel=1e-7)
    expected = [from_r[f"pm_slope{part}"][0] for part in ("", "_se", "_lower")]
    assert (weighted.slope.value, weighted.slope.se, weighted.slope.lower) == pytest.approx(expected, rel=1e-7)


# ---- by simulation ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("n", "low", "high"), [(6, 0.005, 0.065), (10, 0.025, 0.075), (20, 0.025, 0.075)])
def test_mann_kendall_rejects_without_a_trend_as_often_as_it_should(
    n: int, low: float, high: float, rng: np.random.Generator
) -> None:
    # 5 % nominal; the exact test of six seasons can only reject in 1.7 % of orders (2 × 6/720). 1,000 series: ± 2 points (3 SE).
    rejected = np.mean([mann_kendall(range(n), rng.normal(size=n)).p < 0.05 for _ in range(1000)])
    assert low <= rejected <= high


@pytest.mark.parametrize("sampling", [0.02, 0.15])
def test_log_linear_interval_covers_with_a_missed_year(sampling: float, rng: np.random.Generator) -> None:
    # 95 % nominal, 12 seasons with one missed; 500 series, Monte Carlo error 1 point.
    hits = 0
    for _ in range(500):
        year, value, se = series(rng, 12, slope=0.05, scatter=0.15, sampling=sampling, miss=5)
        found = log_linear(year, value, se=se).slope
        hits += found.lower <= 0.05 <= found.upper
    assert 0.92 <= hits / 500 <= 0.98


def test_autocorrelated_interval_covers_where_the_plain_one_fails(rng: np.random.Generator) -> None:
    # Autocorrelation 0.5, 14 seasons with one missed; 150 series, Monte Carlo error 1.8 points.
    hits = {"none": 0, "ar1": 0}
    for _ in range(150):
        year, value, se = series(rng, 14, slope=0.03, scatter=0.25, sampling=0.08, rho=0.5, miss=6)
        for kind in hits:
            found = log_linear(year, value, se=se, correlation=kind).slope  # type: ignore[arg-type]
            hits[kind] += found.lower <= 0.03 <= found.upper
    assert hits["none"] / 150 < 0.90
    assert 0.90 <= hits["ar1"] / 150 <= 1.0


def test_correction_tames_the_test_in_autocorrelated_series(rng: np.random.Generator) -> None:
    plain = corrected = 0
    for _ in range(300):
        year, value, _ = series(rng, 15, slope=0.0, scatter=0.3, sampling=1e-6, rho=0.5)
        plain += mann_kendall(year, value).p < 0.05
        corrected += mann_kendall(year, value, correction="ar1").p < 0.05
    assert plain / 300 > 0.12
    assert corrected / 300 < 0.6 * plain / 300


def test_sen_interval_covers(rng: np.random.Generator) -> None:
    hits = 0
    for _ in range(500):
        year, value, _ = series(rng, 12, slope=0.05, scatter=0.2, sampling=0.1, miss=4)
        found = sen_slope(year, np.log(value))
        hits += found.lower <= 0.05 <= found.upper
    assert 0.92 <= hits / 500 <= 0.985


# ---- corrections and options -----------------------------------------------------------------------------------------


def test_corrections_never_narrow_and_leave_white_noise_alone(rng: np.random.Generator) -> None:
    alternating = [1, -1] * 8
    for kind in ("ar1", "hamed-rao"):
        found = mann_kendall(range(16), np.arange(16) * 0.3 + alternating, correction=kind)  # type: ignore[arg-type]
        assert found.variance_factor == pytest.approx(1.0)
        assert "normal" in found.method
    walk = np.cumsum(rng.normal(size=30))
    assert mann_kendall(range(30), walk, correction="ar1").variance_factor > 1.5
    assert mann_kendall(range(30), walk, correction="hamed-rao").variance_factor > 1.5
    plain, wide = sen_slope(range(30), walk), sen_slope(range(30), walk, correction="ar1")
    assert wide.value == plain.value
    assert wide.lower < plain.lower < plain.upper < wide.upper
    assert any("resemble" in note for note in plain.notes)
    assert any("even the corrected" in note for note in wide.notes)
    assert any("finds trends too easily" in note for note in mann_kendall(range(30), walk, correction="ar1").notes)
    line = log_linear(range(30), np.exp(walk / 5), correlation="ar1")
    assert line.autocorrelation > 0.5 and any("even the corrected" in note for note in line.slope.notes)


def test_missing_values_are_left_out_and_said() -> None:
    value = pd.Series([*VALUE[:9], np.nan])
    found = log_linear(pd.Series(YEAR), value, se=np.ones(10))
    assert found.slope.n == 9
    assert "1 of 10 seasons without a value left out" in found.slope.notes
    zero = log_linear(YEAR, [0, *VALUE[1:]])
    assert any("1 season with a value of zero left out" in note for note in zero.slope.notes)
    lacking = log_linear(YEAR, VALUE, se=[np.nan, *[2.0] * 9])
    assert any("take the largest" in note for note in lacking.slope.notes)


def test_order_does_not_matter(rng: np.random.Generator) -> None:
    shuffle = rng.permutation(10)
    assert mann_kendall(YEAR[shuffle], VALUE[shuffle]) == mann_kendall(YEAR, VALUE)
    assert sen_slope(YEAR[shuffle], VALUE[shuffle]) == sen_slope(YEAR, VALUE)


@pytest.mark.parametrize("n", [0, 1, 2, 3])
def test_too_few_seasons(n: int) -> None:
    test, slope, line = (f(YEAR[:n], VALUE[:n]) for f in (mann_kendall, sen_slope, log_linear))
    assert math.isnan(test.p)
    reason = f"not estimable: {n} season{'' if n == 1 else 's'} with data, 4 needed"
    assert reason in test.notes
    assert slope.notes == line.trend_per_year.notes == (reason,)
    assert not slope.estimable


def test_few_seasons_bring_a_caution() -> None:
    assert any("only 5 seasons" in note for note in sen_slope(YEAR[:5], VALUE[:5]).notes)
    assert any("only 6 seasons" in note for note in log_linear(YEAR[:6], VALUE[:6]).slope.notes)
    assert not sen_slope(YEAR[:7], VALUE[:7]).notes


def test_all_alike() -> None:
    flat = mann_kendall(range(6), [4.0] * 6)
    assert "not estimable: all values are alike" in flat.notes
    assert sen_slope(range(6), [4.0] * 6).value == 0
    line = log_linear(range(6), [4.0] * 6).trend_per_year
    assert (line.value, line.lower, line.upper) == pytest.approx((0, 0, 0))


@pytest.mark.parametrize(
    ("call", "text"),
    [
        (lambda: mann_kendall([1, 2], [1, 2, 3]), "same number of rows"),
        (lambda: mann_kendall([1, 2], [1, math.inf]), "finite"),
        (lambda: mann_kendall(YEAR, VALUE, correction="x"), "correction must be one of"),  # type: ignore[arg-type]
        (lambda: mann_kendall(YEAR, VALUE, alternative="x"), "alternative must be one of"),  # type: ignore[arg-type]
        (lambda: sen_slope(YEAR, VALUE, level=1.0), "level"),
        (lambda: sen_slope(YEAR, VALUE, correction="x"), "correction must be one of"),  # type: ignore[arg-type]
        (lambda: log_linear(YEAR, -VALUE), "must not be negative"),
        (lambda: log_linear(YEAR, VALUE, se=-VALUE), "se must be 0 or more"),
        (lambda: log_linear([1, 1, 2, 3, 4], [1, 2, 3, 4, 5]), "one value a season"),
        (lambda: log_linear(YEAR, VALUE, correlation="x"), "correlation must be"),  # type: ignore[arg-type]
    ],
)
def test_messages(call, text: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(InputError, match=text):
        call()
