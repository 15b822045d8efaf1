"""Tables and figures of catch per hour."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from fishreport.analysis.classes import LengthClasses
from fishreport.analysis.result import Result, Results
from fishreport.exhibits.context import Context
from fishreport.exhibits.exhibit import Column, Figure, Finding, Findings, Remark, Table
from fishreport.exhibits.history import history_figure
from fishreport.exhibits.notes import first_pass
from fishreport.exhibits.style import drawing, letter, looks, style, to_svg
from fishreport.exhibits.tabulate import estimates_table, frame_table, grid_table, heading, joined
from fishreport.exhibits.units import NO_VALUE, format_estimate
from fishreport.exhibits.wording import collect

LEAD_CLASSES = ("stock", "quality")
_NAMED = 4  # sites of one rate that are named; more are counted


def _of_all_water(results: Results, by_sites: Results, context: Context) -> tuple[str, ...]:
    """What the intervals hold for, and how wide they would be were the sites a sample of the water."""
    said = []
    for one in context.classes:
        place = {"species": one.species.key, "size_class": context.lead_class(one.species.key), "season": context.season}
        runs, sites = (of.one(**place, site=None) for of in (results, by_sites))
        if runs is None or sites is None or not (runs.estimate.estimable and sites.estimate.estimable):
            continue
        told, wider = (format_estimate(r.estimate, context.units) for r in (runs, sites))
        name = f"{context.names[one.species.key].lower()} ({context.class_label(runs).lower()})"
        said.append(f"{name} {wider.interval} instead of {told.interval} {wider.unit}")
    if not said:
        return ()
    return (
        "Intervals are for the sites fished, which are the same every year; how the rest of the water differs from them is not "
        f"in them. With the sites as a sample of the water, they would be: {'; '.join(said)}.",
    )


def season_table(results: Results, context: Context, by_sites: Results) -> Table:
    """Catch rates of the reported season by species and length class; `by_sites`: the same with sites as sampling units."""
    keys = [("Species", lambda r: context.names[str(r.species)]), ("Length class", context.class_label)]
    caption = f"Catch per hour of electrofishing in {context.season}, by species and length class."
    chosen = results.where(season=context.season, site=None)
    table = estimates_table(
        "catch-rates", caption, chosen, context.units, keys=keys, value_heading="Catch rate", n_heading="Runs"
    )
    return replace(table, notes=(*table.notes, *_of_all_water(results, by_sites, context)))


def history_table(results: Results, context: Context) -> Table:
    """Catch rates of every season by species, for fish of stock length and longer."""
    chosen = [r for r in results.where(site=None) if r.size_class == context.lead_class(r.species)]
    caption = f"Catch per hour of fish of stock length and longer in every season on record, with intervals.{first_pass(chosen)}"
    return grid_table(
        "catch-history", caption, chosen, context.units, row_heading="Season", row=lambda r: str(r.season),
        column=lambda r: context.names[str(r.species)], say_notes=False,
    )  # fmt: skip


def catch_history_figure(results: Results, context: Context) -> Figure | None:
    """Catch rate by season, one panel a species, one line a class."""
    chosen = list(results.where(site=None))
    lacks = any("stock" not in one.bounds_mm for one in context.classes)
    series = {"all": "All lengths"} if lacks else {name: f"{heading(name)} length and longer" for name in LEAD_CLASSES}
    caption = "Catch per hour by season, with intervals. Where the study names reaches, rates are weighted by reach length."
    caption += first_pass(chosen)
    return history_figure("catch-rate-history", caption, chosen, context, noun="Catch rate", series=series)


def findings(results: Results, context: Context) -> Findings:
    """Level of this season and change since the season sampled before, for each species."""
    said: list[Finding] = []
    whole = results.where(site=None)
    leads = [(one.species.key, context.lead_class(one.species.key)) for one in context.classes]
    changes = context.changes(context.latest(whole.where(species=key, size_class=lead)) for key, lead in leads)
    for one in context.classes:
        lead = context.lead_class(one.species.key)
        for size_class in dict.fromkeys((lead, "quality" if "quality" in one.bounds_mm else lead)):
            _, now = context.latest(whole.where(species=one.species.key, size_class=size_class))
            if now is not None:
                said += [context.writer.level(now, key=size_class == lead), *changes.get(now.id, ())]
    return collect(said)


def site_figure(results: Results, context: Context, sites: Sequence[str]) -> Figure | Remark:
    """Catch rate by site, this season beside the mean of the earlier seasons; a remark where no site has two runs a season."""
    if not any(result.estimate.estimable for result in results):
        return Remark("No site was fished twice in a season, so that no rate of a single site has an interval.")
    names, classes, season = context.names, context.classes, context.season
    rows, earlier = [], False
    with style():
        figure, axes = drawing(1, len(classes), height=max(2.4, 0.24 * len(sites) + 1.2), sharey=True)
        for ax, one in zip(axes[0], classes, strict=True):
            size_class = "stock" if "stock" in one.bounds_mm else "all"
            now_look, then_look = looks(["now", "then"]).values()
            for place, site in enumerate(sites):
                series = list(results.where(species=one.species.key, size_class=size_class, site=site))
                now = [r.estimate.value for r in series if r.season == season and r.estimate.estimable]
                then = [r.estimate.value for r in series if r.season != season and r.estimate.estimable]
                past = float(np.mean(then)) if then else float("nan")
                current = now[0] if now else float("nan")
                ax.plot([past, current], [place, place], color="#b9c3c9", linewidth=1.2, zorder=1)
                ax.plot(past, place, linestyle="none", marker=then_look.marker, color=then_look.colour, markerfacecolor="white",
                        clip_on=False)  # fmt: skip
                ax.plot(current, place, linestyle="none", marker=now_look.marker, color=now_look.colour, clip_on=False)
                earlier = earlier or bool(then)
                rows.append([site, names[one.species.key], size_class, _plain(current), _plain(past), str(len(then))])
            ax.set_yticks(range(len(sites)), sites)
            ax.grid(axis="x")
            ax.set_xlim(0, max(ax.get_xlim()[1], 1.0))
            ax.set_ylim(-0.6, len(sites) - 0.4)
            ax.set_xlabel("Fish/h")
        axes[0][0].invert_yaxis()
        handles = [
            axes[0][0].plot([], [], linestyle="none", marker=now_look.marker, color=now_look.colour, label=str(season))[0],
        ]
        if earlier:
            handles += axes[0][0].plot([], [], linestyle="none", marker=then_look.marker, color=then_look.colour,
                                       markerfacecolor="white", label="mean of earlier seasons")  # fmt: skip
        figure.legend(handles=handles, loc="outside lower center", ncols=2)
        letter(axes, list(names.values()))
        svg = to_svg(figure)
    columns = [Column("Site", align="left"), Column("Species", align="left"), Column("Class", align="left")]
    columns += [Column(str(season), "fish/h"), Column("Earlier mean", "fish/h"), Column("Earlier seasons")]
    behind = frame_table("site-rates-numbers", "Catch rates by site drawn in the figure.", columns, rows)
    best = [_extremes(one, results, context) for one in classes]
    caption = (
        f"Catch per hour of fish of stock length and longer by site, upstream to downstream, in {season}"
        f"{' and on average before' if earlier else ''}. "
        "With one or two runs a site, a single site's rate is uncertain; its interval is in the results file."
        f"{first_pass(results)}"
    )
    return Figure(
        "site-rates", caption, "Dots of catch rate by site, one panel a species. " + " ".join(filter(None, best)), svg, behind
    )


def _extremes(one: LengthClasses, results: Results, context: Context) -> str:
    """Where this season's rate was highest and lowest, with intervals; sites that share it are named together."""
    size_class = "stock" if "stock" in one.bounds_mm else "all"
    own = results.where(species=one.species.key, size_class=size_class, season=context.season)
    by_rate: dict[float, list[Result]] = {}
    for r in own:
        if r.site is not None and r.estimate.estimable:
            shown = format_estimate(r.estimate, context.units).value  # rates that read alike are not called higher or lower
            by_rate.setdefault(float(shown.replace(",", "")), []).append(r)
    if not by_rate:
        return ""
    name = context.names[one.species.key]
    if len(by_rate) == 1:
        (alike,) = by_rate.values()
        return f"{name}: {_at_sites(alike, context)}."
    return f"{name}: highest {_at_sites(by_rate[max(by_rate)], context)}, lowest {_at_sites(by_rate[min(by_rate)], context)}."


def _at_sites(alike: Sequence[Result], context: Context) -> str:
    """``at S01 (12.4 fish/h, interval 3.1 to 33.0)``; of several sites the widest limits."""
    lower, upper = min(r.estimate.lower for r in alike), max(r.estimate.upper for r in alike)
    shown = format_estimate(replace(alike[0].estimate, lower=lower, upper=upper), context.units)
    where = joined([str(r.site) for r in alike]) if len(alike) <= _NAMED else f"{len(alike)} sites"
    interval = (
        "no interval"
        if shown.interval == NO_VALUE
        else f"{'intervals within' if len(alike) > 1 else 'interval'} {shown.interval}"
    )
    return f"at {where} ({shown.value} {shown.unit}{' each' if len(alike) > 1 else ''}, {interval})"


def _plain(value: float) -> str:
    return f"{value:.1f}" if np.isfinite(value) else "—"
