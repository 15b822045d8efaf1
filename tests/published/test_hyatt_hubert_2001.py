"""Hyatt and Hubert 2001, Journal of Freshwater Ecology: brown trout in lentic waters (seen)."""

from __future__ import annotations

import pytest

from fishreport.species import load_standards


def test_equation_limits_and_categories_as_printed() -> None:
    standard = load_standards().find("brown trout (lentic)")
    assert (standard.intercept, standard.slope) == (-5.422, 3.194)
    assert standard.english_intercept == pytest.approx(-3.592, abs=5e-4)  # printed English equation
    assert (standard.minimum_length_mm, standard.maximum_length_mm) == (140, 750)
    assert list(standard.categories.values()) == [200, 300, 400, 500, 600]
    assert list(standard.categories_in.values()) == [8, 12, 16, 20, 24]
