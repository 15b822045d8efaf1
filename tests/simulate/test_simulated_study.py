"""A simulated study on disk: clean CSV, a study file that reads, slips that are what they say, nothing written over."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from fishreport.exceptions import InputError, StudyError
from fishreport.fielddata import load_survey
from fishreport.simulate import light_spec, plant_errors, simulate_study, simulate_survey, write_study
from fishreport.simulate.writing import as_text, csv_text
from fishreport.study import read_study


def _files(folder: Path) -> dict[str, bytes]:
    return {file.relative_to(folder).as_posix(): file.read_bytes() for file in folder.rglob("*") if file.is_file()}


def test_the_same_seed_writes_the_same_bytes_and_another_seed_others(tmp_path: Path) -> None:
    for name, seed in (("a", 5), ("b", 5), ("c", 6)):
        simulate_study(tmp_path / name, seed=seed, seasons=2, sites=6)
    assert _files(tmp_path / "a") == _files(tmp_path / "b")
    assert _files(tmp_path / "a") != _files(tmp_path / "c")
    for content in _files(tmp_path / "a").values():
        assert b"\r" not in content and content.endswith(b"\n")
        content.decode("utf-8")


def test_nothing_is_written_over(tmp_path: Path) -> None:
    (tmp_path / "runs.csv").write_text("mine", encoding="utf-8")
    with pytest.raises(StudyError, match=r"nothing is written over; move away runs\.csv"):
        simulate_study(tmp_path, seed=1, seasons=1, sites=3)
    assert list(_files(tmp_path)) == ["runs.csv"]


@pytest.mark.parametrize(("seasons", "sites"), [(1, 3), (1, 12), (4, 5), (10, 20)])
def test_a_study_of_any_size_loads_without_error(tmp_path: Path, seasons: int, sites: int) -> None:
    simulate_study(tmp_path, seed=11, seasons=seasons, sites=sites)
    study = read_study(tmp_path)
    survey = load_survey(study)
    assert survey.seasons == list(range(2016, 2016 + seasons))
    assert survey.runs["site"].nunique() == sites
    assert study.season.year == 2015 + seasons


def test_a_clean_study_holds_the_survey_unchanged(tmp_path: Path) -> None:
    made = simulate_survey(light_spec(seasons=2, fish=300), rng=np.random.default_rng(8))
    assert write_study(tmp_path, made) == []
    survey = load_survey(read_study(tmp_path))
    assert len(survey.set_aside) == 0
    assert len(survey.fish) == made.fish["count"].sum()
    np.testing.assert_array_equal(np.sort(survey.fish["length_mm"].dropna()), np.sort(made.fish["length_mm"].dropna()))
    assert survey.runs["effort_s"].sum() == made.runs["effort_s"].sum()
    truth = json.loads((tmp_path / "truth.json").read_text(encoding="utf-8"))
    numbers = truth["species"]["BNT"]["number_by_age"]["2017"]
    assert sum(numbers.values()) == made.truth.number("BNT", 2017)
    assert truth["species"]["BNT"]["rates"]["growth_coefficient"] == 0.38
    assert truth["entry_errors"] == []


def test_slips_stand_where_they_say_and_touch_nothing_else() -> None:
    from fishreport.simulate import demo_spec

    clean = as_text(simulate_survey(demo_spec(), rng=np.random.default_rng(9)))
    slipped, planted = plant_errors(clean, rng=np.random.default_rng(10))
    assert len(planted) >= 15
    assert {slip.severity for slip in planted} == {"error", "doubt"}
    for slip in planted:
        row = slipped[slip.table].iloc[slip.row - 2]
        assert row[slip.column] == slip.written
        assert all(row[name] == text for name, text in slip.where.items())
        assert slip.written != slip.true
        assert slip.severity != "error" or slip.reason
    for name in clean:
        added = sum(slip.table == name and slip.true == "" for slip in planted)
        assert len(slipped[name]) == len(clean[name]) + added
    fish = slipped["fish"]
    changed = (fish != clean["fish"]).any(axis=1)
    assert set(np.flatnonzero(changed) + 2) == {slip.row for slip in planted if slip.table == "fish"}


def test_text_with_commas_and_quotes_survives_a_general_reader(tmp_path: Path) -> None:
    frame = pd.DataFrame({"a": ['say "so", then', "plain"], "b": ["line\nbreak", ""]})
    file = tmp_path / "t.csv"
    file.write_text(csv_text(frame), encoding="utf-8", newline="\n")
    with file.open(encoding="utf-8", newline="") as stream:
        rows = list(csv.reader(stream))
    assert rows == [["a", "b"], ['say "so", then', "line\nbreak"], ["plain", ""]]


@pytest.mark.parametrize(
    ("options", "error", "text"),
    [
        ({"seed": -1}, StudyError, "seed must be 0 or a positive whole number; got -1"),
        ({"seasons": 0}, InputError, "seasons must be 1 to 40; got 0"),
        ({"sites": 2}, InputError, "sites must be 3 to 36; got 2"),
    ],
)
def test_impossible_options_are_refused_before_anything_is_written(
    tmp_path: Path, options: dict[str, int], error: type[Exception], text: str
) -> None:
    with pytest.raises(error, match=text):
        simulate_study(tmp_path / "study", **options)
    assert not (tmp_path / "study").exists()
