"""All rates of death of each species in one table, every one with its interval, and what they follow from."""

from __future__ import annotations

from fishreport.analysis.death_rates import INSTANTANEOUS, DeathRates
from fishreport.analysis.firm_ground import total_to_tell, why_not_firm
from fishreport.analysis.fishing_today import Fishing
from fishreport.analysis.mortality import FOLLOWED, TOO_SHORT, Mortality, SpeciesMortality
from fishreport.analysis.result import Result
from fishreport.exhibits.context import Context
from fishreport.exhibits.exhibit import Column, Table
from fishreport.exhibits.fishing_mortality import by_species, kept_text, open_lengths, value_cell
from fishreport.exhibits.notes import ages_meant, too_short, why_too_short
from fishreport.exhibits.tabulate import frame_table, joined
from fishreport.exhibits.units import NO_VALUE, format_number
from fishreport.exhibits.wording import percent_level
from fishreport.methods.estimate import Estimate

FISHING_ASSUMES = (
    "Without a creel survey, fishing mortality is what is left of total mortality once natural mortality is taken off: every "
    "error of either falls on it, and fish that leave the water count as dead."
)
OF_THE_START = (
    "Percentages count against the fish alive at the year's start. F and M, and the fish kept per 100 present on average that a "
    "creel survey gives, count against those present on average through the year: they are fewer, since fish die all year. Hence "
    "u is less than F; it holds deaths after release as well, which the fish kept do not."
)
RATES = {
    "Z": "total mortality, per year",
    "F": "fishing mortality, per year",
    "M": "natural mortality, per year",
    "A": "die in a year",
    "S": "live through a year",
    "u": "die by fishing in a year",
    "v": "die of natural causes in a year",
    "cf": "would die by fishing were there no other cause",
    "cm": "would die of natural causes were there no fishing",
}
EXACT = {"Z": "total mortality", "F": "fishing mortality", "M": "natural mortality"}


def _cell(symbol: str, estimate: Estimate) -> str:
    """Value and interval alike rounded: rates to two decimals, shares to whole percent."""
    decimals, unit = (2, "") if symbol in INSTANTANEOUS else (0, "%")
    value, low, high = (format_number(x, decimals=decimals) for x in (estimate.value, estimate.lower, estimate.upper))
    return f"{value}{unit}" if low == NO_VALUE else f"{value}{unit} ({low} to {high})"


def _no_rates(one: SpeciesMortality, total: Result | None) -> str:
    """Why a species has no column."""
    weak = "" if one.fit is None else f"rates are not given: its total mortality {why_not_firm(one.fit.total_mortality)}"
    if one.fit is not None and one.fit.total_mortality.estimable and total is None:
        return f"{weak}, and no other estimate of it is firm ground"
    if one.natural.estimable and total is not None and total.detail is not None:
        where = f"{total.detail}: {value_cell(total.estimate)} per year"
        where += f"; {TOO_SHORT}{reason}" if (reason := why_too_short(total.estimate)) else ""
        return f"{weak}, and where more fish tell it ({where}) it is not above natural mortality, {value_cell(one.natural)}"
    reason = next((n for n in one.fishing.notes if n.startswith("not estimable: ")), "not estimable: too few data")
    return reason.removeprefix("not estimable: ")


def _from_total(table: DeathRates, one: SpeciesMortality) -> str:
    """What a species' rates follow from where total mortality tells them."""
    total = table.total
    assert total is not None
    how = "the catch curve" if total.detail is None else total.detail if total.detail == FOLLOWED else f"the {total.detail}"
    fish = f" of fish {ages}" if (ages := ages_meant(total.estimate)) else ""
    text = (
        f"Z is that of {how}, {value_cell(total.estimate)} per year{fish}{too_short(total.estimate)}, M is "
        f"{value_cell(one.natural)}, and F what is left"
    )
    if table.capped > 0:
        text += f"; in {100 * table.capped:.0f}% of the draws M came out above Z, and all deaths are taken as natural there"
    return text


def _exact(table: DeathRates) -> str:
    if not table.exact:
        return ""
    names = joined([EXACT[symbol] for symbol in table.exact])
    verb = "came without a spread and is" if len(table.exact) == 1 else "came without a spread and are"
    return f"; {names} {verb} taken as exact, so that the intervals leave its error out"


def rates_notes(
    used: dict[str, DeathRates], found: Mortality, context: Context, fishing: Fishing | None = None
) -> list[str]:  # fmt: skip
    """One note a species: what its rates follow from, or why it has none, and how many fish anglers kept."""
    notes = []
    for name, one in by_species(found, context):
        table = used.get(one.key)
        asked = None if fishing is None else fishing.species.get(one.key)
        if table is not None and table.total is None and asked is not None:
            left = f"{value_cell(one.fishing)} per year" if one.fishing.estimable else "nothing"
            notes.append(
                f"{name}: of fish that may be kept ({open_lengths(asked, context)}). F is that of the creel survey of "
                f"{asked.year}, {value_cell(asked.fishing)} per year, and Z is the sum of F and M: not the total of the catch "
                f"curve, which holds for all fish of its ages and, less natural mortality, leaves {left}{_exact(table)}."
            )
            continue
        if table is None:
            note = f"{name}: {_no_rates(one, total_to_tell(found.results, one.key, context.season))}"
        else:
            note = f"{name}: {_from_total(table, one)}{_exact(table)}"
        if fishing is not None and one.key in fishing.kept:
            note += f"; anglers kept {kept_text(fishing.kept[one.key])} in {fishing.kept[one.key].season}"
        notes.append(f"{note}.")
    return notes


def rates_table(
    used: dict[str, DeathRates], found: Mortality, context: Context, fishing: Fishing | None = None
) -> Table | None:  # fmt: skip
    """Fishing mortality and every rate that follows: from a creel survey where there is one, else from total and natural.

    A total mortality that is no firm ground gives no column.
    """
    kept = {} if fishing is None else fishing.kept
    shown = [(name, used[one.key]) for name, one in by_species(found, context) if one.key in used]
    if not shown:
        return None
    rows = [[symbol, words, *(_cell(symbol, one.rates[symbol]) for _, one in shown)] for symbol, words in RATES.items()]
    if any(one.key in kept for _, one in shown):
        cells = [kept_text(kept[one.key]) if one.key in kept else NO_VALUE for _, one in shown]
        rows.append([NO_VALUE, "number that anglers kept in a year, by creel survey", *cells])
    columns = [Column("Symbol", align="left"), Column("Rate, or share of the fish alive at the year's start", align="left")]
    columns += [Column(name) for name, _ in shown]
    draws = joined(sorted({f"{one.draws:,}" for _, one in shown}))
    level = percent_level(shown[0][1].rates["Z"].level)
    caption = (
        f"All rates of death of {context.season} that follow from natural mortality M and either total mortality Z or the "
        "fishing mortality F of a creel survey, fishing and natural deaths going on side by side: median and "
        f"{level} interval over {draws} joint draws of F and M."
    )
    by_total = any(one.total is not None for _, one in shown)
    notes = [*([FISHING_ASSUMES] if by_total else []), OF_THE_START, *rates_notes(used, found, context, fishing)]
    notes.append(
        "Z is F + M, S is exp(−Z), A is 1 − S and u + v is A in each draw; medians and limits need not add up. Chapman and "
        "Robson's own estimate of survival, in the table of total mortality, parts from S where few fish are old enough."
    )
    return frame_table(
        "rates", caption, columns, rows, notes=tuple(notes), data=[row for _, one in shown for row in one.records()]
    )
