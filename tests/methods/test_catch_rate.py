"""Mean catch rate, plain, by site and stratified."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from fishreport.exceptions import InputError
from fishreport.methods.catch_rate import mean_catch_rate, stratified_catch_rate


def test_by_hand() -> None:
    """Catches 2, 4, 9 in 1, 2, 3 h: 15/6 = 2.5 fish/h, variance 3/2 (0.25 + 1 + 2.25)/36."""
    got = mean_catch_rate([2, 4, 9], [1, 2, 3])
    assert got.value == 2.5
    assert got.se == pytest.approx(math.sqrt(1.5 * 3.5 / 36))
    assert (got.n, got.units, got.level) == (3, "fish/h", 0.95)
    assert 0 <= got.lower < got.value < got.upper


def test_is_the_ratio_of_sums_not_the_mean_of_ratios() -> None:
    assert mean_catch_rate([10, 0], [0.1, 0.9]).value == 10


def test_equal_effort_gives_the_textbook_standard_error(rng: np.random.Generator) -> None:
    catch = rng.negative_binomial(2, 0.2, 40)
    got = mean_catch_rate(pd.Series(catch), np.full(40, 0.25))
    assert got.se == pytest.approx((catch / 0.25).std(ddof=1) / math.sqrt(40))


def test_scales_with_effort() -> None:
    one, two = mean_catch_rate([3, 5, 1, 9], [0.1] * 4), mean_catch_rate([3, 5, 1, 9], [0.2] * 4)
    assert (two.lower * 2, two.upper * 2) == pytest.approx((one.lower, one.upper))


def test_nothing_caught() -> None:
    """Upper limit: exact Poisson, 3.689/E, times (t/z)² for 47 degrees of freedom."""
    got = mean_catch_rate([0] * 48, [1 / 6] * 48)
    assert (got.value, got.lower) == (0.0, 0.0) and math.isnan(got.se)
    assert got.upper == pytest.approx(3.688879 / 8 * (2.011741 / 1.959964) ** 2, rel=1e-5)
    assert "nothing caught in 48 runs" in got.notes[0]


@pytest.mark.parametrize(("catch", "effort", "n"), [([], [], 0), ([4], [0.2], 1), ([np.nan, 4], [0.1, 0.2], 1)])
def test_too_few_runs(catch: list[float], effort: list[float], n: int) -> None:
    got = mean_catch_rate(catch, effort)
    assert not got.estimable and got.n == n
    assert f"{n} run{'' if n == 1 else 's'}, 2 needed" in got.notes[0]


def test_missing_values_are_dropped_and_counted() -> None:
    got = mean_catch_rate(pd.array([2, 4, 9, None], dtype="Int64"), [1.0, 2.0, 3.0, 1.0])
    assert got.value == 2.5 and "1 runs without catch or effort left out" in got.notes
    assert mean_catch_rate(pd.Series([2, 4, 9, 3]), pd.Series([1, 2, 3, None])).value == 2.5


def test_sites_as_units() -> None:
    """Two runs a site are summed first: the same as one run a site."""
    split = mean_catch_rate([1, 1, 2, 2, 4, 5], [0.5, 0.5, 1, 1, 1.5, 1.5], site=list("aabbcc"))
    whole = mean_catch_rate([2, 4, 9], [1, 2, 3])
    assert (split.value, split.se, split.lower, split.upper) == (whole.value, whole.se, whole.lower, whole.upper)
    assert split.n == 3 and "sites as units" in split.method
    assert not mean_catch_rate([1, 2], [1, 1], site=["a", "a"]).estimable


@pytest.mark.parametrize(
    ("catch", "effort", "message"),
    [
        ([-1, 2], [1, 1], "catch must be 0 or more; got -1"),
        ([1, 2], [0, 1], "effort_h must be above 0; got 0"),
        ([1, 2], [1], "same number of rows; got catch 2, effort_h 1"),
        (["a"], [1], "catch must hold numbers only"),
        ([np.inf, 1], [1, 1], "finite"),
        ([[1, 2]], [1, 1], "one column of numbers"),
    ],
)
def test_messages(catch: list, effort: list, message: str) -> None:
    with pytest.raises(InputError, match=message):
        mean_catch_rate(catch, effort)


def test_level_is_checked_and_orders_intervals() -> None:
    with pytest.raises(InputError, match="level must be a number between 0 and 1"):
        mean_catch_rate([1, 2], [1, 1], level=95)
    narrow, wide = mean_catch_rate([3, 5, 1], [1, 1, 1], level=0.8), mean_catch_rate([3, 5, 1], [1, 1, 1], level=0.99)
    assert wide.lower < narrow.lower < narrow.upper < wide.upper


def test_stratified_by_hand() -> None:
    """Rates 4 and 10 fish/h weighted 3:1 → 5.5; variances 2²·... from the plain estimator of each stratum."""
    a, b = mean_catch_rate([3, 5], [1, 1]), mean_catch_rate([8, 12], [1, 1])
    got = stratified_catch_rate([3, 5, 8, 12], [1] * 4, ["a", "a", "b", "b"], weight={"a": 6.0, "b": 2.0})
    assert got.value == pytest.approx(5.5)
    assert got.se == pytest.approx(math.hypot(0.75 * a.se, 0.25 * b.se))
    assert got.n == 4


def test_one_stratum_is_the_plain_mean() -> None:
    catch, effort = [2, 4, 9, 0], [1.0, 2.0, 3.0, 1.5]
    plain, one = mean_catch_rate(catch, effort), stratified_catch_rate(catch, effort, ["x"] * 4, weight={"x": 1})
    assert (one.value, one.se, one.lower, one.upper) == pytest.approx((plain.value, plain.se, plain.lower, plain.upper))
    none, nothing = mean_catch_rate([0] * 4, effort), stratified_catch_rate([0] * 4, effort, ["x"] * 4, weight={"x": 1})
    assert nothing.upper == pytest.approx(none.upper) and math.isnan(nothing.se)


def test_stratified_degenerate_and_messages() -> None:
    short = stratified_catch_rate([3, 5, 8], [1] * 3, ["a", "a", "b"], weight={"a": 1, "b": 1})
    assert not short.estimable and "stratum b has 1 run, 2 needed" in short.notes[0]
    unvisited = stratified_catch_rate([3, 5], [1] * 2, ["a", "a"], weight={"a": 1, "b": 1})
    assert "stratum b has 0 runs, 2 needed" in unvisited.notes[0]
    ignored = stratified_catch_rate([3, 5, 8], [1] * 3, ["a", "a", "b"], weight={"a": 1, "b": 0})
    assert ignored.value == 4 and "1 runs in stratum b of weight 0 left out" in ignored.notes
    with pytest.raises(InputError, match="must name every stratum"):
        stratified_catch_rate([3, 5], [1, 1], ["a", "c"], weight={"a": 1})
    with pytest.raises(InputError, match="0 or more, not all 0"):
        stratified_catch_rate([3, 5], [1, 1], ["a", "a"], weight={"a": 0})
    by_site = stratified_catch_rate([3, 5, 4, 4], [1] * 4, ["a"] * 4, weight={"a": 1}, site=["p", "p", "q", "q"])
    assert by_site.n == 2 and by_site.value == 4


def test_few_fish_of_one_stratum_leave_the_others_known() -> None:
    """Four strata of 2 runs, one fish in all: degrees of freedom from four strata, not from the one that has the fish."""
    runs = {"catch": [1, *[0] * 7], "effort_h": [0.17] * 8, "stratum": list("aabbccdd")}
    weight = dict.fromkeys("abcd", 1.0)
    one = stratified_catch_rate(*runs.values(), weight=weight)
    none = stratified_catch_rate([0] * 8, [0.17] * 8, list("aabbccdd"), weight=weight)
    # One fish in 1.36 h: exact Poisson limits would be 0.02 and 4.10; four t-like degrees of freedom widen them, one would to 130.
    assert 4.10 < one.upper < 20
    # Each stratum has variance r/E but the first, r'/E with r' four times r: (4 + 3)²/(4² + 3)/1 = 2.579 degrees of freedom.
    d = (stats.t.ppf(0.975, (4 + 3) ** 2 / (4**2 + 3)) / stats.norm.ppf(0.975)) ** 2
    assert one.upper == pytest.approx(stats.chi2.ppf(0.975, 2 / d + 2) / 2 * d / 1.36)
    assert none.upper < one.upper


@pytest.mark.parametrize("place", [0, 2])
def test_a_fish_never_lowers_the_upper_limit(place: int) -> None:
    """Gamma limits of Fay and Feuer 1997 (from memory): the fish more is one of the largest weight, wherever the first was caught."""
    weight, hours = {"long": 9.0, "short": 1.0}, [1.0] * 4
    caught = [0, 0, 0, 0]
    before = stratified_catch_rate(caught, hours, ["long", "long", "short", "short"], weight=weight)
    caught[place] = 1
    after = stratified_catch_rate(caught, hours, ["long", "long", "short", "short"], weight=weight)
    assert before.upper <= after.upper
