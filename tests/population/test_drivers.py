"""Drivers of an outcome against scipy, statsmodels and cases worked by hand."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from scipy.stats import rankdata, spearmanr
from waters import made_up, uncertain_trout

from fishreport.exceptions import InputError
from fishreport.population.drivers import drivers
from fishreport.population.dynamics import project
from fishreport.population.regulation import Regulation


def test_rank_correlations_and_shares(rng: np.random.Generator) -> None:
    n = 400
    x, y, z = rng.normal(size=(3, n))
    z = 0.7 * x + z
    outcome = 2 * x + y**3 + 0.3 * z + rng.normal(size=n)
    found = drivers(made_up(catch=outcome[None, :, None]), "catch", inputs={"x": x, "y": y, "z": z})
    by_name = {item.name: item for item in found.drivers}
    for name, values in (("x", x), ("y", y), ("z", z)):
        assert by_name[name].rank_correlation.value == pytest.approx(spearmanr(values, outcome).statistic, abs=1e-12)
    frame = pd.DataFrame({name: rankdata(values) for name, values in (("x", x), ("y", y), ("z", z), ("o", outcome))})

    def explained(*names: str) -> float:
        return float(smf.ols("o ~ " + " + ".join(names), frame).fit().rsquared) if names else 0.0

    assert found.explained == pytest.approx(explained("x", "y", "z"), abs=1e-10)
    # The mean gain of x over the six orders of three inputs, written out.
    gain = (
        2 * explained("x")
        + (explained("y", "x") - explained("y"))
        + (explained("z", "x") - explained("z"))
        + 2 * (explained("x", "y", "z") - explained("y", "z"))
    ) / 6
    assert by_name["x"].variance_share == pytest.approx(gain, abs=1e-10)
    assert sum(item.variance_share for item in found.drivers) == pytest.approx(found.explained)
    assert found.drivers[0].name == "x"
    assert found.sentence.startswith("X drives catch most")


def test_interval_of_the_rank_correlation_holds_the_truth(rng: np.random.Generator) -> None:
    # For a normal pair with correlation r, Spearman's is 6/pi asin(r/2).
    r, n, runs = 0.5, 60, 400
    truth = 6 / math.pi * math.asin(r / 2)
    held = 0
    for _ in range(runs):
        x = rng.normal(size=n)
        y = r * x + math.sqrt(1 - r * r) * rng.normal(size=n)
        one = drivers(made_up(catch=y[None, :, None]), "catch", inputs={"x": x}).drivers[0].rank_correlation
        held += one.lower <= truth <= one.upper
    assert 0.91 <= held / runs <= 0.985


def test_natural_mortality_drives_the_unfished_size_structure(rng: np.random.Generator) -> None:
    life = uncertain_trout(rng, 150, fishing_mortality=0.0, recruitment_sd=0.1)
    found = project(life, [Regulation()], years=15, rng=rng, categories={"stock": 150.0, "quality": 300.0})
    assert "recruitment_luck" in found.inputs
    result = drivers(found, "proportional_size")
    top = {item.name for item in result.drivers[:2]}
    assert "natural_mortality" in top
    mortality = next(item for item in result.drivers if item.name == "natural_mortality")
    assert mortality.rank_correlation.upper < 0
    assert result.explained > 0.8


def test_drivers_of_a_difference(rng: np.random.Generator) -> None:
    life = uncertain_trout(rng, 150)
    found = project(life, [Regulation(), Regulation(release_only=True)], years=15, rng=rng)
    result = drivers(found, "density_all", scenario=1, against=0)
    first = {item.name for item in result.drivers[:3]}
    assert "fishing_mortality" in first
    assert "the difference in density all" in result.sentence


def test_degenerate() -> None:
    flat = drivers(made_up(catch=np.ones((1, 30, 1))), "catch", inputs={"x": np.arange(30.0)})
    assert flat.explained == 0 and not flat.drivers[0].rank_correlation.estimable
    with pytest.raises(InputError, match="at least 10 draws"):
        drivers(made_up(catch=np.ones((1, 5, 1))), "catch", inputs={"x": np.arange(5.0)})
    with pytest.raises(InputError, match="at least one input"):
        drivers(made_up(catch=np.ones((1, 30, 1))), "catch", inputs={"x": np.ones(30)})
