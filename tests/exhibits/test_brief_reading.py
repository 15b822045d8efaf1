"""What the tool writes into the brief can be read by anybody."""

from __future__ import annotations

import re

import pytest
from brief_sample import SPECIES, content, made_results, made_study, sentences
from reading_level import reading_ease, syllables

from fishreport.exhibits.brief import CAUTION
from fishreport.exhibits.brief_work import HOW

# Signs of the trade's own language, none of which an angler should meet.
JARGON = re.compile(
    r"interval|proportional|asymptotic|standardi[sz]ed|relative weight|stock length|quality length|mortality|CPUE"
    r"|percentage point|estimator|confidence|variance|[α-ωΑ-Ω]|\bp =|\bse\b",
    re.IGNORECASE,
)


@pytest.mark.parametrize(
    ("word", "count"),
    [("trout", 1), ("caught", 1), ("rainbow", 2), ("electric", 3), ("longer", 2), ("reached", 1), ("whole", 1), ("wanted", 2),
     ("range", 1), ("survey", 2), ("probability", 5), ("fishes", 2)],
)  # fmt: skip
def test_syllables(word, count):
    assert syllables(word) == count


@pytest.mark.parametrize("trend", [(-12.0, -18.0, -4.0), (4.0, -0.5, 9.0), (0.2, -1.0, 1.5)])
@pytest.mark.parametrize("units", ["metric", "us"])
def test_what_the_tool_writes_reads_easily(tmp_path, trend, units):
    brief = content(made_study(tmp_path / "read", units=units, narrative={}), made_results(SPECIES[:3], trend))
    texts = [finding.text for finding in sentences(brief)] + [brief.ranges, brief.rule, HOW, CAUTION]
    texts += [picture.caption for picture in (brief.catch, brief.sizes, brief.third)]
    ease, length, long_words = reading_ease(texts)
    assert ease >= 65
    assert length <= 20
    assert long_words <= 0.05
    for text in [*texts, *(f"{row.name} {row.about} {row.wanted} {row.found}" for row in brief.aims)]:
        assert not JARGON.search(text), text
    if units == "us":
        assert not re.search(r"\b(?:mm|cm|km|kg|g)\b", " ".join(texts))
