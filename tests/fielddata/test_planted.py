"""The demo's entry errors are known: each is found where it stands, and little else is doubted."""

from __future__ import annotations

import json
import re

import pytest

from fishreport.fielddata import check_survey, load_survey
from fishreport.resources import locate
from fishreport.study import read_study

KINDS = {
    "name not unique": "duplicate_run",
    "date impossible": "impossible_date",
    "negative": "out_of_bounds",
    "tag of two species": "tag_two_species",
    "code unknown": "unknown_species",
    "centimetres": "length_in_centimetres",
    "inches": "length_in_inches",
    "not a number": "unreadable_number",
    "run unknown": "orphan_run",
    "recapture shrank": "recapture_shrank",
    "digit too many": "length_digit_added",
    "digit lost": "weight_digit_lost",
    "swapped with weight": "length_weight_swapped",
    "digits transposed": "digits_transposed",
    "sample unknown": "sample_without_fish",
}


@pytest.fixture(scope="module")
def planted():
    truth = json.loads((locate("demo_inputs") / "truth.json").read_text(encoding="utf-8"))
    assert len(truth["entry_errors"]) >= 15
    return truth["entry_errors"]


def test_the_demo_loads_with_its_errors_set_aside(planted):
    survey = load_survey(read_study(locate("demo_inputs")))
    set_aside = set(zip(survey.set_aside["table"], survey.set_aside["row"], strict=True))
    for error in planted:
        place = (error["table"], error["row"])
        assert (place in set_aside) == error["set_aside"], error
    assert len(survey.fish) > 5000 and len(survey.seasons) == 10


def test_every_planted_error_is_found_and_named(planted, tmp_path):
    """The same study with nothing set aside."""
    demo = locate("demo_inputs")
    text = (demo / "study.toml").read_text(encoding="utf-8")
    bare = re.sub(r"(?ms)^\[\[set_aside\..*?(?=^\[(?!\[set_aside)|\Z)", "", text)
    assert "[[set_aside" not in bare
    (tmp_path / "study.toml").write_text(bare, encoding="utf-8")
    (tmp_path / "narrative").mkdir()
    for file in demo.glob("*.csv"):
        (tmp_path / file.name).write_bytes(file.read_bytes())
    faults = check_survey(read_study(tmp_path))
    told = {(fault.table, fault.row): (fault.code, fault.column) for fault in faults.itertuples() if fault.severity != "note"}
    for error in planted:
        code, column = told.pop((error["table"], error["row"]))
        assert code == KINDS[error["kind"]], error
        assert column == error["column"] or code == "tag_two_species", error
    rest = {code for code, _ in told.values()}
    assert not rest & {"unreadable_number", "orphan_run", "impossible_date", "out_of_bounds"}
    assert len(told) <= 8, told  # true rarities: a short run, a high pulse rate, two fish alike
