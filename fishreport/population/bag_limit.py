"""How much of what anglers would keep a daily bag limit lets them keep.

The number of fish that an angler would keep from a trip, X, is negative binomial with mean m and size k (Poisson when k is
infinite); angling skill and luck make k finite. Voluntary release thins X, which leaves k as it is. Under a bag limit B the
expected number kept is::

    E[min(X, B)] = sum over j = 0 .. B-1 of P(X > j)

With a further limit b <= B on fish above a protected slot (X2, the others being X1), one trip's luck is shared by both, so that
X1 + X2 is negative binomial with the same k, each fish is one above the slot with probability s = m2 / (m1 + m2), and they come
in random order. The bag fills as they come::

    E[kept above] = sum over n = 0 .. B-1 of P(X1 + X2 > n) s P(binomial(n, s) < b)
    E[kept]       = E[min(X1 + min(X2, b), B)]

since an (n+1)th fish above the slot is kept when fewer than B fish came before it, and fewer than b of them above the slot (until
then all are kept). The second does not depend on the order; given X2 = y, X1 is negative binomial with size k + y and mean
m1 (k + y) / (k + m2), and for X2 >= b the sum over y < b is taken from the whole. What is kept below is the difference.
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
    over = 1 - probability
    ratio = mean / (1 + mean * spread)
    kept = np.zeros(np.broadcast_shapes(mean.shape, limit.shape))
    bounded = np.isfinite(limit)
    finite = np.where(bounded, limit, 0.0)
    for caught in range(int(finite.max(initial=0.0))):
        kept += np.where(caught < finite, over, 0.0)
        probability = probability * ratio * ((1 + caught * spread) / (caught + 1))
        over = np.maximum(over - probability, 0.0)
        if over.max(initial=0.0) < _TAIL:
            break
    return np.where(bounded, np.minimum(kept, mean), mean)


def _expected_total(below: Floats, above: Floats, spread: Floats, limit: Floats, top: Floats) -> Floats:
    """E[min(X1 + min(X2, top), limit)] for top <= limit, both finite or both infinite where it matters."""
    probability = _first(above, spread)
    rest = np.maximum(np.where(np.isfinite(limit), limit, 0.0) - np.where(np.isfinite(limit), top, 0.0), 0.0)
    kept = _expected_kept(below, spread, rest)
    finite = np.where(np.isfinite(top), top, 0.0)
    for caught in range(int(finite.max(initial=0.0))):
        share = (1 + caught * spread) / (1 + above * spread)
        room = np.where(np.isfinite(limit), np.maximum(limit - caught, 0.0), 0.0)
        here = _expected_kept(below * share, spread / (1 + caught * spread), room)
        here = here - _expected_kept(below * share, spread / (1 + caught * spread), rest)
        kept = kept + np.where(caught < finite, probability * here, 0.0)
        probability = probability * above * share / (caught + 1)
    return kept + _expected_kept(above, spread, top)


def _expected_above(below: Floats, above: Floats, spread: Floats, limit: Floats, top: Floats) -> Floats:
    """Fish above the slot that are kept when fish come in random order; `limit` finite."""
    total = below + above
    share = above / np.maximum(total, 1e-300)
    probability = _first(total, spread)
    over, ratio = 1 - probability, total / (1 + total * spread)
    highest = int(top.max(initial=0.0))
    count = np.zeros((highest, *total.shape))  # count[j] is P(binomial(n, share) = j)
    count[0] = 1.0
    numbers = np.arange(highest).reshape(-1, *(1,) * total.ndim)
    kept = np.zeros(total.shape)
    for caught in range(int(limit.max(initial=0.0))):
        few = np.where(numbers < top, count, 0.0).sum(axis=0)
        kept += np.where(caught < limit, over * share * few, 0.0)
        count[1:] = count[1:] * (1 - share) + count[:-1] * share
        count[0] *= 1 - share
        probability = probability * ratio * ((1 + caught * spread) / (caught + 1))
        over = np.maximum(over - probability, 0.0)
        if over.max(initial=0.0) < _TAIL:
            break
    return kept


def _share(kept: Floats, mean: Floats, limit: Floats) -> Floats:
    return np.where(mean > _TINY, np.clip(kept / np.maximum(mean, _TINY), 0.0, 1.0), np.where(limit > 0, 1.0, 0.0))


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
        share = _share(_expected_kept(mean, spread, bound), mean, bound)
        return share, share
    above, top = (np.broadcast_to(np.asarray(item, dtype=float), mean.shape) for item in (mean_above, limit_above))
    if (above < 0).any() or (top < 0).any():
        raise InputError("bag limits need means and limits of 0 or more, and a dispersion above 0")
    top = np.minimum(top, bound)
    finite, capped = np.isfinite(bound), np.isfinite(top)
    limited = np.where(finite, bound, 0.0)
    first = _expected_above(mean, above, spread, limited, np.where(finite, top, 0.0)) if (top[finite] > 0).any() else 0.0 * mean
    kept_above = np.where(finite, first, np.where(capped, _expected_kept(above, spread, top), above))
    kept = np.where(finite, _expected_total(mean, above, spread, bound, top) - kept_above, mean)
    return _share(kept, mean, bound), _share(kept_above, above, top)


class ShareTable:
    """`share_kept` of one kind of fish, tabulated for many looks at the same limits.

    The table runs over m / (m + B + 1) in even steps and is read by straight lines between them; the error is below 1e-4.

    Parameters
    ----------
    limit, dispersion : arrays (pairs,)
        As for `share_kept`.
    """

    _INTERVALS = 512

    def __init__(self, limit: Floats, dispersion: Floats) -> None:
        kinds, kind = np.unique(np.stack([limit, dispersion], axis=1), axis=0, return_inverse=True)
        limit, dispersion = kinds[:, :1], kinds[:, 1:]
        scale = np.where(np.isfinite(limit), limit, 0.0) + 1
        nodes = np.minimum(np.arange(self._INTERVALS + 2) / self._INTERVALS, 0.9999)
        mean = nodes / (1 - nodes) * scale
        self.table = share_kept(mean, limit, dispersion=dispersion)[0].ravel()
        self.start, self.scale = kind.ravel() * nodes.size, scale[:, 0][kind.ravel()]

    def share(self, mean: Floats) -> Floats:
        """Share kept at these means (pairs,)."""
        place = mean / (mean + self.scale) * self._INTERVALS
        below = place.astype(np.intp)
        at = self.start + below
        low = self.table[at]
        return low + (place - below) * (self.table[at + 1] - low)
