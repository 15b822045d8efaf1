"""Sentences follow their numbers: in both directions, for 'cannot tell', and never beyond the interval."""

from __future__ import annotations

import math
import re
from dataclasses import replace

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from fishreport.analysis.result import Result
from fishreport.exceptions import InputError
from fishreport.exhibits.allowance import Allowance
from fishreport.exhibits.nouns import Nouns, unit_words
from fishreport.exhibits.units import US
from fishreport.exhibits.wording import Writer, collect, direction, likelihood, sentence
from fishreport.methods.estimate import Estimate
from fishreport.methods.objectives import evaluate_objective

LOTIC = {"stock": 150.0, "quality": 230.0}, {"stock": 6.0, "quality": 9.0}
NOUNS = Nouns(categories={"brown_trout": LOTIC})
WRITER = Writer(NOUNS)


def estimate(value: float, lower: float, upper: float, units: str = "fish/h", n: int = 20, level: float = 0.95) -> Estimate:
    return Estimate(value, (upper - lower) / 3.92, lower, upper, level, units, "made", n)


def catch(season: int, value: float, lower: float, upper: float, size_class: str = "quality") -> Result:
    return Result("catch_rate", estimate(value, lower, upper), season, "brown_trout", size_class)


def trend(value: float, lower: float, upper: float, units: str = "percent per year", detail: str = "catch_rate") -> Result:
    return Result("trend_per_year", estimate(value, lower, upper, units, 9), None, "brown_trout", "stock", detail=detail)


# ---- levels ----------------------------------------------------------------------------------------------------------


def test_level_states_value_and_interval_in_the_units_of_the_report() -> None:
    found = WRITER.level(catch(2025, 61.23, 51.94, 71.71))
    assert found.text == (
        "In 2025 the catch rate of brown trout of quality length (230 mm) and longer was "
        "61.2 fish per hour (95% interval 51.9 to 71.7)."
    )
    assert (found.direction, found.results) == ("none", ("catch_rate/brown_trout/quality/2025",))
    us = Writer(replace(NOUNS, units=US))
    assert "of quality length (9 in) and longer" in us.level(catch(2025, 61.23, 51.94, 71.71)).text
    density = Result("density_per_km", estimate(450, 380, 520, "fish/km"), 2025, "brown_trout", "all")
    assert us.level(density).text == "In 2025 the density of brown trout was 720 fish per mile (95% interval 610 to 840)."


def test_share_reads_as_a_share() -> None:
    share = Result("proportional_size", estimate(42, 35, 49, "percent"), 2025, "brown_trout", "quality")
    assert WRITER.level(share).text == (
        "In 2025 the share of brown trout of stock length that reach quality length (230 mm) was 42.0% "
        "(95% interval 35.0 to 49.0)."
    )


def test_a_level_that_is_not_estimable_gives_the_reason() -> None:
    missing = Result("annual_survival", Estimate.not_estimable("4 aged fish, 10 needed"), 2025, "brown_trout", "all")
    assert (
        WRITER.level(missing).text == "In 2025 the annual survival of brown trout could not be estimated: 4 aged fish, 10 needed."
    )


def test_few_data_of_one_reason_are_told_together() -> None:
    reason = "4 aged fish, 10 needed"
    results = [
        Result("annual_survival", Estimate.not_estimable(reason), 2025, "brown_trout", "all"),
        Result("total_mortality", Estimate.not_estimable(reason), 2025, "brown_trout", "all"),
        Result("growth_coefficient", Estimate.not_estimable("no ages"), 2025, "brown_trout", "all"),
        catch(2025, 5, 4, 6),
    ]
    found = WRITER.few_data(results)
    assert [f.text for f in found] == [
        "In 2025 the annual survival of brown trout and the total mortality rate of brown trout could not be estimated: "
        "4 aged fish, 10 needed.",
        "In 2025 the growth coefficient of brown trout could not be estimated: no ages.",
    ]
    assert found[0].results == ("annual_survival/brown_trout/all/2025", "total_mortality/brown_trout/all/2025")
    assert WRITER.few_data([]) == ()


# ---- changes ---------------------------------------------------------------------------------------------------------


def test_change_up_down_and_cannot_tell() -> None:
    up = WRITER.change(catch(2024, 50, 45, 55), catch(2025, 80, 70, 91))
    assert up.direction == "up"
    assert "rose from 2024 to 2025 by 60% (95% interval 36 to 89); a rise is virtually certain." in up.text
    down = WRITER.change(catch(2024, 80, 70, 91), catch(2025, 50, 45, 55))
    assert down.direction == "down"
    assert "fell from 2024 to 2025 by 38% (95% interval 26 to 47); a fall is virtually certain." in down.text
    unclear = WRITER.change(catch(2024, 50, 40, 60), catch(2025, 55, 45, 65))
    assert unclear.direction == "unclear"
    assert re.search(
        r"Whether .* rose or fell from 2024 to 2025 cannot be told: anything from a fall of \d+% to a rise of \d+%", unclear.text
    )


def test_change_is_steady_only_inside_the_stated_margin() -> None:
    tight = catch(2024, 50, 49.8, 50.2), catch(2025, 50.1, 49.9, 50.3)
    assert WRITER.change(*tight).direction == "steady"
    assert "lies within 2% either way" in WRITER.change(*tight).text
    assert WRITER.change(*tight, margin=0.1).direction == "unclear"


def test_a_share_changes_in_percentage_points() -> None:
    a, b = (
        Result("proportional_size", estimate(*v, "percent"), y, "brown_trout", "quality")
        for y, v in ((2024, (40.0, 35.0, 45.0)), (2025, (60.0, 55.0, 65.0)))
    )
    assert "rose from 2024 to 2025 by 20.0 percentage points (95% interval 12.9 to 27.1)" in WRITER.change(a, b).text


def test_change_from_nothing_is_told_in_its_own_units() -> None:
    found = WRITER.change(catch(2024, 0, 0, 1), catch(2025, 5, 3, 7))
    assert found.direction == "up"
    assert "by 5.0 fish per hour (95% interval 2.8 to 7.0)" in found.text


def test_change_with_a_season_that_could_not_be_estimated() -> None:
    lost = Result("catch_rate", Estimate.not_estimable("no runs", units="fish/h"), 2024, "brown_trout", "quality")
    found = WRITER.change(lost, catch(2025, 5, 3, 7))
    assert (found.direction, found.text.endswith("cannot be told: no runs in 2024.")) == ("unclear", True)


def test_change_without_an_interval_is_never_a_direction() -> None:
    bare = [
        Result("mean_length", Estimate(v, math.nan, math.nan, math.nan, 0.95, "mm", "m", 9), y) for y, v in ((1, 2.0), (2, 9.0))
    ]
    found = WRITER.change(*bare)
    assert found.direction == "unclear"
    assert "has no interval" in found.text


def test_change_needs_one_quantity() -> None:
    with pytest.raises(InputError, match="one quantity and place"):
        WRITER.change(catch(2024, 5, 4, 6), catch(2025, 5, 4, 6, "stock"))


# ---- trends ----------------------------------------------------------------------------------------------------------


def test_trend_in_all_four_directions() -> None:
    years = {"first": 2016, "last": 2025}
    assert WRITER.trend(trend(4.2, 1.1, 7.4), **years).text == (
        "The catch rate of brown trout of stock length (150 mm) and longer rose over the 9 seasons from 2016 to 2025 "
        "by 4.2% a year (95% interval 1.1 to 7.4); a rise is virtually certain."
    )
    assert "fell over the 9 seasons from 2016 to 2025 by 4.2% a year" in WRITER.trend(trend(-4.2, -7.4, -1.1), **years).text
    unclear = WRITER.trend(trend(1.0, -3.0, 5.0), **years)
    assert unclear.direction == "unclear"
    assert "anything from a fall of 3.0% a year to a rise of 5.0% a year" in unclear.text
    steady = WRITER.trend(trend(0.2, -1.1, 1.4), **years)
    assert steady.direction == "steady"
    assert "lies within 2% a year either way" in steady.text
    small = WRITER.trend(trend(0.9, 0.2, 1.4), **years)
    assert small.direction == "steady", "the margin goes before the sign"


def test_trend_in_units_is_converted() -> None:
    us = Writer(replace(NOUNS, units=US))
    found = us.trend(trend(5.08, 2.54, 7.62, "mm per year", "mean_length"), first=2016, last=2025, seasons=8)
    assert "The mean length of brown trout of stock length (6 in) and longer rose over the 8 seasons" in found.text
    assert "by 0.20 inches a year (95% interval 0.10 to 0.30)" in found.text


def test_trend_that_is_not_estimable() -> None:
    none = Result(
        "trend_per_year", Estimate.not_estimable("3 seasons, 4 needed"), None, "brown_trout", "stock", detail="catch_rate"
    )
    found = WRITER.trend(none, first=2023, last=2025)
    assert found.text.endswith("could not be estimated: 3 seasons, 4 needed.")


# ---- objectives ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("bounds", "words"),
    [
        ({"at_least": 20}, "should be at least 20 fish per hour; it was 30 fish per hour (95% interval 20 to 40), "
                           "and the objective is met (probability 0.97)"),
        ({"at_least": 45}, "and the objective is not met (probability that it is: under 0.01)"),
        ({"at_most": 31}, "and whether the objective is met is not yet known (probability 0.58)"),
        ({"between": (10, 50)}, "should be between 10 and 50 fish per hour; it was 30"),
    ],
)  # fmt: skip
def test_objective_sentences(bounds: dict[str, object], words: str) -> None:
    result = Result("objective_probability", estimate(0.9, 0, 1, ""), 2025, "brown_trout", "all", detail="catch_rate")
    found = WRITER.objective(result, evaluate_objective(estimate(30, 20, 40), **bounds), name="Many trout")  # type: ignore[arg-type]
    assert found.text.startswith("“Many trout”: the catch rate of brown trout should be ")
    assert words in found.text
    assert found.key


def test_objective_without_data_is_not_yet_known_and_bounds_are_converted() -> None:
    result = Result("mean_length", estimate(300, 290, 310, "mm"), 2025, "brown_trout", "all")
    us = Writer(replace(NOUNS, units=US))
    outcome = evaluate_objective(Estimate.not_estimable("no lengths", units="mm"), at_least=254.0)
    assert us.objective(result, outcome).text == (
        "The mean length of brown trout should be at least 10 inches; whether it is met is not yet known: no lengths."
    )


def test_an_objective_that_was_not_judged_says_why() -> None:
    result = Result("objective_probability", estimate(0.9, 0, 1, ""), 2025, "brown_trout", "all", detail="catch_rate")
    lost = Estimate.not_estimable("no run", units="fish/h")
    one = WRITER.objective(result, evaluate_objective([estimate(30, 20, 40), estimate(32, 22, 42), lost], at_least=20)).text
    assert "it was 31.0 fish per hour" in one
    assert one.endswith("whether that meets the objective is not yet known: 2 of the 3 seasons could be estimated.")
    bare = Estimate(30, math.nan, math.nan, math.nan, 0.95, "fish/h", "m", 3)
    assert WRITER.objective(result, evaluate_objective(bare, at_least=20)).text.endswith(
        "is not yet known: the estimate has no measure of its uncertainty."
    )


# ---- two seasons of a smoothed level ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "found", "words"),
    [
        (
            (42.0, 6.0, 90.0),
            "up",
            "was higher in 2025 than in 2016, with sampling error smoothed out, by 42% (95% interval 6 to 90)",
        ),
        ((-7.3, -8.4, -6.1), "down", "was lower in 2025 than in 2016, with sampling error smoothed out, by 7.3%"),
        (
            (5.0, -8.0, 20.0),
            "unclear",
            "from 2016 to 2025, with sampling error smoothed out, cannot be told: anything from a fall",
        ),
    ],
)
def test_seasons_compared(change: tuple[float, float, float], found: str, words: str) -> None:
    e = estimate(*change, "percent")
    result = Result("smoothed_change", e, None, "brown_trout", "stock", detail="catch_rate")
    years = {"first": 2016, "last": 2025}
    for unsteady in (None, trend(1.0, -3.0, 5.0)):
        said = WRITER.compared(result, **years, unsteady=unsteady, allowed=Allowance(0.2, "20 smoothed changes tested"))
        told = words.replace("was ", "seems to have been ") if found != "unclear" else words
        assert said.direction == "unclear" and told in said.text
        assert ("steadily cannot be told" in said.text) == (unsteady is not None and found != "unclear")
        assert ("very likely" not in said.text) and ("certain" not in said.text), "no surer than likely where it does not stand"
        if found != "unclear":
            noun = "rise" if found == "up" else "fall"
            tail = (
                f"; a {noun} is likely, but it does not stand after adjusting for the 20 smoothed changes tested (adjusted p 0.2)"
            )
            assert tail in said.text
        stands = WRITER.compared(result, **years, unsteady=unsteady, allowed=Allowance(0.049, "20 smoothed changes tested"))
        assert stands.direction == found and words in stands.text and "adjust" not in stands.text
    bare = trend(1.0, math.nan, math.nan)
    if found == "up":
        assert WRITER.compared(result, **years, unsteady=bare).text.endswith("; whether it rose steadily cannot be told.")


# ---- the rules hold for any numbers -----------------------------------------------------------------------------------

number = st.floats(-1e4, 1e4, allow_nan=False)
level = st.sampled_from([0.8, 0.9, 0.95, 0.99])


@given(st.tuples(number, number, number), level, st.floats(0, 50))
@example((0.0, 1.0, 5e-324), 0.8, 0.0)
@example((0.0, 0.0, 5e-324), 0.8, 0.0)
def test_trend_direction_always_agrees_with_the_interval(limits: tuple[float, float, float], at: float, margin: float) -> None:
    lower, value, upper = sorted(limits)
    result = Result("trend_per_year", estimate(value, lower, upper, "percent per year", 9, at), None, "brown_trout", "all")
    found = WRITER.trend(result, first=2016, last=2025, margin=margin)
    inside = margin > 0 and -margin <= lower and upper <= margin
    expected = "steady" if inside else "up" if lower > 0 else "down" if upper < 0 else "unclear"
    assert found.direction == expected
    assert (" rose over" in found.text) == (expected == "up")
    assert (" fell over" in found.text.replace("rose or fell", "")) == (expected == "down")
    assert (" was steady " in found.text) == (expected == "steady")
    assert ("cannot be told" in found.text) == (expected == "unclear")
    if expected in ("up", "down"):
        allowed = ("virtually certain", "extremely likely") if at >= 0.95 else ("virtually certain", "likely")
        assert any(word in found.text for word in allowed)
        assert "unlikely" not in found.text and "as likely as not" not in found.text


positive = st.floats(1e-3, 1e4)
spread = st.floats(0, 0.99)


@given(positive, spread, spread, positive, spread, spread)
def test_change_never_claims_a_direction_when_the_intervals_overlap_the_other_value(
    a: float, a_down: float, a_up: float, b: float, b_down: float, b_up: float
) -> None:
    before = catch(2024, a, a * (1 - a_down), a * (1 + a_up))
    after = catch(2025, b, b * (1 - b_down), b * (1 + b_up))
    found, back = (
        WRITER.change(before, after, margin=0.0),
        WRITER.change(replace(after, season=2024), replace(before, season=2025), margin=0.0),
    )
    if found.direction == "up":
        assert after.estimate.value > before.estimate.upper or math.isclose(after.estimate.value, before.estimate.upper)
        assert after.estimate.lower >= before.estimate.value or math.isclose(after.estimate.lower, before.estimate.value)
    mirrored = {"up": "down", "down": "up", "unclear": "unclear"}
    assert back.direction == mirrored[found.direction], "the same two seasons in the other order say the contrary"
    assert ("cannot be told" in found.text) == (found.direction == "unclear")


@given(st.lists(st.tuples(st.sampled_from(["a", "b", "c"]), st.integers(2020, 2022), st.booleans()), max_size=12))
def test_collected_findings_never_repeat_and_lose_no_result(parts: list[tuple[str, int, bool]]) -> None:
    findings = [replace(WRITER.level(catch(year, 5, 4, 6, f"{name}")), key=key, text=name) for name, year, key in parts]
    kept = collect(findings)
    texts = [f.text for f in kept.items]
    assert len(texts) == len(set(texts))
    assert {i for f in kept.items for i in f.results} == {i for f in findings for i in f.results}
    assert {f.text for f in kept.items if f.key} == {name for name, _, key in parts if key}


# ---- words -----------------------------------------------------------------------------------------------------------


def test_likelihood_words_follow_the_published_scale() -> None:
    # Mastrandrea et al. 2010, table 1 (from memory): > 99 %, > 95 %, > 90 %, > 66 %, 33-66 %, < 33 %, < 10 %, < 5 %, < 1 %.
    words = {
        0.995: "virtually certain",
        0.96: "extremely likely",
        0.91: "very likely",
        0.70: "likely",
        0.5: "about as likely as not",
        0.2: "unlikely",
        0.07: "very unlikely",
        0.03: "extremely unlikely",
        0.005: "exceptionally unlikely",
    }
    assert {p: likelihood(p) for p in words} == words


def test_direction_at_the_edges() -> None:
    assert direction(estimate(1, 0, 2)) == "unclear"
    assert direction(estimate(1, math.nan, 2)) == "unclear"
    assert direction(Estimate.not_estimable("x")) == "unclear"
    assert direction(estimate(3, 1, math.inf)) == "up"
    assert direction(estimate(0, 0, 0), margin=0) == "unclear"


def test_names_of_classes_and_units() -> None:
    assert NOUNS.fish("brown_trout", "330-610 mm") == "brown trout of 330 to 610 mm"
    assert NOUNS.fish("brown_trout", "330- mm") == "brown trout of 330 mm and longer"
    assert NOUNS.fish("brown_trout", "-330 mm") == "brown trout shorter than 330 mm"
    assert replace(NOUNS, units=US).fish("brown_trout", "330-610 mm") == "brown trout of 13.0 to 24.0 in"
    assert NOUNS.fish("white_sucker", "stock") == "white sucker of stock length and longer"
    assert Nouns(species={"xx": "Brown trout"}).species_name("xx") == "Brown trout"
    assert Nouns().species_name(None) == "fish"
    assert NOUNS.phrase("catch_rate", "brown_trout", None, "Weir") == "the catch rate of brown trout at Weir"
    assert NOUNS.phrase("new_measure", "brown_trout") == "the new measure of brown trout"
    assert unit_words("kg/km") == "kg per km"
    assert sentence("it is so.") == "It is so."


def _deaths(season: int | None, ages: str, quantity: str = "total_mortality", detail: str | None = None) -> Result:
    e = estimate(0.7, 0.5, 0.9, "per year").noting(*([f"fish of age {ages} and older"] if ages else []))
    return Result(quantity, e, season, "brown_trout", "all", detail=detail)


def test_deaths_are_those_of_the_ages_that_the_estimate_names() -> None:
    writer = Writer()
    assert writer.level(_deaths(2025, "2")).text.startswith(
        "In 2025 the total mortality rate of brown trout of age 2 and older was"
    )
    assert writer.level(_deaths(2025, "")).text.startswith("In 2025 the total mortality rate of brown trout was")
    assert "of brown trout of age 3 and older rose or fell" in writer.change(_deaths(2024, "3"), _deaths(2025, "3")).text
    assert (
        "the total mortality rate of brown trout, of age 3 and older in 2024 and of age 2 and older in 2025, rose or fell from 2024"
    ) in writer.change(_deaths(2024, "3"), _deaths(2025, "2")).text
    moved = _deaths(None, "", "trend_per_year", "total_mortality")
    assert "of brown trout of the ages fully caught" in writer.trend(moved, first=2016, last=2025).text


def test_an_objective_held_against_an_interval_too_short_says_so() -> None:
    result = _deaths(2025, "2")
    short = result.estimate.noting("interval too short: seasons share aged fish")
    for e, told in ((result.estimate, False), (short, True)):
        text = Writer().objective(replace(result, estimate=e), evaluate_objective(e, at_most=0.65)).text
        assert ("(interval too short: seasons share aged fish)" in text) is told
