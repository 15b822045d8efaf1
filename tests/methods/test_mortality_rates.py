"""All death rates from any admissible pair; impossible and empty pairs refused."""

from __future__ import annotations

import math
from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

from fishreport.exceptions import InputError
from fishreport.methods.estimate import Estimate
from fishreport.methods.mortality import MortalityRates, admissible_pairs, fishing_mortality, rates, rates_by_draw

NAMES = MortalityRates.__slots__
rate = st.floats(0.01, 3.0)


@settings(max_examples=60, deadline=None)
@given(fishing=rate, natural=rate)
def test_every_admissible_pair_returns_all_rates(fishing: float, natural: float) -> None:
    truth = rates(fishing=fishing, natural=natural)
    for pair in admissible_pairs():
        found = rates(**{name: getattr(truth, name) for name in pair})
        for name in NAMES:
            assert getattr(found, name) == pytest.approx(getattr(truth, name), rel=1e-7, abs=1e-9), pair


def test_pairs_are_admissible_or_refused_as_two_forms_of_one_rate() -> None:
    truth = rates(fishing=0.4, natural=0.3)
    assert len(admissible_pairs()) == 31
    for pair in set(combinations(NAMES, 2)) - {tuple(sorted(p, key=NAMES.index)) for p in admissible_pairs()}:
        with pytest.raises(InputError, match="two forms of the same rate"):
            rates(**{name: getattr(truth, name) for name in pair})


def test_shares_agree_with_integration_over_the_year() -> None:
    r = rates(fishing=0.8, natural=0.35)
    assert r.exploitation == pytest.approx(quad(lambda t: 0.8 * math.exp(-1.15 * t), 0, 1)[0], rel=1e-10)
    assert r.natural_deaths == pytest.approx(quad(lambda t: 0.35 * math.exp(-1.15 * t), 0, 1)[0], rel=1e-10)
    cf, cm = r.conditional_fishing, r.conditional_natural
    assert r.annual_mortality == pytest.approx(cf + cm - cf * cm, rel=1e-12)


@pytest.mark.parametrize(
    "pair", [{"fishing": 0.0, "natural": 0.5}, {"fishing": 0.5, "natural": 0.0}, {"total": 0.0, "fishing": 0.0}]
)
def test_a_cause_may_be_absent(pair: dict[str, float]) -> None:
    r = rates(**pair)
    assert r.total == r.fishing + r.natural
    assert r.exploitation + r.natural_deaths == pytest.approx(r.annual_mortality)


@pytest.mark.parametrize(
    ("pair", "said"),
    [
        ({"total": 0.5, "fishing": 0.6}, "cannot exceed total"),
        ({"survival": 0.6, "natural": 0.6}, "cannot exceed total"),
        ({"total": 0.5, "exploitation": 0.5}, "cannot exceed annual mortality"),
        ({"fishing": 0.5, "exploitation": 0.45}, "at most 1 − exp"),
        ({"exploitation": 0.6, "natural_deaths": 0.4}, "add up to less than 1"),
        ({"fishing": 0.0, "exploitation": 0.0}, "leaves the other cause open"),
        ({"total": -0.1, "fishing": 0.0}, "0 or more"),
        ({"survival": 0.0, "fishing": 0.2}, "above 0"),
        ({"exploitation": 1.0, "natural": 0.2}, "below 1"),
        ({"total": 0.5}, "exactly two"),
        ({"total": 0.5, "fishing": 0.2, "natural": 0.3}, "exactly two"),
        ({"total": math.nan, "fishing": 0.2}, "total must be a finite number"),
    ],
)
def test_impossible_pairs_are_refused_with_the_reason(pair: dict[str, float], said: str) -> None:
    with pytest.raises(InputError, match=said):
        rates(**pair)


def test_fishing_mortality_carries_both_errors() -> None:
    total = Estimate(0.9, 0.12, 0.66, 1.14, 0.95, "1/year", "", 80)
    natural = Estimate(0.5, 0.16, 0.2, 0.8, 0.95, "1/year", "", 1)
    f = fishing_mortality(total, natural)
    assert (f.value, f.se) == pytest.approx((0.4, 0.2))
    assert f.lower == pytest.approx(0.4 - 1.959964 * 0.2, abs=1e-6)
    assert not fishing_mortality(natural, total).estimable
    assert "at most" in fishing_mortality(natural, total).notes[0]
    assert not fishing_mortality(Estimate.not_estimable("too few"), natural).estimable


def test_frame_lists_symbols() -> None:
    frame = rates(fishing=0.4, natural=0.3).frame().set_index("symbol")["value"]
    assert frame["Z"] == pytest.approx(0.7)
    assert frame["u"] == pytest.approx(0.287666, abs=5e-7)


def test_every_draw_keeps_every_identity(rng: np.random.Generator) -> None:
    f, m = rng.gamma(2, 0.1, 500), rng.gamma(3, 0.2, 500)
    table = rates_by_draw(f, m)
    for row, one in zip(table.to_dict("records"), map(lambda a, b: rates(fishing=a, natural=b), f, m), strict=True):
        assert list(row.values()) == pytest.approx(one.frame()["value"].tolist(), rel=1e-12)
    assert (table["Z"] == table["F"] + table["M"]).all()
    assert table["S"].to_numpy() == pytest.approx(np.exp(-table["Z"]))
    assert (table["u"] + table["v"]).to_numpy() == pytest.approx(table["A"])
    assert (table["A"] + table["S"]).to_numpy() == pytest.approx(1.0)


def test_draws_without_deaths_and_draws_that_cannot_be() -> None:
    assert rates_by_draw([0.0], [0.0]).iloc[0].tolist() == [0, 0, 0, 0, 1, 0, 0, 0, 0]
    with pytest.raises(InputError, match="natural must be 0 or more"):
        rates_by_draw([0.1], [-0.1])
    with pytest.raises(InputError, match="2"):
        rates_by_draw([0.1, 0.2], [0.3])
