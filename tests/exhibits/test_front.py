"""The front page: key findings by species, and the scorecard's source said once where all objectives share it."""

from __future__ import annotations

from fishreport.exhibits import front
from fishreport.exhibits.exhibit import Finding, Findings, Remark


def test_key_findings_stand_by_species_with_the_trend_first(demo_context):
    level = Finding("Level of brown trout.", ("catch_rate/brown_trout/stock/2025",), key=True)
    trend = Finding("Trend of brown trout.", ("trend_per_year/brown_trout/stock/catch_rate",), "down", key=True)
    own = Finding("Something that a chapter of the study tells.", ("parasites/brown_trout/2025",), key=True)
    bass = Finding("Level of bass.", ("catch_rate/smallmouth_bass/stock/2025",), key=True)
    both = Finding("The crew.", ("handling_mortality/brown_trout/2025", "handling_mortality/smallmouth_bass/2025"), key=True)
    shown = front.key_findings(Findings((own, level, bass, trend, both)), demo_context)
    assert [one.items if isinstance(one, Findings) else one.text for one in shown] == [
        (both,), "### Brown trout", (trend, level, own), "### Smallmouth bass", (bass,),
    ]  # fmt: skip
    assert all(isinstance(one, Findings | Remark) for one in shown)
    assert front.key_findings(Findings(()), demo_context) == []
