"""What anglers do: effort through the year, what they keep of what they catch, and how many released fish die.

Release mortality by month. A regulation may name its own. Otherwise the share *d* assumed for today's gear is carried to another
gear by the ratio of the odds of the two gears' defaults (see `regulation`), so that a spread of *d* stays a spread. In water
warmer than a threshold the odds of dying grow by a fixed factor a degree::

    odds(d_month) = odds(d) * exp(heat_slope * max(0, temperature_month - heat_threshold_c))

A share of 0 stays 0 and one of 1 stays 1. Taylor & White (1992) found no effect of temperature; later work found a rise above
about 18 to 20 °C (from memory). The default slope is common practice, no source; it acts only when temperatures are given.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fishreport.exceptions import InputError
from fishreport.population.regulation import GEAR_RELEASE_MORTALITY, Regulation

Floats = NDArray[np.float64]
_SHARES = ("release_mortality", "noncompliance", "voluntary_release")
_POSITIVE = ("effort_h_per_km", "catch_per_hour", "hours_per_trip", "catch_dispersion")


def _checked(name: str, value: ArrayLike) -> Floats:
    array = np.array(value, dtype=float, ndmin=1)
    if array.ndim != 1 or not array.size:
        raise InputError(f"{name} must be a number or one number a draw, got an array of shape {array.shape}")
    share = name in _SHARES
    good = (array >= 0) & (array <= 1) if share else array > 0
    if not good.all() or (name != "catch_dispersion" and not np.isfinite(array).all()):
        allowed = "a share from 0 to 1" if share else "above 0"
        raise InputError(f"{name} must be {allowed}, got {float(array[~good][0]) if not good.all() else 'infinity'}")
    array.flags.writeable = False
    return array


def _twelve(name: str, value: Sequence[float]) -> tuple[float, ...]:
    months = tuple(float(item) for item in value)
    if len(months) != 12 or not all(math.isfinite(item) for item in months):
        raise InputError(f"{name} must hold 12 finite numbers, January first, got {len(months)} values")
    return months


def seasonal_temperature(mean_c: float, *, amplitude_c: float, warmest_month: int = 8) -> tuple[float, ...]:
    """Water temperature (°C) of the twelve months as a cosine wave with its top in `warmest_month`."""
    return tuple(mean_c + amplitude_c * math.cos(2 * math.pi * (month - warmest_month) / 12) for month in range(1, 13))


def change_odds(share: ArrayLike, factor: ArrayLike) -> Floats:
    """The share whose odds are `factor` times those of `share`; 0 and 1 stay as they are."""
    share, factor = np.asarray(share, dtype=float), np.asarray(factor, dtype=float)
    return share * factor / (1 - share + share * factor)


@dataclass(frozen=True)
class Angling:
    """Assumptions about anglers. Each of the first seven is a number, or an array with one value a draw.

    Attributes
    ----------
    release_mortality : share, optional
        Share of released fish that die under today's gear; None takes the default of the gear.
    noncompliance : share
        Share of protected fish (by length, or over the bag limit) that are kept all the same.
    voluntary_release : share
        Share of fish that might be kept, which anglers release by choice.
    effort_h_per_km : float, optional
        Angler hours per km and year today. None derives it from `catch_per_hour`.
    catch_per_hour : float
        Fish caught an angler hour today; only used without `effort_h_per_km`. The default is common practice, no source.
    hours_per_trip : float
        Length of a trip (h). One trip stands for one angler's day, on which a bag limit acts.
    catch_dispersion : float
        Size parameter of the negative binomial catch per trip (variance = mean + mean²/size); infinite is Poisson.
    effort_by_month : 12 numbers
        Effort of each month, January first, in any unit; only shares matter.
    water_temperature_c : 12 numbers, optional
        Mean water temperature (°C) of each month.
    heat_threshold_c, heat_slope : float
        Release mortality rises above this temperature, by this much on the logit scale per °C.
    closed_effort_moves : float
        Share of the effort of newly closed months that moves to the open months (the rest is lost).
    """

    release_mortality: Any = None
    noncompliance: Any = 0.05
    voluntary_release: Any = 0.5
    effort_h_per_km: Any = None
    catch_per_hour: Any = 0.7
    hours_per_trip: Any = 4.0
    catch_dispersion: Any = 1.0
    effort_by_month: Sequence[float] = (1.0,) * 12
    water_temperature_c: Sequence[float] | None = None
    heat_threshold_c: float = 18.0
    heat_slope: float = 0.2
    closed_effort_moves: float = 0.0

    def __post_init__(self) -> None:
        for name in (*_SHARES, *_POSITIVE):
            value = getattr(self, name)
            if value is not None:
                object.__setattr__(self, name, _checked(name, value))
        effort = _twelve("effort_by_month", self.effort_by_month)
        if min(effort) < 0 or sum(effort) <= 0:
            raise InputError("effort_by_month must hold numbers of 0 and more, not all 0")
        object.__setattr__(self, "effort_by_month", tuple(item / sum(effort) for item in effort))
        if self.water_temperature_c is not None:
            object.__setattr__(self, "water_temperature_c", _twelve("water_temperature_c", self.water_temperature_c))
        if not math.isfinite(self.heat_slope) or self.heat_slope < 0:
            raise InputError(f"heat_slope must be 0 or more per °C, got {self.heat_slope!r}")
        if not 0 <= self.closed_effort_moves <= 1:
            raise InputError(f"closed_effort_moves must be a share from 0 to 1, got {self.closed_effort_moves!r}")

    @classmethod
    def from_spreads(cls, rng: np.random.Generator, draws: int, **values: Any) -> Angling:
        """Draws from values given as ``(value, se)``: beta for shares, lognormal for the rest, with that mean and se.

        Anything not a pair is taken as it is. A se too large for a beta (se² of value·(1 - value) or more) is refused.
        """
        made: dict[str, Any] = {}
        for name, value in values.items():
            if name in (*_SHARES, *_POSITIVE) and isinstance(value, tuple):
                mean, se = value
                made[name] = beta_draws(rng, draws, mean, se, name) if name in _SHARES else positive_draws(rng, draws, mean, se)
            else:
                made[name] = value
        return cls(**made)

    def take(self, index: NDArray[np.intp]) -> Angling:
        """The same with one value a draw: draw *i* of the result is draw ``index[i]``, counted round."""
        changes = {
            name: getattr(self, name)[index % getattr(self, name).size]
            for name in (*_SHARES, *_POSITIVE)
            if getattr(self, name) is not None
        }
        return dataclasses.replace(self, **changes)

    def inputs(self) -> dict[str, Floats]:
        """The assumptions that vary over the draws, by name."""
        fields = {name: getattr(self, name) for name in (*_SHARES, *_POSITIVE)}
        return {name: value for name, value in fields.items() if value is not None and np.ptp(value) > 0}

    def monthly_release_mortality(self, regulation: Regulation, *, today: Regulation | None = None) -> Floats:
        """Share of released fish that die, draws × 12 months, under `regulation`; `today` names the gear of the base value."""
        own = regulation.release_mortality
        base: Floats
        if own is not None:
            base = np.array([own])
        elif self.release_mortality is None:
            base = np.array([GEAR_RELEASE_MORTALITY[regulation.gear]])
        else:
            base = self.release_mortality
            now, then = (GEAR_RELEASE_MORTALITY[rule.gear] for rule in (today or regulation, regulation))
            if now != then:
                base = change_odds(base, then / (1 - then) / (now / (1 - now)))
        heat = np.zeros(12)
        if self.water_temperature_c is not None:
            heat = np.maximum(0.0, np.asarray(self.water_temperature_c) - self.heat_threshold_c)
        return change_odds(base[:, None], np.exp(self.heat_slope * heat)[None, :])

    def monthly_effort(self, regulation: Regulation) -> Floats:
        """Effort of the 12 months under `regulation`, in years of full effort at today's pattern (they sum to 1 unlimited)."""
        effort = np.asarray(self.effort_by_month)
        closed = np.isin(np.arange(1, 13), regulation.closed_months)
        open_effort = np.where(closed, 0.0, effort)
        if open_effort.sum() > 0:
            open_effort = open_effort * (1 + self.closed_effort_moves * effort[closed].sum() / open_effort.sum())
        return open_effort * (1 + regulation.effort_change)


def positive_draws(rng: np.random.Generator, draws: int, mean: float, se: float) -> Floats:
    """Lognormal draws with this mean and standard deviation; all alike when `se` is 0."""
    if mean <= 0 or se < 0 or not math.isfinite(mean + se):
        raise InputError(f"a positive quantity needs a value above 0 and a se of 0 or more, got {mean!r} and {se!r}")
    variance = math.log1p((se / mean) ** 2)
    return np.exp(math.log(mean) - variance / 2 + math.sqrt(variance) * rng.standard_normal(draws))


def beta_draws(
    rng: np.random.Generator, draws: int, mean: float, se: float, name: str = "a share", low: float = 0.0, high: float = 1.0
) -> Floats:
    """Draws of a beta distribution on [low, high] with this mean and standard deviation; all alike when `se` is 0."""
    if not low <= mean <= high or se < 0:
        raise InputError(f"{name} needs a value from {low:g} to {high:g} and a se of 0 or more, got {mean!r} and {se!r}")
    if se == 0:
        return np.full(draws, float(mean))
    share, spread = (mean - low) / (high - low), se / (high - low)
    size = share * (1 - share) / spread**2 - 1
    if size <= 0:
        raise InputError(f"the se of {name} is too large for a share: {se!r} about {mean!r}")
    return low + (high - low) * rng.beta(share * size, (1 - share) * size, draws)
