"""The plain words, aims and drawings of a brief."""

from __future__ import annotations

import dataclasses
import math
import re
import xml.etree.ElementTree as ET

import pytest
from brief_sample import SPECIES, content, estimate, frequencies_of, made_results, made_study, sentences

from fishreport.analysis.classes import LATER_PASSES
from fishreport.analysis.mortality import AGES_USED, SHARED_AGES
from fishreport.analysis.result import Result, Results
from fishreport.exhibits.brief import brief_content, tally_of
from fishreport.exhibits.brief_pictures import size_picture, third_picture
from fishreport.exhibits.brief_words import PlainWords, of_hundred, plain, range_sentence
from fishreport.exhibits.context import report_context
from fishreport.exhibits.units import format_estimate
from fishreport.methods.estimate import Estimate


@pytest.fixture
def study(tmp_path):
    return made_study(tmp_path / "study", narrative={})


@pytest.fixture
def words(study):
    return PlainWords(report_context(study))


@pytest.fixture
def us(tmp_path):
    return PlainWords(report_context(made_study(tmp_path / "us", units="us", narrative={})))


def catch(value, low, high, size_class="stock", n=24, season=2025):
    return Result("catch_rate", estimate(value, low, high, n=n), season, "brown_trout", size_class)


# ---- numbers ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "low", "high", "shown", "interval"),
    [
        (81.7, 61.2, 107.4, "82", "61 to 107"),
        (7345.3, 6204.7, 9445.6, "7,300", "6,200 to 9,400"),
        (5.42, 2.38, 10.31, "5.4", "2.4 to 10.3"),
        (9.1, 0.9, 30.8, "9", "1 to 31"),
        (88.84, 88.02, 89.66, "88.8", "88.0 to 89.7"),
        (0.0, 0.0, 1.21, "0.0", "0.0 to 1.2"),
        (12.0, 3.0, math.inf, "12.0", "3.0 or more"),
    ],
)
def test_numbers_are_told_as_in_the_report(value, low, high, shown, interval):
    e = estimate(value, low, high)
    assert (plain(e).value, plain(e).interval) == (shown, interval)
    assert (plain(e).value, plain(e).interval) == (format_estimate(e).value, format_estimate(e).interval)


@pytest.mark.parametrize(
    ("value", "low", "high", "scale", "shown", "interval"),
    [
        (76.0, 70.7, 80.7, 1.0, "76", "71 to 81"),
        (9.1, 0.9, 30.8, 1.0, "9", "1 to 31"),
        (0.49, 0.39, 1.02, 100.0, "49", "39 to 100"),
        (0.3, 0.1, 0.8, 1.0, "0.3", "0.1 to 0.8"),
    ],
)
def test_shares_are_told_in_whole_fish(value, low, high, scale, shown, interval):
    said = of_hundred(estimate(value, low, high, "percent"), scale)
    assert (said.value, said.interval) == (shown, interval)


def test_what_a_range_is_follows_the_level():
    """A 95% confidence procedure holds the true value in 95 of 100 repetitions (Neyman 1937, from memory)."""
    assert "about 95 in 100 hold the true value" in range_sentence(0.95)
    assert "about 90 in 100" in range_sentence(0.9)
    assert "about 995 in 1,000" in range_sentence(0.995)


# ---- sentences --------------------------------------------------------------------------------------------------


def test_lengths_are_the_published_ones_in_both_units(words, us):
    """Brown trout: stock 150 mm and 6 in, quality 230 mm and 9 in (Milewski & Brown 1994); neither is converted."""
    assert words.length("brown_trout", "stock") == "15 cm (6 in)"
    assert words.length("brown_trout", "quality") == "23 cm (9 in)"
    assert us.length("brown_trout", "quality") == "9 inches"
    assert us.fish("brown_trout", "100-254 mm") == "brown trout of 3.9 inches to 10.0 inches"
    assert words.fish("brown_trout", "100-254 mm") == "brown trout of 10 cm to 25 cm"


def test_level(words):
    said = words.caught(catch(81.7, 61.2, 107.4))
    assert said.text == "The crew caught about 82 brown trout an hour that were 15 cm (6 in) or longer (61 to 107)."
    assert said.results == ("catch_rate/brown_trout/stock/2025",)
    assert words.caught(catch(81.7, 61.2, 107.4, "all")).text == "The crew caught about 82 brown trout an hour (61 to 107)."


def test_no_catch_and_no_estimate(words):
    none = words.caught(catch(0.0, 0.0, 1.2)).text
    assert none == "In 24 runs the crew caught no brown trout that were 15 cm (6 in) or longer."
    lacking = Result("catch_rate", Estimate.not_estimable("1 run, 2 needed"), 2025, "brown_trout", "all")
    assert words.caught(lacking).text == "How many brown trout the crew catches in an hour cannot be said: 1 run, 2 needed."


@pytest.mark.parametrize(
    ("trend", "direction", "text"),
    [
        ((-12.1, -18.6, -4.0), "down", "Catches of brown trout fell since 2016, by about 12.1% a year (4.0 to 18.6)."),
        ((4.2, 0.1, 9.1), "up", "Catches of brown trout rose since 2016, by about 4.2% a year (0.1 to 9.1)."),
        ((0.3, -1.1, 1.5), "steady", "Catches of brown trout held about steady since 2016 (1.1% down to 1.5% up a year)."),
        ((4.2, -0.5, 9.1), "unclear",
         "It cannot be told whether catches of brown trout rose or fell since 2016 (0.5% down to 9.1% up a year)."),
        ((4.2, math.nan, math.nan), "unclear", "It cannot be told whether catches of brown trout rose or fell since 2016."),
    ],
)  # fmt: skip
def test_direction_follows_the_range_alone(words, trend, direction, text):
    result = Result("trend_per_year", estimate(*trend, "percent per year"), None, "brown_trout", "stock", detail="catch_rate")
    said = words.trend(result, 2016, "stock")
    assert (said.direction, said.text) == (direction, text)


@pytest.mark.parametrize(
    ("change", "direction", "text"),
    [
        ((42.0, 6.3, 89.7), "up", "Catches of brown trout were higher in 2025 than in 2017, by about 42% (6 to 90); "
                                  "whether they rose steadily cannot be told."),
        ((-40.0, -61.0, -9.0), "down", "Catches of brown trout were lower in 2025 than in 2017, by about 40% (9 to 61); "
                                       "whether they fell steadily cannot be told."),
        ((12.0, -9.0, 40.0), "unclear", "It cannot be told whether catches of brown trout rose or fell since 2016 "
                                        "(0.5% down to 9.1% up a year)."),
        (None, "unclear", "It cannot be told whether catches of brown trout rose or fell since 2016 "
                          "(0.5% down to 9.1% up a year)."),
    ],
)  # fmt: skip
def test_seasons_are_compared_where_a_steady_change_cannot_be_told(study, change, direction, text):
    """As in the report's key finding; the standardised index could not be estimated in 2016, but in all seasons since."""
    results = list(made_results(SPECIES[:1], (4.2, -0.5, 9.1)))
    place = {"species": "brown_trout", "size_class": "stock"}
    for season in range(2016, 2026):
        e = estimate(80, 60, 110) if season > 2016 else Estimate.not_estimable("no run", units="fish/h")
        results.append(Result("standardised_catch_rate", e, season, **place))
    if change:
        e = estimate(*change, "percent", n=9)
        results.append(Result("smoothed_change", e, None, **place, detail="standardised_catch_rate"))
    said = [one.finding for one in content(study, Results(results)).told if "atches" in one.finding.text]
    assert [(one.text, one.direction) for one in said] == [(text, direction)]
    steady = [r for r in results if r.quantity != "trend_per_year"]
    steady.append(
        Result("trend_per_year", estimate(5, 2.5, 8, "percent per year"), None, **place, detail="standardised_catch_rate")
    )
    said = [one.finding.text for one in content(study, Results(steady)).told if "atches" in one.finding.text]
    assert said == ["Catches of brown trout rose since 2016, by about 5.0% a year (2.5 to 8.0)."]


def _tests(catch_q, smoothed_q, quantity="standardised_catch_rate"):
    """Rows behind the report's table of trends."""
    return [{"id": f"trend_per_year/brown_trout/stock/{quantity}", "level": 0.95,
             "adjusted_p": catch_q, "smoothed_adjusted_p": smoothed_q}]  # fmt: skip


CHANCE = "; but many changes were looked at, and this one may be chance."


@pytest.mark.parametrize(
    ("trend", "tests", "direction", "text"),
    [
        # the trend stands, then the comparison that does, then the trend with a caution
        ((-12.0, -18.0, -4.0), (0.01, 0.2), "down", "Catches of brown trout fell since 2016, by about 12.0% a year (4.0 to 18.0)."),
        ((-12.0, -18.0, -4.0), (0.07, 0.01), "down",
         "Catches of brown trout were lower in 2025 than in 2016, by about 63% (51 to 72)."),
        ((-12.0, -18.0, -4.0), (0.07, 0.06), "unclear",
         f"Catches of brown trout may have fallen since 2016, by about 12.0% a year (4.0 to 18.0){CHANCE}"),
        ((12.0, 4.0, 18.0), (0.07, 0.06), "unclear",
         f"Catches of brown trout may have risen since 2016, by about 12.0% a year (4.0 to 18.0){CHANCE}"),
        # no trend: the comparison, with a caution where it does not stand
        ((-4.0, -9.0, 1.0), (0.3, 0.049), "down", "Catches of brown trout were lower in 2025 than in 2016, by about 63% (51 to 72); "
                                                  "whether they fell steadily cannot be told."),
        ((-4.0, -9.0, 1.0), (0.3, 0.059), "unclear",
         f"Catches of brown trout may have been lower in 2025 than in 2016, by about 63% (51 to 72){CHANCE}"),
        # nothing is known of the tests
        ((-12.0, -18.0, -4.0), (None, None), "down", "Catches of brown trout fell since 2016, by about 12.0% a year (4.0 to 18.0)."),
    ],
)  # fmt: skip
def test_what_stands_is_told_first_and_what_does_not_with_a_caution(study, trend, tests, direction, text):
    results = list(made_results(SPECIES[:1], trend))
    place = {"species": "brown_trout", "size_class": "stock"}
    results += [Result("standardised_catch_rate", estimate(80, 60, 110), season, **place) for season in range(2016, 2026)]
    change = estimate(-63, -72, -51, "percent", n=10)
    results.append(Result("smoothed_change", change, None, **place, detail="standardised_catch_rate"))
    brief = brief_content(study, Results(results), tests=_tests(*tests))
    said = [one.finding for one in brief.told if "atches" in one.finding.text]
    assert [(one.text, one.direction) for one in said] == [(text, direction)]
    assert set(said[0].results) <= {result.id for result in results}


@pytest.mark.parametrize(
    ("change", "q", "text"),
    [
        (
            (-7.4, -8.8, -6.0),
            0.001,
            "For their length, brown trout weighed less in 2025 than in 2016, by about 7.4% (6.0 to 8.8).",
        ),
        ((7.4, 6.0, 8.8), 0.001, "For their length, brown trout weighed more in 2025 than in 2016, by about 7.4% (6.0 to 8.8)."),
        ((-7.4, -8.8, -6.0), 0.06, None),
        ((-1.0, -3.0, 1.0), 0.4, None),
    ],
)
def test_a_change_of_condition_that_stands_is_told_before_a_catch_that_cannot_be(study, change, q, text):
    results = list(made_results(SPECIES[:3], (4.2, -0.5, 9.1)))
    place = {"species": "brown_trout", "size_class": "stock", "detail": "relative_weight"}
    results.append(Result("trend_per_year", estimate(-0.7, -1.5, 0.01, "percent per year"), None, **place))
    results.append(Result("smoothed_change", estimate(*change, "percent", n=10), None, **place))
    told = brief_content(study, Results(results), tests=_tests(0.2, q, "relative_weight")).told
    texts = [one.finding.text for one in told]
    assert [t for t in texts if t.startswith("For their length") and " than in " in t] == ([text] if text else [])
    if text:
        assert texts[3] == text and "cannot be told whether catches of brown trout" in texts[4]


def test_a_change_of_condition_by_its_trend_alone(words):
    place = {"species": "brown_trout", "size_class": "stock", "detail": "relative_weight"}
    trend = Result("trend_per_year", estimate(-0.7, -1.1, -0.3, "percent per year"), None, **place)
    assert words.condition_trend(trend, 2016).text == (
        "For their length, brown trout weighed less from year to year since 2016, by about 0.70% a year (0.30 to 1.10)."
    )


@pytest.mark.parametrize("later", [True, False])
def test_the_drawing_of_lengths_says_which_fish_it_holds(study, later):
    results = list(made_results(SPECIES[:3]))
    if later:
        left = [r for r in results if (r.quantity, r.season, r.species) == ("proportional_size", 2025, "brown_trout")]
        results += [dataclasses.replace(r, estimate=r.estimate.noting(LATER_PASSES), size_class="preferred") for r in left]
    picture = content(study, Results(results)).sizes
    fish = "brown trout of the first passes" if later else "brown trout"
    assert re.match(rf"How long \d+ measured {fish} of 2025 were\.", picture.caption)
    assert re.match(rf"Bars of length: \d+ {fish} measured in 2025,", picture.panels[0].alt)


def test_change_from_the_season_before(words):
    before = catch(80, 70, 91, season=2024)
    assert words.changed(before, catch(20, 16, 25)).direction == "down"
    assert words.changed(before, catch(200, 170, 240)).text.startswith(
        "Catches of brown trout rose from 2024 to 2025, by about 150%"
    )
    assert words.changed(before, catch(82, 60, 110)).direction == "unclear"
    lacking = dataclasses.replace(before, estimate=Estimate.not_estimable("no run", units="fish/h"))
    assert "cannot be told" in words.changed(lacking, catch(82, 60, 110)).text


def test_other_sentences(words, us):
    result = next(iter(made_results().where(quantity="population_size", season=2025)))
    assert words.number(result).text == (
        "The water held about 7,300 brown trout that were 15 cm (6 in) or longer (6,200 to 9,400)."
    )
    share = Result("proportional_size", estimate(76.9, 72.5, 80.9, "percent"), 2025, "brown_trout", "quality")
    assert (
        us.size(share).text == "Of 100 brown trout that were 6 inches or longer, about 77 were at least 9 inches long (73 to 81)."
    )
    lives = Result("annual_survival", estimate(0.49, 0.39, 1.0, ""), 2025, "brown_trout", "all")
    assert words.survival(lives).text == "Of 100 grown brown trout, about 49 live through a year (39 to 100)."
    noted = lives.estimate.noting(f"{AGES_USED}2 and older", SHARED_AGES)
    assert words.survival(dataclasses.replace(lives, estimate=noted)).text == (
        "Of 100 brown trout of age 2 and older, about 49 live through a year (39 to 100); this range is too narrow: seasons share "
        "aged fish."
    )
    age = Result("length_at_age", estimate(384.2, 375.7, 394.1, "mm"), None, "brown_trout", "all", detail="age 3")
    assert words.growth(age).text == "At age 3 the average brown trout is about 38.4 cm (37.6 to 39.4)."
    assert us.growth(age).text == "At age 3 the average brown trout is about 15.13 inches (14.79 to 15.52)."


# ---- the whole --------------------------------------------------------------------------------------------------


def test_every_sentence_is_traced_to_results_of_the_report(study):
    results = made_results(SPECIES[:3])
    brief = content(study, results)
    known = {result.id for result in results}
    for finding in (*brief.did, *(one.finding for one in brief.told)):
        assert finding.results and set(finding.results) <= known, finding.text
    assert brief.tally.results == tuple(row.result for row in brief.aims)
    assert set(brief.catch.results) <= known and set(brief.third.results) <= known
    assert len({finding.text for finding in sentences(brief)}) == len(sentences(brief))


def test_the_first_of_every_species_is_told_before_the_second_of_any(study):
    ranks = [one.rank for one in content(study).told]
    assert ranks == sorted(ranks)
    assert [one.species for one in content(study).told[:3]] == ["Brown trout", "Rainbow trout", "Smallmouth bass"]


def test_aims_are_those_of_the_plan(study):
    brief = content(study)
    first, second, third, fourth, fifth, sixth = brief.aims
    assert (first.name, first.about) == ("Brown trout that were 23 cm (9 in) or longer, caught in an hour", "")
    assert (second.name, second.verdict) == ("Aim number 2 of the plan", "Not yet known")
    assert second.wanted == "40 to 62 of 100"
    assert (third.wanted, third.verdict) == ("At least 95%, over 3 seasons", "Not met")
    # A yearly rate of 0.65 takes 100 (1 − e^−0.65) = 47.8 of 100 fish.
    assert fourth.wanted == "At most 48 of 100"
    assert fourth.found == "50 of 100 (39 to 61)"
    assert fifth.verdict == "Not yet known" or fifth.verdict == "Not met"
    assert (sixth.wanted, sixth.verdict) == ("At least 30 of 100", "Met")
    counted = {verdict: [row.verdict for row in brief.aims].count(verdict) for verdict in ("Met", "Not met", "Not yet known")}
    assert sum(counted.values()) == 6
    assert brief.tally.text == f"Of the plan's 6 aims, {tally_of([row.verdict for row in brief.aims])}."


def test_tally():
    assert tally_of(["Met", "Not met", "Met"]) == "2 are met and 1 is not met"
    assert tally_of(["Not yet known"]) == "1 is not yet known"


def test_a_plan_without_aims(tmp_path):
    brief = content(made_study(tmp_path / "none", species=1, objectives=0, narrative={}))
    assert (brief.aims, brief.tally, brief.rule) == ((), None, "")


def test_drawings_hold_words_and_numbers(tmp_path):
    study = made_study(tmp_path / "many", species=6, narrative={})
    brief = content(study)
    assert len(brief.catch.panels) == 3
    assert brief.catch.caption.endswith("And 3 more kinds of fish in the report.")
    for picture in (brief.catch, brief.sizes, brief.third):
        assert picture.table.rows
        for panel in picture.panels:
            assert ET.fromstring(panel.svg).tag.endswith("svg")
            assert re.search(r"\d", panel.alt) and "nan" not in panel.alt.casefold()
    rows = [row for row in frequencies_of(study) if row["species"] == "brown_trout" and row["season"] == 2025]
    longer = sum(row["count"] for row in rows if row["lower_mm"] >= 230) / sum(row["count"] for row in rows)
    assert f"{100 * longer:.0f} of 100 were 23 cm (9 in) or longer" in brief.sizes.panels[0].alt


def test_the_third_drawing_is_what_there_is(study):
    results = made_results(SPECIES[:1])
    assert content(study, results).third.label == "brief-relative-weight"
    no_weights = Results(result for result in results if result.quantity != "relative_weight")
    assert content(study, no_weights).third.label == "brief-annual-survival"
    assert content(study, Results()).third is None


@pytest.mark.parametrize(
    ("fish", "said"), [(1, "How long the one measured brown trout of 2025 was."), (2, "How long 2 measured")]
)
def test_lengths_of_a_single_fish_are_told_of_one(words, fish, said):
    rows = [{"species": "brown_trout", "season": 2025, "lower_mm": 200, "upper_mm": 210, "count": fish}]
    assert size_picture(rows, words, Results()).caption.startswith(said)


def test_the_drawing_of_survival_names_the_ages_that_all_seasons_share(words):
    def drawn(ages):
        line = [
            Result("annual_survival", estimate(0.5, 0.4, 0.6, "").noting(f"{AGES_USED}{age} and older"), 2024 + place,
                   "brown_trout", "all")
            for place, age in enumerate(ages)
        ]  # fmt: skip
        return third_picture(Results(line), words).caption

    assert drawn((2, 2)) == "How many of 100 brown trout of age 2 and older live through a year, by season."
    assert drawn((2, 3)) == "How many of 100 grown brown trout live through a year, by season."
