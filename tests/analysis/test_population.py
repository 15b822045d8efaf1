"""Population size: the demo against its truth, and small censuses and removals worked out by hand."""

from __future__ import annotations

import dataclasses
import json

import numpy as np
import pandas as pd
import pytest

from fishreport.analysis import population
from fishreport.analysis.classes import study_classes
from fishreport.methods.abundance import petersen


@pytest.fixture(scope="module")
def found(demo_study, demo_survey):
    return population.population(demo_study, demo_survey, study_classes(demo_study))


def _census(rows, like):
    frame = pd.DataFrame(rows, columns=["event", "size_class", "caught", "marked", "recaptured"])
    frame = frame.assign(
        species="BNT", species_key="brown_trout", season=2025, date=pd.Timestamp("2025-10-20"), row=range(len(rows))
    )
    return frame.reindex(columns=like.columns).astype({"event": "str", "size_class": "str"})


def _with(study, survey, rows):
    return population.population(study, dataclasses.replace(survey, census=_census(rows, survey.census)), study_classes(study))


def _main(found, season=2025, size_class="stock"):
    return found.results.one(
        quantity="population_size", species="brown_trout", season=season, size_class=size_class, site=None, detail=None
    ).estimate


def test_the_census_of_the_demo_holds_the_truth(found, repository):
    true = pd.DataFrame(json.loads((repository / "demo_inputs" / "truth.json").read_text())["census"])
    total = true.groupby(["year", "species_key"])["number"].sum()
    for species in ("brown_trout", "rainbow_trout"):
        estimate = found.results.one(
            quantity="population_size", species=species, season=2025, size_class="stock", site=None, detail=None
        ).estimate
        assert estimate.lower < total[2025, species] < estimate.upper
    assert _main(found, 2018).lower < total[2018, "brown_trout"] < _main(found, 2018).upper


def test_ids_are_unique_and_density_is_the_number_over_the_length(found, demo_study):
    assert len({r.id for r in found.results}) == len(found.results)
    km = found.results.one(quantity="density_per_km", species="brown_trout", season=2025, detail=None).estimate
    assert km.value == pytest.approx(_main(found).value / 14.2)
    ha = found.results.one(quantity="density_per_ha", species="brown_trout", season=2025, detail=None).estimate
    assert ha.value == pytest.approx(_main(found).value / (14.2 * 38 / 10))
    removal = found.results.one(quantity="density_per_km", species="brown_trout", season=2025, detail="removal").estimate
    sections = found.results.one(
        quantity="population_size", species="brown_trout", season=2025, size_class="stock", detail="removal sections"
    ).estimate
    assert removal.value == pytest.approx(sections.value / 1.05)  # three sections of 350 m


def test_two_events_are_chapmans_form_summed_over_classes(demo_study, demo_survey):
    """(M + 1)(C + 1) / (R + 1) - 1 (Chapman 1951, from memory), class by class."""
    rows = [(1, "150-300 mm", 100, 99, 0), (2, "150-300 mm", 80, 0, 9), (1, "300- mm", 60, 60, 0), (2, "300- mm", 50, 0, 14)]
    found = _with(demo_study, demo_survey, rows)
    by_hand = 100 * 81 / 10 - 1 + 61 * 51 / 15 - 1
    total = _main(found)
    assert total.value == pytest.approx(by_hand)
    parts = [petersen(99, 80, 9), petersen(60, 50, 14)]
    assert total.upper == pytest.approx(by_hand + np.hypot(*(p.upper - p.value for p in parts)))
    assert total.se == pytest.approx(np.hypot(*(p.se for p in parts)))
    assert found.censuses[0].others["one class"].value == pytest.approx(160 * 131 / 24 - 1)


def test_more_events_are_schnabels(demo_study, demo_survey):
    """sum(C M) / (sum(R) + 1) (Schnabel 1938 in Chapman's form, from memory)."""
    rows = [(1, "", 30, 30, 0), (2, "", 40, 35, 4), (3, "", 50, 0, 10)]
    found = _with(demo_study, demo_survey, rows)
    assert _main(found, size_class="all").value == pytest.approx((40 * 30 + 50 * 65) / 15)
    assert found.censuses[0].method == "Schnabel"


def test_a_class_with_few_recaptures_joins_its_neighbour(demo_study, demo_survey):
    rows = [(1, "150-230 mm", 40, 40, 0), (2, "150-230 mm", 40, 0, 1), (1, "230-300 mm", 50, 50, 0), (2, "230-300 mm", 50, 0, 6)]
    census = _with(demo_study, demo_survey, rows).censuses[0]
    assert list(census.classes) == ["150-300 mm"]
    assert census.total.value == pytest.approx(91 * 91 / 8 - 1)
    assert "joined with 230-300 mm" in census.notes[0]


@pytest.mark.parametrize(
    ("rows", "reason"),
    [
        ([(1, "", 40, 40, 0), (2, "", 50, 0, 0)], "no marked fish recaptured"),
        ([(1, "", 0, 0, 0), (2, "", 50, 0, 0)], "no fish marked"),
        ([(1, "", 40, 40, 0), (2, "", 0, 0, 0)], "no fish caught in the second event"),
    ],
)
def test_a_census_that_tells_nothing_says_so(demo_study, demo_survey, rows, reason):
    total = _main(_with(demo_study, demo_survey, rows), size_class="all")
    assert not total.estimable
    assert reason in total.notes[0]


def test_one_event_or_classes_within_each_other_are_no_census(demo_study, demo_survey):
    assert not _with(demo_study, demo_survey, [(1, "", 40, 40, 0)]).censuses
    nested = [(1, "stock", 40, 40, 0), (2, "stock", 40, 0, 5), (1, "quality", 20, 20, 0), (2, "quality", 20, 0, 5)]
    assert not _with(demo_study, demo_survey, nested).censuses


def test_removal_catches_are_counted_from_the_fish(found, demo_survey):
    fish = demo_survey.fish
    own = fish[(fish["species"] == "BNT") & (fish["season"] == 2025) & (fish["length_mm"] >= 150) & fish["pass_number"].notna()]
    by_hand = own.groupby(["site", "pass_number"]).size().unstack(fill_value=0)
    one = next(r for r in found.removals if (r.species, r.season) == ("brown_trout", 2025))
    assert one.catches == {site: tuple(int(n) for n in row) for site, row in zip(by_hand.index, by_hand.to_numpy(), strict=True)}
    assert one.together.fit.catches == tuple(float(n) for n in by_hand.sum(axis=0))


def test_removal_is_the_main_density_where_nothing_was_counted_otherwise(demo_study, demo_survey):
    bare = dataclasses.replace(demo_survey, census=demo_survey.census.iloc[:0])
    found = population.population(demo_study, bare, study_classes(demo_study))
    assert found.results.one(quantity="density_per_km", species="brown_trout", season=2025, detail=None).estimate.estimable
    runs = bare.runs.assign(pass_number=np.nan)
    nothing = population.population(demo_study, dataclasses.replace(bare, runs=runs), study_classes(demo_study))
    assert not nothing.exists
    assert len(nothing.results) == 0
    lost = population.population(
        demo_study, dataclasses.replace(bare, runs=bare.runs.assign(length_m=np.nan)), study_classes(demo_study)
    )
    assert not len(lost.results.where(quantity="density_per_km"))


def test_catchability_pairs_the_first_pass_with_the_section(found):
    link = found.links["brown_trout"].catchability
    pairs = found.pairs[found.pairs["species"] == "brown_trout"]
    assert link.n == len(pairs) == 9
    assert link.value == pytest.approx(np.exp(np.log(pairs["catch_rate"] / pairs["population"]).mean()))
