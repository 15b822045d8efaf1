"""Length at earlier ages from the radii of a hard part (scale, otolith, fin ray), and the regressions that this needs."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import pandas as pd
from scipy import stats

from fishreport.exceptions import InputError
from fishreport.methods.estimate import Estimate
from fishreport.methods.growth_curves import Floats
from fishreport.methods.inputs import measurements, number, numbers

Form = Literal["fraser-lee", "body-proportional", "scale-proportional"]


@dataclass(frozen=True)
class RadiusRegression:
    """Straight line between fish length and radius of the hard part.

    Attributes
    ----------
    response : str
        ``length`` (length on radius: for the Fraser-Lee intercept and the body-proportional form) or ``radius`` (radius on
        length: for the scale-proportional form).
    intercept, slope : Estimate
    residual_se : float
    r_squared : float
    n : int
    notes : tuple[str, ...]
    """

    response: str
    intercept: Estimate
    slope: Estimate
    residual_se: float
    r_squared: float
    n: int
    notes: tuple[str, ...]


def _positive(value: Any, name: str) -> Floats:
    array = measurements(name, value, above=0)
    if array.ndim > 1:
        raise InputError(f"{name} must be one column, got shape {array.shape}")
    return array


def _plain(increments: Any) -> Any:
    """Rows of unequal length as an array of rows."""
    if isinstance(increments, np.ndarray) or np.isscalar(increments):
        return increments
    if not isinstance(increments, Iterable):
        raise InputError(f"increments must hold the radii of every fish, got {increments!r}")
    rows = list(increments)
    array = np.empty(len(rows), dtype=object)
    array[:] = rows
    return array


def _rows_of_radii(increments: Any, fish: int, scalar: bool) -> tuple[Floats, Literal["row", "column", "table"]]:
    """Radii at the annuli as (fish, annuli) with NaN after the last annulus, and the shape to answer in."""
    given = list(increments.to_numpy() if isinstance(increments, pd.DataFrame | pd.Series) else np.atleast_1d(_plain(increments)))
    rows = [numbers("increments", row) for row in given]
    if all(np.ndim(row) == 0 for row in given):
        flat = np.array([row[0] for row in rows])
        if scalar or (fish == 1 and flat.size != 1):
            return flat[None, :], "row"
        if flat.size != fish:
            raise InputError(f"increments must hold the radii of every fish, got {flat.size} radii for {fish} fish")
        return flat[:, None], "column"
    if len(rows) != fish:
        raise InputError(f"increments must hold one row of radii a fish, got {len(rows)} rows for {fish} fish")
    widest = max((row.size for row in rows), default=0)
    table = np.full((fish, widest), np.nan)
    for place, row in enumerate(rows):
        table[place, : row.size] = row
    return table, "row" if scalar else "table"


def _check_radii(radii: Floats, edge: Floats) -> None:
    with np.errstate(invalid="ignore"):
        if np.any(radii < 0):
            raise InputError(f"increments must be 0 or more, got {radii[radii < 0][0]:g}")
        if np.any(np.diff(radii, axis=1) < 0):
            raise InputError(
                "increments must be radii from the focus to each annulus, rising from the first to the last; "
                "for widths between annuli give cumulative=False"
            )
        beyond = radii > edge[:, None] * (1 + 1e-9)
        if np.any(beyond):
            fish, annulus = np.argwhere(beyond)[0]
            raise InputError(
                f"no annulus can lie beyond the edge: got radius {radii[fish, annulus]:g} at annulus {annulus + 1} and "
                f"{edge[fish]:g} at the edge"
            )


def back_calculate(
    length_mm: Any,
    radius: Any,
    increments: Any,
    *,
    intercept: float,
    slope: float | None = None,
    method: Form = "fraser-lee",
    cumulative: bool = True,
) -> Floats:
    """Length at each annulus, from the radii of the hard part.

    Parameters
    ----------
    length_mm : float or array (fish,)
        Length at capture, Lc (mm).
    radius : float or array (fish,)
        Radius of the hard part at its edge, Sc, in any unit.
    increments : list of arrays, or array (fish, annuli) with NaN after the last annulus
        Radii S_i from the focus to each annulus, in the unit of `radius`. For a single fish a plain list; for one annulus a
        fish a column.
    intercept : float
        Fraser-Lee: a (mm), the length at which the hard part forms, from the regression of length on radius or a published
        standard; 0 makes it the Dahl-Lea form. Body-proportional: intercept of length on radius. Scale-proportional:
        intercept of radius on length.
    slope : float, optional
        Slope of the same regression; needed by the two proportional forms.
    method : {"fraser-lee", "body-proportional", "scale-proportional"}
        ``L_i = a + (Lc - a) S_i / Sc`` (Fraser 1916, Lee 1920);
        ``L_i = Lc (a + b S_i) / (a + b Sc)`` (Whitney and Carlander 1956);
        ``L_i = (S_i / Sc) (Lc + a / b) - a / b`` (Hile 1970); all as in Francis 1990, J. Fish Biol. 36:883-902 (from memory).
    cumulative : bool
        False where `increments` are the widths between successive annuli instead of radii.

    Returns
    -------
    array (fish, annuli)
        Lengths (mm), NaN where there is no annulus, no length or no radius; a row for a single fish given as numbers.

    Raises
    ------
    InputError
        For radii that decline or lie beyond the edge, lengths or radii of 0 or less, an unknown method, a missing slope, or
        an intercept that makes the form impossible.
    """
    if method not in ("fraser-lee", "body-proportional", "scale-proportional"):
        raise InputError(f"method must be fraser-lee, body-proportional or scale-proportional, got {method!r}")
    intercept = number("intercept", intercept)
    if method != "fraser-lee" and (slope is None or number("slope", slope) <= 0):
        raise InputError(f"method {method!r} needs the slope of the regression, above 0, got {slope}")
    captured, edge = _positive(length_mm, "length_mm"), _positive(radius, "radius")
    if captured.shape != edge.shape:
        raise InputError(f"length_mm and radius must have equal length, got {captured.size} and {edge.size}")
    scalar = captured.ndim == 0
    captured, edge = np.atleast_1d(captured), np.atleast_1d(edge)
    radii, shape = _rows_of_radii(increments, captured.size, scalar)
    if not cumulative:
        radii = np.cumsum(radii, axis=1)
    _check_radii(radii, edge)
    ratio, at_capture = radii / edge[:, None], captured[:, None]
    if method == "fraser-lee":
        if np.any(intercept >= captured):
            raise InputError(f"intercept must lie below every length at capture, got {intercept:g} and {captured.min():g} mm")
        lengths = intercept + (at_capture - intercept) * ratio
    elif method == "body-proportional":
        at_edge = intercept + float(slope or 0) * edge[:, None]
        if np.any(at_edge <= 0):
            raise InputError(
                f"the regression gives a length of 0 or less at a radius of {edge.min():g}; check intercept and slope"
            )
        lengths = at_capture * (intercept + float(slope or 0) * radii) / at_edge
    else:
        offset = intercept / float(slope or 1)
        lengths = ratio * (at_capture + offset) - offset
    return lengths[0] if shape == "row" else lengths[:, 0] if shape == "column" else lengths


def fit_radius_regression(
    length_mm: Any, radius: Any, *, response: Literal["length", "radius"] = "length", level: float = 0.95, minimum: int = 5
) -> RadiusRegression:
    """Least-squares line between length and radius at capture.

    Parameters
    ----------
    length_mm, radius : arrays (fish,)
        Fish that lack either are left out and counted in a note.
    response : {"length", "radius"}
        Length on radius for the Fraser-Lee and body-proportional forms, radius on length for the scale-proportional form;
        the two lines are not each other's inverse.
    level : float
    minimum : int
        Fish below which nothing is fitted.

    Returns
    -------
    RadiusRegression
        Intercept and slope with Student's t intervals. Not estimable: fewer than `minimum` fish, or all alike in size.
    """
    if response not in ("length", "radius"):
        raise InputError(f"response must be length or radius, got {response!r}")
    lengths, radii = np.atleast_1d(_positive(length_mm, "length_mm")), np.atleast_1d(_positive(radius, "radius"))
    if lengths.shape != radii.shape:
        raise InputError(f"length_mm and radius must have equal length, got {lengths.size} and {radii.size}")
    kept = ~(np.isnan(lengths) | np.isnan(radii))
    lengths, radii = lengths[kept], radii[kept]
    notes = [f"{int(np.sum(~kept))} fish without length or radius left out"] if not kept.all() else []
    x, y = (radii, lengths) if response == "length" else (lengths, radii)
    units = ("mm", "mm per unit of radius") if response == "length" else ("units of radius", "units of radius per mm")
    method = f"least squares of {'length on radius' if response == 'length' else 'radius on length'}; t interval"
    n, needed = x.size, max(minimum, 3)
    why = f"{n} fish with a radius, {needed} needed" if n < needed else "all fish are of one size" if np.ptp(x) == 0 else ""
    if why:
        both = [Estimate.not_estimable(why, units=u, method=method, n=n, level=level) for u in units]
        return RadiusRegression(response, both[0], both[1], math.nan, math.nan, n, (*notes, f"not estimable: {why}"))
    line = stats.linregress(x, y)
    reach = float(stats.t.ppf((1 + level) / 2, n - 2))
    rss = float(np.sum((y - line.intercept - line.slope * x) ** 2))
    pairs = ((line.intercept, line.intercept_stderr), (line.slope, line.stderr))
    both = [
        Estimate(float(v), float(se), float(v - reach * se), float(v + reach * se), level, u, method, n, tuple(notes))
        for (v, se), u in zip(pairs, units, strict=True)
    ]
    return RadiusRegression(response, both[0], both[1], math.sqrt(rss / (n - 2)), float(line.rvalue**2), n, tuple(notes))
