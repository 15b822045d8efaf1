"""Figures, tables and sentences of growth, mortality and population size: in both units, with much data and with none."""

from __future__ import annotations

import dataclasses
import re
import xml.etree.ElementTree as ET
from pathlib import Path

import numpy as np
import pytest

from fishreport.analysis import growth, mortality, population
from fishreport.analysis.death_rates import death_rates
from fishreport.exhibits import age_reading, fish_growth
from fishreport.exhibits import death_rates as death_exhibits
from fishreport.exhibits import growth as growth_exhibits
from fishreport.exhibits import mortality as mortality_exhibits
from fishreport.exhibits import natural_mortality as natural_exhibits
from fishreport.exhibits import population as population_exhibits
from fishreport.exhibits.context import report_context
from fishreport.exhibits.exhibit import Figure, Table
from fishreport.methods.estimate import Estimate
from fishreport.study import read_study

_GROWTH = "growth_table mean_length_table curves_table comparison_table growth_figure"
_FISH = "recapture_table rings_table stocked_table recapture_figure"
_MORTALITY = "numbers_table total_table sensitivity_table age_figure history"
_POPULATION = "census_table estimators_table removal_table density_table catchability_table population_figure"
MADE = (
    (growth_exhibits, 0, _GROWTH.split()),
    (age_reading, 0, ["ages_table", "bias_figure"]),
    (fish_growth, 0, _FISH.split()),
    (mortality_exhibits, 1, _MORTALITY.split()),
    (natural_exhibits, 1, ["natural_table", "natural_figure"]),
    (population_exhibits, 2, _POPULATION.split()),
)
STUDY = read_study(Path(__file__).resolve().parents[2] / "demo_inputs", overrides={"parameters.draws": 200})


def _seasons(survey, first):
    frames = {name: getattr(survey, name) for name in ("runs", "fish", "ages", "census")}
    return dataclasses.replace(survey, **{name: frame[frame["season"] >= first] for name, frame in frames.items()})


def _analysed(study, survey):
    context, rng = report_context(study), np.random.default_rng(4)
    return context, (
        growth.growth(study, survey, context.classes, rng),
        mortality.mortality(study, survey, context.classes, rng),
        population.population(study, survey, context.classes),
    )


@pytest.fixture(scope="module")
def studies(repository):
    return {
        units: read_study(repository / "demo_inputs", overrides={"report.units": units, "parameters.resamples": 100})
        for units in ("metric", "us")
    }


@pytest.fixture(scope="module")
def recent(demo_survey):
    return _seasons(demo_survey, 2023)


@pytest.fixture(scope="module")
def made(studies, recent):
    return _analysed(studies["metric"], recent)


@pytest.fixture(scope="module")
def bare(studies, recent):
    runs = recent.runs.assign(pass_number=np.nan)
    poor = dataclasses.replace(
        recent, ages=recent.ages.iloc[:0], census=recent.census.iloc[:0], runs=runs, stocking=recent.stocking.iloc[:0],
        fish=recent.fish.assign(tag="", mark="", pass_number=np.nan),
    )  # fmt: skip
    return _analysed(studies["metric"], poor)


def _all(context, analysed):
    shown = {name: getattr(module, name)(analysed[place], context) for module, place, names in MADE for name in names}
    return shown | {"rates_table": death_exhibits.rates_table(death_rates(STUDY, analysed[1]), analysed[1], context)}


def _said(context, analysed):
    return {
        module.__name__.rsplit(".", 1)[-1]: module.findings(analysed[place], context).items
        for module, place, _ in MADE
        if hasattr(module, "findings")
    }


def test_every_exhibit_is_there_and_labels_differ(made):
    context, analysed = made
    shown = _all(context, analysed)
    assert all(exhibit is not None for exhibit in shown.values())
    labels = [e.label for e in shown.values()] + [e.table.label for e in shown.values() if isinstance(e, Figure)]
    assert len(set(labels)) == len(labels)
    for exhibit in shown.values():
        words = exhibit.caption + (exhibit.alt if isinstance(exhibit, Figure) else " ".join(exhibit.notes))
        assert "nan" not in words.casefold()
        rows = exhibit.table.rows if isinstance(exhibit, Figure) else exhibit.rows
        assert rows
        assert not any(re.search(r"\bnan\b|\binf\b|None", cell) for row in rows for cell in row)


@pytest.mark.parametrize("units", ["metric", "us"])
def test_figures_are_drawings_with_words_and_units(studies, made, units):
    context = report_context(studies[units])
    for name, exhibit in _all(context, made[1]).items():
        if not isinstance(exhibit, Figure):
            continue
        assert ET.fromstring(exhibit.svg).tag.endswith("svg")
        assert re.search(r"\d", exhibit.alt)
        if name == "growth_figure":
            assert f"Total length ({'mm' if units == 'metric' else 'in'})" in exhibit.svg
    table = growth_exhibits.growth_table(made[1][0], context)
    assert table.columns[1].units == ("mm" if units == "metric" else "in")


def test_assumptions_stand_beside_the_numbers(made):
    context, analysed = made
    shown = _all(context, analysed)
    for name, text in (
        ("growth_table", growth_exhibits.GROWTH_ASSUMES), ("recapture_table", fish_growth.TAGS_ASSUME),
        ("rings_table", fish_growth.RINGS_ASSUME), ("total_table", mortality_exhibits.TOTAL_ASSUMES),
        ("natural_table", natural_exhibits.NATURAL_ASSUMES), ("rates_table", death_exhibits.FISHING_ASSUMES),
        ("census_table", population_exhibits.CENSUS_ASSUMES), ("removal_table", population_exhibits.REMOVAL_ASSUMES),
        ("catchability_table", population_exhibits.LINK_ASSUMES),
    ):  # fmt: skip
        assert isinstance(shown[name], Table)
        assert text in shown[name].notes


def test_a_lower_limit_that_is_the_catch_is_said_to_be_it(made):
    context, (_, _, numbers) = made
    note = "Smallmouth bass, 2025, removal: the lower limit is the 7 fish caught; there cannot have been fewer."
    for table in (population_exhibits.removal_table(numbers, context), population_exhibits.density_table(numbers, context)):
        assert [one for one in table.notes if "the lower limit is" in one] == [note]


def test_table_cells_are_the_estimates(made):
    context, (grown, died, numbers) = made
    curve = grown.species["brown_trout"].curve
    row = growth_exhibits.growth_table(grown, context).rows[0]
    assert row[1].startswith(f"{curve.estimates['asymptotic_length'].value:.0f} (")
    assert row[4] == str(curve.n)
    census = population_exhibits.census_table(numbers, context)
    assert census.rows[4][:5] == ("Brown trout", "In all", "1,954", "1,349", "206")
    rates = {row[0]: row[2] for row in _all(context, made[1])["rates_table"].rows}
    told = death_rates(STUDY, died)["brown_trout"].rates["S"]
    assert rates["S"] == f"{told.value:.0f}% ({told.lower:.0f} to {told.upper:.0f})"


def test_the_limb_of_the_catch_curve_is_marked_in_the_numbers(made):
    context, (_, died, _) = made
    figure = mortality_exhibits.age_figure(died, context)
    first = died.species["brown_trout"].fit.from_age
    for row in figure.table.rows:
        if row[0] == "Brown trout":
            assert row[4] == ("yes" if int(row[1]) >= first else "no")


def test_without_data_sentences_say_so_and_nothing_is_drawn(bare):
    context, analysed = bare
    shown = _all(context, analysed)
    figures = [name for name in shown if name.endswith("figure") and name != "natural_figure"]
    assert all(shown[name] is None for name in figures)
    assert shown["total_table"] is not None
    said = _said(context, analysed)
    assert any("could not be estimated: 0 aged fish, 10 needed" in item.text for item in said["growth"])
    assert any("total mortality rate of brown trout could not be estimated" in item.text for item in said["mortality"])
    assert [item.text for item in said["population"]] == [population_exhibits.NOTHING]
    assert any("one published form predicts" in item.text for item in said["mortality"])


def test_every_sentence_rests_on_results_that_exist(made):
    context, analysed = made
    known = {r.id for part in analysed for r in part.results}
    for items in _said(context, analysed).values():
        assert items
        for item in items:
            assert item.results
            assert set(item.results) <= known
            assert item.text.endswith(".") and item.text[0].isupper()


def _changed(died, **fields):
    one = dataclasses.replace(died.species["brown_trout"], **fields)
    result = dataclasses.replace(died.results.one(quantity="fishing_mortality", species="brown_trout", season=2025, detail=None),
                                 estimate=one.fishing)  # fmt: skip
    return dataclasses.replace(died, results=mortality.Results([result]), species={"brown_trout": one})


@pytest.mark.parametrize(
    ("limits", "words"),
    [((0.0, 0.6), "do not tell it from nothing"), ((0.1, 0.5), "fishing mortality of brown trout was")],
)
def test_fishing_mortality_in_both_directions(made, limits, words):
    context, (_, died, _) = made
    fishing = Estimate(0.3, 0.1, *limits, 0.95, "per year", "made up", 50)
    text = " ".join(item.text for item in mortality_exhibits.findings(_changed(died, fishing=fishing), context).items)
    assert words.casefold() in text.casefold()


def test_fishing_mortality_that_cannot_be(made):
    context, (_, died, _) = made
    fishing = Estimate.not_estimable("natural mortality (0.9) is not below total mortality (0.7)", units="per year")
    text = " ".join(item.text for item in mortality_exhibits.findings(_changed(died, fishing=fishing), context).items)
    assert "could not be estimated: natural mortality (0.9) is not below" in text


def test_growth_that_differs_and_growth_that_is_not_shown_to(made):
    context, (grown, _, _) = made
    one = grown.species["brown_trout"]
    for p_value, words in ((0.002, "differs between"), (0.4, "not evidence that there is none")):
        test = dataclasses.replace(one.comparison, p_value=p_value)
        only = dataclasses.replace(grown, species={"brown_trout": dataclasses.replace(one, comparison=test)})
        assert any(words in item.text for item in growth_exhibits.findings(only, context).items)


def test_an_asymptote_beyond_the_fish_is_called_extrapolated(made):
    context, (grown, _, _) = made
    one = grown.species["brown_trout"]
    short = dataclasses.replace(one, aged=one.aged[one.aged["length_mm"] < 300])
    text = growth_exhibits.findings(dataclasses.replace(grown, species={"brown_trout": short}), context).items[0].text
    assert "beyond the longest aged fish" in text


def test_a_change_between_censuses_follows_its_interval(studies, demo_survey):
    study = studies["metric"]
    context = report_context(study)
    found = population.population(study, demo_survey, context.classes)
    said = {
        item.text.split(" from ")[0]: item for item in population_exhibits.findings(found, context).items if "2018" in item.text
    }
    directions = {text: item.direction for text, item in said.items()}
    assert any("rainbow" in text and way == "down" for text, way in directions.items())
    assert any("brown" in text and way == "unclear" for text, way in directions.items())
    assert {item.key for item in said.values() if item.direction == "down"} == {True}  # a fall belongs on the front page
    assert not any(item.key for item in said.values() if item.direction == "unclear")
