"""A fixed, small part of the coverage table of growth; the whole of it: ``python tests/calibration/growth_table.py``.

Bounds are those that a true coverage of 95 % (or what the docstring says) breaks less than once in a thousand.
"""

from __future__ import annotations

import numpy as np
import pytest
from growth_table import AGES, LINF, SHARES, T0, K, draw_composition, draw_growth, draw_recapture_growth, run, true_length

pytestmark = pytest.mark.calibration

TRUTH = {"Linf": LINF, "K": K, "t0": T0, "length at 3": float(true_length(np.array([3.0]))[0])}


@pytest.mark.parametrize("n", [30, 100, 400])
@pytest.mark.parametrize("errors", ["constant", "proportional"])
def test_profile_intervals_of_a_growth_curve(n: int, errors: str) -> None:
    rng = np.random.default_rng(100 + n)
    for row in run(lambda r: draw_growth(r, n, errors, errors, "profile"), TRUTH, 60, rng):
        assert row["coverage %"] >= 84, row
        assert row["estimable %"] >= 98, row
        if row["estimate"] != "t0":
            assert abs(float(row["median bias %"])) < 12, row  # type: ignore[arg-type]


def test_bootstrap_holds_where_the_scatter_is_not_as_assumed() -> None:
    rng = np.random.default_rng(3)
    for row in run(lambda r: draw_growth(r, 400, "proportional", "constant", "bootstrap"), TRUTH, 60, rng):
        assert row["coverage %"] >= 84, row


def test_recaptures_with_variation_between_fish() -> None:
    rng = np.random.default_rng(4)
    truth = {"Linf": LINF, "K": K}
    for row in run(lambda r: draw_recapture_growth(r, 40, 0.08, "between fish", "profile"), truth, 25, rng):
        assert row["coverage %"] >= 76, row
        assert abs(float(row["median bias %"])) < 8, row  # type: ignore[arg-type]
    low = next(
        r for r in run(lambda r: draw_recapture_growth(r, 40, 0.08, "none", "wald"), truth, 60, rng) if r["estimate"] == "K"
    )
    assert float(low["median bias %"]) < -10  # type: ignore[arg-type]


def test_shares_of_ages_from_a_key() -> None:
    rng = np.random.default_rng(5)
    truth = {f"share of age {a}": float(SHARES[a - AGES[0]]) for a in (1, 3, 6)}
    for row in run(lambda r: draw_composition(r, 600, 5, False), truth, 60, rng):
        assert row["coverage %"] >= 82, row
