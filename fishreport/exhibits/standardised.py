"""Tables, figures and sentences of the standardised catch rate: the index, the plain mean beside it, the checks of its model."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats

from fishreport.analysis.catch_model import StandardisedIndex, index_results
from fishreport.analysis.result import Result, Results
from fishreport.exhibits.context import Context
from fishreport.exhibits.exhibit import Column, Figure, Finding, Findings, Table
from fishreport.exhibits.history import narrow_season_axis
from fishreport.exhibits.notes import singular
from fishreport.exhibits.style import GREY, PALE, drawing, interval_points, letter, looks, style, to_svg
from fishreport.exhibits.tabulate import frame_table, grid_table, heading, joined
from fishreport.exhibits.trend import p_text
from fishreport.exhibits.units import MINUS, format_estimate, format_number
from fishreport.exhibits.wording import collect, sentence

APART = 5.0
"""Percent from which the plain mean and the standardised index are said to disagree."""


@dataclass(frozen=True)
class _Season:
    """One season of one index, with the plain mean beside it."""

    season: int
    plain: Result
    index: Result
    apart: float
    missed: tuple[str, ...]
    shift: float


def _signed(value: float, decimals: int = 0) -> str:
    if not math.isfinite(value):
        return "—"
    text = format_number(value, decimals=decimals)
    return text if text.startswith(MINUS) or not any(c in "123456789" for c in text) else f"+{text}"


def _alpha(value: float) -> str:
    return "over 100" if value > 100 else format_number(value, decimals=2)


def _beside(one: StandardisedIndex, plain: Results) -> list[_Season]:
    """The seasons of an index that the plain mean is known for too."""
    found = []
    for result in index_results([one]):
        other = plain.one(quantity="catch_rate", species=one.species, size_class=one.size_class, site=None, season=result.season)
        if other is None or not other.estimate.estimable or not result.estimate.value > 0:
            continue
        year = result.season or 0
        apart = 100 * (other.estimate.value / result.estimate.value - 1)
        found.append(_Season(year, other, result, apart, one.missed.get(year, ()), one.shift.get(year, math.nan)))
    return found


def _lead(indices: Sequence[StandardisedIndex], context: Context) -> list[StandardisedIndex]:
    return [one for one in indices if one.size_class == context.lead_class(one.species)]


def index_table(indices: Sequence[StandardisedIndex], context: Context) -> Table | None:
    """The standardised index of the leading class, season by season."""
    results = list(index_results(_lead(indices, context)))
    if not results:
        return None
    caption = (
        "Standardised catch per hour of fish of stock length and longer: what each season would have given at the same sites, "
        "with intervals."
    )
    return grid_table(
        "standardised-index", caption, results, context.units, row_heading="Season", row=lambda r: str(r.season),
        column=lambda r: context.names[str(r.species)], say_notes=False,
    )  # fmt: skip


def comparison_figure(indices: Sequence[StandardisedIndex], plain: Results, context: Context) -> Figure | None:
    """The standardised index and the plain mean, one panel a species."""
    shown = [one for one in _lead(indices, context) if any(e.estimable for e in one.index.values())]
    if not shown:
        return None
    model_look, plain_look = looks(["standardised", "plain"]).values()
    rows, sentences = [], []
    with style():
        figure, axes = drawing(1, len(shown), height=2.9)
        for ax, one in zip(axes[0], shown, strict=True):
            seasons = sorted(one.index)
            e = [one.index[season] for season in seasons]
            values = [[x.value, x.lower, x.upper] for x in e]
            value, lower, upper = np.array(values).T
            interval_points(
                ax, seasons, value, lower, upper, model_look, label="standardised, same sites each season", offset=-0.12
            )
            beside = {item.season: item for item in _beside(one, plain)}
            if beside:
                table = np.array([[s, b.plain.estimate.value] for s, b in beside.items()])
                ax.plot(
                    table[:, 0] + 0.12, table[:, 1], linestyle="none", marker=plain_look.marker, color=plain_look.colour,
                    markerfacecolor="white", label="plain mean of the runs made",
                )  # fmt: skip
            narrow_season_axis(ax, seasons)
            ax.set_ylim(bottom=0)
            for season in seasons:
                shown_index = format_estimate(one.index[season], context.units)
                item = beside.get(season)
                rows.append(
                    [
                        str(season), context.names[one.species], shown_index.value, shown_index.interval,
                        format_estimate(item.plain.estimate, context.units).value if item else "—",
                        _signed(item.apart, 1) if item else "—",
                    ]
                )  # fmt: skip
            if beside:
                worst = max(beside.values(), key=lambda item: abs(item.apart))
                sentences.append(
                    f"{context.names[one.species]}: the plain mean is at most {format_number(abs(worst.apart), decimals=0)}% "
                    f"from the standardised index, in {worst.season}."
                )
        axes[0][0].set_ylabel("Catch rate (fish/h)")
        handles = {text: handle for ax in axes[0] for handle, text in zip(*ax.get_legend_handles_labels(), strict=True)}
        figure.legend(handles.values(), handles.keys(), loc="outside lower center", ncols=2)
        letter(axes, [context.names[one.species] for one in shown])
        svg = to_svg(figure)
    columns = [Column("Season", align="left"), Column("Species", align="left"), Column("Standardised", "fish/h")]
    columns += [Column("Interval"), Column("Plain mean", "fish/h"), Column("Plain less standardised", "%")]
    behind = frame_table("standardised-numbers", "Standardised index and plain mean, as drawn.", columns, rows)
    caption = (
        "Standardised catch per hour of fish of stock length and longer, with intervals, and the plain mean of the runs made. "
        "They part where sites were missed or where one site stood out."
    )
    alt = f"Points with intervals by season, one panel a species. {' '.join(sentences)}"
    return Figure("standardised-index-plot", caption, alt, svg, behind)


def difference_table(indices: Sequence[StandardisedIndex], plain: Results, context: Context) -> Table | None:
    """Seasons in which sites were missed, or in which plain mean and index disagree."""
    rows = []
    for one in indices:
        for item in _beside(one, plain):
            if abs(item.apart) < APART and not item.missed:
                continue
            plain_text, index_text = (format_estimate(r.estimate, context.units) for r in (item.plain, item.index))
            rows.append(
                [
                    context.names[one.species], heading(one.size_class), str(item.season), plain_text.value, index_text.value,
                    _signed(item.apart, 1), ", ".join(item.missed) or "none", _signed(item.shift, 1) if item.missed else "—",
                ]
            )  # fmt: skip
    if not rows:
        return None
    columns = [Column("Species", align="left"), Column("Class", align="left"), Column("Season"), Column("Plain", "fish/h")]
    columns += [Column("Standardised", "fish/h"), Column("Difference", "%"), Column("Sites missed", align="left")]
    columns.append(Column("Due to them", "%"))
    caption = (
        f"Seasons in which a site was missed, or in which the plain mean lies {APART:g}% or more from the standardised index. "
        "The last column is the difference that the missed sites alone would make, by the model's site effects."
    )
    return frame_table("plain-and-standardised", caption, columns, rows)


def check_table(indices: Sequence[StandardisedIndex], context: Context) -> Table | None:
    """The checks of each model: dispersion, zero runs, residuals."""
    rows, notes = [], dict[str, None]()
    for one in indices:
        m = one.model
        if not m.estimable:
            rows.append([context.names[one.species], heading(one.size_class), "not estimable", *["—"] * 7])
        else:
            alpha = m.dispersion
            limits = f"{_alpha(alpha.lower)} to {_alpha(alpha.upper)}"
            test = one.normality
            rows.append(
                [
                    context.names[one.species], heading(one.size_class), m.family.capitalize(), str(m.n),
                    _alpha(alpha.value), limits, format_number(m.pearson_dispersion, decimals=2),
                    str(m.observed_zeros), format_number(m.expected_zeros, decimals=1), p_text(test),
                ]
            )  # fmt: skip
        for note in (*one.notes, *m.notes):
            notes[f"{context.names[one.species]}, {one.size_class}: {singular(note)}."] = None
    if not rows:
        return None
    columns = [Column("Species", align="left"), Column("Class", align="left"), Column("Catches", align="left"), Column("Runs")]
    columns += [Column("α"), Column("Interval"), Column("Pearson"), Column("Empty runs"), Column("Expected"), Column("p")]
    caption = (
        "Checks of the catch models. The variance of a catch is its mean μ plus αμ². The Pearson dispersion is near 1 when that "
        "is right; empty runs (without such a fish) should be near their expected number; a small p says that "
        "the residuals are not normal."
    )
    return frame_table("catch-model-checks", caption, columns, rows, notes=tuple(notes))


def residual_figure(indices: Sequence[StandardisedIndex], context: Context) -> Figure | None:
    """Quantile residuals of the leading class against the normal, with the band that chance allows."""
    shown = [one for one in _lead(indices, context) if one.residuals.size >= 10]
    if not shown:
        return None
    (look,) = looks(["residuals"]).values()
    rows, sentences = [], []
    with style():
        figure, axes = drawing(1, len(shown), height=2.7, sharey=True)
        for ax, one in zip(axes[0], shown, strict=True):
            ordered = np.sort(one.residuals)
            n = ordered.size
            rank = np.arange(1, n + 1)
            normal = stats.norm.ppf((rank - 0.5) / n)
            low, high = (stats.norm.ppf(stats.beta.ppf(q, rank, n + 1 - rank)) for q in (0.025, 0.975))
            ax.fill_between(normal, low, high, color=PALE, linewidth=0)
            ax.plot(normal, normal, color=GREY, linewidth=0.9, linestyle=(0, (3, 2)))
            ax.plot(normal, ordered, linestyle="none", marker="o", markersize=2.2, color=look.colour, rasterized=n > 400)
            ax.set_xlabel("Normal quantile")
            outside = int(((ordered < low) | (ordered > high)).sum())
            rows.append(
                [
                    context.names[one.species], str(n), format_number(float(ordered.std(ddof=1)), decimals=2),
                    format_number(float(ordered[0]), decimals=2), format_number(float(ordered[-1]), decimals=2), str(outside),
                ]
            )  # fmt: skip
            sentences.append(f"{context.names[one.species]}: {outside} of {n} residuals outside the band.")
        axes[0][0].set_ylabel("Quantile residual")
        letter(axes, [context.names[one.species] for one in shown])
        svg = to_svg(figure)
    columns = [Column("Species", align="left"), Column("Runs"), Column("Standard deviation"), Column("Least"), Column("Greatest")]
    columns.append(Column("Outside the band"))
    behind = frame_table("residual-numbers", "Quantile residuals of the catch models, stock length and longer.", columns, rows)
    caption = (
        "Randomised quantile residuals of the catch models of stock length and longer. They follow the dashed line when the "
        "model holds; the band holds each of them with 95% probability."
    )
    return Figure("catch-model-residuals", caption, f"Normal quantile plots. {' '.join(sentences)}", svg, behind)


def findings(indices: Sequence[StandardisedIndex], plain: Results, context: Context) -> Findings:
    """Level of this season, where the plain mean disagrees and why, and models that do not hold."""
    said: list[Finding] = []
    for one in _lead(indices, context):
        for result in index_results([one]).where(season=context.season):
            said.append(context.writer.level(result))
        said += _disagreement(one, plain, context)
    for one in indices:
        if one.strained:
            ids = tuple(r.id for r in index_results([one]))
            name = context.writer.nouns.fish(one.species, one.size_class)
            text = f"the model behind the standardised catch rate of {name} is strained: {joined(one.strained)}"
            said.append(Finding(sentence(text), ids))
    return collect(said)


def _disagreement(one: StandardisedIndex, plain: Results, context: Context) -> list[Finding]:
    beside = _beside(one, plain)
    if len(beside) < 2:
        return []
    ids = tuple(r.id for item in beside for r in (item.plain, item.index))
    apart = max(abs(item.apart) for item in beside)
    name = context.writer.nouns.fish(one.species, one.size_class)
    size = format_number(apart, decimals=0)
    if apart < APART:
        text = (
            f"for {name} the plain mean and the standardised catch rate agree within {size if float(size) else 1}% in all "
            f"{len(beside)} seasons"
        )
        return [Finding(sentence(text), ids)]
    told = [item for item in beside if abs(item.apart) >= APART and (item.missed or not _far_inside(item))]
    if not told:
        return []
    worst = max(told, key=lambda item: abs(item.apart))
    size = format_number(abs(worst.apart), decimals=0)
    side = "above" if worst.apart > 0 else "below"
    head = f"in {worst.season} the plain mean of {name} lies {size}% {side} the standardised catch rate"
    return [Finding(sentence(f"{head}; {_why(worst)}"), (worst.plain.id, worst.index.id))]


def _far_inside(item: _Season) -> bool:
    """Whether plain mean and index lie less than half as far apart as the limit on that side of either (our own choice)."""
    a, b = item.plain.estimate, item.index.estimate
    apart = abs(a.value - b.value)
    reaches = (a.value - a.lower, b.upper - b.value) if a.value > b.value else (a.upper - a.value, b.value - b.lower)
    return all(apart < reach / 2 for reach in reaches)


def _why(item: _Season) -> str:
    if not item.missed:
        return "no site was missed, but the catch may have been spread over the sites otherwise than in the other seasons"
    sites = f"{joined(item.missed)} {'was' if len(item.missed) == 1 else 'were'} not fished"
    if not math.isfinite(item.shift):
        return sites
    share = item.shift / item.apart
    shift = f"{format_number(abs(item.shift), decimals=0)}%"
    if share >= 0.5:
        usual = "fewer" if item.shift > 0 else "more"
        they = "together they usually give" if len(item.missed) > 1 else "it usually gives"
        return f"{sites}; {they} {usual} of these fish than the other sites near, which would make a difference of about {shift}"
    if abs(item.shift) < 1:
        return f"{sites}, but they are about average and explain almost none of it"
    way = "the same way" if share > 0 else "the other way"
    return (
        f"{sites}, which alone would make a difference of {shift} {way}: the other sites, too, may have caught otherwise than in "
        "other seasons"
    )
