"""Size structure of the demo against counts taken straight from its checked fish."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from fishreport.analysis import catch, sizes
from fishreport.analysis.classes import study_classes


@pytest.fixture(scope="module")
def found(demo_study, demo_survey):
    return sizes.size_structure(demo_study, demo_survey, study_classes(demo_study))


@pytest.mark.parametrize(
    ("season", "category", "bound"), [(2025, "quality", 230), (2016, "preferred", 300), (2020, "trophy", 460)]
)
def test_share_is_a_ratio_of_counts(found, demo_survey, season, category, bound):
    fish = demo_survey.fish[~(demo_survey.fish["pass_number"] > 1)]
    length = fish.loc[(fish["species"] == "BNT") & (fish["season"] == season), "length_mm"]
    by_hand = 100 * (length >= bound).sum() / (length >= 150).sum()  # stock length of brown trout in running water
    result = found.one(quantity="proportional_size", species="brown_trout", size_class=category, season=season)
    assert result.estimate.value == pytest.approx(by_hand, rel=1e-12)
    assert result.estimate.units == "percent"


def test_only_first_passes_make_a_season_as_for_catch_rates(found, demo_study, demo_survey):
    rates = catch.catch_rates(demo_study, demo_survey, study_classes(demo_study))
    taken_later = demo_survey.fish[(demo_survey.fish["species"] == "BNT") & (demo_survey.fish["pass_number"] > 1)]
    for season in demo_survey.seasons:
        place = {"species": "brown_trout", "size_class": "stock", "season": season}
        mean = found.one(quantity="mean_length", **place).estimate
        assert mean.n <= rates.one(**place).estimate.n <= 24
        noted = "fish of second and later passes are left out" in mean.notes
        assert noted is bool((taken_later["season"] == season).any())
    assert set(taken_later["season"]) == {2018, 2021, 2025}


def test_class_shares_add_up(demo_study, demo_survey):
    shares = sizes.class_shares(demo_study, demo_survey, study_classes(demo_study))
    for species in ("brown_trout", "rainbow_trout", "smallmouth_bass"):
        assert sum(r.estimate.value for r in shares.where(species=species)) == pytest.approx(100)


def test_frequencies_count_every_measured_fish_of_a_first_pass(demo_study, demo_survey):
    own = study_classes(demo_study)[0]
    table = sizes.frequencies(demo_study, demo_survey, own, [2024, 2025])
    fish = demo_survey.fish
    measured = fish[(fish["species"] == "BNT") & fish["length_mm"].notna() & ~(fish["pass_number"] > 1)]
    for season in (2024, 2025):
        assert table.loc[table["season"] == season, "count"].sum() == (measured["season"] == season).sum()


def test_comparison_names_the_season_before(demo_study, demo_survey, rng):
    before, test = sizes.compared_with_before(demo_study, demo_survey, study_classes(demo_study)[0], rng)
    assert before == 2024
    assert 0 < test.p_value <= 1
    assert 0 < test.distance < 1
    assert np.isfinite(test.at_mm)


def test_later_passes_change_nothing(demo_study, demo_survey):
    fish = demo_survey.fish
    longer = fish["length_mm"].where(~(fish["pass_number"] > 1), fish["length_mm"] + 200)
    changed = dataclasses.replace(demo_survey, fish=fish.assign(length_mm=longer))
    classes = study_classes(demo_study)
    for run in (sizes.size_structure, sizes.class_shares):
        before, after = run(demo_study, demo_survey, classes), run(demo_study, changed, classes)
        assert [r.estimate.value for r in before] == [r.estimate.value for r in after]
    before, after = (
        sizes.compared_with_before(demo_study, one, classes[0], np.random.default_rng(1)) for one in (demo_survey, changed)
    )
    assert before[1].distance == after[1].distance


def test_a_first_season_has_nothing_to_be_compared_with(demo_study, demo_survey, rng):
    only = {name: getattr(demo_survey, name) for name in ("runs", "fish")}
    only = {name: table[table["season"] == 2025] for name, table in only.items()}
    assert (
        sizes.compared_with_before(demo_study, dataclasses.replace(demo_survey, **only), study_classes(demo_study)[0], rng)
        is None
    )
