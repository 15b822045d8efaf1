"""Back-calculated lengths, by hand, and the regressions behind them."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from statsmodels.formula.api import ols

from fishreport.exceptions import InputError
from fishreport.methods.ageing import back_calculate, fit_radius_regression

RADII = [0.62, 1.20, 1.75, 2.15]


def test_fraser_lee_and_dahl_lea_by_hand() -> None:
    """Constructed check: Lc 312 mm, Sc 2.40; 30 + 282 S / 2.40, and 312 S / 2.40."""
    assert back_calculate(312, 2.40, RADII, intercept=30) == pytest.approx([102.85, 171.00, 235.625, 282.625])
    assert back_calculate(312, 2.40, RADII, intercept=0) == pytest.approx([80.6, 156.0, 227.5, 279.5])


@pytest.mark.parametrize("form", ["fraser-lee", "body-proportional", "scale-proportional"])
def test_radius_at_the_edge_gives_the_length_at_capture(form: str) -> None:
    length, radius = np.array([312.0, 250.0]), np.array([2.4, 2.1])
    found = back_calculate(length, radius, radius, intercept=0.1, slope=0.01, method=form)
    assert found == pytest.approx(length)


def test_proportional_forms_by_hand() -> None:
    body = back_calculate(312, 2.4, [1.2], intercept=20, slope=110, method="body-proportional")
    assert body[0] == pytest.approx(312 * (20 + 110 * 1.2) / (20 + 110 * 2.4))
    scale = back_calculate(312, 2.4, [1.2], intercept=-0.2, slope=0.008, method="scale-proportional")
    assert scale[0] == pytest.approx(0.5 * (312 - 25) + 25)
    assert back_calculate(312, 2.4, [1.2], intercept=0, slope=1, method="body-proportional") == pytest.approx([156])


def test_every_shape_of_radii() -> None:
    table = back_calculate([312, 200], [2.4, 1.5], [RADII, [0.5]], intercept=30)
    assert table.shape == (2, 4)
    assert table[1, 0] == pytest.approx(30 + 170 / 3) and np.isnan(table[1, 1:]).all()
    padded = np.array([RADII, [0.5, np.nan, np.nan, np.nan]])
    assert back_calculate([312, 200], [2.4, 1.5], padded, intercept=30) == pytest.approx(table, nan_ok=True)
    series = pd.Series([RADII, [0.5]], index=[7, 9])
    lengths = pd.Series([312.0, 200.0], index=[7, 9])
    assert back_calculate(lengths, pd.Series([2.4, 1.5]), series, intercept=30) == pytest.approx(table, nan_ok=True)
    assert back_calculate([312], [2.4], [RADII], intercept=30).shape == (1, 4)
    assert back_calculate([312], [2.4], RADII, intercept=30).shape == (4,)
    assert back_calculate([312, 200], [2.4, 1.5], [0.62, 0.5], intercept=30) == pytest.approx(table[:, 0])
    assert back_calculate(312, 2.4, [0.62, 0.58, 0.55, 0.40], intercept=30, cumulative=False) == pytest.approx(table[0])
    assert np.isnan(back_calculate([np.nan, 200], [2.4, 1.5], [[1.0], [0.5]], intercept=30)[0]).all()


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: back_calculate(312, 2.4, [1.2, 0.6], intercept=0), "rising from the first"),
        (lambda: back_calculate(312, 2.4, [2.5], intercept=0), "beyond the edge"),
        (lambda: back_calculate(312, 2.4, [-1], intercept=0), "0 or more"),
        (lambda: back_calculate(0, 2.4, [1], intercept=0), "length_mm must be above 0"),
        (lambda: back_calculate(312, 0, [1], intercept=0), "radius must be above 0"),
        (lambda: back_calculate([312, 200], [2.4], [[1], [1]], intercept=0), "equal length"),
        (lambda: back_calculate([312, 200], [2.4, 1.5], [[1]], intercept=0), "every fish|row of radii"),
        (lambda: back_calculate([312, 200], [2.4, 1.5], [1, 1, 1], intercept=0), "every fish"),
        (lambda: back_calculate(312, 2.4, [1], intercept=400), "below every length"),
        (lambda: back_calculate(312, 2.4, [1], intercept=0, method="other"), "method must be"),
        (lambda: back_calculate(312, 2.4, [1], intercept=0, method="body-proportional"), "needs the slope"),
        (lambda: back_calculate(312, 2.4, [1], intercept=float("nan")), "intercept must be a finite number"),
        (lambda: back_calculate(312, 0.1, [0.1], intercept=-50, slope=100, method="body-proportional"), "length of 0 or less"),
        (lambda: fit_radius_regression([1, 2], [1, 2], response="age"), "response must be"),
    ],
)
def test_impossible_input_is_refused(call, words: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(InputError, match=words):
        call()


@pytest.mark.parametrize("response", ["length", "radius"])
def test_regression_agrees_with_ols(rng: np.random.Generator, response: str) -> None:
    length = rng.uniform(120, 450, 40)
    frame = pd.DataFrame({"length": length, "radius": 0.008 * length - 0.1 + rng.normal(0, 0.15, 40)})
    found = fit_radius_regression(frame["length"], frame["radius"], response=response)
    other = "radius" if response == "length" else "length"
    fitted = ols(f"{response} ~ {other}", frame).fit()
    both = (found.intercept, found.slope)
    assert [e.value for e in both] == pytest.approx(fitted.params.to_numpy())
    assert [e.se for e in both] == pytest.approx(fitted.bse.to_numpy())
    assert [[e.lower, e.upper] for e in both] == pytest.approx(fitted.conf_int().to_numpy())
    assert found.r_squared == pytest.approx(fitted.rsquared)


def test_too_few_fish_for_a_regression() -> None:
    few = fit_radius_regression([100, 200, np.nan], [1, 2, 3])
    assert not few.slope.estimable and "2 fish with a radius, 5 needed" in few.slope.notes[0]
    assert not fit_radius_regression([100, 110, 120, 130, 140], [2.0] * 5).slope.estimable
