"""Every lesson: the same seed draws the same fish, numbers are the library's, the truth is that of the simulation, figures speak."""

from __future__ import annotations

import itertools
import math
import statistics
import time
from typing import Any

import numpy as np
import pytest

from fishreport.exceptions import UsageError
from fishreport.explore import lesson, lessons
from fishreport.explore.catalogue import LINES
from fishreport.explore.lesson_parts import Choice, Lesson, Slider
from fishreport.explore.own_study import open_own_study
from fishreport.explore.view import look
from fishreport.methods.abundance import petersen
from fishreport.methods.catch_rate import mean_catch_rate
from fishreport.methods.growth import fit_von_bertalanffy
from fishreport.methods.length_weight import fit_length_weight
from fishreport.methods.mortality import chapman_robson
from fishreport.methods.precision import runs_needed
from fishreport.methods.removal import removal
from fishreport.methods.size_structure import proportional_size

NAMES = list(LINES)


def first(taught: Lesson, *, seed: int = 1, **changes: Any) -> Any:
    settings = taught.settings(**changes)
    return taught.estimate(taught.sample(seed=seed, **changes), settings).first


def test_ten_lessons_in_their_order_with_their_lines() -> None:
    assert [taught.key for taught in lessons()] == NAMES
    assert len(NAMES) == 10
    assert {taught.key: taught.line for taught in lessons()} == LINES


@pytest.mark.parametrize(("given", "found"), [("Catch_Rate", "catch-rate"), ("sampling design", "sampling-design")])
def test_a_method_is_found_however_it_is_written(given: str, found: str) -> None:
    assert lesson(given).key == found


def test_an_unknown_method_is_told_with_the_nearest() -> None:
    with pytest.raises(UsageError, match="did you mean 'catch-curve'"):
        lesson("catch-curv")


@pytest.mark.parametrize("name", NAMES)
def test_the_same_seed_draws_the_same_and_another_draws_others(name: str) -> None:
    taught = lesson(name)
    one, same, other = (first(taught, seed=seed).estimate for seed in (3, 3, 4))
    assert one == same
    assert one != other


@pytest.mark.parametrize("name", NAMES)
def test_the_default_view_shows_a_figure_numbers_and_the_truth(name: str) -> None:
    taught = lesson(name)
    settings = taught.settings()
    view = look(taught, taught.sample(seed=1), settings)
    assert view.figure.svg.startswith("<svg")
    assert len(view.figure.alt) > 80
    assert view.sentence in view.figure.alt
    assert all(math.isfinite(one.truth) for one in view.shown)
    assert view.shown[0].estimate.lower < view.shown[0].estimate.value < view.shown[0].estimate.upper
    headings = [column.heading for column in view.table.columns]
    assert headings == ["What", "Estimate", "Units", "95% interval", "Truth", "Held by the interval"]
    assert {row[-1] for row in view.table.rows} <= {"yes", "no"}
    assert "estimate and interval" in view.figure.svg  # the marks are named in the drawing, so that colour is not alone
    assert ">truth<" in view.figure.svg


@pytest.mark.parametrize("name", NAMES)
def test_every_control_changes_what_is_shown(name: str) -> None:
    taught = lesson(name)
    before = look(taught, taught.sample(seed=1), taught.settings())
    for control in taught.controls:
        if isinstance(control, Choice):
            value: Any = next(option for option in control.options if option != control.value)
        else:
            value = control.high if control.value < (control.low + control.high) / 2 else control.low
        changes = {control.name: value}
        sample = taught.sample(seed=1, **(changes if control.side == "sample" else {}))
        after = look(taught, sample, taught.settings(**changes))
        assert (after.sentence, after.figure.alt, after.figure.svg) != (
            before.sentence, before.figure.alt, before.figure.svg), control.name  # fmt: skip


@pytest.mark.parametrize("name", NAMES)
def test_the_ends_of_every_control_give_a_view_or_a_reason(name: str) -> None:
    taught = lesson(name)
    sliders = [control for control in taught.controls if isinstance(control, Slider)]
    for control, end in itertools.product(sliders, ("low", "high")):
        changes = {control.name: getattr(control, end)}
        answer = taught.estimate(taught.sample(seed=2, **changes), taught.settings(**changes))
        assert all(one.estimate.estimable or one.estimate.notes for one in answer.shown), (control.name, end)
    lowest = {control.name: control.low for control in sliders}
    view = look(taught, taught.sample(seed=2, **lowest), taught.settings(**lowest))
    assert view.sentence


@pytest.mark.parametrize("name", NAMES)
def test_a_change_answers_at_once(name: str) -> None:
    """About 0.1 to 0.3 s on two free cores; the bound leaves room for a busy machine."""
    taught = lesson(name)
    took = []
    for seed in range(3):
        begun = time.perf_counter()
        look(taught, taught.sample(seed=seed), taught.settings())
        took.append(time.perf_counter() - begun)
    assert statistics.median(took) < 1.5


def test_settings_are_checked() -> None:
    with pytest.raises(UsageError, match="sites must be a number from 3 to 30; got 2"):
        lesson("catch-rate").settings(sites=2)
    with pytest.raises(UsageError, match="units must be one of sites, runs; got 'fish'"):
        lesson("catch-rate").settings(units="fish")
    with pytest.raises(UsageError, match="has no setting site; it has sites"):
        lesson("catch-rate").settings(site=5)


def test_numbers_are_those_of_the_library() -> None:
    runs = lesson("catch-rate").sample(seed=5)
    assert first(lesson("catch-rate"), seed=5).estimate == mean_catch_rate(runs["catch"], runs["effort_h"], site=runs["site"])
    fish = lesson("size-structure").sample(seed=5)
    expected = proportional_size(fish["length_mm"], stock=150, bound=230, run=fish["run"])
    assert first(lesson("size-structure"), seed=5).estimate == expected
    fish = lesson("length-weight").sample(seed=5)
    assert first(lesson("length-weight"), seed=5).estimate == fit_length_weight(fish["length_mm"], fish["weight_g"]).slope
    fish = lesson("growth").sample(seed=5)
    curve = fit_von_bertalanffy(fish["age"], fish["length_mm"], errors="proportional")
    assert first(lesson("growth"), seed=5).estimate == curve.asymptotic_length
    fish = lesson("catch-curve").sample(seed=5)
    peak = int(fish["age"][np.argmax(fish["count"])])
    expected = chapman_robson(fish["age"], fish["count"], from_age=peak + 1).total_mortality
    assert first(lesson("catch-curve"), seed=5).estimate == expected
    seen = lesson("recapture").sample(seed=5)
    assert first(lesson("recapture"), seed=5).estimate == petersen(seen["marked"], seen["caught"], seen["recaptured"])
    seen = lesson("removal").sample(seed=5)
    assert first(lesson("removal"), seed=5).estimate == removal(seen["catches"]).population_size
    pilot = lesson("sampling-design").sample(seed=5)
    expected = runs_needed(pilot["catch"], pilot["effort_h"], relative_error=0.25)
    assert first(lesson("sampling-design"), seed=5).estimate == expected


def test_samples_obey_their_settings() -> None:
    assert len(set(lesson("catch-rate").sample(sites=7)["site"].tolist())) == 7
    assert len(lesson("growth").sample(fish=50)["age"]) == 50
    assert lesson("length-weight").sample(shortest=300)["length_mm"].min() >= 300
    seen = lesson("recapture").sample(population=100, marked=500, caught=500)
    assert (seen["marked"], seen["caught"], seen["recaptured"]) == (100, 100, 100)
    assert len(lesson("removal").sample(passes=5)["catches"]) == 5


def test_recaptures_of_marked_fish_that_shun_the_gear_are_fewer() -> None:
    taught = lesson("recapture")
    mean = {
        shyness: np.mean([taught.sample(seed=seed, shyness=shyness)["recaptured"] for seed in range(40)])
        for shyness in (0.3, 1, 2)
    }
    # In a sample of 150 of 1000 fish, 150 of them marked: about M C / N times the odds.
    assert mean[0.3] < 0.5 * mean[1]
    assert mean[1] == pytest.approx(22.5, abs=4 * math.sqrt(22.5 / 40))
    assert mean[2] > 1.5 * mean[1]


@pytest.mark.parametrize("name", NAMES)
def test_a_study_of_ones_own_is_shown_without_a_truth(name: str, repository: Any) -> None:
    taught = lesson(name)
    own = open_own_study(repository / "demo_inputs")
    view = look(taught, taught.own(own), taught.settings())
    assert all(math.isnan(one.truth) for one in view.shown)
    assert "truth" not in view.sentence
    assert [column.heading for column in view.table.columns][-1] == "95% interval"
    assert "Pellamy" in view.figure.caption
    assert view.shown[0].estimate.estimable


def test_a_study_without_the_data_says_what_it_lacks(repository: Any) -> None:
    own = open_own_study(repository / "demo_inputs", species="smallmouth bass")
    with pytest.raises(UsageError, match="no census of smallmouth bass"):
        lesson("recapture").own(own)
    with pytest.raises(UsageError, match="species are brown trout, rainbow trout, smallmouth bass; got 'pike'"):
        open_own_study(repository / "demo_inputs", species="pike")
