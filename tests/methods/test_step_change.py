"""Before and after an event: against R, by simulation, and with too few seasons."""

from __future__ import annotations

import math
import subprocess
from pathlib import Path

import numpy as np
import pytest

from fishreport.exceptions import InputError
from fishreport.methods.step_change import before_after

SCRIPT = Path(__file__).parents[1] / "reference" / "trend.R"
YEAR = np.array([2010, 2011, 2012, 2013, 2015, 2016, 2017, 2018, 2019, 2020])
VALUE = np.array([41.2, 38.5, 45.1, 47.3, 52.8, 44.9, 58.6, 61.0, 55.4, 66.7])


@pytest.mark.r
def test_without_errors_it_is_the_two_sample_t_test() -> None:
    text = subprocess.run(["Rscript", "--vanilla", str(SCRIPT)], capture_output=True, text=True, check=True).stdout
    expected = {line.split()[0]: float(line.split()[1]) for line in text.splitlines() if line.startswith("step")}
    found = before_after(YEAR, VALUE, 2016)
    assert found.p == pytest.approx(expected["step_p"], rel=1e-9)
    assert math.log1p(found.change.lower / 100) == pytest.approx(expected["step_lower"], rel=1e-9)
    assert math.log1p(found.change.upper / 100) == pytest.approx(expected["step_upper"], rel=1e-9)


def test_levels_by_hand() -> None:
    found = before_after(YEAR, VALUE, 2016, units="fish/h")
    geometric = [math.exp(np.log(part).mean()) for part in (VALUE[:5], VALUE[5:])]
    assert (found.before.value, found.after.value) == pytest.approx(geometric)
    assert found.change.value == pytest.approx(100 * (geometric[1] / geometric[0] - 1))
    assert (found.before.units, found.change.units, found.before.n, found.after.n) == ("fish/h", "percent", 5, 5)
    plain = before_after(YEAR, VALUE, 2016, units="mm", scale="identity")
    assert plain.change.value == pytest.approx(VALUE[5:].mean() - VALUE[:5].mean())
    assert plain.change.units == "mm"
    assert before_after(YEAR, VALUE, 2016, units="percent", scale="identity").change.units == "percentage points"


def test_a_trend_beside_the_step_takes_the_trend_away() -> None:
    year = np.arange(2005, 2021)
    rising = 20 * 1.04 ** (year - 2005) * np.exp(0.01 * np.cos(7.0 * year))
    assert before_after(year, rising, 2013).change.lower > 10
    net = before_after(year, rising, 2013, trend=True).change
    assert net.lower < 0 < net.upper
    step = rising * np.where(year >= 2013, 1.5, 1.0)
    assert before_after(year, step, 2013, trend=True).change.value == pytest.approx(50, abs=4)


def test_interval_covers_with_uneven_errors_and_a_missed_year(rng: np.random.Generator) -> None:
    # True step 40 %; five seasons before, six after, one missed; 500 series, Monte Carlo error 1 point.
    hits = wrong = 0
    year = np.delete(np.arange(2010, 2022), 3)
    for _ in range(500):
        relative = 0.12 * np.exp(rng.normal(0, 0.3, 11))
        noise = rng.normal(0, 0.15, 11) + rng.normal(0, relative)
        value = np.exp(3 + noise)
        flat = before_after(year, value, 2016, se=value * relative)
        wrong += flat.p < 0.05
        value = value * np.where(year >= 2016, 1.4, 1.0)
        found = before_after(year, value, 2016, se=value * relative).change
        hits += found.lower <= 40 <= found.upper
    assert 0.92 <= hits / 500 <= 0.98
    assert 0.02 <= wrong / 500 <= 0.08


def test_too_few_seasons_on_a_side() -> None:
    found = before_after(YEAR, VALUE, 2019)
    assert found.change.notes == ("not estimable: 2 seasons after the event, 3 needed",)
    assert math.isnan(found.p)
    both = before_after(YEAR[3:7], VALUE[3:7], 2016)
    assert "2 seasons before the event and 2 seasons after the event, 3 needed" in both.change.notes[0]
    assert "5 needed" in before_after(YEAR, VALUE, 2018, trend=True).change.notes[0]


def test_it_says_that_one_water_is_no_experiment() -> None:
    assert any("whatever else changed" in note for note in before_after(YEAR, VALUE, 2016).change.notes)


def test_messages() -> None:
    with pytest.raises(InputError, match="scale must be"):
        before_after(YEAR, VALUE, 2016, scale="x")  # type: ignore[arg-type]
    with pytest.raises(InputError, match="one value a season"):
        before_after([1, 1, 2], [1, 2, 3], 2)
