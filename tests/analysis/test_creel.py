"""Creel surveys by year against the demo's table read with pandas alone; tables with gaps, doubles and no errors."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pandas as pd
import pytest

from fishreport.analysis.creel import SEVERAL_EFFORTS, creel
from fishreport.methods.trend import log_linear

KEYS = ["brown_trout", "rainbow_trout", "smallmouth_bass"]


@pytest.fixture(scope="module")
def surveyed(demo_study, demo_survey):
    return creel(demo_study, demo_survey, KEYS)


@pytest.fixture(scope="module")
def table(repository):
    return pd.read_csv(repository / "demo_inputs" / "harvest.csv")


def test_values_are_those_of_the_table(surveyed, table):
    assert surveyed.years == tuple(range(2016, 2026))
    for row in table.to_dict("records"):
        species = {"BNT": "brown_trout", "RBT": "rainbow_trout", "SMB": "smallmouth_bass"}[row["species"]]
        place = {"season": row["year"], "species": species}
        assert surveyed.results.one(quantity="fish_kept", **place).estimate.value == row["kept"]
        rate = surveyed.results.one(quantity="angler_catch_rate", **place).estimate
        assert rate.value == pytest.approx(row["caught"] / row["effort_h"])
        effort = surveyed.results.one(quantity="angling_effort", season=row["year"], species=None).estimate
        assert (effort.value, effort.se) == (row["effort_h"], pytest.approx(row["se_effort_h"]))


def test_ids_are_unique(surveyed):
    ids = [r.id for r in surveyed.results]
    assert len(set(ids)) == len(ids)
    assert {"angling_effort/2025", "trend_per_year/angling_effort", "fish_kept/brown_trout/all/2025"} <= set(ids)


def test_the_trend_of_effort_is_a_weighted_log_linear_line(surveyed, table):
    """Years resemble their neighbours here, so that the line allows for it; the slope lies near that of numpy's plain line."""
    own = table[table["species"] == "BNT"]
    direct = log_linear(own["year"], own["effort_h"], se=own["se_effort_h"], correlation="ar1").trend_per_year
    got = surveyed.results.one(quantity="trend_per_year", detail="angling_effort").estimate
    assert (got.value, got.lower, got.upper) == pytest.approx((direct.value, direct.lower, direct.upper))
    plain = np.polyfit(own["year"], np.log(own["effort_h"]), 1)[0]
    assert got.value == pytest.approx(100 * math.expm1(plain), abs=0.5)


def test_p_is_adjusted_for_the_number_of_trends(surveyed):
    """Seven trends; by Benjamini and Hochberg the smallest p is multiplied by 7 at most, and order is kept."""
    assert len(surveyed.adjusted_p) == 7
    assert all(0 <= p <= 1 for p in surveyed.adjusted_p.values())
    fell = surveyed.adjusted_p["trend_per_year/rainbow_trout/all/angler_catch_rate"]
    assert fell == min(surveyed.adjusted_p.values()) < 0.01


def _with(survey, harvest):
    return dataclasses.replace(survey, harvest=harvest)


def test_without_a_table_there_is_nothing(demo_study, demo_survey):
    empty = creel(demo_study, _with(demo_survey, demo_survey.harvest.iloc[:0]), KEYS)
    assert empty.years == ()
    assert len(empty.results) == 0


def test_later_years_doubles_gaps_and_missing_errors(demo_study, demo_survey):
    harvest = demo_survey.harvest[demo_survey.harvest["species_key"] == "brown_trout"].copy()
    last = harvest.iloc[[-1]]
    harvest = pd.concat([harvest.iloc[:-1], last.assign(kept=7.0), last.assign(kept=8.0), last.assign(year=2026.0)])
    harvest.loc[harvest["year"] == 2020, ["kept", "se_effort_h"]] = math.nan
    found = creel(demo_study, _with(demo_survey, harvest), KEYS)
    assert found.years[-1] == 2025
    place = {"quantity": "fish_kept", "species": "brown_trout"}
    assert found.results.one(**place, season=2025).estimate.value == 8.0  # the later row stands
    assert not found.results.one(**place, season=2020).estimate.estimable
    assert math.isnan(found.results.one(quantity="angling_effort", season=2020).estimate.lower)
    assert not len(found.results.where(species="rainbow_trout"))


def test_efforts_that_differ_by_species_are_told(demo_study, demo_survey):
    harvest = demo_survey.harvest.copy()
    at = (harvest["year"] == 2025) & (harvest["species_key"] == "rainbow_trout")
    harvest.loc[at, "effort_h"] = 12_000.0
    found = creel(demo_study, _with(demo_survey, harvest), KEYS)
    effort = found.results.one(quantity="angling_effort", season=2025).estimate
    assert effort.value == 30_200
    assert SEVERAL_EFFORTS in effort.notes
    assert SEVERAL_EFFORTS not in found.results.one(quantity="angling_effort", season=2024).estimate.notes


def test_one_year_has_no_trend(demo_study, demo_survey):
    found = creel(demo_study, _with(demo_survey, demo_survey.harvest[demo_survey.harvest["year"] == 2025]), KEYS)
    assert not len(found.results.where(quantity="trend_per_year"))
