"""Tables, figures and sentences of the mortality chapter."""

from __future__ import annotations

import math
from dataclasses import replace

from matplotlib.ticker import MaxNLocator

from fishreport.analysis.firm_ground import KEY_FACTOR, KEY_FISH, is_firm, why_not_firm
from fishreport.analysis.fishing_today import Fishing
from fishreport.analysis.mortality import FOLLOWED, Mortality, SpeciesMortality
from fishreport.analysis.result import Result
from fishreport.analysis.stocking import StockingStep
from fishreport.exhibits.context import Context
from fishreport.exhibits.exhibit import Column, Figure, Finding, Findings, Table
from fishreport.exhibits.fishing_mortality import by_species, fishing_sentences, maturity_apart, value_cell
from fishreport.exhibits.history import history_figure
from fishreport.exhibits.notes import ages_meant, too_short
from fishreport.exhibits.style import GREY, INK, drawing, letter, looks, style, to_svg
from fishreport.exhibits.tabulate import counted, frame_table, heading, joined
from fishreport.exhibits.units import NO_VALUE, Units, format_estimate, format_number
from fishreport.exhibits.wording import collect, percent_level, sentence
from fishreport.methods.estimate import Estimate

TOTAL_ASSUMES = (
    "A catch curve assumes that year classes were equally strong at birth, that survival is the same at every age from the first "
    "age used on, that those ages are caught alike, and that ages are read right. Growing year classes make mortality look too "
    "high, shrinking ones too low; several seasons together say more than one."
)
COHORTS_ASSUME = (
    "Following year classes does without equal births but assumes that an hour of current takes the same share of the fish every "
    "season. Its interval is too short: seasons share aged fish in their keys."
)

NOT_FIRM = f"no firm ground, with fewer than {KEY_FISH} fish behind it or limits more than {KEY_FACTOR:g} times apart"


def level_of(found: Mortality) -> str:
    """The level of all intervals, as text."""
    return percent_level(next(iter(found.species.values())).natural.level)


def age_figure(found: Mortality, context: Context) -> Figure | None:
    """Fish in the catch by age on a logarithmic scale, with the fitted limb marked."""
    shown = [(name, one) for name, one in by_species(found, context) if one.fit is not None and one.fit.all_counts.sum() > 0]
    if not shown:
        return None
    rows, said = [], []
    on_look, off_look = looks(["on", "off"]).values()
    with style():
        figure, axes = drawing(1, len(shown), height=2.9)
        for ax, (name, one) in zip(axes[0], shown, strict=True):
            assert one.fit is not None
            table = one.fit.frame()
            drawn = table[table["count"] >= 0.1]
            limb, rest = drawn[drawn["on_limb"]], drawn[~drawn["on_limb"]]
            ax.plot(rest["age"], rest["count"], linestyle="none", color=off_look.colour, marker=off_look.marker,
                    markerfacecolor="white", label="not fully caught")  # fmt: skip
            ax.plot(limb["age"], limb["count"], linestyle="none", color=on_look.colour, marker=on_look.marker, label="limb used")
            fitted = table[table["fitted"].notna() & (table["fitted"] > 0)]
            ax.plot(fitted["age"], fitted["fitted"], color=INK, label="fit")
            ax.set_yscale("log")
            ax.yaxis.set_major_formatter(lambda value, _: f"{value:g}")
            ax.axvline(one.fit.from_age - 0.5, color=GREY, linewidth=0.9, linestyle=(0, (4, 2)))
            ax.set_xlabel("Age (years)")
            ax.xaxis.set_major_locator(MaxNLocator(6, integer=True))
            z = format_estimate(one.fit.total_mortality, Units())
            told = (
                f"total mortality {value_cell(one.fit.total_mortality)} per year" if z.value != "not estimable" else "no estimate"
            )
            said.append(f"{name}: {one.fit.total_mortality.n} fish of age {one.fit.from_age} and older, {told}.")
            for r in table.to_dict("records"):
                line = f"{r['fitted']:.1f}" if math.isfinite(r["fitted"]) else NO_VALUE
                rows.append([name, str(r["age"]), f"{r['count']:.1f}", line, "yes" if r["on_limb"] else "no"])
        axes[0][0].set_ylabel("Fish in the catch (log scale)")
        handles, labels = axes[0][0].get_legend_handles_labels()
        figure.legend(handles, labels, loc="outside lower center", ncols=3)
        letter(axes, [name for name, _ in shown])
        svg = to_svg(figure)
    columns = [Column("Species", align="left"), Column("Age", "years"), Column("Fish"), Column("Fitted"), Column("On the limb")]
    behind = frame_table("age-frequency-numbers", f"Fish in the catch of {context.season} by age.", columns, rows)
    caption = (
        f"Fish in the catch of {context.season} by age, on a logarithmic scale. Filled dots right of the dashed line are the "
        "descending limb that total mortality is fitted to; squares are ages that the gear does not take fully. Ages "
        "of less than a tenth of a fish are not drawn."
    )
    return Figure("age-frequency", caption, "Points of fish by age. " + " ".join(said), svg, behind)


def numbers_table(found: Mortality, context: Context) -> Table | None:
    """Numbers at age in the catch of this season."""
    chosen = found.results.where(quantity="number_at_age", season=context.season)
    if not len(chosen):
        return None
    ages = sorted({int(str(r.detail).removeprefix("age ")) for r in chosen})
    rows, notes, names = [], dict[str, None](), []
    for name, one in by_species(found, context):
        if one.ages is None:
            continue
        names.append((name, one.key))
        notes[f"{name}: {'; '.join(one.ages.notes)}."] = None
    for age in ages:
        cells = []
        for _, key in names:
            result = chosen.one(species=key, detail=f"age {age}")
            cells.append(NO_VALUE if result is None else _tenths(result.estimate))
        rows.append([str(age), *cells])
    columns = [Column("Age", "years", align="left"), *(Column(name, "fish") for name, _ in names)]
    caption = (
        f"Fish in the catch of {context.season} by age, with {level_of(found)} intervals that carry both the sample of "
        "runs and the sample of aged fish. First passes only; every measured fish is shared out over the ages by the "
        "age-length key."
    )
    return frame_table("numbers-at-age", caption, columns, rows, notes=tuple(notes), data=[r.record() for r in chosen])


def _tenths(estimate: Estimate) -> str:
    decimals = 0 if estimate.value >= 20 else 1
    value, low, high = (format_number(v, decimals=decimals) for v in (estimate.value, estimate.lower, estimate.upper))
    return f"{value} ({low} to {high})"


def total_table(found: Mortality, context: Context) -> Table:
    """Total mortality and survival by species and estimator."""
    rows, notes, shaky = [], dict.fromkeys([TOTAL_ASSUMES, COHORTS_ASSUME]), dict[str, list[str]]()
    chosen = list(found.results.where(quantity="total_mortality", season=context.season))
    for result in chosen:
        survival = found.results.one(
            quantity="annual_survival", season=context.season, species=result.species, detail=result.detail
        )
        name = context.names[str(result.species)]
        assert survival is not None
        share = survival.estimate
        percent = share.converted(lambda number: 100 * number, "percent")
        rows.append(
            [name, _estimator(result, found, context), value_cell(result.estimate), value_cell(percent), f"{result.estimate.n:,}"]
        )
        if not result.estimate.estimable:
            reason = next((n for n in result.estimate.notes if n.startswith("not estimable: ")), "not estimable: too few data")
            what = "" if result.detail is None else f", {result.detail}"
            notes[f"{name}{what}: {reason.removeprefix('not estimable: ')}."] = None
        elif not is_firm(result.estimate):
            shaky.setdefault(name, []).append(_estimator(result, found, context))
    for name, ways in shaky.items():
        every = len(ways) == sum(context.names[str(r.species)] == name for r in chosen)
        notes[f"{name}, {'every estimate' if every else '; '.join(ways)}: {NOT_FIRM}."] = None
    for name, one in by_species(found, context):
        if one.stocking is not None:
            notes[f"{name}: {_stocked(one.stocking)}. Year classes followed do without equal births."] = None
        if one.fit is not None and math.isfinite(one.fit.chat) and one.fit.p < 0.05:
            notes[
                f"{name}: the numbers at age do not fit one rate (chi-square p = {one.fit.p:.3f}); the interval is widened."
            ] = None
    columns = [Column("Species", align="left"), Column("Estimator", align="left"), Column("Total mortality Z", "per year")]
    columns += [Column("Survival", "% a year"), Column("Fish")]
    caption = (
        f"Total mortality from the ages in the catch, with {level_of(found)} intervals. The first line of a species is "
        f"the catch curve of {context.season}, which is the one spoken of where equal year classes may be taken for granted; the "
        "others show how far the answer hangs on the method and "
        "on single seasons. A plus after an age stands for fish of that age and older."
    )
    return frame_table("total-mortality", caption, columns, rows, notes=tuple(notes), data=[r.record() for r in chosen])


def _estimator(result: Result, found: Mortality, context: Context) -> str:
    one = found.species[str(result.species)]
    if result.detail is None:
        name = f"Chapman-Robson, {context.season}" if one.fit is not None else "Chapman-Robson"
    elif result.detail.startswith("seasons "):
        name = f"Chapman-Robson, {result.detail.removeprefix('seasons ')}"
    else:
        name = heading(result.detail) if result.detail == FOLLOWED else f"{heading(result.detail)}, {context.season}"
    ages = ages_meant(result.estimate).removeprefix("of ").replace(" and older", "+")
    return f"{name}, {ages}" if ages else name


def sensitivity_table(found: Mortality, context: Context) -> Table | None:
    """The reported estimate for every possible first age."""
    rows, data, notes = [], [], []
    for name, one in by_species(found, context):
        for row in one.sensitivity.to_dict("records"):
            estimable = bool(row["estimable"])
            n = round(row["fish"])
            z = Estimate(row["total_mortality"], row["se"], row["lower"], row["upper"], one.natural.level, "", "", n)
            chat = f"{row['chat']:.1f}" if math.isfinite(row["chat"]) else NO_VALUE
            mark = " (used)" if row["chosen"] else ""
            first, cell = f"{int(row['from_age'])}{mark}", value_cell(z) if estimable else "not estimable"
            firm = NO_VALUE if not estimable else "yes" if is_firm(z) else _how_weak(z)
            rows.append([name, first, format_number(row["fish"], decimals=0), str(int(row["ages"])), cell, chat, firm])
            if not estimable:
                notes.append(f"{name}, from age {int(row['from_age'])} on: {row['reason']}.")
            data.append({"species": one.key, **row})
    if not rows:
        return None
    columns = [Column("Species", align="left"), Column("First age", align="left"), Column("Fish"), Column("Ages")]
    columns += [Column("Total mortality Z", "per year"), Column("Overdispersion"), Column("Firm ground", align="left")]
    caption = (
        f"The estimate of {context.season} for every first age that could be taken as fully caught. Overdispersion "
        "far above 1 means that one rate does not fit from that age on; without one (—) it could not be tested, and the interval "
        "allows for none. These intervals leave out the error of the age-length key."
    )
    firm = f"Firm ground: {KEY_FISH} fish or more, and limits no more than {KEY_FACTOR:g} times apart."
    return frame_table("first-age", caption, columns, rows, notes=(firm, *notes), data=data)


def _how_weak(z: Estimate) -> str:
    return f"no: {counted(z.n, 'fish')}" if z.n < KEY_FISH else "no: wide interval"


def history(found: Mortality, context: Context) -> Figure | None:
    """Total mortality by season."""
    chosen = list(found.results.where(quantity="total_mortality", size_class="all", detail=None))
    caption = (
        "Total mortality by season, each from its own numbers at age, with intervals. A single season says little: a strong year "
        "class moves it up or down as it ages."
    )
    return history_figure("mortality-history", caption, chosen, context, noun="Total mortality", series={"all": "All fish"})


def _lives(survival: Estimate) -> str:
    e = survival
    return f"{100 * e.value:.0f} of 100 live through a year ({100 * e.lower:.0f} to {100 * e.upper:.0f})"


def _of_ages(result: Result, context: Context) -> str:
    """The fish that a result holds for: ``brown trout of age 2 and older``."""
    return f"{context.writer.nouns.species_name(result.species)} {ages_meant(result.estimate)}".rstrip()


def _latest(key: str, found: Mortality, context: Context) -> tuple[Result | None, Result | None]:
    return context.latest(found.results.where(quantity="total_mortality", species=key, size_class="all", detail=None))


def _total(one: SpeciesMortality, found: Mortality, changes: dict[str, list[Finding]], context: Context) -> list[Finding]:
    _, now = _latest(one.key, found, context)
    if now is None:
        return []
    if not now.estimate.estimable:
        return list(context.writer.few_data([now]))
    followed = found.results.one(quantity="total_mortality", species=one.key, season=context.season, detail=FOLLOWED)
    said = []
    if one.stocking is not None and followed is not None and followed.estimate.estimable:
        said = [_followed(followed, found, context)]
    said += _of_the_season(one, now, found, context, key=not said and is_firm(now.estimate))
    said += changes.get(now.id, [])
    return said + _methods(one, now, found, context)


def _followed(followed: Result, found: Mortality, context: Context) -> Finding:
    """Total mortality by year classes, which leads where year classes are known to have differed."""
    name, e = _of_ages(followed, context), followed.estimate
    ids: tuple[str, ...] = (followed.id,)
    text = (
        f"total mortality of {name} was {context.writer.amount(e)} by year classes followed through the seasons{too_short(e)}, "
        "which need not have been equal at birth"
    )
    survival = found.results.one(
        quantity="annual_survival", species=followed.species, season=followed.season, detail=followed.detail
    )
    if survival is not None and survival.estimate.estimable:
        text, ids = f"{text}: {_lives(survival.estimate)}", (followed.id, survival.id)
    return Finding(sentence(text), ids, "none", is_firm(e))


def _of_the_season(one: SpeciesMortality, now: Result, found: Mortality, context: Context, *, key: bool) -> list[Finding]:
    """The catch curve of the season, with what is known to be wrong with it; other estimates beside it where it is not firm."""
    survival = found.results.one(quantity="annual_survival", species=one.key, season=context.season, detail=None)
    level = context.writer.level(now, key=key)
    if survival is not None:
        level = replace(
            level, text=sentence(f"{level.text.rstrip('.')}: {_lives(survival.estimate)}"), results=(now.id, survival.id)
        )
    said = [level]
    if one.stocking is not None:
        name = context.writer.nouns.species_name(one.key)
        text = f"the catch curve of {name} takes year classes as equally strong, but {_stocked(one.stocking)}"
        said.append(Finding(sentence(text), (now.id,)))
    if not is_firm(now.estimate):
        said += _not_firm(one, now, found, context)
    return said


def _not_firm(one: SpeciesMortality, now: Result, found: Mortality, context: Context) -> list[Finding]:
    e, name = now.estimate, _of_ages(now, context)
    others = [r for r in found.results.where(quantity="total_mortality", species=one.key, season=context.season)
              if r.estimate.estimable and str(r.detail).startswith(("seasons", "year classes"))]  # fmt: skip
    text = f"the total mortality of {name} in {context.season} {why_not_firm(e)}, and is no firm ground"
    if others:
        beside = joined([f"{r.detail} give {value_cell(r.estimate)} per year{too_short(r.estimate)}" for r in others])
        text += f"; {beside}"
    return [Finding(sentence(text), (now.id, *(r.id for r in others)))]


def _stocked(step: StockingStep) -> str:
    """What a change in stocking does to a catch curve, in words."""

    def years(span: tuple[int, int]) -> str:
        return str(span[0]) if span[0] == span[1] else f"{span[0]} to {span[1]}"

    before, after = (
        f"{step.before:,.0f} fish a year ({years(step.years_before)})",
        f"{step.after:,.0f} ({years(step.years_after)})",
    )
    if step.fewer:
        return f"stocking fell from {before} to {after}: young ages are thin beside old ones, which puts its mortality too low"
    return f"stocking rose from {before} to {after}: young ages are many beside old ones, which puts its mortality too high"


def _methods(one: SpeciesMortality, now: Result, found: Mortality, context: Context) -> list[Finding]:
    """How far the other estimators lie apart."""
    others = [r for r in found.results.where(quantity="total_mortality", species=one.key, season=context.season) if r.detail]
    values = [r for r in (now, *others) if r.estimate.estimable]
    if len(values) < 2:
        return []
    low, high = min(r.estimate.value for r in values), max(r.estimate.value for r in values)
    ages = sorted({meant.removeprefix("of age ").split(" ")[0] for r in values if (meant := ages_meant(r.estimate))}, key=int)
    name = context.writer.nouns.species_name(one.key)
    name += f" from age {joined(ages, 'or')} on{', by method,' if len(ages) > 1 else ''}" if ages else ""
    outside = [r for r in values[1:] if not now.estimate.lower <= r.estimate.value <= now.estimate.upper]
    head = f"the {len(values)} estimates of total mortality of {name} run from {low:.2f} to {high:.2f} per year"
    tail = (
        "all within the interval of the one reported"
        if not outside
        else f"{len(outside)} outside the interval of the one reported"
    )
    return [Finding(sentence(f"{head}, {tail}"), tuple(r.id for r in values))]


def _natural(one: SpeciesMortality, found: Mortality, context: Context) -> list[Finding]:
    result = found.results.one(quantity="natural_mortality", species=one.key, detail=None)
    if result is None or not result.estimate.estimable:
        return []
    name = context.writer.nouns.species_name(one.key)
    forms = tuple(r.id for r in found.results.where(quantity="natural_mortality", species=one.key) if r.detail)
    amount = context.writer.amount(result.estimate)
    if one.natural_source == "given by the study":
        text = f"natural mortality of {name} is taken as {amount}, as the study gives it"
        if one.forms is not None:
            text += f"; published forms would say {one.forms.lowest:.2f} to {one.forms.highest:.2f}"
    else:
        assert one.forms is not None
        number, text = len(one.forms.table), f"natural mortality of {name} was not measured; "
        if number == 1:
            text += f"one published form predicts {amount}"
        else:
            text += f"{number} published forms predict {one.forms.lowest:.2f} to {one.forms.highest:.2f}, their median {amount}"
    said = [Finding(sentence(text), (result.id, *forms))]
    apart = maturity_apart(one, context)
    return [*said, Finding(apart, (result.id,))] if apart else said


def findings(found: Mortality, context: Context, fishing: Fishing | None = None) -> Findings:
    """Total mortality, its change, how far methods agree, and what natural and fishing mortality are.

    `fishing` tells of species with a creel survey and a number of fish.
    """
    said: list[Finding] = []
    changes = context.changes(_latest(key, found, context) for key in found.species)
    for one in found.species.values():
        said += _total(one, found, changes, context)
        said += _natural(one, found, context)
        said += fishing_sentences(one, found, context, fishing)
    return collect(said)
