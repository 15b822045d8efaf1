"""Several growth curves side by side, weighted by AICc, and the mean length at age averaged over them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from fishreport.exceptions import InputError
from fishreport.methods.estimate import Estimate
from fishreport.methods.growth_curves import CURVES, Floats
from fishreport.methods.growth_fit import GrowthFit
from fishreport.methods.inputs import check_level
from fishreport.methods.length_at_age import Errors, Interval, check_aged_fish, fit_growth


@dataclass(frozen=True)
class AverageGrowth:
    """Growth curves averaged by their weight of evidence.

    Attributes
    ----------
    fits : dict[str, GrowthFit]
        By the key of the curve, in the order asked for; those that are not estimable among them.
    table : DataFrame
        ``curve``, ``parameters`` (the residual variance counted), ``rss``, ``aicc``, ``difference``, ``weight``; best first.
    asymptotic_length : Estimate
        Averaged over the curves (mm).
    mean_length : DataFrame
        `predict` at the distinct ages of the fish (at whole ages where there are more than 40).
    level : float
    n : int
    notes : tuple[str, ...]
    """

    fits: dict[str, GrowthFit]
    table: pd.DataFrame
    asymptotic_length: Estimate
    mean_length: pd.DataFrame = field(repr=False)
    level: float
    n: int
    notes: tuple[str, ...]

    @property
    def estimable(self) -> bool:
        """True when at least one curve could be fitted."""
        return len(self.table) > 0

    @property
    def weights(self) -> dict[str, float]:
        """Weight of each fitted curve by its key."""
        return dict(zip(self.table["curve"].tolist(), self.table["weight"].tolist(), strict=True))

    def predict(self, age: Any, level: float | None = None) -> pd.DataFrame:
        """Averaged mean length at age: ``age``, ``length_mm``, ``se`` (unconditional), ``lower``, ``upper``."""
        return _averaged(self.fits, self.weights, np.atleast_1d(np.asarray(age, float)), self.level if level is None else level)


def _unconditional(values: Floats, se: Floats, weights: Floats) -> tuple[Floats, Floats]:
    """Weighted mean over the first axis, and ``sum w sqrt(se^2 + (value - mean)^2)``."""
    mean = np.tensordot(weights, values, 1)
    return mean, np.tensordot(weights, np.sqrt(se**2 + (values - mean) ** 2), 1)


def _averaged(fits: dict[str, GrowthFit], weights: dict[str, float], ages: Floats, level: float) -> pd.DataFrame:
    check_level(level)
    if not weights:
        blank = {name: np.full(ages.size, math.nan) for name in ("length_mm", "se", "lower", "upper")}
        return pd.DataFrame({"age": ages, **blank})
    tables = [fits[key].predict(ages, level) for key in weights]
    share = np.array(list(weights.values()))
    mean, se = _unconditional(np.array([t["length_mm"] for t in tables]), np.array([t["se"] for t in tables]), share)
    reach = float(stats.t.ppf((1 + level) / 2, min(fits[key].df for key in weights))) * se
    return pd.DataFrame({"age": ages, "length_mm": mean, "se": se, "lower": np.maximum(mean - reach, 0.0), "upper": mean + reach})


def average_growth(
    age: Any,
    length_mm: Any,
    *,
    curves: Sequence[str] = ("von_bertalanffy", "gompertz", "logistic", "richards"),
    errors: Errors = "constant",
    interval: Interval = "profile",
    level: float = 0.95,
    resamples: int = 2000,
    rng: np.random.Generator | None = None,
    minimum: int = 4,
) -> AverageGrowth:
    """Fit several growth curves, weigh them by AICc, and average their mean length at age.

    Parameters
    ----------
    age, length_mm : arrays (fish,)
        Years and mm.
    curves : sequence of str
        Keys of the curves.
    errors, interval, level, resamples, rng, minimum
        As in `fit_growth`, for every curve.

    Returns
    -------
    AverageGrowth
        Weight: ``exp(-d / 2)`` over its sum, d the difference in AICc to the best curve. Standard errors are unconditional,
        ``sum w sqrt(se^2 + (estimate - mean)^2)`` (Burnham and Anderson 2002, Model Selection and Multimodel Inference,
        equation 4.9, from memory); intervals by Student's t with the fewest degrees of freedom among the curves. Where fish are
        few the curves that are wrong share the weight: in simulated samples of 30 to 100 fish the 95 % interval of the
        asymptotic length held the truth in 88 of 100, that of the mean length at age 3 in 94 to 95. A curve that is not
        estimable, or has too few fish for an AICc, carries no weight and is named in a note.

    Raises
    ------
    InputError
        As `fit_growth`, or for an empty list of curves.
    """
    if not curves or len(set(curves)) < len(curves):
        raise InputError(f"curves must name one or more different curves of {', '.join(CURVES)}, got {list(curves)}")
    ages, _, dropped = check_aged_fish(age, length_mm)
    options: dict[str, Any] = {"errors": errors, "interval": interval, "level": level, "resamples": resamples, "rng": rng}
    fits = {key: fit_growth(key, age, length_mm, minimum=minimum, **options) for key in curves}
    notes = [f"{dropped} fish without age or length left out"] if dropped else []
    rows = []
    for key, fit in fits.items():
        if not fit.estimable:
            notes.append(f"{fit.curve.name} curve {fit.notes[0]}")
        elif not math.isfinite(fit.aicc):
            why = "it fits exactly" if math.isinf(fit.log_likelihood) else f"{fit.n} fish are too few for its AICc"
            notes.append(f"{fit.curve.name} curve carries no weight: {why}")
        else:
            rows.append((key, fit.parameters.size + 1, fit.rss, fit.aicc))
    table = pd.DataFrame(rows, columns=["curve", "parameters", "rss", "aicc"]).sort_values("aicc", ignore_index=True)
    table["difference"] = table["aicc"] - table["aicc"].min()
    relative = np.exp(-table["difference"].to_numpy(float) / 2)
    table["weight"] = relative / relative.sum() if relative.size else relative
    weights = dict(zip(table["curve"].tolist(), table["weight"].tolist(), strict=True))
    method = "asymptotic length averaged over growth curves by AICc weight; unconditional standard error, t interval"
    if weights:
        share = np.array(list(weights.values()))
        chosen = [fits[key].asymptotic_length for key in weights]
        mean, se = _unconditional(np.array([e.value for e in chosen]), np.array([e.se for e in chosen]), share)
        reach = float(stats.t.ppf((1 + level) / 2, min(fits[key].df for key in weights))) * float(se)
        value = float(mean)
        asymptote = Estimate(
            value, float(se), max(value - reach, 0.0), value + reach, level, "mm", method, ages.size, tuple(notes)
        )
    else:
        reason = next(
            (fit.notes[0].removeprefix("not estimable: ") for fit in fits.values() if not fit.estimable), "too few fish"
        )
        asymptote = Estimate.not_estimable(reason, units="mm", method=method, n=ages.size, level=level)
    distinct = np.unique(ages)
    at = distinct if distinct.size <= 40 else np.arange(np.floor(distinct[0]), np.ceil(distinct[-1]) + 1)
    return AverageGrowth(fits, table, asymptote, _averaged(fits, weights, at, level), level, int(ages.size), tuple(notes))
