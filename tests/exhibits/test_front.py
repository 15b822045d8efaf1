"""The front page: key findings by species, and the scorecard's source said once where all objectives share it."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from fishreport.analysis.mortality import AGES_USED, SHARED_AGES
from fishreport.analysis.plan import evaluate_objectives
from fishreport.analysis.result import Result, Results
from fishreport.exhibits import front
from fishreport.exhibits.exhibit import Finding, Findings, Remark
from fishreport.methods.estimate import Estimate
from fishreport.study import read_study


def test_key_findings_stand_by_species_with_the_trend_first(demo_context):
    level = Finding("Level of brown trout.", ("catch_rate/brown_trout/stock/2025",), key=True)
    trend = Finding("Trend of brown trout.", ("trend_per_year/brown_trout/stock/catch_rate",), "down", key=True)
    moved = Finding("Smoothed change of brown trout.", ("smoothed_change/brown_trout/stock/catch_rate",), "down", key=True)
    own = Finding("Something that a chapter of the study tells.", ("parasites/brown_trout/2025",), key=True)
    bass = Finding("Level of bass.", ("catch_rate/smallmouth_bass/stock/2025",), key=True)
    both = Finding("The crew.", ("handling_mortality/brown_trout/2025", "handling_mortality/smallmouth_bass/2025"), key=True)
    shown = front.key_findings(Findings((own, level, bass, moved, trend, both)), demo_context)
    assert [one.items if isinstance(one, Findings) else one.text for one in shown] == [
        (both,), "### Brown trout", (trend, moved, level, own), "### Smallmouth bass", (bass,),
    ]  # fmt: skip
    assert all(isinstance(one, Findings | Remark) for one in shown)
    assert front.key_findings(Findings(()), demo_context) == []


def _rate(value, low, high, season=2025, detail=None, quantity="total_mortality", size_class="all", units="per year"):
    e = Estimate(value, (high - low) / 3.92, low, high, 0.95, units, "made up", 50)
    return Result(quantity, e, season, "brown_trout", size_class, detail=detail)


@pytest.mark.parametrize(("notes", "clause"), [((), ""), ((SHARED_AGES,), " (interval too short: seasons share aged fish)")])
@pytest.mark.parametrize(("followed", "said"), [((0.593, 0.532, 0.654), True), ((0.648, 0.469, 0.862), False)])
def test_a_verdict_that_hangs_on_the_estimator_is_said(repository, demo_context, followed, said, notes, clause):
    aim = {"name": "Few die", "quantity": "total_mortality", "species": "BNT", "at_most": 0.65}
    study = read_study(repository / "demo_inputs", overrides={"objectives": [aim]})
    other = _rate(*followed, detail="year classes followed")
    known = Results([_rate(0.706, 0.514, 0.944), replace(other, estimate=other.estimate.noting(*notes))])
    card = front.scorecard(evaluate_objectives(study, known), demo_context)
    notes = [note for note in card.notes if "estimator" in note]
    assert notes == (
        [f"“Few die” hangs on the estimator: by “year classes followed”{clause} it is 0.593 per year (95% interval 0.532 to "
         "0.654), and met (probability 0.97)."] if said else []
    )  # fmt: skip


def test_an_objective_names_its_ages_and_an_interval_known_to_be_too_short(repository, demo_context):
    aim = {"quantity": "total_mortality", "species": "BNT", "at_most": 0.65, "over_years": 2}
    study = read_study(repository / "demo_inputs", overrides={"objectives": [aim]})
    notes = (f"{AGES_USED}2 and older", SHARED_AGES)
    known = [_rate(0.7, 0.5, 0.9, year) for year in (2024, 2025)]

    def card(*noted):
        results = [replace(r, estimate=r.estimate.noting(*own)) for r, own in zip(known, noted, strict=True)]
        return front.scorecard(evaluate_objectives(study, Results(results)), demo_context)

    alike = card(notes, notes)
    assert alike.rows[0].objective == "The total mortality rate of brown trout of age 2 and older"
    assert alike.notes[-1].endswith("of age 2 and older: interval too short: seasons share aged fish, and its probability too "
                                    "near 0 or 1.")  # fmt: skip
    unlike = card(notes, (f"{AGES_USED}3 and older",))
    assert unlike.rows[0].objective == "The total mortality rate of brown trout of the ages fully caught"
    assert not any("too short" in note for note in unlike.notes)


def test_an_objective_that_is_not_judged_says_why(repository, demo_context):
    aim = {"quantity": "catch_rate", "species": "BNT", "size_class": "stock", "at_least": 50, "over_years": 3}
    study = read_study(repository / "demo_inputs", overrides={"objectives": [aim]})
    place = {"quantity": "catch_rate", "size_class": "stock", "units": "fish/h"}
    known = Results([_rate(80, 60, 110, 2023, **place), _rate(85, 60, 110, 2025, **place)])
    card = front.scorecard(evaluate_objectives(study, known), demo_context)
    assert (card.rows[0].verdict, card.rows[0].probability) == ("Not yet known", "—")
    assert card.notes[-1] == (
        "The catch rate of brown trout of stock length (150 mm) and longer: not judged: 2 of the 3 seasons could be estimated, "
        "and the number shown is of those 2 alone."
    )
    one = front.scorecard(evaluate_objectives(study, Results([_rate(85, 60, 110, 2025, **place)])), demo_context)
    assert one.notes[-1].endswith("1 of the 3 seasons could be estimated, and the number shown is of that one alone.")
    assert any("otherwise; catch rates are judged at the sites fished." in note for note in card.notes)


@pytest.mark.parametrize(
    ("value", "low", "high", "n", "reason"),
    [
        (0.4, 0.2, 0.61, 50, "has an interval whose ends lie more than 3 times apart"),
        (0.4, 0.2, 0.6, 50, ""),
        (0.4, 0.2, 0.6, 29, "rests on 29 fish of the ages used, fewer than 30"),
    ],
)
@pytest.mark.parametrize("of", ["total_mortality", "annual_survival"])
def test_an_estimate_that_is_no_firm_ground_is_noted_beside_its_verdict(
    repository, demo_context, value, low, high, n, reason, of
):  # fmt: skip
    aim = {"name": "Few die", "quantity": of, "species": "BNT", "at_most": 0.65}
    if of == "annual_survival":
        aim = {**aim, "at_least": math.exp(-0.65)}
        del aim["at_most"]
        value, low, high = math.exp(-value), math.exp(-high), math.exp(-low)
    study = read_study(repository / "demo_inputs", overrides={"objectives": [aim]})
    known = _rate(value, low, high, quantity=of, units="per year" if of == "total_mortality" else "")
    known = replace(known, estimate=replace(known.estimate, n=n))
    card = front.scorecard(evaluate_objectives(study, Results([known])), demo_context)
    assert card.rows[0].verdict == "Met"
    doubts = [note for note in card.notes if "no firm ground" in note]
    rate = "taken as a rate of death, the estimate" if of == "annual_survival" else "the estimate"
    assert doubts == ([f"“Few die”: {rate} {reason}, and is no firm ground."] if reason else [])
