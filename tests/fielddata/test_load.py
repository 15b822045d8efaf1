"""From a study to its survey: links, what is set aside, what is left out, and how errors are raised."""

from __future__ import annotations

import pickle

import numpy as np
import pytest

from fishreport.exceptions import DataError
from fishreport.fielddata import SurveyFaults, check_survey, load_survey
from fishreport.fielddata.schema import TABLES


def codes(study, severity="error"):
    faults = check_survey(study)
    return faults.loc[faults["severity"] == severity, "code"].tolist()


def test_a_small_survey(make_study):
    survey = load_survey(make_study())
    assert survey.seasons == [2025]
    assert survey.runs["effort_h"].tolist() == [600 / 3600, 620 / 3600]
    assert survey.fish["species_key"].tolist() == ["brown_trout", "smallmouth_bass", "brown_trout"]
    assert survey.fish["site"].tolist() == ["A", "A", "B"]
    assert np.isnan(survey.fish["weight_g"].tolist()[2])
    assert survey.fish["row"].tolist() == [2, 3, 4]
    assert survey.fish_of("brown_trout", season=2025)["length_mm"].tolist() == [300, 410]
    for name, schema in TABLES.items():
        assert set(schema.names) <= set(getattr(survey, name).columns)


def test_types_are_those_that_the_survey_promises(make_study):
    survey = load_survey(make_study())
    for name, schema in TABLES.items():
        frame = getattr(survey, name)
        assert frame["season"].dtype == np.int64 and frame["row"].dtype == np.int64
        for column in schema:
            dtype = frame[column.name].dtype
            match column.kind:
                case "text" | "time":
                    assert str(dtype) in ("str", "object"), (name, column.name)
                case "date":
                    assert str(dtype) == "datetime64[us]"
                case "yes_no":
                    assert dtype == np.bool_
                case "number" | "whole":
                    assert dtype in (np.float64, np.int64), (name, column.name)
    assert survey.fish["count"].dtype == np.int64


def test_fish_alike_are_spread_over_rows(make_study):
    survey = load_survey(make_study(fish="run_id,species,length_mm,count\nR1,BNT,300,3\nR1,BNT,,2\nR2,BNT,200,\n"))
    assert survey.fish["count"].tolist() == [1] * 6
    assert survey.fish["row"].tolist() == [2, 2, 2, 3, 3, 4]


def test_fish_find_their_run_by_site_day_and_pass(make_study):
    runs = "run_id,site,date,effort_s,pass_number\nR1,A,2025-10-01,600,1\nR2,A,2025-10-01,580,2\nR3,B,2025-10-01,600,\n"
    fish = "run_id,site,date,pass_number,species\n,A,2025-10-01,2,BNT\n,B,2025-10-01,,BNT\nR1,,,,BNT\n,B,2025-10-01,1,BNT\n"
    survey = load_survey(make_study(runs=runs, fish=fish))
    assert survey.fish["run_id"].tolist() == ["R1", "R2", "R3", "R3"]


@pytest.mark.parametrize(
    ("row", "code"),
    [
        ("R9,,,BNT", "orphan_run"),
        ("r1,,,BNT", "orphan_run"),
        (",C,2025-10-01,BNT", "fish_without_run"),
        (",A,2025-10-02,BNT", "fish_without_run"),
        (",B,2025-10-01,BNT", "ambiguous_run"),
        (",A,,BNT", "empty_cell"),
        ("R1,A,2025-10-03,BNT", "differs_from_run"),
        ("R1,B,2025-10-01,BNT", "differs_from_run"),
        ("R1,,2025-13-01,BNT", "impossible_date"),
        ("R1,A,2025-10-01,", "empty_cell"),
    ],
)
def test_a_fish_without_its_run_is_one_error(make_study, row, code):
    runs = "run_id,site,date,effort_s\nR1,A,2025-10-01,600\nR2,B,2025-10-01,600\nR3,B,2025-10-01,600\n"
    study = make_study(runs=runs, fish=f"run_id,site,date,species\nR1,A,2025-10-01,BNT\n{row}\n")
    faults = check_survey(study)
    errors = faults[faults["severity"] == "error"]
    assert errors["code"].tolist() == [code] and errors["row"].tolist() == [3]
    assert len(load_survey(study, strict=False).fish) == 1


def test_an_orphan_is_told_the_near_run(make_study):
    faults = check_survey(make_study(fish="run_id,species\nr1,BNT\n"))
    assert "perhaps R1" in faults["advice"][0]


def test_a_run_in_error_is_told_once_and_takes_its_fish_along(make_study):
    study = make_study(runs="run_id,site,date,effort_s\nR1,A,2025-10-01,-600\nR2,B,2025-10-01,620\n")
    assert codes(study) == ["out_of_bounds"]
    survey = load_survey(study, strict=False)
    assert survey.runs["run_id"].tolist() == ["R2"] and survey.fish["run_id"].tolist() == ["R2"]


def test_a_duplicate_run_is_cited_with_both_lines(make_study):
    study = make_study(runs="run_id,site,date,effort_s\nR1,A,2025-10-01,600\nR2,B,2025-10-01,620\nR1,C,2025-10-02,600\n")
    faults = check_survey(study)
    error = faults[faults["severity"] == "error"].iloc[0]
    assert (error["code"], error["row"], error["value"]) == ("duplicate_run", 4, "R1")
    assert "line 2" in error["message"]


def test_errors_raise_with_the_first_and_how_many_more(make_study):
    study = make_study(fish="run_id,species,length_mm\nR1,BNT,-3\nR9,BNT,300\nR1,,300\n")
    with pytest.raises(DataError, match=r"fish\.csv, row 2, column length_mm, value '-3': .*2 more errors") as caught:
        load_survey(study)
    error = caught.value
    assert isinstance(error, SurveyFaults) and len(error.faults) >= 3 and error.exit_code == 1
    again = pickle.loads(pickle.dumps(error))
    assert str(again) == str(error) and again.faults.equals(error.faults)


def test_rows_are_set_aside_by_line_and_by_text(make_study):
    fish = "run_id,species,length_mm,weight_g\nR1,BNT,x,280\nR1,SMB,250,230\nR2,BNT,-9,\nR2,BNT,300,290\n"
    extra = """
[[set_aside.fish]]
row = 2
reason = "length not readable"
[[set_aside.fish]]
where = { "Length mm" = "-9", species = "BNT" }
reason = "length mistyped"
"""
    survey = load_survey(make_study(extra, fish=fish))
    assert survey.fish["row"].tolist() == [3, 5]
    assert survey.set_aside[["table", "file", "row", "reason"]].to_numpy().tolist() == [
        ["fish", "fish.csv", 2, "length not readable"],
        ["fish", "fish.csv", 4, "length mistyped"],
    ]
    assert survey.set_aside["text"][0] == "run_id=R1, species=BNT, length_mm=x, weight_g=280"


@pytest.mark.parametrize(
    ("entry", "code", "words"),
    [
        ("row = 99", "set_aside_unmatched", "line 99"),
        ('where = { species = "XYZ" }', "set_aside_unmatched", "species=XYZ"),
        ('where = { colour = "red" }', "set_aside_unmatched", "no column 'colour'"),
        ('row = 2\nwhere = { species = "SMB" }', "set_aside_disagrees", "holds run_id=R1"),
    ],
)
def test_a_row_set_aside_in_vain_is_an_error(make_study, entry, code, words):
    study = make_study(f'[[set_aside.fish]]\n{entry}\nreason = "for a test"\n')
    faults = check_survey(study)
    errors = faults[faults["severity"] == "error"]
    assert errors["code"].tolist() == [code]
    assert words in errors["message"].iloc[0]
    assert errors["file"].iloc[0] == "study.toml"


def test_a_disagreeing_line_names_the_right_one(make_study):
    study = make_study('[[set_aside.fish]]\nrow = 2\nwhere = { species = "SMB" }\nreason = "for a test"\n')
    assert "line 3" in check_survey(study)["advice"][0]


def test_setting_aside_in_a_table_that_is_not_there_is_an_error(make_study):
    assert codes(make_study('[[set_aside.ages]]\nrow = 2\nreason = "for a test"\n')) == ["set_aside_unmatched"]


def test_a_run_set_aside_takes_its_fish_and_their_ages_along(make_study):
    study = make_study(
        '[[set_aside.runs]]\nwhere = { run_id = "R1" }\nreason = "generator failed"\n',
        fish="run_id,species,length_mm,age_sample\nR1,BNT,300,S1\nR2,BNT,310,S2\n",
        ages="age_sample,age_years\nS1,3\nS2,4\n",
    )
    survey = load_survey(study)
    assert survey.runs["run_id"].tolist() == ["R2"]
    assert survey.fish["run_id"].tolist() == ["R2"]
    assert survey.ages["age_sample"].tolist() == ["S2"]
    assert survey.set_aside["table"].tolist() == ["runs", "fish", "ages"]
    assert "its run R1 is set aside: generator failed" in survey.set_aside["reason"][1]
    assert "set_aside_with_run" in survey.faults["code"].tolist()


def test_errors_of_fish_that_follow_their_run_are_not_told(make_study):
    study = make_study(
        '[[set_aside.runs]]\nwhere = { run_id = "R1" }\nreason = "generator failed"\n',
        fish="run_id,species,length_mm\nR1,BNT,x\nR2,BNT,310\n",
    )
    survey = load_survey(study)
    assert survey.fish["row"].tolist() == [3] and survey.set_aside["row"].tolist() == [2, 2]


def test_one_of_two_runs_of_a_name_set_aside_leaves_the_fish_with_the_other(make_study):
    study = make_study(
        '[[set_aside.runs]]\nrow = 4\nreason = "entered twice"\n',
        runs="run_id,site,date,effort_s\nR1,A,2025-10-01,600\nR2,B,2025-10-01,620\nR1,C,2025-10-02,600\n",
    )
    assert load_survey(study).fish["site"].tolist() == ["A", "A", "B"]


def test_ages_take_species_length_and_place_from_their_fish(make_study):
    study = make_study(
        fish="run_id,species,length_mm,age_sample\nR1,BNT,300,S1\nR2,SMB,,S2\n",
        ages="age_sample,age_years,species,length_mm,date\nS1,3,,,\nS2,4,,215,\n,2,BNT,180,2025-10-02\n",
    )
    ages = load_survey(study).ages
    assert ages["species_key"].tolist() == ["brown_trout", "smallmouth_bass", "brown_trout"]
    assert ages["length_mm"].tolist() == [300, 215, 180]
    assert ages["run_id"].tolist() == ["R1", "R2", ""]
    assert ages["season"].tolist() == [2025, 2025, 2025]


@pytest.mark.parametrize(
    ("fish", "ages", "code"),
    [
        ("R1,BNT,S1", "S9,3", "sample_without_fish"),
        ("R1,BNT,S1", ",3", "unlinked_age"),
        ("R1,BNT,S1\nR1,BNT,S1", "S1,3", "sample_on_two_fish"),
        ("R1,BNT,S1", "S1,-1", "out_of_bounds"),
        ("R1,BNT,S1", "S1,2.5", "unreadable_number"),
    ],
)
def test_ages_in_error(make_study, fish, ages, code):
    study = make_study(fish=f"run_id,species,age_sample\n{fish}\n", ages=f"age_sample,age_years\n{ages}\n")
    assert codes(study) == [code]
    load_survey(study, strict=False)


def test_months_and_later_seasons_are_left_out_with_a_note(make_study):
    runs = "run_id,site,date,effort_s\nR1,A,2025-10-01,600\nR2,A,2025-04-01,600\nR3,A,2026-10-01,600\n"
    study = make_study(
        study='[water]\nname = "x"\n[season]\nyear = 2025\nmonths = [10]\n[species.BNT]\nname = "brown trout"\n',
        runs=runs,
        fish="run_id,species\nR1,BNT\nR2,BNT\nR3,BNT\n",
    )
    survey = load_survey(study)
    assert survey.runs["run_id"].tolist() == ["R1"] and survey.fish["run_id"].tolist() == ["R1"]
    assert {"outside_months", "later_season"} <= set(survey.faults["code"])


def test_a_season_without_runs_names_the_seasons_that_there_are(make_study):
    study = make_study(runs="run_id,site,date,effort_s\nR1,A,2023-10-01,600\nR2,A,2024-10-01,600\n")
    faults = check_survey(study)
    assert faults["code"][0] == "season_without_runs" and "2023, 2024" in faults["message"][0]


def test_an_earlier_season_of_the_same_data_is_reported_without_the_later(make_study):
    from fishreport.study import read_study

    runs = "run_id,site,date,effort_s\nR1,A,2015-10-01,600\nR2,A,2025-10-01,600\n"
    study = make_study(runs=runs)
    earlier = read_study(study.folder, season=2015)
    assert earlier.written_year == 2025
    assert load_survey(earlier).seasons == [2015]


def test_other_tables_have_their_season_and_species(make_study):
    study = make_study(
        census="event,species,caught,marked,recaptured,date\n1,BNT,80,78,0,2025-09-01\n2,BNT,70,60,5,\n",
        stocking="date,species,number,mean_length_mm\n2024-05-01,SMB,500,120\n",
        flow="date,discharge_m3_s\n2024-05-01,12.5\n",
        harvest="year,species,kept,caught\n2024,BNT,10,50\n",
    )
    survey = load_survey(study)
    assert survey.census["season"].tolist() == [2025, 2025] and survey.census["caught"].dtype == np.int64
    assert survey.stocking["species_key"].tolist() == ["smallmouth_bass"]
    assert survey.flow["season"].tolist() == [2024] and survey.harvest["season"].tolist() == [2024]


@pytest.mark.parametrize(
    ("table", "content", "code"),
    [
        ("census", "event,species,caught,marked,recaptured\n1,BNT,10,8,5\n", "contradiction"),
        ("census", "event,species,caught,marked,recaptured,size_class\n1,BNT,10,8,1,huge\n", "unknown_size_class"),
        ("harvest", "year,species,caught,kept\n2025,BNT,5,10\n", "contradiction"),
        ("harvest", "year,species\n2025,BNT\n2025,BNT\n", "duplicate_row"),
        ("flow", "date,discharge_m3_s\n2025-01-01,5\n2025-01-01,6\n", "duplicate_row"),
        (
            "ages",
            "age_sample,age_years,species,length_mm,date,radius_mm,increments_mm\n,2,BNT,200,2025-10-01,1,0.6 0.7\n",
            "rings_beyond_radius",
        ),
        ("stocking", "date,species,number\n2025-05-01,BNT,\n", "empty_cell"),
    ],
)
def test_errors_of_the_other_tables(make_study, table, content, code):
    assert codes(make_study(**{table: content})) == [code]


def test_a_table_in_the_folder_that_the_study_does_not_name_is_noted(make_study, tmp_path):
    study = make_study()
    (tmp_path / "ages.csv").write_text("age_sample,age_years\n", encoding="utf-8")
    assert "table_not_named" in codes(study, "note")


def test_missing_files_are_errors(make_study, tmp_path):
    study = make_study()
    (tmp_path / "fish.csv").unlink()
    assert codes(study) == ["missing_file"]
    assert load_survey(study, strict=False).fish.empty
    (tmp_path / "runs.csv").unlink()
    with pytest.raises(SurveyFaults, match="not there"):
        load_survey(study, strict=False)


def test_order_is_stable(make_study):
    runs = "run_id,site,date,start_time,effort_s\nR3,A,2025-10-02,,600\nR2,B,2025-10-01,21:00,620\nR1,C,2025-10-01,20:00,600\n"
    survey = load_survey(make_study(runs=runs))
    assert survey.runs["run_id"].tolist() == ["R1", "R2", "R3"]
    assert survey.fish["run_id"].tolist() == ["R1", "R1", "R2"]
