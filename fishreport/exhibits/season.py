"""Tables, figure and sentences of the season chapter."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from fishreport.analysis.result import Results
from fishreport.analysis.season import SeasonWork
from fishreport.exhibits.exhibit import Column, Figure, Finding, Findings, Remark, Table
from fishreport.exhibits.history import narrow_season_axis
from fishreport.exhibits.style import GREY, drawing, letter, looks, style, to_svg
from fishreport.exhibits.tabulate import counted, estimates_table, frame_table, heading, joined
from fishreport.exhibits.units import NO_VALUE, Units, format_estimate, format_number
from fishreport.study import Species

SEVERITY_WORDS = {"error": "Error", "doubt": "Doubt", "note": "Note"}


def effort_table(work: SeasonWork, species: Sequence[Species]) -> Table:
    """Runs, hours and catch by site."""
    columns = [Column("Site", align="left"), Column("Reach", align="left"), Column("Runs"), Column("Effort", "h")]
    columns += [Column(heading(one.name), "fish") for one in species]
    keys = [one.key for one in species]
    rows = [
        [row["site"], row["reach"] or NO_VALUE, str(row["runs"]), f"{row['effort_h']:.2f}", *(f"{row[key]:,}" for key in keys)]
        for row in work.by_site.to_dict("records")
    ]
    total = work.by_site
    rows.append(
        ["All sites", "", str(total["runs"].sum()), f"{total['effort_h'].sum():.2f}", *(f"{total[k].sum():,}" for k in keys)]
    )
    caption = f"Effort and catch by site in {work.season}. Effort is the time that current was in the water."
    return frame_table("effort", caption, columns, rows, data=work.by_site.to_dict("records"))


def conditions_table(work: SeasonWork, units: Units) -> Table | Remark:
    """Readings and settings at the runs, or the remark that nothing was recorded."""
    if work.conditions.empty:
        return Remark("No reading of water or gear is recorded for the runs of this season.")
    rows = []
    for row in work.conditions.to_dict("records"):
        values, unit = units.quantity(np.array([row["median"], row["minimum"], row["maximum"]]), row["units"])
        median, low, high = (format_number(value) for value in values)
        rows.append([row["name"], "%" if unit == "percent" else unit, median, f"{low} to {high}", str(row["n"])])
    columns = [Column("Reading", align="left"), Column("Units", align="left"), Column("Median"), Column("Range"), Column("Runs")]
    caption = f"Water and gear readings at the runs of {work.season}."
    return frame_table("conditions", caption, columns, rows, data=work.conditions.to_dict("records"))


def effort_figure(work: SeasonWork, species: Sequence[Species]) -> Figure | None:
    """Hours of electrofishing and fish caught, by season; None with a single season."""
    table = work.by_season
    if len(table) < 2:
        return None
    names = [one.name for one in species]
    with style():
        figure, axes = drawing(1, 2, height=2.7)
        left, right = axes[0]
        left.bar(table["season"], table["effort_h"], color=GREY, width=0.7)
        left.set_ylabel("Effort (h)")
        for one, look in zip(species, looks(names).values(), strict=True):
            right.plot(
                table["season"], table[one.key], color=look.colour, marker=look.marker, linestyle=look.dash, label=one.name
            )
        right.set_ylabel("Fish caught")
        right.set_ylim(bottom=0)
        handles, labels = right.get_legend_handles_labels()
        figure.legend(handles, labels, loc="outside lower right", ncols=min(len(labels), 3))
        for ax in (left, right):
            narrow_season_axis(ax, table["season"].tolist())
        letter(axes, ["Effort", "Catch, not adjusted for effort"])
        svg = to_svg(figure)
    first, last = table.iloc[0], table.iloc[-1]
    alt = (
        f"Bars of effort and lines of catch by season. Effort was {first['effort_h']:.1f} h in {first['season']:.0f} and "
        f"{last['effort_h']:.1f} h in {last['season']:.0f}; the catch was {first['fish']:.0f} and {last['fish']:.0f} fish."
    )
    columns = [Column("Season", align="left"), Column("Sites"), Column("Runs"), Column("Effort", "h")]
    columns += [Column(heading(one.name), "fish") for one in species]
    rows = [
        [str(r["season"]), str(r["sites"]), str(r["runs"]), f"{r['effort_h']:.2f}", *(f"{r[one.key]:,}" for one in species)]
        for r in table.to_dict("records")
    ]
    behind = frame_table("effort-history-numbers", "Effort and catch by season.", columns, rows, data=table.to_dict("records"))
    caption = "Effort (a) and catch (b) of every season on record. Catch follows effort; compare seasons by catch per hour."
    return Figure("effort-history", caption, alt, svg, behind)


def handling_table(results: Results, species: Sequence[Species], season: int, units: Units) -> Table:
    """Injuries and deaths in handling, this season."""
    names = {one.key: heading(one.name) for one in species}
    chosen = results.where(season=season)
    caption = f"Share of handled fish that died, or died or were injured, in {season}; exact limits, runs as clusters."
    keys = [("Species", lambda r: names[r.species]), ("Outcome", lambda r: heading(r.detail or ""))]
    return estimates_table("handling", caption, chosen, units, keys=keys, value_heading="Share", n_heading="Runs")


def faults_table(faults: pd.DataFrame) -> Table | Remark:
    """What the checks left standing, or the remark that they found nothing."""
    if faults.empty:
        return Remark("The checks found nothing to doubt in the rows that were used.")
    columns = [Column("Severity", align="left"), Column("Check", align="left"), Column("Count"), Column("Example", align="left")]
    rows = [
        [SEVERITY_WORDS[row["severity"]], str(row["code"]).replace("_", " "), f"{row['count']:,}", str(row["message"])]
        for row in faults.to_dict("records")
    ]
    caption = "What the checks of the field data found in rows that are not set aside. `fishreport check` lists every row."
    return frame_table("checks", caption, columns, rows, data=faults.to_dict("records"))


def set_aside_table(set_aside: pd.DataFrame) -> Table | None:
    """Rows that the study leaves out, with the reasons, or None."""
    if set_aside.empty:
        return None
    columns = [Column("Table", align="left"), Column("Row"), Column("Reason", align="left")]
    rows = [[str(row["table"]), str(row["row"]), str(row["reason"])] for row in set_aside.to_dict("records")]
    caption = "Rows of the field data that the study sets aside. They are in no estimate."
    return frame_table("set-aside", caption, columns, rows, data=set_aside.to_dict("records"))


def findings(work: SeasonWork, handling: Results, species: Sequence[Species], units: Units) -> Findings:
    """What was done, in sentences."""
    sites = work.by_site
    caught = [f"{int(sites[one.key].sum()):,} {one.name}" for one in species if int(sites[one.key].sum())]
    ids = tuple(result.id for result in handling.where(season=work.season))
    said = [
        Finding(
            f"In {work.season} the crew made {counted(int(sites['runs'].sum()), 'run')} at {counted(len(sites), 'site')}, "
            f"{sites['effort_h'].sum():.1f} hours of electrofishing, and caught {joined(caught) or 'no fish of the study'}.",
            ids,
            key=True,
        )
    ]
    for result in handling.where(season=work.season, detail="died"):
        if result.estimate.estimable and result.estimate.value > 0:
            name = next(one.name for one in species if one.key == result.species)
            text = format_estimate(result.estimate, units).text
            said.append(Finding(f"Of the {name} handled, {text} died before release.", (result.id,)))
    if work.other_species:
        listed = joined([f"{count:,} {code}" for code, count in work.other_species.items()])
        said.append(Finding(f"Fish of species that the study does not name were also recorded: {listed}.", ids))
    return Findings(tuple(said))
