"""Tables, drawings and sentences of the scenario chapter, in both directions, and the explorer's cells."""

from __future__ import annotations

import dataclasses
import re

import numpy as np
import pytest
from scenario_sample import ALL_SIGNS, context_in, few_draws, make_scenarios

from fishreport.analysis import scenario_grid as grids
from fishreport.analysis.aims import Aim
from fishreport.analysis.result import Results
from fishreport.analysis.scenario_changes import chance_change
from fishreport.analysis.scenario_lacks import hand_lack
from fishreport.analysis.scenarios import Scenarios
from fishreport.exhibits import explorer, scenario_choice, scenario_figures, scenario_words
from fishreport.exhibits import scenarios as exhibits
from fishreport.methods.estimate import Estimate
from fishreport.population.decision import Goal
from fishreport.study import Objective


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


def tables_of(found, one, context):
    return [
        exhibits.rules_table(found, context), *exhibits.inputs_tables([one], context), exhibits.decision_table(one, context),
        *exhibits.outcomes_tables(one, context), scenario_choice.regret_table(one, context),
        scenario_choice.sensitivity_table(one, context), scenario_choice.undecided_table(one, context),
    ]  # fmt: skip


@pytest.mark.parametrize("units", ["metric", "us"])
def test_tables_have_no_hole_and_no_other_unit(found, one, repository, units):
    tables = tables_of(found, one, context_in(repository, units))
    assert len({table.label for table in tables}) == len(tables)
    for table in tables:
        cells = " ".join(cell for row in table.rows for cell in row)
        assert not ALL_SIGNS.search(cells), table.label
        # Names of rules are the author's own words, and stay as they are.
        own = {rule.name for rule in one.inputs.rules}
        words = [cell for row in table.rows for cell in row if cell not in own and cell[3:] not in own]
        shown = " ".join([*words, *(f"{column.heading} {column.units}" for column in table.columns)])
        other = r"fish/mi|\blb\b|[\d.]+ in\b(?!\)| 100)" if units == "metric" else r"fish/km|\bkg\b|\bmm\b(?! \(2 in\))"
        assert not re.search(other, shown), (table.label, shown)


def test_the_rules_are_in_words(found, repository):
    metric, us = (exhibits.rules_table(found, context_in(repository, units)) for units in ("metric", "us"))
    assert [row[0] for row in metric.rows] == ["A", "B", "C", "D", "E"]
    assert metric.rows[2][2] == (
        "Brown trout of 330 to 508 mm must be released; shorter and longer ones may be kept. At most two may be kept a day."
    )
    assert us.rows[2][2].startswith("Brown trout of 13 to 20 in must be released")
    assert metric.rows[4][2] == "All brown trout must be released."


def test_bag_limits_are_told_by_how_often_they_are_passed(one, demo_context):
    """The negative binomial of size 1 is geometric: P(X > B) = (m / (1 + m)) ** (B + 1)."""
    bags = one.bags
    mean = bags.kept_per_trip.value
    assert sorted(bags.share_of_trips) == sorted({rule.bag_limit for rule in one.inputs.rules if rule.may_keep})
    for limit, share in bags.share_of_trips.items():
        assert share == pytest.approx((mean / (1 + mean)) ** (limit + 1), rel=0.02)
    kept, hours = (one.projection.at(name, year=1)[0] for name in ("legal_harvest_number", "effort_h"))
    assert mean == pytest.approx(np.median(4 * kept / hours))
    text = scenario_words.bag_words(one, demo_context)
    assert "legal fish a trip of 4 h" in text and "hardly act" in text and "passed on under 1% of trips" in text
    often = dataclasses.replace(bags, share_of_trips={2: 0.3, 5: 0.04})
    text = scenario_words.bag_words(dataclasses.replace(one, bags=often), demo_context)
    assert "a limit of 2 is passed on about 30% of trips" in text and "hardly" not in text
    assert scenario_words.bag_words(dataclasses.replace(one, bags=None), demo_context) == ""


def test_what_is_kept_against_the_rule_stands_beside_what_is_kept_legally(found, one, demo_context):
    text = next(
        item.text for item in scenario_words.findings(found, demo_context).items if "assumed to be kept against" in item.text
    )
    legal, against = (one.outcomes[name, 10][0].value for name in ("legal_harvest_number", "kept_against_rule"))
    assert f"beside {legal.value:.0f} ({legal.lower:.0f} to {legal.upper:.0f}) kept legally" in text
    assert f"{against.value:.0f} ({against.lower:.0f} to {against.upper:.0f}) fish per km a year are assumed" in text
    assert "5% of the protected fish caught, as is assumed" in text


def test_a_rule_tells_what_else_it_changes_and_which_aims_it_meets_more_or_less_often(found, one, demo_context):
    said = {place: scenario_words._against_today(found, one, place, demo_context) for place in range(1, len(one.inputs.rules))}
    for place, item in said.items():
        for measure in one.measures:
            verdict = one.outcomes[measure.quantity, one.horizons[-1]][place].verdict
            if measure.result == "scenario_stock_density":
                noun = scenario_words.measure_noun(measure, demo_context)
                assert (noun in item.text.partition("also ")[2]) == (not verdict.cannot_tell)
        for aim in one.aims:
            change = chance_change(one.projection, aim.goal, place, year=one.horizons[-1], level=0.95)
            for often, stands in (("less", change.upper < 0), ("more", change.lower > 0)):
                words = f"“{scenario_words.aim_words(aim, one, demo_context)}” {often} often met"
                assert (words in item.text) == stands
                assert not stands or item.direction != {"less": "up", "more": "down"}[often]


def test_shades_say_what_the_numbers_say(one, demo_context):
    table = exhibits.decision_table(one, demo_context)
    assert [column.units for column in table.columns[1:]] == ["2030", "2035"] * (len(table.columns) // 2)
    for row, shades in zip(table.rows, table.shades, strict=True):
        assert shades[0] is None
        for cell, shade in zip(row[1:], shades[1:], strict=True):
            cell, _, limits = cell.partition(" (")
            low, high = (float(one) for one in limits.removesuffix(")").split(" to "))
            assert low - 0.0051 <= shade <= high + 0.0051
            shown = {"over 0.99": 1.0, "under 0.01": 0.0}.get(cell)
            assert float(cell) == pytest.approx(shade, abs=0.0051) if shown is None else abs(shade - shown) <= 0.01
    assert "licensed managers and the public process decide" in table.caption
    assert "relative weight" in table.notes[0]


def test_outcomes_stand_over_their_differences_which_mark_what_cannot_be_told(one, demo_context):
    tables = exhibits.outcomes_tables(one, demo_context)
    assert [row[0] for row in tables[0].rows] == ["A", "B", "B less A", "C", "C less A", "D", "D less A", "E", "E less A"]
    for table in tables:
        rows = {row[0]: row[1:] for row in table.rows}
        records = iter(table.data)
        for place in range(len(one.inputs.rules)):
            letter = chr(65 + place)
            for cell, gap in zip(rows[letter], rows.get(f"{letter} less A", rows[letter]), strict=True):
                record = next(records)
                assert float(cell.partition(" ")[0].replace(",", "")) == pytest.approx(record["value"], rel=0.06, abs=0.51)
                low, high = record["difference_lower"], record["difference_upper"]
                if place and (low, high) != (0, 0):
                    assert gap.endswith("?") == (low <= 0 <= high)
                    if low > 0 or high < 0:
                        assert gap.startswith("+") == (record["difference"] > 0)


def test_catch_and_release_harvests_nothing_and_what_is_kept_all_the_same_stands_apart(one, demo_context):
    fishing = exhibits.outcomes_tables(one, demo_context)[0]
    heads = [column.heading for column in fishing.columns]
    release = next(row for row in fishing.rows if row[0] == "E")
    assert release[heads.index("Legal harvest")] == release[heads.index("Legal yield")] == "0"
    assert float(release[heads.index("Fish kept against the rule")].partition(" ")[0]) > 5
    assert any("5% of the protected fish" in note and "hang on that share alone" in note for note in fishing.notes)
    others = exhibits.kept_against_rule(one)
    assert "catch and release" not in others
    honest = dataclasses.replace(one.inputs, angling=dataclasses.replace(one.inputs.angling, noncompliance=0.0))
    assert (
        exhibits.kept_against_rule(dataclasses.replace(one, inputs=honest)) == "No fish is assumed to be kept against the rule."
    )
    regrets = scenario_choice.regret_table(one, demo_context)
    worst = max(float(row[1]) for row in regrets.rows)
    assert float(regrets.rows[4][1]) == worst  # nothing kept is all lost, whatever is kept against the rule


def test_undecided_pairs_are_those_whose_interval_spans_zero(one, demo_context):
    table = scenario_choice.undecided_table(one, demo_context)
    for row, name in (("Legal harvest", "legal_harvest_number"), ("Fish kept against the rule", "kept_against_rule")):
        values = one.projection.at(name)
        pairs = []
        for i in range(len(values)):
            for j in range(i + 1, len(values)):
                low, high = np.quantile(values[j] - values[i], [0.025, 0.975])
                if low <= 0 <= high:
                    pairs.append(f"{chr(65 + i)} and {chr(65 + j)}")
        assert (row, f"{len(pairs)} of 10", "; ".join(pairs) or "none") in table.rows


def swapped(one, sign, spread=0.0):
    """The comparison with every difference, and every change in percent, set to `sign` × 2 with limits `spread` about it."""
    changed = {"value": 2.0 * sign, "lower": 2.0 * sign - spread, "upper": 2.0 * sign + spread}
    outcomes = {}
    for key, line in one.outcomes.items():
        made = []
        for outcome in line:
            gap = dataclasses.replace(outcome.verdict.difference, **changed)
            verdict = dataclasses.replace(outcome.verdict, difference=gap, cannot_tell=spread >= 2.0)
            made.append(dataclasses.replace(outcome, verdict=verdict))
        outcomes[key] = tuple(made)
    shares = {
        key: tuple(Estimate(n=9, se=1.0, level=0.95, units="percent", method="", **changed) for _ in line)
        for key, line in one.changes.items()
    }
    return dataclasses.replace(one, outcomes=outcomes, changes=shares)


@pytest.mark.parametrize(
    ("sign", "spread", "direction", "words"),
    [
        (
            1,
            1.0,
            "up",
            ["legal harvest 2% higher (95% interval 1 to 3), anglers' catch rate 2% higher (1 to 3)", "2% more (1 to 3)"],
        ),
        (-1, 1.0, "down", ["legal harvest 2% lower (95% interval 1 to 3), anglers' catch rate 2% lower (1 to 3)", "2% fewer"]),
        (
            1,
            3.0,
            "unclear",
            ["the simulations cannot tell the two rules apart, in legal harvest, anglers' catch rate or fish of"],
        ),
        (-1, 3.0, "unclear", ["the simulations cannot tell the two rules apart"]),
    ],
)
def test_sentences_follow_the_paired_interval(found, one, demo_context, sign, spread, direction, words):
    alone = dataclasses.replace(swapped(one, sign, spread), aims=())  # its chances are of other outcomes
    changed = Scenarios(found.results, {"brown_trout": alone})
    said = [item for item in scenario_words.findings(changed, demo_context).items if "against today's rule" in item.text]
    assert len(said) == 4
    for item in said[:3]:  # the fourth is catch and release
        assert item.direction == direction
        assert len(item.results) == 6
        assert set(item.results) <= {result.id for result in found.results}
        assert all(word in item.text for word in words), item.text
        claims = re.search(r"higher|lower|more \(|fewer", item.text)
        assert (claims is None) == (direction == "unclear")


def test_sentences_of_the_demo_say_no_more_than_the_intervals(found, one, demo_context):
    said = scenario_words.findings(found, demo_context).items
    assert sum(item.key for item in said) == 1
    harvest_slot = next(item for item in said if "“Harvest slot" in item.text)
    verdict = one.outcomes["legal_harvest_number", 10][3].verdict
    untold = harvest_slot.text.rpartition("; in ")[2]
    assert untold.endswith("the simulations cannot tell the two apart.")
    assert ("harvest" in untold) == verdict.cannot_tell
    assert all(item.results for item in said)


def test_the_sentence_on_catch_and_release_says_what_is_still_kept(found, one, demo_context):
    said = scenario_words.findings(found, demo_context).items
    text = next(item.text for item in said if "“Catch and release” against" in item.text)
    kept = np.median(one.projection.at("kept_against_rule")[4])
    assert "legal harvest ends, anglers' catch rate" in text
    end = re.search(
        r"If 5% of the protected fish caught are kept against the rule, as is assumed, that is still ([\d.]+) fish per km", text
    )
    assert float(end[1]) == pytest.approx(kept, abs=0.6)
    honest = dataclasses.replace(one, outcomes={key: v for key, v in one.outcomes.items() if key[0] != "kept_against_rule"})
    again = scenario_words.findings(Scenarios(found.results, {"brown_trout": honest}), demo_context).items
    assert not any("against the rule" in item.text for item in again)


def test_a_review_can_name_every_measure(one, demo_context):
    said = [demo_context.writer.nouns.phrase(measure.result, "brown_trout", measure.size_class) for measure in one.measures]
    assert said[0] == "the projected legal harvest of brown trout"
    assert all(text.startswith("the projected ") and "scenario" not in text for text in said)


def test_percent_is_that_of_the_draws(found, one, demo_context):
    text = next(item.text for item in scenario_words.findings(found, demo_context).items if "“406 mm" in item.text)
    trophies = one.projection.at("density_trophy")
    low, middle, high = np.quantile(100 * (trophies[1] / trophies[0] - 1), [0.025, 0.5, 0.975])
    shown = [float(x) for x in re.search(r"trophy length ([\d.]+)% more \(([\d.]+) to ([\d.]+)\)", text).groups()]
    assert shown == pytest.approx([middle, low, high], abs=0.51)


def test_the_survey_of_anglers_is_held_against_the_harvest(found, one, demo_context):
    words = scenario_words.creel_words(one, demo_context)
    assert re.match(r"The creel survey of 2025 found 2\d fish per km kept \(1\d to [23]\d\); the model's legal harvest", words)
    assert re.search(
        r"the two cannot be told apart \(the model gives \d+% of what was counted, 95% interval \d+ to \d+\)$", words
    )
    assert not any("creel survey of" in item.text for item in scenario_words.findings(found, demo_context).items)
    counted = dataclasses.replace(one.creel.counted, value=70.0, lower=60.0, upper=80.0)
    apart = dataclasses.replace(one, creel=dataclasses.replace(one.creel, counted=counted))
    said = scenario_words.findings(Scenarios(found.results, {"brown_trout": apart}), demo_context).items[-1]
    assert re.search(
        r"the model gives about a third of what was counted \(\d\d%, 95% interval \d+ to \d+\), so that one of them is off",
        said.text,
    )
    assert said.text.startswith("Brown trout: the creel survey of 2025 found 70 fish per km kept")
    assert said.direction == "unclear"
    assert said.results
    assert scenario_words.creel_words(dataclasses.replace(one, creel=None), demo_context) == ""


def test_today_may_be_the_best(found, one, demo_context):
    """Every rule with the same chance: none is called better."""
    same = tuple(dataclasses.replace(chance, probability=one.chances[0].probability) for chance in one.chances)
    changed = Scenarios(found.results, {"brown_trout": dataclasses.replace(one, chances=same)})
    text = scenario_words.findings(changed, demo_context).items[0].text
    p = one.chances[0].probability
    chance = f"{p.value:.2f} ({p.lower:.2f} to {p.upper:.2f})"
    assert f"with probability {chance} under today's rule, and {chance} under every other;" in text


@pytest.mark.parametrize(
    ("bounds", "words"),
    [
        ({"at_least": 50.0}, "The catch rate of brown trout of quality length (230 mm) and longer: at least 50 fish/h"),
        ({"at_most": 50.0}, "The catch rate of brown trout of quality length (230 mm) and longer: at most 50 fish/h"),
        (
            {"between": (40.0, 60.0)},
            "The catch rate of brown trout of quality length (230 mm) and longer: between 40 and 60 fish/h",
        ),
    ],
)
def test_an_aim_without_a_name_is_worded(one, demo_context, bounds, words):
    objective = Objective(quantity="catch_rate", species="BNT", size_class="quality", **bounds)
    assert scenario_words.aim_words(Aim(objective, Goal("x", **bounds)), one, demo_context) == words


def test_what_is_missing_is_said(found, one, demo_context):
    lacking = dataclasses.replace(
        one,
        inputs=dataclasses.replace(one.inputs, life=None, missing=(hand_lack("BNT", "growth_coefficient", "4 aged fish"),)),
        projection=None,
    )
    less = Scenarios(Results([]), {"brown_trout": lacking})
    assert exhibits.missing_table(less, demo_context).rows == (
        ("Brown trout", "growth_coefficient (4 aged fish)", "give it under [species.BNT.life_history]"),
    )
    assert exhibits.missing_table(found, demo_context) is None
    assert exhibits.missing_table(Scenarios(Results([]), {}), demo_context).rows[0][0] == "Any"
    text = scenario_words.findings(less, demo_context).items[0].text
    assert text == (
        "The rules for brown trout could not be compared: how fast they grow towards it is not known (4 aged fish); a table below says what to do."
    )
    assert exhibits.rules_table(less, demo_context).caption.endswith("none could be compared.")
    assert exhibits.rules_table(found, demo_context).caption.startswith("The rules compared.")
    bare = dataclasses.replace(lacking, chances=(), regrets=(), drivers=(), sensitivity=None, horizons=())
    assert exhibits.outcomes_tables(bare, demo_context) == []
    for make in (
        exhibits.decision_table,
        scenario_choice.regret_table,
        scenario_choice.sensitivity_table,
        scenario_choice.undecided_table,
    ):
        assert make(bare, demo_context) is None
    assert scenario_figures.drivers_figure(bare, demo_context) is None
    assert scenario_figures.fan_figures(bare, ["scenario_trophy"], demo_context) == []
    assert scenario_figures.isopleth_figure(bare, None, demo_context) is None
    assert explorer.explorer(bare, None, demo_context) is None


def test_numbers_that_rest_on_more_than_todays_fishing_are_said(one, demo_context):
    """A closed season's catch rate is that of the open months; fish that become legal are let go as those legal today."""
    today = one.inputs.rules[0]
    for rule, words in (
        (today.replace(name="closed", closed_months=(11, 12)), "The catch rate of rule B is that of its own open months"),
        (today.replace(name="shorter", minimum_length_mm=250.0), "Of fish that become legal"),
        (today.replace(name="longer", minimum_length_mm=450.0), ""),
    ):
        changed = dataclasses.replace(one, inputs=dataclasses.replace(one.inputs, rules=(today, rule)))
        said = " ".join(exhibits._not_like_for_like(changed))
        assert (words in said) if words else not said


def test_what_a_creel_survey_tells_of_an_assumption_is_said_beside_its_variations(one, demo_context):
    e = next(source for source in one.inputs.sources if source.name == "voluntary_release")
    case = dataclasses.replace(one.sensitivity.cases[0], assumption="voluntary_release", value=0.5)
    varied = dataclasses.replace(one, sensitivity=dataclasses.replace(one.sensitivity, cases=(case,)))
    value, low, high = (f"{100 * x:.0f}" for x in (e.estimate.value, e.estimate.lower, e.estimate.upper))
    table = scenario_choice.sensitivity_table(varied, demo_context)
    assert f"is estimated ({e.how}): {value}% ({low} to {high}), as in the other tables." in table.notes[-1]
    assert not any("is estimated" in note for note in scenario_choice.sensitivity_table(one, demo_context).notes) or any(
        case.assumption == "voluntary_release" for case in one.sensitivity.cases
    )
