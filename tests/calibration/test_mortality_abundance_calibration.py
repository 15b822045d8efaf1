"""A small fixed part of ``mortality_abundance_table.py``: intervals hold the truth as often as their docstrings say.

Bounds: with 200 repeats a true coverage of 95 % falls below 91 % less than once in a hundred.
"""

from __future__ import annotations

from functools import partial

import numpy as np
import pytest
from mortality_abundance_table import (
    draw_cohorts,
    draw_mortality,
    draw_petersen,
    draw_removal,
    draw_schnabel,
    draw_stratified,
    measure,
)

REPEATS = 200


def coverage(draw, truth, seed: int = 7):  # type: ignore[no-untyped-def]
    return measure(draw, truth, REPEATS, np.random.default_rng(seed)).set_index("estimator")


@pytest.mark.calibration
@pytest.mark.parametrize("fish", [30, 100])
@pytest.mark.parametrize("cv", [0.0, 0.3])
def test_chapman_robson_holds_its_level(fish: int, cv: float) -> None:
    table = coverage(partial(draw_mortality, fish=fish, z=0.5, cv=cv, known_age=True), 0.5)
    assert table.loc["Chapman-Robson", "coverage"] > 0.91
    assert abs(table.loc["Chapman-Robson", "bias"]) < 0.04


@pytest.mark.calibration
def test_overdispersion_is_what_holds_the_level_under_uneven_year_classes() -> None:
    table = coverage(partial(draw_mortality, fish=400, z=0.5, cv=0.6, known_age=True), 0.5)
    assert table.loc["Chapman-Robson", "coverage"] > 0.88
    assert table.loc["Chapman-Robson, no chat", "coverage"] < 0.6


@pytest.mark.calibration
@pytest.mark.parametrize(("marked", "caught"), [(100, 100), (200, 200), (280, 290)])
def test_petersen_holds_its_level_from_5_to_40_recaptures(marked: int, caught: int) -> None:
    table = coverage(partial(draw_petersen, population=2000, marked=marked, caught=caught), 2000)
    assert table.loc["Petersen (Chapman)", "coverage"] > 0.93


@pytest.mark.calibration
def test_schnabel_holds_its_level() -> None:
    table = coverage(partial(draw_schnabel, population=1500, events=8, catch=40), 1500)
    assert table.loc["Schnabel", "coverage"] > 0.93
    assert table.loc["Schumacher-Eschmeyer", "coverage"] > 0.86


@pytest.mark.calibration
def test_strata_mend_what_size_selection_spoils() -> None:
    table = coverage(partial(draw_stratified, chances=(0.1, 0.14, 0.18, 0.25)), 1700)
    assert table.loc["stratified Petersen", "coverage"] > 0.93
    assert table.loc["stratified Petersen", "bias"] > table.loc["the same, one class", "bias"]


@pytest.mark.calibration
@pytest.mark.parametrize(("population", "p"), [(60, 0.5), (100, 0.3), (300, 0.7)])
def test_removal_holds_its_level(population: int, p: float) -> None:
    table = coverage(partial(draw_removal, population=population, p=p), {"removal, p": p, "": population})
    assert table.loc["removal, likelihood", "coverage"] > 0.89
    assert table.loc["removal, p", "coverage"] > 0.89
    assert table.loc["removal, weighted", "bias"] < table.loc["removal, likelihood", "bias"]


@pytest.mark.calibration
def test_cohorts_hold_their_level_when_year_classes_differ() -> None:
    table = coverage(partial(draw_cohorts, fish=100, z=0.6, cv=0.6, seasons=6), 0.6)
    assert table["coverage"].iloc[0] > 0.85
