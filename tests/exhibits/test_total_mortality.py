"""Total mortality as the chapter tells it: what is firm, which estimate leads, with which caution."""

from __future__ import annotations

import dataclasses
import math

import pytest
from mortality_sample import few_draws, make_mortality, rate_of, text_of, trout_of

from fishreport.analysis.firm_ground import is_firm, survival_to_tell
from fishreport.analysis.mortality import FOLLOWED, Mortality
from fishreport.analysis.result import Results
from fishreport.analysis.stocking import StockingStep
from fishreport.exhibits import fishing_mortality as exhibits
from fishreport.exhibits import mortality as mortality_exhibits
from fishreport.exhibits.context import report_context


@pytest.fixture(scope="module")
def study(repository):
    return few_draws(repository)


@pytest.fixture(scope="module")
def context(study):
    return report_context(study)


@pytest.fixture(scope="module")
def made(study, demo_survey):
    return make_mortality(study, demo_survey)


@pytest.mark.parametrize(
    ("value", "low", "high", "n", "firm"),
    [(0.7, 0.5, 0.95, 30, True), (0.7, 0.5, 0.95, 29, False), (0.7, 0.3, 0.89, 500, True), (0.7, 0.3, 0.91, 500, False),
     (0.7, 0.0, 1.5, 500, False), (0.7, math.nan, math.nan, 500, False)],
)  # fmt: skip
def test_what_may_be_a_key_finding(value, low, high, n, firm):
    assert is_firm(rate_of(value, low, high, n)) is firm


def test_eleven_bass_are_no_key_finding_and_other_estimates_stand_beside(made, context):
    found, _ = made
    items = mortality_exhibits.findings(found, context).items
    bass = [item for item in items if "smallmouth bass" in item.text and "total mortality" in item.text.casefold()]
    assert not any(item.key for item in bass)
    beside = next(item for item in bass if "is no firm ground" in item.text)
    pooled = found.results.one(quantity="total_mortality", species="smallmouth_bass", detail="seasons 2021 to 2025 together")
    assert f"seasons 2021 to 2025 together give {exhibits.value_cell(pooled.estimate)} per year" in beside.text
    assert f"rests on {found.species['smallmouth_bass'].fit.total_mortality.n} fish" in beside.text
    assert any(item.key for item in items if "brown trout" in item.text)
    assert not any("no firm ground" in item.text for item in items if "brown trout" in item.text)


def test_an_interval_too_wide_is_told_as_such(made, context):
    found, _ = made
    one = found.species["brown_trout"]
    wide = rate_of(0.7, 0.2, 1.4, 90)
    results = [
        dataclasses.replace(r, estimate=wide)
        if (r.quantity, r.species, r.season, r.detail) == ("total_mortality", "brown_trout", 2025, None)
        else r
        for r in found.results
    ]
    items = mortality_exhibits.findings(Mortality(Results(results), {"brown_trout": one}), context).items
    assert any("has an interval whose ends lie more than 3 times apart" in item.text for item in items)
    assert not any(item.key for item in items)


def test_year_classes_lead_where_stocking_changed(made, context):
    found, _ = made
    items = [i for i in mortality_exhibits.findings(found, context).items if "rainbow trout" in i.text]
    followed = found.results.one(quantity="total_mortality", species="rainbow_trout", detail="year classes followed")
    assert followed.id in items[0].results
    assert items[0].key
    assert not any(item.key for item in items[1:])
    assert "stocking fell from 3,600 fish a year" in items[2].text
    assert items[2].text.endswith("puts its mortality too low.")
    table = mortality_exhibits.total_table(found, context)
    assert any("stocking fell from 3,600" in note for note in table.notes)
    assert not any("Brown trout: stocking" in note for note in table.notes)


def test_more_stocking_leans_the_other_way_and_none_says_nothing(made, context):
    found, _ = made
    more = trout_of(found, stocking=StockingStep(1000.0, 2500.0, (2018, 2020), (2021, 2021)))
    text = text_of(more, context)
    assert "stocking rose from 1,000 fish a year (2018 to 2020) to 2,500 (2021)" in text
    assert "puts its mortality too high" in text
    assert "stocking" not in text_of(trout_of(found, stocking=None), context)


def test_without_year_classes_the_catch_curve_stays_in_front_with_its_caution(made, context):
    found, _ = made
    alone = trout_of(found)
    kept = [r for r in alone.results if r.detail != "year classes followed"]
    items = mortality_exhibits.findings(dataclasses.replace(alone, results=Results(kept)), context).items
    assert items[0].key
    assert "In 2025" in items[0].text
    assert "puts its mortality too low" in items[1].text


def test_a_short_text_tells_what_is_firm(made):
    """Brown trout by the catch curve, rainbow trout by year classes as stocking changed, bass by year classes as 11 fish are few."""
    found, _ = made
    told = {key: survival_to_tell(found.results, key, 2025) for key in ("brown_trout", "rainbow_trout", "smallmouth_bass")}
    assert {key: r.detail for key, r in told.items()} == {
        "brown_trout": None, "rainbow_trout": FOLLOWED, "smallmouth_bass": FOLLOWED
    }  # fmt: skip
    few = [r for r in found.results if r.detail != FOLLOWED]
    assert survival_to_tell(Results(few), "smallmouth_bass", 2025) is None
    assert survival_to_tell(Results(few), "rainbow_trout", 2025).detail is None
    assert survival_to_tell(Results(), "brown_trout", 2025) is None
    alone = [r for r in few if r.quantity == "annual_survival"]
    assert survival_to_tell(Results(alone), "smallmouth_bass", 2025).detail is None
