"""What does not fit in many draws stands beside the sentences that it bears on: in the chapter and in the brief."""

from __future__ import annotations

import dataclasses

import pytest
from brief_sample import SPECIES, made_results, made_study, rule_results, with_rules
from reading_level import reading_ease

from fishreport.analysis import scenarios as analysis
from fishreport.analysis.result import Results
from fishreport.analysis.scenarios import Scenarios
from fishreport.analysis.vital_rates import NOTHING_LEFT
from fishreport.exhibits import scenario_words
from fishreport.exhibits import scenarios as exhibits
from fishreport.exhibits.brief import brief_content
from fishreport.exhibits.scenario_doubts import doubt_sentences, plain_doubts
from fishreport.methods.estimate import Estimate
from fishreport.population.todays_population import OVERSTOCKED, WIPED_OUT


def noted(one, *notes):
    return dataclasses.replace(one, projection=dataclasses.replace(one.projection, notes=notes))


def test_it_follows_the_key_finding_and_the_rule_that_leans_on_it(rainbow, demo_context, demo_study):
    notes = f"in 141 of 300 draws {OVERSTOCKED}; wild fish are 1% of it there"
    one = noted(rainbow, notes)
    found = Scenarios(analysis.comparison_results(demo_study, one), {"rainbow_trout": one})
    said = scenario_words.findings(found, demo_context).items
    key = next(item.text for item in said if item.key)
    assert "is met in 2035 with probability" in key
    assert key.endswith(
        "leaves open. In 47 of 100 draws stocked fish alone exceed today's density: model and survey do not fit together there; "
        "wild fish are set at 1% of today's density, and the result leans on the stocking."
    )
    rule = next(item.text for item in said if "against today's rule" in item.text)
    assert rule.endswith("In 47 of 100 draws stocked fish alone exceed today's density, so that this leans on the stocking.")
    (sentence,) = doubt_sentences(one)
    tables = [exhibits.decision_table(one, demo_context), *exhibits.outcomes_tables(one, demo_context)]
    assert all(sentence in table.notes for table in tables)
    bare = dataclasses.replace(one, aims=(), chances=())
    said = scenario_words.findings(Scenarios(found.results, {"rainbow_trout": bare}), demo_context).items
    assert said[0].text == f"Rainbow trout: i{sentence[1:]}" and said[0].direction == "unclear"


def test_nothing_is_said_of_few_draws_or_of_a_rule_with_the_same_stocking(rainbow, demo_context, demo_study):
    few = noted(rainbow, f"in 4 of 40 draws {OVERSTOCKED}; wild fish are 1% of it there")
    many = noted(rainbow, f"in 40 of 40 draws {OVERSTOCKED}; wild fish are 1% of it there")
    alike = dataclasses.replace(many.inputs.rules[1], stocking=many.inputs.rules[0].stocking)
    same = dataclasses.replace(many, inputs=dataclasses.replace(many.inputs, rules=(many.inputs.rules[0], alike)))
    for one in (few, same):
        found = Scenarios(analysis.comparison_results(demo_study, one), {"rainbow_trout": one})
        rule = next(i.text for i in scenario_words.findings(found, demo_context).items if "against today's rule" in i.text)
        assert "leans" not in rule
    assert doubt_sentences(few) == []


def test_draws_left_out_are_told_from_the_notes_of_the_inputs(rainbow):
    left = dataclasses.replace(rainbow.inputs, notes=(f"in 23 of 100 draws {NOTHING_LEFT}; they are left out",))
    (text,) = doubt_sentences(dataclasses.replace(noted(rainbow), inputs=left))
    assert text.startswith("In 23 of 100 draws natural mortality is all of total mortality or more")
    assert text.endswith("those draws are left out, so that the rules may change less than is told, down to nothing.")


@pytest.mark.parametrize(
    ("kind", "words"),
    [
        (OVERSTOCKED, "Brown trout: in 47 of 100 simulations the fish stocked are more than all those that the survey finds."),
        (NOTHING_LEFT, "Brown trout: in 47 of 100 simulations natural deaths left nothing for fishing to take."),
        (WIPED_OUT, "Brown trout: in 47 of 100 simulations today's fishing would end the stock."),
    ],
)
def test_the_brief_says_it_in_plain_words(tmp_path, kind, words):
    study = with_rules(made_study(tmp_path / "study", narrative={}))
    for note, told in ((f"in 141 of 300 draws {kind}", True), (f"in 20 of 300 draws {kind}", False)):
        made = [dataclasses.replace(r, estimate=r.estimate.noting(note)) for r in rule_results()]
        rules = brief_content(study, Results([*made_results(SPECIES[:3]), *made])).rules
        assert rules.doubts.startswith(words) if told else rules.doubts == ""
        if told:
            ease, length, _ = reading_ease([rules.doubts])
            assert ease >= 60 and length <= 20


def test_the_brief_says_that_model_and_count_of_the_harvest_do_not_agree(rainbow, demo_study):
    counted = Estimate(40.0, 1.0, 38.0, 42.0, 0.95, "fish/km", "", 9)
    off = dataclasses.replace(rainbow, creel=dataclasses.replace(rainbow.creel, counted=counted))
    harvest = analysis.comparison_results(demo_study, off).where(quantity="scenario_harvest")
    (text,) = plain_doubts("Rainbow trout", next(iter(harvest)).estimate.notes)
    share = 100 * off.creel.modelled.value / 40
    assert text == f"Rainbow trout: the model's harvest of today is {share:.0f}% of what was counted, so one of the two is off."
    harvest = analysis.comparison_results(demo_study, rainbow).where(quantity="scenario_harvest")
    assert plain_doubts("Rainbow trout", next(iter(harvest)).estimate.notes) == []
