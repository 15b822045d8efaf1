"""Share of runs that caught a species at all."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from fishreport.exceptions import InputError
from fishreport.methods.estimate import Estimate
from fishreport.methods.proportion import wilson_interval

_METHOD = "share of runs with at least one fish, score interval (Wilson 1927)"


def share_of_runs(catch: npt.ArrayLike, *, level: float = 0.95) -> Estimate:
    """Share of runs in which at least one fish was caught.

    Parameters
    ----------
    catch : array
        Fish caught, one number a run; NaN where the run was not worked up.
    level : float
        Confidence level of the interval.

    Returns
    -------
    Estimate
        Percent of runs, with the score interval; not estimable without a run.

    Raises
    ------
    InputError
        If a catch is negative.

    Notes
    -----
    Wilson 1927 (Journal of the American Statistical Association 22:209-212). It takes runs as independent and says nothing of
    how many fish there are: a run catches none either where there are none or where they were missed.
    """
    counts = np.asarray(catch, dtype=float).ravel()
    if (counts < 0).any():
        raise InputError(f"catch must be 0 or more; got {np.nanmin(counts):g}")
    known = counts[~np.isnan(counts)]
    left_out = len(counts) - len(known)
    notes = (f"{left_out} runs without a catch left out",) if left_out else ()
    if not len(known):
        return Estimate.not_estimable("no run", units="percent", method=_METHOD, level=level).noting(*notes)
    share = float((known > 0).mean())
    low, high = wilson_interval((known > 0).sum(), len(known), level=level)
    se = math.sqrt(share * (1 - share) / len(known))
    limits = (100 * float(low), 100 * float(high))
    return Estimate(100 * share, 100 * se, *limits, level, "percent", _METHOD, len(known), notes)
