"""Today's rules and their alternatives in the brief."""

from __future__ import annotations

import re

import pytest
from brief_sample import CHANGES, SPECIES, estimate, made_results, made_study, rule_results, with_rules
from reading_level import reading_ease

from fishreport.analysis.result import Result, Results
from fishreport.exhibits import scenario_words
from fishreport.exhibits.brief import brief_content
from fishreport.exhibits.brief_rules import DECIDED, chance_words, change_words
from fishreport.exhibits.brief_words import PlainWords
from fishreport.exhibits.context import report_context
from fishreport.exhibits.wording import mirrored
from fishreport.methods.estimate import Estimate


@pytest.fixture
def study(tmp_path):
    return with_rules(made_study(tmp_path / "study", narrative={}))


@pytest.fixture
def words(study):
    return PlainWords(report_context(study))


def rules_of(study, results=None):
    return brief_content(study, Results([*made_results(SPECIES[:3]), *(rule_results() if results is None else results)])).rules


def one(quantity, estimated):
    return Result(quantity, estimated, 2025, "brown_trout", "all", scenario="Slot")


def told(share, words, quantity="scenario_harvest", gap=None):
    difference = estimate(*(gap or [x / 5 for x in share]), "fish/km")
    return change_words(one(quantity, estimate(*share, "percent")), one(quantity, difference), words)


def test_todays_rule_and_a_row_for_each_rule(study):
    rules = rules_of(study)
    assert rules.heading == "Regulation alternatives"
    assert rules.today == (
        "Today's rule: Brown trout of 35 cm (13.8 in) or more may be kept; shorter ones must be released. At most five may be kept a "
        "day."
    )
    assert rules.caption == "What each rule would give in 2035 against today's rule, by simulation."
    assert rules.groups == {
        "Brown trout": "large fish: 38 cm (15 in) or longer; aim: Brown trout that were 23 cm (9 in) or longer, caught in an hour"
    }
    assert rules.columns == ("Rule", "Legal harvest", "Large fish", "Chance of the aim")
    assert [(row.fish, row.name, *row.cells) for row in rules.rows] == [
        ("Brown trout", "Today: 35 cm and five a day", "today's rule", "today's rule", "85 of 100 (81 to 89)"),
        ("Brown trout", "40 cm and two a day", "45% lower (34 to 56)", "9% more (5 to 14)", "91 of 100 (87 to 94)"),
        ("Brown trout", "Slot", "cannot be told (19% lower to 159% higher)", "0.80% more (0.04 to 1.90)",
         "under 1 of 100 (0 to 2)"),
        ("Brown trout", "Release", "none may be kept", "12% fewer (4 to 20)", "over 99 of 100 (98 to 100)"),
    ]  # fmt: skip
    assert rules.notes.endswith(DECIDED) and "95 of 100" in rules.notes and "No survey here measures" in rules.notes
    assert rules.lacking == ""


def test_every_row_is_traced_to_results_of_the_report(study):
    known = {result.id for result in rule_results()}
    for row in rules_of(study).rows:
        assert row.results and set(row.results) <= known, row.name


def test_the_rule_in_inches_in_a_report_in_us_units(tmp_path):
    study = with_rules(made_study(tmp_path / "us", units="us", narrative={}))
    rules = rules_of(study)
    assert "Brown trout of 13.8 in or more may be kept" in rules.today
    assert "large fish: 15 inches or longer" in rules.groups["Brown trout"]
    assert not re.search(r"\b(?:mm|cm|km)\b", f"{rules.today} {rules.groups} {rules.notes}")


@pytest.mark.parametrize("share", [share for pair in CHANGES for share in pair if share[1] * share[2] > 0])
def test_sizes_are_those_of_the_chapter_on_scenarios(words, share):
    change = estimate(*share, "percent")
    way = "higher" if share[0] > 0 else "lower"
    assert told(share, words) == scenario_words._percent(change, first=False).format(way)
    assert told([-x for x in (share[0], share[2], share[1])], words) == scenario_words._percent(
        mirrored(change), first=False
    ).format("lower" if share[0] > 0 else "higher")


@pytest.mark.parametrize(
    ("share", "gap", "text"),
    [
        ((41.3, -19.1, 159.3), None, "cannot be told (19% lower to 159% higher)"),
        ((5.0, 0.0, 9.0), None, "cannot be told (0% lower to 9% higher)"),  # a limit of zero spans zero
        ((5.0, 1.0, 9.0), (0.5, -0.1, 0.9), "cannot be told"),  # the difference decides, as in the chapter
        ((5.0, -1.0, 9.0), (5.0, 1.0, 9.0), "5 fish per km more (1 to 9)"),
        ((0.0, 0.0, 0.0), None, "no change"),
    ],
)
def test_no_direction_that_the_range_does_not_bear(words, share, gap, text):
    assert told(share, words, gap=gap) == text


def test_what_today_has_none_of_is_told_in_fish(words):
    none = one("scenario_trophy", Estimate.not_estimable("0 draws with a value under today's rule", units="percent"))
    assert change_words(none, one("scenario_trophy", estimate(5.4, 3.0, 9.1, "fish/km")), words) == "5 fish per km more (3 to 9)"
    assert change_words(None, None, words) == "not worked out"
    assert chance_words(None) == "not worked out"


def test_the_first_aim_of_the_plan_that_the_rules_were_held_against(study):
    """The first aim is on the catch; the rules were held against the second alone."""
    held = rule_results(detail="proportional_size, between 40 and 62, year 10")
    rules = rules_of(study, held)
    assert rules.groups["Brown trout"].endswith("aim: Aim number 2 of the plan")
    assert rules.rows[0].cells[-1] == "85 of 100 (81 to 89)"
    other = rules_of(study, rule_results(detail="proportional_size, between 40 and 61, year 10"))
    assert other.columns == ("Rule", "Legal harvest", "Large fish") and "aim" not in other.groups["Brown trout"]
    assert all(len(row.cells) == 2 for row in other.rows) and "chance" not in other.notes


def test_the_lead_species_first_and_one_without_an_aim(tmp_path):
    names = ("rainbow trout", "brown trout")
    study = with_rules(made_study(tmp_path / "two", narrative={}), names)
    held = [r for r in rule_results(names) if r.species == "brown_trout" or r.quantity != "objective_probability"]
    rules = rules_of(study, held)
    assert [row.fish for row in rules.rows] == ["Brown trout"] * 4 + ["Rainbow trout"] * 4
    assert rules.today.startswith("Today's rules: Brown trout of 35 cm (13.8 in) or more may be kept;")
    assert "Rainbow trout of 35 cm (13.8 in) or more" in rules.today
    assert rules.rows[4].cells[-1] == "no aim"


def test_rules_that_could_not_be_compared(study):
    e = Estimate.not_estimable("no fishing mortality", units="fish/km")
    lacking = [Result("scenario_harvest", e, 2025, "brown_trout", "all", scenario=name.name) for name in study.scenarios]
    rules = rules_of(study, lacking)
    assert rules.rows == () and (rules.caption, rules.notes) == ("", "")
    assert rules.lacking == "What other rules for brown trout would do could not be worked out; the report says why."


def test_nothing_without_scenarios(tmp_path, study):
    assert rules_of(made_study(tmp_path / "none", narrative={}), []) is None
    assert rules_of(study, []) is None  # rules in the study, but no chapter on them in the report


def test_only_todays_rule(study):
    first = study.model_copy(update={"scenarios": study.scenarios[:1]})
    own = [r for r in rule_results() if r.scenario == study.scenarios[0].name]
    rules = rules_of(first, own)
    assert (rules.heading, rules.rows, rules.notes, rules.lacking) == ("Today's rules", (), "", "")


def test_it_reads_easily(study):
    rules = rules_of(study)
    ease, length, long_words = reading_ease([rules.today, rules.caption, rules.notes])
    assert ease >= 60 and length <= 20 and long_words <= 0.06


def test_rules_are_left_out_from_the_middle_and_of_every_fish_alike(tmp_path):
    """Today's of each fish, then the best and the worst by the chance of the aim; no rule of rainbow trout was held against one."""
    names = ("rainbow trout", "brown trout")
    study = with_rules(made_study(tmp_path / "two", narrative={}), names)
    rules = rules_of(study, rule_results(names))
    assert [row.merit for row in rules.rows[:4]] == [0.853, 0.912, 0.004, 0.996]
    assert rules.needed == 6
    shown = rules.first(6)
    assert [row.name.rstrip("1") for row in shown] == ["Today: 35 cm and five a day", "Slot", "Release", "Today: 35 cm and five a day",
                                                            "40 cm and two a day", "Release"]  # fmt: skip
    assert [row.fish for row in shown] == ["Brown trout"] * 3 + ["Rainbow trout"] * 3
    assert [row.name.rstrip("1") for row in rules.first(3)] == [
        "Today: 35 cm and five a day",
        "Release",
        "Today: 35 cm and five a day",
    ]
    assert rules.first(8) == rules.rows and rules.more(8) == "" and rules.first(0) == ()
    assert rules.more(6) == (
        "And 2 more rules in the report; today's and those with the highest and the lowest chance of the aim (or, without one, "
        "number of large fish) are shown."
    )
    alone = rules_of(with_rules(made_study(tmp_path / "one", narrative={})))
    assert alone.more(3).endswith("today's and those with the highest and the lowest chance of the aim are shown.")
    assert rules.more(5) == "And 3 more rules in the report."


def test_without_an_aim_the_large_fish_rank_the_rules(study):
    held = [r for r in rule_results() if r.quantity != "objective_probability"]
    rules = rules_of(study, held)
    assert [row.merit for row in rules.rows[1:]] == [9.1, 0.8, -12.2]
    assert [row.name for row in rules.first(3)] == ["Today: 35 cm and five a day", "40 cm and two a day", "Release"]
    assert rules.more(3).endswith("the highest and the lowest number of large fish are shown.")
