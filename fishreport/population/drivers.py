"""Which uncertain input drives an outcome, or a difference between two rules.

Rank correlation is Spearman's, with an interval by Fisher's z (standard error 1.06 / sqrt(n - 3), Fieller, Hartley & Pearson
1957, from memory). The share of variance is that of the ranks of the outcome explained by a linear regression on the ranks of all
inputs, divided among them by the mean gain over all orders in which they could enter (Lindeman, Merenda & Gold 1980, from memory;
the same as a Shapley value), which is fair to inputs that are correlated. The shares add up to R²; what is left is chance not
among the inputs, and curvature. With more than 12 inputs, those past the 12 strongest correlations are left out of the division.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray
from scipy.stats import norm, rankdata

from fishreport.exceptions import InputError
from fishreport.methods.estimate import Estimate
from fishreport.population.projection import Projection

Floats = NDArray[np.float64]
_MOST = 12


@dataclass(frozen=True, slots=True)
class Driver:
    """One input: its rank correlation with the outcome, and its share of the variance of the outcome's ranks."""

    name: str
    rank_correlation: Estimate
    variance_share: float


@dataclass(frozen=True, slots=True)
class Drivers:
    """Inputs from the strongest share to the weakest; `explained` is R², `sentence` names the leading input."""

    drivers: tuple[Driver, ...]
    explained: float
    n: int
    sentence: str


def _shares(correlation: Floats, with_outcome: Floats) -> Floats:
    """Mean gain in R² of each input over all orders of entry."""
    count = with_outcome.size
    explained: dict[int, float] = {0: 0.0}
    for size in range(1, count + 1):
        for chosen in combinations(range(count), size):
            rows = list(chosen)
            part = with_outcome[rows]
            solved = np.linalg.lstsq(correlation[np.ix_(rows, rows)], part, rcond=None)[0]
            explained[sum(1 << row for row in rows)] = float(part @ solved)
    shares = np.zeros(count)
    weight = [math.factorial(k) * math.factorial(count - k - 1) / math.factorial(count) for k in range(count)]
    for mask, value in explained.items():
        size = mask.bit_count()
        for row in range(count):
            if not mask >> row & 1:
                shares[row] += weight[size] * (explained[mask | 1 << row] - value)
    return shares


def drivers(
    projection: Projection,
    quantity: str,
    *,
    scenario: str | int = 0,
    against: str | int | None = None,
    year: int | None = None,
    over_years: int = 1,
    level: float = 0.95,
    inputs: dict[str, Floats] | None = None,
) -> Drivers:
    """Rank the uncertain inputs by what they do to an outcome.

    Parameters
    ----------
    projection : Projection
    quantity : str
    scenario : str or int
        The scenario whose outcome is explained.
    against : str or int, optional
        Explain the difference of `scenario` from this one instead.
    year, over_years
        As in `decision.compare`.
    level : float
        Level of the intervals of the rank correlations.
    inputs : dict, optional
        Name → values by draw; None takes those of the projection.

    Returns
    -------
    Drivers

    Raises
    ------
    InputError
        If inputs are missing, or fewer than 10 draws have a value.
    """
    if not 0 < level < 1:
        raise InputError(f"level must be between 0 and 1, got {level!r}")
    values = projection.at(quantity, year=year, over_years=over_years)
    outcome = values[projection.scenario(scenario)]
    if against is not None:
        outcome = outcome - values[projection.scenario(against)]
    given = projection.inputs if inputs is None else inputs
    known = np.isfinite(outcome)
    n = int(known.sum())
    if n < 10:
        raise InputError(f"drivers need at least 10 draws with a value, got {n}")
    names = [name for name, values in given.items() if np.ptp(np.asarray(values)[known]) > 0]
    if not names:
        raise InputError("drivers need at least one input that varies over the draws")
    ranks = np.stack([rankdata(np.asarray(given[name])[known]) for name in names])
    label = quantity.replace("_", " ")
    method = "Spearman rank correlation; Fisher's z with standard error 1.06/sqrt(n - 3)"
    rank_outcome = rankdata(outcome[known])
    if np.ptp(rank_outcome) == 0:
        flat = tuple(
            Driver(name, Estimate.not_estimable("the outcome is the same in every draw", method=method, n=n, level=level), 0.0)
            for name in names
        )
        return Drivers(flat, 0.0, n, f"Nothing drives {label}: it is the same in every draw.")
    everything = np.corrcoef(np.vstack([ranks, rank_outcome]))
    with_outcome = everything[-1, :-1]
    kept = np.argsort(-np.abs(with_outcome))[:_MOST]
    shares = np.zeros(len(names))
    shares[kept] = _shares(everything[np.ix_(kept, kept)], with_outcome[kept])
    width = float(norm.ppf(0.5 + level / 2)) * 1.06 / math.sqrt(n - 3)
    found = []
    for place, name in enumerate(names):
        rho = float(with_outcome[place])
        z = math.atanh(min(max(rho, -1 + 1e-15), 1 - 1e-15))
        se = 1.06 / math.sqrt(n - 3) * (1 - rho**2)
        estimate = Estimate(rho, se, math.tanh(z - width), math.tanh(z + width), level, "", method, n)
        found.append(Driver(name, estimate, float(shares[place])))
    found.sort(key=lambda driver: -driver.variance_share)
    first, explained = found[0], float(shares.sum())
    way = "rises" if first.rank_correlation.value > 0 else "falls"
    what = f"the difference in {label}" if against is not None else label
    sentence = (
        f"{first.name.replace('_', ' ').capitalize()} drives {what} most: it carries {100 * first.variance_share:.0f} % of the "
        f"variance of the ranks, and {what} {way} with it; all inputs together carry {100 * explained:.0f} %."
    )
    return Drivers(tuple(found), explained, n, sentence)
