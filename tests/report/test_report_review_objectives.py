"""Objectives in a review: their verdicts, and their probabilities from one season to the next."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

from fishreport.report.compare_results import compare_results, compare_verdicts


def chance(
    value: float | None, season: int, *, scenario: str | None = None, detail: str = "catch_rate/at least 50"
) -> dict[str, Any]:
    """A line of ``results.json`` on an objective, of the plan now or of a rule in years to come."""
    place = {"quantity": "objective_probability", "species": "brown_trout", "size_class": "quality", "site": None}
    name = "/".join(["objective_probability", *filter(None, (scenario, detail.replace("/", "-"))), str(season)])
    return {
        **place, "id": name, "season": season, "scenario": scenario, "detail": detail, "value": value, "se": None, "lower": None,
        "upper": None, "level": 0.95, "units": "", "n": 3, "method": "m", "notes": [f"verdict: {'met' if value else 'unclear'}"],
        "estimable": value is not None,
    }  # fmt: skip


def build(season: int, *records: dict[str, Any]) -> Any:
    """A report with these results and no front page."""
    return SimpleNamespace(season=season, results={record["id"]: record for record in records}, shown=[])


class TestVerdicts:
    def build(self, *rows: tuple[str, str, str]) -> Any:
        cells = [[name, target, "40", "30 to 50", "0.9", verdict] for name, target, verdict in rows]
        return SimpleNamespace(shown=[SimpleNamespace(kind="table", label="scorecard", data={"rows": cells})], results={})

    def test_objectives_of_one_name_go_by_their_targets(self) -> None:
        low, high = ("Catch of trout", "at least 1", "Met"), ("Catch of trout", "at most 2", "Not met")
        assert compare_verdicts(self.build(low, high), self.build(high, low)) == []
        (gone,) = compare_verdicts(self.build(low, high), self.build(high))
        assert (gone.before, gone.after, gone.target) == ("Met", "", "at least 1")

    def test_a_target_that_moved_is_the_same_objective(self) -> None:
        before, after = self.build(("Catch", "at least 1", "Met")), self.build(("Catch", "at least 90", "Not met"))
        (changed,) = compare_verdicts(before, after)
        assert (changed.before, changed.after, changed.target_before) == ("Met", "Not met", "at least 1")


class TestProbabilities:
    later = "catch_rate, at least 50, year 5"

    def test_of_the_plan_go_by_their_objective_from_season_to_season(self) -> None:
        before = build(2024, chance(0.4, 2024), chance(0.5, 2024, scenario="Today", detail=self.later))
        after = build(2025, chance(0.7, 2025), chance(0.6, 2025, scenario="Today", detail=self.later))
        (move,) = [one for one in compare_results(before, after) if one.pairing == "season"]
        assert move.before is not None and move.after is not None and move.difference is not None
        assert (move.before["value"], move.after["value"], round(move.difference, 12)) == (0.4, 0.7, 0.3)
        assert move.beyond is None  # a probability has no interval to lie beyond
        assert not move.record["scenario"]

    def test_of_another_target_stand_apart(self) -> None:
        other = chance(0.7, 2025, detail="catch_rate/at least 60")
        assert all(one.pairing == "same" for one in compare_results(build(2024, chance(0.4, 2024)), build(2025, other)))

    def test_chances_of_rules_are_no_verdicts(self) -> None:
        plan, ahead = chance(0.7, 2025), chance(0.6, 2025, scenario="Today", detail=self.later)
        assert compare_verdicts(build(2025, plan), build(2025, plan, ahead)) == []
        (lost,) = compare_verdicts(build(2025, plan), build(2025, chance(None, 2025), ahead))
        assert (lost.before, lost.after) == ("met", "unclear")
