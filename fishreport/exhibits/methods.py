"""The methods chapter: only what this build did, taken from its own results."""

from __future__ import annotations

from collections.abc import Sequence

from fishreport.analysis.classes import LengthClasses
from fishreport.analysis.result import Results
from fishreport.exhibits.context import Context
from fishreport.exhibits.exhibit import Column, Finding, Findings, Table
from fishreport.exhibits.notes import shown_note
from fishreport.exhibits.nouns import unit_words
from fishreport.exhibits.tabulate import counted, frame_table, heading, joined
from fishreport.exhibits.units import METRIC, NO_VALUE, Units
from fishreport.fielddata.survey import Survey
from fishreport.study import Study

STATUS = {"seen": "compared with the source", "from memory": "not compared with the source", "own": "the study's own"}


def _said(quantity: str, units: Units) -> str:
    """The name of a quantity in words; what is counted by km or hectare, by the unit of the report."""
    words = heading(quantity.replace("_", " "))
    for ending, metric in ((" per km", "km"), (" per ha", "ha")):
        if words.endswith(ending):
            _, shown = units.quantity(1.0, f"fish/{metric}")
            return words.removesuffix(ending) + unit_words(shown).removeprefix("fish")
    return words


def lowered(words: str) -> str:
    """A heading within a sentence: its first letter in lower case."""
    return words[:1].lower() + words[1:]


def estimator_table(results: Results, units: Units = METRIC) -> Table | None:
    """Every estimator of this report with the quantities it gave, how often, and how often it was not estimable."""
    found: dict[tuple[str, str], list[bool]] = {}
    for result in results:
        found.setdefault((result.quantity, result.estimate.method), []).append(result.estimate.estimable)
    if not found:
        return None
    by_method: dict[str, list[str]] = {}
    for quantity, method in found:
        by_method.setdefault(method, []).append(quantity)
    rows = []
    for method, quantities in by_method.items():
        every = [estimable for quantity in quantities for estimable in found[quantity, method]]
        kind = f"{quantities[0].split('_')[0]}_"
        if all(name.startswith(kind) for name in quantities):
            quantities = [quantities[0], *(name.removeprefix(kind) for name in quantities[1:])]
        names = joined(
            [_said(name, units) if place == 0 else lowered(_said(name, units)) for place, name in enumerate(quantities)]
        )
        rows.append([names, shown_note(method, units) or NO_VALUE, f"{len(every):,}", f"{every.count(False):,}"])
    columns = [Column("Quantities", align="left"), Column("Estimator and interval", align="left"), Column("Results")]
    columns.append(Column("Not estimable"))
    caption = "How the quantities of this report were estimated: one row an estimator."
    data = [
        {"quantity": quantity, "method": method, "results": len(done), "not_estimable": done.count(False)}
        for (quantity, method), done in found.items()
    ]
    return frame_table("estimators", caption, columns, rows, data=data)


def standards_table(classes: Sequence[LengthClasses], context: Context) -> Table | None:
    """The published standards used, with source, limits of use, and whether they were compared with the source."""
    rows = []
    for one in classes:
        standard = one.standard
        if standard is None:
            continue
        lengths = ", ".join(
            f"{name} {context.units.class_length(name, one.published_mm, one.published_in)}" for name in one.published_mm
        )
        equation = f"log10 W = {standard.intercept:g} + {standard.slope:g} log10 L"
        if standard.quadratic:
            equation += f" + {standard.quadratic:g} (log10 L)²"
        rows.append(
            [heading(standard.name), f"{equation} (g, mm; {standard.range_text})", standard.source, STATUS[standard.status]]
        )
        if lengths:
            rows.append([heading(standard.name), lengths, standard.categories_source, STATUS[standard.categories_status]])
    if not rows:
        return None
    columns = [Column(name, align="left") for name in ("Standard", "Equation or length categories", "Source", "Status")]
    caption = "Published standards that this report uses: standard weight, and length categories."
    return frame_table("standards", caption, columns, rows)


def settings_table(study: Study) -> Table:
    """Every parameter that a reviewer may change, its value here, its default, and where the value comes from."""
    model = type(study.parameters)
    changed = {key.split(".", 1)[1] for key in study.overrides if key.startswith("parameters.")}
    rows = []
    for name, field in model.model_fields.items():
        value = getattr(study.parameters, name)
        default = field.default
        named = study.parameters.gives(name)
        origin = "set for this build" if name in changed else "study file" if named else "default"
        shown, usual = (NO_VALUE if v is None else f"{v:g}" if isinstance(v, float) else str(v) for v in (value, default))
        rows.append([name, field.description or "", shown, usual, origin])
    columns = [Column("Parameter", align="left"), Column("Meaning", align="left"), Column("Value"), Column("Default")]
    columns.append(Column("From", align="left"))
    caption = "Parameters of this build. Any of them can be changed with `fishreport build STUDY --set NAME=VALUE`."
    return frame_table("parameters", caption, columns, rows)


def data_findings(survey: Survey, results: Results) -> Findings:
    """What the report rests on."""
    seasons, aside = survey.seasons, len(survey.set_aside)
    if not seasons:
        return Findings(())
    span = f"the season {seasons[0]}" if len(seasons) == 1 else f"the seasons {seasons[0]} to {seasons[-1]}"
    left_out = f"; {counted(aside, 'row')} set aside, with reasons, in the season chapter" if aside else ""
    text = f"This report rests on {counted(len(survey.runs), 'run')} and {counted(len(survey.fish), 'fish')} of {span}{left_out}."
    return Findings(
        (Finding(text, tuple(result.id for result in results.where(quantity="catch_rate", size_class="all", site=None))),)
    )
