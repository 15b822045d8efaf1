"""Power transfer: closed forms, settings for a water, and impossible input."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fishreport.exceptions import InputError
from fishreport.methods.cautions import PULSE_CAUTIONS, SAFETY_CAUTIONS
from fishreport.methods.electrofishing import (
    ambient_from_specific,
    current_multiplier,
    power_multiplier,
    power_table,
    voltage_multiplier,
)

conductivity = st.floats(5, 5000)


@given(conductivity, st.floats(30, 300))
def test_power_is_voltage_times_current_and_least_in_matched_water(water: float, fish: float) -> None:
    assert power_multiplier(water, fish) == pytest.approx(voltage_multiplier(water, fish) * current_multiplier(water, fish))
    assert power_multiplier(water, fish) >= 1 - 1e-12
    assert power_multiplier(fish, fish) == pytest.approx(1)
    assert power_multiplier(water, fish) == pytest.approx(power_multiplier(fish, water)), "mismatch is symmetric"


@given(conductivity, conductivity)
def test_table_keeps_the_power_in_the_fish(reference: float, water: float) -> None:
    table = power_table([water], reference_us_cm=reference, reference_voltage_v=300, reference_current_a=4)
    transferred = table.power_w / table.multiplier
    assert transferred[0] == pytest.approx(1200 / power_multiplier(reference), rel=1e-9)
    # Ohm's law with resistance proportional to 1/conductivity.
    assert table.voltage_v[0] / table.current_a[0] == pytest.approx(300 / 4 * reference / water, rel=1e-9)


def test_table_returns_the_reference_settings() -> None:
    table = power_table([80, 220], reference_us_cm=220, reference_voltage_v=340, reference_current_a=9)
    assert (table.voltage_v[1], table.current_a[1]) == pytest.approx((340, 9))
    assert table.voltage_v[0] > 340 and table.current_a[0] < 9


def test_missing_stays_missing_and_shape_is_kept() -> None:
    assert isinstance(power_multiplier(100), float)
    found = power_multiplier([100.0, math.nan])
    assert found.shape == (2,) and math.isnan(found[1])
    assert ambient_from_specific(np.array([[300.0]]), 25.0).shape == (1, 1)


def test_impossible_input() -> None:
    for call in (power_multiplier, voltage_multiplier, current_multiplier):
        with pytest.raises(InputError, match="water conductivity must be above 0"):
            call(0)
        with pytest.raises(InputError, match="fish conductivity must be above 0"):
            call(100, -1)
    with pytest.raises(InputError, match="specific conductance must be above 0"):
        ambient_from_specific(-5, 10)
    with pytest.raises(InputError, match="between −2 and 45"):
        ambient_from_specific(100, 70)
    with pytest.raises(InputError, match="reference_voltage_v must be above 0"):
        power_table([100], reference_us_cm=100, reference_voltage_v=0, reference_current_a=1)


def test_cautions_name_their_source_and_defer() -> None:
    for caution in (*PULSE_CAUTIONS, *SAFETY_CAUTIONS):
        assert caution.text.endswith(".") and caution.source
        assert caution.status in ("seen", "seen as quoted", "common practice")
    said = " ".join(caution.text for caution in SAFETY_CAUTIONS)
    for word in ("Local rules", "licensed", "Never work alone", "At night", "withdrawal time"):
        assert word in said
