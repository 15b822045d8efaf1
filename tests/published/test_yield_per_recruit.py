"""Beverton-Holt yield per recruit of *Nemipterus marginatus*.

Inputs from memory of Sparre & Venema, Introduction to Tropical Fish Stock Assessment (FAO), after Pauly: K 0.37 a year, M 1.1 a
year, t0 -0.2, asymptotic weight 286 g, recruitment at 0.4 years. The printed table could not be seen; the expected values are
those inputs recomputed from the equation and by numerical integration, not quoted.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad

from fishreport.population.per_recruit import biomass_per_recruit, reference_points, yield_per_recruit

FISHING = [0.2, 0.4, 0.6, 0.8, 1.0, 1.2, 1.6, 2.0, 2.5, 3.0, 4.0, 5.0]
YIELD_1 = [3.326, 5.176, 6.258, 6.913, 7.319, 7.573, 7.829, 7.915, 7.921, 7.882, 7.770, 7.661]
BIOMASS_1 = [16.628, 12.939, 10.430, 8.642, 7.319, 6.311, 4.893, 3.957, 3.168, 2.627, 1.943, 1.532]
YIELD_2 = [2.223, 3.650, 4.621, 5.312, 5.822, 6.210, 6.753, 7.108, 7.404, 7.606, 7.856, 8.003]
STOCK = {
    "natural_mortality": 1.1,
    "growth_coefficient": 0.37,
    "age_at_zero": -0.2,
    "asymptotic_weight_g": 286.0,
    "age_at_recruitment": 0.4,
}


@pytest.mark.parametrize(("capture", "expected"), [(1.0, YIELD_1), (2.0, YIELD_2)])
def test_yield_per_recruit(capture: float, expected: list[float]) -> None:
    assert yield_per_recruit(FISHING, age_at_first_capture=capture, **STOCK) == pytest.approx(expected, abs=5.1e-4)


def test_biomass_per_recruit() -> None:
    assert biomass_per_recruit(FISHING, age_at_first_capture=1.0, **STOCK) == pytest.approx(BIOMASS_1, abs=5.1e-4)
    assert float(biomass_per_recruit(0.0, age_at_first_capture=1.0, **STOCK)) == pytest.approx(22.3845, abs=1e-3)


@pytest.mark.parametrize("capture", [1.0, 2.0])
@pytest.mark.parametrize("fishing", [0.2, 1.0, 5.0])
def test_closed_form_is_the_integral(capture: float, fishing: float) -> None:
    def caught(age: float) -> float:
        alive = np.exp(-1.1 * (age - 0.4) - fishing * (age - capture))
        return float(fishing * alive * 286 * (1 - np.exp(-0.37 * (age + 0.2))) ** 3)

    expected = quad(caught, capture, 60, epsabs=1e-12, epsrel=1e-12)[0]
    assert float(yield_per_recruit(fishing, age_at_first_capture=capture, **STOCK)) == pytest.approx(expected, rel=1e-9)


def test_reference_points() -> None:
    early = reference_points(age_at_first_capture=1.0, **STOCK)
    assert early.f_max == pytest.approx(2.27867, abs=1e-5)
    assert early.yield_at_f_max_g == pytest.approx(7.926753, abs=1e-6)
    assert early.f_01 == pytest.approx(0.854409, abs=2e-6)
    assert early.yield_at_f_01_g == pytest.approx(7.043470, abs=5e-6)
    late = reference_points(age_at_first_capture=2.0, **STOCK)
    assert late.f_max is None and late.yield_at_f_max_g is None
    assert "still rises" in late.note
    assert late.f_01 == pytest.approx(1.359438, abs=2e-6)
    assert late.yield_at_f_01_g == pytest.approx(6.456272, abs=5e-6)
