"""The simulated fieldwork: catches by abundance and catchability, tables in the schema, the same survey from the same seed."""

from __future__ import annotations

import math
import time
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from fishreport.exceptions import InputError
from fishreport.fielddata.schema import TABLES, frame_schema
from fishreport.simulate import SimulatedSurvey, demo_spec, light_spec, simulate_survey
from fishreport.simulate.fieldwork import choose_for_ageing, read_age, vulnerability


@pytest.fixture(scope="module")
def demo() -> SimulatedSurvey:
    return simulate_survey(demo_spec(), rng=np.random.default_rng(7))


def test_every_table_has_the_columns_and_bounds_of_the_schema(demo: SimulatedSurvey) -> None:
    for name, schema in TABLES.items():
        frame = getattr(demo, name)
        assert list(frame.columns) == schema.names, name
        assert len(frame), name
        frame_schema(name).validate(frame)
        for column in schema:
            if column.required:
                assert frame[column.name].notna().all() and (frame[column.name].astype(str) != "").all(), (name, column.name)
            if column.unique:
                assert frame[column.name].is_unique
    assert set(demo.fish["run_id"]) <= set(demo.runs["run_id"])
    assert set(demo.ages["age_sample"]) == set(demo.fish["age_sample"]) - {""}


def test_the_same_seed_gives_the_same_survey_and_numpys_global_state_is_left_alone() -> None:
    before = np.random.get_state()[1].tobytes()
    one = simulate_survey(demo_spec(seasons=2), rng=np.random.default_rng(3))
    two = simulate_survey(demo_spec(seasons=2), rng=np.random.default_rng(3))
    other = simulate_survey(demo_spec(seasons=2), rng=np.random.default_rng(4))
    assert np.random.get_state()[1].tobytes() == before
    for name in TABLES:
        pd.testing.assert_frame_equal(getattr(one, name), getattr(two, name))
    assert len(one.fish) != len(other.fish) or not one.fish.equals(other.fish)


def test_catch_is_abundance_times_catchability() -> None:
    # Over 60 surveys the mean catch rate meets what abundance, reach of the boat and capture probability give.
    ratios = []
    for seed in range(60):
        survey = simulate_survey(light_spec(fish=600), rng=np.random.default_rng(seed))
        hours = survey.runs["effort_s"].sum() / 3600
        expected = survey.truth.expected_catch_rate("brown_trout", 2016)
        ratios.append(survey.fish["count"].sum() / hours / expected)
    assert abs(np.mean(ratios) - 1) < 4 * np.std(ratios, ddof=1) / math.sqrt(60) + 0.01
    assert np.mean(ratios) == pytest.approx(1, abs=0.06)


def test_expected_rate_of_the_sites_is_that_of_the_water_on_average() -> None:
    ratios = []
    for seed in range(80):
        truth = simulate_survey(light_spec(fish=400), rng=np.random.default_rng(seed)).truth
        at_sites = truth.expected_catch_rate("BNT", 2016, minimum_length_mm=230)
        # The sites are 4/5 of the water here, so that the two can differ little.
        ratios.append(at_sites / truth.expected_catch_rate("BNT", 2016, minimum_length_mm=230, at_sites=False))
    assert np.mean(ratios) == pytest.approx(1, abs=0.03)


def test_larger_release_and_smaller_fish_lower_the_catch() -> None:
    species = demo_spec().species[0]
    lengths = np.array([80.0, 150.0, 250.0, 300.0, 400.0, 550.0])
    relative = vulnerability(species, lengths)
    assert (np.diff(relative[:3]) > 0).all() and (np.diff(relative[3:]) < 0).all()
    assert relative[1] == pytest.approx(0.5)
    truth = simulate_survey(demo_spec(seasons=6), rng=np.random.default_rng(1)).truth
    years = truth.years[truth.years["species_key"] == "brown_trout"].set_index("season")
    low, high = years["discharge_m3_s"].idxmin(), years["discharge_m3_s"].idxmax()
    assert truth.capture_probability("BNT", low, 300.0) > truth.capture_probability("BNT", high, 300.0)


def test_runs_are_overdispersed_by_the_gamma_shape() -> None:
    def variance_ratio(shape: float) -> float:
        found = []
        for seed in range(25):
            spec = light_spec(fish=500, site_sd=0.0, run_shape=shape)
            survey = simulate_survey(spec, rng=np.random.default_rng(seed))
            catch = survey.fish["run_id"].value_counts().reindex(survey.runs["run_id"], fill_value=0)
            found.append(catch.var() / catch.mean())
        return float(np.mean(found))

    assert variance_ratio(math.inf) == pytest.approx(1, abs=0.25)
    assert variance_ratio(3.0) > 2


def test_fish_taken_in_a_pass_are_gone_in_the_next() -> None:
    spec = replace(light_spec(fish=6000, site_sd=0.0, run_shape=math.inf), removal={0: tuple(range(12))})
    survey = simulate_survey(spec, rng=np.random.default_rng(2))
    by_pass = survey.fish.merge(survey.runs[["run_id", "pass_number"]].rename(columns={"pass_number": "number"}), on="run_id")
    catches = by_pass[by_pass["length_mm"] >= 220].groupby("number").size()
    probability = float(survey.truth.capture_probability("BNT", 2016, 300.0))
    first = survey.truth.number("BNT", 2016, minimum_length_mm=220) * 0.8
    for number in (1, 2, 3):
        expected = first * probability * (1 - probability) ** (number - 1)
        assert catches[number] == pytest.approx(expected, rel=0.06)


def test_weights_scatter_about_the_true_regression() -> None:
    survey = simulate_survey(light_spec(fish=6000), rng=np.random.default_rng(5))
    fish = survey.fish[(survey.fish["length_mm"] > 150) & survey.fish["weight_g"].notna()]
    slope, intercept = np.polyfit(np.log10(fish["length_mm"]), np.log10(fish["weight_g"]), 1)
    assert slope == pytest.approx(2.98, abs=0.03)
    assert intercept == pytest.approx(-4.933, abs=0.08)


def test_recaptured_fish_were_tagged_before_and_grew(demo: SimulatedSurvey) -> None:
    tagged = demo.fish[demo.fish["tag"] != ""].merge(demo.runs[["run_id", "date"]], on="run_id", suffixes=("", "_run"))
    histories = tagged.sort_values("date_run").groupby("tag")
    assert histories["species"].nunique().eq(1).all()
    assert histories["recaptured"].first().eq("no").all()
    again = tagged[tagged["recaptured"] == "yes"]
    assert len(again) > 30
    grown = histories["length_mm"].agg(lambda lengths: np.diff(lengths).min() if len(lengths) > 1 else 0.0)
    assert grown.min() > -8 and grown.max() > 20
    assert (tagged.groupby(["tag", tagged["date_run"].dt.year]).size() == 1).all()


def test_a_missed_season_a_short_run_and_a_fast_pulse_are_where_the_design_says(demo: SimulatedSurvey) -> None:
    sites = demo.runs.groupby(demo.runs["date"].dt.year)["site"].nunique()
    assert sites[2019] == 10 and sites.drop(2019).eq(12).all()
    assert demo.runs["pulse_hz"].eq(60).sum() == 1
    assert demo.runs["effort_s"].lt(400).sum() == 1
    assert demo.runs["pass_number"].max() == 3
    night = demo.runs.groupby("date")["start_time"].agg(list)
    for times in night:
        minutes = [int(text[:2]) * 60 + int(text[3:]) for text in times]
        assert minutes == sorted(minutes) and minutes[0] >= 19 * 60 and minutes[-1] < 24 * 60


def test_a_census_holds_the_true_number_within_its_chance(demo: SimulatedSurvey) -> None:
    census = demo.census.merge(demo.truth.census.assign(species=demo.truth.census["species_key"].map(
        {species.key: species.code for species in demo.truth.spec.species})), on=["year", "species", "size_class"])  # fmt: skip
    assert (census["marked"] <= census["caught"]).all() and (census["recaptured"] <= census["caught"]).all()
    two = census[census["year"] == 2018].pivot_table(index=["species", "size_class", "number"], columns="event",
                                                      values=["caught", "marked", "recaptured"])  # fmt: skip
    marked, caught, again = two["marked", "1"].sum(), two["caught", "2"].sum(), two["recaptured", "2"].sum()
    expected = (two["marked", "1"] * two["caught", "2"] / two.index.get_level_values("number")).sum()
    assert marked > 100 and caught > 100
    assert abs(again - expected) < 4 * math.sqrt(expected)


def test_rings_tell_the_length_at_each_age() -> None:
    # Fraser-Lee by hand with the intercept that the scales were grown with (28 mm): length at a ring from its radius.
    survey = simulate_survey(light_spec(fish=3000, aged_per_bin=20), rng=np.random.default_rng(6))
    ages = survey.ages.merge(survey.fish[["age_sample", "length_mm"]].rename(columns={"length_mm": "length"}), on="age_sample")
    at_two = []
    for row in ages[ages["age_years"] == 4].itertuples():
        zones = np.array(row.increments_mm.split(), dtype=float)
        assert len(zones) == 4 and zones.sum() < row.radius_mm
        at_two.append(28 + (row.length - 28) * zones[:2].sum() / row.radius_mm)
    expected = 520 * (1 - math.exp(-0.38 * (1.5 + 0.55)))
    assert len(at_two) > 15
    assert np.mean(at_two) == pytest.approx(expected, rel=0.05)


def test_readers_miss_old_fish_more_often_and_the_subsample_fills_bins(rng: np.random.Generator) -> None:
    young, old = np.full(4000, 1), np.full(4000, 8)
    assert np.mean(read_age(young, 0.08, rng) != 1) < np.mean(read_age(old, 0.08, rng) != 8)
    np.testing.assert_array_equal(read_age(old, 0.0, rng), old)
    lengths = rng.uniform(100, 500, 400)
    allowed = lengths < 450
    chosen = choose_for_ageing(lengths, allowed, bin_mm=50.0, per_bin=3, rng=rng)
    assert np.bincount(np.floor(lengths[chosen] / 50).astype(int), minlength=10).tolist() == [0, 0, 3, 3, 3, 3, 3, 3, 3, 0]


def test_the_light_form_is_quick_and_gives_about_the_catch_that_was_asked_for() -> None:
    spec = light_spec(fish=8000)
    simulate_survey(spec, rng=np.random.default_rng(0))
    started = time.perf_counter()
    survey = simulate_survey(spec, rng=np.random.default_rng(1))
    assert time.perf_counter() - started < 1.0
    assert 5600 < len(survey.fish) < 10_400
    assert survey.census.empty and survey.flow.empty and survey.harvest.empty


def test_catch_has_a_row_for_every_fish_with_the_run_that_took_it(demo: SimulatedSurvey) -> None:
    catch = demo.catch()
    assert len(catch) == demo.fish["count"].sum() > len(demo.fish)
    assert catch[["season", "site", "effort_s", "species_key"]].notna().all().all()
    assert (catch["run_id"].str[:4].astype(int) == catch["season"]).all()
    brown = demo.catch("brown_trout")
    assert set(brown["species"]) == {"BNT"} and len(brown) == (catch["species_key"] == "brown_trout").sum()


def test_truth_answers_for_size_classes(demo: SimulatedSurvey) -> None:
    truth = demo.truth
    lengths = truth.snapshot("BNT", 2025).length_mm
    assert truth.number("brown_trout", 2025, minimum_length_mm=230) == (lengths >= 230).sum()
    assert truth.density_per_km("BNT", 2025) == pytest.approx(len(lengths) / 14.2)
    share = truth.proportional_size("BNT", 2025, stock_mm=150, bound_mm=230)
    assert share == pytest.approx(100 * (lengths >= 230).sum() / (lengths >= 150).sum())
    assert truth.length_frequency()["number"].sum() == truth.abundance()["number"].sum()
    with pytest.raises(InputError, match="season must be one of 2016 to 2025; got 1999"):
        truth.snapshot("BNT", 1999)
    with pytest.raises(InputError, match="species must be one of brown_trout, rainbow_trout, smallmouth_bass; got 'pike'"):
        truth.number("pike", 2025)


@pytest.mark.parametrize(
    ("change", "text"),
    [
        ({"seasons": 0}, "seasons must be 1 or more; got 0"),
        ({"species": ()}, r"species must be one or more species; got \(\)"),
        ({"accessible": 1.5}, "accessible must be a share above 0 and at most 1; got 1.5"),
        ({"site_length_km": 5.0}, "sites times site_length_km must be less than the water's 14.2 km; got 12"),
    ],
)
def test_impossible_designs_are_refused(change: dict[str, object], text: str) -> None:
    with pytest.raises(InputError, match=text):
        replace(demo_spec(), **change)
