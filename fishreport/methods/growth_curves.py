"""The growth curves and their derivatives: one family, of which four members have names.

All curves are members of Richards' family (Richards 1959, J. Exp. Bot. 10:290-300, from memory), here with the power
``q`` of length that grows as a von Bertalanffy curve::

    L(t) = Linf [1 - q exp(-K (t - t_i))]^(1/q)        q = 1  von Bertalanffy (t_i is the age at length 0)
    L(t) = Linf exp(-exp(-K (t - t_i)))                q = 0  Gompertz        (t_i is the age at the inflection)
                                                       q = -1 logistic        (t_i is the age at the inflection)

``Linf, K, t_i`` are the *natural* parameters. Fits move in *anchored* parameters instead: the expected lengths at a young and
at an old age, and K (Schnute 1981, Can. J. Fish. Aquat. Sci. 38:1128-1140, from memory). There a curve is a power mean of
the two lengths, ``L^q = (1 - w) L_young^q + w L_old^q``, whose weight w(t) depends on K alone; it exists for every real K and
passes smoothly through K = 0 (growth without an asymptote).

Parameters stand in the last axis, ages in the last axis of a result, so many parameter sets are evaluated at once.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fishreport.exceptions import InputError

Floats = NDArray[np.float64]

POWER_BOUNDS = (-3.0, 1.5)
"""Bounds of the power of Richards' curve."""

_NEAR_ZERO = 1e-4
_LARGEST_EXPONENT = 300.0


@dataclass(frozen=True, slots=True)
class GrowthCurve:
    """A member of the family.

    Attributes
    ----------
    key : str
        ``von_bertalanffy``, ``gompertz``, ``logistic`` or ``richards``.
    name : str
        As it stands in text.
    power : float | None
        The power q; None where it is estimated.
    """

    key: str
    name: str
    power: float | None

    @property
    def parameters(self) -> tuple[str, ...]:
        """Names of the natural parameters, in the order of every array of them."""
        third = "age_at_zero" if self.power == 1 else "age_at_inflection"
        names = ("asymptotic_length", "growth_coefficient", third)
        return names if self.power is not None else (*names, "shape")


CURVES = {
    curve.key: curve
    for curve in (
        GrowthCurve("von_bertalanffy", "von Bertalanffy", 1.0),
        GrowthCurve("gompertz", "Gompertz", 0.0),
        GrowthCurve("logistic", "logistic", -1.0),
        GrowthCurve("richards", "Richards", None),
    )
}


def find_curve(key: str) -> GrowthCurve:
    """The curve of that key; InputError that lists the known ones if there is none."""
    if key not in CURVES:
        raise InputError(f"curve must be one of {', '.join(CURVES)}, got {key!r}")
    return CURVES[key]


def _split(parameters: Floats, curve: GrowthCurve) -> tuple[Floats, Floats, Floats, Any]:
    a, b, c = (parameters[..., index, None] for index in range(3))
    return a, b, c, curve.power if curve.power is not None else parameters[..., 3, None]


def _box_cox(ratio: Floats, power: Any) -> Floats:
    """(ratio^power - 1) / power, and its limit log(ratio)."""
    power = np.asarray(power, float)
    small = np.abs(power) < _NEAR_ZERO
    log = np.log(ratio)
    safe = np.where(small, 1.0, power)
    return np.where(small, log * (1 + power * log / 2), np.expm1(safe * log) / safe)


def anchored_weight(age: Floats, coefficient: Floats, young: float, old: float) -> tuple[Floats, Floats]:
    """The weight of the old length at `age`, and its derivative by K; NaN for a K so large that nothing depends on it."""
    span, since = old - young, age - young
    product = coefficient * span
    flat = np.abs(product) < _NEAR_ZERO
    k = np.where(flat, 1.0 / span, coefficient)
    exponent_age = np.clip(-k * since, -_LARGEST_EXPONENT, _LARGEST_EXPONENT)
    exponent_span = np.clip(-k * span, -_LARGEST_EXPONENT, _LARGEST_EXPONENT)
    denominator = np.expm1(exponent_span)
    weight = np.expm1(exponent_age) / denominator
    slope = (-since * np.exp(exponent_age) + weight * span * np.exp(exponent_span)) / denominator
    share = since / span
    weight = np.where(flat, share * (1 + coefficient * (span - since) / 2), weight)
    weight = np.where(np.abs(product) < _LARGEST_EXPONENT, weight, np.nan)
    slope = np.where(flat, share * (span - since) / 2, slope)
    return weight, slope


def anchored_length(parameters: Floats, age: Floats, curve: GrowthCurve, young: float, old: float) -> tuple[Floats, Floats]:
    """Length at `age` and its derivatives by the anchored parameters.

    Parameters
    ----------
    parameters : array (..., 3 or 4)
        Length at `young`, length at `old`, K and, for Richards' curve, the power.
    age : array (ages,)
        Between `young` and `old` where the power is not 1.

    Returns
    -------
    length : array (..., ages)
    derivatives : array (..., ages, 3 or 4)
    """
    first, last, coefficient, power = _split(parameters, curve)
    weight, slope = anchored_weight(age, coefficient, young, old)
    if curve.power == 1:
        length = first + (last - first) * weight
        return length, np.stack([1 - weight, weight, (last - first) * slope], axis=-1)
    log_first, log_last = np.log(first), np.log(last)
    q = np.broadcast_to(np.asarray(power, float), weight.shape)
    small = np.abs(q) < _NEAR_ZERO
    safe = np.where(small, 1.0, q)
    mean_log = (1 - weight) * log_first + weight * log_last
    spread = weight * (1 - weight) * (log_last - log_first) ** 2 / 2
    power_first, power_last = np.exp(safe * log_first), np.exp(safe * log_last)
    mean_power = (1 - weight) * power_first + weight * power_last
    log_length = np.where(small, mean_log + q * spread, np.log(mean_power) / safe)
    length = np.exp(log_length)
    by_first = (1 - weight) * np.exp((1 - q) * (log_length - log_first))
    by_last = weight * np.exp((1 - q) * (log_length - log_last))
    rise = _box_cox(last / length, q) - _box_cox(first / length, q)
    columns = [by_first, by_last, length * rise * slope]
    if curve.power is None:
        moment = ((1 - weight) * power_first * log_first + weight * power_last * log_last) / mean_power
        by_power = np.where(small, spread, (moment - np.log(mean_power) / safe) / safe)
        columns.append(length * by_power)
    return length, np.stack(columns, axis=-1)


def natural_length(parameters: Floats, age: Floats, curve: GrowthCurve) -> tuple[Floats, Floats]:
    """Length at `age` and its derivatives by the natural parameters; NaN where the curve does not exist.

    Parameters
    ----------
    parameters : array (..., 3 or 4)
        Linf, K, t_i and, for Richards' curve, the power.
    age : array (ages,)
    """
    asymptote, coefficient, centre, power = _split(parameters, curve)
    since = age - centre
    u = np.exp(np.clip(-coefficient * since, -_LARGEST_EXPONENT, _LARGEST_EXPONENT))
    if curve.power == 1:
        ratio, by_u = 1 - u, -np.ones_like(u)
    elif curve.power == 0:
        ratio = np.exp(-u)
        by_u = -ratio
    else:
        q = np.broadcast_to(np.asarray(power, float), u.shape)
        small = np.abs(q) < _NEAR_ZERO
        safe = np.where(small, 1.0, q)
        base = np.where(small, 1 - q * u, 1 - safe * u)
        base = np.where(base > 0, base, np.nan)
        log_ratio = np.where(small, -u - q * u**2 / 2, np.log(base) / safe)
        ratio = np.exp(log_ratio)
        by_u = -ratio / base
    columns = [ratio, -asymptote * by_u * since * u, asymptote * by_u * coefficient * u]
    if curve.power is None:
        by_power = np.where(small, -(u**2) / 2 - 2 * q * u**3 / 3, -(log_ratio + u / base) / safe)
        columns.append(asymptote * ratio * by_power)
    return asymptote * ratio, np.stack(columns, axis=-1)


def to_natural(parameters: Floats, curve: GrowthCurve, young: float, old: float) -> Floats:
    """Natural parameters of anchored ones; where there is no asymptote Linf is infinite, K is 0 and t_i is NaN."""
    first, last, coefficient, power = (np.asarray(part)[..., 0] if np.ndim(part) else part for part in _split(parameters, curve))
    q = np.broadcast_to(np.asarray(power, float), coefficient.shape)
    grows = (coefficient > 0) & (last > first)
    k = np.where(grows, coefficient, 1.0)
    weight = -1 / np.expm1(-k * (old - young))
    if curve.power == 1:
        asymptote = first + (last - first) * weight
        depth = 1 - first / asymptote
    else:
        log_first, rise = np.log(first), np.log(last / first)
        small = np.abs(q) < _NEAR_ZERO
        safe = np.where(small, 1.0, q)
        growth = 1 + weight * np.expm1(safe * rise)
        grows &= small | (growth > 0)
        log_ratio = np.where(
            small,
            rise * weight + q * weight * (1 - weight) * rise**2 / 2,
            np.log(np.where(growth > 0, growth, 1.0)) / safe,
        )
        asymptote = np.exp(np.minimum(log_first + log_ratio, _LARGEST_EXPONENT))
        depth = -_box_cox(first / asymptote, q)
    grows &= depth > 0
    centre = young + np.log(np.where(grows, depth, 1.0)) / k
    columns = [np.where(grows, asymptote, np.inf), np.where(grows, k, 0.0), np.where(grows, centre, np.nan)]
    if curve.power is None:
        columns.append(np.asarray(q, float))
    return np.stack(columns, axis=-1)


def to_anchored(parameters: Floats, curve: GrowthCurve, young: float, old: float) -> Floats:
    """Anchored parameters of natural ones."""
    length, _ = natural_length(parameters, np.array([young, old]), curve)
    columns = [length[..., 0], length[..., 1], parameters[..., 1]]
    if curve.power is None:
        columns.append(parameters[..., 3])
    return np.stack(columns, axis=-1)
