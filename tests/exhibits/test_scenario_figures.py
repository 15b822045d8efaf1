"""Drawings of the scenarios chapter and its page with sliders."""

from __future__ import annotations

import dataclasses
import json
import re
import xml.etree.ElementTree as ET

import numpy as np
import pytest
from scenario_sample import ALL_SIGNS, context_in, few_draws, make_scenarios

from fishreport.analysis import scenario_grid as grids
from fishreport.exhibits import explorer, scenario_choice, scenario_figures
from fishreport.exhibits import scenarios as exhibits


@pytest.fixture(scope="module")
def study(repository):
    return few_draws(repository)


@pytest.fixture(scope="module")
def found(study, demo_survey):
    return make_scenarios(study, demo_survey)


@pytest.fixture(scope="module")
def one(found):
    return found.species["brown_trout"]


@pytest.fixture(scope="module")
def grid(one):
    return grids.explorer_grid(one, np.random.default_rng(3), step_mm=100.0)


@pytest.mark.parametrize("units", ["metric", "us"])
def test_figures_say_what_they_show(one, repository, units):
    context = context_in(repository, units)
    made = [
        *scenario_figures.fan_figures(one, ["scenario_trophy"], context),
        scenario_figures.isopleth_figure(one, grids.yield_map(one, step_mm=100.0), context),
        scenario_figures.drivers_figure(one, context),
    ]
    for figure in made:
        text = " ".join(ET.fromstring(figure.svg).itertext())
        assert len(figure.alt) > 60
        assert figure.table.rows
        assert not ALL_SIGNS.search(figure.alt + figure.caption)
        assert ("fish/km" in text) is (units == "metric" and figure is made[0])
    assert scenario_figures.fan_figures(one, ["scenario_nothing"], context) == []


def test_the_fan_is_drawn_from_quantiles(one, demo_context):
    figure, harvest = scenario_figures.fan_figures(one, ["scenario_trophy", "scenario_harvest"], demo_context)
    assert (figure.label, harvest.label) == ("years-trophy-brown-trout", "years-harvest-brown-trout")
    values = one.projection.get("density_trophy")[2, :, 6]
    record = next(r for r in figure.table.data if r["scenario"].startswith("Slot") and r["year"] == 2032)
    assert record["median"] == pytest.approx(np.median(values))
    assert record["quarter"] == pytest.approx(np.quantile(values, 0.25))
    assert record["upper"] == pytest.approx(np.quantile(values, 0.975))
    titles = " ".join(ET.fromstring(figure.svg).itertext())
    assert all(f"{letter}  " in titles for letter in "BCDE")


def test_two_rules_share_one_drawing(one, demo_context):
    ahead = dataclasses.replace(one.projection, values=one.projection.values[:2], scenarios=one.projection.scenarios[:2])
    two = dataclasses.replace(one, inputs=dataclasses.replace(one.inputs, rules=one.inputs.rules[:2]), projection=ahead)
    two = dataclasses.replace(two, outcomes={key: of[:2] for key, of in one.outcomes.items()})
    (figure,) = scenario_figures.fan_figures(two, ["scenario_trophy", "scenario_harvest"], demo_context)
    assert figure.label == "years-brown-trout"
    text = " ".join(ET.fromstring(figure.svg).itertext())
    assert "(fish/km)" in text
    assert {row["quantity"] for row in figure.table.data} == {"scenario_trophy", "scenario_harvest"}
    assert "trophy length (460 mm) and legal harvest" in figure.caption


def test_bars_of_drivers_are_the_shares_of_the_caption(one, demo_context):
    figure = scenario_figures.drivers_figure(one, demo_context)
    words = [text for text in ET.fromstring(figure.svg).itertext() if re.fullmatch(r"\d+%", text.strip())]
    shares = [[100 * driver.variance_share for driver in item.drivers[:5]] for _, item in one.drivers]
    assert [int(word.strip()[:-1]) for word in words] == [round(share) for part in shares for share in part]
    assert all(part == sorted(part, reverse=True) for part in shares)
    for part in shares:
        assert f"({part[0]:.0f}%" in figure.caption
    assert "answer falls as the input rises" in " ".join(ET.fromstring(figure.svg).itertext())


def test_contours_on_the_frame_have_no_label(one, demo_context):
    figure = scenario_figures.isopleth_figure(one, grids.yield_map(one, step_mm=100.0), demo_context)
    grid = grids.yield_map(one, step_mm=100.0).grid
    assert np.median(grid.yield_g, axis=-1).min() == 0
    labels = [text.strip() for text in ET.fromstring(figure.svg).itertext() if text.strip() == "0"]
    assert len(labels) == 3  # the axes' own: two of exploitation, one of length


def test_the_explorer_holds_every_cell(one, grid, demo_context):
    made = explorer.explorer(one, grid, demo_context)
    lengths, efforts, measures = len(grid.minimum_mm), len(grid.effort), len(grid.measures)
    assert len(made.cells) == lengths * efforts * measures
    i, j, k = 3, 1, 0
    low, middle, high = np.quantile(grid.values[k, i, j], [0.025, 0.5, 0.975])
    value, interval, against = made.cells[(i * efforts + j) * measures + k]
    assert float(value.replace(",", "")) == pytest.approx(middle, abs=0.6)
    assert [float(x) for x in interval.split(" to ")] == pytest.approx([low, high], abs=0.6)
    gap = np.median(grid.values[k, i, j] - grid.today[k])
    assert abs(gap) < 0.5 or against.startswith("+") == (gap > 0)
    assert made.controls[0].steps[0] == "no minimum length"
    assert made.controls[0].steps[made.controls[0].start] == "356 mm"
    start = made.controls[0].start * efforts + made.controls[1].start
    assert {made.cells[start * measures + k][2] for k in range(measures)} == {"0"}  # today's rule is no different from itself
    assert "356 mm" in [row[0] for row in made.table.rows]
    assert made.controls[1].steps[made.controls[1].start].startswith("as today")
    assert all(bar is None or 0 <= bar[0] <= bar[1] <= bar[2] <= 100 for bar in made.bars)
    assert len(made.table.data) == len(made.cells)
    bundle = made._repr_mimebundle_()
    assert json.loads(json.dumps(bundle))["application/vnd.fishreport.explorer+json"]["table"]["label"] == "explorer-brown-trout"


def test_the_explorer_goes_by_inches(one, repository):
    context = context_in(repository, "us")
    assert explorer.step_mm(context) == 25.4
    small = grids.explorer_grid(one, np.random.default_rng(3), step_mm=127.0)
    made = explorer.explorer(one, small, context)
    assert made.controls[0].steps[1] == "5 in"
    assert "kg" not in " ".join(made.outcomes)


def test_alternatives_say_what_tables_and_captions_say(one, demo_context):
    """The numbers of the last year in the digits of the tables; what today's share of fish taken is a share of."""
    for figure in scenario_figures.fan_figures(one, ["scenario_trophy", "scenario_harvest"], demo_context):
        place = 0 if "harvest" in figure.label else 1
        quantity = ("legal_harvest_number", "density_trophy")[place]
        for rule, outcome in zip(one.inputs.rules, one.outcomes[quantity, 10], strict=True):
            assert f"{rule.name}: {exhibits.value_text(outcome.value, demo_context)}" in figure.alt
    figure = scenario_figures.isopleth_figure(one, grids.yield_map(one, step_mm=100.0), demo_context)
    share = re.search(
        r"were every fish caught kept and did none die otherwise, \d+% \(\d+ to \d+\) of those that anglers can catch",
        figure.caption,
    )
    assert share and share[0] in figure.alt


def test_tables_mark_the_catch_rates_of_other_months(one, demo_context):
    rules = (*one.inputs.rules[:4], one.inputs.rules[4].replace(closed_months=(1, 2)))
    other = dataclasses.replace(one, inputs=dataclasses.replace(one.inputs, rules=rules))
    for make in (scenario_choice.regret_table, scenario_choice.undecided_table):
        assert any("catch rate of rule E is that of its own" in note for note in make(other, demo_context).notes)
        assert not any("catch rate" in note for note in make(one, demo_context).notes)
