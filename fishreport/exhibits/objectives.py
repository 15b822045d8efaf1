"""The objectives of the plan, each with how it stood in the seasons before."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from fishreport.analysis.plan import ObjectiveResult
from fishreport.exhibits.context import Context
from fishreport.exhibits.exhibit import Column, Figure, Findings, Table
from fishreport.exhibits.history import narrow_season_axis
from fishreport.exhibits.style import GREY, PALE, drawing, looks, style, to_svg
from fishreport.exhibits.tabulate import frame_table, heading
from fishreport.exhibits.units import format_estimate
from fishreport.exhibits.wording import VERDICTS, chance_text, collect, sentence
from fishreport.methods.objectives import ObjectiveOutcome

History = Sequence[Mapping[int, ObjectiveOutcome]]


def _name(one: ObjectiveResult, context: Context) -> str:
    return one.objective.name or sentence(context.writer.subject(one.result)).rstrip(".")


def objective_table(objectives: Sequence[ObjectiveResult], history: History, context: Context) -> Table | None:
    """Every objective: target, estimate, probability, verdict, and the seasons in which it was met by today's bounds."""
    if not objectives:
        return None
    rows = []
    for one, before in zip(objectives, history, strict=True):
        shown = format_estimate(one.outcome.mean, context.units)
        years = f", mean of {one.objective.over_years} seasons" if one.objective.over_years > 1 else ""
        verdicts = [outcome.verdict for outcome in before.values()]
        count = f"{verdicts.count('met')} of {len(verdicts)}" if verdicts else "—"
        missed = f"{verdicts.count('not met')} of {len(verdicts)}" if verdicts else "—"
        rows.append(
            [
                _name(one, context), heading(context.writer.wish(one.outcome)) + years, shown.text,
                chance_text(one.outcome.probability), VERDICTS[one.outcome.verdict], count, missed,
            ]
        )  # fmt: skip
    columns = [Column("Objective", align="left"), Column("Target", align="left"), Column("Estimate")]
    columns += [Column("Probability"), Column("Verdict", align="left"), Column("Met in"), Column("Not met in")]
    caption = (
        f"Objectives of the plan in {context.season}, and in how many of the seasons in which each can be judged it was met, "
        "and not met, by today's bounds; in the others it was not yet known."
    )
    share = f"{100 * objectives[0].outcome.certainty:g}%"
    note = f"Met: at least {share} probable by the estimate and its interval. Not met: the contrary is. Else not yet known."
    few = tuple(dict.fromkeys(one.objective.over_years for one in objectives if one.objective.over_years > 1))
    spans = tuple(
        f"A mean of {many} seasons is not judged where fewer than {many} could be estimated, so not in the first {many - 1} on "
        "record."
        for many in few
    )
    fished = any(one.objective.quantity == "catch_rate" for one in objectives)
    sites = (
        ("Aims for catch rates are judged at the sites fished, which the plan's numbers are taken to mean.",) if fished else ()
    )
    return frame_table("objectives", caption, columns, rows, notes=(note, *spans, *sites))


def objective_figure(objectives: Sequence[ObjectiveResult], history: History, context: Context) -> Figure | None:
    """Probability that each objective was met, season by season."""
    shown = [(one, before) for one, before in zip(objectives, history, strict=True) if len(before) > 1]
    if not shown:
        return None
    across = min(3, len(shown))
    down = -(-len(shown) // across)
    certainty = objectives[0].outcome.certainty
    marks = dict(zip(VERDICTS, looks(list(VERDICTS)).values(), strict=True))
    seasons = sorted({season for _, before in shown for season in before})
    rows, sentences = [], []
    with style():
        figure, axes = drawing(down, across, height=1.55 * down + 0.8, sharex=True, sharey=True)
        for ax in axes.ravel()[len(shown) :]:
            ax.set_axis_off()
        for ax in axes.ravel()[len(shown) - across : len(shown)]:
            ax.tick_params(labelbottom=True)
        for ax, (one, before) in zip(axes.ravel(), shown, strict=False):
            ax.axhspan(certainty, 1.04, color=PALE, linewidth=0)
            ax.axhspan(-0.04, 1 - certainty, color=PALE, linewidth=0)
            ax.plot(list(before), [o.probability for o in before.values()], color=GREY, linewidth=0.8)
            for verdict, look in marks.items():
                points = [(season, o.probability) for season, o in before.items() if o.verdict == verdict]
                ax.plot(
                    [s for s, _ in points], [p for _, p in points], linestyle="none", marker=look.marker, color=look.colour,
                    label=VERDICTS[verdict], markeredgecolor="white", markeredgewidth=0.5,
                )  # fmt: skip
            narrow_season_axis(ax, seasons)
            ax.set_ylim(-0.06, 1.06)
            ax.set_xlabel("")
            name = _name(one, context)
            ax.set_title(_wrapped(name), fontsize=7.5, fontweight="normal")
            rows += [[name, str(season), chance_text(o.probability), VERDICTS[o.verdict]] for season, o in before.items()]
            first, last = next(iter(before)), max(before)
            sentences.append(
                f"{name}: {chance_text(before[first].probability)} in {first}, {chance_text(before[last].probability)} in {last}."
            )
        for ax in axes[:, 0]:
            ax.set_ylabel("Probability")
        handles = {text: handle for handle, text in zip(*axes[0][0].get_legend_handles_labels(), strict=True)}
        figure.legend(handles.values(), handles.keys(), loc="outside lower center", ncols=3)
        svg = to_svg(figure)
    columns = [Column("Objective", align="left"), Column("Season"), Column("Probability"), Column("Verdict", align="left")]
    behind = frame_table("objective-history-numbers", "Probability that each objective was met, by season.", columns, rows)
    caption = (
        "Probability that each objective was met, season by season, by today's bounds. Grey bands: probable enough to be called "
        "met (above) or not met (below). A season in which an objective could not be judged has no point."
    )
    alt = f"Points of probability by season, one panel an objective. {' '.join(sentences)}"
    return Figure("objective-history", caption, alt, svg, behind)


def _wrapped(name: str, width: int = 30) -> str:
    lines = [""]
    for word in name.split():
        if lines[-1] and len(lines[-1]) + len(word) + 1 > width:
            lines.append(word)
        else:
            lines[-1] = f"{lines[-1]} {word}".strip()
    return "\n".join(lines)


def findings(objectives: Sequence[ObjectiveResult], context: Context) -> Findings:
    """One sentence an objective; none is key, as the front page shows them side by side."""
    return collect(context.writer.objective(one.result, one.outcome, name=one.objective.name, key=False) for one in objectives)
