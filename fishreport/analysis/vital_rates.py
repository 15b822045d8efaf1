"""Vital rates of a species as draws for scenarios: growth, weight, natural and fishing mortality, and where each came from.

What the study file gives by hand comes before an estimate, an estimate before a default.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.stats import norm

from fishreport.analysis.ages import aged_fish
from fishreport.analysis.classes import LengthClasses
from fishreport.analysis.growth import growth_curve
from fishreport.exceptions import InputError
from fishreport.fielddata.survey import Survey
from fishreport.methods.estimate import Estimate
from fishreport.methods.length_weight import fit_length_weight
from fishreport.methods.mortality import fishing_mortality
from fishreport.study import Spread, Study

Floats = NDArray[np.float64]
Origin = Literal["estimated", "given by hand", "default", "not known"]
DEFAULT_LENGTH_CV = 0.1
TOTAL_LESS_NATURAL = "total less natural mortality"
NOTHING_LEFT = "natural mortality is all of total mortality or more, which leaves nothing for fishing"
_CANDIDATES = 400
_GROWTH = ("asymptotic_length_mm", "growth_coefficient", "age_at_zero")
_GROWTH_UNITS = {"asymptotic_length_mm": "mm", "growth_coefficient": "per year", "age_at_zero": "years"}


@dataclass(frozen=True, slots=True)
class Source:
    """One input of the scenarios: its value with interval over the draws, and where it came from."""

    name: str
    estimate: Estimate
    origin: Origin
    how: str


@dataclass(frozen=True)
class Growth:
    """Draws of growth; ages of `age_at_zero` are those read at the survey. `missing` names what a study lacks for it, and why."""

    draws: dict[str, Floats]
    length_cv: float
    sources: tuple[Source, ...]
    missing: tuple[tuple[str, str], ...] = ()


def described(draws: Floats, units: str, how: str, level: float, n: int = 0) -> Estimate:
    """Median and equal-tailed interval of draws; no interval where all are alike."""
    values = np.asarray(draws, float)
    if np.ptp(values) == 0:
        return Estimate(float(values.flat[0]), math.nan, math.nan, math.nan, level, units, how, n)
    low, middle, high = np.quantile(values, [(1 - level) / 2, 0.5, (1 + level) / 2])
    return Estimate(float(middle), float(values.std(ddof=1)), float(low), float(high), level, units, how, n)


def log_sds(estimate: Estimate) -> tuple[float, float]:
    """Log standard deviations of an estimate above 0, below and above it.

    By its limits, each for its own side where the estimate lies between them; else by its standard error, on both sides alike; 0
    without either.
    """
    z, value = float(norm.ppf(0.5 + estimate.level / 2)), estimate.value
    if math.isfinite(estimate.lower) and math.isfinite(estimate.upper) and 0 < estimate.lower < estimate.upper:
        if estimate.lower <= value <= estimate.upper:
            return math.log(value / estimate.lower) / z, math.log(estimate.upper / value) / z
        return (math.log(estimate.upper / estimate.lower) / (2 * z),) * 2
    if math.isfinite(estimate.se) and estimate.se > 0 and value > 0:
        return (math.sqrt(math.log1p((estimate.se / value) ** 2)),) * 2
    return 0.0, 0.0


def lognormal_draws(rng: np.random.Generator, shape: int | tuple[int, ...], estimate: Estimate) -> Floats:
    """Draws about an estimate above 0, spread as its limits (else its standard error) tell.

    Two-piece lognormal: half of the draws lie on each side, each side with a spread of its own, so that median and both limits of
    many draws are those of the estimate, also where one limit lies farther off than the other (our own; the two-piece normal of
    Wallis 2014, Statistical Science 29: 106-112, from memory, keeps the mode instead).
    """
    draws = rng.standard_normal(shape)
    below, above = log_sds(estimate)
    return np.asarray(estimate.value * np.exp(np.where(draws < 0, below, above) * draws))


def spread_draws(rng: np.random.Generator, draws: int, given: Spread, *, positive: bool = True) -> Floats:
    """Draws of a value given by hand: lognormal with that mean and standard deviation, or normal where it may be below 0."""
    if not positive:
        return np.asarray(given.value + given.se * rng.standard_normal(draws))
    if given.value <= 0:
        return np.zeros(draws)
    variance = math.log1p((given.se / given.value) ** 2)
    return np.asarray(given.value * np.exp(math.sqrt(variance) * rng.standard_normal(draws) - variance / 2))


def growth_draws(
    study: Study, survey: Survey, own: LengthClasses, rng: np.random.Generator, draws: int, *, survey_time: float
) -> Growth:
    """Joint draws of the growth curve, those given by hand in their place; without either it says what is missing.

    `survey_time` is the part of the year gone by at the survey, in which a fish of a read age stands; where a study gives
    growth by hand without an age at zero, length is taken to be zero on 1 January of the year of birth.
    """
    given, level, key = own.species.life_history, study.parameters.level, own.species.key
    by_hand = {name: value for name in _GROWTH if (value := getattr(given, name)) is not None}
    fit = growth_curve(study, survey, own, rng)
    reason = f"{len(aged_fish(survey, key))} aged fish, {study.parameters.minimum_aged} needed for a growth curve"
    fitted: dict[str, Floats] = {}
    if fit.estimable:
        try:
            table = fit.draws(draws, rng).to_numpy(float)
            fitted = dict(zip(_GROWTH, table.T, strict=True))
        except InputError as error:
            reason = str(error)
    found: dict[str, Floats] = {}
    sources, missing = [], []
    for name in _GROWTH:
        if name in by_hand:
            found[name] = spread_draws(rng, draws, by_hand[name], positive=name != "age_at_zero")
            origin, how = "given by hand", given.source or "study file"
        elif name in fitted:
            found[name] = fitted[name]
            origin, how = "estimated", "von Bertalanffy curve of the aged fish; joint draws by bootstrap"
        elif name == "age_at_zero":
            found[name] = np.full(draws, -survey_time)
            origin, how = "default", "length is zero on 1 January of the year of birth"
        else:
            missing.append((name, reason))
            continue
        n = fit.n if origin == "estimated" else 0
        sources.append(Source(name, described(found[name], _GROWTH_UNITS[name], how, level, n), origin, how))  # type: ignore[arg-type]
    cv, origin, how = DEFAULT_LENGTH_CV, "default", "common practice, no source"
    if given.length_cv is not None:
        cv, origin, how = given.length_cv, "given by hand", given.source or "study file"
    elif fit.estimable and math.isfinite(fit.length_cv) and fit.length_cv > 0:
        cv, origin, how = fit.length_cv, "estimated", "scatter of the aged fish about the curve"
    sources.append(Source("length_cv", described(np.array([cv]), "", how, level), origin, how))  # type: ignore[arg-type]
    return Growth(found, cv, tuple(sources), tuple(missing))


def weight_line(study: Study, survey: Survey, own: LengthClasses) -> tuple[float, float, Source] | None:
    """Intercept and slope of log10 weight on log10 length: of this season's fish, else of the published standard, else None."""
    fish = survey.fish_of(own.species.key, season=study.season.year)
    fish = fish[fish["weight_g"].notna() & (fish["length_mm"] >= (own.species.minimum_length_mm or 0.0))]
    level = study.parameters.level
    if len(fish) >= study.parameters.minimum_weighed:
        fit = fit_length_weight(fish["length_mm"].to_numpy(float), fish["weight_g"].to_numpy(float), level=level)
        if fit.estimable:
            intercept = fit.intercept.value + math.log10(fit.correction)
            how = f"length-weight line of {fit.n} fish of {study.season.year}, mean weight at length"
            return intercept, fit.slope.value, Source("weight_slope", fit.slope, "estimated", how)
    standard = own.standard
    if standard is not None and math.isfinite(standard.intercept):
        how = f"published standard weight ({standard.source}); too few fish were weighed"
        value = described(np.array([float(standard.slope)]), "", how, level)
        return float(standard.intercept), float(standard.slope), Source("weight_slope", value, "default", how)
    return None


@dataclass(frozen=True)
class MortalityDraws:
    """Joint draws of natural and fishing mortality (per year), where each came from, and notes.

    `left_out` is the share of the pairs of total and natural mortality that left nothing for fishing and were not kept; 0 where
    fishing mortality does not come from them.
    """

    natural: Floats
    fishing: Floats
    natural_how: str
    fishing_how: str
    notes: tuple[str, ...] = ()
    left_out: float = 0.0


def hundred(share: float) -> str:
    """``23`` for a share of 0.23, ``under 1`` below a half of one in a hundred."""
    return "under 1" if share < 0.005 else f"{100 * share:.0f}"


def _picked(rng: np.random.Generator, weight: Floats) -> NDArray[np.intp]:
    """One column a row, by weight; rows without any weight take the first column."""
    total = weight.sum(axis=1, keepdims=True)
    share = np.where(total > 0, weight / np.where(total > 0, total, 1.0), 0.0)
    share[total[:, 0] <= 0, 0] = 1.0
    return np.minimum((share.cumsum(axis=1) < rng.random((weight.shape[0], 1))).sum(axis=1), weight.shape[1] - 1)


def mortality_draws(
    rng: np.random.Generator,
    draws: int,
    *,
    natural: Estimate | Floats,
    total: Estimate | None,
    fishing: Floats | None = None,
    from_harvest: Floats | None = None,
    open_share: Floats | float = 1.0,
) -> MortalityDraws:
    """Joint draws of natural mortality M and fishing mortality F.

    Parameters
    ----------
    natural : Estimate or array (draws,)
        An estimate of M (drawn lognormal), or draws given by hand, which stay as they are.
    total : Estimate, optional
        Total mortality Z from the ages in the catch.
    fishing : array (draws,), optional
        F given by hand; stays as it is.
    from_harvest : array (draws,), optional
        F by the harvest over the fish open to it; stays as it is, since it belongs to the draw's density.
    open_share : array (draws,) or number
        What the fish behind Z bear of F on average, s: 1 where all are open to harvest.

    Notes
    -----
    An estimated M is drawn 400 times for each draw, and one of them is picked with probability in proportion to the likelihood
    of ln Z (normal about ln(M + s F), on each side as the limits of Z tell): M and F then agree with the ages in the catch. With
    neither F by hand nor a harvest, F = (Z - M) / s with Z drawn from its estimate, and only pairs with F > 0 are kept; the share
    of those that are not is `left_out`.

    Raises
    ------
    InputError
        If nothing tells of F, or if Z - M, which alone would tell, is not above 0 (`methods.mortality_rates.fishing_mortality`).
    """
    fixed_natural = isinstance(natural, np.ndarray)
    wide = (draws, _CANDIDATES)
    share = np.broadcast_to(np.maximum(open_share, 0.05), (draws,))[:, None]
    m = (
        np.repeat(natural[:, None], _CANDIDATES, axis=1)
        if isinstance(natural, np.ndarray)
        else lognormal_draws(rng, wide, natural)
    )
    known_total = total is not None and total.estimable and total.value > 0
    how_m = "given by hand" if fixed_natural else "life history"
    if fishing is not None:
        f, how_f = np.repeat(fishing[:, None], _CANDIDATES, axis=1), "given by hand"
    elif from_harvest is not None:
        f, how_f = np.repeat(from_harvest[:, None], _CANDIDATES, axis=1), "harvest"
    elif known_total and total is not None:
        known = natural if isinstance(natural, Estimate) else described(natural, "per year", "", total.level)
        left = fishing_mortality(total, known, level=total.level)
        if not left.estimable:
            raise InputError(left.notes[0].removeprefix("not estimable: "))
        f = (lognormal_draws(rng, wide, total) - m) / share
        weight = (f > 0).astype(float)
        place = _picked(rng, weight)
        rows = np.arange(draws)
        none = int((weight.sum(axis=1) == 0).sum())
        notes: tuple[str, ...] = ()
        if none:
            notes = (f"in {none} of {draws} draws natural mortality exceeds the total; fishing mortality is 0 there",)
        kept = weight[weight.sum(axis=1) > 0]
        left_out = float((kept == 0).mean()) if kept.size else 0.0
        if left_out > 0:
            notes += (f"in {hundred(left_out)} of 100 draws {NOTHING_LEFT}; they are left out",)
        return MortalityDraws(m[rows, place], np.maximum(f[rows, place], 0.0), how_m, TOTAL_LESS_NATURAL, notes, left_out)
    else:
        raise InputError("nothing tells of fishing mortality: give it by hand, or a harvest table, or ages")
    below, above = log_sds(total) if known_total and total is not None else (0.0, 0.0)
    if total is None or min(below, above) <= 0 or fixed_natural:
        return MortalityDraws(m[:, 0], f[:, 0], how_m, how_f)
    off = np.log(np.maximum(m + share * f, 1e-9)) - math.log(total.value)
    weight = np.exp(-0.5 * (off / np.where(off < 0, below, above)) ** 2)
    place, rows = _picked(rng, weight), np.arange(draws)
    how_m = how_m if fixed_natural else "life history and total mortality from ages"
    return MortalityDraws(m[rows, place], f[rows, place], how_m, how_f)


def against_the_mortality_chapter(rates: MortalityDraws) -> tuple[str, ...]:
    """Why natural and fishing mortality differ from those that the mortality chapter reports each by itself."""
    weighed = "total mortality" in rates.natural_how
    notes = []
    if weighed:
        notes.append(
            "natural mortality starts from the prediction in the mortality chapter, but draws that with fishing add up to the "
            "total mortality from ages count for more, so that value and interval differ from the prediction alone"
        )
    if rates.fishing_how == "harvest":
        notes.append(
            "fishing mortality is that of fish open to harvest, by the creel survey, with the draws of the mortality chapter; "
            "what total mortality leaves once natural mortality is taken off, given beside it there, is that of all fish in the "
            "catch curve, carries the errors of both, and need not be the same"
        )
    elif rates.fishing_how == TOTAL_LESS_NATURAL:
        text = (
            "fishing mortality is what is left of total mortality, as in the mortality chapter, but of fish open to harvest alone"
        )
        if rates.left_out > 0:
            text += (
                ", and without the draws that leave nothing for fishing: so fishing mortality comes out higher, and natural "
                "mortality lower, than from all draws, and both look surer than they are"
            )
        notes.append(text)
    return tuple(notes)
