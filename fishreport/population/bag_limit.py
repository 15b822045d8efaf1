"""How much of what anglers would keep a daily bag limit lets them keep.

The number of fish that an angler would keep from a trip, X, is negative binomial with mean m and size k (Poisson when k is
infinite); angling skill and luck make k finite. Voluntary release thins X, which leaves k as it is. Under a bag limit B the
expected number kept is::

    E[min(X, B)] = sum over j = 0 .. B-1 of P(X > j)

With a further limit b on fish above a protected slot (X2, the others being X1) one trip's gamma-distributed luck is shared by
both, so that given X2 = y, X1 is negative binomial with size k + y and mean m1 (k + y) / (k + m2). Fish above the slot count
first against the bag limit::

    E[kept above] = E[min(X2, b)]
    E[kept below] = sum over y < b of P(X2 = y) E[min(X1, B - y) | X2 = y] + E[min(X1, B - b); X2 >= b]

where the last term is E[min(X1, B - b)] less its parts with X2 < b.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fishreport.exceptions import InputError

Floats = NDArray[np.float64]
_TINY = 1e-9
_TAIL = 1e-13


def _first(mean: Floats, spread: Floats) -> Floats:
    """P(X = 0) of a negative binomial with size 1/spread."""
    safe = np.where(spread > 0, spread, 1.0)
    return np.exp(-np.where(spread > 0, np.log1p(mean * safe) / safe, mean))


def _expected_kept(mean: Floats, spread: Floats, limit: Floats) -> Floats:
    """E[min(X, limit)], elementwise; `limit` may be infinite (then it is the mean)."""
    probability = _first(mean, spread)
    over = -np.expm1(np.log(probability))
    ratio = mean / (1 + mean * spread)
    kept = np.zeros(np.broadcast_shapes(mean.shape, limit.shape))
    finite = np.where(np.isfinite(limit), limit, 0.0)
    highest = int(finite.max(initial=0.0))
    for caught in range(highest):
        kept = kept + np.where(caught < finite, over, 0.0)
        probability = probability * ratio * (1 + caught * spread) / (caught + 1)
        over = np.maximum(over - probability, 0.0)
        if over.max(initial=0.0) < _TAIL:
            break
    return np.where(np.isfinite(limit), np.minimum(kept, mean), mean)


def share_kept(
    mean_per_trip: ArrayLike,
    limit: ArrayLike,
    *,
    dispersion: ArrayLike,
    mean_above: ArrayLike | None = None,
    limit_above: ArrayLike | None = None,
) -> tuple[Floats, Floats]:
    """Share of the fish that anglers would keep, which the bag limit lets them keep.

    Parameters
    ----------
    mean_per_trip : array
        Mean number of fish per trip that anglers would keep (without those counted in `mean_above`).
    limit : array
        Bag limit; infinite is none.
    dispersion : array
        Size of the negative binomial; infinite is Poisson.
    mean_above, limit_above : array, optional
        The same for fish above a protected slot that have a limit of their own within the bag limit.

    Returns
    -------
    (share, share_above) : arrays
        Both 1 where the mean is 0, since a limit does not bind there.

    Raises
    ------
    InputError
        For a negative mean or limit, or a dispersion that is not above 0.
    """
    mean, bound, size = (np.asarray(item, dtype=float) for item in (mean_per_trip, limit, dispersion))
    if (mean < 0).any() or (bound < 0).any() or (size <= 0).any():
        raise InputError("bag limits need means and limits of 0 or more, and a dispersion above 0")
    mean, bound, size = np.broadcast_arrays(mean, bound, size)
    spread = np.where(np.isinf(size), 0.0, 1 / size)
    if mean_above is None or limit_above is None:
        kept = _expected_kept(mean, spread, bound)
        share = np.where(mean > _TINY, kept / np.maximum(mean, _TINY), np.where(bound > 0, 1.0, 0.0))
        return share, share
    above, top = np.broadcast_arrays(np.asarray(mean_above, dtype=float), np.asarray(limit_above, dtype=float), mean)[:2]
    top = np.minimum(top, bound)
    kept_above = _expected_kept(above, spread, top)
    probability = _first(above, spread)
    rest = np.maximum(bound - top, 0.0)
    kept = _expected_kept(mean, spread, rest)
    finite_top = np.where(np.isfinite(top), top, 0.0)
    for caught in range(int(finite_top.max(initial=0.0))):
        given = mean * (1 + caught * spread) / (1 + above * spread)
        spread_given = spread / (1 + caught * spread)
        here = _expected_kept(given, spread_given, np.maximum(bound - caught, 0.0))
        here = here - _expected_kept(given, spread_given, rest)
        kept = kept + np.where(caught < finite_top, probability * here, 0.0)
        probability = probability * above / (1 + above * spread) * (1 + caught * spread) / (caught + 1)
    kept = np.where(np.isinf(bound), mean, kept)
    share = np.where(mean > _TINY, kept / np.maximum(mean, _TINY), np.where(bound > 0, 1.0, 0.0))
    share_above = np.where(above > _TINY, kept_above / np.maximum(above, _TINY), np.where(top > 0, 1.0, 0.0))
    return share, share_above
