"""What a brief says of the work itself: runs, hours and fish, what the catches an hour are of, how the fish fared."""

from __future__ import annotations

import calendar
from collections.abc import Mapping, Sequence
from typing import Any

from fishreport.analysis.classes import LATER_RUNS
from fishreport.analysis.result import Result, Results
from fishreport.exhibits.brief_changes import one_result
from fishreport.exhibits.brief_words import PlainWords
from fishreport.exhibits.exhibit import Finding
from fishreport.exhibits.tabulate import counted, joined
from fishreport.exhibits.units import format_estimate
from fishreport.exhibits.wording import sentence
from fishreport.methods.estimate import Estimate
from fishreport.methods.fish_care import harmed_share
from fishreport.study import Study

HOW = "Current in the water stuns fish for a moment, so that they can be netted and measured."
_BY_MARKS = ("Petersen", "Schnabel", "Schumacher")
_HARMED = "all species, died or injured"


def _when(study: Study) -> str:
    months = [calendar.month_name[month] for month in study.season.months]
    return f"{joined(months)} {study.season.year}" if months else str(study.season.year)


def _rates(results: Results, season: int, words: PlainWords) -> list[Result]:
    """The catch rates that the brief tells, one a species."""
    places = ((one.species.key, words.context.lead_class(one.species.key)) for one in words.context.classes)
    found = (one_result(results, quantity="catch_rate", species=key, size_class=lead, season=season) for key, lead in places)
    return [result for result in found if result is not None]


def _counted_fish(rates: Sequence[Result], words: PlainWords) -> str:
    """``brown trout of 15 cm (6 in) and walleye of 25 cm (10 in) or longer``; empty where fish of every length count."""
    names = words.context.writer.nouns.species_name
    every = [names(result.species) for result in rates if result.size_class == "all"]
    longer = [
        f"{names(result.species)} of {words.length(result.species, result.size_class or 'all')}"
        for result in rates
        if result.size_class != "all"
    ]
    if not longer:
        return ""
    return f"{joined(longer)} or longer" + (f", and {joined(every)} of any length" if every else "")


def _what_rates_are_of(rates: Sequence[Result], words: PlainWords) -> list[Finding]:
    """Which runs and fish the catches an hour are of, so that nobody divides all fish by all hours."""
    later = any(LATER_RUNS in result.estimate.notes for result in rates)
    fish = _counted_fish(rates, words)
    if not later and not fish:
        return []
    runs = f"the {counted(max(result.estimate.n for result in rates), 'run')} that went over a place first" if later else ""
    text = f"Catches an hour are of {', and of '.join(part for part in (runs, fish) if part)}: not of all fish over all hours"
    return [Finding(sentence(text), tuple(result.id for result in rates))]


def _marked(results: Results, season: int, words: PlainWords) -> list[Finding]:
    """That fish were marked, where that is how those in the water were counted."""
    places = ((one.species.key, words.context.lead_class(one.species.key)) for one in words.context.classes)
    found = (one_result(results, quantity="population_size", species=key, size_class=lead, season=season) for key, lead in places)
    known = [result for result in found if result is not None and any(name in result.estimate.method for name in _BY_MARKS)]
    if not known:
        return []
    names = joined([words.context.writer.nouns.species_name(result.species) for result in known])
    text = f"To tell how many {names} the water held, the crew also marked some and looked for them again"
    return [Finding(sentence(text), tuple(result.id for result in known))]


def whole_season(by_site: Sequence[Mapping[str, Any]], season: int) -> list[dict[str, Any]]:
    """The row that `work_done` reads, from the rows behind the table of effort by site; none without a site."""
    if not by_site:
        return []
    sums = {key: sum(row[key] or 0 for row in by_site) for key in by_site[0] if key not in ("site", "reach", "river_km")}
    return [{"season": season, "sites": len(by_site), **sums}]


def work_done(
    study: Study, results: Results, work: Sequence[Mapping[str, Any]], words: PlainWords
) -> tuple[Finding, ...]:  # fmt: skip
    """What was done, from the numbers behind the report's figure or table of effort, else from the runs behind the catch rates.

    `work`: rows with ``season``, ``sites``, ``runs``, ``effort_h``, fish by species key, and all ``fish`` where that is known.
    """
    season = study.season.year
    rates = results.where(quantity="catch_rate", season=season, size_class="all")
    whole = list(rates.where(site=None))
    ids = tuple(result.id for result in whole)
    sites = len({result.site for result in rates if result.site})
    own = next((row for row in work if row.get("season") == season), None)
    if not ids:
        return ()
    explained = (*_what_rates_are_of(_rates(results, season, words), words), *_marked(results, season, words))
    if own is None:
        places = f" at {counted(sites, 'place')}" if sites else ""
        text = f"In {_when(study)} the crew fished {study.water.name} with electric current: "
        runs = Finding(sentence(f"{text}{counted(max(r.estimate.n for r in whole), 'run')}{places}"), ids)
        return (runs, *explained)
    hours = float(own["effort_h"])
    caught = [f"{int(own[one.key]):,} {one.name}" for one in study.species.values() if int(own.get(one.key) or 0)]
    others = int(own.get("fish") or 0) - sum(int(own.get(one.key) or 0) for one in study.species.values())
    rest = f"{counted(others, 'fish')} of {'another' if others == 1 else 'other'} species" if others > 0 else ""
    where = f"{counted(int(own['runs']), 'run')} at {counted(int(own['sites']), 'place')}"
    first = (
        f"In {_when(study)} the crew fished {study.water.name} with electric current. It made {where} and had the current on for "
        f"{hours:.1f} hours"
    )
    none = f"no fish of the species that the study is about{', but ' if rest else ''}{rest}"
    second = f"It caught {joined([*caught, *filter(None, [rest])]) if caught else none}"
    return (Finding(sentence(first), ids), Finding(sentence(second), ids), *explained)


def _harmed(result: Result) -> int:
    return round(result.estimate.value * result.estimate.n / 100)


def care_taken(results: Results, season: int) -> tuple[Finding, ...]:
    """How many fish were hurt or died of those looked at, and the share of the seasons before; empty without a record of it."""
    every = [r for r in results.where(quantity="handling_mortality", species=None, detail=_HARMED) if r.estimate.estimable]
    now = next((result for result in every if result.season == season), None)
    if now is None:
        return ()
    before = [result for result in every if result.season is not None and result.season < season]
    share: Estimate = now.estimate
    hurt = f"{_harmed(now):,} {'was' if _harmed(now) == 1 else 'were'} hurt or dead"
    text = f"Of {counted(share.n, 'fish')} looked at before release, {hurt}: {format_estimate(share).text}"
    if before:
        handled = sum(result.estimate.n for result in before)
        earlier = harmed_share(sum(map(_harmed, before)), handled, level=share.level)
        of = f"{counted(len(before), 'season')} before" if len(before) > 1 else "season before"
        text += f"; over the {of} it was {format_estimate(earlier).text}"
    return (Finding(sentence(text), tuple(result.id for result in (now, *before))),)
