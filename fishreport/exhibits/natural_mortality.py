"""Natural mortality by its published forms, and which value is used."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from fishreport.analysis.fishing_today import Fishing
from fishreport.analysis.mortality import Mortality, SpeciesMortality
from fishreport.exhibits.context import Context
from fishreport.exhibits.exhibit import Column, Figure, Table
from fishreport.exhibits.fishing_mortality import by_species, maturity_apart, value_cell
from fishreport.exhibits.mortality import level_of
from fishreport.exhibits.style import drawing, letter, looks, style, to_svg
from fishreport.exhibits.tabulate import frame_table
from fishreport.exhibits.units import NO_VALUE, format_number
from fishreport.methods.estimate import Estimate

NATURAL_ASSUMES = (
    "The forms were fitted to many other stocks; each predicts a single stock badly, and they share data. Their "
    "median is no more certain than that: the interval is that of their mixture with the prediction error of ln M."
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
USED = "Used for all rates of death"
MEDIAN = "Median of the forms"
TOTAL = "Total mortality"
GIVEN = "given by the study"
FIT = "fits total mortality and creel survey"
FIT_USED = (
    "Where natural mortality fits total mortality and a creel survey, the scenarios and the table of all rates of death start "
    "from that, and not from the median of the forms. Total less natural mortality, told beside the creel survey's rate, takes "
    "off the median, since the other was already held against the total."
)


def _fits(fishing: Fishing | None) -> dict[str, Estimate]:
    """By species key, natural mortality that was held against total mortality and a creel survey."""
    species = {} if fishing is None else fishing.species
    return {key: one.natural for key, one in species.items() if one.natural is not None}


def natural_table(found: Mortality, context: Context, fishing: Fishing | None = None) -> Table | None:
    """Natural mortality by every published form that the life history allows, one column a species."""
    shown, notes, data = by_species(found, context), [NATURAL_ASSUMES], []
    if not any(one.natural.estimable for _, one in shown):
        return None
    values: dict[tuple[str, str], str] = {}
    fits = _fits(fishing)
    for name, one in shown:
        notes.append(f"{name}: {_basis(one, context)}.")
        if apart := maturity_apart(one, context):
            notes.append(apart)
        if one.forms is None:
            continue
        values["median", name] = value_cell(one.forms.median)
        for row in one.forms.table.to_dict("records"):
            values[row["form"], name] = format_number(row["value"], digits=2)
            data.append({"species": one.key, **row})
    which = [
        FIT
        if one.key in fits
        else GIVEN
        if one.natural_source == GIVEN
        else MEDIAN.lower()
        if one.forms is not None
        else NO_VALUE
        for _, one in shown
    ]
    rows = [[USED, *(value_cell(fits.get(one.key, one.natural)) for _, one in shown)], ["which is", *which]]
    rows += [
        [label, *(values.get((key, name), NO_VALUE) for name, _ in shown)]
        for key, label in (("median", MEDIAN), *FORMS.items())
        if any((key, name) in values for name, _ in shown)
    ]
    if fits:
        notes.insert(1, FIT_USED)
    columns = [Column("Form", align="left"), *(Column(name, "per year") for name, _ in shown)]
    caption = (
        "Natural mortality M: what all rates of death are worked out with, and every published form that the life history at "
        "hand allows, with their median."
    )
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


def _total_words(totals: Sequence[Estimate | None], panel: int) -> str:
    total = totals[panel] if totals else None
    return f"; total mortality {value_cell(total)}" if total is not None and total.estimable else ""


def natural_figure(found: Mortality, context: Context, fishing: Fishing | None = None) -> Figure | None:
    """The forms of natural mortality beside each other, with their median, the value used and total mortality."""
    shown = [(name, one) for name, one in by_species(found, context) if one.forms is not None]
    if not shown:
        return None
    rows, said = [], []
    form_look, used_look, total_look, median_look = looks(["form", "used", "total", "median"]).values()
    fits = _fits(fishing)
    lines = [
        (label, values, look)
        for label, values, look in (
            (MEDIAN, [one.forms.median for _, one in shown if one.forms is not None], median_look),
            (USED, [fits.get(one.key, one.natural) for _, one in shown], used_look),
            (TOTAL, [one.fit.total_mortality if one.fit is not None else None for _, one in shown], total_look),
        )
        if any(e is not None and e.estimable for e in values)
    ]
    totals = next((values for label, values, _ in lines if label == TOTAL), [])
    names = [key for key in FORMS if any(one.forms is not None and key in set(one.forms.table["form"]) for _, one in shown)]
    with style():
        figure, axes = drawing(1, len(shown), height=0.24 * (len(names) + len(lines)) + 1.22, sharey=True)
        for panel, (ax, (name, one)) in enumerate(zip(axes[0], shown, strict=True)):
            assert one.forms is not None
            values = dict(zip(one.forms.table["form"], one.forms.table["value"], strict=True))
            place = [names.index(key) + 1 for key in values]
            ax.plot(list(values.values()), place, linestyle="none", marker=form_look.marker, color=form_look.colour)
            for below, (_, estimates, look) in enumerate(lines):
                at, estimate = -below, estimates[panel]
                if estimate is None or not estimate.estimable:
                    continue
                if math.isfinite(estimate.lower) and math.isfinite(estimate.upper):
                    ax.hlines(at, estimate.lower, estimate.upper, color=look.colour, linewidth=1.2)
                ax.plot(estimate.value, at, linestyle="none", marker=look.marker, color=look.colour)
            ax.set_xlim(left=0)
            ax.grid(axis="x")
            ax.set_xlabel("Per year")
            rows += [[name, FORMS[key], format_number(value, digits=2)] for key, value in values.items()]
            used = value_cell(fits.get(one.key, one.natural))
            median = f"{'their median' if len(values) > 1 else 'median'} {value_cell(one.forms.median)}"
            forms = f"forms from {one.forms.lowest:.2f} to {one.forms.highest:.2f}" if len(values) > 1 else "one form"
            said.append(f"{name}: {forms}, {median}, used {used}{_total_words(totals, panel)}.")
            rows += [[name, MEDIAN, value_cell(one.forms.median)], [name, USED, used]]
        ticks = [*(label for label, _, _ in reversed(lines)), *(FORMS[key] for key in names)]
        axes[0][0].set_yticks(np.arange(1 - len(lines), len(names) + 1), ticks)
        axes[0][0].set_ylim(0.4 - len(lines), len(names) + 0.6)
        letter(axes, [name for name, _ in shown])
        svg = to_svg(figure)
    columns = [Column("Species", align="left"), Column("Form", align="left"), Column("Natural mortality", "per year")]
    behind = frame_table("natural-forms-numbers", "Natural mortality by form, as drawn.", columns, rows)
    caption = (
        f"Natural mortality by every published form (dots), their median and the value used for all rates of death, with "
        f"{level_of(found)} intervals"
    )
    if totals:
        caption += (
            f", and total mortality of {context.season}. Where the forms reach past total mortality, they cannot all hold on "
            "this water."
        )
    else:
        caption += f". The total mortality of {context.season} could not be estimated."
    return Figure("natural-forms", caption, "Points of natural mortality by form. " + " ".join(said), svg, behind)
