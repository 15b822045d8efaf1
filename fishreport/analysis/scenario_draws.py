"""A few draws that stand for all: what is computed over part of the draws is to agree with what is computed over all of them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
_SWEEPS = 8
_POWER = 4  # high, so that what is farthest off counts most


def representative(outcomes: Sequence[Floats], count: int, *, level: float = 0.95) -> NDArray[np.intp]:
    """Places of `count` draws, in order, over which outcomes have about the median and limits that they have over all draws.

    Parameters
    ----------
    outcomes : sequence of arrays (draws,)
        What is to agree, the main outcome first. Draws without a value of it come last in its order.
    count : int
        How many draws to take; all of them where there are no more.
    level : float
        Level of the limits.

    Notes
    -----
    A systematic sample (Cochran 1977, Sampling Techniques, ch. 8, from memory): draws are ranked by the main outcome and cut into
    `count` runs of equal length, each of which gives one, its middle one at first. Then, run by run and several times over, the
    draw of the run is taken that brings median and limits of the outcomes (each in widths of its own interval) nearest to those
    of all draws; this step is our own. No chance is in it.
    """
    values = np.stack([np.asarray(one, dtype=float) for one in outcomes])
    draws = values.shape[1]
    if count >= draws:
        return np.arange(draws)
    runs = np.array_split(np.argsort(values[0], kind="stable"), count)
    chosen = np.array([run[len(run) // 2] for run in runs])
    values = values[np.isfinite(values).all(axis=1)]
    tail = (1 - level) / 2
    wanted = np.quantile(values, [tail, 0.5, 1 - tail], axis=1)
    width = wanted[2] - wanted[0]
    told = width > 0
    if not told.any():
        return np.sort(chosen)
    values, wanted, width = values[told], wanted[:, told], width[told]
    for _ in range(_SWEEPS):
        for place, run in enumerate(runs):
            tried = np.repeat(chosen[None, :], len(run), axis=0)
            tried[:, place] = run
            found = np.quantile(values[:, tried], [tail, 0.5, 1 - tail], axis=-1)
            off = np.abs(found - wanted[:, :, None]) / width[None, :, None]
            chosen[place] = run[int((off**_POWER).sum(axis=(0, 1)).argmin())]
    return np.sort(chosen)
