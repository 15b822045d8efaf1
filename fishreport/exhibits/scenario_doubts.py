"""Words on draws in which the inputs of a scenario do not fit together: for the chapter, and in plain words for the brief."""

from __future__ import annotations

import re
from collections.abc import Iterable

from fishreport.analysis.draw_doubts import Doubt, doubts
from fishreport.analysis.scenario_changes import OF_THE_COUNT
from fishreport.analysis.scenarios import Comparison
from fishreport.analysis.vital_rates import NOTHING_LEFT, hundred
from fishreport.exhibits.wording import sentence
from fishreport.population.todays_population import OVERSTOCKED, WIPED_OUT

# Kind → what it means for the results.
_MEANS = {
    NOTHING_LEFT: "those draws are left out, so that the rules may change less than is told, down to nothing",
    OVERSTOCKED: (
        "model and survey do not fit together there; wild fish are set at 1% of today's density, and the result leans on the "
        "stocking"
    ),
    WIPED_OUT: "model and survey do not fit together there; the young fish of each year are set by hand",
}
_PLAIN = {
    NOTHING_LEFT: (
        "natural deaths left nothing for fishing to take. Those are left out, so a rule may change less than is said here, or "
        "nothing."
    ),
    OVERSTOCKED: (
        "the fish stocked are more than all those that the survey finds. There the model does not fit the survey, and what is "
        "said here leans on the stocking."
    ),
    WIPED_OUT: "today's fishing would end the stock. There the model does not fit the survey.",
}
_SHARE = re.compile(rf"(\d+%) {OF_THE_COUNT}")


def _of(one: Comparison) -> tuple[Doubt, ...]:
    return doubts((*one.inputs.notes, *(one.projection.notes if one.projection else ())))


def doubt_sentences(one: Comparison) -> list[str]:
    """What does not fit in more than a tenth of the draws of a species, and what that means; empty where all fits."""
    return [sentence(f"in {hundred(doubt.share)} of 100 draws {doubt.kind}: {_MEANS[doubt.kind]}") for doubt in _of(one)]


def leaning_sentence(one: Comparison, place: int) -> str:
    """That what another stocking gives leans on the stocking, where stocked fish alone exceed the density; else empty."""
    share = next((doubt.share for doubt in _of(one) if doubt.kind == OVERSTOCKED), 0.0)
    if not share or one.inputs.rules[place].stocking == one.inputs.rules[0].stocking:
        return ""
    return sentence(f"in {hundred(share)} of 100 draws {OVERSTOCKED}, so that this leans on the stocking")


def plain_doubts(fish: str, notes: Iterable[str]) -> list[str]:
    """The same of the notes of a result, for the brief: ``Rainbow trout: in 47 of 100 simulations the fish stocked ...``."""
    known = list(notes)
    said = [f"{fish}: in {hundred(doubt.share)} of 100 simulations {_PLAIN[doubt.kind]}" for doubt in doubts(known)]
    shares = [found[1] for found in map(_SHARE.search, known) if found]
    return [
        *said,
        *(f"{fish}: the model's harvest of today is {share} of what was counted, so one of the two is off." for share in shares),
    ]
