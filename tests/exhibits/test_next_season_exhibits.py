"""Tables, figures and sentences of the plan for next season."""

from __future__ import annotations

import dataclasses
import re
import xml.etree.ElementTree as ET

import numpy as np
import pytest

from fishreport.analysis import precision
from fishreport.exhibits import next_season as exhibits
from fishreport.exhibits.context import report_context
from fishreport.study import read_study


@pytest.fixture(scope="module")
def made(demo_study, demo_survey, demo_context):
    return precision.next_season(demo_study, demo_survey, demo_context.classes, np.random.default_rng(6))


@pytest.mark.parametrize("units", ["metric", "us"])
def test_figures_and_tables_hold_numbers_in_the_units_asked_for(made, repository, units):
    context = report_context(read_study(repository / "demo_inputs", overrides={"report.units": units}))
    for figure in (exhibits.precision_figure(made, 0.25, context), exhibits.power_figure(made, 0.8, context)):
        assert ET.fromstring(figure.svg).tag.endswith("svg")
        assert figure.table.rows and re.search(r"\d", figure.alt)
        assert "nan" not in f"{figure.alt}{figure.table.rows}"
    bins = exhibits.bin_table(made, "age", context)
    assert bins.rows[0][0].endswith("in" if units == "us" else "mm")
    assert bins.rows[-1][0] == "All bins"


@pytest.mark.parametrize("what", ["age", "weigh"])
def test_fish_of_all_lengths_add_up(made, demo_context, what):
    """Lengths in view and rarer ones make the total; the sentence on rarer ones stands where there are any."""
    table = exhibits.bin_table(made, what, demo_context)
    for place in range(1, len(table.columns)):
        column = [int(row[place].replace(",", "")) for row in table.rows if row[place] != "—"]
        assert sum(column[:-1]) == column[-1]
    rare = table.rows[-2][0] == "Rarer lengths"
    assert rare is (table.notes == (
        f"Rarer lengths are bins of fewer than one fish in a thousand each: fish to {what} of these are taken as met.",
    ))  # fmt: skip
    assert what == "age" or rare


def test_without_rarer_lengths_none_are_told_of(made, demo_context):
    one = made.species[0]
    frame = one.weigh.frame[one.weigh.frame["share"] >= 0.001]
    total = dataclasses.replace(one.weigh.total, value=float(frame["needed"].sum()))
    plan = dataclasses.replace(one, weigh=dataclasses.replace(one.weigh, frame=frame, total=total))
    table = exhibits.bin_table(dataclasses.replace(made, species=(plan,)), "weigh", demo_context)
    assert table.rows[-2][0] != "Rarer lengths"
    assert table.notes == ()


def test_curves_of_formula_and_simulation_are_both_drawn_with_this_season_marked(made, demo_context):
    figure = exhibits.precision_figure(made, 0.25, demo_context)
    assert all(words in figure.svg for words in ("by formula", "by simulation", "2025, as reported", "wanted"))
    power = exhibits.power_figure(made, 0.8, demo_context)
    assert all(f"fall of {change}% a year" in power.svg for change in (5, 10, 20))


def test_needs_table_shows_whole_numbers(made, demo_context):
    table = exhibits.needs_table(made, 0.25, demo_context)
    assert len(table.rows) == len(table.data) == 15
    assert all(re.fullmatch(r"[\d,]+|not estimable", row[3]) for row in table.rows)
    runs = made.results.one(quantity="runs_needed", species="brown_trout", size_class="stock")
    assert table.rows[0][3] == f"{runs.estimate.value:.0f}" and table.rows[0][5] == "24"


def test_sentences_are_plain_name_their_results_and_one_is_key(made, demo_context):
    found = exhibits.findings(made, 0.25, 0.8, demo_context).items
    ids = {r.id for r in made.results}
    assert all(f.results and set(f.results) <= ids for f in found)
    assert len({f.text for f in found}) == len(found)
    (key,) = [f for f in found if f.key]
    runs = made.results.one(quantity="runs_needed", species="brown_trout", size_class="stock").estimate
    head = f"About {runs.value:.0f} runs (95% interval {runs.lower:.0f} to {runs.upper:.0f}) would give the catch rate of brown trout"
    assert key.text.startswith(f"{head} of stock length (150 mm) and longer within 25%;")
    assert any("would tell a fall of 10% a year in the catch rate of brown trout" in f.text for f in found)


def test_runs_that_count_are_called_first_pass_runs_only_where_others_are_left_out(made, demo_context):
    def said(plan):
        figure = exhibits.precision_figure(plan, 0.25, demo_context)
        return " ".join(f.text for f in exhibits.findings(plan, 0.25, 0.8, demo_context).items) + figure.alt

    alone = [
        dataclasses.replace(one, reached=dataclasses.replace(one.reached, notes=()) if one.reached else None)
        for one in made.species
    ]
    told, plain = said(made), said(dataclasses.replace(made, species=tuple(alone)))
    assert "the 24 first-pass runs of 2025 gave it" in told and "the 24 first-pass runs of 2025 reached" in told
    assert "first-pass" not in plain and "the 24 runs of 2025 gave it" in plain


@pytest.mark.parametrize(
    ("side", "words", "key"),
    [
        (0.5, "few runs in each reach make it wider than so reckoned, and more would be needed", False),
        (0.05, "differences between reaches do not widen it, and fewer would do", False),
        (0.24, "up.", True),
    ],
)
def test_a_reported_interval_far_from_the_reckoning_is_explained(made, demo_context, side, words, key):
    """The reckoning gives the demo's runs 24% either way."""
    one = made.species[0]
    reached = dataclasses.replace(one.reached, lower=one.reached.value * (1 - side), upper=one.reached.value * (1 + side))
    (said,) = exhibits._runs(made, dataclasses.replace(one, reached=reached), 0.25, demo_context, key=True)
    assert said.text.endswith(words if key else f"{words}.") and said.key is key


def test_power_that_is_never_reached_is_said(made, demo_context):
    one = made.species[0]
    low = dataclasses.replace(one, power=dataclasses.replace(one.power, by_formula=np.full_like(one.power.by_formula, 0.1)))
    texts = [f.text for f in exhibits._power(made, low, 0.8, demo_context)]
    assert "not even after 15 seasons" in texts[0]
    # The simulation of the demo reaches far more than 0.1 in 10 seasons: both are told.
    assert "simulated surveys, in which fish grow scarce, give" in texts[0]


def test_sharing_follows_the_best_of_each_species(made, demo_context):
    def with_best(*repeats):
        keys = [one.species for one in made.species]
        sharing = dict(made.sharing)
        for key, n in zip(keys, repeats, strict=True):
            sharing[key, 1.0] = dataclasses.replace(sharing[key, 1.0], best={"runs_per_site": float(n)})
        (found,) = exhibits._sharing(dataclasses.replace(made, sharing=sharing), demo_context)
        return found.text

    assert "one run at each of more sites" in with_best(1, 1, 1)
    assert "2 runs a site give" in with_best(2, 2, 2)
    assert "1 for brown trout, 2 for rainbow trout and 3 for smallmouth bass" in with_best(1, 2, 3)


def test_nothing_estimable_draws_nothing(demo_study, demo_survey, demo_context):
    runs = demo_survey.runs.iloc[:0]
    empty = dataclasses.replace(demo_survey, runs=runs, fish=demo_survey.fish.iloc[:0], ages=demo_survey.ages.iloc[:0])
    none = precision.next_season(demo_study, empty, demo_context.classes, np.random.default_rng(6))
    assert exhibits.precision_figure(none, 0.25, demo_context) is None
    assert exhibits.power_figure(none, 0.8, demo_context) is None
    assert exhibits.sharing_table(none, demo_context) is None
    assert exhibits.spread_table(none, demo_context) is None
    assert exhibits.bin_table(none, "weigh", demo_context) is None
    texts = [f.text for f in exhibits.findings(none, 0.25, 0.8, demo_context).items]
    assert texts and all("could not be estimated" in text or "cannot be told" in text for text in texts)
