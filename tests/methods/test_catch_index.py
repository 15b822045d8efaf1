"""The standardised yearly index."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from fishreport.exceptions import InputError
from fishreport.methods.catch_rate import fit_catch_model, mean_catch_rate, standardised_index


def survey(rng: np.random.Generator, seasons: int = 6, sites: int = 8, repeats: int = 3, rate: float = 20.0) -> pd.DataFrame:
    site = np.tile(np.repeat(np.arange(sites), repeats), seasons)
    season = np.repeat(np.arange(2020, 2020 + seasons), sites * repeats)
    effort = rng.uniform(0.12, 0.22, len(site))
    mean = rate * effort * np.exp(rng.normal(0, 0.5, sites)[site] + rng.normal(0, 0.3, seasons)[season - 2020])
    catch = rng.poisson(mean * rng.gamma(1.5, 1 / 1.5, len(site)))
    return pd.DataFrame({"season": season, "site": [f"S{s}" for s in site], "effort_h": effort, "catch": catch})


def test_index_of_season_alone_is_the_poisson_rate(rng: np.random.Generator) -> None:
    """With no other term and Poisson catches the index is the ratio of sums, its log standard error 1/√catch."""
    runs = survey(rng)
    index = standardised_index(fit_catch_model(runs, terms="season", family="poisson"), runs)
    for season, part in runs.groupby("season"):
        assert index[season].value == pytest.approx(mean_catch_rate(part["catch"], part["effort_h"]).value)
        assert index[season].se == pytest.approx(index[season].value / math.sqrt(part["catch"].sum()))


def test_index_by_hand_from_the_coefficients(rng: np.random.Generator) -> None:
    runs = survey(rng)
    model = fit_catch_model(runs, terms="season + site")
    sites = pd.DataFrame({"site": sorted(runs["site"].unique())})
    value = {name: e.value for name, e in model.coefficients.items()}
    site = np.array([value.get(f"site[{name}]", 0.0) for name in sites["site"]])
    for season, got in standardised_index(model, sites).items():
        expected = np.exp(value["Intercept"] + value.get(f"season[{season}]", 0.0) + site).mean()
        assert got.value == pytest.approx(expected)
        assert got.lower < got.value < got.upper and got.units == "fish/h"


def test_weights_are_repeats_of_rows(rng: np.random.Generator) -> None:
    """A site of weight 3 counts as the same site three times, in the value and in its standard error."""
    runs = survey(rng)
    model = fit_catch_model(runs, terms="season + site", cluster=["site", "season"])
    sites = pd.DataFrame({"site": sorted(runs["site"].unique())})
    times = np.arange(1, len(sites) + 1)
    repeated = sites.loc[sites.index.repeat(times)]
    by_weight = standardised_index(model, sites, weight=times / 10)
    for season, expected in standardised_index(model, repeated).items():
        got = by_weight[season]
        assert (got.value, got.se, got.lower, got.upper) == pytest.approx(
            (expected.value, expected.se, expected.lower, expected.upper), rel=1e-12
        )
    with pytest.raises(InputError, match="weight"):
        standardised_index(model, sites, weight=np.zeros(len(sites)))
    with pytest.raises(InputError, match="weight"):
        standardised_index(model, sites, weight=[1.0])


def test_the_delta_method_against_draws(rng: np.random.Generator) -> None:
    runs = survey(rng)
    model = fit_catch_model(runs, terms="season + site")
    got = standardised_index(model, runs)[2023]
    x = np.column_stack(
        [
            np.ones(144),
            *[np.full(144, float(y == 2023)) for y in range(2021, 2026)],
            *[runs["site"] == f"S{s}" for s in range(1, 8)],
        ]
    )
    draws = rng.multivariate_normal(model.beta, model.covariance, 4000)
    assert np.log(np.exp(draws @ x.T).mean(axis=1)).std() == pytest.approx(got.se / got.value, rel=0.06)


def test_clusters_widen_all_seasons_alike_and_never_narrow_them(rng: np.random.Generator) -> None:
    """Runs of a site in a season that are alike widen the index, by one factor in all seasons; chance never narrows it."""
    runs = survey(rng)
    by = ["site", "season"]
    alone = standardised_index(fit_catch_model(runs, terms="season + site"), runs)
    apart = standardised_index(fit_catch_model(runs, terms="season + site", cluster=by), runs)
    common = rng.gamma(1.0, 1.0, 48)[np.repeat(np.arange(48), 3)]
    clumped = runs.assign(catch=rng.poisson(20 * common))
    wide = standardised_index(fit_catch_model(clumped, terms="season + site", cluster=by), clumped)
    plain = standardised_index(fit_catch_model(clumped, terms="season + site"), clumped)

    def factors(index: dict, other: dict) -> np.ndarray:
        return np.array([index[s].se / index[s].value / (other[s].se / other[s].value) for s in index])

    for one, other in ((apart, alone), (wide, plain)):
        assert np.ptp(factors(one, other)) < 1e-9
    assert factors(apart, alone)[0] >= 1 and factors(wide, plain)[0] > 1.3
    assert "for clusters by site and season" in wide[2021].method and "clusters" not in plain[2021].method


def test_a_changed_mix_of_sites_does_not_move_the_index() -> None:
    """Same rates in both seasons, but the good site is fished more in the second: the plain mean rises, the index does not."""
    rng = np.random.default_rng(4)
    rows = [(2023, "good")] * 20 + [(2023, "poor")] * 60 + [(2024, "good")] * 60 + [(2024, "poor")] * 20
    runs = pd.DataFrame(rows, columns=["season", "site"])
    runs["effort_h"] = 1.0
    runs["catch"] = rng.poisson(np.where(runs["site"] == "good", 40, 10))
    index = standardised_index(fit_catch_model(runs, terms="season + site"), runs)
    assert index[2024].value / index[2023].value == pytest.approx(1, abs=0.1)
    plain = {year: part["catch"].mean() for year, part in runs.groupby("season")}
    assert plain[2024] / plain[2023] > 1.5


def test_a_season_of_zeros(rng: np.random.Generator) -> None:
    """Without other terms, Poisson: the limit is 2.9957 over the season's effort (the rule of three)."""
    runs = survey(rng)
    runs.loc[runs["season"] == 2022, "catch"] = 0
    hours = runs.loc[runs["season"] == 2022, "effort_h"].sum()
    got = standardised_index(fit_catch_model(runs, terms="season", family="poisson"), runs)[2022]
    assert (got.value, got.lower) == (0, 0) and math.isnan(got.se)
    assert got.upper == pytest.approx(-math.log(0.05) / hours)
    assert "one-sided" in got.notes[0]
    clumped = standardised_index(fit_catch_model(runs, terms="season"), runs)[2022]
    assert clumped.upper > got.upper  # clumped catches are more often nil at the same rate


def test_upper_limit_of_zeros_has_its_probability(rng: np.random.Generator) -> None:
    runs = survey(rng)
    runs.loc[runs["season"] == 2022, "catch"] = 0
    model = fit_catch_model(runs, terms="season + site")
    got = standardised_index(model, runs)[2022]
    other = standardised_index(model, runs)[2020]
    held = runs[runs["season"] == 2022]
    value = {name: e.value for name, e in model.coefficients.items()}
    site = held["site"].map(lambda name: value.get(f"site[{name}]", 0.0)).to_numpy()
    mean = got.upper / other.value * np.exp(value["Intercept"] + site) * held["effort_h"].to_numpy()
    assert np.prod((1 + mean / model.theta) ** -model.theta) == pytest.approx(0.05)


def test_nothing_caught_at_all(rng: np.random.Generator) -> None:
    runs = survey(rng).assign(catch=0)
    index = standardised_index(fit_catch_model(runs, terms="season + site"), runs)
    hours = runs.loc[runs["season"] == 2021, "effort_h"].sum()
    assert index[2021].upper == pytest.approx(-math.log(0.05) / hours)


def test_an_empty_site_counts_as_zero_in_the_mix(rng: np.random.Generator) -> None:
    runs = survey(rng)
    runs.loc[runs["site"] == "S2", "catch"] = 0
    model = fit_catch_model(runs, terms="season + site")
    with_it = standardised_index(model, runs)[2021].value
    without = standardised_index(model, runs[runs["site"] != "S2"])[2021].value
    assert with_it == pytest.approx(without * 7 / 8)


def test_messages(rng: np.random.Generator) -> None:
    runs = survey(rng)
    with pytest.raises(InputError, match="season must be a factor among the terms"):
        standardised_index(fit_catch_model(runs, terms="site"), runs)
    with pytest.raises(InputError, match="site not found"):
        standardised_index(fit_catch_model(runs, terms="season + site"), runs[["season"]])


def test_a_season_that_others_determine(rng: np.random.Generator) -> None:
    runs = survey(rng)
    runs["dam"] = np.where(runs["season"] >= 2023, "after", "before")
    index = standardised_index(fit_catch_model(runs, terms="dam + season"), runs)
    assert not index[2025].estimable and "other terms determine" in index[2025].notes[0]


def test_a_model_that_could_not_be_fitted_gives_no_index() -> None:
    """One run is no model: its season is not estimable, and not the rate exp(0) = 1 of a model without coefficients."""
    one = pd.DataFrame({"season": [2025], "site": ["S1"], "effort_h": [0.2], "catch": [7]})
    got = standardised_index(fit_catch_model(one, terms="season"), one)[2025]
    assert not got.estimable
    assert "3 needed" in got.notes[0]
