"""Natural mortality by its published forms, and all rates of death that follow from it."""

from __future__ import annotations

import math

import numpy as np

from fishreport.analysis.fishing_today import Fishing
from fishreport.analysis.mortality import FOLLOWED, Mortality, SpeciesMortality
from fishreport.analysis.result import Result
from fishreport.exhibits.context import Context
from fishreport.exhibits.exhibit import Column, Figure, Table
from fishreport.exhibits.firm_ground import total_to_tell, why_not_firm
from fishreport.exhibits.fishing_mortality import by_species, kept_text, maturity_apart, open_lengths, value_cell
from fishreport.exhibits.mortality import level_of
from fishreport.exhibits.style import drawing, letter, looks, style, to_svg
from fishreport.exhibits.tabulate import frame_table
from fishreport.exhibits.units import NO_VALUE, format_number
from fishreport.methods.mortality import MortalityRates, rates

NATURAL_ASSUMES = (
    "The forms were fitted to many other stocks; each predicts a single stock badly, and they share data. Their "
    "median is no more certain than that: the interval is that of their mixture with the prediction error of ln M."
)
FISHING_ASSUMES = (
    "Without a creel survey, fishing mortality is what is left of total mortality once natural mortality is taken off: every "
    "error of either falls on it, and fish that leave the water count as dead."
)
FORMS = {
    "hoenig": "Hoenig 1983",
    "then_max_age": "Then et al. 2015, greatest age",
    "hamel": "Hamel 2015",
    "pauly": "Pauly 1980",
    "then_growth": "Then et al. 2015, growth",
    "then_k": "Then et al. 2015, K",
    "jensen": "Jensen 1996, K",
    "jensen_maturity": "Jensen 1996, maturity",
}
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


def _left(one: SpeciesMortality) -> str:
    return f"{value_cell(one.fishing)} per year" if one.fishing.estimable else "nothing"


def natural_table(found: Mortality, context: Context, fishing: Fishing | None = None) -> Table | None:
    """Natural mortality by every published form that the life history allows, one column a species."""
    shown, notes, data = by_species(found, context), [NATURAL_ASSUMES], []
    if not any(one.natural.estimable for _, one in shown):
        return None
    values: dict[tuple[str, str], str] = {}
    for name, one in shown:
        notes.append(f"{name}: {_basis(one, context)}.")
        if apart := maturity_apart(one, context):
            notes.append(apart)
        if one.forms is None:
            continue
        if one.natural_source == "given by the study":
            values["median", name] = value_cell(one.forms.median)
        for row in one.forms.table.to_dict("records"):
            values[row["form"], name] = format_number(row["value"], digits=2)
            data.append({"species": one.key, **row})
    used = ["given by the study" if one.natural_source == "given by the study" else "median of the forms" for _, one in shown]
    rows = [["Used here", *(value_cell(one.natural) for _, one in shown)], ["which is", *used]]
    fits = {key: one.natural for key, one in fishing.species.items() if one.natural is not None} if fishing is not None else {}
    if fits:
        cells = [value_cell(fits[one.key]) if one.key in fits else NO_VALUE for _, one in shown]
        rows.append(["That fits total mortality and creel survey", *cells])
    rows += [
        [label, *(values.get((key, name), NO_VALUE) for name, _ in shown)]
        for key, label in (("median", "Median of the forms"), *FORMS.items())
        if any((key, name) in values for name, _ in shown)
    ]
    columns = [Column("Form", align="left"), *(Column(name, "per year") for name, _ in shown)]
    caption = "Natural mortality M: what is used here, and every published form that the life history at hand allows."
    return frame_table("natural-mortality", caption, columns, rows, notes=tuple(notes), data=data)


def _basis(one: SpeciesMortality, context: Context) -> str:
    words = {
        "max_age": lambda v: f"greatest age {v:g} years",
        "asymptotic_length_mm": lambda v: f"asymptotic length {context.units.length(v)}",
        "k": lambda v: f"K {v:.2f} per year",
        "temperature_c": lambda v: f"water of {context.units.temperature(v)}",
        "age_at_maturity": lambda v: f"maturity at {v:g} years",
    }
    known = [words[key](value) for key, value in one.life_history.items()]
    return "the forms were given " + ", ".join(known) if known else "nothing is known to predict it from"


def natural_figure(found: Mortality, context: Context) -> Figure | None:
    """The forms of natural mortality beside each other, with the value used and total mortality."""
    shown = [(name, one) for name, one in by_species(found, context) if one.forms is not None]
    if not shown:
        return None
    rows, said = [], []
    form_look, used_look, total_look = looks(["form", "used", "total"]).values()
    names = [key for key in FORMS if any(one.forms is not None and key in set(one.forms.table["form"]) for _, one in shown)]
    with style():
        figure, axes = drawing(1, len(shown), height=0.24 * len(names) + 1.7, sharey=True)
        for ax, (name, one) in zip(axes[0], shown, strict=True):
            assert one.forms is not None
            values = dict(zip(one.forms.table["form"], one.forms.table["value"], strict=True))
            place = [names.index(key) + 1 for key in values]
            ax.plot(list(values.values()), place, linestyle="none", marker=form_look.marker, color=form_look.colour)
            for at, estimate, look in (
                (0, one.natural, used_look),
                (-1, one.fit.total_mortality if one.fit is not None else None, total_look),
            ):
                if estimate is None or not estimate.estimable:
                    continue
                if math.isfinite(estimate.lower) and math.isfinite(estimate.upper):
                    ax.hlines(at, estimate.lower, estimate.upper, color=look.colour, linewidth=1.2)
                ax.plot(estimate.value, at, linestyle="none", marker=look.marker, color=look.colour)
            ax.set_xlim(left=0)
            ax.grid(axis="x")
            ax.set_xlabel("Per year")
            rows += [[name, FORMS[key], format_number(value, digits=2)] for key, value in values.items()]
            said.append(f"{name}: forms from {one.forms.lowest:.2f} to {one.forms.highest:.2f}, used {value_cell(one.natural)}.")
        ticks = ["Total mortality", "Natural, used here", *(FORMS[key] for key in names)]
        axes[0][0].set_yticks(np.arange(-1, len(names) + 1), ticks)
        axes[0][0].set_ylim(-1.6, len(names) + 0.6)
        letter(axes, [name for name, _ in shown])
        svg = to_svg(figure)
    columns = [Column("Species", align="left"), Column("Form", align="left"), Column("Natural mortality", "per year")]
    behind = frame_table("natural-forms-numbers", "Natural mortality by form, as drawn.", columns, rows)
    caption = (
        f"Natural mortality by every published form (dots), the value used with its {level_of(found)} interval, and "
        f"total mortality of {context.season}. Where the forms reach past total mortality, they cannot all hold on this water."
    )
    return Figure("natural-forms", caption, "Points of natural mortality by form. " + " ".join(said), svg, behind)


def _by_total(total: Result | None, one: SpeciesMortality) -> MortalityRates | None:
    """All rates from a total mortality that is firm, or None without one, or where natural mortality is not below it."""
    if total is None or not one.natural.estimable or total.estimate.value <= one.natural.value:
        return None
    return rates(total=total.estimate.value, natural=one.natural.value)


def _no_rates(one: SpeciesMortality, total: Result | None) -> str:
    """Why a species has no column."""
    weak = "" if one.fit is None else f"rates are not given: its total mortality {why_not_firm(one.fit.total_mortality)}"
    if one.fit is not None and one.fit.total_mortality.estimable and total is None:
        return f"{weak}, and no other estimate of it is firm ground"
    if one.natural.estimable and total is not None and total.detail is not None:
        where = f"{total.detail}: {value_cell(total.estimate)} per year"
        return f"{weak}, and where it is firm ({where}) it is not above natural mortality, {value_cell(one.natural)}"
    reason = next((n for n in one.fishing.notes if n.startswith("not estimable: ")), "not estimable: too few data")
    return reason.removeprefix("not estimable: ")


def _used(found: Mortality, context: Context, fishing: Fishing | None) -> dict[str, MortalityRates]:
    """By species key, all rates of those for which a creel survey or a firm total mortality tells them."""
    known = {}
    for _, one in by_species(found, context):
        asked = None if fishing is None else fishing.species.get(one.key)
        table = None if asked is None else asked.rates
        table = table or _by_total(total_to_tell(found.results, one.key, context.season), one)
        if table is not None:
            known[one.key] = table
    return known


def rates_notes(found: Mortality, context: Context, fishing: Fishing | None = None) -> list[str]:
    """One note a species: what its rates follow from, or why it has none, and how many fish anglers kept."""
    used, notes = _used(found, context, fishing), []
    for name, one in by_species(found, context):
        total = total_to_tell(found.results, one.key, context.season)
        asked = None if fishing is None else fishing.species.get(one.key)
        if asked is not None and asked.rates is not None:
            notes.append(
                f"{name}: of fish that may be kept ({open_lengths(asked, context)}). F is that of the creel survey of "
                f"{asked.year}, {value_cell(asked.fishing)} per year, and Z is the sum of F and M: not the total of the catch "
                f"curve, which holds for all fish of its ages and, less natural mortality, leaves {_left(one)}."
            )
            continue
        if one.key not in used or total is None:
            note = f"{name}: {_no_rates(one, total)}"
        elif total.detail is None:
            note = f"{name}: fishing mortality {value_cell(one.fishing)} per year"
        else:
            how = total.detail if total.detail == FOLLOWED else f"the {total.detail}"
            note = f"{name}: Z is that of {how}, {value_cell(total.estimate)} per year"
        if fishing is not None and one.key in fishing.kept:
            note += f"; anglers kept {kept_text(fishing.kept[one.key])} in {fishing.kept[one.key].season}"
        notes.append(f"{note}.")
    return notes


def rates_table(found: Mortality, context: Context, fishing: Fishing | None = None) -> Table | None:
    """Fishing mortality and every rate that follows: from a creel survey where there is one, else from total and natural.

    A total mortality that is no firm ground gives no column.
    """
    used, kept = _used(found, context, fishing), {} if fishing is None else fishing.kept
    shown = [(name, one) for name, one in by_species(found, context) if one.key in used]
    notes, rows = [FISHING_ASSUMES, *rates_notes(found, context, fishing)], []
    if not shown:
        return None
    for symbol, words in RATES.items():
        cells = []
        for _, one in shown:
            table = used[one.key].frame()
            value = float(table.loc[table["symbol"] == symbol, "value"].iloc[0])
            cells.append(f"{value:.2f}" if symbol in "ZFM" else f"{100 * value:.0f}%")
        rows.append([symbol, words, *cells])
    if any(one.key in kept for _, one in shown):
        cells = [kept_text(kept[one.key]) if one.key in kept else NO_VALUE for _, one in shown]
        rows.append([NO_VALUE, "number that anglers kept in a year, by creel survey", *cells])
    columns = [Column("Symbol", align="left"), Column("Rate, or share of the fish alive at its start", align="left")]
    columns += [Column(name) for name, _ in shown]
    caption = (
        f"All rates of death of {context.season} that follow from natural mortality M and either total mortality Z or the "
        "fishing mortality F of a creel survey, fishing and natural deaths going on side by side. They are point "
        "values; their uncertainty is that of F, given below."
    )
    notes.append(
        "S is exp(−Z) here. Chapman and Robson's own estimate of survival, in the table of total mortality, parts from it where "
        "few fish are old enough."
    )
    return frame_table("rates", caption, columns, rows, notes=tuple(notes))
