"""Redear sunfish of Gordy Lake: Gerking 1953; Ricker 1975; Krebs 1999, Ecological Methodology, section 2.2 (from memory)."""

from __future__ import annotations

import numpy as np
import pytest

from fishreport.methods.abundance import schnabel, schumacher_eschmeyer

CAUGHT = [10, 27, 17, 7, 1, 5, 6, 15, 9, 18, 16, 5, 7, 19]
RECAPTURED = [0, 0, 0, 0, 0, 0, 2, 1, 5, 5, 4, 2, 2, 3]
AT_LARGE = [0, 10, 37, 54, 61, 62, 67, 71, 85, 89, 102, 112, 115, 119]


def test_sums_are_those_printed() -> None:
    c, r, m = (np.array(column) for column in (CAUGHT, RECAPTURED, AT_LARGE))
    assert ((c * m).sum(), (c * m**2).sum(), (r * m).sum(), r.sum()) == (10_740, 970_296, 2_294, 24)


def test_schnabel() -> None:
    n = schnabel(CAUGHT, RECAPTURED, at_large=AT_LARGE)
    assert n.value == pytest.approx(447.5, abs=0.05)  # printed
    assert (n.lower, n.upper) == pytest.approx((300.8, 698.4), abs=0.05)  # exact Poisson limits 15.3773 and 35.7101 of 24
    assert n.se / n.value**2 == pytest.approx(4.56143e-4, rel=1e-5)  # se of 1/N
    assert n.n == 24


def test_schnabel_in_chapmans_form() -> None:
    n = schnabel(CAUGHT, RECAPTURED, at_large=AT_LARGE, form="chapman")
    assert n.value == pytest.approx(429.6, abs=0.05)  # printed
    assert (n.lower, n.upper) == pytest.approx((292.6, 655.8), abs=0.05)


def test_schumacher_eschmeyer() -> None:
    n = schumacher_eschmeyer(CAUGHT, RECAPTURED, at_large=AT_LARGE)
    assert round(n.value) == 423  # printed
    assert (n.lower, n.upper) == pytest.approx((299.66, 718.74), abs=0.005)  # printed as about 300 and 719
    assert n.se / n.value**2 == pytest.approx(4.465280e-4, rel=1e-6)  # printed 0.0004465364, from a rounded sum


def test_losses_give_the_same_as_fish_at_large() -> None:
    # The table's fish at large are lower than the fish marked: 2 were lost by event 12, a third by event 14.
    deaths = [0] * 14
    deaths[10], deaths[12] = 2, 1
    newly_marked = [c - r for c, r in zip(CAUGHT, RECAPTURED, strict=True)]
    assert schnabel(CAUGHT, RECAPTURED, newly_marked, deaths=deaths) == schnabel(CAUGHT, RECAPTURED, at_large=AT_LARGE)
