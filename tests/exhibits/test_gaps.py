"""Lines break where a season has no estimate; intervals are not cut off by the drawing."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure as Drawing

from fishreport.analysis.growth import growth
from fishreport.analysis.result import Result
from fishreport.exhibits import age_reading
from fishreport.exhibits import growth as growth_exhibits
from fishreport.exhibits.context import Context
from fishreport.exhibits.history import history_figure
from fishreport.exhibits.style import interval_points, looks
from fishreport.methods.estimate import Estimate
from fishreport.study import read_study


def test_a_line_breaks_at_a_value_that_is_missing() -> None:
    ax = Drawing().subplots()
    interval_points(ax, [1, 2, 3, 4], [5, np.nan, 6, 7], [4, 1, 5, np.nan], [6, 9, 7, np.nan], looks(["a"])["a"])
    (line,) = ax.lines
    assert np.isnan(line.get_ydata()).tolist() == [False, True, False, False]
    assert len(ax.collections[0].get_segments()) == 2  # neither for the value nor for the limits that are missing


def _season(year: int, value: float | None) -> Result:
    estimate = (
        Estimate.not_estimable("3 fish", units="per year")
        if value is None
        else Estimate(value, 0.1, value - 0.2, value + 0.2, 0.95, "per year", "made up", 20)
    )
    return Result("total_mortality", estimate, year, "brown_trout", "all")


@pytest.mark.parametrize(
    ("values", "said"), [((0.5, None, 0.6), True), ((None, 0.5, 0.6), False), ((0.5, 0.6, None), False), ((0.5, 0.6, 0.7), False)]
)
def test_the_caption_tells_of_a_break(demo_context: Context, values: tuple[float | None, ...], said: bool) -> None:
    results = [_season(2020 + i, value) for i, value in enumerate(values)]
    figure = history_figure("h", "Mortality by season.", results, demo_context, noun="Z", series={"all": "All fish"})
    assert figure is not None
    assert ("Where a line breaks" in figure.caption) is said


@pytest.mark.parametrize(("upper", "top", "expected"), [(5.0, 8.0, 8.0), (9.0, 8.0, 9.5), (99.0, 8.0, 16.0), (np.nan, 8.0, 8.0)])
def test_the_axis_of_ages_holds_the_intervals(upper: float, top: float, expected: float) -> None:
    assert age_reading._highest(upper, top) == expected


@pytest.fixture(scope="module")
def grown(repository, demo_survey, demo_context):
    study = read_study(repository / "demo_inputs", overrides={"parameters.resamples": 100})
    return growth(study, demo_survey, demo_context.classes, np.random.default_rng(4))


def _with_bias(grown, upper: float):
    one = grown.species["brown_trout"]
    columns = {"age": [1, 2, 3], "n": [9, 2, 9], "mean": [1.0, 2.5, 3.0], "lower": [0.8, -3.0, 2.7], "upper": [1.2, upper, 3.3]}
    bias = pd.DataFrame(columns).assign(sd=0.5, se=0.2, p_value=0.5)
    agreement = dataclasses.replace(one.readers.agreement, bias=bias)
    readers = dataclasses.replace(one.readers, agreement=agreement)
    return dataclasses.replace(grown, species={**grown.species, "brown_trout": dataclasses.replace(one, readers=readers)})


@pytest.mark.parametrize(("upper", "cut"), [(7.0, False), (50.0, True)])
def test_an_interval_beyond_the_drawing_is_marked(grown, demo_context, upper: float, cut: bool) -> None:
    figure = age_reading.bias_figure(_with_bias(grown, upper), demo_context)
    assert ("arrow head" in figure.caption) is cut
    assert any(f"−3.0 to {upper:.1f}" in " ".join(row) or f"-3.0 to {upper:.1f}" in " ".join(row) for row in figure.table.rows)


def test_the_age_at_a_length_has_its_interval(grown, demo_context) -> None:
    result = grown.results.one(quantity="age_at_length", species="brown_trout", size_class="quality")
    e = result.estimate
    said = next(item for item in growth_exhibits.findings(grown, demo_context).items if result.id in item.results)
    assert f"quality length (230 mm) at {e.value:.2f} years (95% interval {e.lower:.2f} to {e.upper:.2f})" in said.text
    never = grown.results.one(quantity="age_at_length", species="rainbow_trout", size_class="preferred")
    assert not never.estimate.estimable
    assert any("never reaches preferred length" in i.text and never.id in i.results
               for i in growth_exhibits.findings(grown, demo_context).items)  # fmt: skip


@pytest.mark.parametrize(("upper", "ending"), [(6.0, "3.10 to 6.00)"), (np.inf, "3.10 or more)"), (np.nan, "(no interval)")])
def test_an_age_without_an_upper_limit(upper: float, ending: str) -> None:
    lower = np.nan if np.isnan(upper) else 3.1
    assert growth_exhibits._years(Estimate(4.0, 1.0, lower, upper, 0.95, "years", "", 9)).endswith(ending)
