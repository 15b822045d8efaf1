"""Published forms of natural mortality, coefficients from memory, at greatest age 8, L∞ 500 mm, K 0.35, 10 °C, maturity at 3."""

from __future__ import annotations

import pytest

from fishreport.methods.natural_mortality import (
    hamel,
    hoenig,
    jensen,
    jensen_maturity,
    pauly,
    then_growth,
    then_k,
    then_max_age,
)


@pytest.mark.parametrize(
    ("estimate", "value"),
    [
        (hoenig(8), 0.527168),  # Hoenig 1983, fish
        (hoenig(8, taxa="all"), 0.547709),  # Hoenig 1983, all taxa
        (then_max_age(8), 0.729251),  # Then et al. 2015
        (then_max_age(8, form="reciprocal"), 0.638625),  # Then et al. 2015, one parameter
        (hamel(8), 0.675000),  # Hamel 2015
        (then_growth(500, 0.35), 0.526255),  # Then et al. 2015, L∞ in cm inside
        (then_k(0.35), 0.592200),  # Then et al. 2015
        (then_k(0.35, form="linear"), 0.640500),  # Then et al. 2015
        (pauly(500, 0.35, 10), 0.483583),  # Pauly 1980
        (jensen(0.35), 0.525),  # Jensen 1996
        (jensen(0.35, form="empirical"), 0.56),  # Jensen 1996
        (jensen_maturity(3), 0.55),  # Jensen 1996
    ],
)
def test_value(estimate, value) -> None:  # type: ignore[no-untyped-def]
    assert estimate.value == pytest.approx(value, abs=5e-7)
    assert estimate.units == "1/year"


def test_pauly_gives_the_reservoir_trout_value_at_a_plausible_temperature() -> None:
    # Cilbiz & Yalim 2017 (seen): L∞ 36.5 cm, K 0.33, M 0.69 per year; their temperature was not seen, 19.4 °C returns it.
    assert round(pauly(365, 0.33, 19.4).value, 2) == 0.69
