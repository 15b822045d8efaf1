"""Sentences and tables of fishing mortality in every direction, of doubtful total mortality, stocking and maturity."""

from __future__ import annotations

import dataclasses
import math
import re

import pytest
from mortality_sample import FEW, asked_of, few_draws, make_mortality, rate_of, text_of, trout_of

from fishreport.analysis.death_rates import death_rates
from fishreport.analysis.firm_ground import is_firm
from fishreport.analysis.fishing_today import Fishing, fishing_today
from fishreport.analysis.mortality import FOLLOWED, Mortality
from fishreport.analysis.result import Result, Results
from fishreport.exhibits import death_rates as death_exhibits
from fishreport.exhibits import fishing_mortality as exhibits
from fishreport.exhibits import mortality as mortality_exhibits
from fishreport.exhibits import natural_mortality as natural_exhibits
from fishreport.exhibits.context import report_context
from fishreport.methods.estimate import Estimate
from fishreport.population.regulation import Regulation
from fishreport.study import read_study


@pytest.fixture(scope="module")
def study(repository):
    return few_draws(repository)


@pytest.fixture(scope="module")
def context(study):
    return report_context(study)


@pytest.fixture(scope="module")
def made(study, demo_survey):
    return make_mortality(study, demo_survey)


def test_the_creel_survey_comes_first_and_tells_what_the_difference_does_not(made, context):
    found, fishing = made
    one = fishing.species["rainbow_trout"]
    text = text_of(trout_of(found, fishing=rate_of(0.12, 0.0, 0.79)), context, fishing)
    first = text.index("Fishing mortality of rainbow trout that may be kept (356 mm and longer) was")
    second = text.index("this difference alone does not tell it from nothing")
    assert first < second
    assert f"the creel survey does: {exhibits.value_cell(one.fishing)}" in text
    assert f"nglers kept {one.exploitation.value:.0f} (" in text
    assert "the data do not tell it from nothing" not in text


@pytest.mark.parametrize(
    ("left", "spread", "words"),
    [
        ((0.12, 0.0, 0.79), (0.2, 0.15, 0.3), "agrees within the intervals"),
        ((0.8, 0.5, 1.2), (0.2, 0.15, 0.3), "less than the 0.80 (0.50 to 1.20) that total less natural mortality leaves, beyond"),
        ((0.1, 0.05, 0.14), (0.4, 0.3, 0.5), "more than the 0.100 (0.050 to 0.140) that total less natural mortality leaves, beyond"),
    ],
)  # fmt: skip
def test_whether_both_agree_is_said(made, context, left, spread, words):
    found, fishing = made
    text = text_of(trout_of(found, fishing=rate_of(*left)), context, asked_of(fishing, spread=rate_of(*spread)))
    assert words in text
    assert ("natural mortality that fits both" in text) is ("agrees" in words)


def test_a_difference_above_zero_is_told_beside_the_creel_survey(made, context):
    found, fishing = made
    text = text_of(trout_of(found, fishing=rate_of(0.3, 0.1, 0.5)), context, fishing)
    assert "Total less natural mortality leaves 0.30 per year" in text
    assert "from nothing" not in text


def test_a_difference_that_cannot_be_leaves_the_creel_survey(made, context):
    found, fishing = made
    none = Estimate.not_estimable("natural mortality (0.9) is not below total mortality (0.7)", units="per year")
    text = text_of(trout_of(found, fishing=none), context, fishing)
    assert "What total mortality leaves for fishing of rainbow trout could not be estimated" in text
    assert "Fishing mortality of rainbow trout that may be kept" in text


def test_without_a_creel_survey_the_sentence_says_what_would_tell(made, context):
    found, _ = made
    unclear = trout_of(found, fishing=rate_of(0.12, 0.0, 0.79))
    for given in (None, Fishing(Results(), {})):
        assert "the data do not tell it from nothing" in text_of(unclear, context, given)
        assert exhibits.WOULD_TELL in text_of(unclear, context, given)
    assert exhibits.WOULD_TELL in text_of(unclear, context, Fishing(Results(), {}, ("rainbow_trout",)))
    counted = Result("fish_kept", Estimate(40.0, 5.0, 31.0, 52.0, 0.95, "fish", "made up", 1), 2025, "rainbow_trout", "all")
    text = text_of(unclear, context, Fishing(Results(), {}, ("rainbow_trout",), {"rainbow_trout": counted}))
    assert f"by the creel survey of 2025 anglers kept 40 fish (31 to 52), {exhibits.NO_RULE}" in text
    assert exhibits.WOULD_TELL not in text
    assert exhibits.fishing_table(Fishing(Results(), {}), found, context) is None


def test_without_a_number_of_fish_the_share_is_not_known(made, context):
    found, fishing = made
    none = Estimate.not_estimable("the number of fish is not known: no census, no removal, none by hand", units="per year")
    asked = asked_of(fishing, fishing=none, spread=none, natural=None)
    text = text_of(trout_of(found, fishing=rate_of(0.12, 0.0, 0.79)), context, asked)
    assert "is known from the creel survey, but not how large a share of them that is: the number of fish is not known" in text
    assert "the data do not tell it from nothing" in text
    assert exhibits.fishing_table(asked, found, context) is None


def test_fish_that_may_not_be_kept_die_after_release(made, context):
    found, fishing = made
    asked = asked_of(fishing, exploitation=Estimate.not_estimable("no fish may be kept", units="percent"))
    assert "none of which may be kept" in text_of(trout_of(found), context, asked)


@pytest.mark.parametrize(("units", "length"), [("metric", "356 mm and longer"), ("us", "14.0 in and longer")])
def test_tables_in_both_units(repository, study, made, units, length):
    found, fishing = made
    own = report_context(read_study(repository / "demo_inputs", overrides={**FEW, "report.units": units}))
    table = exhibits.fishing_table(fishing, found, own)
    assert table.rows[0] == ("May be kept today", length, length)
    assert [c.heading for c in table.columns] == ["Measure", "Brown trout", "Rainbow trout"]
    assert {row["quantity"] for row in table.data} >= {"exploitation", "fishing_mortality", "fish_open_to_harvest"}
    rates = death_exhibits.rates_table(death_rates(study, found, fishing), found, own, fishing)
    cells = {row[0]: row[2:] for row in rates.rows}
    for place, key in enumerate(("brown_trout", "rainbow_trout")):
        e = fishing.species[key].fishing
        assert cells["F"][place] == f"{e.value:.2f} ({e.lower:.2f} to {e.upper:.2f})"
    assert len(cells["F"]) == 2  # nothing firm tells of smallmouth bass
    assert rates.rows[-1][2].startswith("301 fish (")  # kept, of harvest.csv
    assert any(length in note for note in rates.notes)


def test_on_which_assumptions_the_rates_hang(repository, demo_survey, made, context):
    """The words follow the rates: with none of the protected fish kept, the rate of all ages falls, that of legal fish does not."""
    found, fishing = made
    said = next(note for note in exhibits.fishing_table(fishing, found, context).notes if "ssumed, not measured" in note)
    assert said == (
        "Assumed, not measured: 5% of released fish die, on which fishing mortality by creel survey hangs, and 5% of protected fish "
        "are kept all the same, on which that over the ages of the catch curve and the natural mortality that fits both hang."
    )
    strict = read_study(repository / "demo_inputs", overrides={**FEW, "parameters.noncompliance": 0.0})
    other = fishing_today(strict, demo_survey, context.classes)
    for key, one in fishing.species.items():
        assert other.species[key].fishing.value == one.fishing.value
        assert other.species[key].spread.value < one.spread.value
    assert "and 0% of protected" in " ".join(exhibits.fishing_table(other, found, report_context(strict)).notes)
    released = {key: dataclasses.replace(one, known=dataclasses.replace(one.known, today=Regulation(release_only=True)))
                for key, one in fishing.species.items()}  # fmt: skip
    notes = exhibits.fishing_table(dataclasses.replace(fishing, species=released), found, context).notes
    assert any(note.endswith("are kept all the same; fishing mortality by creel survey hangs on both.") for note in notes)


def _with_totals(found: Mortality, totals: dict[str | None, Estimate], natural: Estimate) -> Mortality:
    """Smallmouth bass alone, with total mortality by each way, and natural mortality."""
    of = {"species": "smallmouth_bass", "season": 2025, "size_class": "all"}
    results = [Result("total_mortality", estimate, detail=how, **of) for how, estimate in totals.items()]
    one = found.species["smallmouth_bass"]
    fit = dataclasses.replace(one.fit, total_mortality=totals[None])
    return Mortality(Results(results), {"smallmouth_bass": dataclasses.replace(one, fit=fit, natural=natural)})


def test_what_a_weak_total_leaves_is_told_beside_the_seasons_together(made, context):
    """The demo's smallmouth bass: 11 fish of the ages used; 4 kept, of harvest.csv, and no rule in the study."""
    found, fishing = made
    text = text_of(Mortality(found.results, {"smallmouth_bass": found.species["smallmouth_bass"]}), context, fishing)
    together = found.results.one(quantity="fishing_mortality", species="smallmouth_bass", season=2025, detail=TOGETHER).estimate
    assert (
        f"from a total mortality that is no firm ground; {TOGETHER} leave {exhibits.value_cell(together)}: the data do not tell "
        "it from nothing"
    ) in text
    assert f"by the creel survey of 2025 anglers kept 4 fish (2 to 6), {exhibits.NO_RULE}." in text


@pytest.mark.parametrize(("n", "doubt"), [(29, True), (30, False)])
def test_fishing_mortality_from_a_weak_total_is_told_with_its_doubt(made, context, n, doubt):
    found, _ = made
    fit = dataclasses.replace(found.species["rainbow_trout"].fit, total_mortality=rate_of(0.8, 0.6, 1.0, n))
    text = text_of(trout_of(found, fishing=rate_of(0.3, 0.1, 0.5), fit=fit), context)
    assert "Fishing mortality of rainbow trout was 0.30" in text
    assert ("predicted from life history, from a total mortality that is no firm ground." in text) is doubt


WEAK, TOGETHER = rate_of(0.74, 0.36, 1.58, 11), "seasons 2021 to 2025 together"


@pytest.mark.parametrize(
    ("totals", "natural", "fishing", "words"),
    [
        ({None: rate_of(0.8, 0.7, 0.9)}, 0.5, 0.3, "Z is that of the catch curve, 0.80 (0.70 to 0.90) per year"),
        ({None: WEAK, TOGETHER: rate_of(0.7, 0.5, 0.9), FOLLOWED: rate_of(0.9, 0.8, 1.0)}, 0.5, 0.2,
         "Z is that of the seasons 2021 to 2025 together, 0.70 (0.50 to 0.90) per year"),
        ({None: WEAK, TOGETHER: rate_of(0.7, 0.2, 0.9), FOLLOWED: rate_of(0.9, 0.8, 1.0)}, 0.5, 0.4,
         "Z is that of year classes followed, 0.90 (0.80 to 1.00) per year"),
        ({None: WEAK, TOGETHER: rate_of(0.44, 0.19, 0.84), FOLLOWED: rate_of(0.35, 0.24, 0.45)}, 0.41, None,
         "rates are not given: its total mortality rests on 11 fish of the ages used, fewer than 30, and where more fish tell it (year "
         "classes followed: 0.35 (0.24 to 0.45) per year) it is not above natural mortality, 0.41 (0.20 to 0.80); anglers kept 4 "
         "fish (2 to 6) in 2025."),
        ({None: WEAK, TOGETHER: rate_of(0.44, 0.19, 0.84)}, 0.41, None,
         "its total mortality rests on 11 fish of the ages used, fewer than 30, and no other estimate of it is firm ground"),
    ],
)  # fmt: skip
def test_rates_stand_on_firm_ground_or_are_left_out(study, made, context, totals, natural, fishing, words):
    found, asked = made
    changed = _with_totals(found, totals, rate_of(natural, 0.2, 0.8))
    context = dataclasses.replace(context, classes=tuple(c for c in context.classes if c.species.key == "smallmouth_bass"))
    rates = death_rates(study, changed, asked)
    table = death_exhibits.rates_table(rates, changed, context, asked)
    if fishing is None:
        text = " ".join(death_exhibits.rates_notes(rates, changed, context, asked))
        assert table is None
    else:
        assert float({row[0]: row[2] for row in table.rows}["F"].split(" ")[0]) == pytest.approx(fishing, abs=0.1)
        assert table.rows[-1][1:] == ("number that anglers kept in a year, by creel survey", "4 fish (2 to 6)")
        text = " ".join(table.notes)
    assert words in text


def test_every_sentence_rests_on_recorded_results(made, context):
    found, fishing = made
    known = {r.id for r in (*found.results, *fishing.results, *fishing.kept.values())}
    for item in mortality_exhibits.findings(found, context, fishing).items:
        assert item.results
        assert set(item.results) <= known, item.text


# ---- maturity ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("reached", "said"), [(2.6, False), (3.5, False), (3.7, True), (1.5, True), (math.inf, True), (math.nan, False)]
)
def test_age_and_length_at_maturity_that_disagree_are_told(made, context, reached, said):
    """The demo gives 2.6 years for rainbow trout; more than a year off on the curve is told, at the table and as a finding."""
    found, _ = made
    off = trout_of(found, age_at_mature_length=reached)
    assert (
        "the study gives maturity of rainbow trout at 2.6 years and at 320 mm" in text_of(off, context).replace("The", "the")
    ) is said
    whole = dataclasses.replace(found, species={**found.species, **off.species})
    notes = natural_exhibits.natural_table(whole, context).notes
    assert any("gives maturity of rainbow trout" in note for note in notes) is said


def test_the_demo_agrees_with_itself_by_the_curve(made):
    """Ages of the study file against the fitted curve (table 5.1 turned round by hand, and 0.75 of a year gone in October)."""
    for key, given in (("brown_trout", 2.6), ("rainbow_trout", 2.6), ("smallmouth_bass", 3.7)):
        assert made[0].species[key].age_at_mature_length == pytest.approx(given, abs=0.1)


# ---- which natural mortality, which fish, which denominator -----------------------------------------------------------------


def test_natural_mortality_that_is_used_is_told_from_the_median_of_the_forms(made, context):
    found, fishing = made
    table = natural_exhibits.natural_table(found, context, fishing)
    rows = {row[0]: row[1:] for row in table.rows}
    used = [fishing.species["brown_trout"].natural, fishing.species["rainbow_trout"].natural,
            found.species["smallmouth_bass"].forms.median]  # fmt: skip
    assert rows[natural_exhibits.USED] == tuple(exhibits.value_cell(e) for e in used)
    assert rows["which is"] == (natural_exhibits.FIT, natural_exhibits.FIT, "median of the forms")
    assert rows[natural_exhibits.MEDIAN][0] == exhibits.value_cell(found.species["brown_trout"].forms.median)
    assert natural_exhibits.FIT_USED in table.notes
    alone = natural_exhibits.natural_table(found, context)
    assert {row[0]: row[1:] for row in alone.rows}["which is"] == ("median of the forms",) * 3
    assert natural_exhibits.FIT_USED not in alone.notes
    figure = natural_exhibits.natural_figure(found, context, fishing)
    drawn = {tuple(row[:2]): row[2] for row in figure.table.rows}
    assert drawn["Brown trout", natural_exhibits.USED] == rows[natural_exhibits.USED][0]
    assert drawn["Brown trout", natural_exhibits.MEDIAN] == rows[natural_exhibits.MEDIAN][0]
    assert f"used {rows[natural_exhibits.USED][1]};" in figure.alt


def test_a_total_mortality_that_is_not_known_has_no_row_and_no_word(made, context):
    found, fishing = made
    whole = natural_exhibits.natural_figure(found, context, fishing)
    assert "total mortality 0." in whole.alt and "and total mortality of 2025" in whole.caption
    species = {key: dataclasses.replace(one, fit=None) for key, one in found.species.items()}
    without = natural_exhibits.natural_figure(dataclasses.replace(found, species=species), context, fishing)
    forms = found.species["brown_trout"].forms
    single = dataclasses.replace(found.species["brown_trout"], forms=dataclasses.replace(forms, table=forms.table.iloc[:1]))
    alone = natural_exhibits.natural_figure(dataclasses.replace(found, species={**found.species, "brown_trout": single}), context)
    assert "Brown trout: one form, their" not in alone.alt and "Brown trout: one form, median" in alone.alt
    assert "Brown trout: forms from" in whole.alt
    assert "Total mortality" in whole.svg and "Total mortality" not in without.svg
    assert "total mortality" not in without.alt
    assert without.caption.endswith("intervals. The total mortality of 2025 could not be estimated.")


@pytest.mark.parametrize(("limits", "firm"), [((0.4, 0.97), True), ((0.3, 0.97), False)])
def test_a_rate_by_creel_survey_is_a_key_finding_where_it_is_firm(made, context, limits, firm):
    found, fishing = made
    own = fishing.species["brown_trout"]
    rate = Estimate(0.65, 0.1, *limits, 0.95, "per year", "made up", 41)
    results = Results([r for r in fishing.results if r.quantity != "fishing_mortality" or r.species != "brown_trout"]
                      + [dataclasses.replace(r, estimate=rate) for r in fishing.results
                         if r.quantity == "fishing_mortality" and r.species == "brown_trout"])  # fmt: skip
    asked = dataclasses.replace(fishing, results=results, species={"brown_trout": dataclasses.replace(own, fishing=rate)})
    said = exhibits.fishing_sentences(found.species["brown_trout"], found, context, asked)
    assert said[0].text.startswith("Fishing mortality of brown trout") and said[0].key is firm
    assert not any(one.key for one in said[1:])


def test_both_denominators_are_named(study, made, context):
    found, fishing = made
    table = exhibits.fishing_table(fishing, found, context)
    assert table.rows[2][0] == "Kept in the year, per 100 present on average"
    assert "present on average through the year" in table.notes[0]
    rates = death_exhibits.rates_table(death_rates(study, found, fishing), found, context, fishing)
    assert rates.columns[1].heading == "Rate, or share of the fish alive at the year's start"
    assert death_exhibits.OF_THE_START in rates.notes
    assert "median and 95% interval over 100 joint draws of F and M" in rates.caption
    assert "point values" not in rates.caption
    assert all(re.search(r"\d to [\d.]+\)$", cell) for row in rates.rows[:9] for cell in row[2:])
    assert len(rates.data) == 18


def test_a_rate_taken_as_exact_is_said(repository, demo_survey, made, context):
    study = read_study(repository / "demo_inputs", overrides={**FEW, "parameters.natural_mortality": 0.4})
    fishing = fishing_today(study, demo_survey, context.classes)
    rates = death_exhibits.rates_table(death_rates(study, made[0], fishing), made[0], context, fishing)
    assert {row[0]: row[2] for row in rates.rows}["M"] == "0.40"
    told = [note for note in rates.notes if "natural mortality came without a spread and is taken as exact" in note]
    assert [note.split(":")[0] for note in told] == ["Brown trout", "Rainbow trout"]


def test_year_classes_followed_carry_that_their_interval_is_too_short(made, context):
    found, fishing = made
    items = mortality_exhibits.findings(found, context, fishing).items
    followed = [item.text for item in items if "year classes followed" in item.text]
    assert len(followed) == 2  # rainbow trout by its own sentence, smallmouth bass beside the catch curve
    assert all("(interval too short: seasons share aged fish)" in text for text in followed)
    bare = [dataclasses.replace(r, estimate=dataclasses.replace(r.estimate, notes=())) for r in found.results]
    texts = [item.text for item in mortality_exhibits.findings(Mortality(Results(bare), found.species), context).items]
    assert not any("too short" in text or "of age" in text for text in texts)


def test_ages_and_weak_estimates_are_marked_in_the_tables(made, context):
    found, _ = made
    total = mortality_exhibits.total_table(found, context)
    for row, result in zip(total.rows, found.results.where(quantity="total_mortality", season=2025), strict=True):
        assert row[1].endswith(
            next(note for note in result.estimate.notes if "and older" in note)
            .removeprefix("fish of ")
            .replace(" and older", "+")
        )
        weak = f"{row[0]}, " in " ".join(note for note in total.notes if mortality_exhibits.NOT_FIRM in note)
        assert is_firm(result.estimate) or weak
    first = mortality_exhibits.sensitivity_table(found, context)
    for row in first.rows:
        few = int(row[2]) < 30
        assert row[6] == (f"no: {row[2]} fish" if few and row[4] != "not estimable" else row[6])
        assert row[6] in ("yes", "no: wide interval", "—") or few
    assert "Firm ground: 30 fish or more, and limits no more than 3 times apart." in first.notes
    gone = [note for note in first.notes if "tell less than a single fish" in note]
    assert len(gone) == sum(row[4] == "not estimable" for row in first.rows)
