"""Tables, figure and sentences about power and care: cells from the numbers, sentences in each direction."""

from __future__ import annotations

import dataclasses
import xml.etree.ElementTree as ET

import numpy as np
import pytest

from fishreport.analysis import care
from fishreport.exhibits import care as exhibits
from fishreport.exhibits.units import METRIC, US
from fishreport.methods.electrofishing import ambient_from_specific
from fishreport.study import ElectrofishingReference


@pytest.fixture(scope="module")
def made(demo_study, demo_survey):
    log = care.care_log(demo_study, demo_survey)
    return log, care.care_results(log), care.nightly_settings(demo_study, demo_survey)


def test_power_rows_print_the_published_digits(demo_study):
    # Multipliers of tests/published/test_power_transfer.py, rounded; reference in matched water, so volts are 100 × ratio.
    reference = ElectrofishingReference(conductivity_us_cm=115, voltage_v=100, current_a=10)
    study = demo_study.model_copy(update={"electrofishing": reference})
    rows = {row[0]: row for row in exhibits.power_rows(care.power_goals(study, care.WaterToday(300.0, 9.0, "read today")))}
    assert rows["500"] == ("500", "1.64", "62", "26.7", "1,644", "")
    assert rows["115"] == ("115", "1.00", "100", "10.0", "1,000", "reference")
    assert rows["300"][1:3] == ("1.25", "69") and rows["300"][5] == "today"


def test_goals_outside_the_verified_water_are_not_supported(demo_study):
    # Miranda & Dolan 2003, abstract: model verified from 12 to 1,030 µS/cm.
    inside, outside = (care.power_goals(demo_study, care.WaterToday(water, 9.0, "read today")) for water in (500.0, 1500.0))
    assert not any("not supported" in note for note in exhibits.power_notes(inside))
    assert any("not supported" in note for note in exhibits.power_notes(outside))
    table = exhibits.power_table(outside)
    assert any("not a safe setting" in note and "local rules" in note for note in table.notes)
    assert len(table.data) == len(table.rows) and exhibits.power_table(None) is None


@pytest.mark.parametrize("units", [METRIC, US])
def test_conversion_is_in_the_temperatures_shown(units):
    table = exhibits.conversion_table(units)
    column = next(place for place, head in enumerate(table.columns) if head.heading in ("10 °C", "50 °F"))
    for row in table.rows:
        expected = ambient_from_specific(float(row[0].replace(",", "")), 10.0)
        assert float(row[column].replace(",", "")) == pytest.approx(expected, abs=0.5)


def test_nights_and_their_goals(made, demo_study):
    nights = made[2]
    table = exhibits.nights_table(nights, 2025, METRIC)
    assert [row[0] for row in table.rows] == [f"{night:%Y-%m-%d}" for night in nights["night"]]
    assert table.rows[0][8] == f"{nights['percent_of_goal'].iloc[0]:.0f}"
    assert exhibits.nights_table(nights.iloc[:0], 2025, METRIC) is None


def test_harm_is_drawn_with_its_table(made):
    log = made[0]
    figure = exhibits.harm_figure(log)
    assert ET.fromstring(figure.svg).tag.endswith("svg") and "Injured or dead (%)" in figure.svg
    first = log.by_season.iloc[0]
    assert f"{first['share']:.1f}% of handled fish were injured or died in {first['season']:.0f}" in figure.alt
    assert figure.table.rows[0][4] == f"{first['share']:.1f}"
    silent = dataclasses.replace(log, by_season=log.by_season.assign(handled=0))
    assert exhibits.harm_figure(silent) is None


def test_nights_that_stand_out_are_said_and_shown(made, demo_study, demo_survey):
    log, results, nights = made
    said = [item.text for item in exhibits.findings(log, results, nights, (0, 36), 2025, METRIC).items]
    assert any("None of the 4 nights stands out" in text for text in said)
    assert not any("30 Hz" in text for text in said)
    fish = demo_survey.fish.copy()
    day = fish.loc[fish["season"] == 2025, "date"].max()
    fish.loc[fish.index[fish["date"] == day][:60], "fate"] = "dead"
    bad = care.care_log(demo_study, dataclasses.replace(demo_survey, fish=fish))
    found = exhibits.findings(bad, care.care_results(bad), nights, (3, 36), 2025, METRIC).items
    assert any(item.direction == "up" and f"{day:%Y-%m-%d}" in item.text for item in found)
    assert any("Pulse rates above 30 Hz were used in 3 of 36 runs" in item.text for item in found)
    assert all(item.results for item in found)
    ids = {result.id for result in care.care_results(bad)}
    assert all(set(item.results) <= ids for item in found)
    rows = exhibits.bad_nights_table(bad, 2025).rows
    assert [row[0] for row in rows if row[-1] == "yes"] == [f"{day:%Y-%m-%d}"]
    assert any(f"{day:%Y-%m-%d} (" in note for note in exhibits.bad_nights_table(bad, 2024).notes)


def test_nothing_is_said_of_nothing(made, demo_study, demo_survey):
    silent = care.care_log(demo_study, dataclasses.replace(demo_survey, fish=demo_survey.fish.assign(fate="")))
    assert exhibits.bad_nights_table(silent, 2025) is None
    assert exhibits.findings(silent, care.care_results(silent).where(season=1900), made[2], (0, 0), 2025, METRIC) is None


def test_power_sentence_follows_the_share_of_the_goal(made):
    log, results, nights = made
    halved = nights.assign(percent_of_goal=50.0)
    said = [item.text for item in exhibits.findings(log, results, halved, (0, 1), 2025, METRIC).items]
    assert any("put 50% of the goal" in text for text in said)
    without = nights.assign(percent_of_goal=np.nan)
    assert not any("goal" in item.text for item in exhibits.findings(log, results, without, (0, 1), 2025, METRIC).items)


def test_every_caution_names_its_source_and_defers_to_rules():
    pulses, safety = exhibits.pulse_cautions(), exhibits.safety_cautions()
    assert all(row[1] for row in (*pulses.rows, *safety.rows))
    assert "Local rules, permits and licensed practice decide" in safety.caption
    assert any("withdrawal" in row[0] for row in safety.rows) and any("30 Hz" in row[0] for row in pulses.rows)


@pytest.mark.parametrize(
    ("numbers", "direction", "words"),
    [
        (
            (1.67, 1.03, 2.60),
            "up",
            "more often than in the seasons before: 1.67 times as often (95% interval 1.03 to 2.60, runs as clusters)",
        ),
        (
            (0.41, 0.20, 0.75),
            "down",
            "less often than in the seasons before: 0.41 times as often (95% interval 0.20 to 0.75, runs as clusters)",
        ),
        ((1.30, 0.80, 2.10), "unclear", "cannot be told: 1.30 times as often (95% interval 0.80 to 2.10, runs as clusters)"),
        (
            (np.nan, 1.90, np.inf),
            "up",
            "more often than in the seasons before: at least 1.9 times as often (95% limit, runs as clusters)",
        ),
    ],
)
def test_harm_against_the_seasons_before_is_said_by_its_interval(made, numbers, direction, words):
    log, results, nights = made
    value, lower, upper = numbers
    ratio = dataclasses.replace(log.ratio, value=value, lower=lower, upper=upper)
    found = exhibits.findings(dataclasses.replace(log, ratio=ratio), results, nights, (0, 36), 2025, METRIC).items
    (about,) = [item for item in found if "harmed more" in item.text or "harmed less" in item.text]
    assert words in about.text and about.direction == direction and about.results
    assert about.key == (direction == "up")  # what calls for a look into the cause belongs on the front page


def test_the_demo_says_that_more_fish_were_harmed(made):
    log, results, nights = made
    season = log.by_season.set_index("season")
    assert (season.loc[2025, ["harmed", "handled"]] == [24, 780]).all()
    text = " ".join(item.text for item in exhibits.findings(log, results, nights, (0, 36), 2025, METRIC).items)
    assert ("harmed more often" in text) is bool(log.ratio.lower > 1)
