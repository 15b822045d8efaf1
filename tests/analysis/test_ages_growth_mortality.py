"""Ages, growth and mortality of the demo and of simulated surveys: against the truth, and the same worked out by hand."""

from __future__ import annotations

import dataclasses
import json

import numpy as np
import pandas as pd
import pytest

from fishreport.analysis import ages, growth, mortality
from fishreport.analysis.classes import study_classes
from fishreport.methods.growth import fit_von_bertalanffy
from fishreport.study import read_study


def _seasons(survey, first):
    frames = {name: getattr(survey, name) for name in ("runs", "fish", "ages", "census")}
    return dataclasses.replace(survey, **{name: frame[frame["season"] >= first] for name, frame in frames.items()})


@pytest.fixture(scope="module")
def study(repository):
    return read_study(repository / "demo_inputs", overrides={"parameters.resamples": 200})


@pytest.fixture(scope="module")
def truth(repository):
    return json.loads((repository / "demo_inputs" / "truth.json").read_text())["species"]


@pytest.fixture(scope="module")
def grown(study, demo_survey):
    return growth.growth(study, demo_survey, study_classes(study), np.random.default_rng(2))


@pytest.fixture(scope="module")
def recent(demo_survey):
    return _seasons(demo_survey, 2024)


@pytest.fixture(scope="module")
def died(study, recent):
    return mortality.mortality(study, recent, study_classes(study), np.random.default_rng(2))


def test_the_growth_of_wild_species_is_found_though_fish_were_picked_by_length(grown, truth):
    for key, code in (("brown_trout", "BNT"), ("smallmouth_bass", "SMB")):
        rates, curve = truth[code]["rates"], grown.species[key].curve
        final, speed = curve.estimates["asymptotic_length"], curve.estimates["growth_coefficient"]
        assert final.lower < rates["asymptotic_length_mm"] < final.upper
        assert speed.lower < rates["growth_coefficient"] < speed.upper
    one = grown.species["brown_trout"]
    plain = fit_von_bertalanffy(one.aged["age"], one.aged["length_mm"], interval="wald")
    assert plain.asymptotic_length.value > 540 > one.curve.parameters[0]


def test_stocked_fish_among_wild_ones_are_said(grown):
    assert grown.species["rainbow_trout"].mixed
    result = grown.results.one(quantity="growth_coefficient", species="rainbow_trout", detail=None)
    assert growth.MIXED in result.estimate.notes
    assert not grown.species["brown_trout"].mixed


def test_tagged_fish_and_stocked_cohorts_are_counted_from_the_tables(grown, demo_survey):
    fish = demo_survey.fish[(demo_survey.fish["species"] == "BNT") & demo_survey.fish["tag"].ne("")]
    days = fish.groupby("tag")["date"].agg(lambda dates: (dates.max() - dates.min()).days)
    assert len(grown.species["brown_trout"].tagged) == int((days / 365.25 >= 0.3).sum())
    clips = {(c.mark, c.date.year): c for c in grown.species["rainbow_trout"].stocked}
    later = clips["adipose clip", 2024].growth
    clipped = demo_survey.fish[demo_survey.fish["mark"].eq("adipose clip") & demo_survey.fish["species"].eq("RBT")]
    since = clipped[(clipped["season"] >= 2024) & clipped["length_mm"].notna()]
    assert later.n == len(since)
    assert later.mean_length["length_mm"].iloc[0] == pytest.approx(since[since["season"] == 2024]["length_mm"].mean())


def test_result_names_are_unique_and_in_plain_units(grown, died):
    results = [*grown.results, *died.results]
    assert len({r.id for r in results}) == len(results)
    by_quantity = {r.quantity: r.estimate.units for r in results}
    assert by_quantity["growth_asymptotic_length"] == "mm"
    assert by_quantity["growth_coefficient"] == "per year"
    assert by_quantity["growth_age_at_zero"] == "years"
    assert by_quantity["total_mortality"] == by_quantity["natural_mortality"] == by_quantity["fishing_mortality"] == "per year"
    assert all(r.estimate.method for r in results if r.estimate.estimable)


def test_one_reading_a_fish_by_the_reader_of_most(demo_survey):
    aged = ages.aged_fish(demo_survey, "brown_trout")
    own = demo_survey.ages[demo_survey.ages["species_key"] == "brown_trout"]
    assert len(aged) == own["age_sample"].nunique()
    assert set(aged["reader"]) == {"1"}
    only_second = own[own["reader"] == "2"].head(3)
    kept = own[~own["age_sample"].isin(only_second["age_sample"]) | own["reader"].eq("2")]
    again = ages.aged_fish(dataclasses.replace(demo_survey, ages=kept), "brown_trout")
    assert len(again) == len(aged)
    assert (again["reader"] == "2").sum() == 3


def test_percent_agreement_by_hand(demo_survey):
    found = ages.readers(demo_survey, "rainbow_trout", level=0.95)
    own = demo_survey.ages[demo_survey.ages["species_key"] == "rainbow_trout"]
    table = own.pivot(index="age_sample", columns="reader", values="age_years").dropna()
    assert found.agreement.n == len(table)
    assert found.agreement.percent_agreement.value == pytest.approx(100 * (table["1"] == table["2"]).mean())


def test_keys_borrow_from_the_nearest_seasons_until_they_have_enough():
    aged = pd.DataFrame({"season": np.repeat([2018, 2019, 2020, 2021, 2022], 25)})
    assert ages.key_seasons(aged, 2020) == (2019, 2020, 2021)
    assert ages.key_seasons(aged, 2022) == (2020, 2021, 2022)
    assert ages.key_seasons(aged.assign(season=np.repeat([2020, 2022], [100, 25])), 2020) == (2020,)
    assert ages.key_seasons(aged.head(20), 2018) == (2018,)


def test_numbers_at_age_share_out_every_measured_fish_of_first_passes(study, recent):
    own = study_classes(study)[0]
    found = ages.season_ages(study, recent, own, 2025, np.random.default_rng(1))
    fish = recent.fish[(recent.fish["species"] == "BNT") & (recent.fish["season"] == 2025) & recent.fish["length_mm"].notna()]
    assert found.counts.sum() == pytest.approx((fish["pass_number"].isna() | fish["pass_number"].eq(1)).sum(), rel=1e-6)
    spread = found.key_replicates.std(axis=0)
    whole = np.array([e.se for e in found.composition.numbers if e.estimable])
    assert (whole[:4] > spread[:4]).all()  # both stages say less than the key alone
    assert "2024 to 2025" in found.notes[0]


def test_mortality_of_the_demo(died, truth):
    rates = truth["BNT"]["rates"]
    total = died.results.one(quantity="total_mortality", species="brown_trout", season=2025, detail=None).estimate
    assert total.lower < rates["natural_mortality"] + rates["fishing_mortality"][0] < total.upper
    natural = died.results.one(quantity="natural_mortality", species="brown_trout", detail=None).estimate
    assert natural.lower < rates["natural_mortality"] < natural.upper
    one = died.species["brown_trout"]
    fishing = died.results.one(quantity="fishing_mortality", species="brown_trout", season=2025, detail=None).estimate
    assert fishing.value == pytest.approx(one.fit.total_mortality.value - one.natural.value)


def test_chapman_robson_of_the_numbers_at_age_by_hand(died):
    """Survival T / (n + T - 1) of the numbers at and beyond the first age (Chapman and Robson 1960, from memory)."""
    one = died.species["brown_trout"]
    limb = one.ages.counts[one.ages.ages >= one.fit.from_age]
    coded = float((np.arange(limb.size) * limb).sum())
    survival = died.results.one(quantity="annual_survival", species="brown_trout", season=2025, detail=None).estimate
    assert survival.value == pytest.approx(coded / (limb.sum() + coded - 1), rel=1e-9)


def test_what_the_study_gives_goes_before_what_is_predicted(repository, recent):
    given = {"parameters.resamples": 100, "species.BNT.life_history.natural_mortality": {"value": 0.3, "se": 0.1}}
    study = read_study(repository / "demo_inputs", overrides=given)
    own = study_classes(study)[0]
    _, one = mortality.species_mortality(study, recent, own, np.random.default_rng(1))
    assert (one.natural.value, one.natural.se, one.natural_source) == (0.3, 0.1, "given by the study")
    study = read_study(
        repository / "demo_inputs", overrides={**given, "parameters.natural_mortality": 0.4, "parameters.from_age": 3}
    )
    found, one = mortality.species_mortality(study, recent, own, np.random.default_rng(1))
    assert one.natural.value == 0.4
    assert one.fit.from_age == 3
    median = [r for r in found if r.quantity == "natural_mortality" and r.detail == "median of forms"]
    assert median[0].estimate.value == pytest.approx(one.forms.median.value)


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        (lambda s: {"ages": s.ages.iloc[:0]}, "0 aged fish, 10 needed"),
        (lambda s: {"ages": s.ages[s.ages["species"] == "BNT"].head(3)}, "aged fish, 10 needed"),
        (lambda s: {"ages": s.ages[s.ages["age_years"] == 2]}, "distinct age"),
        (lambda s: {"fish": s.fish.assign(length_mm=np.nan)}, "no measured"),
        (lambda s: {"fish": s.fish.iloc[:0]}, "no measured"),
    ],
)
def test_few_data_are_said_and_never_crash(study, recent, change, reason):
    poor = dataclasses.replace(recent, **change(recent))
    classes = study_classes(study)[:1]
    grown = growth.growth(study, poor, classes, np.random.default_rng(1))
    died = mortality.mortality(study, poor, classes, np.random.default_rng(1))
    final = grown.results.one(quantity="growth_asymptotic_length", species="brown_trout", detail=None).estimate
    total = died.results.one(quantity="total_mortality", species="brown_trout", season=2025, detail=None).estimate
    assert not final.estimable
    assert not total.estimable
    assert reason in final.notes[0]
    assert final.notes[0].startswith("not estimable: ")
    assert total.notes[0].startswith("not estimable: ")


def test_modes_stand_in_where_there_are_no_ages(study, demo_survey):
    poor = dataclasses.replace(_seasons(demo_survey, 2025), ages=demo_survey.ages.iloc[:0])
    grown = growth.growth(study, poor, study_classes(study)[:1], np.random.default_rng(1))
    modes = grown.species["brown_trout"].modes
    assert modes.number >= 2
    assert 80 < modes.modes["mean_mm"].iloc[0] < 115  # fish of the year, 98 mm by the true curve
