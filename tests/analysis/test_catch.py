"""Catch rates of the demo against sums taken straight from its files."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest

from fishreport.analysis import catch
from fishreport.analysis.classes import LATER_RUNS, run_catches, study_classes
from fishreport.methods.catch_rate import mean_catch_rate
from fishreport.study import read_study


@pytest.fixture(scope="module")
def rates(demo_study, demo_survey):
    return catch.catch_rates(demo_study, demo_survey, study_classes(demo_study))


@pytest.fixture(scope="module")
def raw(repository, demo_study):
    """The files as typed, less the rows set aside, read by pandas alone."""
    tables = {}
    for name in ("runs", "fish"):
        table = pd.read_csv(repository / "demo_inputs" / f"{name}.csv", dtype=str, keep_default_na=False)
        aside = {item.row for item in getattr(demo_study.set_aside, name)}
        table.index += 2
        tables[name] = table[~table.index.isin(aside)]
    return tables


def test_stratified_rate_is_the_weighted_mean_of_reach_rates(rates, raw):
    runs, fish = raw["runs"], raw["fish"]
    runs = runs[runs["date"].str.startswith("2025-10") & runs["pass_number"].isin(["", "1"])]
    length = pd.to_numeric(fish["length_mm"], errors="coerce")
    count = pd.to_numeric(fish["count"].replace("", "1"))
    trout = fish[(fish["species"] == "BNT") & (length >= 230)].assign(count=count)
    caught = trout.groupby("run_id")["count"].sum().reindex(runs["run_id"], fill_value=0).to_numpy()
    hours = pd.to_numeric(runs["effort_s"]).to_numpy() / 3600
    by_hand = sum(
        share * caught[at].sum() / hours[at].sum()
        for reach, share in (("Upper", 4.2 / 14.2), ("Middle", 5.6 / 14.2), ("Lower", 4.4 / 14.2))
        for at in [(runs["reach"] == reach).to_numpy()]
    )
    found = rates.one(species="brown_trout", size_class="quality", season=2025)
    assert found.estimate.value == pytest.approx(by_hand, rel=1e-12)
    assert found.estimate.n == len(runs) == 24
    assert found.estimate.lower < by_hand < found.estimate.upper


def test_rates_by_sites_are_those_of_runs_put_together(demo_study, demo_survey, rates):
    """The runs of a site as one run of their summed catch and effort, the variance of each reach by hand."""
    own = study_classes(demo_study)[0]
    found = catch.rates_by_sites(demo_study, demo_survey, [own]).one(species="brown_trout", size_class="stock", season=2025)
    runs = run_catches(demo_survey, own)
    sites = runs[runs["season"] == 2025].groupby(["reach", "site"])[["stock", "effort_h"]].sum()
    variance = 0.0
    for reach, share in (("Upper", 4.2 / 14.2), ("Middle", 5.6 / 14.2), ("Lower", 4.4 / 14.2)):
        y, x = sites.loc[reach]["stock"].to_numpy(float), sites.loc[reach]["effort_h"].to_numpy(float)
        variance += share**2 * 4 / 3 * ((y - y.sum() / x.sum() * x) ** 2).sum() / x.sum() ** 2
    by_runs = rates.one(species="brown_trout", size_class="stock", season=2025).estimate
    assert found.estimate.value == pytest.approx(by_runs.value)
    assert found.estimate.se == pytest.approx(np.sqrt(variance))
    assert found.estimate.n == 12 and found.estimate.se > by_runs.se
    once = dataclasses.replace(demo_survey, runs=demo_survey.runs.drop_duplicates(["season", "site"]))
    assert not list(catch.rates_by_sites(demo_study, once, [own]))  # a run a site: no other intervals


def test_runs_of_later_passes_are_told_to_be_left_out_where_there_are_some(rates, raw):
    later = raw["runs"][~raw["runs"]["pass_number"].isin(["", "1"])]
    seasons = set(later["date"].str[:4].astype(int))
    assert seasons == {2018, 2021, 2025}
    for result in rates:
        assert (LATER_RUNS in result.estimate.notes) is (result.season in seasons)


def test_every_class_is_part_of_the_one_below_it(rates):
    for season in range(2016, 2026):
        values = [
            rates.one(species="brown_trout", size_class=name, season=season).estimate.value
            for name in ("all", "stock", "quality", "preferred", "memorable", "trophy")
        ]
        assert values == sorted(values, reverse=True)


def test_a_reach_without_runs_is_said_and_not_stratified(demo_study, demo_survey):
    keep = demo_survey.runs[~((demo_survey.runs["season"] == 2025) & (demo_survey.runs["reach"] == "Upper"))]
    fish = demo_survey.fish[demo_survey.fish["run_id"].isin(keep["run_id"])]
    thinned = dataclasses.replace(demo_survey, runs=keep, fish=fish)
    found = catch.catch_rates(demo_study, thinned, study_classes(demo_study)).one(
        species="brown_trout", size_class="stock", season=2025
    )
    assert "not stratified: no run in reach Upper" in found.estimate.notes


def test_later_passes_of_a_removal_section_do_not_count(demo_study, demo_survey):
    catches = run_catches(demo_survey, study_classes(demo_study)[0])
    passes = demo_survey.runs.set_index("run_id")["pass_number"]
    assert (passes > 1).any()
    assert not (passes.reindex(catches["run_id"]) > 1).any()


def test_fish_without_a_length_are_counted_where_the_rate_counts_them(rates, raw):
    runs, fish = raw["runs"], raw["fish"]
    first = runs[runs["date"].str.startswith("2025-10") & runs["pass_number"].isin(["", "1"])]["run_id"]
    bare = fish[(fish["species"] == "BNT") & (fish["length_mm"] == "") & fish["run_id"].isin(first)]
    number = pd.to_numeric(bare["count"].replace("", "1")).sum()
    found = rates.one(species="brown_trout", size_class="stock", season=2025).estimate
    assert f"{number} brown trout were not measured and are in no length class" in found.notes


def test_site_rate_is_the_ratio_of_sums_of_its_runs(demo_study, demo_survey):
    classes = study_classes(demo_study)
    found = catch.site_catch_rates(demo_study, demo_survey, classes).one(
        species="rainbow_trout", size_class="stock", season=2024, site="S04"
    )
    catches = run_catches(demo_survey, classes[1])
    own = catches[(catches["season"] == 2024) & (catches["site"] == "S04")]
    expected = mean_catch_rate(own["stock"].to_numpy(float), own["effort_h"].to_numpy())
    np.testing.assert_allclose(found.estimate.value, expected.value)
    assert found.id == "catch_rate/rainbow_trout/stock/S04/2024"


def test_a_range_asked_for_by_an_objective_is_a_class(repository):
    objective = [{"quantity": "catch_rate", "species": "BNT", "size_class": "330-508 mm", "at_least": 5}]
    study = read_study(repository / "demo_inputs", overrides={"objectives": objective})
    classes = study_classes(study)
    assert classes[0].bounds_mm["330-508 mm"] == (330.0, 508.0)
    assert "330-508 mm" not in classes[1].bounds_mm
    assert classes[0].holds(np.array([329.9, 330.0, 507.9, 508.0, np.nan]), "330-508 mm").tolist() == [
        False,
        True,
        True,
        False,
        False,
    ]


def test_sites_are_listed_downstream(demo_survey):
    assert catch.site_order(demo_survey) == [f"S{i:02d}" for i in range(1, 13)]
