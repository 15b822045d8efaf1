"""Growth of marked stocked fish of known age."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from statsmodels.formula.api import ols

from fishreport.exceptions import InputError
from fishreport.methods.growth import cohort_growth

YEARS = np.repeat([0.5, 1.5, 2.5], [12, 9, 6]) + np.tile([0.0, 0.01, 0.02], 9)


@pytest.fixture
def lengths(rng: np.random.Generator) -> np.ndarray:
    return 240 + 60 * YEARS + rng.normal(0, 8 + 4 * YEARS)


def test_mean_lengths_by_sampling_time(lengths: np.ndarray) -> None:
    table = cohort_growth(YEARS, lengths).mean_length
    assert table["n"].tolist() == [12, 9, 6]
    first = lengths[:12]
    wanted = stats.t.interval(0.95, 11, first.mean(), first.std(ddof=1) / np.sqrt(12))
    assert (table["lower"][0], table["upper"][0]) == pytest.approx(wanted)


def test_growth_between_samples_is_the_welch_interval(lengths: np.ndarray) -> None:
    row = cohort_growth(YEARS, lengths).between.iloc[0]
    time = YEARS[12:21].mean() - YEARS[:12].mean()
    wanted = stats.ttest_ind(lengths[12:21], lengths[:12], equal_var=False).confidence_interval()
    assert row["growth_mm_per_year"] == pytest.approx((lengths[12:21].mean() - lengths[:12].mean()) / time)
    assert (row["lower"], row["upper"]) == pytest.approx((wanted.low / time, wanted.high / time))


def test_growth_from_stocking(lengths: np.ndarray) -> None:
    found = cohort_growth(YEARS, lengths, stocked_length_mm=240).between
    assert len(found) == 3
    assert found["from_years"][0] == 0
    days = found["to_years"][0] * 365.25
    assert found["specific_growth_pct_per_day"][0] == pytest.approx(100 * np.log(lengths[:12].mean() / 240) / days)


def test_overall_rates_agree_with_hc2_of_statsmodels(lengths: np.ndarray) -> None:
    found = cohort_growth(YEARS, lengths)
    frame = pd.DataFrame({"y": lengths, "x": YEARS, "log": np.log(lengths)})
    for estimate, response, scale in ((found.growth_rate, "y", 1), (found.specific_growth, "log", 100 / 365.25)):
        fitted = ols(f"{response} ~ x", frame).fit(cov_type="HC2", use_t=True)
        wanted = np.array([fitted.params["x"], fitted.bse["x"], *fitted.conf_int().loc["x"]]) * scale
        assert [estimate.value, estimate.se, estimate.lower, estimate.upper] == pytest.approx(wanted)


def test_few_fish_and_impossible_input() -> None:
    nothing = cohort_growth([], [])
    assert not nothing.growth_rate.estimable and nothing.mean_length.empty
    one_time = cohort_growth([1.0] * 6, [300, 310, 305, 299, 301, 300])
    assert "at one time" in one_time.growth_rate.notes[0]
    single = cohort_growth([1.0, np.nan], [300, 310], stocked_length_mm=200)
    assert single.n == 1 and np.isnan(single.mean_length["lower"][0])
    assert single.between["growth_mm_per_year"][0] == 100
    for call, words in (
        (lambda: cohort_growth([1], [300, 200]), "equal length"),
        (lambda: cohort_growth([-1], [300]), "0 or more"),
        (lambda: cohort_growth([1], [0]), "above 0"),
        (lambda: cohort_growth([1], [300], stocked_length_mm=-5), "stocked_length_mm"),
    ):
        with pytest.raises(InputError, match=words):
            call()
