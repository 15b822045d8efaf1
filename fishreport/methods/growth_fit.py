"""A fitted growth curve: its estimates, what it predicts, and draws of its parameters."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from scipy import stats

from fishreport.exceptions import InputError
from fishreport.methods.estimate import Estimate
from fishreport.methods.growth_curves import (
    POWER_BOUNDS,
    Floats,
    GrowthCurve,
    anchored_length,
    natural_length,
    to_anchored,
    to_natural,
)

FARTHEST_ASYMPTOTE = 3.0
"""Drawn parameters whose asymptote lies beyond this many times the longest fish are drawn again."""


@dataclass(frozen=True, slots=True)
class ExpectedLengths:
    """Mean length at chosen ages as the parameters of a curve.

    Attributes
    ----------
    ages : tuple[float, ...]
    lengths : tuple[Estimate, ...]
    covariance : array (ages, ages)
    correlation : array (ages, ages)
        Far from 1 in absolute value where ages are well chosen; Linf and K of the same fit are seldom under 0.9.
    """

    ages: tuple[float, ...]
    lengths: tuple[Estimate, ...]
    covariance: Floats = field(repr=False)
    correlation: Floats = field(repr=False)


@dataclass(frozen=True)
class GrowthFit:
    """A growth curve fitted to lengths at age by least squares.

    Attributes
    ----------
    curve : GrowthCurve
    errors : str
        ``constant`` (additive) or ``proportional`` (additive on the logarithm of length).
    level : float
    asymptotic_length : Estimate
        Linf (mm).
    growth_coefficient : Estimate
        K (per year).
    age_at_zero : Estimate
        Age at length 0 (years); not estimable for curves that never reach 0.
    age_at_inflection : Estimate
        Age of fastest growth (years); not estimable for the von Bertalanffy curve, which has none.
    shape : Estimate | None
        m of Richards' curve (0 von Bertalanffy, 1 Gompertz, 2 logistic), else None.
    parameters : array (p,)
        Natural parameters in the order of `curve.parameters` (for Richards' curve the last is the shape m).
    covariance : array (p, p)
        Of `parameters`: ``s^2 (J'J)^-1``, s^2 = RSS / (n - p).
    rss, residual_se, df
        On the scale of the errors: mm^2 and mm, or squared and plain log units.
    log_likelihood, aic, aicc : float
        Of lengths under normal (or lognormal) errors; comparable between both kinds of errors. The residual variance counts
        as a parameter.
    n : int
        Aged fish.
    age, length_mm, fitted, residuals : arrays (n,)
        The fish used; `fitted` in mm, `residuals` on the scale of the errors.
    replicates : array (resamples, p) | None
        Bootstrap replicates, where they were asked for.
    notes : tuple[str, ...]
    """

    curve: GrowthCurve
    errors: str
    level: float
    asymptotic_length: Estimate
    growth_coefficient: Estimate
    age_at_zero: Estimate
    age_at_inflection: Estimate
    shape: Estimate | None
    parameters: Floats
    covariance: Floats = field(repr=False)
    rss: float
    residual_se: float
    df: int
    log_likelihood: float
    aic: float
    aicc: float
    n: int
    age: Floats = field(repr=False)
    length_mm: Floats = field(repr=False)
    fitted: Floats = field(repr=False)
    residuals: Floats = field(repr=False)
    replicates: Floats | None = field(repr=False)
    notes: tuple[str, ...]

    @property
    def estimable(self) -> bool:
        """True when there is a curve."""
        return self.asymptotic_length.estimable

    @property
    def method(self) -> str:
        """The estimator and its interval, in words."""
        return self.asymptotic_length.method

    def _natural(self) -> Floats:
        natural = self.parameters.copy()
        if self.curve.power is None:
            natural[3] = 1 - natural[3]
        return natural

    def _response(self, age: Floats) -> tuple[Floats, Floats]:
        """Expected response and its derivatives by `parameters`."""
        with np.errstate(all="ignore"):
            length, slopes = natural_length(self._natural(), age, self.curve)
            if self.curve.power is None:
                slopes[..., 3] *= -1
            if self.errors == "proportional":
                safe = np.where(length > 0, length, np.nan)
                return np.log(safe), slopes / safe[..., None]
            return length, slopes

    def predict(self, age: Sequence[float] | Floats | float, level: float | None = None) -> pd.DataFrame:
        """Mean length at age with a band for that mean and a band for single fish.

        Parameters
        ----------
        age : array
            Ages (years).
        level : float, optional
            Of both bands; that of the fit if omitted.

        Returns
        -------
        DataFrame
            ``age``, ``length_mm`` (mean), ``se``, ``lower``, ``upper`` (of the mean, by the delta method with Student's t of n
            - p), ``prediction_lower``, ``prediction_upper`` (a new fish: the residual variance added). With proportional errors
            the mean is the median curve times exp(s^2 / 2), and the bands are symmetric on the logarithm. The bands take the
            scatter as `errors` has it, after a bootstrap too: with scatter in proportion to length and constant errors the 95 %
            band of the mean held in 91 to 92 of 100 simulated samples. Limits below 0 are set to 0. All NaN where the fit is
            not estimable or the curve does not exist.
        """
        ages = np.atleast_1d(np.asarray(age, float))
        level = self.level if level is None else level
        if not 0 < level < 1:
            raise InputError(f"level must lie between 0 and 1, got {level}")
        names = ["length_mm", "se", "lower", "upper", "prediction_lower", "prediction_upper"]
        if not self.estimable:
            return pd.DataFrame({"age": ages, **{name: np.full(ages.size, np.nan) for name in names}})
        expected, slopes = self._response(ages)
        variance = np.einsum("kp,pq,kq->k", slopes, np.nan_to_num(self.covariance), slopes)
        se = np.sqrt(np.maximum(variance, 0.0))
        reach = stats.t.ppf((1 + level) / 2, self.df)
        wide = np.sqrt(se**2 + self.residual_se**2)
        columns = [expected, se, expected - reach * se, expected + reach * se, expected - reach * wide, expected + reach * wide]
        if self.errors == "proportional":
            lift = math.exp(self.residual_se**2 / 2)
            mean = np.exp(expected) * lift
            columns = [mean, mean * se, *(np.exp(c) * lift for c in columns[2:4]), *(np.exp(c) for c in columns[4:])]
        for place in (2, 4):
            columns[place] = np.maximum(columns[place], 0.0)
        return pd.DataFrame({"age": ages, **dict(zip(names, columns, strict=True))})

    def expected_lengths(self, ages: Sequence[float] | None = None, level: float | None = None) -> ExpectedLengths:
        """The same curve in parameters that behave better: its mean lengths at a young, a middle and an old age.

        Linf and K are nearly confounded where old fish are few; the mean lengths at ages inside the data are not, and can be
        compared between waters and years (Francis 1988, N.Z. J. Mar. Freshw. Res. 22:42-51, from memory).

        Parameters
        ----------
        ages : sequence of float, optional
            The youngest age of the data, the oldest, and half-way between if omitted.
        """
        if ages is None:
            low, high = (float(self.age.min()), float(self.age.max())) if self.n else (math.nan, math.nan)
            ages = (low, (low + high) / 2, high)
        chosen = np.asarray(ages, float)
        table = self.predict(chosen, level)
        level = self.level if level is None else level
        method = f"mean length at age on the {self.curve.name} curve; delta method, t interval"
        rows = table[["length_mm", "se", "lower", "upper"]].to_numpy(float)
        lengths = tuple(
            Estimate(float(row[0]), float(row[1]), float(row[2]), float(row[3]), level, "mm", method, self.n)
            if self.estimable
            else Estimate.not_estimable(_reason(self.notes), units="mm", method=method, n=self.n, level=level)
            for row in rows
        )
        if self.estimable:
            _, slopes = self._response(chosen)
            if self.errors == "proportional":
                slopes = slopes * rows[:, :1]
            covariance = slopes @ np.nan_to_num(self.covariance) @ slopes.T
        else:
            covariance = np.full((chosen.size, chosen.size), np.nan)
        spread = np.sqrt(np.maximum(np.diag(covariance), 0.0))
        with np.errstate(all="ignore"):
            correlation = covariance / np.outer(spread, spread)
        return ExpectedLengths(tuple(float(a) for a in chosen), lengths, covariance, correlation)

    def draws(self, n: int, rng: np.random.Generator) -> pd.DataFrame:
        """Joint draws of the parameters, for scenarios.

        From the bootstrap replicates where the fit has them, else from the normal distribution of the mean lengths at the
        youngest and oldest age and of K, in which the fit is much closer to linear than in Linf and K. A draw outside the
        bounds is drawn again: K > 0, growth from the youngest to the oldest age, Linf at most 3 times the longest fish.

        Returns
        -------
        DataFrame
            `n` rows; columns as in `curve.parameters`.

        Raises
        ------
        InputError
            If the fit is not estimable, or fewer than one draw in 200 is within the bounds.
        """
        if not self.estimable:
            raise InputError(f"no draws from a growth curve that is {_reason(self.notes)}")
        ceiling = FARTHEST_ASYMPTOTE * float(self.length_mm.max())
        young, old = float(self.age.min()), float(self.age.max())
        if self.replicates is None:
            centre, covariance = self._anchored(young, old)
            factor = np.linalg.cholesky(covariance + 1e-14 * np.diag(np.diag(covariance) + 1e-300))
        kept: list[Floats] = []
        have = 0
        for _ in range(200):
            if self.replicates is not None:
                batch = self.replicates[rng.integers(len(self.replicates), size=n)]
            else:
                anchored = centre + rng.standard_normal((n, centre.size)) @ factor.T
                legal = (anchored[:, 2] > 0) & (anchored[:, 1] > anchored[:, 0])
                if self.curve.power != 1 or self.errors == "proportional":
                    legal &= anchored[:, 0] > 0
                if self.curve.power is None:
                    anchored[:, 3] = np.clip(anchored[:, 3], *POWER_BOUNDS)
                with np.errstate(all="ignore"):
                    batch = to_natural(anchored[legal], self.curve, young, old)
                if self.curve.power is None:
                    batch[:, 3] = 1 - batch[:, 3]
            batch = batch[np.all(np.isfinite(batch), axis=1) & (batch[:, 0] <= ceiling)]
            kept.append(batch)
            have += len(batch)
            if have >= n:
                return pd.DataFrame(np.concatenate(kept)[:n], columns=list(self.curve.parameters))
        raise InputError(
            f"fewer than one draw in 200 has an asymptote within {FARTHEST_ASYMPTOTE:g} times the longest fish; "
            "give the growth parameters of the scenarios by hand"
        )

    def _anchored(self, young: float, old: float) -> tuple[Floats, Floats]:
        """Anchored parameters and their covariance."""
        centre = to_anchored(self._natural(), self.curve, young, old)
        length, slopes = anchored_length(centre, self.age, self.curve, young, old)
        if self.errors == "proportional":
            slopes = slopes / length[..., None]
        return centre, invert_normal(slopes, self.residual_se**2)


def invert_normal(slopes: Floats, variance: float) -> Floats:
    """``variance (J'J)^-1``, computed from the singular values of the scaled J."""
    size = np.linalg.norm(slopes, axis=0)
    size = np.where(size > 0, size, 1.0)
    _, singular, right = np.linalg.svd(slopes / size, full_matrices=False)
    root = right.T / np.maximum(singular, 1e-15 * singular[0])
    return variance * (root @ root.T) / np.outer(size, size)


def _reason(notes: Sequence[str]) -> str:
    return next((note.removeprefix("not estimable: ") for note in notes if note.startswith("not estimable")), "not estimable")
