"""Repeated surveys: what is counted, what is said, and that the lessons' promises hold and break where they should."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from fishreport.exceptions import UsageError
from fishreport.explore import lesson, repeat
from fishreport.explore.repeats import Repeats


def made(lower: list[float], upper: list[float], value: list[float] | None = None) -> Repeats:
    n = len(lower)
    middle = np.array(value if value is not None else [100.0] * n)
    return Repeats("Thing", 0.95, middle, np.array(lower), np.array(upper), np.full(n, 100.0))


def test_counts_and_limits_of_the_share() -> None:
    found = made([90.0] * 18 + [101.0, 20.0], [110.0] * 18 + [120.0, 99.0])
    percent, low, high = found.share
    assert percent == 90
    exact = stats.binomtest(18, 20).proportion_ci(method="exact")
    assert (low, high) == pytest.approx((100 * exact.low, 100 * exact.high))
    assert "18 of 20 intervals hold the truth: 90% (68 to 99), in keeping with the 95% promised" in found.sentence
    table = found.figure.table
    assert table is not None
    assert [row[1] for row in table.rows] == ["18", "1", "1", "0"]


def test_an_open_interval_counts_and_a_missing_one_does_not() -> None:
    nan = math.nan
    found = made([50.0] * 19 + [nan], [math.inf] * 19 + [nan], [100.0] * 19 + [nan])
    assert found.held.sum() == 19
    assert "(1 of 20 surveys gave none)" in found.sentence
    assert "100%" in found.sentence
    assert made([nan] * 20, [nan] * 20, [nan] * 20).sentence == "None of 20 surveys gave an interval."


@pytest.mark.parametrize(("lower", "said"), [([101.0] * 200, "less often than"), ([90.0] * 400, "more often than")])
def test_the_promise_is_judged_by_limits(lower: list[float], said: str) -> None:
    assert said in made(lower, [120.0] * len(lower)).sentence


def test_a_survey_of_the_repeats_is_the_one_that_its_seed_draws() -> None:
    taught = lesson("removal")
    found = repeat("removal", times=20, seed=7)
    sample = taught.sample(seed=9)
    assert found.value[2] == taught.estimate(sample, taught.settings()).first.estimate.value


def test_progress_is_told() -> None:
    from fishreport.explore.repeats import repeat as repeat_survey

    told: list[int] = []
    repeat_survey(lesson("recapture"), lesson("recapture").settings(), times=25, progress=told.append)
    assert told == [10, 20]


@pytest.mark.parametrize("times", [5, 10_000, 20.0, True])
def test_times_are_checked(times: object) -> None:
    with pytest.raises(UsageError, match="whole number from 20 to 2000"):
        repeat("recapture", times=times)  # type: ignore[arg-type]


@pytest.mark.calibration
@pytest.mark.parametrize(("name", "low"), [("recapture", 90), ("removal", 88), ("sampling-design", 88), ("bootstrap", 84)])
def test_where_assumptions_hold_the_interval_keeps_its_promise(name: str, low: float) -> None:
    """200 surveys; by chance alone 95 % would seldom fall under 90.5. Percentile limits of 12 runs are known to fall short."""
    assert repeat(name, times=200).share[0] >= low


@pytest.mark.calibration
@pytest.mark.parametrize(
    ("name", "broken", "high"),
    [
        ("recapture", {"marked": 300, "caught": 300, "lost": 30}, 10),
        ("removal", {"wariness": 30}, 25),
        ("bootstrap", {"units": "single fish", "alike": 40}, 75),
    ],
)
def test_where_an_assumption_breaks_so_does_the_promise(name: str, broken: dict[str, object], high: float) -> None:
    assert repeat(name, times=200, **broken).share[0] <= high


@pytest.mark.calibration
def test_lost_marks_promise_too_many_fish_and_wary_fish_too_few() -> None:
    assert repeat("recapture", times=200, marked=300, caught=300, lost=30).bias_percent == pytest.approx(100 / 0.7 - 100, abs=6)
    assert repeat("removal", times=200, wariness=30).bias_percent < -10
