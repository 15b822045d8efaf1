"""Clusters as the unit of sampling: totals by cluster, the variance of their ratio, design effect and bootstrap."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
from scipy import special, stats

from fishreport.exceptions import InputError
from fishreport.methods.estimate import Estimate
from fishreport.methods.inputs import FloatArray, IntArray, check_level, codes, numbers

_BLOCK = 2_000_000  # cells of the resampling matrix held at once


@dataclass(frozen=True, slots=True)
class Ratio:
    """A ratio of totals with its linearised variance.

    Attributes
    ----------
    value : float
        Σy / Σx.
    variance : float
        n/(n − 1) Σ(y − R x)² / (Σx)²; NaN for a single cluster.
    clusters : int
        Clusters with x > 0.
    denominator : float
        Σx.
    """

    value: float
    variance: float
    clusters: int
    denominator: float

    @property
    def se(self) -> float:
        """Standard error."""
        return math.sqrt(self.variance)


def cluster_totals(code: IntArray, values: npt.ArrayLike, clusters: int) -> FloatArray:
    """Sum of `values` in each cluster 0 … `clusters` − 1."""
    return np.bincount(code, weights=np.asarray(values, dtype=float), minlength=clusters).astype(np.float64)


def ratio_of_totals(y: FloatArray, x: FloatArray) -> Ratio:
    """Ratio of sums over clusters with its linearised variance.

    Parameters
    ----------
    y, x : array
        Totals of numerator and denominator, one a cluster. Clusters with x = 0 carry nothing and do not count.

    Notes
    -----
    Cochran 1977, Sampling Techniques, section 6.3 (from memory), without finite population correction.
    """
    used = x > 0
    y, x = y[used], x[used]
    n = len(x)
    if n == 0:
        return Ratio(math.nan, math.nan, 0, 0.0)
    total = float(x.sum())
    value = float(y.sum()) / total
    variance = n / (n - 1) * float(((y - value * x) ** 2).sum()) / total**2 if n > 1 else math.nan
    return Ratio(value, variance, n, total)


def t_limits(value: float, se: float, df: float, level: float) -> tuple[float, float]:
    """`value` ∓ t(df) · `se`; NaN without degrees of freedom."""
    if df <= 0 or not math.isfinite(se):
        return math.nan, math.nan
    half = float(special.stdtrit(df, 0.5 + level / 2)) * se
    return value - half, value + half


def design_effect(values: npt.ArrayLike, clusters: npt.ArrayLike) -> float:
    """How many times the clustered variance of a mean exceeds that of independent units.

    Parameters
    ----------
    values : array
        One value a unit (0 and 1 for a proportion).
    clusters : array
        Cluster label of each unit.

    Returns
    -------
    float
        Linearised cluster variance of the mean over s²/n (Kish 1965, from memory); NaN with fewer than 2 clusters, fewer
        than 2 units or no variation.
    """
    value = numbers("values", values)
    code, _ = codes("clusters", clusters, len(value))
    used = np.isfinite(value) & (code >= 0)
    value, code = value[used], code[used]
    if len(value) < 2:
        return math.nan
    clusters_n = int(code.max()) + 1
    ratio = ratio_of_totals(cluster_totals(code, value, clusters_n), cluster_totals(code, np.ones_like(value), clusters_n))
    simple = float(value.var(ddof=1)) / len(value)
    return ratio.variance / simple if ratio.clusters > 1 and simple > 0 else math.nan


def _draw_totals(totals: FloatArray, resamples: int, rng: np.random.Generator) -> FloatArray:
    n = len(totals)
    drawn = np.empty((resamples, totals.shape[1]))
    step = max(1, _BLOCK // n)
    for start in range(0, resamples, step):
        stop = min(start + step, resamples)
        # drawing labels and counting them is several times as fast as multinomial counts
        picks = rng.integers(0, n, size=(stop - start, n)) + np.arange(stop - start)[:, None] * n
        counts = np.bincount(picks.ravel(), minlength=(stop - start) * n).reshape(stop - start, n)
        drawn[start:stop] = counts.astype(float) @ totals
    return drawn


def _expanded_normal(level: float, clusters: int) -> FloatArray:
    """Normal quantiles of both limits, moved out for few clusters: √(n/(n − 1)) t(n − 1)."""
    reach = math.sqrt(clusters / (clusters - 1)) * float(special.stdtrit(clusters - 1, 0.5 + level / 2))
    return np.array([-reach, reach])


def _bca_quantiles(value: float, replicates: FloatArray, left_out: FloatArray, z: FloatArray) -> tuple[float, float]:
    below = (float((replicates < value).mean()) + float((replicates <= value).mean())) / 2
    below = min(max(below, 0.5 / len(replicates)), 1 - 0.5 / len(replicates))
    shift = float(special.ndtri(below))
    centred = left_out.mean() - left_out
    spread = float((centred**2).sum())
    acceleration = float((centred**3).sum()) / (6 * spread**1.5) if spread > 0 else 0.0
    stretch = np.maximum(1 - acceleration * (shift + z), 1e-6)
    moved = special.ndtr(shift + (shift + z) / stretch)
    return float(moved[0]), float(moved[1])


def cluster_bootstrap(
    clusters: npt.ArrayLike | Sequence[npt.ArrayLike],
    statistic: Callable[[FloatArray], Any] | Literal["ratio"],
    *,
    rng: np.random.Generator,
    resamples: int = 2000,
    level: float = 0.95,
    method: Literal["percentile", "bca"] = "percentile",
    units: str = "",
) -> Estimate:
    """Bootstrap that resamples whole clusters.

    Parameters
    ----------
    clusters : array of shape (clusters, k), or a list of one-dimensional arrays
        Either totals of each cluster (then `statistic` takes summed totals of shape (…, k) and answers with shape (…), and
        all resamples are computed at once), or the units of each cluster (then `statistic` takes the units of all drawn
        clusters, end to end).
    statistic : callable or ``"ratio"``
        ``"ratio"`` is first total over second total.
    rng : numpy.random.Generator
    resamples : int
        At least 50.
    level : float
    method : ``"percentile"`` or ``"bca"``
        BCa corrects for bias and skewness with a jackknife over clusters (Efron 1987, Journal of the American Statistical
        Association 82:171-185, from memory). Both are expanded for few clusters: the normal quantile z gives way to
        √(n/(n − 1)) t(n − 1) (Hesterberg 2015, The American Statistician 69:371-386, from memory).
    units : str
        Units of the statistic.

    Returns
    -------
    Estimate
        Value on the data, standard deviation of the replicates, quantile limits; n is the number of clusters.
        Not estimable with fewer than 2 clusters. Replicates without a finite value are left out, with a note.
    """
    check_level(level)
    if method not in ("percentile", "bca"):
        raise InputError(f"method must be 'percentile' or 'bca'; got {method!r}")
    if not isinstance(resamples, int | np.integer) or resamples < 50:
        raise InputError(f"resamples must be a whole number of 50 or more; got {resamples!r}")
    kind = "BCa" if method == "bca" else "percentile"
    words = f"bootstrap of whole clusters, {resamples} resamples, {kind} limits expanded for few clusters"
    as_totals = isinstance(clusters, np.ndarray) and clusters.ndim == 2
    n = len(clusters)  # type: ignore[arg-type]
    if n < 2:
        return Estimate.not_estimable(
            f"{n} cluster{'' if n == 1 else 's'}, 2 needed", units=units, method=words, n=n, level=level
        )
    function: Callable[[FloatArray], Any] = _ratio if statistic == "ratio" else statistic
    if as_totals:
        totals = np.asarray(clusters, dtype=float)
        value = float(function(totals.sum(axis=0)))
        with np.errstate(invalid="ignore", divide="ignore"):
            replicates = np.asarray(function(_draw_totals(totals, resamples, rng)), dtype=float)
            left_out = np.asarray(function(totals.sum(axis=0) - totals), dtype=float)
    else:
        if statistic == "ratio":
            raise InputError("statistic 'ratio' needs clusters as an array of totals of shape (clusters, 2)")
        parts = [np.asarray(part, dtype=float).ravel() for part in clusters]  # type: ignore[union-attr]
        value = float(function(np.concatenate(parts)))
        picks = rng.integers(0, n, size=(resamples, n))
        replicates = np.array([function(np.concatenate([parts[i] for i in pick])) for pick in picks], dtype=float)
        left_out = np.array([function(np.concatenate(parts[:i] + parts[i + 1 :])) for i in range(n)] if method == "bca" else [])
    if not math.isfinite(value):
        return Estimate.not_estimable(
            "the statistic has no finite value on the data", units=units, method=words, n=n, level=level
        )
    finite = replicates[np.isfinite(replicates)]
    notes: tuple[str, ...] = (
        () if len(finite) == resamples else (f"{resamples - len(finite)} resamples without a finite value left out",)
    )
    if len(finite) < resamples / 2:
        return Estimate.not_estimable("most resamples have no finite value", units=units, method=words, n=n, level=level)
    z = _expanded_normal(level, n)
    quantiles = (float(special.ndtr(z[0])), float(special.ndtr(z[1])))
    if method == "bca":
        quantiles = _bca_quantiles(value, finite, left_out[np.isfinite(left_out)], z)
    low, high = np.quantile(finite, quantiles)
    if n < 10:
        notes += (f"{n} clusters: bootstrap limits are rough with so few",)
    return Estimate(value, float(finite.std(ddof=1)), float(low), float(high), level, units, words, n, notes)


def _ratio(totals: FloatArray) -> Any:
    if totals.shape[-1] != 2:
        raise InputError(f"statistic 'ratio' needs two totals a cluster; got {totals.shape[-1]}")
    return np.divide(totals[..., 0], totals[..., 1], out=np.full(totals.shape[:-1], np.nan), where=totals[..., 1] != 0)


def effective_poisson_limits(
    rate: float, variance: float, exposure: float, df: float, level: float, *, heaviest: float | None = None
) -> tuple[float, float]:
    """Limits of a rate from exact Poisson limits on an effective count.

    With T caught over `exposure` E the Poisson variance of the rate is T/E²; the design effect d = variance / (T/E²), never
    below 1, is widened by (t(df)/z)² for the clusters being few, and the gamma (exact Poisson) limits of T/d are scaled back
    by d/E. Counterpart for a rate of Korn and Graubard's interval for a proportion; for weighted sums see Fay and Feuer 1997
    (Statistics in Medicine 16:791-801), both from memory: the upper limit is that of a gamma whose mean and variance are those
    of the rate and of one (effective) fish more, and in a weighted sum that fish is one of the weight `heaviest`, 1/E otherwise.
    The lower limit is never below 0, and with nothing caught the limits are 0 and the exact Poisson limit, widened alike.
    """
    quantile = 0.5 + level / 2
    widening = float(special.stdtrit(df, quantile) / special.ndtri(quantile)) ** 2
    poisson = rate / exposure
    d = (max(variance / poisson, 1.0) if poisson > 0 else 1.0) * widening
    effective = rate * exposure / d
    low = float(stats.chi2.ppf(1 - quantile, 2 * effective)) / 2 * d / exposure if effective > 0 else 0.0
    one_more = d * (1 / exposure if heaviest is None else heaviest)
    mean, spread = rate + one_more, poisson * d + one_more**2
    high = float(stats.chi2.ppf(quantile, 2 * mean**2 / spread)) / 2 * spread / mean
    return low, high
