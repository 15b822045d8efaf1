"""Regulations: what they allow, what they refuse, what they say, and how they combine."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fishreport.exceptions import InputError
from fishreport.population.regulation import GEAR_RELEASE_MORTALITY, GEAR_SOURCE, Regulation, Stocking
from fishreport.study import Scenario

LENGTHS = np.array([100.0, 249.9, 250.0, 330.0, 400.0, 609.9, 610.0, 800.0])


@pytest.mark.parametrize(
    ("rule", "legal"),
    [
        (Regulation(), [1, 1, 1, 1, 1, 1, 1, 1]),
        (Regulation(minimum_length_mm=250), [0, 0, 1, 1, 1, 1, 1, 1]),
        (Regulation(maximum_length_mm=400), [1, 1, 1, 1, 1, 0, 0, 0]),
        (Regulation(protected_slot_mm=(330, 610)), [1, 1, 1, 0, 0, 0, 1, 1]),
        (Regulation(protected_slot_mm=(400, 400)), [1, 1, 1, 1, 1, 1, 1, 1]),
        (Regulation(harvest_slot_mm=(250, 400)), [0, 0, 1, 1, 1, 0, 0, 0]),
        (Regulation(minimum_length_mm=250, protected_slot_mm=(330, 610)), [0, 0, 1, 0, 0, 0, 1, 1]),
        (Regulation(release_only=True), [0] * 8),
        (Regulation(bag_limit=0), [0] * 8),
    ],
)
def test_legal_lengths(rule: Regulation, legal: list[int]) -> None:
    assert rule.legal(LENGTHS).tolist() == [bool(item) for item in legal]
    assert rule.legal(LENGTHS).dtype == bool


@given(
    low=st.floats(100, 600),
    width=st.floats(0, 400),
    minimum=st.none() | st.floats(50, 700),
    length=st.floats(1, 1500),
)
def test_ranges_and_legal_agree(low: float, width: float, minimum: float | None, length: float) -> None:
    rule = Regulation(minimum_length_mm=minimum, protected_slot_mm=(low, low + width))
    inside = any(start <= length < end for start, end in rule.kept_ranges())
    assert bool(rule.legal(length)) == inside


@pytest.mark.parametrize(
    ("parts", "reason"),
    [
        ({"minimum_length_mm": -10}, "above 0"),
        ({"minimum_length_mm": math.nan}, "finite"),
        ({"minimum_length_mm": math.inf}, "finite"),
        ({"minimum_length_mm": "300"}, "number of mm"),
        ({"minimum_length_mm": 400, "maximum_length_mm": 300}, "no length could be kept"),
        ({"minimum_length_mm": 300, "maximum_length_mm": 300}, "no length could be kept"),
        ({"minimum_length_mm": 600, "harvest_slot_mm": (300, 500)}, "no length could be kept"),
        ({"protected_slot_mm": (100, 500), "harvest_slot_mm": (200, 400)}, "no length could be kept"),
        ({"protected_slot_mm": (610, 330)}, "shorter to the longer"),
        ({"protected_slot_mm": 330}, "pair of lengths"),
        ({"harvest_slot_mm": (300, 300)}, "no length could be kept"),
        ({"release_only": True, "bag_limit": 2}, "contradict"),
        ({"release_only": True, "minimum_length_mm": 300}, "cannot act"),
        ({"bag_limit": 0, "harvest_slot_mm": (200, 300)}, "cannot act"),
        ({"release_only": 1}, "True or False"),
        ({"bag_limit": -1}, "whole number from 0"),
        ({"bag_limit": 2.5}, "whole number"),
        ({"bag_over_slot": 1}, "needs a protected_slot_mm"),
        ({"bag_over_slot": 0, "protected_slot_mm": (300, 500)}, "whole number from 1"),
        ({"bag_over_slot": 3, "bag_limit": 2, "protected_slot_mm": (300, 500)}, "must not exceed"),
        ({"closed_months": (0,)}, "from 1 to 12"),
        ({"closed_months": (5, 5)}, "twice"),
        ({"closed_months": 5}, "list of months"),
        ({"closed_months": tuple(range(1, 13)), "bag_limit": 2}, "closed all year"),
        ({"gear": "dynamite"}, "gear must be one of"),
        ({"release_mortality": 1.2}, "share from 0 to 1"),
        ({"effort_change": -1.5}, "from -1 to 10"),
        ({"stocking": 5}, "Stocking or a mapping"),
        ({"stocking": {"number_per_year": -5, "mean_length_mm": 200}}, "0 or more"),
        ({"stocking": {"number_per_year": 5, "mean_length_mm": 200, "month": 13}}, "from 1 to 12"),
    ],
)
def test_impossible_and_empty_rules_are_refused_with_the_reason(parts: dict[str, object], reason: str) -> None:
    with pytest.raises(InputError, match=reason):
        Regulation(**parts)  # type: ignore[arg-type]


def test_rules_are_frozen_and_compare_by_what_they_say() -> None:
    assert Regulation(minimum_length_mm=300, name="a") == Regulation(minimum_length_mm=300.0, name="b")
    with pytest.raises(AttributeError):
        Regulation().gear = "bait"  # type: ignore[misc]


def test_rules_compose() -> None:
    both = Regulation(minimum_length_mm=250, gear="bait") | Regulation(bag_limit=4, gear="flies and lures", name="new")
    assert both == Regulation(minimum_length_mm=250, bag_limit=4, gear="flies and lures")
    assert both.name == "new"
    assert both.replace(bag_limit=None) == Regulation(minimum_length_mm=250, gear="flies and lures")
    with pytest.raises(InputError, match="contradict"):
        Regulation(bag_limit=4) | Regulation(release_only=True)
    with pytest.raises(InputError, match="no part colour"):
        both.replace(colour="red")


def test_a_mapping_makes_the_stocking() -> None:
    rule = Regulation(stocking={"number_per_year": 500, "mean_length_mm": 220, "every_years": 2, "month": 4})  # type: ignore[arg-type]
    assert rule.stocking == Stocking(500, 220, every_years=2, month=4)


@pytest.mark.parametrize(
    ("rule", "units", "sentence"),
    [
        (Regulation(), "metric", "Trout of any length may be kept."),
        (Regulation(minimum_length_mm=330), "us", "Trout of 13 in or more may be kept; shorter ones must be released."),
        (Regulation(maximum_length_mm=400), "metric", "Trout up to 400 mm may be kept; longer ones must be released."),
        (
            Regulation(protected_slot_mm=(330, 610)),
            "metric",
            "Trout of 330 to 610 mm must be released; shorter and longer ones may be kept.",
        ),
        (
            Regulation(protected_slot_mm=(330, 610), bag_over_slot=1),
            "us",
            "Trout of 13 to 24 in must be released; one of 24 in or more may be kept a day, and shorter ones.",
        ),
        (
            Regulation(harvest_slot_mm=(300, 400), bag_limit=2),
            "metric",
            "Trout of 300 to 400 mm may be kept; shorter and longer ones must be released. At most two may be kept a day.",
        ),
        (
            Regulation(minimum_length_mm=250, protected_slot_mm=(330, 610), bag_limit=12, bag_over_slot=1),
            "metric",
            "Trout of 250 to 330 mm or of 610 mm or more may be kept; all others must be released. "
            "At most one of 610 mm or more may be kept a day. At most 12 may be kept a day.",
        ),
        (
            Regulation(release_only=True, gear="barbless flies and lures"),
            "metric",
            "All trout must be released. Only barbless flies and lures are allowed.",
        ),
        (
            Regulation(closed_months=(11, 12, 1, 5)),
            "metric",
            "Trout of any length may be kept. Angling is closed in May and from November to January.",
        ),
        (
            Regulation(minimum_length_mm=356, stocking=Stocking(1200, 232)),
            "cm",
            "Trout of 35.6 cm (14 in) or more may be kept; shorter ones must be released. "
            "1,200 trout of 23.2 cm (9.1 in) are stocked every year in May.",
        ),
        (
            Regulation(protected_slot_mm=(330, 508)),
            "cm",
            "Trout of 33 to 50.8 cm (13 to 20 in) must be released; shorter and longer ones may be kept.",
        ),
        (Regulation(closed_months=tuple(range(1, 13))), "metric", "The water is closed to angling all year."),
        (
            Regulation(stocking=Stocking(2000, 254, every_years=2, month=4), effort_change=-0.2, release_mortality=0.05),
            "us",
            "Trout of any length may be kept. Of released fish 5 % are taken to die. "
            "2,000 trout of 10 in are stocked every two years in April. Angling effort is taken to be 20 % less than today.",
        ),
    ],
)
def test_sentences(rule: Regulation, units: str, sentence: str) -> None:
    assert rule.sentence(units) == sentence


def test_sentence_names_the_fish_and_refuses_unknown_units() -> None:
    assert Regulation(minimum_length_mm=300).sentence(fish="brown trout").startswith("Brown trout of 300 mm or more")
    with pytest.raises(InputError, match="metric"):
        Regulation().sentence("imperial")


def test_every_gear_has_a_share_and_a_source() -> None:
    # Taylor & White 1992 as quoted second-hand: flies and lures 4.8 % barbed, 2.6 % barbless; bait 31.4 % (from memory).
    assert GEAR_RELEASE_MORTALITY["flies and lures"] == 0.048
    assert GEAR_RELEASE_MORTALITY["barbless flies and lures"] == 0.026
    assert GEAR_RELEASE_MORTALITY["bait"] == pytest.approx(0.314, abs=0.005)
    assert GEAR_RELEASE_MORTALITY.keys() == GEAR_SOURCE.keys()


def test_a_scenario_of_a_study_is_a_regulation() -> None:
    scenario = Scenario.model_validate(
        {
            "name": "slot",
            "species": "BT",
            "protected_slot_mm": [330, 610],
            "bag_limit": 2,
            "closed_months": [11, 12],
            "gear": "flies and lures",
            "stocking": {"number_per_year": 500, "mean_length_mm": 220},
            "effort_change": 0.1,
        }
    )
    rule = Regulation(**scenario.model_dump(exclude={"species"}))
    assert rule.name == "slot" and rule.protected_slot_mm == (330, 610)
    assert rule.stocking == Stocking(500, 220)
