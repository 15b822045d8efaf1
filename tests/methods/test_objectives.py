"""Objectives against estimates: probability, verdict, and what is not yet known."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from fishreport.exceptions import InputError
from fishreport.methods.estimate import Estimate
from fishreport.methods.objectives import evaluate_objective, natural_scale, probability_above


def estimate(value: float, lower: float, upper: float, units: str = "fish/h", level: float = 0.95) -> Estimate:
    z = norm.ppf((1 + level) / 2)
    return Estimate(value, (upper - lower) / (2 * z), lower, upper, level, units, "made", 10)


def test_normal_probability_by_hand() -> None:
    # mean 30, se 5: P(θ ≥ 20) = Φ(2) = 0.97725.
    z = 1.959963984540054
    found = evaluate_objective(estimate(30, 30 - 5 * z, 30 + 5 * z), at_least=20)
    assert found.probability == pytest.approx(0.9772498680518208, abs=1e-9)
    assert (found.verdict, found.scale) == ("met", "identity")
    below = evaluate_objective(estimate(30, 30 - 5 * z, 30 + 5 * z), at_most=20)
    assert below.probability == pytest.approx(1 - 0.9772498680518208, abs=1e-9)
    assert below.verdict == "not met"
    both = evaluate_objective(estimate(30, 30 - 5 * z, 30 + 5 * z), between=(25, 35))
    assert both.probability == pytest.approx(2 * norm.cdf(1) - 1, abs=1e-9)
    assert both.verdict == "not yet known"


def test_scale_follows_the_interval() -> None:
    assert natural_scale(estimate(50, 25, 100)) == "log"
    assert natural_scale(estimate(50, 40, 60)) == "identity"
    p = [100 / (1 + math.exp(-x)) for x in (1.0, 2.0, 3.0)]
    assert natural_scale(Estimate(p[1], 1, p[0], p[2], 0.95, "percent", "m", 9)) == "logit"
    assert natural_scale(estimate(5, -1, 20)) == "identity"
    z = norm.ppf(0.975)
    log_normal = estimate(50, 50 * math.exp(-0.3 * z), 50 * math.exp(0.3 * z))
    assert probability_above(log_normal, 40) == pytest.approx(norm.cdf(math.log(50 / 40) / 0.3), abs=1e-9)


@given(st.floats(1, 1e4), st.floats(0.01, 0.95), st.floats(0.01, 5), st.sampled_from([0.8, 0.9, 0.95]))
def test_probability_is_consistent_with_the_interval(value: float, down: float, up: float, level: float) -> None:
    e = estimate(value, value * (1 - down), value * (1 + up), level=level)
    assert probability_above(e, e.lower) == pytest.approx((1 + level) / 2, abs=1e-6)
    assert probability_above(e, e.upper) == pytest.approx((1 - level) / 2, abs=1e-6)
    assert probability_above(e, e.value) == pytest.approx(0.5)
    bounds = np.linspace(value * 0.01, value * 8, 40)
    chance = [probability_above(e, float(b)) for b in bounds]
    assert np.all(np.diff(chance) <= 1e-12), "falls as the bound rises"


def test_several_seasons_are_held_as_their_mean() -> None:
    seasons = [estimate(18, 14, 22), estimate(24, 19, 29), estimate(27, 22, 32)]
    found = evaluate_objective(seasons, at_least=20)
    assert found.mean.value == 23
    assert found.verdict == "met"
    assert found.rule.startswith("the mean of 3 seasons is to be at least 20 fish/h")
    assert evaluate_objective(seasons[0], at_least=20).verdict == "not yet known"


def test_missing_seasons() -> None:
    lost = Estimate.not_estimable("no runs", units="fish/h")
    nothing = evaluate_objective([lost], at_least=20)
    assert (nothing.verdict, math.isnan(nothing.probability)) == ("not yet known", True)
    assert nothing.notes == ("not estimable: no runs",)
    # The mean of two seasons says nothing of a third, so that the mean of three is not known.
    most = evaluate_objective([estimate(90, 80, 100), estimate(90, 80, 100), lost], at_least=20)
    assert (most.verdict, most.mean.value, math.isnan(most.probability)) == ("not yet known", 90, True)
    assert most.notes[0] == "not judged: 2 of the 3 seasons could be estimated"


def test_without_uncertainty_it_is_not_yet_known() -> None:
    bare = Estimate(90, math.nan, math.nan, math.nan, 0.95, "fish/h", "m", 3)
    found = evaluate_objective(bare, at_least=20)
    assert (found.verdict, found.notes) == ("not yet known", ("not judged: the estimate has no measure of its uncertainty",))
    only_se = Estimate(30, 5, math.nan, math.nan, 0.95, "fish/h", "m", 3)
    assert evaluate_objective(only_se, at_least=20).probability == pytest.approx(norm.cdf(2))


def test_degenerate_intervals() -> None:
    point = estimate(30, 30, 30)
    assert evaluate_objective(point, at_least=30).probability == 1
    assert evaluate_objective(point, at_least=31).probability == 0
    open_above = Estimate(30, math.nan, 10, math.inf, 0.95, "fish/h", "m", 3)
    assert probability_above(open_above, 50) == 0.5
    assert probability_above(open_above, 10) == pytest.approx(0.975)
    zero = estimate(0, 0, 3)
    assert probability_above(zero, 3) == pytest.approx(0.025)


@pytest.mark.parametrize(
    ("options", "text"),
    [
        ({}, "exactly one of"),
        ({"at_least": 1, "at_most": 2}, "exactly one of"),
        ({"between": (3, 2)}, "rising order"),
        ({"at_least": math.nan}, "must be numbers"),
        ({"at_least": 1, "certainty": 0.4}, "certainty"),
    ],
)
def test_messages(options: dict[str, object], text: str) -> None:
    with pytest.raises(InputError, match=text):
        evaluate_objective(estimate(5, 4, 6), **options)  # type: ignore[arg-type]


def test_a_true_value_at_the_bound_is_rarely_called(rng: np.random.Generator) -> None:
    # With the truth exactly at the bound, 'met' and 'not met' are each wrong in 1 − certainty of surveys: 10 %, ± 1.3 (3 SE).
    verdicts = []
    for value in rng.normal(20, 4, 5000):
        verdicts.append(evaluate_objective(estimate(value, value - 1.96 * 4, value + 1.96 * 4), at_least=20).verdict)
    share = {v: verdicts.count(v) / 5000 for v in ("met", "not met", "not yet known")}
    assert share["met"] == pytest.approx(0.10, abs=0.015)
    assert share["not met"] == pytest.approx(0.10, abs=0.015)
