"""Steps after named events and drivers, as the trend chapter tells them."""

from __future__ import annotations

import dataclasses
import math

import pytest
from statsmodels.stats.multitest import multipletests
from trend_sample import make_trends

from fishreport.exhibits import changes
from fishreport.methods.estimate import Estimate


@pytest.fixture(scope="module")
def made(demo_study, demo_survey):
    return make_trends(demo_study, demo_survey)


@pytest.mark.parametrize(
    ("lower", "upper", "direction"), [(5.0, 40.0, "up"), (-60.0, -10.0, "down"), (-30.0, 40.0, "unclear")]
)  # fmt: skip
def test_a_step_is_worded_by_its_interval_and_doubted_beside_a_trend(made, demo_context, lower, upper, direction):
    step = made.steps[0]
    e = Estimate((lower + upper) / 2, 1.0, lower, upper, 0.95, "percent", "made up", 10)
    unclear = dataclasses.replace(step.beside_trend, change=dataclasses.replace(e, lower=-50.0, upper=50.0))
    result = dataclasses.replace(step.result, estimate=e)
    changed = dataclasses.replace(step, result=result, beside_trend=unclear, adjusted_p=0.01)
    (found,) = changes.step_findings([changed], demo_context).items
    assert found.direction == direction
    assert ("need not be the cause" in found.text) == (direction != "unclear")
    assert "“Stocking of rainbow trout cut to a third” (2021)" in found.text
    lost = dataclasses.replace(changed, adjusted_p=0.2)
    others = [dataclasses.replace(one, adjusted_p=0.2) for one in made.steps if one.series != step.series][:2]
    (found, *_) = changes.step_findings([lost, *others], demo_context).items
    assert found.direction == "unclear"
    doubt = "does not stand after adjusting for the 3 changes after an event tested (adjusted p 0.2)"
    assert (doubt in found.text) == (direction != "unclear")


def test_steps_are_adjusted_for_their_number(made, demo_context):
    """statsmodels' multipletests, method fdr_bh, over the changes that could be estimated."""
    known = [one for one in made.steps if one.change.change.estimable]
    assert 0 < len(known) < len(made.steps)
    wanted = multipletests([one.change.p for one in known], method="fdr_bh")[1]
    assert [one.adjusted_p for one in known] == pytest.approx(list(wanted))
    assert all(math.isnan(one.adjusted_p) for one in made.steps if one not in known)
    table = changes.step_table(made.steps, demo_context)
    heads = [column.heading for column in table.columns]
    assert heads[-3:] == ["p", "Adjusted p", "Beside a steady trend"]
    assert [row["adjusted_p"] for row in table.data if row["estimable"]] == pytest.approx(list(wanted))


def test_drivers_are_told_from_zero_or_not(made, demo_context):
    def with_limits(lower, upper, q=0.01):
        out = []
        for one in made.effects:
            e = Estimate((lower + upper) / 2, 1.0, lower, upper, 0.95, "percent", "made up", 10)
            out.append(dataclasses.replace(one, result=dataclasses.replace(one.result, estimate=e), adjusted_p=q))
        return [f.text for f in changes.driver_findings(out, demo_context).items]

    none = with_limits(-5.0, 5.0)
    assert len(none) == 1 and none[0].startswith(f"None of {len(made.effects)} associations")
    lower = with_limits(-9.0, -3.0)
    many = len(made.effects)
    assert any("was 6.0% lower" in text for text in lower) and "an association shows no cause" in lower[-1]
    assert f"{many} can be told from zero by their own interval" in lower[-1] and f"{many} stand after adjusting" in lower[-1]
    assert any("was 6.0% higher (95% interval 3.0 to 9.0)" in text for text in with_limits(3.0, 9.0))
    doubted = with_limits(-9.0, -3.0, q=0.3)
    assert len(doubted) == 1 and "none stands after adjusting for the number" in doubted[0]


def test_of_the_demo_no_driver_stands_and_the_table_says_so(made, demo_context):
    """One of 14 by its own interval: p 0.007 is 0.10 after adjusting (p.adjust of R, method BH)."""
    assert [f.direction for f in changes.driver_findings(made.effects, demo_context).items] == ["none"]
    table = changes.driver_table(made.effects, demo_context)
    assert [column.heading for column in table.columns][-2:] == ["p", "Adjusted p"]
    warm = next(one for one in made.effects if one.result.id.endswith("brown_trout/stock/standardised_catch_rate-temperature"))
    assert warm.p < 0.05 < warm.adjusted_p == pytest.approx(warm.p * len(made.effects))
