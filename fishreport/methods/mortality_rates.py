"""Instantaneous, annual and conditional rates of death: all of them from any two that determine them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.optimize import brentq
from scipy.stats import norm

from fishreport.exceptions import InputError
from fishreport.methods.estimate import Estimate
from fishreport.methods.inputs import check_level, number, numbers, same_size

# Rates in one group are the same information in another form, so two of one group determine nothing new.
_GROUPS = {
    "total": "all deaths",
    "annual_mortality": "all deaths",
    "survival": "all deaths",
    "fishing": "fishing",
    "conditional_fishing": "fishing",
    "natural": "natural causes",
    "conditional_natural": "natural causes",
    "exploitation": "share caught",
    "natural_deaths": "share lost to natural causes",
}
_TOLERANCE = 1e-12


@dataclass(frozen=True, slots=True)
class MortalityRates:
    """All rates of death of one stock in one year, fishing and natural deaths going on at the same time.

    Attributes
    ----------
    total, fishing, natural : float
        Instantaneous rates per year: Z, F and M, with Z = F + M.
    annual_mortality, survival : float
        Shares of the fish of the year's start that die (A = 1 − exp(−Z)) and live on (S = 1 − A).
    exploitation, natural_deaths : float
        Shares that die by fishing (u = F A / Z) and of natural causes (v = M A / Z); u + v = A.
    conditional_fishing, conditional_natural : float
        Shares that would die were there no other cause: cf = 1 − exp(−F), cm = 1 − exp(−M); A = cf + cm − cf cm.
    """

    total: float
    fishing: float
    natural: float
    annual_mortality: float
    survival: float
    exploitation: float
    natural_deaths: float
    conditional_fishing: float
    conditional_natural: float

    def frame(self) -> pd.DataFrame:
        """One row a rate, with its symbol, name and value."""
        symbols = ("Z", "F", "M", "A", "S", "u", "v", "cf", "cm")
        names = tuple(self.__slots__)
        return pd.DataFrame({"symbol": symbols, "rate": names, "value": [getattr(self, name) for name in names]})


def _check_rate(name: str, value: float) -> float:
    found = number(name, value)
    if name in ("total", "fishing", "natural"):
        if not found >= 0:
            raise InputError(f"{name} must be an instantaneous rate per year, 0 or more, got {value!r}")
    elif name == "survival":
        if not 0 < found <= 1:
            raise InputError(f"survival must be a share above 0 and up to 1, got {value!r}")
    elif not 0 <= found < 1:
        raise InputError(f"{name} must be a share from 0 to below 1, got {value!r}")
    return found


def _all_from(fishing: float, natural: float) -> MortalityRates:
    total = fishing + natural
    dead = -math.expm1(-total)
    per_rate = dead / total if total > 0 else 1.0
    return MortalityRates(
        total=total,
        fishing=fishing,
        natural=natural,
        annual_mortality=dead,
        survival=math.exp(-total),
        exploitation=fishing * per_rate,
        natural_deaths=natural * per_rate,
        conditional_fishing=-math.expm1(-fishing),
        conditional_natural=-math.expm1(-natural),
    )


def _share(cause: float, other: float) -> float:
    """Share of the fish that die of `cause` when both causes act."""
    total = cause + other
    return cause * -math.expm1(-total) / total if total > 0 else 0.0


def _other_cause(cause: float, share: float, names: tuple[str, str]) -> float:
    """Rate of the other cause when `cause` alone takes `share` of the fish: the share falls as the other cause grows."""
    rate_name, share_name = names
    most = -math.expm1(-cause)
    if cause == 0 or share == 0:
        raise InputError(
            f"{rate_name} {cause:g} with {share_name} {share:g} leaves the other cause open: it may be anything; "
            "give total mortality or the other cause's rate"
        )
    if share > most + _TOLERANCE:
        raise InputError(
            f"{share_name} can be at most 1 − exp(−{rate_name}) = {most:.6g} at {rate_name} {cause:g}, got {share:g}"
        )
    if share >= most:
        return 0.0
    # The share is below cause / (cause + other), which bounds the root.
    return float(brentq(lambda other: _share(cause, other) - share, 0.0, cause / share + 1.0, xtol=1e-14, rtol=8.9e-16))


def _same_cause(other: float, share: float, names: tuple[str, str]) -> float:
    """Rate of the cause that takes `share` of the fish beside the other cause's rate: the share grows with it to 1."""
    if share == 0:
        return 0.0
    high = 1.0
    while _share(high, other) <= share:
        high *= 2.0
        if high > 1e9:
            raise InputError(
                f"no rate takes a share of {share:g} ({names[1]}) beside {names[0]} {other:g}; the share must be lower"
            )
    return float(brentq(lambda cause: _share(cause, other) - share, 0.0, high, xtol=1e-14, rtol=8.9e-16))


def _from_total(total: float, group: str, value: float) -> MortalityRates:
    dead = -math.expm1(-total)
    if group in ("fishing", "natural causes"):
        if value > total * (1 + _TOLERANCE) + _TOLERANCE:
            raise InputError(f"the rate of {group} ({value:g}) cannot exceed total mortality ({total:g})")
        one = min(value, total)
    else:
        if value > dead * (1 + _TOLERANCE) + _TOLERANCE:
            raise InputError(f"the {group} ({value:g}) cannot exceed annual mortality ({dead:g})")
        one = min(value * total / dead, total) if dead > 0 else 0.0
    other = total - one
    return _all_from(one, other) if group in ("fishing", "share caught") else _all_from(other, one)


def _solve(known: dict[str, float]) -> MortalityRates:
    groups = frozenset(known)
    if "all deaths" in groups:
        (group,) = groups - {"all deaths"}
        return _from_total(known["all deaths"], group, known[group])
    if groups == {"fishing", "natural causes"}:
        return _all_from(known["fishing"], known["natural causes"])
    if groups == {"share caught", "share lost to natural causes"}:
        caught, lost = known["share caught"], known["share lost to natural causes"]
        if caught + lost >= 1:
            raise InputError(f"exploitation and natural_deaths must add up to less than 1, got {caught:g} + {lost:g}")
        total = -math.log1p(-(caught + lost))
        return _from_total(total, "share caught", caught)
    if groups == {"fishing", "share caught"}:
        fishing = known["fishing"]
        return _all_from(fishing, _other_cause(fishing, known["share caught"], ("fishing", "exploitation")))
    if groups == {"natural causes", "share lost to natural causes"}:
        natural = known["natural causes"]
        return _all_from(_other_cause(natural, known["share lost to natural causes"], ("natural", "natural_deaths")), natural)
    if groups == {"natural causes", "share caught"}:
        natural = known["natural causes"]
        return _all_from(_same_cause(natural, known["share caught"], ("natural", "exploitation")), natural)
    fishing = known["fishing"]
    return _all_from(fishing, _same_cause(fishing, known["share lost to natural causes"], ("fishing", "natural_deaths")))


def _instantaneous(name: str, value: float) -> float:
    """The rate of `name`'s group in the form in which the equations are solved."""
    if name in ("annual_mortality", "conditional_fishing", "conditional_natural"):
        return -math.log1p(-value)
    return -math.log(value) if name == "survival" else value


def rates(
    *,
    total: float | None = None,
    fishing: float | None = None,
    natural: float | None = None,
    annual_mortality: float | None = None,
    survival: float | None = None,
    exploitation: float | None = None,
    natural_deaths: float | None = None,
    conditional_fishing: float | None = None,
    conditional_natural: float | None = None,
) -> MortalityRates:
    """All rates of death from any two that determine them; fishing and natural deaths run side by side all year.

    With Z = F + M, A = 1 − exp(−Z), S = 1 − A, u = F A / Z, v = M A / Z, cf = 1 − exp(−F), cm = 1 − exp(−M). Where the pair
    has no closed solution (F with u, M with v, M with u, F with v) the root is found numerically to about 1e-14.
    Source: Ricker 1975, *Computation and Interpretation of Biological Statistics of Fish Populations*, chapter 1, fisheries of
    type II (from memory).

    Parameters
    ----------
    total, fishing, natural : float, optional
        Instantaneous rates per year (Z, F, M), 0 or more.
    annual_mortality, survival, exploitation, natural_deaths, conditional_fishing, conditional_natural : float, optional
        Shares of the fish alive at the start of the year (A, S, u, v, cf, cm), 0 to below 1 (survival above 0 to 1).

    Returns
    -------
    MortalityRates

    Raises
    ------
    InputError
        Not exactly two given; two forms of one rate (such as total and survival); a pair that no stock can have (fishing above
        total, exploitation above annual mortality or above 1 − exp(−F)); or a pair that leaves a rate open (no fishing and no
        catch say nothing of natural mortality).
    """
    given = {
        name: _check_rate(name, value)
        for name, value in {
            "total": total,
            "fishing": fishing,
            "natural": natural,
            "annual_mortality": annual_mortality,
            "survival": survival,
            "exploitation": exploitation,
            "natural_deaths": natural_deaths,
            "conditional_fishing": conditional_fishing,
            "conditional_natural": conditional_natural,
        }.items()
        if value is not None
    }
    if len(given) != 2:
        raise InputError(f"exactly two rates are needed to find the others, got {len(given)}: {', '.join(given) or 'none'}")
    first, second = given
    if _GROUPS[first] == _GROUPS[second]:
        raise InputError(
            f"{first} and {second} are two forms of the same rate ({_GROUPS[first]}); give one of them and another rate"
        )
    return _solve({_GROUPS[name]: _instantaneous(name, value) for name, value in given.items()})


def rates_by_draw(fishing: ArrayLike, natural: ArrayLike) -> pd.DataFrame:
    """All rates of death of every joint draw of fishing and natural mortality, so that each rate carries the spread of both.

    The equations of `rates`, draw by draw: every identity between the rates holds in each row. Medians and percentiles of the
    columns keep those identities that hang on one rate (S = 1 − A = exp(−Z)), but not the sums (Z = F + M, A = u + v).

    Parameters
    ----------
    fishing, natural : array (draws,)
        Joint draws of F and M (per year), 0 or more.

    Returns
    -------
    DataFrame
        One row a draw, with the columns Z, F, M (per year), A, S, u, v, cf, cm (shares of the fish alive at the year's start).
    """
    f, m = numbers("fishing", fishing, at_least=0), numbers("natural", natural, at_least=0)
    same_size(fishing=f, natural=m)
    z = f + m
    dead = -np.expm1(-z)
    per_rate = np.divide(dead, z, out=np.ones_like(z), where=z > 0)
    return pd.DataFrame(
        {
            "Z": z, "F": f, "M": m, "A": dead, "S": np.exp(-z), "u": f * per_rate, "v": m * per_rate,
            "cf": -np.expm1(-f), "cm": -np.expm1(-m),
        }
    )  # fmt: skip


def admissible_pairs() -> tuple[tuple[str, str], ...]:
    """The pairs of argument names that `rates` can solve."""
    return tuple(pair for pair in combinations(_GROUPS, 2) if _GROUPS[pair[0]] != _GROUPS[pair[1]])


def fishing_mortality(total: Estimate, natural: Estimate, *, level: float = 0.95) -> Estimate:
    """Fishing mortality as the difference of two independent estimates, F = Z − M (per year).

    se = √(se(Z)² + se(M)²), interval F ± z se with its lower limit not below 0. Where se(M) is unknown only se(Z) is carried
    and a note says so. Not estimable when either is not, or when M is not below Z: then the notes give the upper limit.
    """
    check_level(level)
    method = "F = Z − M, normal interval from both standard errors"
    for name, part in (("total mortality", total), ("natural mortality", natural)):
        if not part.estimable:
            return Estimate.not_estimable(f"{name} is not estimable", units="1/year", method=method, n=total.n, level=level)
    notes: tuple[str, ...] = ()
    natural_se = natural.se
    if not math.isfinite(natural_se):
        natural_se = 0.0
        notes = ("the interval carries the error of total mortality only: natural mortality came without a standard error",)
    value = total.value - natural.value
    se = math.hypot(total.se, natural_se)
    z = float(norm.ppf(0.5 + level / 2))
    if value <= 0:
        reason = (
            f"natural mortality ({natural.value:.3g}) is not below total mortality ({total.value:.3g}); "
            f"fishing mortality is at most {max(value + z * se, 0.0):.3g} per year"
        )
        return Estimate.not_estimable(reason, units="1/year", method=method, n=total.n, level=level).noting(*notes)
    return Estimate(value, se, max(value - z * se, 0.0), value + z * se, level, "1/year", method, total.n, notes)
