"""Power to see a trend of the catch rate: by formula and by simulated surveys."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from fishreport.exceptions import InputError
from fishreport.methods.inputs import FloatArray, check_level, number, numbers

FEWEST_YEARS = 3


@dataclass(frozen=True, slots=True)
class SurveyPlan:
    """A survey repeated every season at the same sites.

    Attributes
    ----------
    mean_catch : float
        Mean catch of a run in the first season (fish).
    dispersion : float
        Size k of the negative binomial between runs of one site and season, variance μ + μ²/k; infinite for Poisson.
    sites, runs_per_site : int
    site_sd : float
        Standard deviation of the log of lasting differences between sites.
    year_sd : float
        Standard deviation of the log of the scatter of whole seasons about the trend.
    """

    mean_catch: float
    dispersion: float
    sites: int
    runs_per_site: int = 1
    site_sd: float = 0.0
    year_sd: float = 0.0

    def __post_init__(self) -> None:
        if not 0 < self.mean_catch < math.inf or not self.dispersion > 0:
            raise InputError(f"mean_catch and dispersion must be above 0; got {self.mean_catch:g} and {self.dispersion:g}")
        if self.sites < 1 or self.runs_per_site < 1:
            raise InputError(f"sites and runs_per_site must be 1 or more; got {self.sites} and {self.runs_per_site}")
        if self.site_sd < 0 or self.year_sd < 0:
            raise InputError(f"site_sd and year_sd must not be negative; got {self.site_sd:g} and {self.year_sd:g}")

    @property
    def index_cv(self) -> float:
        """Coefficient of variation of the yearly index: √(year² + Σ(run variance)/n²).

        Lasting differences between sites drop out, as the same sites are visited; they only make the catch uneven over the runs,
        which the factor exp(site_sd²) of the negative binomial part allows for.
        """
        runs = self.sites * self.runs_per_site
        evenness = 1 + math.expm1(self.site_sd**2) * (1 - 1 / self.sites)
        sampling = (1 / self.mean_catch + evenness / self.dispersion) / runs
        return math.sqrt(math.expm1(self.year_sd**2) + sampling)


@dataclass(frozen=True, slots=True)
class PowerCurve:
    """Power against the number of seasons.

    Attributes
    ----------
    years : array (m,)
        Number of seasons, one survey each.
    change_per_year : array (k,)
        Percent per year.
    by_formula, by_simulation : array (m, k)
        Chance of an interval of the trend that excludes zero on the right side; NaN where not asked.
    cv : float
        Coefficient of variation of the yearly index.
    level : float
    replicates : int
        Simulated surveys behind each point; 0 without simulation.
    """

    years: FloatArray
    change_per_year: FloatArray
    by_formula: FloatArray
    by_simulation: FloatArray
    cv: float
    level: float
    replicates: int

    def years_needed(self, power: float, *, change: int = 0) -> float:
        """Fewest of `years` whose power (by formula) reaches `power` for the change of that position; NaN when none does."""
        reached = self.years[self.by_formula[:, change] >= power]
        return float(reached.min()) if reached.size else math.nan


def gerrodette_years(change_per_year: float, cv: float, *, level: float = 0.95, power: float = 0.8) -> float:
    """Seasons needed to see a change, n³ = 12 cv² (z_{α/2} + z_β)² / r².

    Linear change with constant coefficient of variation, large-sample form (Gerrodette 1987, Ecology 68:1364-1372, from memory).

    Parameters
    ----------
    change_per_year : float
        Percent per year, r = change/100; not zero.
    cv : float
        Coefficient of variation of the yearly index.

    Returns
    -------
    float
        Not rounded; round up.

    Raises
    ------
    InputError
        A change of zero, cv not above zero, level or power outside (0, 1).
    """
    check_level(level)
    change_per_year, cv, power = number("change_per_year", change_per_year), number("cv", cv), number("power", power)
    if change_per_year == 0 or not cv > 0 or not 0 < power < 1:
        raise InputError(f"change must not be 0, cv above 0, power in (0, 1); got {change_per_year:g}, {cv:g}, {power:g}")
    z = float(stats.norm.ppf((1 + level) / 2) + stats.norm.ppf(power))
    return float((12 * (cv * z / (change_per_year / 100)) ** 2) ** (1 / 3))


def _power_formula(slope: float, sd: float, years: int, level: float) -> float:
    if years < FEWEST_YEARS:
        return math.nan
    if sd <= 0:
        return 1.0 if slope else 1 - level
    shift = abs(slope) / sd * math.sqrt(years * (years**2 - 1) / 12)
    critical = float(stats.t.ppf((1 + level) / 2, years - 2))
    return float(stats.nct.sf(critical, years - 2, shift)) if shift < 35 else 1.0


def simulate_indices(
    plan: SurveyPlan, change_per_year: float, years: int, *, replicates: int, rng: np.random.Generator
) -> FloatArray:
    """Yearly mean catches of simulated surveys, (replicates, years).

    Log expected catch of a site and season: log mean + trend + season (normal, `year_sd`) + site (normal, `site_sd`,
    lasting), each with mean 1 on the scale of fish; catches of runs are negative binomial.
    """
    slope = math.log1p(change_per_year / 100)
    season = rng.normal(-(plan.year_sd**2) / 2, plan.year_sd, (replicates, years, 1))
    site = rng.normal(-(plan.site_sd**2) / 2, plan.site_sd, (replicates, 1, plan.sites))
    mean = plan.mean_catch * np.exp(slope * np.arange(years)[None, :, None] + season + site)
    # The sum over the runs of a site is negative binomial again, with the size times the number of runs.
    size = plan.dispersion * plan.runs_per_site
    rate = mean * plan.runs_per_site
    if math.isfinite(size):
        rate = rate * rng.gamma(size, 1 / size, rate.shape)
    return np.asarray(rng.poisson(rate).sum(axis=2) / (plan.sites * plan.runs_per_site), dtype=float)


def _power_simulated(index: FloatArray, slope: float, level: float, smallest: float) -> float:
    years = index.shape[1]
    if years < FEWEST_YEARS:
        return math.nan
    y = np.log(np.maximum(index, smallest))
    t = np.arange(years) - (years - 1) / 2
    total = float((t**2).sum())
    found = y @ t / total
    rest = y - y.mean(axis=1, keepdims=True) - found[:, None] * t
    se = np.sqrt((rest**2).sum(axis=1) / (years - 2) / total)
    critical = float(stats.t.ppf((1 + level) / 2, years - 2))
    seen = (np.sign(slope) * found > critical * se) if slope else (np.abs(found) > critical * se)
    return float(seen.mean())


def power_to_detect(
    spread: float | SurveyPlan,
    *,
    change_per_year: ArrayLike = 5.0,
    years: ArrayLike = (3, 5, 10),
    level: float = 0.95,
    rng: np.random.Generator | None = None,
    replicates: int = 2000,
) -> PowerCurve:
    """Chance that a log-linear trend of a yearly index is seen, for a change and a number of seasons.

    Parameters
    ----------
    spread : float or SurveyPlan
        Coefficient of variation of the yearly index, or a plan to simulate.
    change_per_year : float or array (k,)
        Percent per year, above −100; 0 gives the chance of a false alarm (both directions).
    years : array (m,)
        Numbers of seasons, one survey each.
    level : float
        Level of the trend's two-sided interval.
    rng : Generator, optional
        Needed to simulate a plan; without it there is only the formula.
    replicates : int
        Simulated surveys a point.

    Returns
    -------
    PowerCurve
        Formula: noncentral Student's t with n − 2 degrees of freedom and shift |log(1 + r)| √(n (n² − 1)/12) / sd, sd² =
        log(1 + cv²); it is the small-sample form of Gerrodette 1987. Simulation: negative binomial catches
        (`simulate_indices`), least squares on the log of the yearly mean catch, a season without a fish counted as half a
        fish. Fewer than three seasons: NaN.

    Raises
    ------
    InputError
        A cv that is not above zero, a change of −100 or less, years that are not whole or below 1, replicates below 100.
    """
    check_level(level)
    changes = numbers("change_per_year", change_per_year, above=-100)
    seasons = numbers("years", years, at_least=1)
    if not np.array_equal(seasons, np.round(seasons)):
        raise InputError("years must be whole numbers of seasons")
    if number("replicates", replicates) < 100:
        raise InputError(f"replicates must be 100 or more, got {replicates}")
    cv = spread.index_cv if isinstance(spread, SurveyPlan) else number("the coefficient of variation", spread, above=0)
    if not 0 < cv < math.inf:
        raise InputError(f"the coefficient of variation must be above 0, got {cv:g}")
    sd = math.sqrt(math.log1p(cv**2))
    slopes = np.log1p(changes / 100)
    formula = np.array([[_power_formula(b, sd, int(n), level) if b else 1 - level for b in slopes] for n in seasons])
    formula[seasons < FEWEST_YEARS] = math.nan
    simulated = np.full(formula.shape, math.nan)
    if isinstance(spread, SurveyPlan) and rng is not None:
        smallest = 0.5 / (spread.sites * spread.runs_per_site)
        for j, change in enumerate(changes):
            for i, n in enumerate(seasons):
                index = simulate_indices(spread, float(change), int(n), replicates=replicates, rng=rng)
                simulated[i, j] = _power_simulated(index, float(slopes[j]), level, smallest)
        return PowerCurve(seasons, changes, formula, simulated, cv, level, replicates)
    return PowerCurve(seasons, changes, formula, simulated, cv, level, 0)
