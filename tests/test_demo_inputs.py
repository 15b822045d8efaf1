"""The demo study is reproducible from its seed, loads without error, and its author says nothing that its data deny."""

from __future__ import annotations

import json
from collections import Counter
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from fishreport.analysis.catch_model import index_results, standardised_indices
from fishreport.analysis.classes import study_classes
from fishreport.analysis.precision import next_season
from fishreport.analysis.trend import index_trends
from fishreport.fielddata import check_survey, load_survey
from fishreport.fielddata.survey import Survey
from fishreport.simulate import simulate_study
from fishreport.study import Study, read_study

GENERATED = (
    "runs.csv",
    "fish.csv",
    "ages.csv",
    "census.csv",
    "stocking.csv",
    "flow.csv",
    "harvest.csv",
    "study.toml",
    "truth.json",
)


@pytest.fixture(scope="module")
def folder(repository: Path) -> Path:
    return repository / "demo_inputs"


@pytest.fixture(scope="module")
def study(folder: Path) -> Study:
    return read_study(folder)


@pytest.fixture(scope="module")
def survey(study: Study) -> Survey:
    return load_survey(study)


def test_the_seed_gives_the_committed_files_byte_for_byte(folder: Path, tmp_path: Path) -> None:
    simulate_study(tmp_path / "again")
    for name in GENERATED:
        assert (tmp_path / "again" / name).read_bytes() == (folder / name).read_bytes(), name


def test_the_files_are_small_enough_to_read(folder: Path) -> None:
    assert (folder / "fish.csv").stat().st_size < 600_000
    assert (folder / "flow.csv").stat().st_size < 80_000
    # A build keeps its cache in a hidden folder and its report beside the study; neither is part of the demo.
    files = [folder / name for name in GENERATED] + list((folder / "narrative").glob("*.md"))
    assert sum(file.stat().st_size for file in files) < 1_000_000
    assert 5_000 <= len(pd.read_csv(folder / "fish.csv", dtype=str)) <= 8_000


def test_no_error_is_left_to_stop_a_build(study: Study) -> None:
    faults = check_survey(study)
    assert faults[faults["severity"] == "error"].empty, faults.to_string()


CODES = {
    "digit lost": {"weight_digit_lost"},
    "centimetres": {"length_in_centimetres"},
    "inches": {"length_in_inches"},
    "swapped with weight": {"length_weight_swapped"},
    "digits transposed": {"digits_transposed"},
    "digit too many": {"length_digit_added", "length_over_maximum"},
    "code unknown": {"unknown_species"},
    "run unknown": {"orphan_run"},
    "not a number": {"unreadable_number"},
    "recapture shrank": {"recapture_shrank"},
    "tag of two species": {"tag_two_species"},
    "sample unknown": {"sample_without_fish"},
    "name not unique": {"duplicate_run"},
    "date impossible": {"impossible_date"},
    "negative": {"out_of_bounds"},
}


def test_every_planted_error_is_found_for_what_it_is_when_nothing_is_set_aside(study: Study, folder: Path) -> None:
    planted = json.loads((folder / "truth.json").read_text(encoding="utf-8"))["entry_errors"]
    assert 12 <= len(planted) <= 20
    bare = study.model_copy(update={"set_aside": type(study.set_aside)()})
    bare._folder = study.folder
    faults = check_survey(bare)
    for slip in planted:
        there = faults[(faults["table"] == slip["table"]) & (faults["row"] == slip["row"])]
        found = there[there["code"].isin(CODES[slip["kind"]])]
        assert len(found), f"not found: {slip}; told there: {there['code'].tolist()}"
        assert set(found["severity"]) == {slip["severity"]}
    errors = faults[faults["severity"] == "error"]
    assert len(errors) == sum(slip["severity"] == "error" for slip in planted), errors.to_string()


def test_the_rows_set_aside_are_the_ones_planted(study: Study, folder: Path) -> None:
    planted = json.loads((folder / "truth.json").read_text(encoding="utf-8"))["entry_errors"]
    expected = {(slip["table"], slip["row"]) for slip in planted if slip["set_aside"]}
    given = {(table, item.row) for table in ("runs", "fish", "ages", "flow") for item in getattr(study.set_aside, table)}
    assert given == expected
    assert {slip["table"] for slip in planted if slip["severity"] == "error"} == {"runs", "fish", "ages", "flow"}


def test_the_survey_is_what_the_readme_of_a_tailwater_would_call_usual(survey: Survey) -> None:
    assert survey.seasons == list(range(2016, 2026))
    first_pass = survey.runs[~(survey.runs["pass_number"] > 1)]
    per_season = first_pass.groupby("season")["site"].nunique()
    assert per_season.drop(2019).eq(12).all() and per_season[2019] == 10
    assert first_pass.groupby(["season", "site"]).size().eq(2).all()
    again = survey.fish[survey.fish["recaptured"].astype(str).str.lower().isin(["yes", "true"])]
    assert 4 <= again.groupby("season").size().mean() <= 9
    assert Counter(survey.runs["pulse_hz"])[60.0] == 1


def _stratified_rate(survey: Survey, species: str, minimum: float) -> pd.Series:
    """Catch per hour, reaches weighted by length; worked out here apart from the library."""
    runs = survey.runs[~(survey.runs["pass_number"] > 1)]
    fish = survey.fish[survey.fish["run_id"].isin(runs["run_id"])]
    fish = fish[(fish["species_key"] == species) & (fish["length_mm"] >= minimum)]
    weights = pd.Series({"Upper": 4.2, "Middle": 5.6, "Lower": 4.4}) / 14.2
    rate = fish.groupby(["season", "reach"]).size() / (runs.groupby(["season", "reach"])["effort_s"].sum() / 3600)
    return rate.unstack().fillna(0).mul(weights, axis=1).sum(axis=1)


def test_what_the_author_says_of_numbers_is_true_of_the_data(survey: Survey, folder: Path) -> None:
    brown, rainbow = _stratified_rate(survey, "brown_trout", 230), _stratified_rate(survey, "rainbow_trout", 250)
    assert brown[[2023, 2024, 2025]].mean() > brown[[2016, 2017, 2018]].mean()
    assert rainbow[[2022, 2023, 2024, 2025]].mean() < rainbow[[2016, 2017, 2018, 2019, 2020]].mean() / 2
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))["species"]["BNT"]["number_by_length_20_mm"]
    quality = {year: sum(n for low, n in sizes.items() if int(low) >= 240) for year, sizes in truth.items()}
    assert quality["2025"] > quality["2016"]
    trophies = survey.fish[(survey.fish["species_key"] == "brown_trout") & (survey.fish["length_mm"] >= 460)]
    assert set(trophies["season"]) == set(survey.seasons)
    stock = survey.fish[(survey.fish["species_key"] == "brown_trout") & (survey.fish["length_mm"] >= 150)]
    assert 0.4 < (stock["length_mm"] >= 300).mean() < 0.6
    bass = survey.fish[survey.fish["species_key"] == "smallmouth_bass"].groupby("season").size()
    assert bass.max() < 70


def test_what_the_author_says_of_trends_and_of_next_season_follows_from_the_estimates(study: Study, survey: Survey) -> None:
    classes, rng = study_classes(study), np.random.default_rng(1)
    results = index_results(standardised_indices(study, survey, classes, rng))
    trends = {t.series.species: t for t in index_trends(results, classes, 2025) if t.series.size_class == "stock"}
    brown, rainbow, bass = (trends[key] for key in ("brown_trout", "rainbow_trout", "smallmouth_bass"))
    # "More of them were caught than when the series began, though ten seasons do not show a steady rise."
    assert brown.result.estimate.lower < 0 < brown.result.estimate.upper
    assert brown.smooth is not None and brown.smooth.change.lower > 0
    # "Rainbow trout came down"; "Smallmouth bass stay few".
    assert rainbow.result.estimate.upper < 0
    assert bass.series.value.max() < rainbow.series.value.min() / 3
    # "two runs at each of twelve sites, or three runs at each of eight": the former is the more precise for every species.
    plan = next_season(study, survey, classes, rng)
    assert (plan.runs, plan.sites) == (24, 12)
    for one in plan.species:
        frame = plan.sharing[one.species, 0.0].frame.set_index("runs_per_site")
        assert frame.loc[[2, 3], "sites"].tolist() == [12, 8]
        assert frame.loc[2, "relative_error"] < frame.loc[3, "relative_error"]


def test_what_the_author_says_of_condition_is_true_of_the_data(survey: Survey) -> None:
    # Standards as published: Milewski & Brown 1994 (brown trout, lotic), Simpkins & Hubert 1996 (rainbow trout, lotic);
    # both from memory.
    for species, intercept, slope, stock in (("brown_trout", -4.867, 2.960, 150), ("rainbow_trout", -5.023, 3.024, 250)):
        fish = survey.fish[(survey.fish["species_key"] == species) & (survey.fish["length_mm"] >= stock)]
        relative = 100 * fish["weight_g"] / 10 ** (intercept + slope * np.log10(fish["length_mm"]))
        mean = relative[relative.between(50, 150)].groupby(fish["season"]).mean()
        assert mean.min() > 85 and mean.max() < 105
        if species == "brown_trout":
            assert set(mean.nsmallest(2).index) == {2024, 2025} and mean[2025] < 95
            assert mean[[2023, 2024, 2025]].mean() < mean[[2016, 2017, 2018]].mean()
        else:
            assert mean[[2022, 2023, 2024, 2025]].mean() >= mean[[2016, 2017, 2018, 2019, 2020]].mean()


def test_what_the_author_says_of_the_water_is_true_of_the_data(survey: Survey) -> None:
    release = survey.flow.groupby(pd.to_datetime(survey.flow["date"]).dt.year)["discharge_m3_s"].mean()
    assert release.idxmax() == 2025
    night = survey.runs.groupby("season")["discharge_m3_s"].mean().sort_values()
    assert night.index[0] == 2021 and list(night.index[-2:]) == [2025, 2019]
    assert survey.runs.groupby("season")["visibility_m"].mean()[2025] < survey.runs["visibility_m"].median()
    removal = survey.runs[survey.runs["pass_number"] == 3]
    assert set(removal["site"]) == {"S03", "S06", "S10"} and set(removal["season"]) == {2018, 2021, 2025}
    assert set(survey.census["season"]) == {2018, 2025}
    missed = set(survey.runs["site"]) - set(survey.runs.loc[survey.runs["season"] == 2019, "site"])
    assert missed == {"S11", "S12"}
    stocked = survey.stocking.groupby(pd.to_datetime(survey.stocking["date"]).dt.year)["number"].sum()
    assert stocked[2020] == 3600 and stocked[2021] == 1200
    assert survey.runs.loc[survey.runs["pulse_hz"] == 60, "season"].tolist() == [2020]
    runs = survey.runs[~(survey.runs["pass_number"] > 1)]
    hours = runs.groupby("reach")["effort_s"].sum() / 3600
    fish = survey.fish[survey.fish["run_id"].isin(runs["run_id"])]
    rate = fish.groupby(["species_key", "reach"]).size().unstack().div(hours, axis=1)
    assert (
        rate.loc["brown_trout"].idxmin() == rate.loc["rainbow_trout"].idxmin() == rate.loc["smallmouth_bass"].idxmax() == "Lower"
    )


def test_the_narrative_has_a_page_for_each_chapter_but_methods(study: Study) -> None:
    pages = {file.stem: file.read_text(encoding="utf-8") for file in (study.folder / study.report.narrative).glob("*.md")}
    assert set(pages) == {"summary", "recommendations", "brief", *study.report.chapters} - {"methods"}
    text = "\n".join(pages.values())
    assert "$" in text and "|---" in text and "\n- " in text and "\n2. " in text
    assert "http" not in text and "](" not in text
