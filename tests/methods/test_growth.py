"""Growth curves from aged fish: derivatives, limits, degenerate data, predictions, draws and bootstrap."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import optimize, stats

from fishreport.exceptions import InputError
from fishreport.methods.age_groups import chebyshev_nodes, group_ages, group_at_nodes
from fishreport.methods.growth import (
    average_growth,
    compare_growth,
    fit_gompertz,
    fit_growth,
    fit_logistic,
    fit_richards,
    fit_von_bertalanffy,
)
from fishreport.methods.growth_curves import CURVES, anchored_length, natural_length, to_anchored, to_natural
from fishreport.methods.growth_intervals import corrected_percentiles
from fishreport.methods.growth_solver import solve_curve, solve_replicates

NATURAL = {
    "von_bertalanffy": [500, 0.3, -0.4],
    "gompertz": [500, 0.5, 2.0],
    "logistic": [500, 0.6, 3.0],
    "richards": [500, 0.4, 1.5, 0.4],
}


def aged(rng: np.random.Generator, n: int = 100, sd: float = 20.0) -> tuple[np.ndarray, np.ndarray]:
    age = rng.integers(1, 9, n).astype(float)
    return age, 550 * (1 - np.exp(-0.35 * (age + 0.3))) + rng.normal(0, sd, n)


@pytest.mark.parametrize("power", [0.4, 1e-6, -1.3, 1.4])
def test_richards_covers_the_named_curves(power: float) -> None:
    age = np.linspace(3, 9, 9)
    richards = natural_length(np.array([500, 0.4, 1.5, power]), age, CURVES["richards"])[0]
    assert richards == pytest.approx(500 * (1 - power * np.exp(-0.4 * (age - 1.5))) ** (1 / power), rel=1e-4)
    for key in ("von_bertalanffy", "gompertz", "logistic"):
        own = natural_length(np.array([500, 0.4, 1.5]), age[1:], CURVES[key])[0]
        family = natural_length(np.array([500, 0.4, 1.5, CURVES[key].power]), age[1:], CURVES["richards"])[0]
        assert family == pytest.approx(own, rel=1e-9)


@pytest.mark.parametrize("key", NATURAL)
def test_derivatives_and_change_of_parameters(key: str) -> None:
    age, curve, natural = np.linspace(1, 9, 7), CURVES[key], np.array(NATURAL[key], float)
    length, slopes = natural_length(natural, age, curve)
    anchored = to_anchored(natural, curve, 1.0, 9.0)
    again, anchored_slopes = anchored_length(anchored, age, curve, 1.0, 9.0)
    assert again == pytest.approx(length, rel=1e-12)
    assert to_natural(anchored, curve, 1.0, 9.0) == pytest.approx(natural, rel=1e-10)
    for call, at, wanted in (
        (lambda p: natural_length(p, age, curve)[0], natural, slopes),
        (lambda p: anchored_length(p, age, curve, 1.0, 9.0)[0], anchored, anchored_slopes),
    ):
        numeric = np.array([optimize.approx_fprime(at, lambda p, i=i, call=call: call(p)[i], 1e-7) for i in range(age.size)])
        assert wanted == pytest.approx(numeric, rel=1e-4, abs=1e-3)


def test_curve_passes_smoothly_through_straight_growth() -> None:
    """At K = 0 the anchored von Bertalanffy curve is the straight line between both lengths."""
    age = np.linspace(1, 9, 7)
    line = 100 + 300 * (age - 1) / 8
    for k in (0.0, 1e-9, -1e-9, 1e-5):
        found = anchored_length(np.array([100, 400, k]), age, CURVES["von_bertalanffy"], 1.0, 9.0)[0]
        assert found == pytest.approx(line, abs=0.02)


@pytest.mark.parametrize("errors", ["constant", "proportional"])
@pytest.mark.parametrize(
    ("fit", "key"),
    [
        (fit_von_bertalanffy, "von_bertalanffy"),
        (fit_gompertz, "gompertz"),
        (fit_logistic, "logistic"),
        (fit_richards, "richards"),
    ],
)
def test_noise_free_lengths_return_the_truth(fit, key: str, errors: str) -> None:  # type: ignore[no-untyped-def]
    age = np.array([1.0, 2, 3, 4, 5, 6, 7, 9])
    natural = np.array(NATURAL[key], float)
    if key == "richards":
        natural[3] = -0.4  # the curve of positive power starts at length 0, which has no logarithm
    lengths = natural_length(natural, age, CURVES[key])[0]
    found = fit(age, lengths, errors=errors)
    natural[3:] = 1 - natural[3:]
    assert found.parameters == pytest.approx(natural, rel=1e-4 if key == "richards" else 1e-6)


def test_too_little_data_gives_the_reason() -> None:
    cases = {
        "3 aged fish, 4 needed": ([1, 2, 3], [100, 180, 240]),
        "1 distinct age, 3 needed": ([2, 2, 2, 2], [200, 210, 190, 205]),
        "all aged fish have the same length": ([1, 2, 3, 4, 5], [200] * 5),
        "older fish are shorter": ([1, 2, 3, 4, 5, 6], [300, 280, 262, 240, 221, 199]),
        "K runs to 0 and Linf to infinity": ([1, 2, 3, 4, 5, 6], [100, 201, 299, 402, 498, 601]),
        "K runs to infinity": ([1, 2, 3, 4, 5, 6], [100, 401, 399, 400, 401, 399]),
        "0 aged fish, 4 needed": ([], []),
        "30 needed": ([1, 2, 3, 4, 5], [100, 180, 240, 280, 300]),
    }
    for words, (age, length) in cases.items():
        fit = fit_von_bertalanffy(age, length, minimum=30 if words == "30 needed" else 4)
        assert not fit.estimable
        assert words in fit.notes[0]
        assert words in fit.growth_coefficient.notes[0]
        assert fit.predict([1, 2])["length_mm"].isna().all()
        assert not fit.expected_lengths([1, 2, 3]).lengths[0].estimable
        with pytest.raises(InputError, match="no draws from a growth curve"):
            fit.draws(5, np.random.default_rng(1))


def test_no_growth_is_not_estimable(rng: np.random.Generator) -> None:
    fit = fit_von_bertalanffy(rng.integers(1, 9, 60), rng.normal(300, 30, 60))
    assert "no growth visible" in fit.notes[0] or "straight line" in fit.notes[0]


def test_missing_values_are_dropped_and_counted(rng: np.random.Generator) -> None:
    age, length = aged(rng)
    plain = fit_von_bertalanffy(age, length)
    with_gaps = fit_von_bertalanffy(np.append(age, [np.nan, 3.0]), np.append(length, [200.0, np.nan]))
    assert with_gaps.parameters == pytest.approx(plain.parameters, rel=1e-9)
    assert with_gaps.n == 100
    assert "2 fish without age or length left out" in with_gaps.notes


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: fit_von_bertalanffy([1, 2], [100]), "equal length"),
        (lambda: fit_von_bertalanffy([-1, 2, 3, 4], [100, 200, 300, 400]), "age must be 0 or more"),
        (lambda: fit_von_bertalanffy([1, 2, 3, 4], [100, 0, 300, 400]), "length_mm must be above 0"),
        (lambda: fit_von_bertalanffy([1, 2, 3, 4], [1, 2, 3, 4], errors="other"), "errors must be one of"),
        (lambda: fit_von_bertalanffy([1, 2, 3, 4], [1, 2, 3, 4], interval="other"), "interval must be one of"),
        (lambda: fit_von_bertalanffy([1, 2, 3, 4], [1, 2, 3, 4], interval="bootstrap"), "random generator"),
        (lambda: fit_von_bertalanffy([1, 2, 3, 4], [1, 2, 3, 4], level=95), "level must be a number between"),
        (lambda: fit_growth("linear", [1], [1]), "curve must be one of"),
        (lambda: average_growth([1], [1], curves=()), "curves must name"),
        (lambda: compare_growth([1], [1], ["a", "b"]), "equal length"),
        (lambda: compare_growth([1], [1], ["a"], curve="richards"), "richards"),
    ],
)
def test_impossible_input_is_refused(call, words: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(InputError, match=words):
        call()


def test_warnings_say_what_is_extrapolated(rng: np.random.Generator) -> None:
    age = rng.integers(2, 5, 80).astype(float)
    fit = fit_von_bertalanffy(age, 800 * (1 - np.exp(-0.2 * age)) + rng.normal(0, 4, 80))
    text = " | ".join(fit.notes)
    for words in ("beyond the longest aged fish", "nearly confounded", "only 3 age classes", "age at length 0 is extrapolated"):
        assert words in text
    age, length = aged(rng, 300, sd=0.0)
    uneven = fit_von_bertalanffy(age, length * np.exp(rng.normal(0, 0.08, 300)))
    assert any("scatter grows with length" in note for note in uneven.notes)


def test_open_interval_where_straight_growth_is_not_excluded(rng: np.random.Generator) -> None:
    age = np.repeat([1.0, 2, 3, 4], 4)
    fit = fit_von_bertalanffy(age, 900 * (1 - np.exp(-0.15 * (age + 0.3))) + rng.normal(0, 15, 16))
    assert fit.asymptotic_length.upper == np.inf
    assert fit.growth_coefficient.lower == 0
    assert any("open above" in note for note in fit.notes)


def test_profile_limits_lie_where_the_excess_sum_of_squares_says(rng: np.random.Generator) -> None:
    """At a limit of K the least RSS over Linf and t0, found by scipy, exceeds the minimum by s^2 times the F quantile."""
    age, length = aged(rng, 60)
    fit = fit_von_bertalanffy(age, length)
    wanted = fit.rss + fit.residual_se**2 * stats.f.ppf(0.95, 1, fit.df)
    for index, estimate in enumerate((fit.asymptotic_length, fit.growth_coefficient, fit.age_at_zero)):
        for limit in (estimate.lower, estimate.upper):

            def residuals(free: np.ndarray, index: int = index, limit: float = limit) -> np.ndarray:
                linf, k, t0 = np.insert(free, index, limit)
                return length - linf * (1 - np.exp(-k * (age - t0)))

            found = optimize.least_squares(residuals, np.delete(fit.parameters, index), x_scale="jac", xtol=1e-15, ftol=1e-15)
            assert 2 * found.cost == pytest.approx(wanted, rel=1e-6)


def test_bands_narrow_and_prediction_band_holds_the_fish(rng: np.random.Generator) -> None:
    age, length = aged(rng, 400)
    for errors in ("constant", "proportional"):
        fit = fit_von_bertalanffy(age, length, errors=errors)
        table = fit.predict(age)
        inside = (table["prediction_lower"] <= length) & (length <= table["prediction_upper"])
        assert 0.92 <= inside.mean() <= 0.98
        assert (table["lower"] < table["length_mm"]).all() and (table["length_mm"] < table["upper"]).all()
        narrow = fit.predict([4.0], level=0.5)
        assert narrow["upper"][0] - narrow["lower"][0] < 0.5 * (table["upper"] - table["lower"]).max()
    with pytest.raises(InputError, match="level"):
        fit.predict([1.0], level=2)


def test_expected_lengths_are_less_confounded_than_linf_and_k(rng: np.random.Generator) -> None:
    fit = fit_von_bertalanffy(*aged(rng, 200))
    spread = np.sqrt(np.diag(fit.covariance))
    assert (fit.covariance / np.outer(spread, spread))[0, 1] < -0.9
    lengths = fit.expected_lengths()
    assert lengths.ages == (1.0, 4.5, 8.0)
    assert np.abs(lengths.correlation - np.eye(3)).max() < 0.5


def test_draws_follow_the_estimates_and_keep_the_bounds(rng: np.random.Generator) -> None:
    fit = fit_von_bertalanffy(*aged(rng, 400))
    draws = fit.draws(4000, rng)
    assert list(draws.columns) == ["asymptotic_length", "growth_coefficient", "age_at_zero"]
    assert np.corrcoef(draws.to_numpy().T)[0, 1] < -0.8
    assert draws.std().to_numpy() == pytest.approx(np.sqrt(np.diag(fit.covariance)), rel=0.1)
    age = np.repeat([1.0, 2, 3, 4], 4)
    loose = fit_von_bertalanffy(age, 900 * (1 - np.exp(-0.15 * (age + 0.3))) + np.random.default_rng(20250914).normal(0, 15, 16))
    bounded = loose.draws(1000, rng)
    assert len(bounded) == 1000
    assert (bounded["growth_coefficient"] > 0).all()
    assert bounded["asymptotic_length"].max() <= 3 * loose.length_mm.max()
    replicated = fit_von_bertalanffy(*aged(rng, 400), interval="bootstrap", rng=rng, resamples=500).draws(50, rng)
    assert np.isfinite(replicated.to_numpy()).all() and len(replicated) == 50


def test_bootstrap_replicates_equal_separate_fits(rng: np.random.Generator) -> None:
    """Each replicate of the batch equals a fit of its own by scipy, for whole and for part ages."""
    for age in (rng.integers(1, 9, 80).astype(float), rng.uniform(0.5, 8, 80)):
        length = 550 * (1 - np.exp(-0.35 * (age + 0.3))) + rng.normal(0, 20, 80)
        curve = CURVES["von_bertalanffy"]
        start = solve_curve(group_ages(age, length), curve, False).parameters[0]
        counts = rng.multinomial(80, np.full(80, 1 / 80), size=12).astype(float)
        batch = solve_replicates(age, length, counts, start, curve, False)
        natural = to_natural(batch.parameters, curve, age.min(), age.max())
        for row, count in zip(natural, counts, strict=True):
            drawn = np.repeat(np.arange(80), count.astype(int))
            alone, _ = optimize.curve_fit(
                lambda t, a, k, z: a * (1 - np.exp(-k * (t - z))), age[drawn], length[drawn], [500, 0.3, -0.3], xtol=1e-13
            )
            assert row == pytest.approx(alone, rel=1e-4)


def test_sums_at_nodes_equal_sums_over_fish(rng: np.random.Generator) -> None:
    age = rng.uniform(0.5, 9, 500)
    response = 550 * (1 - np.exp(-0.35 * (age + 0.3))) + rng.normal(0, 20, 500)
    counts = rng.multinomial(500, np.full(500, 1 / 500), size=3).astype(float)
    nodes = chebyshev_nodes(age.min(), age.max())
    by_nodes, by_fish = group_at_nodes(age, response, counts, nodes), group_ages(age, response, counts)
    curve = [lambda t: 540 * (1 - np.exp(-0.36 * (t + 0.2)))] * 3
    at_nodes, at_fish = (np.array([f(t) for f in curve]) for t in (nodes, by_fish.age))
    assert by_nodes.sum_of_squares(at_nodes) == pytest.approx(by_fish.sum_of_squares(at_fish), rel=1e-9)
    assert by_nodes.pull(at_nodes).sum(axis=1) == pytest.approx(by_fish.pull(at_fish).sum(axis=1), rel=1e-6)


def test_corrected_percentiles_of_a_symmetric_case_are_the_plain_ones(rng: np.random.Generator) -> None:
    draws = rng.normal(0, 1, 20001)
    lower, upper = corrected_percentiles(float(np.median(draws)), draws, np.array([-1.0, 1.0]), 0.95)
    assert [lower, upper] == pytest.approx(np.quantile(draws, [0.025, 0.975]), abs=0.01)
    skewed = corrected_percentiles(0.0, draws, rng.exponential(1, 50), 0.95)
    assert skewed[0] > lower and skewed[1] > upper


def test_kind_of_errors_is_chosen_by_aicc(rng: np.random.Generator) -> None:
    age, length = aged(rng, 300, sd=0.0)
    assert fit_von_bertalanffy(age, length * np.exp(rng.normal(0, 0.08, 300)), errors="chosen").errors == "proportional"
    chosen = fit_von_bertalanffy(age, length + rng.normal(0, 20, 300), errors="chosen")
    assert chosen.errors == "constant"
    assert any("chosen by AICc" in note for note in chosen.notes)


def test_average_weights_follow_aicc(rng: np.random.Generator) -> None:
    n = 300
    age, length = aged(rng, n)
    found = average_growth(age, length)
    aicc = np.array([found.fits[key].aicc for key in found.table["curve"]])
    wanted = np.exp(-(aicc - aicc.min()) / 2)
    assert found.table["weight"].to_numpy() == pytest.approx(wanted / wanted.sum())
    assert found.table["curve"][0] in ("von_bertalanffy", "richards")
    vb = found.fits["von_bertalanffy"]
    k = 4
    assert vb.aicc == pytest.approx(n * (np.log(2 * np.pi * vb.rss / n) + 1) + 2 * k + 2 * k * (k + 1) / (n - k - 1))
    at = found.predict([4.0])
    each = [fit.predict([4.0]) for fit in (found.fits[key] for key in found.table["curve"])]
    values, se = np.array([t["length_mm"][0] for t in each]), np.array([t["se"][0] for t in each])
    mean = values @ found.table["weight"]
    assert at["length_mm"][0] == pytest.approx(mean)
    assert at["se"][0] == pytest.approx(np.sqrt(se**2 + (values - mean) ** 2) @ found.table["weight"])
    assert found.asymptotic_length.estimable


def test_average_of_too_few_fish_says_so() -> None:
    nothing = average_growth([1, 2], [100, 200])
    assert not nothing.estimable and not nothing.asymptotic_length.estimable
    assert nothing.predict([1.0])["length_mm"].isna().all()
    some = average_growth([1, 2, 3, 4, 5], [101, 180, 239, 281, 311])
    assert any("too few for its AICc" in note or "needed" in note for note in some.notes)


def test_comparison_names_the_parameter_that_differs(rng: np.random.Generator) -> None:
    age = np.tile(np.arange(1.0, 11), 30)
    group = np.repeat(["2023", "2024"], 150)
    length = np.where(group == "2023", 550.0, 480.0) * (1 - np.exp(-0.35 * (age + 0.3))) + rng.normal(0, 8, 300)
    found = compare_growth(age, length, group)
    assert found.p_value < 1e-10
    assert found.differing == ("asymptotic_length",)
    alike = compare_growth(age, 550 * (1 - np.exp(-0.35 * (age + 0.3))) + rng.normal(0, 8, 300), group)
    assert alike.p_value > 0.01
    assert (alike.table["rss"] >= alike.table["rss"].iloc[-1]).all()
    assert (alike.table["rss"] <= alike.table["rss"].iloc[0]).all()
    assert not compare_growth(age[:150], length[:150], group[:150]).estimable
    few = compare_growth([1, 2, 3, 4, 1], [100, 180, 240, 290, 105], ["a", "a", "a", "a", "b"])
    assert "group b: not estimable" in few.notes[0]
