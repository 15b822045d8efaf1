"""Unit conversion and number formatting, against the defined ratios and values worked by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fishreport.exceptions import UsageError
from fishreport.exhibits.units import METRIC, US, Units, format_estimate, format_number
from fishreport.methods.estimate import Estimate


def estimate(value: float, lower: float, upper: float, units: str = "fish/h", se: float = math.nan) -> Estimate:
    return Estimate(value, se, lower, upper, 0.95, units, "made", 12)


# International yard and pound agreement (1959): 1 in = 25.4 mm, 1 lb = 453.59237 g, 1 mi = 1609.344 m, exactly.
# 1 ft³ = 0.028316846592 m³; 1 acre = 0.40468564224 ha; °F = 1.8 °C + 32 (NIST Special Publication 811, appendix B; from memory).
@pytest.mark.parametrize(
    ("metric", "given", "shown"),
    [
        ("mm", 25.4, 1.0),
        ("g", 453.59237, 1.0),
        ("kg", 0.45359237, 1.0),
        ("km", 1.609344, 1.0),
        ("m", 0.3048, 1.0),
        ("ha", 0.40468564224, 1.0),
        ("m3/s", 0.028316846592, 1.0),
        ("°C", 100.0, 212.0),
        ("°C", -40.0, -40.0),
        ("m2", 0.09290304, 1.0),
        ("µS/cm", 115.0, 115.0),
    ],
)
def test_us_customary_follows_the_defined_ratios(metric: str, given: float, shown: float) -> None:
    assert US.value(given, metric) == pytest.approx(shown, rel=1e-12)
    assert METRIC.value(given, metric) == given


def test_plain_readings_in_both_systems() -> None:
    assert (METRIC.length(330), US.length(330)) == ("330 mm", "13.0 in")
    assert (METRIC.weight(350), US.weight(350)) == ("350 g", "0.77 lb")
    assert (METRIC.temperature(12.5), US.temperature(12.5)) == ("12.5 °C", "54.5 °F")
    assert (METRIC.discharge(8.5), US.discharge(8.5)) == ("8.50 m³/s", "300 cfs")
    assert (METRIC.distance(12.5), US.distance(12.5)) == ("12.5 km", "7.8 mi")
    assert (METRIC.density(450), US.density(450)) == ("450 fish/km", "724 fish/mi")
    assert (METRIC.area(12.3), US.area(12.3)) == ("12.3 ha", "30.4 acres")
    assert US.area(0.40468564224) == "1.0 acre"
    assert US.length(math.nan) == "—"


def test_labels_name_the_unit_that_the_values_are_in() -> None:
    assert (METRIC.length_label, US.length_label) == ("Total length (mm)", "Total length (in)")
    assert US.weight_label == "Weight (lb)"


def test_arrays_are_converted_at_once_and_keep_missing() -> None:
    np.testing.assert_allclose(US.length_value([254.0, np.nan, 508.0]), [10.0, np.nan, 20.0])
    np.testing.assert_allclose(US.weight_value(np.array([453.59237])), [1.0])
    np.testing.assert_allclose(US.temperature_value([0.0]), [32.0])


@pytest.mark.parametrize(
    ("units", "shown", "factor"),
    [
        ("fish/h", "fish/h", 1.0),
        ("percent", "percent", 1.0),
        ("per year", "per year", 1.0),
        ("", "", 1.0),
        ("fish/km", "fish/mi", 1.609344),
        ("fish/ha", "fish/acre", 0.40468564224),
        ("kg/ha", "lb/acre", 0.45359237**-1 * 0.40468564224),
        ("mm/year", "in/year", 1 / 25.4),
        ("mm per year", "in per year", 1 / 25.4),
        ("g per recruit", "lb per recruit", 1 / 453.59237),
        ("m³/s", "cfs", 1 / 0.028316846592),
        ("percent per year", "percent per year", 1.0),
        ("log10 g", "log10 g", 1.0),
    ],
)
def test_units_strings_of_estimates(units: str, shown: str, factor: float) -> None:
    value, name = US.quantity(3.0, units)
    assert name == shown == US.units(units)
    assert value == pytest.approx(3.0 * factor, rel=1e-12)
    assert METRIC.quantity(3.0, units)[0] == 3.0


def test_a_difference_of_temperatures_has_no_offset() -> None:
    assert US.quantity(10.0, "°C") == (50.0, "°F")
    assert US.quantity(10.0, "°C", difference=True) == (18.0, "°F")


def test_published_inches_are_given_not_converted() -> None:
    # Willis, Murphy & Guy 1993: the established mm and inch lengths are both used as published; 130 mm is 5 in, not 5.1.
    mm, inches = {"stock": 130.0, "quality": 230.0}, {"stock": 5.0, "quality": 9.0}
    assert METRIC.class_length("stock", mm, inches) == "130 mm"
    assert US.class_length("stock", mm, inches) == "5 in"
    assert US.class_length("trophy", mm, inches) == "—"


@pytest.mark.parametrize(
    ("given", "text", "interval"),
    [
        (estimate(61.23, 51.94, 71.71), "61.2 fish/h (51.9 to 71.7)", "51.9 to 71.7"),
        (estimate(447.5, 300.8, 698.4, "fish"), "450 fish (300 to 700)", "300 to 700"),
        (estimate(0.29625, 0.2336, 0.3589, "per year"), "0.296 per year (0.234 to 0.359)", "0.234 to 0.359"),
        (estimate(50, 40.2, 59.8, "percent"), "50.0% (40.2 to 59.8)", "40.2 to 59.8"),
        (estimate(-3.24, -7.9, 1.6, "percent per year"), "−3.2 percent per year (−7.9 to 1.6)", "−7.9 to 1.6"),
        (estimate(12.0, 5.0, math.inf, "fish"), "12 fish (5 or more)", "5 or more"),
        (estimate(12.0, 5.0, math.nan, "fish"), "12 fish (5 or more)", "5 or more"),
        (estimate(12.0, math.nan, 30.0, "fish"), "12 fish (30 or less)", "30 or less"),
        (estimate(12345.0, 11000.0, 14000.0, "fish"), "12,300 fish (11,000 to 14,000)", "11,000 to 14,000"),
        (estimate(2.5, math.nan, math.nan, ""), "2.50", "—"),
        (estimate(2.5, math.nan, math.nan, "", se=0.2), "2.50", "—"),
        (estimate(0.41, 0.22, 0.8, "fish/km"), "0.4 fish/km (0.2 to 0.8)", "0.2 to 0.8"),
        (estimate(88.98, 88.40, 89.56, ""), "89.0 (88.4 to 89.6)", "88.4 to 89.6"),
        (estimate(100.3, 99.1, 101.5, ""), "100.3 (99.1 to 101.5)", "99.1 to 101.5"),
        (estimate(1.782, 1.754, 2.450, "fish/ha"), "1.78 fish/ha (1.75 to 2.45)", "1.75 to 2.45"),
        (estimate(1234.0, 1231.7, 1236.3, "g"), "1,234 g (1,232 to 1,236)", "1,232 to 1,236"),
        (estimate(12.3, 12.0, 250.0, ""), "12 (12 to 250)", "12 to 250"),
        (estimate(0.46, 0.03, 2.09), "0.46 fish/h (0.03 to 2.09)", "0.03 to 2.09"),
        (estimate(2.3, 0.04, 4.6, ""), "2.30 (0.04 to 4.60)", "0.04 to 4.60"),
        (estimate(287.6, 278.6, 296.5, "mm"), "288 mm (279 to 297)", "279 to 297"),
        (estimate(0.7, 0.004, 1931.2), "0.7 fish/h (0.0 to 1,931)", "0.0 to 1,931"),
        (estimate(0.68, 0.01, 69.61, ""), "0.68 (0.01 to 69.6)", "0.01 to 69.6"),
        (estimate(2.0, math.nan, math.nan, ""), "2", "—"),
        (estimate(0.0003, -5.2, 5.2, "mm"), "0.0 mm (−5.2 to 5.2)", "−5.2 to 5.2"),
    ],
)
def test_digits_follow_the_uncertainty(given: Estimate, text: str, interval: str) -> None:
    shown = format_estimate(given, METRIC)
    assert (shown.text, shown.interval) == (text, interval)


def test_estimates_are_shown_in_us_customary_units() -> None:
    assert format_estimate(estimate(330, 320, 340, "mm"), US).text == "12.99 in (12.60 to 13.39)"
    assert format_estimate(estimate(450, 380, 520, "fish/km"), US).text == "720 fish/mi (610 to 840)"
    assert format_estimate(estimate(12, 11, 13, "°C"), US).text == "53.6 °F (51.8 to 55.4)"


def test_not_estimable_reads_as_such() -> None:
    shown = format_estimate(Estimate.not_estimable("4 aged fish, 10 needed", units="mm"), US)
    assert (shown.value, shown.interval, shown.unit, shown.text) == ("not estimable", "—", "in", "not estimable")


def test_numbers() -> None:
    assert format_number(-0.0001, decimals=1) == "0.0"
    assert format_number(-2.25, decimals=1) == "−2.3"
    assert format_number(1234567) == "1,234,567"
    assert format_number(math.nan) == "—"
    assert format_number(0) == "0"


def test_unknown_names_are_refused() -> None:
    with pytest.raises(UsageError, match="'metric' or 'us'"):
        Units("imperial")  # type: ignore[arg-type]
    with pytest.raises(UsageError, match="furlong"):
        US.value(1.0, "furlong")


@given(st.floats(1e-6, 1e8), st.floats(0.001, 0.9), st.floats(0.001, 5.0), st.sampled_from(["fish/h", "mm", "g", "", "per year"]))
def test_limits_stay_ordered_and_a_value_told_from_zero_is_never_shown_as_zero(
    value: float, below: float, above: float, units: str
) -> None:
    for system in (METRIC, US):
        shown = format_estimate(estimate(value, value * (1 - below), value * (1 + above), units), system)
        middle, low, high = (float(text.replace(",", "")) for text in (shown.value, shown.lower, shown.upper))
        assert low <= middle <= high
        if value > 1e-5:
            assert middle > 0
