"""What a creel survey estimates of a year: totals such as angling effort or fish kept, and anglers' catch rate."""

from __future__ import annotations

import math

from scipy.stats import norm

from fishreport.methods.estimate import Estimate
from fishreport.methods.inputs import check_level, number

NO_ERROR = "the table gives no standard error, so that there is no interval"
_LOGNORMAL = "lognormal interval from the table's standard error"


def _checked(name: str, value: float, *, above: bool = False) -> float:
    return number(name, value, above=0, missing=True) if above else number(name, value, at_least=0, missing=True)


def _relative(value: float, se: float) -> float:
    """Coefficient of variation; NaN where no standard error above 0 is given."""
    return se / value if math.isfinite(se) and se > 0 and value > 0 else math.nan


def _with_limits(value: float, cv: float, level: float, units: str, method: str, notes: tuple[str, ...] = ()) -> Estimate:
    if not math.isfinite(cv):
        return Estimate(value, math.nan, math.nan, math.nan, level, units, method, 1, (NO_ERROR, *notes))
    factor = math.exp(float(norm.ppf(0.5 + level / 2)) * math.sqrt(math.log1p(cv**2)))
    return Estimate(value, value * cv, value / factor, value * factor, level, units, f"{method}; {_LOGNORMAL}", 1, notes)


def creel_total(value: float, se: float, *, units: str, what: str, level: float = 0.95) -> Estimate:
    """A total of a year as a creel survey gives it, with an interval from its standard error.

    Parameters
    ----------
    value : float
        Such as hours of angling or fish kept, 0 or more; NaN where it was not recorded.
    se : float
        Its standard error; NaN or 0 where the table gives none.
    units, what : str
        Units, and what it is, for the method: ``fish kept``.

    Returns
    -------
    Estimate
        Limits ``value / C`` and ``value * C`` with ``C = exp(z sqrt(ln(1 + (se / value)^2)))`` (lognormal; Burnham et al. 1987,
        Am. Fish. Soc. Monogr. 5, from memory). NaN limits and a note without a standard error: a total that was estimated is
        not exact. Not estimable where it was not recorded.

    Raises
    ------
    InputError
        `value` or `se` below 0.
    """
    check_level(level)
    number, error = _checked("value", value), _checked("se", se)
    method = f"{what}, creel survey"
    if not math.isfinite(number):
        return Estimate.not_estimable("not recorded", units=units, method=method, level=level)
    return _with_limits(number, _relative(number, error), level, units, method)


def angler_catch_rate(caught: float, effort_h: float, *, se_caught: float, se_effort_h: float, level: float = 0.95) -> Estimate:
    """Fish caught an hour of angling, of a whole year, from the two totals of a creel survey.

    Parameters
    ----------
    caught, effort_h : float
        Fish caught, kept or not, and hours of angling; NaN where they were not recorded.
    se_caught, se_effort_h : float
        Standard errors; NaN or 0 where the table gives none.

    Returns
    -------
    Estimate
        ``caught / effort_h`` (fish/h). Its squared coefficient of variation is the sum of those of both totals, as of independent
        ones (delta method; Seber 1982, Estimation of Animal Abundance, from memory); where the catch was itself raised by the
        effort this is too wide. Lognormal limits as in `creel_total`, only where both have a standard error. Not estimable where
        either was not recorded.

    Raises
    ------
    InputError
        `caught` or a standard error below 0, `effort_h` not above 0.
    """
    check_level(level)
    fish, hours = _checked("caught", caught), _checked("effort_h", effort_h, above=True)
    errors = _relative(fish, _checked("se_caught", se_caught)), _relative(hours, _checked("se_effort_h", se_effort_h))
    method = "fish caught over hours of angling, creel survey"
    if not (math.isfinite(fish) and math.isfinite(hours)):
        return Estimate.not_estimable("not recorded", units="fish/h", method=method, level=level)
    return _with_limits(fish / hours, math.hypot(*errors), level, "fish/h", method)
