"""Standardised yearly index of catch rate from a catch model."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import optimize, special

from fishreport.exceptions import InputError
from fishreport.methods.catch_model import CatchModel
from fishreport.methods.catch_terms import Term, design_matrix
from fishreport.methods.estimate import Estimate
from fishreport.methods.inputs import FloatArray, check_level, numbers, same_size

UNITS = "fish/h"


def _season_term(model: CatchModel, season: str) -> Term:
    for term in model.terms:
        if term.column == season and term.levels is not None:
            return term
    held = ", ".join(term.column for term in model.terms) or "none"
    raise InputError(f"season must be a factor among the terms of the model ({held}); got {season!r}")


def _linear_predictor(model: CatchModel, frame: pd.DataFrame) -> tuple[FloatArray, FloatArray]:
    """Rate (fish/h; 0 in levels without catch) and design rows of the estimable coefficients."""
    x, empty = design_matrix(frame, model.terms)
    x = x[:, model.kept]
    rate = np.where(empty, 0.0, np.exp(np.clip(x @ model.beta, -500, 500)))
    return rate, x


def _upper_of_nothing(base: FloatArray, effort: FloatArray, theta: float, level: float) -> float:
    """Multiple of the rates `base` at which catching nothing at all has probability 1 − level; infinite when none is."""
    expected = base * effort
    wanted = -math.log(1 - level)
    if expected.sum() <= 0:
        return math.inf
    if math.isinf(theta):
        return wanted / float(expected.sum())

    def short(log_multiple: float) -> float:
        return theta * float(np.log1p(math.exp(log_multiple) * expected / theta).sum()) - wanted

    low = math.log(wanted / float(expected.sum())) - 1
    high = low + 2
    while short(high) < 0 and high < 300:
        high += 5
    return math.exp(float(optimize.brentq(short, low, high))) if high < 300 else math.inf


def _shares(weight: npt.ArrayLike | None, frame: pd.DataFrame, kept: npt.NDArray[np.bool_]) -> FloatArray:
    """Weight of each complete row of the mix, summing to 1; equal without `weight`."""
    if weight is None:
        given = np.ones(len(frame))
    else:
        given = numbers("weight", weight, at_least=0)
        same_size(weight=given, frame=frame.index.to_numpy())
        if np.isnan(given).any() or not given[kept].sum() > 0:
            raise InputError("weight must hold a number for every row of frame, not all 0; got missing ones or zeros only")
    return given[kept] / max(given[kept].sum(), 1e-300)


def standardised_index(
    model: CatchModel,
    frame: pd.DataFrame,
    *,
    season: str = "season",
    weight: npt.ArrayLike | None = None,
    level: float | None = None,
) -> dict[Any, Estimate]:
    """Catch rate of each season as if every season had been fished at the same mix of sites.

    Parameters
    ----------
    model : CatchModel
        With `season` among its factors.
    frame : DataFrame
        Its rows are the mix: each season's index is the mean rate over all of them with the season changed. Give the model's
        frame for the mix of all runs, or a frame with one row a site for sites of equal weight. Rows with a missing term are
        left out.
    season : str
        Column of the season.
    weight : array, optional
        Weight of each row of `frame` in the mix, 0 or more, such as the length of river that a site stands for; equal without.
    level : float, optional
        By default that of the model.

    Returns
    -------
    dict
        Season → Estimate (fish/h), in order; n is the number of runs fitted. A season in which nothing was caught has value 0,
        lower limit 0 and a one-sided upper limit; a season that the terms cannot tell apart, or any with catch of a model that
        could not be fitted, is not estimable.

    Raises
    ------
    InputError
        When the model has no such factor, or `frame` holds a level that the model has never seen.

    Notes
    -----
    Index = (weighted) mean over rows of exp(x β) (population marginal mean); variance of its logarithm by the delta method; t
    limits on the log scale. A model fitted by cluster: the variances are those of the model's information times the mean over
    seasons of cluster variance over model variance, at least 1; the few clusters of a single season tell its own factor too
    poorly (in simulated surveys of 12 sites its errors went from 0.6 to 1.6 of those of the model). A season of zeros: the
    rate at which nothing in all its runs would have probability 1 − level, with the site effects and α of the other seasons
    taken as known.
    """
    chosen = model.level if level is None else check_level(level)
    term = _season_term(model, season)
    columns = [t.column for t in model.terms if t.column != season]
    missing = [column for column in columns if column not in frame.columns]
    if missing:
        raise InputError(f"frame must have the columns of the model; {', '.join(missing)} not found")
    complete = frame[columns].notna().all(axis=1).to_numpy()
    mix = frame.loc[complete, columns].drop(columns=season, errors="ignore")
    share = _shares(weight, frame, complete)
    weighted = "" if weight is None else "weighted "
    kind = f"{weighted}marginal mean of a {model.family} model over the same mix of {len(mix)} rows each season"
    if not columns:
        mix, share = pd.DataFrame(index=range(1)), np.ones(1)
        kind = f"rate of a {model.family} model, no other terms"
    assert term.levels is not None
    rates = {
        label: _rate(model, mix, share, term, label)
        for label in term.levels
        if model.estimable and label not in term.empty and len(mix)
    }
    inflation = _inflation(list(rates.values()))
    answer: dict[Any, Estimate] = {}
    for label in term.levels:
        if len(mix) == 0:
            answer[label] = Estimate.not_estimable("no complete row in the mix", units=UNITS, method=kind, level=chosen)
        elif not model.estimable and label not in term.empty:
            reason = next((n.removeprefix("not estimable: ") for n in model.notes), "the model could not be fitted")
            answer[label] = Estimate.not_estimable(reason, units=UNITS, method=kind, level=chosen)
        elif label in term.empty:
            answer[label] = _nothing_caught(model, mix, share, term, label, kind, chosen)
        else:
            answer[label] = _index(model, rates[label], inflation, kind, chosen)
    return answer


@dataclass(frozen=True, slots=True)
class _Rate:
    """A season's rate over the mix, and the variance of its logarithm by the model's information and by cluster."""

    value: float
    own: float
    by_cluster: float
    missing: str = ""


def _rate(model: CatchModel, mix: pd.DataFrame, share: FloatArray, term: Term, label: Any) -> _Rate:
    name = f"{term.column}[{label}]"
    if name in model.coefficients and not model.coefficients[name].estimable:
        return _Rate(math.nan, math.nan, math.nan, "other terms determine the season's effect")
    rate, x = _linear_predictor(model, mix.assign(**{term.column: label}))
    value = float(share @ rate)
    if value <= 0:
        return _Rate(math.nan, math.nan, math.nan, "the mix holds only levels without catch")
    gradient = ((share * rate) @ x) / value
    own, clustered = (max(float(gradient @ one @ gradient), 0.0) for one in (model.model_covariance, model.covariance))
    return _Rate(value, own, clustered)


def _inflation(rates: Sequence[_Rate]) -> float:
    """By what runs of a cluster being alike widens the variances: the mean over seasons, at least 1."""
    ratios = [one.by_cluster / one.own for one in rates if not one.missing and one.own > 0]
    return max(1.0, sum(ratios) / len(ratios)) if ratios else 1.0


def _index(model: CatchModel, rate: _Rate, inflation: float, kind: str, level: float) -> Estimate:
    errors = ""
    if model.cluster:
        errors = f", the model's errors times {math.sqrt(inflation):.2f} for clusters by {' and '.join(model.cluster)}"
    method = f"{kind}; delta method{errors}, t limits on the log scale"
    if rate.missing:
        return Estimate.not_estimable(rate.missing, units=UNITS, method=method, n=model.n, level=level)
    log_se = math.sqrt(rate.own * inflation)
    half = float(special.stdtrit(model.t_df, 0.5 + level / 2)) * log_se
    limits = (rate.value * math.exp(-half), rate.value * math.exp(half))
    return Estimate(rate.value, rate.value * log_se, *limits, level, UNITS, method, model.n)


def _nothing_caught(
    model: CatchModel, mix: pd.DataFrame, share: FloatArray, term: Term, label: Any, kind: str, level: float
) -> Estimate:
    method = f"{kind}; nothing caught: one-sided upper limit"
    held = model.empty_runs
    held = held[held[term.column].to_numpy() == label]
    effort = held["__effort"].to_numpy(dtype=float)
    note = f"nothing caught in {len(held)} runs: the upper limit is one-sided"
    if not model.estimable:
        upper = _upper_of_nothing(np.ones(len(effort)), effort, math.inf, level)
        note += ", from Poisson catches"
    else:
        baseline = next(name for name in (term.levels or ()) if name not in term.empty)
        columns = [t.column for t in model.terms if t.column != term.column]
        base, _ = _linear_predictor(model, held[columns].assign(**{term.column: baseline}))
        multiple = _upper_of_nothing(base, effort, model.theta, level)
        rate, _ = _linear_predictor(model, mix.assign(**{term.column: baseline}))
        upper = multiple * float(share @ rate)
    return Estimate(0.0, math.nan, 0.0, upper, level, UNITS, method, len(held), (note,))
