"""Life histories: growth, ogives, recruitment, draws from spreads and from fits, and what is refused."""

from __future__ import annotations

import math

import numpy as np
import pytest

from fishreport.exceptions import InputError
from fishreport.population.life_history import LifeHistory, numbers_at_age

PLAIN: dict[str, object] = {
    "asymptotic_length_mm": 500.0,
    "growth_coefficient": 0.35,
    "age_at_zero": -0.1,
    "natural_mortality": 0.4,
    "weight_intercept": -4.867,
    "weight_slope": 2.96,
    "age_at_maturity": 3,
}


def life(**changes: object) -> LifeHistory:
    return LifeHistory(**(PLAIN | changes))  # type: ignore[arg-type]


def test_mean_length_worked() -> None:
    # Asymptote 500 mm, K 0.35, t0 -0.1 at ages 1 to 4, worked by hand.
    assert life().mean_length([1, 2, 3, 4])[0] == pytest.approx([159.775, 260.247, 331.049, 380.942], abs=5e-4)


def test_ogives() -> None:
    one = life(vulnerability_length_mm=200.0, vulnerability_spread_mm=50.0, length_at_maturity_mm=300.0)
    lengths = np.array([[150.0, 200.0, 250.0, 300.0]])
    assert one.vulnerability_at(lengths)[0, :3] == pytest.approx([0.05, 0.5, 0.95])
    assert one.maturity_at(lengths, lengths).tolist() == [[0, 0, 0, 1]]
    assert life().maturity_at(lengths, np.array([[2.9, 3.0, 3.1, 9.0]])).tolist() == [[0, 1, 1, 1]]
    assert (life().vulnerability_at(lengths) == 1).all()


def test_natural_mortality_by_length() -> None:
    one = life(natural_mortality_exponent=1.0, natural_mortality_length_mm=300.0)
    assert one.natural_mortality_at(np.array([[150.0, 300.0, 600.0]]))[0] == pytest.approx([0.8, 0.4, 0.2])


@pytest.mark.parametrize("steepness", [0.25, 0.7, 0.95])
def test_steepness_is_what_a_fifth_of_the_spawners_bring(steepness: float) -> None:
    for kind in ("beverton-holt", "ricker"):
        one = life(recruitment=kind, steepness=steepness)
        found = one.recruits(
            np.array([0.2, 1.0]).reshape(2, 1), unfished_spawners=np.array([1.0]), unfished_recruits=np.array([900.0])
        )
        assert found[:, 0] == pytest.approx([900 * steepness, 900.0])
    flat = life(recruitment="density independent")
    assert flat.recruits(np.array([[0.0], [1.0]]), unfished_spawners=np.ones(1), unfished_recruits=np.full(1, 5.0)).tolist() == [
        [5],
        [5],
    ]


@pytest.mark.parametrize("kind", ["beverton-holt", "ricker"])
def test_equilibrium_recruitment_is_a_fixed_point(kind: str) -> None:
    one = life(recruitment=kind, steepness=0.6)
    potential = np.array([0.45])
    share = one.equilibrium_recruits(potential)
    again = one.recruits(share * potential, unfished_spawners=np.ones(1), unfished_recruits=np.ones(1))
    assert again == pytest.approx(share, rel=1e-12)
    assert one.equilibrium_recruits(np.array([1.0])) == pytest.approx(1.0)
    assert one.equilibrium_recruits(np.array([0.01]))[0] < 0


def test_draws_from_spreads(rng: np.random.Generator) -> None:
    n = 20_000
    found = LifeHistory.from_spreads(
        rng,
        n,
        **(
            PLAIN
            | {
                "asymptotic_length_mm": (500.0, 40.0),
                "growth_coefficient": (0.35, 0.05),
                "natural_mortality": (0.4, 0.1),
                "steepness": (0.7, 0.1),
                "age_at_zero": (-0.1, 0.2),
            }
        ),
        growth_correlation=-0.8,
    )
    assert found.draws == n
    for name, mean, se in (
        ("asymptotic_length_mm", 500, 40),
        ("growth_coefficient", 0.35, 0.05),
        ("natural_mortality", 0.4, 0.1),
        ("steepness", 0.7, 0.1),
    ):
        values = getattr(found, name)
        assert values.mean() == pytest.approx(mean, abs=5 * se / math.sqrt(n))
        assert values.std() == pytest.approx(se, rel=0.05)
    logs = np.log(found.asymptotic_length_mm), np.log(found.growth_coefficient)
    assert np.corrcoef(*logs)[0, 1] == pytest.approx(-0.8, abs=0.02)
    assert set(found.inputs()) == {"asymptotic_length_mm", "growth_coefficient", "natural_mortality", "steepness", "age_at_zero"}


def test_draws_from_a_fit_keep_its_correlation(rng: np.random.Generator) -> None:
    se = np.array([20.0, 0.03, 0.15])
    correlation = np.array([[1, -0.9, -0.6], [-0.9, 1, 0.8], [-0.6, 0.8, 1]])
    rest = {
        name: value for name, value in PLAIN.items() if name not in ("asymptotic_length_mm", "growth_coefficient", "age_at_zero")
    }
    found = LifeHistory.from_fits(
        rng,
        20_000,
        growth=(500, 0.35, -0.1),
        growth_covariance=correlation * np.outer(se, se),
        **rest,  # type: ignore[arg-type]
    )
    drawn = np.stack([found.asymptotic_length_mm, found.growth_coefficient, found.age_at_zero])
    assert drawn.std(axis=1) == pytest.approx(se, rel=0.05)
    assert np.corrcoef(drawn) == pytest.approx(correlation, abs=0.03)


def test_draws_are_fixed() -> None:
    one = life(natural_mortality=[0.3, 0.4])
    with pytest.raises(ValueError, match="read-only"):
        one.natural_mortality[0] = 9
    assert one.take(np.array([1, 1, 0])).natural_mortality.tolist() == [0.4, 0.4, 0.3]


@pytest.mark.parametrize(
    ("wrong", "reason"),
    [
        ({"growth_coefficient": 0.0}, "growth_coefficient must be above 0"),
        ({"natural_mortality": -0.1}, "natural_mortality must be 0 or more"),
        ({"natural_mortality": [0.3, math.nan]}, "must be finite"),
        ({"natural_mortality": [[0.3]]}, "one number a draw"),
        ({"natural_mortality": [0.3, 0.4], "length_cv": [0.1, 0.1, 0.1]}, "same number of draws"),
        ({"age_at_maturity": None}, "length_at_maturity_mm or age_at_maturity"),
        ({"steepness": 0.1}, "steepness"),
        ({"steepness": 1.1}, "steepness"),
        ({"recruitment": "constant"}, "recruitment must be one of"),
        ({"recruitment_autocorrelation": 1.0}, "between -1 and 1"),
        ({"recruitment_lag": -1}, "recruitment_lag"),
        ({"first_age": 5, "maximum_age": 4}, "first_age < maximum_age"),
        ({"maximum_age": 9.5}, "whole number"),
        ({"survey_month": 13}, "from 1 to 12"),
        ({"natural_mortality_exponent": 1.0}, "natural_mortality_length_mm"),
        ({"initial_numbers_per_km": [1, 2]}, "one column an age"),
        ({"initial_numbers_per_km": [-1.0] * 10}, "0 or more"),
        ({"density_per_km": 0.0}, "density_per_km must be above 0"),
    ],
)
def test_impossible_life_histories_are_refused(wrong: dict[str, object], reason: str) -> None:
    with pytest.raises(InputError, match=reason):
        life(**wrong)


def test_impossible_fits_are_refused(rng: np.random.Generator) -> None:
    rest = {
        name: value for name, value in PLAIN.items() if name not in ("asymptotic_length_mm", "growth_coefficient", "age_at_zero")
    }
    with pytest.raises(InputError, match="3 × 3"):
        LifeHistory.from_fits(rng, 10, growth=(500, 0.35), growth_covariance=np.eye(3), **rest)  # type: ignore[arg-type]
    with pytest.raises(InputError, match="covariance matrix"):
        LifeHistory.from_fits(rng, 10, growth=(500, 0.35, 0), growth_covariance=-np.eye(3), **rest)  # type: ignore[arg-type]


def test_numbers_at_age_from_density_and_a_sample(rng: np.random.Generator) -> None:
    counts = np.array([40, 30, 20, 10, 0])
    found = numbers_at_age(rng, rng.normal(1000, 50, 5000), counts)
    assert found.shape == (5000, 5)
    shares = found / found.sum(axis=1, keepdims=True)
    expected = (counts + 0.5) / (counts + 0.5).sum()
    assert shares.mean(axis=0) == pytest.approx(expected, abs=0.003)
    assert shares.var(axis=0) == pytest.approx(expected * (1 - expected) / ((counts + 0.5).sum() + 1), rel=0.1)
    assert found.sum(axis=1).std() == pytest.approx(50, rel=0.05)
    assert numbers_at_age(rng, 100.0, counts, draws=7).sum(axis=1) == pytest.approx(100.0)
    for wrong in ([0, 0], [-1, 2]):
        with pytest.raises(InputError, match="count_by_age"):
            numbers_at_age(rng, 100.0, wrong)
    with pytest.raises(InputError, match="where 5 are asked for"):
        numbers_at_age(rng, [1.0, 2.0], counts, draws=5)
