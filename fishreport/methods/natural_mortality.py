"""Natural mortality from life history: each published form by itself, and their disagreement side by side.

All return the instantaneous rate M per year. Lengths are total lengths in millimetres and turned to centimetres where a form was
fitted in centimetres. Coefficients are from memory of the publications named.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from scipy.optimize import brentq
from scipy.stats import norm

from fishreport.exceptions import InputError
from fishreport.methods.estimate import Estimate
from fishreport.methods.inputs import check_level, number, positive_weights

UNITS = "1/year"
PRIOR_LOG_SD = 0.438
"""Spread of ln M around its prediction from greatest age in Hamel 2015 (from memory)."""

_NO_ERROR = "the publication's prediction error is not carried: no standard error, no interval"


def _positive(name: str, value: float, units: str) -> float:
    return number(f"{name} ({units})" if units else name, value, above=0)


def _length_cm(asymptotic_length_mm: float) -> tuple[float, tuple[str, ...]]:
    length = _positive("asymptotic_length_mm", asymptotic_length_mm, "mm")
    doubt = (f"an asymptotic length of {length:g} mm is very small; it must be in millimetres",) if length < 100 else ()
    return length / 10.0, doubt


def _point(value: float, method: str, level: float, notes: tuple[str, ...] = ()) -> Estimate:
    nan = math.nan
    return Estimate(value, nan, nan, nan, check_level(level), UNITS, method, 1, (*notes, _NO_ERROR))


def _age_notes(max_age: float) -> tuple[str, ...]:
    notes: tuple[str, ...] = ("greatest age seen grows with the number of fish aged: few aged fish make it, and so M, unsure",)
    return (
        (*notes, f"greatest age of {max_age:g} years is below that of nearly all stocks behind this form")
        if max_age < 2
        else notes
    )


def hoenig(max_age: float, *, taxa: Literal["fish", "all"] = "fish", level: float = 0.95) -> Estimate:
    """Hoenig 1983 (Fish. Bull. 82:898-903): ln Z = 1.46 − 1.01 ln tmax (fish), or 1.44 − 0.982 ln tmax (all taxa).

    It predicts total mortality of lightly fished stocks, taken as M; where fishing removed the old fish it is too high.

    Parameters
    ----------
    max_age : float
        Greatest age in the stock, years.
    taxa : {"fish", "all"}
        Which of the two regressions.
    """
    age = _positive("max_age", max_age, "years")
    if taxa not in ("fish", "all"):
        raise InputError(f"taxa must be 'fish' or 'all', got {taxa!r}")
    intercept, slope = (1.46, -1.01) if taxa == "fish" else (1.44, -0.982)
    value = math.exp(intercept + slope * math.log(age))
    said = ("predicts total mortality of lightly fished stocks, taken as natural mortality", *_age_notes(age))
    return _point(value, f"Hoenig 1983 ({'fish' if taxa == 'fish' else 'all taxa'}), from greatest age", level, said)


def then_max_age(max_age: float, *, form: Literal["power", "reciprocal"] = "power", level: float = 0.95) -> Estimate:
    """Then, Hoenig, Hall & Hewitt 2015 (ICES J. Mar. Sci. 72:82-92): M = 4.899 tmax^−0.916, or 5.109 / tmax.

    Their cross-validation found forms from greatest age the best of all; fitted to more than 200 species.

    Parameters
    ----------
    max_age : float
        Greatest age in the stock, years.
    form : {"power", "reciprocal"}
        The two-parameter or the one-parameter form.
    """
    age = _positive("max_age", max_age, "years")
    if form not in ("power", "reciprocal"):
        raise InputError(f"form must be 'power' or 'reciprocal', got {form!r}")
    value = 4.899 * age**-0.916 if form == "power" else 5.109 / age
    return _point(value, f"Then et al. 2015, from greatest age ({form})", level, _age_notes(age))


def hamel(max_age: float, *, log_sd: float = PRIOR_LOG_SD, level: float = 0.95) -> Estimate:
    """Hamel 2015 (ICES J. Mar. Sci. 72:62-69): median M = 5.40 / tmax, lognormal with a standard deviation of ln M of 0.438.

    se = M log_sd; limits M exp(± z log_sd).

    Parameters
    ----------
    max_age : float
        Greatest age in the stock, years.
    log_sd : float
        Spread of ln M around the prediction.
    """
    age, spread = _positive("max_age", max_age, "years"), _positive("log_sd", log_sd, "")
    z = float(norm.ppf(0.5 + check_level(level) / 2))
    value = 5.40 / age
    method = f"Hamel 2015, from greatest age, lognormal with spread {spread:g}"
    low, high = value * math.exp(-z * spread), value * math.exp(z * spread)
    return Estimate(value, value * spread, low, high, level, UNITS, method, 1, _age_notes(age))


def pauly(asymptotic_length_mm: float, k: float, temperature_c: float, *, level: float = 0.95) -> Estimate:
    """Pauly 1980 (J. Cons. int. Explor. Mer 39:175-192): log10 M = −0.0066 − 0.279 log10 L∞ + 0.6543 log10 K + 0.4634 log10 T.

    Parameters
    ----------
    asymptotic_length_mm : float
        Von Bertalanffy asymptote, total length in mm (the form was fitted in cm; it is converted).
    k : float
        Growth coefficient, per year.
    temperature_c : float
        Mean water temperature over the year, °C, above 0: the form has its logarithm.

    Returns
    -------
    Estimate
        With a note outside 3 to 30 °C, roughly the range of the stocks behind it.
    """
    length, notes = _length_cm(asymptotic_length_mm)
    growth = _positive("k", k, "per year")
    temperature = _positive("temperature_c", temperature_c, "°C")
    if not 3 <= temperature <= 30:
        notes += (f"{temperature:g} °C lies outside 3 to 30 °C, the range of the stocks behind this form",)
    log_m = -0.0066 - 0.279 * math.log10(length) + 0.6543 * math.log10(growth) + 0.4634 * math.log10(temperature)
    notes += ("mostly marine stocks stand behind this form",)
    return _point(10**log_m, "Pauly 1980, from growth and temperature", level, notes)


def then_growth(asymptotic_length_mm: float, k: float, *, level: float = 0.95) -> Estimate:
    """Then et al. 2015 (ICES J. Mar. Sci. 72:82-92): M = 4.118 K^0.73 L∞^−0.33, L∞ in cm.

    Parameters
    ----------
    asymptotic_length_mm : float
        Von Bertalanffy asymptote, total length in mm (converted).
    k : float
        Growth coefficient, per year.
    """
    length, notes = _length_cm(asymptotic_length_mm)
    value = 4.118 * _positive("k", k, "per year") ** 0.73 * length**-0.33
    return _point(value, "Then et al. 2015, from growth", level, notes)


def then_k(k: float, *, form: Literal["proportional", "linear"] = "proportional", level: float = 0.95) -> Estimate:
    """Then et al. 2015 (ICES J. Mar. Sci. 72:82-92): M = 1.692 K, or 0.098 + 1.55 K (K and M per year)."""
    growth = _positive("k", k, "per year")
    if form not in ("proportional", "linear"):
        raise InputError(f"form must be 'proportional' or 'linear', got {form!r}")
    value = 1.692 * growth if form == "proportional" else 0.098 + 1.55 * growth
    return _point(value, f"Then et al. 2015, from K ({form})", level)


def jensen(k: float, *, form: Literal["theoretical", "empirical"] = "theoretical", level: float = 0.95) -> Estimate:
    """Jensen 1996 (Can. J. Fish. Aquat. Sci. 53:820-822): M = 1.50 K, or 1.60 K as fitted to data (K and M per year)."""
    growth = _positive("k", k, "per year")
    if form not in ("theoretical", "empirical"):
        raise InputError(f"form must be 'theoretical' or 'empirical', got {form!r}")
    return _point((1.5 if form == "theoretical" else 1.6) * growth, f"Jensen 1996, from K ({form})", level)


def jensen_maturity(age_at_maturity: float, *, level: float = 0.95) -> Estimate:
    """Jensen 1996 (Can. J. Fish. Aquat. Sci. 53:820-822): M = 1.65 / age at maturity (years)."""
    value = 1.65 / _positive("age_at_maturity", age_at_maturity, "years")
    return _point(value, "Jensen 1996, from age at maturity", level)


@dataclass(frozen=True, slots=True)
class NaturalMortalityEnsemble:
    """Every form that the life history at hand allows, and how far they disagree.

    Attributes
    ----------
    table : DataFrame
        One row a form: form, basis (what it predicts from), value, se, lower, upper, weight (shares of 1), method, notes.
    median : Estimate
        Weighted median of the forms; its limits are those of the mixture of the forms, each with its own prediction error, and
        so are wider than any single form's.
    lowest, highest : float
        Range of the forms, per year.
    """

    table: pd.DataFrame
    median: Estimate
    lowest: float
    highest: float


def _weighted_median(values: np.ndarray, weights: np.ndarray) -> float:
    """Midpoint between the two middle values where the weights split in half, else the middle one."""
    order = np.argsort(values)
    ordered, share = values[order], np.cumsum(weights[order])
    low = int(np.searchsorted(share, 0.5 - 1e-12))
    high = int(np.searchsorted(share, 0.5 + 1e-12, side="right"))
    return float((ordered[low] + ordered[min(high, ordered.size - 1)]) / 2)


def _mixture_quantile(log_values: np.ndarray, weights: np.ndarray, spread: float, probability: float) -> float:
    edge = 10 * spread

    def excess(x: float) -> float:
        return float((weights * norm.cdf((x - log_values) / spread)).sum()) - probability

    return math.exp(brentq(excess, float(log_values.min()) - edge, float(log_values.max()) + edge))


def ensemble(
    *,
    max_age: float | None = None,
    asymptotic_length_mm: float | None = None,
    k: float | None = None,
    temperature_c: float | None = None,
    age_at_maturity: float | None = None,
    weights: Mapping[str, float] | None = None,
    log_sd: float = PRIOR_LOG_SD,
    level: float = 0.95,
) -> NaturalMortalityEnsemble:
    """All forms that the given life history allows, with their median, range and a mixture interval.

    Each form counts as a lognormal prediction with the same spread `log_sd` of ln M; the interval is the central `level` of
    their weighted mixture. The forms share data and are not independent, so their number does not narrow it. One form for each
    regression is used, not its variants: Hoenig (fish), Then (greatest age, power), Hamel, Pauly, Then (growth), Then (K),
    Jensen (K), Jensen (maturity).

    Parameters
    ----------
    max_age, asymptotic_length_mm, k, temperature_c, age_at_maturity : float, optional
        Life history in years, mm, per year, °C, years; a form is left out when what it needs is missing.
    weights : mapping, optional
        Weight of each form by its name in the table (``hoenig``, ``then_max_age``, ``hamel``, ``pauly``, ``then_growth``,
        ``then_k``, ``jensen``, ``jensen_maturity``), 0 or more; forms not named get 0. By default all weigh the same.
    log_sd : float
        Prediction error of ln M given to every form: Hamel's 0.438 for greatest age; forms from growth predict worse.
    level : float
        Confidence level of the mixture interval.

    Raises
    ------
    InputError
        No form can be computed, an unknown form in `weights`, or an input that is not positive.
    """
    check_level(level)
    spread = _positive("log_sd", log_sd, "")
    forms: dict[str, tuple[str, tuple[float | None, ...], Callable[..., Estimate]]] = {
        "hoenig": ("greatest age", (max_age,), hoenig),
        "then_max_age": ("greatest age", (max_age,), then_max_age),
        "hamel": ("greatest age", (max_age,), hamel),
        "pauly": ("growth and temperature", (asymptotic_length_mm, k, temperature_c), pauly),
        "then_growth": ("growth", (asymptotic_length_mm, k), then_growth),
        "then_k": ("growth", (k,), then_k),
        "jensen": ("growth", (k,), jensen),
        "jensen_maturity": ("age at maturity", (age_at_maturity,), jensen_maturity),
    }
    found = {
        name: form(*needs, level=level) for name, (_, needs, form) in forms.items() if all(need is not None for need in needs)
    }
    if weights is not None and (unknown := set(weights) - set(forms)):
        raise InputError(f"weights must name forms among {', '.join(forms)}; got {', '.join(sorted(unknown))}")
    if not found:
        raise InputError("at least max_age, k or age_at_maturity is needed to predict natural mortality, got none")
    given = positive_weights("weights", {name: 1.0 if weights is None else weights.get(name, 0.0) for name in found})
    share = np.array([given[name] for name in found])
    table = pd.DataFrame(
        [
            {
                "form": name,
                "basis": forms[name][0],
                "value": one.value,
                "se": one.se,
                "lower": one.lower,
                "upper": one.upper,
                "weight": given[name],
                "method": one.method,
                "notes": "; ".join(one.notes),
            }
            for name, one in found.items()
        ]
    )
    values = table["value"].to_numpy()
    logs, used = np.log(values[share > 0]), share[share > 0]
    centre = float((used * logs).sum())
    log_variance = spread**2 + float((used * (logs - centre) ** 2).sum())
    median = _weighted_median(values[share > 0], used)
    lowest, highest = float(values[share > 0].min()), float(values[share > 0].max())
    tails = [_mixture_quantile(logs, used, spread, 0.5 + side * level / 2) for side in (-1, 1)]
    notes = (
        f"{used.size} forms give {lowest:.3g} to {highest:.3g} per year",
        f"a prediction error of ln M of {spread:g} is assumed for every form (Hamel 2015, for greatest age, not compared)",
    )
    method = "weighted median of published life-history forms; limits of their mixture with prediction error"
    estimate = Estimate(median, median * math.sqrt(log_variance), tails[0], tails[1], level, UNITS, method, used.size, notes)
    return NaturalMortalityEnsemble(table, estimate, lowest, highest)
