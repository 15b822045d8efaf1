"""Tables, figure and sentences of population size: census, removal, density and catchability."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from fishreport.analysis.population import Census, Population, RemovalSurvey
from fishreport.analysis.result import Result
from fishreport.exhibits.context import Context, class_label
from fishreport.exhibits.exhibit import Column, Figure, Finding, Findings, Table
from fishreport.exhibits.notes import shown_note
from fishreport.exhibits.style import drawing, interval_points, letter, looks, style, to_svg
from fishreport.exhibits.tabulate import counted, frame_table, heading, joined
from fishreport.exhibits.units import format_estimate
from fishreport.exhibits.wording import collect, percent_level, sentence
from fishreport.study import parse_size_range

CENSUS_ASSUMES = (
    "Mark and recapture assumes that no fish comes, goes or dies between the events, that no mark is lost or overlooked, and "
    "that within a length class marked and unmarked fish are caught alike in one event at least."
)
REMOVAL_ASSUMES = (
    "Removal assumes a closed section, equal effort and the same chance of capture at every pass. That chance mostly falls after "
    "the first pass, and the estimate is then too low."
)
LINK_ASSUMES = (
    "Catchability assumes that the sections fished in passes are like the others. The fish of the first pass stand in both the "
    "catch rate and the estimate, so that the two are not independent."
)
NOTHING = (
    "The number of fish is not estimated: this study has neither a mark-recapture census of two events or more, with "
    "length classes that do not overlap, nor sections fished in passes."
)


def length_class(context: Context, species: str, size_class: str) -> str:
    """A length class of a census in words: ``Stock, 150 mm and longer``, ``230 to 300 mm``."""
    own = context.classes_of(species)
    if size_class in own.bounds_mm:
        return class_label(own, size_class, context.units)
    low, high = parse_size_range(size_class) or (0.0, math.inf)
    return context.units.length_range(low, high, own.published_mm, own.published_in)


def shown_season(population: Population, context: Context) -> int | None:
    """The reported season where it has a census, else the latest one that has; None without any."""
    seasons = {census.season for census in population.censuses}
    return context.season if context.season in seasons else max(seasons, default=None)


def _shown(population: Population, context: Context) -> list[Census]:
    season = shown_season(population, context)
    order = list(context.names)
    return sorted((c for c in population.censuses if c.season == season), key=lambda c: order.index(c.species))


def _bounds(context: Context, species: str, size_class: str) -> tuple[float, float]:
    own = context.classes_of(species)
    return own.bounds_mm.get(size_class) or parse_size_range(size_class) or (0.0, math.inf)


def _counts(census: Census, context: Context, size_class: str) -> tuple[int, int, int]:
    """Fish caught, newly marked and recaptured of a class, over all events."""
    low, high = _bounds(context, census.species, size_class)
    inside = [
        low <= bounds[0] and bounds[1] <= high
        for bounds in (_bounds(context, census.species, name) for name in census.table["size_class"])
    ]
    rows = census.table[inside]
    caught, marked, again = (int(rows[name].sum()) for name in ("caught", "marked", "recaptured"))
    return caught, marked, again


def census_table(population: Population, context: Context) -> Table | None:
    """The census of this season, or of the latest one, by length class."""
    chosen = _shown(population, context)
    if not chosen:
        return None
    rows, data, notes = [], [], [CENSUS_ASSUMES]
    for census in chosen:
        name = context.names[census.species]
        lines = [*census.classes.items()] if len(census.classes) > 1 else []
        for size_class, e in [*lines, (census.size_class, census.total)]:
            counts = _counts(census, context, size_class)
            text = format_estimate(e, context.units)
            total = size_class == census.size_class and lines
            label = "In all" if total else length_class(context, census.species, size_class)
            rows.append([name, label, *(f"{n:,}" for n in counts), text.value, text.interval])
            data.append({"species": census.species, "season": census.season, "size_class": size_class,
                         **dict(zip(("caught", "marked", "recaptured"), counts, strict=True)),
                         "value": e.value, "se": e.se, "lower": e.lower, "upper": e.upper, "method": e.method})  # fmt: skip
        notes += [f"{name}: {shown_note(note, context.units)}." for note in census.notes]
    season, level = chosen[0].season, percent_level(chosen[0].total.level)
    columns = [Column("Species", align="left"), Column("Length class", align="left"), Column("Caught"), Column("Marked")]
    columns += [Column("Recaptured"), Column("Population", "fish"), Column(f"{level} interval")]
    how = joined(sorted({f"{census.method} of {census.events} events" for census in chosen}))
    caption = (
        f"Fish in the whole water in {season} by mark and recapture ({how}, in Chapman's form), length class by length class. "
        "Caught, marked and recaptured are the sums over the events."
    )
    return frame_table("census", caption, columns, rows, notes=tuple(notes), data=data)


def population_figure(population: Population, context: Context) -> Figure | None:
    """Population by length class with intervals, one panel a species."""
    chosen = [census for census in _shown(population, context) if any(e.estimable for e in census.classes.values())]
    if not chosen:
        return None
    rows, said, look = [], [], looks(["fish"])["fish"]
    with style():
        figure, axes = drawing(1, len(chosen), height=2.7)
        for ax, census in zip(axes[0], chosen, strict=True):
            names = list(census.classes)
            table = np.array([[e.value, e.lower, e.upper] for e in census.classes.values()])
            interval_points(ax, np.arange(len(names)), table[:, 0], table[:, 1], table[:, 2], look, line=False)
            labels = [length_class(context, census.species, name) for name in names]
            unit = context.units.length_unit
            short = [label.split(", ")[-1].replace(f" {unit}", "").replace(" and longer", "\nand longer") for label in labels]
            ax.set_xticks(range(len(names)), [text.replace(" to ", "\nto ") for text in short])
            ax.set_xlabel(f"Length class ({unit})")
            ax.set_xlim(-0.5, len(names) - 0.5)
            ax.set_ylim(bottom=0)
            for label, e in zip(labels, census.classes.values(), strict=True):
                text = format_estimate(e, context.units)
                rows.append([context.names[census.species], label, text.value, text.interval])
            total = format_estimate(census.total, context.units).text
            said.append(f"{context.names[census.species]}: {total} in all.")
        axes[0][0].set_ylabel("Fish in the water")
        letter(axes, [context.names[census.species] for census in chosen])
        svg = to_svg(figure)
    columns = [Column("Species", align="left"), Column("Length class", align="left"), Column("Population", "fish")]
    columns.append(Column("Interval"))
    season, level = chosen[0].season, percent_level(chosen[0].total.level)
    behind = frame_table("population-classes-numbers", f"Population by length class in {season}, as drawn.", columns, rows)
    caption = f"Fish in the whole water by length class in {season}, with {level} intervals."
    return Figure("population-classes", caption, "Points of population by length class. " + " ".join(said), svg, behind)


def estimators_table(population: Population, context: Context) -> Table | None:
    """The same census by other estimators."""
    rows, data, level = [], [], 0.95
    for census in _shown(population, context):
        level = census.total.level
        lines = {f"{census.method}, by length class (reported)": census.total, **census.others}
        if not census.others:
            continue
        for name, e in lines.items():
            text = format_estimate(e, context.units)
            label = "All lengths as one class" if name == "one class" else name
            rows.append([context.names[census.species], label, text.value, text.interval])
            data.append({"species": census.species, "estimator": name, "value": e.value, "lower": e.lower, "upper": e.upper})
    if not rows:
        return None
    columns = [Column("Species", align="left"), Column("Estimator", align="left"), Column("Population", "fish")]
    columns.append(Column(f"{percent_level(level)} interval"))
    caption = (
        f"The census of {shown_season(population, context)} by other estimators. Taken as one class, the population comes out "
        "too low where the boats catch large fish better."
    )
    return frame_table("census-estimators", caption, columns, rows, data=data)


def removal_table(population: Population, context: Context) -> Table | None:
    """Sections fished in passes: catches, fish, chance of capture and fit, by species and season."""
    if not population.removals:
        return None
    rows, data, notes = [], [], dict[str, None]()
    notes[REMOVAL_ASSUMES] = None
    for one in population.removals:
        fit, name = one.together, context.names[one.species]
        catches = np.sum(list(one.catches.values()), axis=0).tolist()
        size, chance = (format_estimate(e, context.units) for e in (fit.population_size, fit.capture_probability))
        cells = [f"{text.value} ({text.interval})" if e.estimable else text.value
                 for text, e in ((size, fit.population_size), (chance, fit.capture_probability))]  # fmt: skip
        p = "—" if not math.isfinite(fit.fit.p) else f"{fit.fit.p:.2f}" if fit.fit.p >= 0.005 else "< 0.01"
        rows.append([name, str(one.season), f"{len(one.catches)}", ", ".join(map(str, catches)), *cells, p])
        data.append({"species": one.species, "season": one.season, "sites": ", ".join(one.catches), "catches": str(catches),
                     "population": fit.population_size.value, "capture_probability": fit.capture_probability.value,
                     "length_km": one.length_km, "p": fit.fit.p})  # fmt: skip
        if not fit.population_size.estimable:
            reason = fit.population_size.notes[0].removeprefix("not estimable: ")
            notes[f"{name}, {one.season}: {reason}."] = None
    notes |= dict.fromkeys(_bounded_by_catch(population, context))
    columns = [Column("Species", align="left"), Column("Season", align="left"), Column("Sites"), Column("Caught by pass")]
    columns += [Column("Fish in the sections"), Column("Chance of capture"), Column("p of fit")]
    lead = {one.size_class for one in population.removals}
    what = "fish of stock length and longer" if lead == {"stock"} else "fish"
    caption = (
        f"Removal of {what} at the sections fished in passes, the sites of a season added up: fish present before the first "
        "pass, and the chance that one of them is caught in a pass. They are the fish within reach of the boats, not all of the "
        "channel."
    )
    return frame_table("removal", caption, columns, rows, notes=tuple(notes), data=data)


def _bounded_by_catch(population: Population, context: Context) -> list[str]:
    """Removals whose lower limit is the fish caught: no estimate, but what is known."""
    found = []
    for one in population.removals:
        caught, size = sum(map(sum, one.catches.values())), one.together.population_size
        if size.estimable and size.lower <= caught:
            name = f"{context.names[one.species]}, {one.season}"
            found.append(
                f"{name}, removal: the lower limit is the {counted(caught, 'fish')} caught; there cannot have been fewer."
            )
    return found


def density_table(population: Population, context: Context) -> Table | None:
    """Fish per length and area of water, by species, season and method."""
    per_km = list(population.results.where(quantity="density_per_km", site=None))
    if not per_km:
        return None
    rows = []
    counted_by_census = {census.species for census in population.censuses}
    for result in per_km:
        by_area = population.results.one(
            quantity="density_per_ha", species=result.species, season=result.season, size_class=result.size_class,
            detail=result.detail,
        )  # fmt: skip
        km = format_estimate(result.estimate, context.units)
        ha = format_estimate(by_area.estimate, context.units) if by_area is not None else None
        removal = result.detail == "removal" or result.species not in counted_by_census
        label = length_class(context, str(result.species), str(result.size_class)).replace("Stock, ", "")
        how = "removal" if removal else "census"
        rows.append([context.names[str(result.species)], str(result.season), how, label, _both(km), _both(ha) if ha else "—"])
    columns = [Column("Species", align="left"), Column("Season", align="left"), Column("By", align="left")]
    columns += [Column("Fish of", align="left"), Column("Density", context.units.units("fish/km"))]
    columns.append(Column("Density", context.units.units("fish/ha")))
    caption = (
        "Fish per length and area of water, with intervals. Length and area count as known. Census and removal are not alike: a "
        "census is of the whole water, removal of the sections fished in passes, where only the fish within reach of "
        "the boats count."
    )
    data = [r.record() for r in population.results.where(quantity=["density_per_km", "density_per_ha"])]
    return frame_table("density", caption, columns, rows, notes=_bounded_by_catch(population, context), data=data)


def _both(text: object) -> str:
    value, interval = text.value, text.interval  # type: ignore[attr-defined]
    return value if interval == "—" else f"{value} ({interval})"


def catchability_table(population: Population, context: Context) -> Table | None:
    """Share of the fish of a section that an hour of current takes."""
    rows = []
    for result in population.results.where(quantity="catchability"):
        link = population.links[str(result.species)]
        text, power = (format_estimate(e, context.units) for e in (link.catchability, link.exponent))
        if link.catchability.estimable:
            rows.append([context.names[str(result.species)], text.value, text.interval, _both(power), str(result.estimate.n)])
    if not rows:
        return None
    level = percent_level(next(iter(population.links.values())).catchability.level)
    columns = [Column("Species", align="left"), Column("Catchability", "1/h"), Column(f"{level} interval"), Column("Exponent")]
    columns.append(Column("Pairs"))
    caption = (
        "Catchability: catch per hour of the first pass over the fish in the section. An exponent below 1 means that the catch "
        "rate hides a part of a change in numbers, one above 1 that it overstates it."
    )
    return frame_table("catchability", caption, columns, rows, notes=(LINK_ASSUMES,), data=population.pairs.to_dict("records"))


def _total(population: Population, census: Census) -> Result | None:
    return population.results.one(
        quantity="population_size", species=census.species, season=census.season, size_class=census.size_class, site=None,
        detail=None,
    )  # fmt: skip


def _before(population: Population, census: Census) -> Result | None:
    """The number of the same fish by the census before."""
    earlier = [c for c in population.censuses if c.species == census.species and c.season < census.season]
    alike = [c for c in earlier if c.size_class == census.size_class]
    return _total(population, alike[-1]) if alike else None


def _one_class(population: Population, census: Census, context: Context) -> list[Finding]:
    """What taking the lengths as one class would have done, where the two disagree plainly."""
    one = census.others.get("one class")
    if one is None or not (one.estimable and census.total.estimable):
        return []
    change = 100 * (one.value / census.total.value - 1)
    ids = tuple(r.id for r in population.results.where(
        quantity="population_size", species=census.species, season=census.season, size_class=census.size_class, site=None,
        detail=[None, "one class"],
    ))  # fmt: skip
    if abs(change) < 5:
        return []
    name = context.writer.nouns.species_name(census.species)
    lower = "lower, as expected where large fish are caught better" if change < 0 else "higher"
    text = f"taken as one class the {name} of {census.season} would have come out {abs(change):.0f}% {lower}"
    return [Finding(sentence(text), ids)]


def _chance(population: Population, one: RemovalSurvey, context: Context) -> list[Finding]:
    result = population.results.one(quantity="capture_probability", species=one.species, season=one.season, detail=None)
    if result is None:
        return []
    if not result.estimate.estimable:
        return list(context.writer.few_data([result]))
    e = result.estimate
    percent = format_estimate(e.converted(lambda number: 100 * number, "percent"))
    name = context.writer.nouns.fish(one.species, one.size_class)
    caught = counted(sum(map(sum, one.catches.values())), "fish", "fish")
    text = (
        f"in {one.season} one pass took {percent.value}% ({percent_level(e.level)} interval {percent.interval}) of the {name} "
        f"within reach of the boats at the {counted(len(one.catches), 'site')} fished in passes, "
        f"from {caught} in all passes together"
    )
    return [Finding(sentence(text), (result.id,))]


def findings(population: Population, context: Context) -> Findings:
    """Number of fish, its change since the census before, and the chance of capture; or that nothing is known of them."""
    if not population.exists:
        return Findings((Finding(NOTHING, ()),))
    said: list[Finding] = []
    shown = _shown(population, context)
    changes = context.changes((_before(population, census), _total(population, census)) for census in shown)
    for census in shown:
        now = _total(population, census)
        if now is None:
            continue
        reported = census.season == context.season
        said.append(context.writer.level(now, key=reported))
        said += [replace(one, key=reported and one.direction in ("up", "down")) for one in changes.get(now.id, ())]
        said += _one_class(population, census, context)
    if population.removals:
        latest = max(one.season for one in population.removals)
        for one in population.removals:
            if one.season == latest:
                said += _chance(population, one, context)
    if population.censuses:
        counted_species = {census.species for census in _shown(population, context)}
        rest = [heading(name).casefold() for key, name in context.names.items() if key not in counted_species]
        if rest:
            text = f"{joined(rest)} were not counted by mark and recapture in {shown_season(population, context)}"
            ids = tuple(
                r.id for r in population.results.where(quantity="population_size", season=shown_season(population, context))
            )
            said.append(Finding(sentence(text), ids[:1]))
    return collect(said)
