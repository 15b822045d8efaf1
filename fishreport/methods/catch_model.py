"""Negative binomial model of catches with effort as an offset."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import optimize, special

from fishreport.exceptions import InputError
from fishreport.methods.catch_terms import (
    Term,
    check_columns,
    column_names,
    design_matrix,
    independent_columns,
    make_terms,
    parse_terms,
    without_empty_levels,
)
from fishreport.methods.estimate import Estimate
from fishreport.methods.inputs import FloatArray, IntArray, check_level, dropped, numbers
from fishreport.methods.negative_binomial import (
    CountFit,
    cumulative,
    deviance,
    fit_counts,
    log_mass,
    theta_se,
    working_weight,
    zero_probability,
)
from fishreport.methods.regression import cluster_blocks, jackknife_covariance

Family = Literal["negative binomial", "Poisson"]


@dataclass(frozen=True)
class CatchModel:
    """log expected catch = log effort + terms.

    Attributes
    ----------
    coefficients : mapping
        Name (``Intercept``, ``season[2024]``, ``depth``) → Estimate on the log scale (the intercept: log fish/h at the
        baseline). Not estimable where the data cannot tell: a level without any catch, or a column that others determine.
    dispersion : Estimate
        α of the variance μ + αμ²; 0 when the likelihood is highest for the Poisson.
    family : str
        ``negative binomial``, or ``Poisson`` when α is 0 or was asked to be.
    log_likelihood, aic, deviance : float
        AIC counts α as a parameter when it was estimated above 0.
    pearson_dispersion : float
        Σ Pearson residual² over degrees of freedom; near 1 when the variance is right.
    observed, fitted, effort_h : array
        Catch, fitted catch and effort (h) of the runs that were fitted.
    rows : array
        Their positions in the frame.
    observed_zeros, expected_zeros, zeros_z : int, float, float
        Runs without catch, their expected number, and the difference over its standard deviation.
    covariance : array
        Of the coefficients that are estimable, in the model's own scaling of numbers (see `terms`).
    model_covariance : array
        The same from the model's expected information alone, whatever the clusters.
    t_df : float
        Degrees of freedom of t limits: runs − coefficients, or clusters − 1.
    converged : bool
    level : float
    notes : tuple[str, ...]
    """

    coefficients: Mapping[str, Estimate]
    dispersion: Estimate
    family: Family
    log_likelihood: float
    aic: float
    deviance: float
    pearson_dispersion: float
    observed: FloatArray
    fitted: FloatArray
    effort_h: FloatArray
    rows: IntArray
    observed_zeros: int
    expected_zeros: float
    zeros_z: float
    covariance: FloatArray
    model_covariance: FloatArray
    t_df: float
    converged: bool
    level: float
    notes: tuple[str, ...]
    terms: tuple[Term, ...] = field(repr=False)
    beta: FloatArray = field(repr=False)
    kept: npt.NDArray[np.bool_] = field(repr=False)
    empty_runs: pd.DataFrame = field(repr=False)
    cluster: tuple[str, ...] = ()

    @property
    def estimable(self) -> bool:
        """True when a model could be fitted."""
        return len(self.beta) > 0

    @property
    def theta(self) -> float:
        """1/α; infinite for the Poisson."""
        return 1 / self.dispersion.value if self.dispersion.value > 0 else math.inf

    @property
    def n(self) -> int:
        """Runs fitted."""
        return len(self.observed)

    @property
    def pearson_residuals(self) -> FloatArray:
        """(catch − fitted) over the standard deviation of the model, one a fitted run."""
        alpha = 0.0 if math.isinf(self.theta) else 1 / self.theta
        return (self.observed - self.fitted) / np.sqrt(self.fitted + alpha * self.fitted**2)

    def quantile_residuals(self, rng: np.random.Generator) -> FloatArray:
        """Randomised quantile residuals, standard normal when the model holds.

        Dunn and Smyth 1996 (Journal of Computational and Graphical Statistics 5:236-244, from memory).
        """
        low = cumulative(self.observed - 1, self.fitted, self.theta)
        high = cumulative(self.observed, self.fitted, self.theta)
        share = low + rng.uniform(size=self.n) * np.maximum(high - low, 0.0)
        return special.ndtri(np.clip(share, 1e-15, 1 - 1e-15))


def _adjusted_dispersion(fit: CountFit, x: FloatArray, y: FloatArray, level: float) -> tuple[float, float, float]:
    """Peak and limits of the likelihood of α adjusted for the coefficients, at the fitted means (α is orthogonal to them)."""

    def height(log_alpha: float) -> float:
        theta = math.exp(-log_alpha)
        information = (x * working_weight(fit.mean, theta)[:, None]).T @ x
        return float(log_mass(y, fit.mean, theta).sum()) - float(np.linalg.slogdet(information)[1]) / 2

    middle = -math.log(fit.theta)
    peak = optimize.minimize_scalar(
        lambda at: -height(at), bounds=(middle - 1, middle + 3), method="bounded", options={"xatol": 1e-3}
    )
    bound = -float(peak.fun) - float(special.chdtri(1, 1 - level)) / 2
    ends = []
    for sign in (-1.0, 1.0):
        reach = 0.25
        while reach < 16 and height(peak.x + sign * reach) > bound:
            reach *= 2
        far = peak.x + sign * reach
        open_ended = height(far) > bound
        ends.append(sign * math.inf if open_ended else optimize.brentq(lambda at: height(at) - bound, peak.x, far, xtol=1e-3))
    return math.exp(peak.x), math.exp(ends[0]), math.exp(ends[1])


def _dispersion(fit: CountFit, x: FloatArray, y: FloatArray, level: float, asked: bool) -> Estimate:
    method = "maximum likelihood of alpha; limits of the likelihood adjusted for the coefficients"
    n = len(y)
    if asked:
        return Estimate(0.0, math.nan, 0.0, 0.0, level, "", "Poisson as asked for: not estimated", n)
    if math.isinf(fit.theta):
        bound = float(special.chdtri(1, 2 * (1 - level)) if level > 0.5 else 0.0) / 2

        def short(log_alpha: float) -> float:
            return fit.log_likelihood - float(log_mass(y, fit.mean, math.exp(-log_alpha)).sum()) - bound

        grid = np.linspace(-14, 10, 97)
        above = [value for value in grid if short(value) > 0]
        upper = math.exp(above[0]) if above else math.inf
        note = "no overdispersion found: Poisson"
        return Estimate(0.0, math.nan, 0.0, upper, level, "", "maximum likelihood of alpha, likelihood-ratio limit", n, (note,))
    alpha = 1 / fit.theta
    se = theta_se(y, fit.mean, fit.theta) * alpha**2
    adjusted, lower, upper = _adjusted_dispersion(fit, x, y, level)
    notes: tuple[str, ...] = ()
    if adjusted > 1.05 * alpha:
        notes = (
            f"maximum likelihood puts alpha low with {x.shape[1]} coefficients for {n} runs: adjusted, it is {adjusted:.2g}",
        )
    return Estimate(alpha, se, min(lower, alpha), max(upper, alpha), level, "", method, n, notes)


def _unscaled(terms: Sequence[Term], size: int) -> FloatArray:
    """Matrix that turns coefficients of scaled numbers into those of the numbers themselves."""
    back = np.eye(size)
    at = 1
    for term in terms:
        if term.levels is None:
            back[at, at] = 1 / term.scale
            back[0, at] = -term.centre / term.scale
        at += len(term.names)
    return back


def _nothing(reason: str, terms: list[Term], runs: pd.DataFrame, level: float, notes: tuple[str, ...]) -> CatchModel:
    nan = math.nan
    names = ["Intercept", *(name for term in terms for name in term.names)]
    none = Estimate.not_estimable(reason, method="negative binomial regression", n=len(runs), level=level)
    empty = np.empty(0)
    return CatchModel(
        dict.fromkeys(names, none), none, "Poisson", nan, nan, nan, nan, empty, empty, empty, np.empty(0, dtype=np.intp),
        0, nan, nan, np.empty((0, 0)), np.empty((0, 0)), nan, False, level, (f"not estimable: {reason}", *notes), tuple(terms),
        empty, np.zeros(len(names), dtype=bool), runs,
    )  # fmt: skip


def fit_catch_model(
    frame: pd.DataFrame,
    *,
    catch: str = "catch",
    effort_h: str = "effort_h",
    terms: str | Sequence[str] = (),
    cluster: str | Sequence[str] | None = None,
    family: Literal["negative binomial", "poisson"] = "negative binomial",
    level: float = 0.95,
) -> CatchModel:
    """Fit a negative binomial regression of catch with log effort as offset.

    Parameters
    ----------
    frame : DataFrame
        One row a run; rows with a missing value in any column used are left out, with a note.
    catch, effort_h : str
        Columns with the number of fish (whole, 0 or more) and the effort (h, above 0).
    terms : str or sequence of str
        ``"season + site"`` or ``["season", "site"]``. Text, true/false, categorical and calendar columns (``season``, ``year``)
        are factors; ``C(column)`` makes any column one, ``linear(column)`` a number. The baseline of a factor is its first
        level with catch (sorted, or in the order of a categorical).
    cluster : str or sequence of str, optional
        Column of clusters, or columns that name them together (``["site", "season"]``: the runs of a site in a season):
        standard errors then come from leaving out one cluster at a time. With sites among the terms, clusters of sites alone
        carry nothing about the level of a site; take site and season together for an index.
    family : ``"negative binomial"`` or ``"poisson"``
    level : float
        Confidence level.

    Returns
    -------
    CatchModel
        Not estimable (all coefficients NaN) when nothing was caught or there are not at least two runs more than
        coefficients. A level of a factor without any catch has rate 0 and no coefficient; its runs do not bear on the others.

    Raises
    ------
    InputError
        For a column that is not there, a negative or broken catch, an effort that is not above 0, a term that cannot be read.

    Notes
    -----
    NB2: variance μ + αμ², θ = 1/α, joint maximum likelihood (Lawless 1987, Canadian Journal of Statistics 15:209-225; Hilbe
    2011, Negative Binomial Regression; from memory). Where the likelihood is highest at α = 0 the Poisson fit is given. With many
    coefficients for the runs (sites among the terms) that α is low, by a fifth in simulated surveys of 6 to 24 sites; its limits
    are those of the likelihood less half the log determinant of the information about the coefficients (Cox and Reid 1987,
    Journal of the Royal Statistical Society B 49:1-39, from memory), and a note gives the peak of that.
    Standard errors from the expected information at the estimated α (α and the coefficients are orthogonal in it), or the
    one-step cluster jackknife (`regression.jackknife_covariance`); t limits on runs − coefficients or clusters − 1.
    """
    check_level(level)
    if family not in ("negative binomial", "poisson"):
        raise InputError(f"family must be 'negative binomial' or 'poisson'; got {family!r}")
    parsed = parse_terms(terms)
    by = [] if cluster is None else column_names("cluster", cluster)
    columns = [*column_names("catch", catch), *column_names("effort_h", effort_h), *(column for column, _ in parsed), *by]
    check_columns(frame, columns)
    y_all = numbers(catch, frame[catch], at_least=0)
    effort_all = numbers(effort_h, frame[effort_h], above=0)
    if (np.floor(y_all) != y_all)[np.isfinite(y_all)].any():
        raise InputError(f"{catch} must hold whole numbers of fish; got {y_all[np.floor(y_all) != y_all][0]:g}")
    complete = frame[columns].notna().all(axis=1).to_numpy()
    notes = dropped(int((~complete).sum()), "runs with a missing value")
    runs = frame.loc[complete, list(dict.fromkeys(columns))]
    y, effort, rows = y_all[complete], effort_all[complete], np.flatnonzero(complete)
    made = make_terms(runs, parsed)
    if y.sum() == 0:
        emptied = [Term(t.column, t.levels, t.levels or (), t.centre, t.scale) for t in made]
        return _nothing(f"nothing caught in {len(y)} runs", emptied, runs.assign(__effort=effort), level, notes)
    made, fitted_rows = without_empty_levels(runs, made, y)
    for term in made:
        for label in term.empty:
            notes += (f"nothing caught in {term.column} {label}: its rate is 0, with an upper limit only",)
    empty_runs = runs.loc[~fitted_rows].assign(__effort=effort[~fitted_rows])
    runs, y, effort, rows = runs.loc[fitted_rows], y[fitted_rows], effort[fitted_rows], rows[fitted_rows]
    x, _ = design_matrix(runs, made)
    kept = independent_columns(x)
    p, n = int(kept.sum()), len(y)
    if n < p + 2:
        return _nothing(
            f"{n} runs with catch in their levels, {p + 2} needed for {p} coefficients", made, empty_runs, level, notes
        )
    fit = fit_counts(x[:, kept], y, np.log(effort), poisson=family == "poisson")
    if not fit.converged:
        notes += ("the fit did not settle: read the coefficients with care",)
    weight = working_weight(fit.mean, fit.theta)
    information = (x[:, kept] * weight[:, None]).T @ x[:, kept]
    own: FloatArray = np.asarray(np.linalg.pinv(information, rcond=1e-13, hermitian=True), dtype=np.float64)
    df = float(n - p)
    inside: set[str] = set()
    if not by:
        covariance = own
        how = "expected information, t limits on runs − coefficients"
    else:
        code = np.asarray(runs.groupby(by, observed=True, sort=False).ngroup(), dtype=np.intp)
        groups = int(code.max()) + 1
        named = " and ".join(by)
        if groups < 3:
            return _nothing(f"{groups} clusters by {named}, 3 needed", made, empty_runs, level, notes)
        blocks, scores = cluster_blocks(x[:, kept], weight, (y - fit.mean) * weight / fit.mean, code)
        covariance = jackknife_covariance(information, blocks, scores)
        df = float(groups - 1)
        how = f"standard error by leaving out one cluster by {named} at a time ({groups}), t limits on clusters − 1"
        inside = {term.column for term in made if term.levels is not None and _nested(runs[term.column], code)}
        for column in sorted(inside):
            notes += (f"each {column} lies in one cluster: its coefficients have no standard error by cluster",)
        if groups <= p:
            notes += (f"{groups} clusters for {p} coefficients: standard errors by cluster are rough",)
    kind: Family = "Poisson" if math.isinf(fit.theta) else "negative binomial"
    coefficients = _coefficients(
        fit, covariance, made, inside, kept, df, level, f"{kind} regression with log-effort offset, {how}", n
    )
    zero = zero_probability(fit.mean, fit.theta)
    spread = math.sqrt(float((zero * (1 - zero)).sum()))
    observed_zeros = int((y == 0).sum())
    alpha = 0.0 if math.isinf(fit.theta) else 1 / fit.theta
    pearson = float(((y - fit.mean) ** 2 / (fit.mean + alpha * fit.mean**2)).sum()) / (n - p)
    parameters = p + (kind == "negative binomial")
    return CatchModel(
        coefficients=coefficients,
        dispersion=_dispersion(fit, x[:, kept], y, level, family == "poisson"),
        family=kind,
        log_likelihood=fit.log_likelihood,
        aic=2 * parameters - 2 * fit.log_likelihood,
        deviance=deviance(y, fit.mean, fit.theta),
        pearson_dispersion=pearson,
        observed=y,
        fitted=fit.mean,
        effort_h=effort,
        rows=rows.astype(np.intp),
        observed_zeros=observed_zeros,
        expected_zeros=float(zero.sum()),
        zeros_z=(observed_zeros - float(zero.sum())) / spread if spread > 0 else 0.0,
        covariance=covariance,
        model_covariance=own,
        t_df=df,
        converged=fit.converged,
        level=level,
        notes=notes,
        terms=tuple(made),
        beta=fit.coefficients,
        kept=kept,
        empty_runs=empty_runs,
        cluster=tuple(by),
    )


def _nested(labels: pd.Series, code: IntArray) -> bool:
    """True when every level lies in one cluster."""
    return bool((pd.Series(code, index=labels.index).groupby(labels, observed=True).nunique() <= 1).all())


def _coefficients(
    fit: CountFit,
    covariance: FloatArray,
    terms: list[Term],
    inside: set[str],
    kept: npt.NDArray[np.bool_],
    df: float,
    level: float,
    method: str,
    n: int,
) -> dict[str, Estimate]:
    back = _unscaled(terms, len(kept))[:, kept]
    value = back @ fit.coefficients
    variance = np.einsum("ij,jk,ik->i", back, covariance, back)
    t = float(special.stdtrit(df, 0.5 + level / 2))
    found: dict[str, Estimate] = {}
    names = ["Intercept", *(name for term in terms for name in term.names)]
    without_se = {name for term in terms if term.column in inside for name in term.names}
    for i, name in enumerate(names):
        if not kept[i]:
            reason = "other terms determine it"
            found[name] = Estimate.not_estimable(reason, method=method, n=n, level=level)
            continue
        b, se = float(value[i]), math.sqrt(max(float(variance[i]), 0.0))
        if name in without_se:
            se = math.nan
        found[name] = Estimate(b, se, b - t * se, b + t * se, level, "log fish/h" if i == 0 else "log", method, n)
    for term in terms:
        for empty in term.empty:
            reason = f"nothing caught in {term.column} {empty}"
            found[f"{term.column}[{empty}]"] = Estimate.not_estimable(reason, method=method, n=n, level=level)
    return found
