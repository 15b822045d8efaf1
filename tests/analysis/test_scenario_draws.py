"""A few draws that stand for all: the slider's cell of today's rule against the table, percent changes, and the creel survey."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from fishreport.analysis import scenario_grid as grids
from fishreport.analysis import scenarios as analysis
from fishreport.analysis.classes import study_classes
from fishreport.analysis.rules import rules_of
from fishreport.analysis.scenario_changes import creel_check, percent_change
from fishreport.analysis.scenario_draws import representative
from fishreport.analysis.scenario_inputs import species_inputs
from fishreport.analysis.scenarios import Comparison
from fishreport.methods.estimate import Estimate
from fishreport.population.dynamics import project
from fishreport.population.projection import Projection
from fishreport.population.regulation import Regulation
from fishreport.study import Study, read_study

TAILS = [0.025, 0.5, 0.975]


@pytest.fixture(scope="module")
def study(repository) -> Study:
    """The demo with all of its draws."""
    return read_study(repository / "demo_inputs", overrides={"parameters.resamples": 200})


@pytest.fixture(scope="module", params=[0, 1], ids=["brown trout", "rainbow trout"])
def one(study, demo_survey, request) -> Comparison:
    own = study_classes(study)[request.param]
    inputs = species_inputs(study, demo_survey, own, rules_of(study)[own.species.key][:2], np.random.default_rng(5))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(analysis, "VARIED", {"noncompliance": (0.05,)})
        return analysis.compare_species(study, demo_survey, inputs, np.random.default_rng(8))


def test_the_sliders_cell_of_today_agrees_with_the_table(one):
    """Of each measure, medians within 5 % and limits within 10 % of the width of the table's interval, over 50 of 300 draws."""
    grid = grids.explorer_grid(one, np.random.default_rng(1), step_mm=150.0)
    assert grid.minimum_mm[grid.start] == 356
    cell = grid.values[:, grid.start, grid.effort.index(1.0)]
    assert cell.shape[1] == grids.GRID_DRAWS == 50
    assert cell == pytest.approx(grid.today, rel=1e-9)
    for measure, few in zip(grid.measures, cell, strict=True):
        table = one.outcomes[measure.quantity, 10][0].value
        off = np.abs(np.quantile(few, TAILS) - [table.lower, table.value, table.upper]) / (table.upper - table.lower)
        assert off[1] < 0.05, measure
        assert off.max() < 0.1, measure


def test_the_grid_meets_the_recruitment_of_its_draws(one):
    """Each draw of the grid is that of the table but for the growth groups (5 of 7) and a bag limit that hardly ever binds."""
    grid = grids.explorer_grid(one, np.random.default_rng(1), step_mm=300.0)
    index = analysis.chosen_draws(one, grids.GRID_DRAWS, 0.95)
    large = next(k for k, measure in enumerate(grid.measures) if measure.result == "scenario_trophy")
    table = one.projection.at(grid.measures[large].quantity)[0, index]
    assert grid.today[large] == pytest.approx(table, rel=0.08)
    assert np.median(grid.today[large] / table) == pytest.approx(1.0, abs=0.03)


def test_what_hangs_on_assumptions_starts_from_the_table(one):
    """As assumed, differences from today's rule: medians within 2 % and limits within 10 % of the width, over 30 of 300 draws."""
    assert one.sensitivity.draws == analysis.SENSITIVITY_DRAWS == 30
    (case,) = one.sensitivity.cases
    table = one.outcomes[one.sensitivity_measure.quantity, 10]
    for few, every in zip(case.outcomes[1:], table[1:], strict=True):
        a, b = few.verdict.difference, every.verdict.difference
        width = b.upper - b.lower
        assert a.value == pytest.approx(b.value, abs=0.02 * width)
        assert (a.lower, a.upper) == pytest.approx((b.lower, b.upper), abs=0.1 * width)


def test_what_is_not_worked_out_again_is_the_same(study, one):
    """A projection of some draws by themselves, with the luck that they met, gives what those draws gave among all."""
    index, quantity = np.arange(3, 300, 60), one.sensitivity_measure.quantity
    alone = project(
        one.inputs.life.take(index), one.inputs.rules, years=10, rng=np.random.default_rng(9),
        angling=one.inputs.angling.take(index), categories=one.inputs.categories, length_km=one.inputs.length_km,
        quantities=[quantity], deviations=one.deviations[index],
    )  # fmt: skip
    taken = one.projection.take(index)
    assert alone.at(quantity) == pytest.approx(taken.at(quantity), rel=1e-9)
    assert all(values.shape == (5,) for values in (*taken.inputs.values(), *taken.today.values()))
    assert taken.ledger is None


@pytest.mark.parametrize(
    ("rule", "step", "stops", "start"),
    [
        (Regulation(minimum_length_mm=356, bag_limit=5), 100.0, [0, 100, 200, 300, 356, 500, 600, 700], 4),
        (Regulation(minimum_length_mm=30), 100.0, [0, 30, 100, 200, 300, 400, 500, 600, 700], 1),
        (Regulation(minimum_length_mm=900), 300.0, [0, 300, 600, 900], 3),
        (Regulation(minimum_length_mm=1200), 300.0, [0, 300, 600, 900, 1200], 4),
        (Regulation(harvest_slot_mm=(250, 350)), 300.0, [0, 300, 600, 900], 0),
    ],
)
def test_todays_minimum_is_a_stop_and_the_start(one, rule, step, stops, start):
    """Lengths go to a step past the asymptotic length, 500 mm and more for one of the species; shorter lists are cut alike."""
    inputs = dataclasses.replace(one.inputs, rules=(rule,), life=dataclasses.replace(one.inputs.life, asymptotic_length_mm=550.0))
    made, place = grids._stops(dataclasses.replace(one, inputs=inputs), step)
    assert (list(made), place) == (stops, start)


def test_few_draws_have_the_quantiles_of_all():
    rng = np.random.default_rng(2)
    main = rng.lognormal(3.0, 0.5, 300)
    others = [main * rng.lognormal(0.0, 0.3, 300), rng.gamma(2.0, 10.0, 300), np.full(300, 7.0)]
    chosen = representative([main, *others], 50)
    assert len(set(chosen)) == 50
    assert (np.diff(chosen) > 0).all()
    # One of every six, in the order of the main outcome.
    assert np.bincount(np.argsort(np.argsort(main))[chosen] // 6).tolist() == [1] * 50
    for values in (main, *others[:2]):
        every, few = np.quantile(values, TAILS), np.quantile(values[chosen], TAILS)
        assert np.abs(few - every).max() < 0.08 * (every[2] - every[0])
    lucky = [np.abs(np.quantile(main[rng.choice(300, 50)], TAILS) - np.quantile(main, TAILS)).max() for _ in range(50)]
    assert np.abs(np.quantile(main[chosen], TAILS) - np.quantile(main, TAILS)).max() < 0.5 * np.median(lucky)


def test_as_many_draws_as_there_are():
    assert representative([np.arange(9.0)], 9).tolist() == list(range(9))
    assert representative([np.arange(9.0)], 50).tolist() == list(range(9))
    assert len(representative([np.ones(30)], 10)) == 10
    assert len(representative([np.where(np.arange(30) > 20, np.nan, 1.0), np.full(30, np.nan)], 10)) == 10


def projection(values: list[list[float]]) -> Projection:
    array = np.array(values)[:, :, None, None]
    names = tuple("AB")
    return Projection(array, ("harvest_number",), np.array([1]), names, names, {}, {})


def test_percent_of_todays_rule_by_hand():
    same, half = percent_change(projection([[10.0, 20.0, 40.0, 0.0], [5.0, 10.0, 30.0, 3.0]]), "harvest_number", level=0.5)
    assert (same.lower, same.value, same.upper) == (0, 0, 0)
    assert half.value == pytest.approx(-50.0)  # of -50, -50 and -25; the fourth draw has nothing to be a share of
    assert half.upper == pytest.approx(-37.5)
    assert half.n == 3
    assert "1 of 4 draws have none under today's rule" in half.notes[0]
    none = percent_change(projection([[0.0, 0.0], [1.0, 2.0]]), "harvest_number", level=0.95)
    assert not none[1].estimable


def test_the_creel_survey_and_the_model(one):
    """301 brown trout and 214 rainbow trout kept (harvest.csv, 2025) over 14.2 km: 21.2 and 15.1 fish/km."""
    kept = {"brown_trout": 301, "rainbow_trout": 214}[one.inputs.key]
    assert one.creel.year == 2025
    assert one.creel.counted.value == pytest.approx(kept / 14.2, rel=0.03)
    assert one.creel.modelled.value == pytest.approx(kept / 14.2, rel=0.15)
    assert one.creel.agree
    # With what is kept against the rule the model's brown trout would be far above the survey.
    if one.inputs.key == "brown_trout":
        assert np.median(one.projection.at("harvest_number", year=1)[0]) > 1.5 * kept / 14.2


@pytest.mark.parametrize(("low", "high", "agree"), [(1.0, 5.0, False), (3.0, 9.0, True), (12.0, 15.0, True), (14.0, 20.0, False)])
def test_intervals_that_meet_are_no_agreement_yet(low, high, agree):
    """The interval of the difference decides: the intervals of all four meet that from 5 to 15."""
    counted = Estimate((low + high) / 2, 1.0, low, high, 0.95, "fish/km", "", 9)
    assert creel_check((2025, counted), Estimate(10.0, 2.0, 5.0, 15.0, 0.95, "fish/km", "", 9)).agree is agree
    assert creel_check(None, counted) is None
    assert creel_check((2025, counted), Estimate.not_estimable("none")) is None
