"""Tables, figures and sentences of the trend chapter: in every direction, in both units, with little or no data."""

from __future__ import annotations

import dataclasses
import math
import re
import xml.etree.ElementTree as ET

import numpy as np
import pytest
from trend_sample import Made, make_trends

from fishreport.analysis import catch_model, trend
from fishreport.exhibits import changes, objectives, standardised, trend_words
from fishreport.exhibits import trend as exhibits
from fishreport.exhibits.context import report_context
from fishreport.methods.estimate import Estimate
from fishreport.study import read_study


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
        exhibits.trend_table(made.lead, made.counts, made.moves, context),
        exhibits.rank_table(made.lead, context),
        exhibits.class_table(made.trends, context),
        changes.step_table(made.steps, context),
        changes.driver_table(made.effects, context),
        objectives.objective_table(made.outcomes, made.history, context),
    ]


def _findings(made: Made, context):
    lists = (
        trend_words.findings(made.lead, made.counts, made.moves, context),
        standardised.findings(made.indices, made.before, context),
        changes.step_findings(made.steps, context),
        changes.driver_findings(made.effects, context),
        objectives.findings(made.outcomes, context),
    )
    return [finding for one in lists for finding in one.items]


@pytest.fixture(scope="module")
def made(demo_study, demo_survey):
    return make_trends(demo_study, demo_survey)


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
    catch = "stock/standardised_catch_rate"
    condition = "brown_trout/stock/relative_weight"
    assert [f.results for f in key] == [
        (f"trend_per_year/brown_trout/{catch}", f"smoothed_change/brown_trout/{catch}"),
        (f"trend_per_year/{condition}", f"smoothed_change/{condition}"),
        (f"trend_per_year/rainbow_trout/{catch}", f"smoothed_change/rainbow_trout/{catch}"),
        (f"trend_per_year/smallmouth_bass/{catch}",),
    ]


@pytest.mark.parametrize(
    ("lower", "value", "upper", "key"), [(1.5, 2.3, 3.1, True), (-3.1, -2.3, -1.5, True), (-0.2, 0.1, 0.4, False)]
)
def test_a_rise_or_fall_of_condition_is_key_and_a_steady_one_is_not(made, demo_context, lower, value, upper, key):
    e = Estimate(value, (upper - lower) / 4, lower, upper, 0.95, "percent per year", "made up", 10)

    def told(restates):
        shown = [
            dataclasses.replace(one, result=dataclasses.replace(one.result, estimate=e), adjusted_p=0.001, smooth=None,
                                restates=restates)
            for one in made.lead
            if (one.series.quantity, one.series.species, one.series.size_class) == ("relative_weight", "brown_trout", "stock")
        ]  # fmt: skip
        said = trend_words.findings(shown, made.counts, made.moves, demo_context).items
        return next(f for f in said if "mean relative weight" in f.text and str(abs(value)) in f.text)

    assert told(False).key is key
    assert not told(True).key  # it gives way to the index that it restates


def _changed(made: Made, lower, value, upper, **more):
    """The lead trends with the catch rate of brown trout at these percent a year, and nothing to say of its smoothed level."""
    more = {"smooth": None, **more}
    out = []
    for one in made.lead:
        if (one.series.quantity, one.series.species, one.series.size_class) == (catch_model.QUANTITY, "brown_trout", "stock"):
            e = Estimate(value, (upper - lower) / 4, lower, upper, 0.95, "percent per year", "made up", 10)
            one = dataclasses.replace(one, result=dataclasses.replace(one.result, estimate=e), **more)
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
    found = trend_words.findings(
        _changed(made, lower, value, upper, adjusted_p=0.001), made.counts, made.moves, demo_context
    ).items
    (about,) = [f for f in found if f.key and f.results[0].startswith("trend_per_year/brown_trout/stock/standardised")]
    assert about.direction == direction and words in about.text


def test_steady_is_narrow_for_condition_and_for_shares():
    steady = trend_words.STEADY
    assert steady["relative_weight"] < steady["proportional_size"] < steady["catch_rate"]
    assert set(steady) == set(trend.QUANTITIES)


def _lead_catch(made: Made):
    """The catch rate of brown trout, and what is said of it."""
    catch = "brown_trout/stock/standardised_catch_rate"
    return next(t for t in made.lead if t.result.id == f"trend_per_year/{catch}"), catch


@pytest.mark.parametrize(
    ("low", "value", "high", "found", "words"),
    [
        (6.0, 42.0, 90.0, "up",
         " was higher in 2025 than in 2016, with sampling error smoothed out, by 42% (95% interval 6 to 90); a rise is"),
        (-60.0, -40.0, -10.0, "down",
         " was lower in 2025 than in 2016, with sampling error smoothed out, by 40% (95% interval 10 to 60); a fall is"),
        (-10.0, 15.0, 50.0, "unclear", "rose or fell over the 10 seasons from 2016 to 2025 cannot be told"),
    ],
)  # fmt: skip
def test_last_season_against_the_first_and_no_steady_trend_in_one_sentence(made, demo_context, low, value, high, found, words):
    one, catch = _lead_catch(made)
    change = Estimate(value, 1.0, low, high, 0.95, "percent", "made up", 10)
    shown = _changed(made, -1.0, 4.0, 9.0, smooth=dataclasses.replace(one.smooth, change=change), smooth_adjusted_p=0.001)
    said = [
        f for f in trend_words.findings(shown, made.counts, made.moves, demo_context).items if any(catch in r for r in f.results)
    ]
    about = said[0]
    assert about.key and about.direction == found and words in about.text
    verb = {"up": "rose", "down": "fell"}.get(found)
    if verb:
        tail = f"whether it {verb} steadily cannot be told: anything from a fall of 1.0% a year to a rise of 9.0% a year"
        assert tail in about.text
        assert about.results == (f"trend_per_year/{catch}", f"smoothed_change/{catch}")
        assert not any(f.text.startswith("Whether") and f"trend_per_year/{catch}" in f.results for f in said)


def test_that_a_steady_trend_cannot_be_told_is_said_once_of_each_index(made, demo_context):
    found = trend_words.findings(made.lead, made.counts, made.moves, demo_context).items
    assert not any("no steady trend" in f.text for f in found)
    for one in made.lead:
        if one.result.estimate.estimable and not (one.result.estimate.lower > 0 or one.result.estimate.upper < 0):
            told = [f for f in found if "cannot be told" in f.text and one.result.id in f.results]
            steady = [f for f in found if f.direction == "steady" and one.result.id in f.results]
            assert len(told) + len(steady) == 1, one.result.id


@pytest.mark.parametrize(
    ("q", "words"),
    [
        (0.001, "; a fall is virtually certain."),
        (0.03, "; a fall is virtually certain."),
        (0.0501, "likely, but it does not stand after adjusting for the {n} trends tested (adjusted p just over 0.05)."),
        (0.074, "; a fall is likely, but it does not stand after adjusting for the {n} trends tested (adjusted p 0.074)."),
        (0.4, "; a fall is likely, but it does not stand after adjusting for the {n} trends tested (adjusted p 0.4)."),
        (math.nan, "; a fall is virtually certain."),
    ],
)
def test_a_trend_that_does_not_stand_only_seems_to_be_one(made, demo_context, q, words):
    shown = _changed(made, -9.0, -6.0, -3.0, adjusted_p=q)
    found = trend_words.findings(shown, made.counts, made.moves, demo_context).items
    (about,) = [f for f in found if f.key and f.results[0].startswith("trend_per_year/brown_trout/stock/standardised")]
    stands = not q >= 0.05
    assert about.direction == ("down" if stands else "unclear") and about.text.endswith(words.format(n=made.counts.tested))


@pytest.mark.parametrize(("q", "beside"), [(0.001, False), (0.074, True)])
def test_a_trend_that_does_not_stand_has_the_seasons_compared_beside_it(made, demo_context, q, beside):
    one, catch = _lead_catch(made)
    change = Estimate(-40.0, 1.0, -60.0, -10.0, 0.95, "percent", "made up", 10)
    smooth = dataclasses.replace(one.smooth, change=change)
    shown = _changed(made, -9.0, -6.0, -3.0, adjusted_p=q, smooth=smooth, smooth_adjusted_p=0.001)
    found = trend_words.findings(shown, made.counts, made.moves, demo_context).items
    about = [f for f in found if f"trend_per_year/{catch}" in f.results and f.direction != "none"]
    assert len(about) == 1  # one sentence, not one for the trend and one for the comparison
    if not beside:
        assert about[0].results == (f"trend_per_year/{catch}",) and "fell over the 10 seasons" in about[0].text
    else:
        assert about[0].results == (f"trend_per_year/{catch}", f"smoothed_change/{catch}") and about[0].key
        assert about[0].direction == "down" and "; a fall is virtually certain; it seems to have fallen steadily" in about[0].text
        lost = f"that does not stand after adjusting for the {made.counts.tested} trends tested (adjusted p 0.074)."
        assert about[0].text.endswith(f", by 6.0% a year (95% interval 3.0 to 9.0), but {lost}")


def test_a_share_near_zero_is_not_called_steady(made, demo_context):
    """Rainbow trout of preferred length: none in nine of ten seasons."""
    found = trend_words.findings(made.lead, made.counts, made.moves, demo_context).items
    (about,) = [f for f in found if "trend_per_year/rainbow_trout/preferred/proportional_size" in f.results]
    assert about.direction == "none"
    assert "no trend could be estimated for share of stock fish that reach preferred length: 0% in 9 of 10 seasons" in about.text


@pytest.mark.parametrize(("level", "margin"), [(77.0, 1.0), (20.0, 1.0), (12.0, 0.6), (2.4, 0.1), (0.0, 0.0)])
def test_steady_is_narrower_for_a_small_share(made, level, margin):
    share = next(t.series for t in made.lead if t.series.quantity == "proportional_size")
    assert trend_words.steady_margin(dataclasses.replace(share, value=np.full(10, level))) == pytest.approx(margin)
    assert trend_words.steady_margin(dataclasses.replace(share, quantity="catch_rate", units="fish/h")) == 2.0


def test_the_number_of_tests_is_said(made, demo_context):
    texts = [f.text for f in trend_words.findings(made.lead, made.counts, made.moves, demo_context).items]
    said, moved = [text for text in texts if "were tested" in text]
    assert moved.startswith(f"{made.moves.tested} smoothed changes from the first season to the last were tested;")
    assert said.startswith(f"{made.counts.tested} trends of catch rate, size, condition and mortality were tested, each ")
    assert f"question once; {made.counts.outside} of their intervals leave out zero (catch rate as caught of brown" in said
    assert f"about {0.05 * made.counts.tested:.1f} would by chance" in said


def test_those_that_stand_are_named(made, demo_context):
    assert exhibits.standing_words(made.moves, demo_context) == (
        "5 stand after adjusting for the number: relative weight of brown trout, stock; standardised catch rate of rainbow trout, stock and quality; share by length of smallmouth bass, quality; mean "
        "length of smallmouth bass, stock"
    )
    assert exhibits.outside_words(made.counts, demo_context) == (
        " (catch rate as caught of brown trout, preferred and memorable; relative weight of brown trout, memorable; "
        "standardised catch rate of rainbow trout, stock)"
    )
    assert exhibits.outside_words(dataclasses.replace(made.counts, apart=()), demo_context) == ""
    caught = next(t.series for t in made.trends if t.series.quantity == "catch_rate")
    one = dataclasses.replace(made.counts, standing=(caught,))
    assert exhibits.standing_words(one, demo_context).startswith("1 stands after adjusting for the number: catch rate")
    none = dataclasses.replace(made.counts, standing=())
    assert exhibits.standing_words(none, demo_context) == "none stands after adjusting for the number"
    share = next(t.series for t in made.lead if t.series.quantity == "proportional_size")
    of_share = dataclasses.replace(made.counts, standing=(share,))
    assert exhibits.standing_words(of_share, demo_context).endswith(": share by length of brown trout, quality")


def test_trend_table_shows_what_was_estimated(made, demo_context):
    table = exhibits.trend_table(made.lead, made.counts, made.moves, demo_context)
    assert len(table.rows) == len(made.lead) == len(table.data)
    for row, one in zip(table.rows, made.lead, strict=True):
        if not one.result.estimate.estimable:
            assert row[2] == "not estimable"
            continue
        shown = float(row[2].split("%")[0].split(" ")[0].replace("−", "-"))
        assert shown == pytest.approx(one.result.estimate.value, abs=0.6)


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


def test_objectives_read_without_colour(made, demo_context):
    figure = objectives.objective_figure(made.outcomes, made.history, demo_context)
    assert all(word in figure.svg for word in ("Met", "Not met", "Not yet known"))
    table = objectives.objective_table(made.outcomes, made.history, demo_context)
    assert {row[4] for row in table.rows} <= {"Met", "Not met", "Not yet known"}
    for row, before in zip(table.rows, made.history, strict=True):
        if before:
            assert row[5] == f"{sum(o.verdict == 'met' for o in before.values())} of {len(before)}"
    assert [row[5].split(" of ")[1] for row in table.rows if "mean of 3 seasons" in row[1]] == ["8", "8"]
    assert "A mean of 3 seasons is not judged where fewer than 3 could be estimated" in table.notes[1]


@pytest.mark.parametrize("wanted", ["season == 2025", "season >= 2023", "run_id == '2025-S01-A'"])
def test_little_data_say_so_and_draw_nothing_false(demo_study, demo_survey, demo_context, wanted):
    few = make_trends(demo_study, _only(demo_survey, lambda runs: runs.eval(wanted)))
    assert few.counts.tested == 0
    found = _findings(few, demo_context)
    assert any("no trend could be estimated" in f.text for f in found)
    assert all(f.direction in ("none", "unclear") for f in found)
    assert all(set(f.results) <= few.ids for f in found)
    for shown in (*_figures(few, demo_context), *_tables(few, demo_context)):
        if shown is not None:
            shown._repr_mimebundle_()


def test_no_runs_at_all(demo_study, demo_survey, demo_context):
    none = make_trends(demo_study, _only(demo_survey, lambda runs: runs["season"] < 0))
    assert _figures(none, demo_context) == [None] * 5
    assert all("cannot" in f.text or "not yet known" in f.text for f in _findings(none, demo_context))
