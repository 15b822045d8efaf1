"""Power transfer (Kolz 1989; Kolz & Reynolds 1989; Miranda & Dolan 2003): equations from memory, table worked out from them.

The model's range of 12 to 1,030 µS/cm and the fish conductivity of 115 µS/cm were read in the abstract of Miranda & Dolan 2003.
The table below was computed apart from this code, to four decimals; it is not quoted from the papers.
"""

from __future__ import annotations

import numpy as np
import pytest

from fishreport.methods.electrofishing import ambient_from_specific, current_multiplier, power_multiplier, voltage_multiplier

# water, multiplier (115), voltage ratio, current ratio, multiplier (60), multiplier (150)
TABLE = np.array(
    [
        [20, 1.9810, 3.3750, 0.5870, 1.3333, 2.4083],
        [50, 1.1837, 1.6500, 0.7174, 1.0083, 1.3333],
        [75, 1.0464, 1.2667, 0.8261, 1.0125, 1.1250],
        [100, 1.0049, 1.0750, 0.9348, 1.0667, 1.0417],
        [115, 1.0000, 1.0000, 1.0000, 1.1096, 1.0178],
        [150, 1.0178, 0.8833, 1.1522, 1.2250, 1.0000],
        [200, 1.0785, 0.7875, 1.3696, 1.4083, 1.0208],
        [300, 1.2480, 0.6917, 1.8043, 1.8000, 1.1250],
        [400, 1.4414, 0.6438, 2.2391, 2.2042, 1.2604],
        [500, 1.6445, 0.6150, 2.6739, 2.6133, 1.4083],
        [750, 2.1688, 0.5767, 3.7609, 3.6450, 1.8000],
        [1000, 2.7027, 0.5575, 4.8478, 4.6817, 2.2042],
    ]
)


def test_table_to_the_digits() -> None:
    water = TABLE[:, 0]
    found = np.column_stack(
        [
            water,
            power_multiplier(water),
            voltage_multiplier(water),
            current_multiplier(water),
            power_multiplier(water, 60.0),
            power_multiplier(water, 150.0),
        ]
    )
    np.testing.assert_allclose(found, TABLE, atol=5.1e-5)


def test_voltage_governs_dilute_water_and_current_conductive_water() -> None:
    # electrofishing.net, 2016 (seen): success depends on voltage in water of low conductivity, on current in moderate to high.
    assert voltage_multiplier(20) > 3 > current_multiplier(20)
    assert current_multiplier(1000) > 3 > voltage_multiplier(1000)


@pytest.mark.parametrize(("degrees", "ambient"), [(10, 222.904), (8, 214.249), (25, 300.0)])
def test_ambient_conductivity(degrees: float, ambient: float) -> None:
    # Ca = Cs/1.02^(25 − T), from memory; values worked out apart from this code.
    assert ambient_from_specific(300.0, degrees) == pytest.approx(ambient, abs=5e-4)
