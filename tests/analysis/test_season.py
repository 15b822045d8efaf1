"""Effort, catch and handling of the demo against counts taken straight from its checked tables."""

from __future__ import annotations

import pytest
from scipy import stats

from fishreport.analysis import season


def test_effort_and_catch_add_up(demo_study, demo_survey):
    work = season.season_work(demo_study, demo_survey)
    runs = demo_survey.runs[demo_survey.runs["season"] == 2025]
    fish = demo_survey.fish[demo_survey.fish["season"] == 2025]
    assert work.by_site["runs"].sum() == len(runs)
    assert work.by_site["effort_h"].sum() == pytest.approx(runs["effort_s"].sum() / 3600)
    assert work.by_site["brown_trout"].sum() == (fish["species"] == "BNT").sum()
    assert work.by_season.set_index("season").loc[2025, "fish"] == len(fish)
    assert list(work.by_season["season"]) == demo_survey.seasons


def test_readings_are_summarised(demo_study, demo_survey):
    work = season.season_work(demo_study, demo_survey)
    row = work.conditions.set_index("name").loc["Water temperature"]
    runs = demo_survey.runs[demo_survey.runs["season"] == 2025]
    assert row["median"] == pytest.approx(runs["water_temperature_c"].median())
    assert row["n"] == runs["water_temperature_c"].notna().sum()


def test_handling_share_counts_recorded_fates(demo_study, demo_survey):
    found = season.handling_results(demo_study, demo_survey)
    fish = demo_survey.fish
    own = fish[(fish["species"] == "BNT") & (fish["season"] == 2025)]
    noted, dead = int((own["fate"] != "").sum()), int((own["fate"] == "dead").sum())
    result = found.one(species="brown_trout", season=2025, detail="died").estimate
    assert result.value == pytest.approx(100 * dead / noted)
    # Never narrower than the limits of Clopper and Pearson (1934), here from the beta distribution of scipy.
    assert result.upper >= 100 * stats.beta.ppf(0.975, dead + 1, noted - dead) - 1e-9
    assert result.lower <= 100 * stats.beta.ppf(0.025, dead, noted - dead + 1) + 1e-9


def test_unrecorded_fates_are_not_deaths(demo_study, demo_survey):
    import dataclasses

    silent = dataclasses.replace(demo_survey, fish=demo_survey.fish.assign(fate=""))
    assert not any(result.estimate.estimable for result in season.handling_results(demo_study, silent))


def test_faults_are_counted_by_code(demo_survey):
    table = season.counted_faults(demo_survey)
    assert table["count"].sum() == len(demo_survey.faults)
    assert list(table["severity"]) == sorted(table["severity"], key=["error", "doubt", "note"].index)
