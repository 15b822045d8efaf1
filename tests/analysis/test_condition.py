"""Condition of the demo: the lines against R's lm, relative weight against the published equation."""

from __future__ import annotations

import dataclasses
import json
import subprocess

import numpy as np
import pytest

from fishreport.analysis.classes import run_clusters, study_classes
from fishreport.analysis.condition import condition

R_LINE = """
fish <- read.csv(commandArgs(TRUE)[1])
fit <- lm(log10(weight_g) ~ log10(length_mm), data = fish)
s <- summary(fit)
cat(sprintf('[%.15g, %.15g, %.15g, %.15g]', coef(fit)[1], coef(fit)[2], s$sigma, rstudent(fit)[1]))
"""


@pytest.fixture(scope="module")
def weighed(demo_study, demo_survey):
    return condition(demo_study, demo_survey, study_classes(demo_study))


@pytest.mark.r
@pytest.mark.parametrize("species", ["brown_trout", "rainbow_trout"])
def test_line_of_the_demo_is_that_of_r(weighed, species, tmp_path):
    own = weighed.species[species]
    table = tmp_path / "fish.csv"
    own.fish[["length_mm", "weight_g"]].to_csv(table, index=False)
    script = tmp_path / "line.R"
    script.write_text(R_LINE, encoding="utf-8")
    done = subprocess.run(["Rscript", str(script), str(table)], capture_output=True, text=True, check=True)
    intercept, slope, sigma, studentised = json.loads(done.stdout)
    assert own.fit.intercept.value == pytest.approx(intercept, rel=1e-8)
    assert own.fit.slope.value == pytest.approx(slope, rel=1e-8)
    assert own.fit.residual_se == pytest.approx(sigma, rel=1e-8)
    assert own.fish["studentised"].iloc[0] == pytest.approx(studentised, rel=1e-8)


def test_relative_weight_is_held_against_the_published_line(weighed, demo_survey):
    # Milewski and Brown 1994, brown trout in running water, coefficients from memory.
    fish = demo_survey.fish
    own = fish[(fish["species"] == "BNT") & (fish["season"] == 2025) & (fish["length_mm"] >= 150) & fish["weight_g"].notna()]
    own = own[~(own["pass_number"] > 1)]
    standard = 10 ** (-4.867 + 2.960 * np.log10(own["length_mm"]))
    by_hand = float((100 * own["weight_g"] / standard).mean())
    result = weighed.results.one(quantity="relative_weight", species="brown_trout", size_class="stock", season=2025)
    assert result.estimate.value == pytest.approx(by_hand, rel=1e-12)


def test_passes_over_one_water_on_a_night_are_one_cluster(weighed, demo_survey):
    own = weighed.species["brown_trout"].fish
    passes = own[own["run_id"].str.fullmatch(r"2025-S(03|06|10)-[AB][23]?")]
    assert passes["run_id"].nunique() > 6
    assert (passes["cluster"] == passes["run_id"].str[:10]).all()
    others = own[~own.index.isin(passes.index)]
    assert (others["cluster"] == others["run_id"]).all()
    result = weighed.results.one(quantity="relative_weight_slope", species="brown_trout", season=2025)
    assert result.estimate.n == own["cluster"].nunique() <= 24


def test_passes_with_unequal_runs_are_one_cluster_together(demo_survey):
    runs = demo_survey.runs
    fewer = dataclasses.replace(demo_survey, runs=runs[runs["run_id"] != "2025-S03-B2"])
    found = run_clusters(fewer)
    assert set(found[found.index.str.startswith("2025-S03")]) == {"2025-S03-A"}
    assert found["2025-S06-B3"] == "2025-S06-B"


def test_the_line_uses_all_passes_and_the_means_the_first_alone(weighed, demo_study, demo_survey):
    fish = demo_survey.fish
    heavier = fish["weight_g"].where(~(fish["pass_number"] > 1), 1.5 * fish["weight_g"])
    changed = condition(
        demo_study, dataclasses.replace(demo_survey, fish=fish.assign(weight_g=heavier)), study_classes(demo_study)
    )
    place = {"species": "brown_trout", "season": 2025}
    for quantity, same in (("relative_weight", True), ("condition_factor", True), ("length_weight_intercept", False)):
        before, after = (
            [r.estimate.value for r in found.results.where(quantity=quantity, **place) if r.estimate.estimable]
            for found in (weighed, changed)
        )
        assert len(before) and (before == after) is same


def test_every_season_and_species_has_its_results(weighed, demo_survey):
    for species in ("brown_trout", "rainbow_trout", "smallmouth_bass"):
        for season in demo_survey.seasons:
            for quantity in ("length_weight_slope", "length_weight_intercept", "condition_factor", "relative_weight_slope"):
                assert weighed.results.one(quantity=quantity, species=species, season=season) is not None


def test_short_fish_are_left_out(weighed, demo_study):
    assert weighed.species["brown_trout"].fish["length_mm"].min() >= demo_study.species["BNT"].minimum_length_mm


def test_too_few_weighed_fish_are_said(demo_study, demo_survey):
    fish = demo_survey.fish
    own = fish[(fish["species"] == "BNT") & (fish["season"] == 2025) & fish["weight_g"].notna() & (fish["length_mm"] > 200)]
    few = dataclasses.replace(demo_survey, fish=own.groupby("run_id").head(1).head(7))
    found = condition(demo_study, few, study_classes(demo_study))
    slope = found.results.one(quantity="length_weight_slope", species="brown_trout", season=2025)
    assert not slope.estimate.estimable
    assert slope.estimate.notes == ("not estimable: 7 weighed fish, 10 needed",)


def test_no_weights_at_all_is_an_answer(demo_study, demo_survey):
    bare = dataclasses.replace(demo_survey, fish=demo_survey.fish.assign(weight_g=np.nan))
    found = condition(demo_study, bare, study_classes(demo_study))
    assert not any(result.estimate.estimable for result in found.results)
    assert all(result.estimate.notes for result in found.results)
