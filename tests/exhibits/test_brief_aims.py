"""What a brief says of a number that an aim is held against: of which fish and seasons it is, and how far it can be relied on."""

from __future__ import annotations

import math

import pytest
from brief_sample import estimate

from fishreport.analysis.mortality import AGES_USED, SHARED_AGES
from fishreport.analysis.result import Result, Results
from fishreport.exhibits.brief import brief_content
from fishreport.study import read_study


def catch(value, low, high, season=2025):
    return Result("catch_rate", estimate(value, low, high), season, "brown_trout", "stock")


@pytest.mark.parametrize("shared", [False, True])
def test_an_aim_on_deaths_says_of_which_ages_and_how_good_its_range_is(repository, shared):
    notes = (f"{AGES_USED}3 and older", *([SHARED_AGES] if shared else []))
    e = estimate(0.7, 0.5, 0.9, "per year", n=40).noting(*notes)
    known = Results([Result("total_mortality", e, 2025, "brown_trout", "all")])
    study = read_study(repository / "demo_inputs")
    aim = next(row for row in brief_content(study, known).aims if "die in a year" in row.about)
    assert aim.about == "Of 100 brown trout of age 3 and older, those that die in a year"
    assert aim.found == "50 of 100 (39 to 59)" + ("; this range is too narrow: seasons share aged fish" if shared else "")


@pytest.mark.parametrize(
    ("low", "high", "n", "ending"),
    [
        (0.3, 0.8, 40, ")"),
        (0.2, 0.7, 40, "; too wide a range to rely on"),
        (0.3, 0.8, 29, "; from 29 fish, too few to rely on"),
    ],
)
@pytest.mark.parametrize("of", ["total_mortality", "annual_survival"])
def test_an_aim_on_deaths_that_is_no_firm_ground_says_so_and_keeps_its_verdict(repository, of, low, high, n, ending):
    e = estimate(0.4, low, high, "per year", n=n)
    bound = {"at_most": 0.65}
    if of == "annual_survival":
        e, bound = estimate(math.exp(-0.4), math.exp(-high), math.exp(-low), "", n=n), {"at_least": math.exp(-0.65)}
    aim = {"quantity": of, "species": "BNT", **bound}
    study = read_study(repository / "demo_inputs", overrides={"objectives": [aim]})
    (row,) = brief_content(study, Results([Result(of, e, 2025, "brown_trout", "all")])).aims
    assert row.found.endswith(ending) and ("rely on" in row.found) == (ending != ")")
    assert row.verdict == "Met"


@pytest.mark.parametrize(("known", "said"), [(1, ", from 1 season alone"), (2, ", from 2 seasons alone"), (3, "")])
def test_an_aim_over_several_seasons_says_of_how_many_its_number_is(repository, known, said):
    aim = {"quantity": "catch_rate", "species": "BNT", "size_class": "stock", "at_least": 50, "over_years": 3}
    study = read_study(repository / "demo_inputs", overrides={"objectives": [aim]})
    (row,) = brief_content(study, Results([catch(80, 60, 110, season=2026 - year) for year in range(1, known + 1)])).aims
    assert row.found.endswith(f"{said}; to judge the aim takes 3" if said else ")")
    assert row.verdict == ("Not yet known" if said else "Met")


def test_an_aim_without_a_range_says_why_it_is_not_judged(repository):
    aim = {"quantity": "catch_rate", "species": "BNT", "size_class": "stock", "at_least": 50}
    study = read_study(repository / "demo_inputs", overrides={"objectives": [aim]})
    (row,) = brief_content(study, Results([catch(80, math.nan, math.nan)])).aims
    assert row.found.endswith("; its range is not known, so that the aim cannot be judged")
