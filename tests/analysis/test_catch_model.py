"""The standardised catch rate of the demo against MASS in R, and against what is known of a survey that was tampered with."""

from __future__ import annotations

import dataclasses
import math
import subprocess
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from fishreport.analysis import catch, catch_model
from fishreport.analysis.classes import run_catches, study_classes
from fishreport.methods.catch_model import fit_catch_model

SCRIPT = Path(__file__).parents[1] / "reference" / "standardised_index.R"
LENGTHS = {"Upper": 4.2, "Middle": 5.6, "Lower": 4.4}


@pytest.fixture(scope="module")
def classes(demo_study):
    return study_classes(demo_study)


@pytest.fixture(scope="module")
def brown(demo_study, demo_survey, classes):
    return catch_model.standardised(demo_study, demo_survey, classes[0], "stock", np.random.default_rng(4))


def _only(survey, keep):
    runs = survey.runs[keep(survey.runs)]
    return dataclasses.replace(survey, runs=runs, fish=survey.fish[survey.fish["run_id"].isin(runs["run_id"])])


@pytest.mark.r
def test_model_and_index_of_the_demo_agree_with_mass(brown, demo_survey, classes, tmp_path):
    """glm.nb of MASS (Venables & Ripley 2002) on the same catches: coefficients and theta to 1e-5, and the index."""
    runs = run_catches(demo_survey, classes[0])
    runs.rename(columns={"stock": "catch"})[["season", "site", "catch", "effort_h"]].to_csv(tmp_path / "runs.csv", index=False)
    place = runs.drop_duplicates("site")[["site", "reach"]]
    place["weight"] = place["reach"].map(LENGTHS) / place.groupby("reach")["reach"].transform("size")
    place.to_csv(tmp_path / "sites.csv", index=False)
    text = subprocess.run(
        ["Rscript", "--vanilla", str(SCRIPT), str(tmp_path / "runs.csv"), str(tmp_path / "sites.csv")],
        capture_output=True, text=True, check=True,
    ).stdout  # fmt: skip
    theirs = {name: float(value) for name, value in (line.split() for line in text.splitlines())}
    ours = {"(Intercept)": brown.model.coefficients["Intercept"].value}
    for name, e in brown.model.coefficients.items():
        if "[" in name:
            ours[name.replace("[", "").rstrip("]")] = e.value
    assert set(ours) == {name for name in theirs if name.startswith(("(", "season", "site"))}
    for name, value in ours.items():
        assert value == pytest.approx(theirs[name], abs=1e-5), name
    assert brown.model.theta == pytest.approx(theirs["theta"], rel=1e-5)
    assert brown.model.log_likelihood == pytest.approx(theirs["loglik"], rel=1e-8)
    for season, e in brown.index.items():
        assert e.value == pytest.approx(theirs[f"index{season}"], rel=1e-5)


def test_a_full_season_at_the_same_sites_is_near_the_plain_mean(brown, demo_study, demo_survey, classes):
    plain = catch.catch_rates(demo_study, demo_survey, classes)
    for season, e in brown.index.items():
        other = plain.one(species="brown_trout", size_class="stock", season=season).estimate.value
        assert e.value == pytest.approx(other, rel=0.06), season
        assert e.lower < e.value < e.upper
    assert brown.missed == {2019: ("S11", "S12")}


def test_leaving_out_the_richest_sites_moves_the_plain_mean_as_foretold_and_the_index_little(
    brown, demo_study, demo_survey, classes
):
    effect = {name[5:-1]: e.value for name, e in brown.model.coefficients.items() if name.startswith("site[")}
    rich = sorted(effect, key=lambda site: effect[site])[-3:]
    thinned = _only(demo_survey, lambda runs: ~((runs["season"] == 2022) & runs["site"].isin(rich)))
    plain = {
        name: catch.catch_rates(demo_study, survey, classes)
        .one(species="brown_trout", size_class="stock", season=2022)
        .estimate.value
        for name, survey in (("whole", demo_survey), ("thinned", thinned))
    }
    moved = 100 * (plain["thinned"] / plain["whole"] - 1)
    again = catch_model.standardised(demo_study, thinned, classes[0], "stock", np.random.default_rng(4))
    assert again.missed[2022] == tuple(sorted(rich))
    assert moved < -5
    assert again.shift[2022] == pytest.approx(moved, abs=6)
    assert abs(again.index[2022].value / brown.index[2022].value - 1) < abs(moved) / 100


def test_runs_at_a_site_fished_in_one_season_only_are_left_out_and_said(demo_study, demo_survey, classes, brown):
    def keep(runs):
        return (runs["site"] != "S05") | (runs["season"] == 2020)

    one = catch_model.standardised(demo_study, _only(demo_survey, keep), classes[0], "stock", np.random.default_rng(1))
    assert one.notes == ("2 runs at sites fished in one season only left out",)
    assert "site[S05]" not in one.model.coefficients
    assert len(one.index) == len(brown.index)


def test_a_single_season_has_an_index_without_sites(demo_study, demo_survey, classes):
    now = _only(demo_survey, lambda runs: runs["season"] == 2025)
    one = catch_model.standardised(demo_study, now, classes[0], "stock", np.random.default_rng(1))
    assert one.place == "" and list(one.index) == [2025] and one.index[2025].estimable
    runs = run_catches(now, classes[0])
    simple = fit_catch_model(runs, catch="stock", terms="season", cluster=["site", "season"])
    assert one.index[2025].value == pytest.approx(math.exp(simple.coefficients["Intercept"].value))


def test_a_species_never_caught_has_zeros_with_upper_limits_only(demo_study, demo_survey, classes):
    none = dataclasses.replace(demo_survey, fish=demo_survey.fish.iloc[:0])
    one = catch_model.standardised(demo_study, none, classes[2], "stock", np.random.default_rng(1))
    assert not one.model.estimable and one.residuals.size == 0 and one.strained == ()
    hours = run_catches(demo_survey, classes[2]).groupby("season")["effort_h"].sum()
    for season, e in one.index.items():
        # Nothing in so many hours has probability 0.05 at −ln(0.05)/hours fish an hour, when catches are Poisson.
        assert (e.value, e.lower) == (0.0, 0.0)
        assert e.upper == pytest.approx(-math.log(0.05) / hours[season])


def test_checks_name_what_fails(brown):
    assert brown.strained == ()
    zeros = dataclasses.replace(brown, model=dataclasses.replace(brown.model, zeros_z=2.5))
    assert zeros.strained == ("more runs without a fish than it expects",)
    scatter = dataclasses.replace(brown, model=dataclasses.replace(brown.model, pearson_dispersion=2.0))
    assert scatter.strained == ("catches scatter more than it allows for",)
    skewed = dataclasses.replace(brown, residuals=brown.residuals + 1.0)
    assert skewed.strained == ("its residuals are not normal",)


def test_results_carry_the_season_and_the_runs(brown):
    results = list(catch_model.index_results([brown]))
    assert [r.id for r in results][:1] == ["standardised_catch_rate/brown_trout/stock/2016"]
    assert all(r.estimate.units == "fish/h" and r.estimate.n == brown.model.n for r in results)


def test_unequal_reaches_weigh_by_their_length(demo_survey, classes):
    runs = run_catches(demo_survey, classes[0])
    mix, weight = catch_model._mix(runs, "site", LENGTHS)
    by_reach = pd.Series(weight).groupby(mix["reach"].to_numpy()).sum()
    assert by_reach.to_dict() == pytest.approx(LENGTHS)
    _, equal = catch_model._mix(runs, "site", {})
    assert (equal == 1).all()
