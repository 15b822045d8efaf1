"""Tables, figures and sentences of the trend chapter: in every direction, in both units, with little or no data."""

from __future__ import annotations

import dataclasses
import math
import re
import xml.etree.ElementTree as ET

import numpy as np
import pytest

from fishreport.analysis import catch, catch_model, condition, drivers, plan, sizes, trend
from fishreport.exhibits import changes, objectives, standardised
from fishreport.exhibits import trend as exhibits
from fishreport.exhibits.context import report_context
from fishreport.methods.estimate import Estimate
from fishreport.study import read_study


@dataclasses.dataclass
class Made:
    """What the chapter works out."""

    indices: list
    before: object
    trends: list
    lead: list
    counts: trend.Multiplicity
    steps: list
    effects: list
    outcomes: tuple
    history: list

    @property
    def ids(self) -> set[str]:
        every = self.before + catch_model.index_results(self.indices) + trend.trend_results(self.trends, self.steps)
        return {r.id for r in every + [e.result for e in self.effects] + [o.result for o in self.outcomes]}


def _make(study, survey) -> Made:
    classes = list(report_context(study).classes)
    indices = catch_model.standardised_indices(study, survey, classes, np.random.default_rng(2))
    before = (
        catch.catch_rates(study, survey, classes)
        + sizes.size_structure(study, survey, classes)
        + condition.condition(study, survey, classes).results
    )
    known = before + catch_model.index_results(indices)
    trends = trend.index_trends(known, classes, study.season.year)
    lead = trend.lead_trends(trends, classes)
    steps = trend.steps(study, lead)
    effects = drivers.driver_effects(study, drivers.drivers(study, survey), trend.driven(lead, classes))
    outcomes = plan.evaluate_objectives(study, known)
    history = plan.objective_history(study, known, survey.seasons)
    return Made(
        indices, before, trends, lead, trend.multiplicity(trends, study.parameters.level), steps, effects, outcomes, history
    )


def _figures(made: Made, context):
    return [
        standardised.comparison_figure(made.indices, made.before, context),
        standardised.residual_figure(made.indices, context),
        exhibits.trend_figure(made.lead, context),
        exhibits.other_figure(made.lead, context),
        objectives.objective_figure(made.outcomes, made.history, context),
    ]


def _tables(made: Made, context):
    return [
        standardised.index_table(made.indices, context),
        standardised.difference_table(made.indices, made.before, context),
        standardised.check_table(made.indices, context),
        exhibits.trend_table(made.lead, made.counts, context),
        exhibits.rank_table(made.lead, context),
        exhibits.class_table(made.trends, context),
        changes.step_table(made.steps, context),
        changes.driver_table(made.effects, context),
        objectives.objective_table(made.outcomes, made.history, context),
    ]


def _findings(made: Made, context):
    lists = (
        exhibits.findings(made.lead, made.counts, context),
        standardised.findings(made.indices, made.before, context),
        changes.step_findings(made.steps, context),
        changes.driver_findings(made.effects, context),
        objectives.findings(made.outcomes, context),
    )
    return [finding for one in lists for finding in one.items]


@pytest.fixture(scope="module")
def made(demo_study, demo_survey):
    return _make(demo_study, demo_survey)


def _only(survey, keep):
    runs = survey.runs[keep(survey.runs)]
    return dataclasses.replace(survey, runs=runs, fish=survey.fish[survey.fish["run_id"].isin(runs["run_id"])])


@pytest.mark.parametrize("units", ["metric", "us"])
def test_figures_hold_words_numbers_and_their_table(made, repository, units):
    context = report_context(read_study(repository / "demo_inputs", overrides={"report.units": units}))
    figures = _figures(made, context)
    for figure in figures:
        assert ET.fromstring(figure.svg).tag.endswith("svg")
        assert figure.table.rows and re.search(r"\d", figure.alt), figure.label
        assert not re.search(r"\bnan\b|\binf\b", f"{figure.alt} {figure.caption} {figure.table.rows}", re.IGNORECASE)
    assert ("Mean length (in)" in figures[3].svg) == (units == "us")
    assert len({figure.label for figure in figures}) == len(figures)


def test_tables_and_figures_of_the_chapter_have_names_of_their_own(made, demo_context):
    tables = _tables(made, demo_context)
    labels = [t.label for t in tables] + [f.label for f in _figures(made, demo_context)]
    assert len(set(labels)) == len(labels)
    for table in tables:
        assert all("nan" not in cell for row in table.rows for cell in row), table.label


def test_every_sentence_names_results_that_exist_and_few_are_key(made, demo_context):
    found = _findings(made, demo_context)
    assert len({f.text for f in found}) == len(found)
    for finding in found:
        assert finding.results and set(finding.results) <= made.ids, finding.text
    key = [f for f in found if f.key]
    trends = [
        f"trend_per_year/{one}/stock/standardised_catch_rate" for one in ("brown_trout", "rainbow_trout", "smallmouth_bass")
    ]
    leaner = "smoothed_change/brown_trout/stock/relative_weight"
    assert [f.results for f in key] == [(trends[0],), (leaner,), (trends[1],), (trends[2],)]


def _changed(made: Made, lower, value, upper):
    """The lead trends with the catch rate of brown trout at these percent a year, and nothing to say of its smoothed level."""
    out = []
    for one in made.lead:
        if (one.series.quantity, one.series.species, one.series.size_class) == (catch_model.QUANTITY, "brown_trout", "stock"):
            e = Estimate(value, (upper - lower) / 4, lower, upper, 0.95, "percent per year", "made up", 10)
            one = dataclasses.replace(one, result=dataclasses.replace(one.result, estimate=e), smooth=None)
        out.append(one)
    return out


@pytest.mark.parametrize(
    ("lower", "value", "upper", "direction", "words"),
    [
        (2.5, 5.0, 7.5, "up", " rose over the 10 seasons from 2016 to 2025 by 5.0% a year"),
        (-9.0, -6.0, -3.0, "down", " fell over the 10 seasons from 2016 to 2025 by 6.0% a year"),
        (-1.0, 4.0, 9.0, "unclear", "rose or fell over the 10 seasons from 2016 to 2025 cannot be told"),
        (-1.5, 0.1, 1.7, "steady", " was steady over the 10 seasons"),
    ],
)
def test_the_trend_is_worded_by_its_interval(made, demo_context, lower, value, upper, direction, words):
    found = exhibits.findings(_changed(made, lower, value, upper), made.counts, demo_context).items
    (about,) = [f for f in found if f.key and f.results[0].startswith("trend_per_year/brown_trout")]
    assert about.direction == direction and words in about.text


def test_steady_is_narrow_for_condition_and_for_shares():
    assert exhibits.STEADY["relative_weight"] < exhibits.STEADY["proportional_size"] < exhibits.STEADY["catch_rate"]
    assert set(exhibits.STEADY) == set(trend.QUANTITIES)


def test_the_number_of_tests_is_said(made, demo_context):
    texts = [f.text for f in exhibits.findings(made.lead, made.counts, demo_context).items]
    (said,) = [text for text in texts if "were tested" in text]
    assert said.startswith(f"{made.counts.tested} trends were tested; {made.counts.outside} of their intervals leave out zero")
    assert f"about {0.05 * made.counts.tested:.1f} would by chance" in said


def test_trend_table_shows_what_was_estimated(made, demo_context):
    table = exhibits.trend_table(made.lead, made.counts, demo_context)
    assert len(table.rows) == len(made.lead) == len(table.data)
    for row, one in zip(table.rows, made.lead, strict=True):
        shown = float(row[2].split("%")[0].split(" ")[0].replace("−", "-"))
        assert shown == pytest.approx(one.result.estimate.value, abs=0.6)


@pytest.mark.parametrize(
    ("missed", "shift", "apart", "words"),
    [
        ((), math.nan, 8.0, "no site was missed"),
        (("S01",), 7.0, 8.0, "S01 was not fished; they usually give fewer"),
        (("S01", "S02"), -9.0, -10.0, "S01 and S02 were not fished; they usually give more"),
        (("S01",), 0.2, 8.0, "explain almost none"),
        (("S01",), 2.0, 8.0, "2% the same way"),
        (("S01",), -3.0, 8.0, "3% the other way"),
    ],
)
def test_why_plain_mean_and_index_disagree(missed, shift, apart, words):
    item = standardised._Season(2020, None, None, apart, missed, shift)
    assert words in standardised._why(item)


def test_a_disagreement_is_said_with_its_season_and_side(made, demo_context):
    one = made.indices[0]
    index = dict(one.index)
    index[2021] = dataclasses.replace(index[2021], value=index[2021].value * 1.5)
    found = standardised._disagreement(dataclasses.replace(one, index=index), made.before, demo_context)
    assert "In 2021 the plain mean of brown trout" in found[0].text and "below the standardised catch rate" in found[0].text
    same = standardised._disagreement(one, made.before, demo_context)
    assert "agree within" in same[0].text


def test_a_strained_model_is_said(made, demo_context):
    one = dataclasses.replace(made.indices[0], model=dataclasses.replace(made.indices[0].model, pearson_dispersion=3.0))
    texts = [f.text for f in standardised.findings([one], made.before, demo_context).items]
    assert any("is strained: catches scatter more than it allows for" in text for text in texts)


@pytest.mark.parametrize(
    ("lower", "upper", "direction"), [(5.0, 40.0, "up"), (-60.0, -10.0, "down"), (-30.0, 40.0, "unclear")]
)  # fmt: skip
def test_a_step_is_worded_by_its_interval_and_doubted_beside_a_trend(made, demo_context, lower, upper, direction):
    step = made.steps[0]
    e = Estimate((lower + upper) / 2, 1.0, lower, upper, 0.95, "percent", "made up", 10)
    unclear = dataclasses.replace(step.beside_trend, change=dataclasses.replace(e, lower=-50.0, upper=50.0))
    changed = dataclasses.replace(step, result=dataclasses.replace(step.result, estimate=e), beside_trend=unclear)
    (found,) = changes.step_findings([changed], demo_context).items
    assert found.direction == direction
    assert ("need not be the cause" in found.text) == (direction != "unclear")
    assert "“Stocking of rainbow trout cut to a third” (2021)" in found.text


def test_drivers_are_told_from_zero_or_not(made, demo_context):
    def with_limits(lower, upper):
        out = []
        for one in made.effects:
            e = Estimate((lower + upper) / 2, 1.0, lower, upper, 0.95, "percent", "made up", 10)
            out.append(dataclasses.replace(one, result=dataclasses.replace(one.result, estimate=e)))
        return [f.text for f in changes.driver_findings(out, demo_context).items]

    none = with_limits(-5.0, 5.0)
    assert len(none) == 1 and none[0].startswith(f"None of {len(made.effects)} associations")
    lower = with_limits(-9.0, -3.0)
    assert any("was 6.0% lower" in text for text in lower) and "none of them shows a cause" in lower[-1]
    assert any("was 6.0% higher (95% interval 3.0 to 9.0)" in text for text in with_limits(3.0, 9.0))


def test_objectives_read_without_colour(made, demo_context):
    figure = objectives.objective_figure(made.outcomes, made.history, demo_context)
    assert all(word in figure.svg for word in ("Met", "Not met", "Not yet known"))
    table = objectives.objective_table(made.outcomes, made.history, demo_context)
    assert {row[4] for row in table.rows} <= {"Met", "Not met", "Not yet known"}
    for row, before in zip(table.rows, made.history, strict=True):
        if before:
            assert row[5] == f"{sum(o.verdict == 'met' for o in before.values())} of {len(before)}"


@pytest.mark.parametrize(
    "keep",
    [lambda runs: runs["season"] == 2025, lambda runs: runs["season"] >= 2023, lambda runs: runs["run_id"] == "2025-S01-A"],
    ids=["one season", "three seasons", "one run"],
)
def test_little_data_say_so_and_draw_nothing_false(demo_study, demo_survey, demo_context, keep):
    few = _make(demo_study, _only(demo_survey, keep))
    assert few.counts.tested == 0
    found = _findings(few, demo_context)
    assert any("no trend could be estimated" in f.text for f in found)
    assert all(f.direction in ("none", "unclear") for f in found)
    assert all(set(f.results) <= few.ids for f in found)
    for shown in (*_figures(few, demo_context), *_tables(few, demo_context)):
        if shown is not None:
            shown._repr_mimebundle_()


def test_no_runs_at_all(demo_study, demo_survey, demo_context):
    none = _make(demo_study, _only(demo_survey, lambda runs: runs["season"] < 0))
    assert _figures(none, demo_context) == [None] * 5
    assert all("cannot" in f.text or "not yet known" in f.text for f in _findings(none, demo_context))
