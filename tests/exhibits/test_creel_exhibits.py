"""Tables, figure and sentences of creel surveys: the demo's numbers, up, down and cannot tell, gaps, none."""

from __future__ import annotations

import dataclasses
import re
import xml.etree.ElementTree as ET

import numpy as np
import pandas as pd
import pytest

from fishreport.analysis.creel import Creel, creel
from fishreport.analysis.result import Results
from fishreport.exhibits import creel as exhibits

KEYS = ["brown_trout", "rainbow_trout", "smallmouth_bass"]


@pytest.fixture(scope="module")
def surveyed(demo_study, demo_survey):
    return creel(demo_study, demo_survey, KEYS)


def _made(demo_study, demo_survey, **columns) -> Creel:
    """Ten years of brown trout, with columns of one's own."""
    n = len(next(iter(columns.values())))
    frame = pd.DataFrame({"year": np.arange(2026 - n, 2026, dtype=float), "species": "BNT", "species_key": "brown_trout"})
    plain = {"effort_h": 20_000.0, "caught": 4000.0, "kept": 300.0}
    for name, usual in plain.items():
        frame[name] = np.asarray(columns.get(name, [usual] * n), float)
        frame[f"se_{name}"] = np.asarray(columns.get(f"se_{name}", 0.03 * frame[name]), float)
    return creel(demo_study, dataclasses.replace(demo_survey, harvest=frame), KEYS)


def _texts(surveyed, context):
    return [item.text for item in exhibits.findings(surveyed, context).items]


def test_tables_hold_the_table(surveyed, demo_context):
    effort = exhibits.effort_table(surveyed, demo_context)
    assert [c.heading for c in effort.columns] == ["Year", "Effort", "Brown trout", "Rainbow trout", "Smallmouth bass"]
    assert effort.rows[-1][:2] == ("2025", "30,200 (25,900 to 35,300)")
    kept = exhibits.kept_table(surveyed, demo_context)
    assert kept.rows[-1] == ("2025", "301 (225 to 403)", "214 (160 to 286)", "4 (2 to 6)")
    assert kept.rows[0][3] == "3"  # the table gives a standard error of 0: no interval, and the note says so
    assert any(note.startswith("Smallmouth bass, 2016: the table gives no standard error") for note in kept.notes)
    assert {row["quantity"] for row in (*effort.data, *kept.data)} == {"angling_effort", "angler_catch_rate", "fish_kept"}


def test_the_figure_has_words_and_numbers(surveyed, demo_context):
    figure = exhibits.creel_figure(surveyed, demo_context)
    assert ET.fromstring(figure.svg).tag.endswith("svg")
    assert "effort in h: 19,600 (16,700 to 23,000) in 2016, 30,200 (25,900 to 35,300) in 2025" in figure.alt
    assert len(figure.table.rows) == 70
    assert not any(re.search(r"\bnan\b|None", cell) for row in figure.table.rows for cell in row)


def test_the_demo_says_what_its_intervals_allow(surveyed, demo_context):
    text = " ".join(_texts(surveyed, demo_context))
    assert "angling effort was 30,200 hours (95% interval 25,900 to 35,300), the highest estimate of 10 years" in text
    assert "the next is 25,500 in 2024" in text
    assert "Whether angling effort rose or fell from 2024 to 2025 cannot be told" in text
    assert "Anglers' catch rate of rainbow trout fell over the 10 years from 2016 to 2025" in text
    assert "seasons" not in text
    known = {r.id for r in surveyed.results}
    assert all(set(item.results) <= known for item in exhibits.findings(surveyed, demo_context).items)


@pytest.mark.parametrize(
    ("last", "words"),
    [(26_000.0, "rose from 2024 to 2025"), (15_000.0, "fell from 2024 to 2025"), (20_300.0, "cannot be told")],
)
def test_effort_up_down_or_not_to_be_told(demo_study, demo_survey, demo_context, last, words):
    made = _made(demo_study, demo_survey, effort_h=[20_000.0] * 9 + [last])
    assert any("angling effort" in text.casefold() and words in text for text in _texts(made, demo_context)[:2])


@pytest.mark.parametrize(("slope", "words"), [(0.08, "rose over"), (-0.08, "fell over")])
def test_trends_of_fish_kept(demo_study, demo_survey, demo_context, slope, words):
    wiggle = np.array([1, -1, -1, 1, 1, -1, 1, -1, -1, 1]) * 0.01
    made = _made(demo_study, demo_survey, kept=300 * np.exp(slope * np.arange(10) + wiggle))
    assert any(f"brown trout that anglers kept {words} the 10 years" in text for text in _texts(made, demo_context))


@pytest.mark.parametrize(
    ("values", "word"),
    [([3, 2, 4, 9], ", the highest estimate of 4 years (the next is 4 in 2024)"), ([3, 2, 4, 1], ", the lowest estimate of 4 years"),
     ([3, 2, 9, 4], ""), ([3, 2, 9, 9], ""), ([3, 9], "")],
)  # fmt: skip
def test_highest_and_lowest(demo_study, demo_survey, demo_context, values, word):
    made = _made(demo_study, demo_survey, kept=[100.0 * v for v in values], se_kept=[5.0] * len(values))
    line = list(made.results.where(quantity="fish_kept"))
    assert exhibits._extreme(line, demo_context).startswith(word.replace("is 4 in", "is 400 in"))
    assert bool(exhibits._extreme(line, demo_context)) is bool(word)


def test_a_table_without_errors_gives_levels_and_says_so(demo_study, demo_survey, demo_context):
    nothing = [np.nan] * 5
    made = _made(
        demo_study, demo_survey, effort_h=[1e4, 2e4, 3e4, 2e4, 4e4], se_effort_h=nothing, se_caught=nothing, se_kept=nothing
    )
    texts = _texts(made, demo_context)
    assert any("40,000 hours" in text and "how exact that is is not given" in text for text in texts)
    assert any("whether angling effort rose or fell from 2024 to 2025 cannot be told" in text.casefold() for text in texts)
    assert exhibits.effort_table(made, demo_context).rows[-1][1] == "40,000"
    assert exhibits.creel_figure(made, demo_context) is not None


def test_years_that_lack_something_show_a_dash(demo_study, demo_survey, demo_context):
    made = _made(demo_study, demo_survey, kept=[300.0, np.nan, 310.0])
    assert exhibits.kept_table(made, demo_context).rows[1] == ("2024", "—")


def test_without_a_table_there_is_nothing(demo_context):
    none = Creel(Results(), ())
    assert exhibits.effort_table(none, demo_context) is None
    assert exhibits.kept_table(none, demo_context) is None
    assert exhibits.creel_figure(none, demo_context) is None
    assert exhibits.findings(none, demo_context).items == ()


def test_one_year_is_a_table_without_a_figure(demo_study, demo_survey, demo_context):
    made = _made(demo_study, demo_survey, kept=[300.0])
    assert exhibits.creel_figure(made, demo_context) is None
    assert len(exhibits.effort_table(made, demo_context).rows) == 1
    assert not any("rose" in text for text in _texts(made, demo_context))


def test_trends_stand_with_their_number_and_adjusted_p(surveyed, demo_context):
    tested = len(surveyed.adjusted_p)
    assert tested == 7
    text = " ".join(_texts(surveyed, demo_context))
    assert (
        "a fall is virtually certain, also after adjusting for the 7 trends of creel surveys tested (adjusted p under 0.001)"
        in text
    )
    table = exhibits.trend_table(surveyed, demo_context)
    assert f"Adjusted p allows for the {tested} trends of creel surveys tested" in table.caption
    rows = {row[:2]: row for row in table.rows}
    assert rows["Rainbow trout", "Caught an hour"][3:] == ("10", "<0.001")
    assert rows["All anglers", "Effort"][2].endswith(")")
    assert all(row["adjusted_p"] == surveyed.adjusted_p[row["id"]] for row in table.data)
    assert exhibits.trend_table(Creel(Results(), ()), demo_context) is None


def test_a_trend_that_does_not_stand_among_its_fellows_only_seems_to_be_one(surveyed, demo_context):
    doubtful = dataclasses.replace(surveyed, adjusted_p=dict.fromkeys(surveyed.adjusted_p, 0.2))
    items = exhibits.findings(doubtful, demo_context).items
    text = next(item.text for item in items if "seems to have fallen" in item.text)
    assert "it does not stand after adjusting for the 7 trends of creel surveys tested (adjusted p 0.2)" in text
    assert "also after adjusting" not in " ".join(item.text for item in items)
    assert not any(item.direction in ("up", "down") for item in items)
