"""Fish in are fish out and fish alive, every step and every draw, over random regulations."""

from __future__ import annotations

from typing import Any

import numpy as np
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st
from waters import uncertain_trout

from fishreport.exceptions import InputError
from fishreport.population.angling import Angling
from fishreport.population.dynamics import project
from fishreport.population.projection import LEDGER
from fishreport.population.regulation import Regulation, Stocking

LENGTH = st.floats(80, 700)
SHARE = st.floats(0, 1)


@st.composite
def regulations(draw: st.DrawFn) -> Regulation:
    parts: dict[str, Any] = {
        "closed_months": tuple(draw(st.sets(st.integers(1, 12), max_size=6))),
        "gear": draw(st.sampled_from(["any", "flies and lures", "barbless flies and lures", "bait"])),
        "release_mortality": draw(st.none() | SHARE),
        "effort_change": draw(st.floats(-1, 3)),
        "stocking": draw(
            st.none()
            | st.builds(
                Stocking,
                number_per_year=st.floats(0, 5000),
                mean_length_mm=st.floats(60, 600),
                every_years=st.integers(1, 4),
                month=st.integers(1, 12),
                natural_mortality_factor=st.floats(0.5, 4),
            )
        ),
    }
    if draw(st.booleans()):
        parts["release_only"] = True
    else:
        parts["bag_limit"] = draw(st.none() | st.integers(0, 12))
        for name in draw(st.sets(st.sampled_from(["minimum_length_mm", "maximum_length_mm"]))):
            parts[name] = draw(LENGTH)
        for name in draw(st.sets(st.sampled_from(["protected_slot_mm", "harvest_slot_mm"]))):
            parts[name] = tuple(sorted((draw(LENGTH), draw(LENGTH))))
        if "protected_slot_mm" in parts:
            parts["bag_over_slot"] = draw(st.none() | st.integers(1, 3))
    try:
        return Regulation(**parts)
    except InputError:
        assume(False)
        raise


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.filter_too_much, HealthCheck.too_slow])
@given(
    rules=st.lists(regulations(), min_size=1, max_size=3),
    shares=st.tuples(SHARE, SHARE, SHARE),
    recruitment=st.sampled_from(["beverton-holt", "ricker", "density independent"]),
    step=st.sampled_from(["year", "month"]),
    seed=st.integers(0, 2**32 - 1),
)
def test_the_books_balance(
    rules: list[Regulation], shares: tuple[float, float, float], recruitment: str, step: str, seed: int
) -> None:
    rng = np.random.default_rng(seed)
    life = uncertain_trout(rng, 3, recruitment=recruitment, recruitment_sd=0.7)
    release, noncompliance, voluntary = shares
    people = Angling(
        release_mortality=release,
        noncompliance=noncompliance,
        voluntary_release=min(voluntary, 0.95),
        water_temperature_c=[4.0, 5, 7, 10, 14, 18, 23, 22, 17, 12, 8, 5],
    )
    found = project(life, rules, years=6, rng=rng, angling=people, today=Regulation(), ledger=step, groups=4, workers=1)
    assert found.ledger is not None
    books = dict(zip(LEDGER, np.moveaxis(found.ledger, -1, 0), strict=True))
    assert books["start"].shape == (len(rules), 3, 6 * (12 if step == "month" else 1))
    came = books["start"] + books["recruits"] + books["stocked"]
    went = books["natural_deaths"] + books["harvest"] + books["release_deaths"] + books["old_age"] + books["end"]
    assert np.abs(came - went).max() <= 1e-10 * came.max()
    assert np.array_equal(books["start"][..., 1:], books["end"][..., :-1])
    assert all((column >= 0).all() for column in books.values())
    if step == "year":
        assert np.allclose(books["harvest"], found.get("harvest_number"))
    else:
        assert np.allclose(books["harvest"].reshape(len(rules), 3, 6, 12).sum(axis=-1), found.get("harvest_number"))
