"""A step change of a yearly index after a named event, such as a rule change or a new way of running a dam."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from fishreport.exceptions import InputError
from fishreport.methods.estimate import Estimate
from fishreport.methods.inputs import check_level
from fishreport.methods.random_effects import as_percent, fit_random_effects, two_sided
from fishreport.methods.series import dependence_note, filled_errors, lag_one, read_series, to_log

FEWEST_PER_SIDE = 3
FEWEST_PER_SIDE_WITH_TREND = 5
_ONE_WATER = "seasons before and after at one water: whatever else changed in those years is in the change too"


@dataclass(frozen=True, slots=True)
class StepChange:
    """Before and after an event.

    Attributes
    ----------
    change : Estimate
        In percent of the time before (log scale), or in the units of the values.
    before, after : Estimate
        Mean levels (geometric on the log scale) of the two times, in the units of the values.
    p : float
        Two-sided probability of such a change without an effect; NaN when not estimable.
    between_year_sd : float
        Scatter of seasons beyond sampling error, on the scale of the fit.
    """

    change: Estimate
    before: Estimate
    after: Estimate
    p: float
    between_year_sd: float


def before_after(
    year: ArrayLike,
    value: ArrayLike,
    event_year: int,
    *,
    se: ArrayLike | None = None,
    level: float = 0.95,
    units: str = "",
    scale: Literal["log", "identity"] = "log",
    trend: bool = False,
) -> StepChange:
    """Step change of a yearly index at an event.

    Parameters
    ----------
    year, value, se : arrays (n,)
        Season, index and, where known, its standard error; one value a season.
    event_year : int
        First season after the event.
    units : str
        Units of the values.
    scale : str
        ``log``: the change is in percent, zeros are left out and counted. ``identity``: in the units of the values.
    trend : bool
        Allow a steady trend beside the step, the same before and after; the change is then net of it. It needs five seasons each
        side, as a step and a trend are hard to tell apart.

    Returns
    -------
    StepChange
        Regression on an indicator of the seasons from `event_year` on, weighted by sampling and between-season variance
        (`random_effects.fit_random_effects`), Student's t with n − 2 (n − 3 with a trend) degrees of freedom. Without standard
        errors it is the two-sample t test with a common variance. Not estimable with fewer than three (five) seasons on either
        side.

    Raises
    ------
    InputError
        Wrong shapes, several values of one season, unknown option, a negative value on the log scale.
    """
    check_level(level)
    if scale not in ("log", "identity"):
        raise InputError(f"scale must be log or identity; got {scale!r}")
    raw = read_series(year, value, se)
    series = to_log(raw) if scale == "log" else raw
    n = series.value.size
    if series.seasons < n:
        raise InputError(f"before_after takes one value a season; got {n} values of {series.seasons} seasons")
    method = f"step change, weighted {'log-' if scale == 'log' else ''}linear regression" + (" with a trend" if trend else "")
    after = series.year >= event_year
    needed = FEWEST_PER_SIDE_WITH_TREND if trend else FEWEST_PER_SIDE
    short = [
        f"{k} season{'' if k == 1 else 's'} {w} the event"
        for k, w in ((int((~after).sum()), "before"), (int(after.sum()), "after"))
        if k < needed
    ]
    change_units = "percent" if scale == "log" else ("percentage points" if units == "percent" else units)
    if short:
        reason = f"{' and '.join(short)}, {needed} needed"
        lost = Estimate.not_estimable(reason, units=change_units, method=method, n=n, level=level)
        side = Estimate.not_estimable(reason, units=units, method=method, n=n, level=level)
        return StepChange(lost, side, side, math.nan, math.nan)
    variance, lacking = filled_errors(series)
    design = np.column_stack([(~after).astype(float), after.astype(float)])
    rows = {"before": [1.0, 0.0], "after": [0.0, 1.0], "change": [-1.0, 1.0]}
    if trend:
        design = np.column_stack([design, series.year - event_year])
        rows = {name: [*row, 0.0] for name, row in rows.items()}
    fit = fit_random_effects(design, series.value, variance)
    rho = lag_one(series.year, series.value - design @ fit.coefficients[0], design.shape[1])
    notes = (*series.notes, *lacking, *series.few_notes, *dependence_note(rho), _ONE_WATER)
    parts = {name: fit.contrast(row, level) for name, row in rows.items()}
    p = two_sided(parts["change"], fit.degrees_of_freedom)
    if scale == "log":
        change = as_percent(parts["change"], level, "percent", method, n, notes)
        sides = [
            Estimate(math.exp(v), math.exp(v) * s, math.exp(low), math.exp(high), level, units, method, k, notes)
            for (v, s, low, high), k in ((parts["before"], int((~after).sum())), (parts["after"], int(after.sum())))
        ]
    else:
        change = Estimate(*parts["change"], level, change_units, method, n, notes)
        sides = [
            Estimate(*parts[name], level, units, method, k, notes)
            for name, k in (("before", int((~after).sum())), ("after", int(after.sum())))
        ]
    return StepChange(change, sides[0], sides[1], p, fit.between_sd)
