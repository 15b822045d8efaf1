"""Fish to weigh and to age in each length bin."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from fishreport.exceptions import InputError
from fishreport.methods.fish_per_bin import ages_per_bin, weights_per_bin
from fishreport.methods.precision import units_needed


def test_weights_follow_the_scatter_of_their_bin(rng: np.random.Generator) -> None:
    length = np.concatenate([rng.uniform(150, 250, 80), rng.uniform(250, 350, 80), rng.uniform(400, 450, 4)])
    spread = np.where(length < 250, 0.05, 0.15)
    weight = 10 ** (-4.867 + 2.96 * np.log10(length)) * np.exp(rng.normal(0, spread))
    plan = weights_per_bin(length, weight, bin_mm=50)
    frame = plan.frame.set_index("lower_mm")
    assert frame.loc[200.0, "needed"] < frame.loc[300.0, "needed"]
    overall = frame.loc[400.0, "spread"]
    assert frame.loc[400.0, "seen"] == 4 and frame.loc[350.0, "spread"] == overall
    assert frame.loc[400.0, "needed"] == units_needed(overall, math.log(1.05))
    assert plan.total.value == frame["needed"].sum()
    assert frame["share"].sum() == pytest.approx(1)


def test_that_many_weights_reach_the_precision(rng: np.random.Generator) -> None:
    length = rng.uniform(200, 250, 200)
    weight = 10 ** (-4.867 + 2.96 * np.log10(length)) * np.exp(rng.normal(0, 0.1, 200))
    needed = int(weights_per_bin(length, weight).frame["needed"].iloc[0])
    means = np.abs(rng.normal(0, 0.1, (4000, needed)).mean(axis=1))
    assert np.mean(means <= math.log(1.05)) > 0.94


def test_ages_reach_the_stated_precision(rng: np.random.Generator) -> None:
    # Two bins, known age shares: plan from many aged fish, then draw that many and look at the share of each age.
    lengths = np.repeat([110.0, 130.0], [400, 600])
    truth = {110.0: [0.8, 0.2, 0.0], 130.0: [0.1, 0.6, 0.3]}
    age = np.array([rng.choice(3, p=truth[x]) for x in lengths])
    plan = ages_per_bin(lengths, age, lengths, bin_mm=20, half_width=6)
    needed = plan.frame["needed"].to_numpy()
    drawn = np.stack([rng.multinomial(n, truth[x], 3000) / n for n, x in zip(needed, (110.0, 130.0), strict=True)])
    shares = np.einsum("j,jra->ra", [0.4, 0.6], drawn)
    true_shares = 0.4 * np.array(truth[110.0]) + 0.6 * np.array(truth[130.0])
    inside = (np.abs(shares - true_shares) <= 0.06).mean(axis=0)
    assert inside.min() >= 0.93
    # and not far more than that: a fifth fewer would not do for the least certain age
    z = stats.norm.ppf(0.975)
    weight, p = np.array([0.4, 0.6]), np.array([truth[110.0], truth[130.0]])
    fewer = 100 * z * np.sqrt((weight[:, None] ** 2 * p * (1 - p) / (0.8 * needed[:, None])).sum(axis=0)).max()
    assert fewer > 6


def test_bins_with_more_fish_and_more_ages_get_more(rng: np.random.Generator) -> None:
    lengths = np.repeat([110.0, 130.0, 150.0], [50, 50, 50])
    age = np.concatenate([np.ones(50), rng.choice([1, 2, 3], 50), np.full(50, 3)])
    catch = np.repeat([110.0, 130.0, 150.0], [100, 400, 100])
    frame = ages_per_bin(lengths, age, catch).frame
    assert frame["needed"].idxmax() == 1
    assert (frame["needed"] >= 2).all()


def test_too_little() -> None:
    few = weights_per_bin([200, 210], [80, 90])
    assert few.frame.empty and "10 of different lengths needed" in few.total.notes[0]
    aged = ages_per_bin([200] * 4, [2] * 4, [200] * 50)
    assert aged.total.notes == ("not estimable: 4 aged fish, 10 needed",)
    assert "no fish was measured" in ages_per_bin([200] * 12, [2] * 12, [math.nan]).total.notes[0]
    sure = ages_per_bin([200] * 12, [2] * 12, [200] * 50)
    assert sure.total.value == 0
    far = ages_per_bin(np.tile([200.0, 210], 20), np.tile([1, 1, 2, 2], 10), [200.0] * 50, half_width=0.01, most=500)
    assert any("not reached with 500 fish" in note for note in far.total.notes)


def test_messages() -> None:
    with pytest.raises(InputError, match="relative_error"):
        weights_per_bin([200] * 12, [80] * 12, relative_error=2)
    with pytest.raises(InputError, match="half_width"):
        ages_per_bin([200] * 12, [2] * 12, [200], half_width=0)
    with pytest.raises(InputError, match="bin_mm"):
        ages_per_bin([200] * 12, [2] * 12, [200], bin_mm=0)
