"""A result read back from ``results.json`` is what was written, open intervals too (JSON has no infinity)."""

from __future__ import annotations

import json
import math

import pytest

from fishreport.analysis.result import Result
from fishreport.exhibits.units import format_estimate
from fishreport.methods.estimate import Estimate
from fishreport.report.chapter import result_from_record


@pytest.mark.parametrize(
    ("lower", "upper", "shown"),
    [(3.3, math.inf, "3.3 or more"), (-math.inf, 6.0, "6.0 or less"), (3.3, 6.0, "3.3 to 6.0"), (math.nan, math.nan, "—")],
)
def test_there_and_back(lower: float, upper: float, shown: str) -> None:
    result = Result(
        "age_at_length", Estimate(4.8, math.nan, lower, upper, 0.95, "years", "made up", 9), 2025, "brown_trout", "all"
    )
    written = json.loads(json.dumps(result.record(), allow_nan=False))
    again = result_from_record(written).estimate
    assert (again.lower, again.upper) == pytest.approx((lower, upper), nan_ok=True)
    assert format_estimate(again).interval == format_estimate(result.estimate).interval == shown
