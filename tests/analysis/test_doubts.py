"""Estimates with and without rows in doubt, on a demo in which a known slip is not set aside, against means by hand."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from fishreport.analysis import sizes
from fishreport.analysis.classes import study_classes
from fishreport.analysis.condition import condition
from fishreport.analysis.doubts import doubtful_fish, moved_by_doubts
from fishreport.analysis.result import Result
from fishreport.exhibits.doubts import doubts_table
from fishreport.fielddata import load_survey
from fishreport.methods.estimate import Estimate

TRANSPOSED, SWAPPED = 5920, 5743  # lines of demo_inputs/fish.csv: 861 g at 247 mm (427 mm in truth), 245 g at 144 mm


@pytest.fixture(scope="module")
def study(demo_study):
    aside = demo_study.set_aside.model_copy(update={"fish": [one for one in demo_study.set_aside.fish if one.row != TRANSPOSED]})
    found = demo_study.model_copy(update={"set_aside": aside})
    found._folder = demo_study.folder
    return found


@pytest.fixture(scope="module")
def survey(study):
    return load_survey(study)


@pytest.fixture(scope="module")
def moved(study, survey):
    classes = study_classes(study)
    results = condition(study, survey, classes).results
    return moved_by_doubts(results, lambda other: condition(study, other, classes).results, survey, classes)


def test_the_rows_in_doubt_are_those_of_the_checks(survey):
    assert set(survey.fish.loc[doubtful_fish(survey), "row"]) == {748, 1858, 2192, 4105, SWAPPED, TRANSPOSED}


def test_a_fish_of_five_times_its_weight_moves_the_mean_of_its_season(moved, survey):
    # Milewski and Brown 1994, brown trout in running water, coefficients from memory.
    fish = survey.fish
    own = fish[(fish["species"] == "BNT") & (fish["season"] == 2023) & (fish["length_mm"] >= 150) & fish["weight_g"].notna()]
    relative = 100 * own["weight_g"] / 10 ** (-4.867 + 2.960 * np.log10(own["length_mm"]))
    assert relative[own["row"] == TRANSPOSED].item() == pytest.approx(524, abs=1)
    found = {one.result.id: one for one in moved}["relative_weight/brown_trout/stock/2023"]
    assert found.result.estimate.value == pytest.approx(relative.mean(), rel=1e-9)
    assert found.without.value == pytest.approx(relative[own["row"] != TRANSPOSED].mean(), rel=1e-9)
    assert found.lines == (TRANSPOSED,)
    assert {one.result.season for one in moved} == {2023}
    assert {line for one in moved for line in one.lines} == {TRANSPOSED, SWAPPED}


def test_set_aside_by_name_it_is_gone(demo_study, demo_survey):
    classes = study_classes(demo_study)
    results = condition(demo_study, demo_survey, classes).results
    found = moved_by_doubts(results, lambda other: condition(demo_study, other, classes).results, demo_survey, classes)
    assert {line for one in found for line in one.lines} == {SWAPPED}
    assert not [one for one in found if one.result.size_class == "stock"]
    assert results.one(quantity="relative_weight", species="brown_trout", size_class="stock", season=2023).estimate.upper < 93.5


def test_what_matters_little_is_not_told(study, survey):
    classes = study_classes(study)
    results = sizes.size_structure(study, survey, classes)
    assert moved_by_doubts(results, lambda other: sizes.size_structure(study, other, classes), survey, classes) == ()


def test_without_a_doubt_nothing_is_worked_out_again(survey):
    sure = dataclasses.replace(survey, faults=survey.faults.iloc[:0])
    assert moved_by_doubts([], lambda _: pytest.fail("worked out again"), sure, []) == ()


@pytest.mark.parametrize(
    ("value", "half", "told"), [(91.9, 2.0, False), (91.7, 2.0, True), (92.0, 2.4, False), (92.0, 2.6, True), (92.0, 1.5, True)]
)
def test_thresholds(survey, value, half, told):
    """Told from a quarter of a standard error, or an interval a quarter wider or narrower."""
    before = Estimate(value, half / 2, value - half, value + half, 0.95, "", "", 9)
    after = Estimate(92.0, 1.0, 90.0, 94.0, 0.95, "", "", 9)
    place = ("relative_weight", 2023, "brown_trout", "all")
    one, other = (Result(place[0], e, *place[1:]) for e in (before, after))
    assert bool(moved_by_doubts([one], lambda _: [other], survey, [])) is told


def test_the_table_shows_both_and_the_lines(moved, demo_context):
    table = doubts_table("condition-doubts", moved, demo_context)
    (row,) = [row for row in table.rows if "stock length" in row[0] and "relative weight" in row[0]]
    assert row[1:] == ("2023", "93.5 (90.4 to 96.6)", "92.0 (91.0 to 93.0)", str(TRANSPOSED))
    assert len(table.rows) == len(table.data)
    assert doubts_table("condition-doubts", (), demo_context) is None


def test_a_class_of_all_lengths_is_named_and_fish_of_stock_length_are_told_apart(survey, demo_context):
    """A small fish in doubt moves the mean of all lengths, and leaves that of stock fish, which figures and trends go by, alone."""
    classes = list(demo_context.classes)
    key = classes[0].species.key

    def result(value, size_class):
        return Result("relative_weight", Estimate(value, 1.0, value - 2, value + 2, 0.95, "", "", 9), 2023, key, size_class)

    given, without = [result(94.3, "all"), result(92.0, "stock")], [result(92.0, "all"), result(92.0, "stock")]
    (one,) = moved_by_doubts(given, lambda _: without, survey, classes)
    table = doubts_table("condition-doubts", [one], demo_context)
    assert table.rows[0][0].endswith(", all lengths")
    (note,) = table.notes
    assert "stock length" in note and "is not moved so far in 2023: 92.0 (90.0 to 94.0) with those rows and without." in note
    both = moved_by_doubts(given, lambda _: [without[0], result(93.0, "stock")], survey, classes)
    assert [len(doubts_table("condition-doubts", part, demo_context).notes) for part in (both, both[:1])] == [0, 1]
