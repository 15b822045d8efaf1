"""What the brief says of the work: which runs and fish its catches are of, how fish were counted, and how they fared."""

from __future__ import annotations

import dataclasses

import pytest
from brief_sample import SPECIES, estimate, made_document, made_results, made_study, work_of
from nbformat import NotebookNode

from fishreport.analysis.classes import LATER_RUNS
from fishreport.analysis.result import Result, Results
from fishreport.exhibits.brief import brief_content
from fishreport.exhibits.brief_work import care_taken, whole_season
from fishreport.exhibits.exhibit import TABLE_TYPE
from fishreport.exhibits.units import format_estimate
from fishreport.methods.estimate import Estimate
from fishreport.methods.fish_care import harmed_share
from fishreport.report.brief import read_sheet


@pytest.fixture
def study(tmp_path):
    return made_study(tmp_path / "study", species=2, narrative={})


def did(study, results):
    return [finding.text for finding in brief_content(study, Results(results), work=work_of(study)).did]


def results_of(*, later=False, method="removal"):
    found = []
    for r in made_results(SPECIES[:2]):
        e = r.estimate.noting(LATER_RUNS) if later and r.quantity == "catch_rate" else r.estimate
        found.append(
            dataclasses.replace(r, estimate=dataclasses.replace(e, method=method if r.quantity == "population_size" else ""))
        )
    return found


def test_what_was_done(tmp_path):
    study = made_study(tmp_path / "three", narrative={})
    did = brief_content(study, made_results(SPECIES[:3]), work=work_of(study)).did
    assert did[0].text.startswith("In September and October 2025 the crew fished Alder Tailwater with electric current.")
    assert "36 runs at 12 places" in did[0].text and "6.0 hours" in did[0].text
    assert did[1].text == "It caught 561 brown trout, 280 rainbow trout and 187 smallmouth bass."
    without = brief_content(study, made_results(SPECIES[:3]))
    assert "24 runs at 1 place" in without.did[0].text
    assert brief_content(study, Results()).did == ()


def test_which_runs_and_fish_the_catches_are_of(study):
    fish = "brown trout of 15 cm (6 in) and rainbow trout of 25 cm (10 in) or longer"
    assert did(study, results_of())[2:] == [f"Catches an hour are of {fish}: not of all fish over all hours."]
    assert did(study, results_of(later=True))[2:] == [
        f"Catches an hour are of the 24 runs that went over a place first, and of {fish}: not of all fish over all hours."
    ]


def test_the_length_in_us_units(tmp_path):
    us = made_study(tmp_path / "us", species=1, units="us", narrative={})
    assert did(us, results_of())[2] == "Catches an hour are of brown trout of 6 inches or longer: not of all fish over all hours."


@pytest.mark.parametrize(
    ("method", "told"),
    [("Schnabel (Chapman's form) summed over size classes", True), ("Petersen", True), ("3-pass removal", False)],
)
def test_that_fish_were_marked_is_said_where_they_were_counted_so(study, method, told):
    said = [text for text in did(study, results_of(method=method)) if "marked" in text]
    text = "To tell how many brown trout and rainbow trout the water held, the crew also marked some and looked for them again."
    assert said == ([text] if told else [])


HARMED = "all species, died or injured"


def handled(season, harmed, of, detail=HARMED):
    return Result("handling_mortality", harmed_share(harmed, of), season, None, "all", detail=detail)


def test_how_the_fish_fared_beside_the_seasons_before():
    """24 of 780 is 3.1%; 12 of 700 and 20 of 900 are together 32 of 1,600, which is 2.0%: not the mean of 1.7 and 2.2%."""
    results = Results(
        [handled(2023, 12, 700), handled(2024, 20, 900), handled(2025, 24, 780), handled(2025, 5, 780, "all species, died")]
    )
    (said,) = care_taken(results, 2025)
    before = format_estimate(harmed_share(32, 1600)).text
    assert before.startswith("2.0% (")
    assert said.text == (
        "Of 780 fish looked at before release, 24 were hurt or dead: 3.1% (2.0 to 4.5); over the 2 seasons before it was "
        f"{before}."
    )
    assert said.results == tuple(results.where(season=season, detail=HARMED).one().id for season in (2025, 2023, 2024))
    (first,) = care_taken(results, 2023)
    assert "before it was" not in first.text and "12 were hurt or dead" in first.text


def test_nothing_of_fish_whose_fate_nobody_wrote_down(study):
    none = Result("handling_mortality", Estimate.not_estimable("the fate of no fish is recorded"), 2025, None, "all",
                  detail="all species, died or injured")  # fmt: skip
    assert care_taken(Results([none]), 2025) == ()
    assert care_taken(Results(), 2025) == ()
    own = Result("handling_mortality", estimate(3.0, 2.0, 5.0, "percent"), 2025, "brown_trout", "all", detail="died or injured")
    assert care_taken(Results([own]), 2025) == ()


@pytest.mark.parametrize(
    ("whole", "said"),
    [
        (841, "It caught 561 brown trout and 280 rainbow trout."),
        (842, "It caught 561 brown trout, 280 rainbow trout and 1 fish of another species."),
        (845, "It caught 561 brown trout, 280 rainbow trout and 4 fish of other species."),
    ],
)
def test_what_was_caught_adds_up_to_all_fish(study, whole, said):
    work = [{**row, "fish": whole} for row in work_of(study)]
    assert brief_content(study, Results(results_of()), work=work).did[1].text == said


@pytest.mark.parametrize(("others", "more"), [(0, ""), (3, ", but 3 fish of other species")])
def test_no_fish_of_the_study_is_said_beside_those_of_others(study, others, more):
    none = dict.fromkeys(("brown_trout", "rainbow_trout"), 0)
    work = [{**row, **none, "fish": others} for row in work_of(study)]
    text = brief_content(study, Results(results_of()), work=work).did[1].text
    assert text == f"It caught no fish of the species that the study is about{more}."


def test_the_row_of_a_season_from_its_sites():
    sites = [
        {"site": "S1", "reach": "Upper", "river_km": 1.0, "runs": 2, "effort_h": 0.5, "fish": 9, "brown_trout": 8},
        {"site": "S2", "reach": "Upper", "river_km": 2.0, "runs": 3, "effort_h": 0.6, "fish": 2, "brown_trout": 2},
    ]
    assert whole_season(sites, 2025) == [
        {"season": 2025, "sites": 2, "runs": 5, "effort_h": pytest.approx(1.1), "fish": 11, "brown_trout": 10}
    ]
    assert whole_season([], 2025) == []


def test_a_single_season_has_its_hours_and_its_catch(study):
    """A report of one season has no figure of effort by season; its table by site holds the numbers."""
    site = {"site": "S1", "reach": "", "river_km": 1.0, "runs": 6, "effort_h": 1.02, "fish": 173, "brown_trout": 84}
    table = {"label": "effort", "data": [site, {**site, "site": "S2", "rainbow_trout": 5}]}
    document = made_document(study, Results(results_of()))
    document.notebook.cells[0].outputs[0].data = NotebookNode({TABLE_TYPE: {**table, "data": [{"rainbow_trout": 0, **row}
                                                                                             for row in table["data"]]}})  # fmt: skip
    said = [finding.text for finding in read_sheet(document, study).brief.did]
    assert "It made 12 runs at 2 places and had the current on for 2.0 hours." in said[0]
    assert said[1] == "It caught 168 brown trout, 5 rainbow trout and 173 fish of other species."


@pytest.mark.parametrize(("before", "said"), [(1, "; over the season before it was"), (2, "; over the 2 seasons before it was")])
def test_seasons_before_are_counted_where_there_are_several(before, said):
    results = []
    for season in range(2025 - before, 2026):
        share = harmed_share(2, 200)
        results.append(Result("handling_mortality", share, season, None, "all", detail="all species, died or injured"))
    assert said in care_taken(Results(results), 2025)[0].text
