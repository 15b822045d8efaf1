"""Text, nothing, dates and durations, and absurd sizes given to estimators are refused in one sentence."""

from __future__ import annotations

import datetime
from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd
import pytest

from fishreport.exceptions import InputError
from fishreport.methods import natural_mortality as m
from fishreport.methods.abundance import density, petersen, removal
from fishreport.methods.age_key import age_length_key, assign_ages
from fishreport.methods.back_calculation import back_calculate
from fishreport.methods.catch_model import fit_catch_model
from fishreport.methods.catch_rate import mean_catch_rate
from fishreport.methods.condition import mean_relative_weight, relative_weight, relative_weight_by_category
from fishreport.methods.creel import creel_total
from fishreport.methods.electrofishing import ambient_from_specific, power_multiplier, power_table
from fishreport.methods.growth import average_growth, fit_gompertz, fit_logistic, fit_von_bertalanffy
from fishreport.methods.inputs import number, numbers
from fishreport.methods.length_weight import compare_length_weight, fit_length_weight
from fishreport.methods.mortality import chapman_robson
from fishreport.methods.mortality_rates import rates
from fishreport.methods.precision import power_to_detect, runs_needed, units_needed
from fishreport.methods.proportion import wilson_interval
from fishreport.methods.recapture_growth import fit_recapture_growth
from fishreport.methods.size_structure import proportional_size, size_indices
from fishreport.methods.trend_power import gerrodette_years
from fishreport.population.per_recruit import spawning_potential_ratio, yield_per_recruit

AGES, LENGTHS = [1, 2, 3, 4, 5, 6], [100.0, 180, 240, 280, 310, 330]
MARK, AGAIN = [100.0, 150, 200, 250], [150.0, 190, 230, 270]
RUNS = pd.DataFrame({"catch": [5, 3, 8, 2, 4], "effort_h": 0.5, "x": [1.0, 2, 3, np.inf, 5]})
FISHERY: dict[str, Any] = {
    "natural_mortality": 0.3,
    "growth_coefficient": 0.3,
    "asymptotic_weight_g": 900,
    "age_at_first_capture": 2,
}
KEY = age_length_key([100, 110, 200, 210], [1, 1, 2, 2], bin_mm=50)
DAYS = pd.to_timedelta([100, 200, 300, 400], unit="D")
Call = Callable[[], Any]


def curve(fit: Callable[..., Any], *columns: Any) -> Call:
    return lambda: fit(*columns)


WRONG_KINDS: list[Call] = [
    *(curve(fit, [*AGES[:5], "x"], LENGTHS) for fit in (fit_von_bertalanffy, fit_gompertz, fit_logistic)),
    *(curve(fit, AGES, [*LENGTHS[:5], "x"]) for fit in (fit_von_bertalanffy, fit_gompertz, fit_logistic)),
    lambda: average_growth(["a", *AGES[1:]], LENGTHS),
    lambda: fit_von_bertalanffy(AGES, LENGTHS, level="high"),  # type: ignore[arg-type]
    lambda: fit_recapture_growth(["a", 2, 3, 4], AGAIN, [1, 1, 1, 1]),
    lambda: assign_ages(KEY, ["a"]),
    lambda: assign_ages(KEY, None),
    lambda: assign_ages(None, [100.0]),  # type: ignore[arg-type]
    lambda: age_length_key([100, 200], [1, 2], bin_mm=None),  # type: ignore[arg-type]
    lambda: age_length_key([100, 200], ["a", 2], bin_mm=10),
    lambda: back_calculate(["a"], [1.0], [[0.5]], intercept=0),
    lambda: back_calculate([300.0], ["a"], [[0.5]], intercept=0),
    lambda: back_calculate([300.0], [1.0], [["a"]], intercept=0),
    lambda: back_calculate([300.0], [1.0], ["a"], intercept=0),
    lambda: back_calculate([300.0], [1.0], None, intercept=0),
    lambda: back_calculate([300.0], [1.0], [[0.5]], intercept="a"),  # type: ignore[arg-type]
    lambda: back_calculate([300.0], [1.0], [[0.5]], intercept=None),  # type: ignore[arg-type]
    lambda: back_calculate([300.0], [1.0], [[0.5]], intercept=0, slope="a", method="body-proportional"),  # type: ignore[arg-type]
    lambda: power_multiplier(["a"]),  # type: ignore[arg-type]
    lambda: power_multiplier(100, None),  # type: ignore[arg-type]
    lambda: ambient_from_specific("a", 10),
    lambda: power_table([100], reference_us_cm=100, reference_voltage_v="a", reference_current_a=2),  # type: ignore[arg-type]
    lambda: yield_per_recruit("a", **FISHERY),
    lambda: yield_per_recruit(0.2, **FISHERY | {"natural_mortality": "a"}),
    lambda: spawning_potential_ratio(0.2, natural_mortality=0.2, weight_g=["a", "b"], maturity=[0, 1]),  # type: ignore[arg-type]
    lambda: spawning_potential_ratio("a", natural_mortality=0.2, weight_g=[1, 2], maturity=[0, 1]),
    lambda: spawning_potential_ratio(
        0.2,
        natural_mortality=0.2,
        weight_g=[1, 2],
        maturity=[0, 1],
        spawning_time=None,  # type: ignore[arg-type]
    ),
    *(curve(form, bad) for form in (m.hoenig, m.then_max_age, m.hamel, m.then_k, m.jensen) for bad in ("eight", None)),
    lambda: m.pauly("a", 0.3, 10),  # type: ignore[arg-type]
    lambda: m.pauly(400, 0.3, None),  # type: ignore[arg-type]
    lambda: m.then_growth(400, "a"),  # type: ignore[arg-type]
    lambda: m.ensemble(max_age=8, weights={"hoenig": "a"}),  # type: ignore[dict-item]
    lambda: rates(total="a", natural=0.3),  # type: ignore[arg-type]
    lambda: chapman_robson(range(6), [118, 73, 36, 14, 1, 1], from_age="x"),  # type: ignore[arg-type]
    lambda: proportional_size(LENGTHS, stock="a", bound=200),  # type: ignore[arg-type]
    lambda: proportional_size(LENGTHS, stock=100, bound=None),  # type: ignore[arg-type]
    lambda: proportional_size(LENGTHS, stock=100, bound=200, run=4.0),  # type: ignore[arg-type]
    lambda: size_indices(LENGTHS, {"stock": 100, "quality": "a"}),  # type: ignore[dict-item]
    lambda: size_indices(LENGTHS, "stock"),  # type: ignore[arg-type]
    lambda: compare_length_weight(LENGTHS, LENGTHS, group=None),
    lambda: runs_needed([1, 2, 3], [1, 1, 1], relative_error="0.25"),  # type: ignore[arg-type]
    lambda: units_needed("a", 0.1),  # type: ignore[arg-type]
    lambda: power_to_detect("a"),  # type: ignore[arg-type]
    lambda: power_to_detect(0.3, replicates=None),  # type: ignore[arg-type]
    lambda: gerrodette_years("a", 0.3),  # type: ignore[arg-type]
    lambda: relative_weight([300], [300], "brown trout"),  # type: ignore[arg-type]
    lambda: mean_relative_weight([300], [300], "brown trout"),  # type: ignore[arg-type]
    lambda: relative_weight_by_category([300], [300], "brown trout"),  # type: ignore[arg-type]
    lambda: fit_catch_model(RUNS, terms=None),  # type: ignore[arg-type]
    lambda: fit_catch_model(RUNS, terms=[3]),  # type: ignore[list-item]
    lambda: fit_catch_model(RUNS, catch=5),  # type: ignore[arg-type]
    lambda: fit_catch_model(RUNS, cluster=5),  # type: ignore[arg-type]
    lambda: petersen("a", 5, 2),  # type: ignore[arg-type]
    lambda: density(petersen(50, 50, 10), length_km="a"),  # type: ignore[arg-type]
    lambda: creel_total("a", 1, units="h", what="hours"),  # type: ignore[arg-type]
    lambda: wilson_interval(["a"], [3]),  # type: ignore[list-item]
]
TIMES: list[Call] = [
    lambda: fit_recapture_growth(MARK, AGAIN, pd.Series(DAYS)),
    lambda: fit_recapture_growth(MARK, AGAIN, pd.Series(DAYS).astype(object)),
    lambda: fit_von_bertalanffy(pd.Series(DAYS), MARK),
    lambda: mean_catch_rate([5, 6, 7, 8], DAYS),
    lambda: mean_catch_rate([5, 6, 7, 8], list(DAYS)),
    lambda: mean_catch_rate([5, 6, 7, 8], np.array(DAYS)),
    lambda: mean_catch_rate([5, 6, 7, 8], pd.Series(pd.date_range("2020", periods=4, tz="UTC"))),
    lambda: mean_catch_rate([5], [np.timedelta64(30, "m")]),
    lambda: mean_catch_rate([5], [datetime.date(2020, 1, 1)]),
    lambda: mean_catch_rate([5], pd.period_range("2020", periods=1, freq="M")),
    lambda: power_multiplier(np.timedelta64(3, "s")),
]
ABSURD: list[Call] = [
    lambda: removal([1e300, 1e299], method="whole"),
    lambda: removal([1e17, 5e16]),
    lambda: mean_catch_rate([5, 6], [1e300, 1]),
    lambda: mean_catch_rate([5, 6], [1e-300, 1]),
    lambda: fit_length_weight(LENGTHS, [1e300, *LENGTHS[1:]]),
    lambda: petersen(10**301, 10**301, 1),
    lambda: petersen(10**9, 10**9, 1),
    lambda: petersen(10**12, 10**12, 1),
    lambda: petersen(10**5000, 10**5000, 1),
    lambda: rates(fishing=1e300, natural=0.3),
    lambda: age_length_key([100, 200], [1, 2], bin_mm=1e-9),
    lambda: fit_von_bertalanffy([1e200, *AGES[1:]], LENGTHS),
    lambda: wilson_interval([1], [1e300]),
]


def refused(call: Call) -> str:
    with pytest.raises(InputError) as caught:
        call()
    said = str(caught.value)
    assert "must" in said and "\n" not in said and "  " not in said
    return said


@pytest.mark.parametrize("call", WRONG_KINDS)
def test_text_and_nothing_are_refused(call: Call) -> None:
    refused(call)


@pytest.mark.parametrize("call", TIMES)
def test_dates_and_durations_are_no_numbers(call: Call) -> None:
    assert "not times or durations" in refused(call) or "must be a finite number" in refused(call)


@pytest.mark.parametrize("call", ABSURD)
def test_absurd_sizes_are_refused(call: Call) -> None:
    refused(call)


def test_an_infinite_covariate_is_refused() -> None:
    assert refused(lambda: fit_catch_model(RUNS, terms="x")) == "x must hold finite numbers; got inf"


def test_a_column_of_text_is_named_as_a_list_is() -> None:
    texts = [0, "a", 1, "b"]
    assert refused(lambda: numbers("catch", pd.Series(texts))) == refused(lambda: numbers("catch", texts))
    assert refused(lambda: numbers("catch", pd.Series(["a\nb"]))).endswith("got ['a\\nb']")
    refused(lambda: numbers("catch", np.array([["a"] * 3] * 9)))


def test_bounds_of_numbers() -> None:
    assert numbers("x", [1e15, -1e15, 0.0]).tolist() == [1e15, -1e15, 0.0]
    assert "at most 1e+15" in refused(lambda: numbers("x", [1.1e15]))
    assert "1e-15 or more" in refused(lambda: numbers("x", [1e-16], above=0))
    assert numbers("x", [1e-16])[0] == 1e-16


def test_one_number() -> None:
    for given in (3, 3.0, np.int64(3), np.float32(3), np.array(3)):
        assert number("x", given) == 3 and type(number("x", given)) is float
    assert np.isnan(number("x", np.nan, missing=True))
    for wrong in ("3", None, [3], True, 3j, pd.NA, np.nan, np.inf, np.timedelta64(3, "D"), pd.Timedelta(3, "D"), 10**400):
        refused(lambda wrong=wrong: number("x", wrong))  # type: ignore[misc]
