"""What a study lacks for its scenarios, and draws in which the inputs do not fit together."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from fishreport.analysis.classes import study_classes
from fishreport.analysis.draw_doubts import Doubt, doubts
from fishreport.analysis.rules import rules_of
from fishreport.analysis.scenario_inputs import species_inputs
from fishreport.analysis.scenario_lacks import Lack, hand_lack, lacks_in_words
from fishreport.analysis.vital_rates import NOTHING_LEFT
from fishreport.population.todays_population import OVERSTOCKED
from fishreport.study import read_study


def inputs_of(repository, survey, natural, **parameters):
    """Brown trout of the demo without a creel survey, natural mortality by hand."""
    given = {"species.BNT.life_history.natural_mortality": natural, **parameters}
    study = read_study(repository / "demo_inputs", overrides={"parameters.draws": 60, "parameters.resamples": 100, **given})
    survey = dataclasses.replace(survey, harvest=survey.harvest.iloc[:0])
    own, rules = study_classes(study)[0], rules_of(study)["brown_trout"][:2]
    return species_inputs(study, survey, own, rules, np.random.default_rng(1))


def test_no_scenarios_where_natural_mortality_is_not_below_the_total(repository, demo_survey):
    """As in the mortality chapter, fishing mortality is not estimable; the median of a skewed 1.5 is 1.4."""
    found = inputs_of(repository, demo_survey, {"value": 1.5, "se": 0.3})
    assert found.life is None and found.angling is None
    (lack,) = found.missing
    assert lack.key == "fishing_mortality"
    assert "natural mortality (1.4" in lack.why and "is not below total mortality (0.7" in lack.why
    assert "at most" in lack.why
    assert lack.remedy.startswith("give it under [species.BNT.life_history], or bring a creel survey")


def test_inputs_say_what_was_left_out(repository, demo_survey):
    found = inputs_of(repository, demo_survey, {"value": 0.55, "se": 0.2})
    assert found.life is not None
    note = next(note for note in found.notes if NOTHING_LEFT in note)
    share = int(note.split()[1])
    assert 5 < share < 50
    told = {source.name: source.how for source in found.sources}
    assert told["fishing_mortality"] == (
        f"total mortality from ages less natural mortality; {share} of 100 draws, which left nothing for fishing, are dropped"
    )
    assert told["natural_mortality"].endswith(f"what remains of it without {share} of 100 draws, which left nothing for fishing")
    exact = inputs_of(repository, demo_survey, {"value": 0.1, "se": 0.0})
    assert not any(NOTHING_LEFT in note for note in exact.notes)
    assert {s.name: s.how for s in exact.sources}["fishing_mortality"] == "total mortality from ages less natural mortality"


def test_few_aged_fish_are_counted_and_the_creel_survey_is_named(repository, demo_survey):
    """Not “no ages”: fish were aged, but too few of them."""
    found = inputs_of(repository, demo_survey, {"value": 0.5, "se": 0.1}, **{"parameters.minimum_aged": 1000})
    why = next(lack.why for lack in found.missing if lack.key == "fishing_mortality")
    number, _, rest = why.partition(" ")
    assert int(number) > 100
    assert rest == "aged fish where a catch curve needs 1000, and no creel survey that tells it"


def test_lacks_in_words_have_no_key_and_stand_together():
    lacks = (
        hand_lack("RBT", "asymptotic_length_mm", "9 aged fish, 10 needed for a growth curve"),
        hand_lack("RBT", "growth_coefficient", "9 aged fish, 10 needed for a growth curve"),
        hand_lack("RBT", "fishing_mortality", "no creel survey", other="wait"),
        Lack("", "fishing_mortality must be 0 where no fish dies of fishing"),
    )
    assert lacks_in_words(lacks) == (
        "the length that fish grow towards and how fast they grow towards it are not known (9 aged fish, 10 needed for a growth "
        "curve); how many die of fishing is not known (no creel survey); fishing mortality must be 0 where no fish dies of fishing"
    )
    assert str(lacks[2]) == "fishing_mortality (no creel survey): give it under [species.RBT.life_history], or wait"


@pytest.mark.parametrize(
    ("note", "found"),
    [
        (f"in 141 of 300 draws {OVERSTOCKED}; wild fish are 1% of it there", (Doubt(OVERSTOCKED, 0.47),)),
        (f"in 30 of 300 draws {OVERSTOCKED}", ()),  # a tenth is not more than a tenth
        (f"in 31 of 300 draws {OVERSTOCKED}", (Doubt(OVERSTOCKED, 31 / 300),)),
        (f"in under 1 of 100 draws {NOTHING_LEFT}", ()),
        ("in 200 of 300 draws something else", ()),
        ("a note", ()),
    ],
)
def test_what_does_not_fit_is_told_above_a_tenth_of_the_draws(note, found):
    assert doubts([note, note]) == found
