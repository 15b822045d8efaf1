"""Yield and spawning per recruit: in closed form, by fine time steps, and by age.

Closed form (Beverton & Holt 1957, in the form of Gulland 1969; from memory), for weight W(t) = Winf (1 - exp(-K (t - t0)))³,
natural mortality M from the age of recruitment tr on, and fishing mortality F from the age of first capture tc on without end::

    Y/R = F exp(-M (tc - tr)) Winf · sum over n = 0 .. 3 of U_n S**n / (F + M + n K),   U = 1, -3, 3, -1,   S = exp(-K (tc - t0))
    B/R = (Y/R) / F        (mean biomass of fish of tc and older, per recruit)

Time steps: the same fish followed in steps of 1/steps_per_year, weight taken in the middle of each step, until exp(-M t) has
fallen below 1e-12; the step in which tc lies counts for the part of it after tc.

Spawning potential ratio: the spawning biomass that a recruit gives over its life, over that without fishing.

Reference points: Fmax is where dY/dF = 0, F0.1 where dY/dF is a tenth of its value at F = 0 (Gulland & Boerema 1973, from
memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq

from fishreport.exceptions import InputError
from fishreport.methods.inputs import measurements, number

Floats = NDArray[np.float64]
_SIGNS = (1.0, -3.0, 3.0, -1.0)
HIGHEST_F = 100.0


@dataclass(frozen=True)
class _Fishery:
    natural: float
    speed: float
    weight: float
    zero: float
    entry: float
    capture: float

    @classmethod
    def checked(cls, **values: Any) -> _Fishery:
        natural = number("natural_mortality", values["natural_mortality"], above=0)
        speed = number("growth_coefficient", values["growth_coefficient"], above=0)
        weight = number("asymptotic_weight_g", values["asymptotic_weight_g"], above=0)
        zero = number("age_at_zero", values["age_at_zero"])
        entry = number("age_at_recruitment", values["age_at_recruitment"], at_least=0)
        capture = number("age_at_first_capture", values["age_at_first_capture"], at_least=entry)
        if capture < zero:
            raise InputError(f"age_at_first_capture ({capture:g}) must not be below age_at_zero ({zero:g})")
        return cls(natural, speed, weight, zero, entry, capture)

    def closed(self, fishing: Any) -> Any:
        s = np.exp(-self.speed * (self.capture - self.zero))
        total = sum(u * s**n / (fishing + self.natural + n * self.speed) for n, u in enumerate(_SIGNS))
        return fishing * np.exp(-self.natural * (self.capture - self.entry)) * self.weight * total

    def steps(self, fishing: Floats, per_year: int) -> Floats:
        count = int(np.ceil(np.log(1e12) / self.natural * per_year))
        start = self.entry + np.arange(count) / per_year
        open_part = np.clip((start + 1 / per_year - self.capture) * per_year, 0.0, 1.0)
        shut = (1 - open_part) / per_year
        middle = start + shut + open_part / per_year / 2
        weight = self.weight * np.maximum(-np.expm1(-self.speed * (middle - self.zero)), 0.0) ** 3
        natural_before = np.exp(-self.natural * (start + shut - self.entry))
        fished_before = np.concatenate([[0.0], np.cumsum(open_part)[:-1]]) / per_year
        length = open_part / per_year
        hazard = fishing[..., None] + self.natural
        caught = -np.expm1(-hazard * length) / hazard
        return fishing * (natural_before * np.exp(-fishing[..., None] * fished_before) * caught * weight).sum(axis=-1)

    def slope(self, fishing: float) -> float:
        """dY/dF by a complex step, exact to rounding (the closed form is analytic)."""
        return float(np.imag(self.closed(complex(fishing, 1e-20))) / 1e-20)


def yield_per_recruit(
    fishing_mortality: ArrayLike,
    *,
    natural_mortality: float,
    growth_coefficient: float,
    asymptotic_weight_g: float,
    age_at_first_capture: float,
    age_at_zero: float = 0.0,
    age_at_recruitment: float = 0.0,
    steps_per_year: int | None = None,
) -> Floats:
    """Yield per recruit (g), Beverton-Holt.

    Parameters
    ----------
    fishing_mortality : array
        Instantaneous, per year, of fish of the age of first capture and older; any shape.
    natural_mortality, growth_coefficient : float
        Per year.
    asymptotic_weight_g : float
        Weight at the asymptote of growth (g); weight goes with the cube of length.
    age_at_first_capture, age_at_zero, age_at_recruitment : float
        Years; a recruit counts from `age_at_recruitment` on.
    steps_per_year : int, optional
        None for the closed form; a number follows the fish in that many steps a year.

    Returns
    -------
    array of the shape of `fishing_mortality` (0-dimensional for a number)

    Raises
    ------
    InputError
        For negative or missing rates, or ages out of order.
    """
    fishing = measurements("fishing_mortality", fishing_mortality)
    if not np.isfinite(fishing).all() or (fishing < 0).any():
        raise InputError("fishing_mortality must hold finite rates of 0 or more per year")
    fishery = _Fishery.checked(
        natural_mortality=natural_mortality,
        growth_coefficient=growth_coefficient,
        asymptotic_weight_g=asymptotic_weight_g,
        age_at_zero=age_at_zero,
        age_at_recruitment=age_at_recruitment,
        age_at_first_capture=age_at_first_capture,
    )
    if steps_per_year is None:
        return np.asarray(fishery.closed(fishing))
    if isinstance(steps_per_year, bool) or not isinstance(steps_per_year, int) or not 1 <= steps_per_year <= 10_000:
        raise InputError(f"steps_per_year must be a whole number from 1 to 10000, got {steps_per_year!r}")
    return fishery.steps(fishing, steps_per_year)


def biomass_per_recruit(fishing_mortality: ArrayLike, **fishery: Any) -> Floats:
    """Mean biomass (g) of fish past the age of first capture, per recruit, in closed form; arguments as `yield_per_recruit`."""
    fishing = measurements("fishing_mortality", fishing_mortality)
    tiny = np.where(fishing > 0, fishing, 1e-12)
    return yield_per_recruit(tiny, **fishery) / tiny


@dataclass(frozen=True, slots=True)
class ReferencePoints:
    """Reference points of the yield curve.

    Attributes
    ----------
    f_max : float or None
        Fishing mortality (per year) of the highest yield; None where the curve still rises at 100 a year.
    f_01 : float
        Fishing mortality (per year) where the curve rises a tenth as steeply as at 0.
    yield_at_f_max_g : float or None
    yield_at_f_01_g : float
        Yield per recruit (g) there.
    note : str
        Empty, or why there is no `f_max`.
    """

    f_max: float | None
    f_01: float
    yield_at_f_max_g: float | None
    yield_at_f_01_g: float
    note: str = ""


def reference_points(
    *,
    natural_mortality: float,
    growth_coefficient: float,
    asymptotic_weight_g: float,
    age_at_first_capture: float,
    age_at_zero: float = 0.0,
    age_at_recruitment: float = 0.0,
) -> ReferencePoints:
    """Fmax and F0.1 of the Beverton-Holt yield per recruit; arguments as `yield_per_recruit`, roots to 1e-10."""
    fishery = _Fishery.checked(
        natural_mortality=natural_mortality,
        growth_coefficient=growth_coefficient,
        asymptotic_weight_g=asymptotic_weight_g,
        age_at_zero=age_at_zero,
        age_at_recruitment=age_at_recruitment,
        age_at_first_capture=age_at_first_capture,
    )
    start = fishery.slope(0.0)
    tenth = float(brentq(lambda f: fishery.slope(f) - 0.1 * start, 0.0, 1e6, xtol=1e-12, rtol=1e-12))
    if fishery.slope(HIGHEST_F) >= 0:
        note = f"no finite Fmax: the yield curve still rises at {HIGHEST_F:g} per year"
        return ReferencePoints(None, tenth, None, float(fishery.closed(tenth)), note)
    top = float(brentq(fishery.slope, 0.0, HIGHEST_F, xtol=1e-12, rtol=1e-12))
    return ReferencePoints(top, tenth, float(fishery.closed(top)), float(fishery.closed(tenth)))


def spawning_potential_ratio(
    fishing_mortality: ArrayLike,
    *,
    natural_mortality: ArrayLike,
    weight_g: ArrayLike,
    maturity: ArrayLike,
    vulnerability: ArrayLike = 1.0,
    spawning_time: float = 0.0,
    plus_group: bool = False,
) -> Floats:
    """Spawning biomass per recruit under fishing over that without, by age in yearly steps.

    One recruit enters the first age. N(a + 1) = N(a) exp(-M(a) - F v(a)); spawning biomass is the sum over ages of
    N(a) exp(-spawning_time (M(a) + F v(a))) weight(a) maturity(a). (Goodyear 1993, from memory.)

    Parameters
    ----------
    fishing_mortality : array
        Per year, of fully vulnerable fish; any shape.
    natural_mortality, weight_g, maturity, vulnerability : arrays (ages,) or numbers
        Per year, g, and shares from 0 to 1; at least one must be an array over ages.
    spawning_time : float
        Part of the year gone by when fish spawn, from 0 to 1.
    plus_group : bool
        Whether the last age stands for itself and all older.

    Returns
    -------
    array of the shape of `fishing_mortality`, from 0 to 1

    Raises
    ------
    InputError
        For impossible values, or when no fish matures.
    """
    fishing = measurements("fishing_mortality", fishing_mortality)
    by_age = {"natural_mortality": natural_mortality, "weight_g": weight_g, "maturity": maturity, "vulnerability": vulnerability}
    given = [np.atleast_1d(measurements(name, item)) for name, item in by_age.items()]
    ages = {item.size for item in given}
    if len(ages - {1}) != 1 or any(item.ndim > 1 for item in given):
        sizes = ", ".join(str(item.size) for item in given)
        raise InputError(
            "natural_mortality, weight_g, maturity and vulnerability must be numbers or arrays over the same ages, at least one "
            f"an array; they have {sizes} values"
        )
    natural, weight, mature, vulnerable = np.broadcast_arrays(*given)
    for name, array, high in (
        ("fishing_mortality", fishing, np.inf),
        ("natural_mortality", natural, np.inf),
        ("weight_g", weight, np.inf),
        ("maturity", mature, 1.0),
        ("vulnerability", vulnerable, 1.0),
    ):
        if not np.isfinite(array).all() or (array < 0).any() or (array > high).any():
            raise InputError(f"{name} must hold finite values of 0 or more{' and at most 1' if high == 1 else ''}")
    if not 0 <= number("spawning_time", spawning_time) <= 1:
        raise InputError(f"spawning_time must be from 0 to 1, got {spawning_time!r}")
    if not (weight * mature > 0).any():
        raise InputError("spawning potential needs at least one age with mature fish of some weight")

    def spawners(rate: Floats) -> Floats:
        hazard = natural + rate[..., None] * vulnerable
        before = np.cumsum(hazard, axis=-1) - hazard
        alive = np.exp(-before)
        if plus_group:
            alive[..., -1] /= -np.expm1(-hazard[..., -1])
        return (alive * np.exp(-spawning_time * hazard) * weight * mature).sum(axis=-1)

    if plus_group and natural[-1] <= 0:
        raise InputError("a plus group needs a natural mortality above 0 at the last age")
    return spawners(fishing) / spawners(np.zeros(()))
