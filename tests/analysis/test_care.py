"""Goals for power, settings by night and harmed fish, against scipy, the printed power table and counts by hand."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from fishreport.analysis import care
from fishreport.exceptions import InputError
from fishreport.study import ElectrofishingReference


def _with_reference(study, **reference):
    return study.model_copy(update={"electrofishing": ElectrofishingReference(**reference) if reference else None})


def test_goals_are_the_printed_ratios_times_the_reference(demo_study):
    # Kolz 1989; Kolz & Reynolds 1989 (equations from memory): ratios worked out apart from this code, see
    # tests/published/test_power_transfer.py. At matched water the reference is the goal itself.
    study = _with_reference(demo_study, conductivity_us_cm=115, voltage_v=100, current_a=10, fish_conductivity_us_cm=115)
    table = care.power_goals(study).table
    printed = {20: (1.9810, 3.3750, 0.5870), 200: (1.0785, 0.7875, 1.3696), 1000: (2.7027, 0.5575, 4.8478)}
    for water, (multiplier, volts, amperes) in printed.items():
        place = int(np.flatnonzero(table.water_us_cm == water)[0])
        assert table.multiplier[place] == pytest.approx(multiplier, abs=5e-5)
        assert table.voltage_v[place] == pytest.approx(100 * volts, abs=5e-3)
        assert table.current_a[place] == pytest.approx(10 * amperes, abs=5e-4)
    assert (np.diff(table.water_us_cm) > 0).all()


def test_goals_name_today_and_the_reference(demo_study):
    goals = care.power_goals(demo_study, care.WaterToday(137.0, 8.0, "read today"))
    assert {137.0, demo_study.electrofishing.conductivity_us_cm} <= set(goals.table.water_us_cm)
    assert care.power_goals(_with_reference(demo_study)) is None


def test_todays_water(demo_survey):
    last = demo_survey.runs.dropna(subset="conductivity_us_cm").iloc[-1]
    on_record = care.water_today(demo_survey)
    assert on_record.ambient_us_cm == last["conductivity_us_cm"] and f"{last['date']:%Y-%m-%d}" in on_record.origin
    assert care.water_today(demo_survey, ambient_us_cm=88).ambient_us_cm == 88
    # 300 µS/cm at 25 °C is 222.904 at 10 °C: Ca = Cs/1.02^(25 − T), from memory; value worked out apart from this code.
    assert care.water_today(specific_us_cm=300, temperature_c=10).ambient_us_cm == pytest.approx(222.904, abs=5e-4)
    assert care.water_today() is None
    with pytest.raises(InputError, match="not both"):
        care.water_today(ambient_us_cm=100, specific_us_cm=100)
    with pytest.raises(InputError, match="needs the water temperature"):
        care.water_today(specific_us_cm=100)


def test_settings_of_a_night_stand_beside_its_goal(demo_study, demo_survey):
    nights = care.nightly_settings(demo_study, demo_survey).set_index("night")
    runs = demo_survey.runs[demo_survey.runs["season"] == 2025]
    day = runs["date"].max()
    own, reference = runs[runs["date"] == day], demo_study.electrofishing
    assert nights.loc[day, "runs"] == len(own)
    power = (own["voltage_v"] * own["current_a"]).median()
    assert nights.loc[day, "power_w"] == pytest.approx(power)
    # (1 + q)²/(4 q) at tonight's water over that at the reference, times the reference power, by hand.
    q = reference.fish_conductivity_us_cm / own["conductivity_us_cm"].median()
    r = reference.fish_conductivity_us_cm / reference.conductivity_us_cm
    goal = reference.voltage_v * reference.current_a * ((1 + q) ** 2 / q) / ((1 + r) ** 2 / r)
    assert nights.loc[day, "goal_power_w"] == pytest.approx(goal)
    assert nights.loc[day, "percent_of_goal"] == pytest.approx(100 * power / goal)
    alone = care.nightly_settings(_with_reference(demo_study), demo_survey)
    assert len(alone) == len(nights) and alone["goal_power_w"].isna().all()


def test_nights_without_readings_are_left_out(demo_study, demo_survey):
    runs = demo_survey.runs.assign(voltage_v=np.nan)
    assert care.nightly_settings(demo_study, dataclasses.replace(demo_survey, runs=runs)).empty


def test_the_log_counts_written_fates_with_exact_limits(demo_study, demo_survey):
    log = care.care_log(demo_study, demo_survey)
    fish = demo_survey.fish[demo_survey.fish["fate"] != ""]
    counts = pd.crosstab(fish["season"], fish["fate"])
    for row in log.by_season.to_dict("records"):
        own = counts.loc[row["season"]]
        harmed, handled = int(own["injured"] + own["dead"]), int(own.sum())
        assert (row["injured"], row["dead"], row["handled"]) == (own["injured"], own["dead"], handled)
        # Clopper & Pearson 1934, as scipy has it.
        low, high = stats.binomtest(harmed, handled).proportion_ci(0.95, method="exact")
        assert (row["lower"], row["upper"]) == pytest.approx((100 * low, 100 * high), rel=1e-9)
    before = counts.loc[counts.index < 2025]
    assert log.before.value == pytest.approx(100 * before[["injured", "dead"]].sum().sum() / before.sum().sum())
    assert log.usual_percent == pytest.approx(100 * fish["fate"].isin(["injured", "dead"]).mean())


def test_a_night_of_harm_is_flagged_and_an_even_season_is_not(demo_study, demo_survey):
    assert not care.care_log(demo_study, demo_survey).nights.frame["flagged"].any()
    fish = demo_survey.fish.copy()
    day = fish.loc[fish["season"] == 2025, "date"].max()
    bad = fish.index[fish["date"] == day][:60]
    fish.loc[bad, "fate"] = "injured"
    log = care.care_log(demo_study, dataclasses.replace(demo_survey, fish=fish))
    flagged = log.nights.frame[log.nights.frame["flagged"]]
    assert flagged["night"].tolist() == [f"{day:%Y-%m-%d}"]
    assert log.flagged[["season", "night"]].to_numpy().tolist() == [[2025, f"{day:%Y-%m-%d}"]]
    # Fisher's exact test, one-sided, as scipy has it.
    of_season = fish[(fish["season"] == 2025) & (fish["fate"] != "")]
    hurt = of_season["fate"].isin(["injured", "dead"])
    on = of_season["date"] == day
    table = [[(hurt & on).sum(), (~hurt & on).sum()], [(hurt & ~on).sum(), (~hurt & ~on).sum()]]
    assert flagged["p"].iloc[0] == pytest.approx(stats.fisher_exact(table, alternative="greater").pvalue)
    assert len(log.runs.frame) == of_season["run_id"].nunique()


def test_without_a_fate_nothing_is_claimed(demo_study, demo_survey):
    silent = dataclasses.replace(demo_survey, fish=demo_survey.fish.assign(fate=""))
    log = care.care_log(demo_study, silent)
    assert log.nights is None and log.runs is None and math.isnan(log.usual_percent) and not log.reported.estimable
    assert all(not result.estimate.estimable for result in care.care_results(log))
    empty = dataclasses.replace(demo_survey, fish=demo_survey.fish.iloc[:0], runs=demo_survey.runs.iloc[:0])
    assert care.care_log(demo_study, empty).by_season.empty


def test_results_are_unique_and_for_all_species(demo_study, demo_survey):
    results = care.care_results(care.care_log(demo_study, demo_survey))
    assert len({result.id for result in results}) == len(results) == 2 * len(demo_survey.seasons)
    assert {result.species for result in results} == {None}


@pytest.mark.parametrize("percent", [0.5, 2.0, 7.5])
def test_stop_numbers_are_the_smallest_that_chance_seldom_reaches(percent):
    found = care.stop_numbers(percent, [10, 50, 200])
    for handled, harmed in found.items():
        tail = stats.binomtest(harmed, handled, percent / 100, alternative="greater").pvalue
        below = stats.binomtest(harmed - 1, handled, percent / 100, alternative="greater").pvalue
        assert tail <= 0.01 and (harmed == 2 or below > 0.01)


def test_stop_numbers_at_the_edges():
    assert care.stop_numbers(0, [1, 2, 50]) == {2: 2, 50: 2}
    assert care.stop_numbers(100, [10]) == {}
    with pytest.raises(InputError, match="between 0 and 100"):
        care.stop_numbers(101, [10])
    with pytest.raises(InputError, match="cannot be negative"):
        care.stop_numbers(1, [-1])
