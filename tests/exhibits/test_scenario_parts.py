"""Exhibits of two rules and of two species, and small parts: differences as text, labels, contours, shades and controls."""

from __future__ import annotations

import dataclasses
import re

import numpy as np
import pytest

from fishreport.analysis import scenarios as analysis
from fishreport.analysis.classes import study_classes
from fishreport.analysis.result import Results
from fishreport.analysis.rules import rules_of
from fishreport.analysis.scenario_changes import CreelCheck
from fishreport.analysis.scenario_inputs import species_inputs
from fishreport.analysis.scenarios import Scenarios
from fishreport.exhibits import scenario_choice, scenario_figures, scenario_words
from fishreport.exhibits import scenarios as exhibits
from fishreport.exhibits.exhibit import Column, Control, Explorer, Table
from fishreport.exhibits.style import drawing, style
from fishreport.methods.estimate import Estimate
from fishreport.study import read_study


def test_two_rules_stand_side_by_side(rainbow, demo_context):
    (table,) = exhibits.outcomes_tables(rainbow, demo_context)
    assert table.label == "outcomes-rainbow-trout"
    assert [column.heading for column in table.columns] == ["Outcome", "Rule A", "Rule B", "B less A"]
    assert len(table.rows) == len(rainbow.measures)
    harvest = next(row for row in table.rows if row[0] == "Legal harvest, fish/km")
    values = rainbow.projection.at("legal_harvest_number")
    assert float(harvest[1].partition(" ")[0]) == pytest.approx(np.median(values[0]), abs=0.6)
    assert float(harvest[3].partition(" ")[0]) == pytest.approx(np.median(values[1] - values[0]), abs=0.6)
    assert not any("catch and release" in note.lower() for note in table.notes)
    alone = dataclasses.replace(rainbow, inputs=dataclasses.replace(rainbow.inputs, rules=rainbow.inputs.rules[:1]))
    alone = dataclasses.replace(alone, outcomes={key: of[:1] for key, of in rainbow.outcomes.items()})
    (table,) = exhibits.outcomes_tables(alone, demo_context)
    assert [column.heading for column in table.columns] == ["Outcome", "Rule A"]


def test_every_value_of_an_assumption_has_a_row_of_its_own(rainbow, demo_context):
    table = scenario_choice.sensitivity_table(rainbow, demo_context)
    assert [column.heading for column in table.columns] == ["If", "B less A"]
    assert [row[0] for row in table.rows] == ["0% kept", "20% kept"]
    assert table.notes[0] == "Shares in the first column: of protected fish caught that are kept against the rule."
    shown = [case.outcomes[1].verdict.difference.value for case in rainbow.sensitivity.cases]
    assert [float(row[1].partition(" ")[0]) for row in table.rows] == pytest.approx(shown, abs=0.6)
    assert all(re.fullmatch(r"[+−]\d+ \([−\d]+ to [−\d]+\)", row[1]) for row in table.rows)


def test_the_line_of_what_is_assumed_says_what_the_other_tables_say(rainbow, demo_study, demo_survey, demo_context):
    """Marked, with the median and limits of all draws, worked out over a part of them; and with few draws, over all."""
    inputs = rainbow.inputs
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(analysis, "VARIED", {"noncompliance": (0.0, 0.05), "voluntary_release": (0.5,)})
        patch.setattr(analysis, "SENSITIVITY_DRAWS", inputs.life.draws // 2)
        some = analysis.compare_species(demo_study, demo_survey, inputs, np.random.default_rng(8))
        patch.setattr(analysis, "SENSITIVITY_DRAWS", 10_000)
        every = analysis.compare_species(demo_study, demo_survey, inputs, np.random.default_rng(8))
    table = exhibits.outcomes_tables(every, demo_context)[0]
    large = scenario_words.measure_heading(every.sensitivity_measure, demo_context, every)
    told = next(row[3] for row in table.rows if row[0].startswith(large))
    assert ("5% kept, as assumed", told) in scenario_choice.sensitivity_table(every, demo_context).rows
    assert scenario_choice.sensitivity_table(every, demo_context).notes[1] == f"Over all {inputs.life.draws} draws."
    note = scenario_choice.sensitivity_table(some, demo_context).notes[1]
    assert note.startswith(f"Over {inputs.life.draws // 2} of the {inputs.life.draws} draws, chosen to")
    rows = scenario_choice.sensitivity_table(some, demo_context).rows
    assert [row[0].count("as assumed") for row in rows] == [0, 1, 0]


def test_inputs_of_two_species_are_one_table(rainbow, demo_context):
    other = dataclasses.replace(rainbow, inputs=dataclasses.replace(rainbow.inputs, key="brown_trout", notes=("one thing",)))
    (table,) = exhibits.inputs_tables([other, rainbow], demo_context)
    assert [column.heading for column in table.columns] == ["Input", "Brown trout", "Rainbow trout", "Origin, and from what"]
    assert table.caption.startswith("Brown trout and rainbow trout: ")
    assert {row["species"] for row in table.data} == {"brown_trout", "rainbow_trout"}
    assert all(row[1] == row[2] and "brown trout:" not in row[3] for row in table.rows)
    assert "Brown trout: one thing." in table.notes
    assert any(note.startswith("Rainbow trout: fishing mortality is that of fish open to harvest") for note in table.notes)
    assert [table.label for table in exhibits.inputs_tables([rainbow], demo_context)] == ["inputs-rainbow-trout"]
    lengths = [len(exhibits.inputs_tables([rainbow] * n, demo_context)) for n in (0, 1, 2, 3)]
    assert lengths == [0, 1, 1, 3]


def test_no_label_of_a_contour_lies_on_the_frame():
    x, y = np.linspace(0.0, 95.0, 20), np.linspace(0.0, 500.0, 11)
    with style():
        ax = drawing(1, 1, height=2.7)[1][0, 0]
        z = np.broadcast_to(80 * np.exp(-x / 20), (11, 20)) + y[:, None] / 100
        scenario_figures._contours(ax, x, y, z)
    assert ax.texts
    assert all(0.05 * 95 < text.get_position()[0] < 0.95 * 95 for text in ax.texts)
    assert "0" not in [text.get_text() for text in ax.texts]
    across, up = ax.texts[0].get_position()
    with style():
        again = drawing(1, 1, height=2.7)[1][0, 0]
        scenario_figures._contours(again, x, y, z, (across - 3, across + 3, up))
    assert len(again.texts) == len(ax.texts) - 1


@pytest.mark.parametrize(
    ("gap", "value", "shown"),
    [
        ((-5.2, -10.4, -2.6), 38.0, ("−5", "−10 to −3")),
        ((0.9, 0.5, 1.7), 46.0, ("+0.9", "0.5 to 1.7")),
        ((-37.0, -73.0, -19.0), 490.0, ("−37", "−73 to −19")),
        ((0.0055, 0.0027, 0.0114), 0.222, ("+0.006", "0.003 to 0.011")),
        ((-0.00079, -0.0019, 0.0004), 0.231, ("−0.001", "−0.002 to 0.000")),
        ((0.2, 0.1, 0.4), 38.0, ("+0.2", "0.1 to 0.4")),  # told from zero, so that its limits are not rounded to it
        ((0.0, 0.0, 0.0), 38.0, ("0", "—")),
    ],
)
def test_a_difference_has_about_the_decimals_of_what_it_differs_from(demo_context, gap, value, shown):
    middle, low, high = gap
    from_what = Estimate(value, value / 6, 0.6 * value, 1.7 * value, 0.95, "", "", 9)
    assert exhibits.gap_text(Estimate(middle, 1.0, low, high, 0.95, "", "", 9), from_what, demo_context) == shown


def test_a_label_is_no_longer_than_its_axis():
    assert scenario_figures._wrapped("Fish of quality length (400 mm)\n(fish/km)", 26).split("\n") == [
        "Fish of quality length", "(400 mm)", "(fish/km)"
    ]  # fmt: skip


def test_shades_and_controls_are_checked():
    columns, rows = (Column("a"), Column("b")), (("x", "0.5"),)
    with pytest.raises(ValueError, match="shades need one entry a cell"):
        Table("t", "Caption.", columns, rows, shades=((0.5,),))
    with pytest.raises(ValueError, match="a shade is from 0 to 1"):
        Table("t", "Caption.", columns, rows, shades=((None, 1.5),))
    with pytest.raises(ValueError, match="needs two steps or more"):
        Control("c", ("one",))
    table = Table("t", "Caption.", columns, rows)
    two = Control("c", ("one", "two"))
    with pytest.raises(ValueError, match="needs 4 cells"):
        Explorer(table, "Move.", (two, two), ("o",), (("1", "2", "3"),), (None,), ("a", "b", "c"))


def test_what_is_assumed_of_anglers_is_listed_under_every_kind_of_gear(repository, demo_survey, demo_context):
    """Odds of 0.05 times those between 2.6 and 10 %, the published means (Taylor and White 1992, second-hand)."""
    study = read_study(repository / "demo_inputs", overrides={"parameters.draws": 40, "parameters.resamples": 100})
    own, rules = study_classes(study)[0], rules_of(study)["brown_trout"]
    inputs = species_inputs(study, demo_survey, own, rules, np.random.default_rng(5))
    told = {source.name: source for source in inputs.sources}
    odds = 0.05 / 0.95 * (0.026 / 0.974) / (0.1 / 0.9)
    assert told["release_mortality: barbless flies and lures"].estimate.value == pytest.approx(odds / (1 + odds))
    assert [told[name].estimate.value for name in ("release_mortality", "hours_per_trip", "catch_dispersion")] == [0.05, 4.0, 1.0]
    given = own.species.life_history
    for name in ("steepness", "recruitment_sd", "recruitment_autocorrelation"):
        assert told[name].estimate.value == getattr(given, name)
        assert told[name].origin == ("given by hand" if name in given.model_fields_set else "default")
    assert "Beverton and Holt's recruitment; spawning in November" in told["steepness"].how
    (table,) = exhibits.inputs_tables([analysis.Comparison(inputs)], demo_context)
    assert any(row[0] == "Share of released fish that die, barbless flies and lures" for row in table.rows)
    own_share = (rules[0], rules[1].replace(release_mortality=0.2))
    inputs = species_inputs(study, demo_survey, own, own_share, np.random.default_rng(5))
    told = {source.name: source for source in inputs.sources}
    assert told[f"release_mortality: {rules[1].name}"].estimate.value == pytest.approx(0.2)
    alike = species_inputs(study, demo_survey, own, rules[:2], np.random.default_rng(5))
    assert not [source.name for source in alike.sources if source.name.startswith("release_mortality: ")]


def test_deaths_of_release_are_varied_under_todays_rule_where_gear_differs(rainbow, demo_context):
    given = rainbow.inputs.rules[1]
    case = rainbow.sensitivity.cases[0]
    outcomes = (*case.outcomes, *case.outcomes[1:], *case.outcomes[1:])
    case = dataclasses.replace(case, assumption="release_mortality", value=0.2, outcomes=outcomes)
    varied = dataclasses.replace(rainbow.sensitivity, cases=(case,))
    for gear, told in ((given.gear, False), ("bait", True)):
        rules = (*rainbow.inputs.rules, given.replace(gear=gear), given)
        changed = dataclasses.replace(rainbow, inputs=dataclasses.replace(rainbow.inputs, rules=rules), sensitivity=varied)
        table = scenario_choice.sensitivity_table(changed, demo_context)
        assert [row[0] for row in table.rows] == ["20% die"]
        assert any("is that under today's rule" in note for note in table.notes) is told


def test_the_creel_survey_beside_the_model_in_words(rainbow, demo_context):
    def words(counted: float, low: float, high: float) -> str:
        e = Estimate(10.0, 0.5, 9.0, 11.0, 0.95, "fish/km", "", 9)
        check = CreelCheck(2025, Estimate(counted, (high - low) / 4, low, high, 0.95, "fish/km", "", 9), e)
        return scenario_words.creel_words(dataclasses.replace(rainbow, creel=check), demo_context)

    off = ", so that one of them is off, and every harvest here with it"
    assert re.search(rf"the model gives about half of what was counted \(50%, 95% interval 4\d to 5\d\){off}$", words(20, 18, 22))
    assert re.search(
        rf"the model gives about twice what was counted \(200%, 95% interval 17\d to 2[23]\d\){off}$", words(5, 4.5, 5.5)
    )
    assert re.search(rf"the model gives 71% of what was counted \(95% interval 6\d to 8\d\){off}$", words(14, 13, 15))
    assert re.search(
        r"cannot be told apart \(the model gives 91% of what was counted, 95% interval \d+ to 1\d+\)$", words(11, 9, 13)
    )


def test_a_closed_seasons_catch_rate_is_marked_in_sentence_and_tables(rainbow, demo_context):
    rules = rainbow.inputs.rules
    closed = (rules[0], rules[1].replace(closed_months=(11, 12)))
    three = (*closed, rules[1])
    mark = "in the months open to angling, not like for like with today's"
    for chosen, marked in ((closed, True), (rules, False)):
        one = dataclasses.replace(rainbow, inputs=dataclasses.replace(rainbow.inputs, rules=chosen))
        found = Scenarios(Results([]), {"rainbow_trout": one})
        text = scenario_words._against_today(found, one, 1, demo_context).text
        assert bool(re.search(rf"anglers' catch rate \d+% higher \([^)]*\) {mark}", text)) is marked
        rates = tuple(measure for measure in one.measures if measure.result == "scenario_catch_rate")
        alone = dataclasses.replace(one, measures=rates, aims=())
        assert scenario_words._against_today(found, alone, 1, demo_context).direction == ("none" if marked else "up")
    (note,) = scenario_words.catch_rate_notes(
        dataclasses.replace(rainbow, inputs=dataclasses.replace(rainbow.inputs, rules=three))
    )
    assert note == "The catch rate of rule B is that of its own open months, and so not like for like with those of other rules."
    assert scenario_words.catch_rate_notes(rainbow) == []
