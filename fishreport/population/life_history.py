"""The life history of a fish in one water, as draws that carry its joint uncertainty.

Assumptions, with t the age in years on 1 January plus the part of the year gone by, and L the length in mm:

* mean length  L(t) = asymptotic_length_mm (1 - exp(-growth_coefficient (t - age_at_zero))), of 1 mm at least;
* lengths at age spread with a constant coefficient of variation about it (see `length_groups`);
* weight (g) = 10**weight_intercept · L**weight_slope;
* natural mortality  M(L) = natural_mortality (L / natural_mortality_length_mm)**(-natural_mortality_exponent), a year;
* vulnerability to angling = 1 / (1 + exp(-ln(19) (L - v50) / vulnerability_spread_mm)): 0.5 at v50 = vulnerability_length_mm
  and 0.95 one spread above it; without a spread it is knife-edged, without a length all fish are vulnerable;
* maturity the same with length_at_maturity_mm and maturity_spread_mm, or knife-edged at age_at_maturity;
* recruits that enter at `first_age` on 1 January, `recruitment_lag` years after they were spawned by the spawning biomass S at
  the start of `spawning_month`. With R0 the unfished mean number of recruits, S0 the unfished spawning biomass and h the
  steepness (the share of R0 that 20 % of S0 brings forth): Beverton-Holt  R = 4 h R0 S / (S0 (1 - h) + (5 h - 1) S);
  Ricker  R = R0 (S / S0) exp(ln(5 h) / 0.8 · (1 - S / S0));  density independent  R = R0. (Beverton-Holt with h = 0.2 is
  recruitment in proportion to S.) Each is multiplied by exp(e - sd²/2), e normal with standard deviation sd and lag-one
  autocorrelation r, so that its mean is 1;
* fish that pass `maximum_age` die at the end of that year.

Beverton & Holt 1957; Ricker 1954; steepness after Mace & Doonan 1988 (all from memory).
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fishreport.exceptions import InputError
from fishreport.population.angling import beta_draws, positive_draws

Floats = NDArray[np.float64]
RECRUITMENT = ("beverton-holt", "ricker", "density independent")
_ABOVE_ZERO = ("asymptotic_length_mm", "growth_coefficient", "weight_slope")
_NOT_NEGATIVE = ("length_cv", "natural_mortality", "fishing_mortality", "natural_mortality_exponent", "recruitment_sd")
_OPTIONAL = (
    "natural_mortality_length_mm",
    "vulnerability_length_mm",
    "vulnerability_spread_mm",
    "length_at_maturity_mm",
    "maturity_spread_mm",
    "age_at_maturity",
    "density_per_km",
    "recruits_per_km",
)
_FREE = ("age_at_zero", "weight_intercept", "steepness", "recruitment_autocorrelation")
PER_DRAW = (*_ABOVE_ZERO, *_NOT_NEGATIVE, *_OPTIONAL, *_FREE)


def _array(name: str, value: ArrayLike) -> Floats:
    array = np.array(value, dtype=float, ndmin=1)
    if array.ndim != 1 or not array.size:
        raise InputError(f"{name} must be a number or one number a draw, got an array of shape {array.shape}")
    if not np.isfinite(array).all():
        raise InputError(f"{name} must be finite in every draw, got {np.count_nonzero(~np.isfinite(array))} values that are not")
    lowest = 0.0 if name not in _FREE else -np.inf
    strict = name in _ABOVE_ZERO or name in _OPTIONAL
    if (array <= lowest).any() if strict else (array < lowest).any():
        raise InputError(f"{name} must be {'above 0' if strict else '0 or more'} in every draw, got {array.min():g}")
    return array


def _ogive(length: Floats, middle: Floats, spread: Floats | None) -> Floats:
    if spread is None:
        return (length >= middle).astype(float)
    return 1 / (1 + np.exp(np.clip(-np.log(19.0) * (length - middle) / spread, -700, 700)))


@dataclass(frozen=True, kw_only=True)
class LifeHistory:
    """Draws of a life history; every quantity below without a remark is a number or an array with one value a draw.

    Attributes
    ----------
    asymptotic_length_mm, growth_coefficient (per year), age_at_zero (years), length_cv
        Growth, and the spread of length at age.
    weight_intercept (log10 g at 1 mm), weight_slope
        Length-weight relation.
    natural_mortality (per year), natural_mortality_exponent, natural_mortality_length_mm
        Natural mortality; at the given length when it varies with length.
    fishing_mortality (per year)
        Of fully vulnerable fish open to harvest under today's rule (of all fish under release only), release deaths included.
    vulnerability_length_mm, vulnerability_spread_mm; length_at_maturity_mm, maturity_spread_mm or age_at_maturity (years)
        Ogives.
    first_age, maximum_age : int
        Ages (years) that are followed.
    recruitment : {'beverton-holt', 'ricker', 'density independent'}
    steepness, recruitment_sd, recruitment_autocorrelation
        Recruitment.
    recruitment_lag : int
        Years from spawning to entry at `first_age` on 1 January; None takes `first_age` (autumn spawners need one more).
    density_per_km : fish per km of `density_length_mm` and longer at the start of `survey_month` today; sets the scale.
    recruits_per_km : unfished mean recruitment per km, when no density is given. With neither, it is 1000.
    initial_numbers_per_km : array (ages,) or (draws, ages), optional
        Fish per km by age on 1 January of the first year; None takes the equilibrium under today's rule.
    spawning_month, survey_month : int
        Calendar months, at the start of which spawners are counted and the water is surveyed.
    """

    asymptotic_length_mm: Any
    growth_coefficient: Any
    natural_mortality: Any
    weight_intercept: Any
    weight_slope: Any
    age_at_zero: Any = 0.0
    length_cv: Any = 0.1
    natural_mortality_exponent: Any = 0.0
    natural_mortality_length_mm: Any = None
    fishing_mortality: Any = 0.0
    vulnerability_length_mm: Any = None
    vulnerability_spread_mm: Any = None
    length_at_maturity_mm: Any = None
    maturity_spread_mm: Any = None
    age_at_maturity: Any = None
    first_age: int = 1
    maximum_age: int = 10
    recruitment: str = "beverton-holt"
    steepness: Any = 0.7
    recruitment_sd: Any = 0.5
    recruitment_autocorrelation: Any = 0.0
    recruitment_lag: int | None = None
    density_per_km: Any = None
    density_length_mm: float = 0.0
    recruits_per_km: Any = None
    initial_numbers_per_km: Any = None
    spawning_month: int = 11
    survey_month: int = 10

    def __post_init__(self) -> None:
        arrays = {name: _array(name, getattr(self, name)) for name in PER_DRAW if getattr(self, name) is not None}
        sizes = {array.size for array in arrays.values()} - {1}
        initial = self.initial_numbers_per_km
        if initial is not None:
            initial = np.atleast_2d(np.array(initial, dtype=float))
            if initial.ndim != 2 or initial.shape[1] != self.maximum_age - self.first_age + 1:
                raise InputError(
                    f"initial_numbers_per_km needs one column an age from {self.first_age} to {self.maximum_age}, "
                    f"got shape {initial.shape}"
                )
            if not (np.isfinite(initial).all() and (initial >= 0).all()):
                raise InputError("initial_numbers_per_km must hold finite numbers of 0 or more")
            sizes |= {initial.shape[0]} - {1}
        if len(sizes) > 1:
            raise InputError(f"all quantities need the same number of draws, got {sorted(sizes)}")
        number = sizes.pop() if sizes else 1
        for name, array in arrays.items():
            self._put(name, np.broadcast_to(array, (number,)))
        if initial is not None:
            self._put("initial_numbers_per_km", np.broadcast_to(initial, (number, initial.shape[1])))
        self._check()

    def _put(self, name: str, value: Any) -> None:
        object.__setattr__(self, name, value)

    def _check(self) -> None:
        for name in ("first_age", "maximum_age", "spawning_month", "survey_month"):
            value = getattr(self, name)
            if isinstance(value, bool) or not isinstance(value, int | np.integer):
                raise InputError(f"{name} must be a whole number, got {value!r}")
        if not 0 <= self.first_age < self.maximum_age <= 100:
            raise InputError(f"ages must be 0 <= first_age < maximum_age <= 100, got {self.first_age} and {self.maximum_age}")
        if not (1 <= self.spawning_month <= 12 and 1 <= self.survey_month <= 12):
            raise InputError("spawning_month and survey_month must be from 1 to 12")
        if self.recruitment not in RECRUITMENT:
            raise InputError(f"recruitment must be one of {', '.join(RECRUITMENT)}, got {self.recruitment!r}")
        highest = 1.0 if self.recruitment == "beverton-holt" else 20.0
        if self.recruitment != "density independent" and not ((self.steepness >= 0.2) & (self.steepness <= highest)).all():
            raise InputError(f"steepness of {self.recruitment} must be from 0.2 to {highest:g} in every draw")
        if not ((self.recruitment_autocorrelation > -1) & (self.recruitment_autocorrelation < 1)).all():
            raise InputError("recruitment_autocorrelation must be between -1 and 1 in every draw")
        if self.length_at_maturity_mm is None and self.age_at_maturity is None:
            raise InputError("give length_at_maturity_mm or age_at_maturity; spawning potential needs one of them")
        if self.natural_mortality_length_mm is None and (self.natural_mortality_exponent > 0).any():
            raise InputError("natural_mortality_exponent needs natural_mortality_length_mm, the length that M stands for")
        lag = self.first_age if self.recruitment_lag is None else self.recruitment_lag
        if isinstance(lag, bool) or not isinstance(lag, int) or not 0 <= lag <= 20:
            raise InputError(f"recruitment_lag must be a whole number of years from 0 to 20, got {lag!r}")
        self._put("recruitment_lag", max(lag, 1))
        if not self.density_length_mm >= 0:
            raise InputError(f"density_length_mm must be 0 or more, got {self.density_length_mm!r}")

    @classmethod
    def from_spreads(cls, rng: np.random.Generator, draws: int, *, growth_correlation: float = 0.0, **values: Any) -> LifeHistory:
        """Draws from values given as ``(value, se)``; anything that is not a pair is taken as it is.

        Lognormal with that mean and standard deviation for quantities above 0, normal for `age_at_zero` and `weight_intercept`,
        beta for the steepness of Beverton-Holt (on 0.2 to 1) and for the autocorrelation (on -1 to 1). `growth_correlation` is
        the correlation of log asymptotic length and log growth coefficient (about -0.8 in most fits; 0 if unknown).
        """
        if not -1 <= growth_correlation <= 1:
            raise InputError(f"growth_correlation must be from -1 to 1, got {growth_correlation!r}")
        recruitment = values.get("recruitment", "beverton-holt")
        made: dict[str, Any] = {}
        for name, value in values.items():
            if name not in PER_DRAW or not (isinstance(value, tuple) and len(value) == 2):
                made[name] = value
                continue
            mean, se = float(value[0]), float(value[1])
            if name == "steepness" and recruitment == "beverton-holt":
                made[name] = beta_draws(rng, draws, mean, se, name, 0.2, 1.0)
            elif name == "steepness":
                made[name] = np.maximum(positive_draws(rng, draws, mean, se), 0.2)
            elif name == "recruitment_autocorrelation":
                made[name] = beta_draws(rng, draws, mean, se, name, -1.0, 1.0)
            elif name in ("age_at_zero", "weight_intercept"):
                made[name] = mean + se * rng.standard_normal(draws)
            else:
                made[name] = positive_draws(rng, draws, mean, se) if mean > 0 else np.zeros(draws)
        pair = ("asymptotic_length_mm", "growth_coefficient")
        if growth_correlation and all(isinstance(values.get(name), tuple) and values[name][1] > 0 for name in pair):
            normal = rng.multivariate_normal([0, 0], [[1, growth_correlation], [growth_correlation, 1]], draws)
            for column, name in enumerate(pair):
                mean, se = values[name]
                variance = np.log1p((se / mean) ** 2)
                made[name] = mean * np.exp(np.sqrt(variance) * normal[:, column] - variance / 2)
        return cls(**made)

    @classmethod
    def from_fits(
        cls,
        rng: np.random.Generator,
        draws: int,
        *,
        growth: ArrayLike,
        growth_covariance: ArrayLike,
        **values: Any,
    ) -> LifeHistory:
        """Draws from a growth fit (asymptotic length mm, growth coefficient, age at zero) with its 3 × 3 covariance matrix.

        Asymptotic length and growth coefficient are drawn on the log scale jointly with age at zero (delta method), which keeps
        their correlation and their sign. Everything else as in `from_spreads`, or as arrays of draws such as a bootstrap gives.
        """
        centre, covariance = np.asarray(growth, dtype=float), np.asarray(growth_covariance, dtype=float)
        if centre.shape != (3,) or covariance.shape != (3, 3) or (centre[:2] <= 0).any():
            raise InputError("growth needs (asymptotic length, growth coefficient, age at zero) and a 3 × 3 covariance matrix")
        scale = np.array([1 / centre[0], 1 / centre[1], 1.0])
        start = np.array([np.log(centre[0]), np.log(centre[1]), centre[2]])
        try:
            normal = rng.multivariate_normal(start, covariance * np.outer(scale, scale), draws, check_valid="raise")
        except (ValueError, np.linalg.LinAlgError) as error:
            raise InputError(f"growth_covariance must be a covariance matrix: {error}") from None
        values |= {
            "asymptotic_length_mm": np.exp(normal[:, 0]),
            "growth_coefficient": np.exp(normal[:, 1]),
            "age_at_zero": normal[:, 2],
        }
        return cls.from_spreads(rng, draws, **values)

    @property
    def draws(self) -> int:
        """Number of draws."""
        return int(self.asymptotic_length_mm.size)

    @property
    def ages(self) -> NDArray[np.int64]:
        """The ages followed, on 1 January."""
        return np.arange(self.first_age, self.maximum_age + 1)

    def take(self, index: NDArray[np.intp]) -> LifeHistory:
        """The same with chosen draws; draw *i* of the result is draw ``index[i]``."""
        names = [name for name in (*PER_DRAW, "initial_numbers_per_km") if getattr(self, name) is not None]
        return dataclasses.replace(self, **{name: getattr(self, name)[index] for name in names})

    def inputs(self) -> dict[str, Floats]:
        """The quantities that vary over the draws, by name."""
        fields = {name: getattr(self, name) for name in PER_DRAW}
        return {name: value for name, value in fields.items() if value is not None and np.ptp(value) > 0}

    def _wide(self, name: str, like: Floats) -> Floats:
        return getattr(self, name).reshape(-1, *(1,) * (like.ndim - 1))

    def mean_length(self, age: ArrayLike) -> Floats:
        """Mean length (mm) at ages (years), draws × the shape of `age`."""
        age = np.asarray(age, dtype=float)[None]
        grown = -np.expm1(-self._wide("growth_coefficient", age) * (age - self._wide("age_at_zero", age)))
        return np.maximum(self._wide("asymptotic_length_mm", age) * grown, 1.0)

    def natural_mortality_at(self, length: Floats) -> Floats:
        """Natural mortality (per year) at lengths (mm), draws on the first axis."""
        base = np.broadcast_to(self._wide("natural_mortality", length), length.shape)
        if self.natural_mortality_length_mm is None or not (self.natural_mortality_exponent > 0).any():
            return base
        relative = np.maximum(length, 10.0) / self._wide("natural_mortality_length_mm", length)
        return base * relative ** -self._wide("natural_mortality_exponent", length)

    def vulnerability_at(self, length: Floats) -> Floats:
        """Vulnerability to angling at lengths (mm), draws on the first axis."""
        if self.vulnerability_length_mm is None:
            return np.ones(length.shape)
        spread = None if self.vulnerability_spread_mm is None else self._wide("vulnerability_spread_mm", length)
        return _ogive(length, self._wide("vulnerability_length_mm", length), spread)

    def maturity_at(self, length: Floats, age: Floats) -> Floats:
        """Share mature at lengths (mm) and ages (years, broadcast), draws on the first axis."""
        if self.length_at_maturity_mm is None:
            return np.broadcast_to(np.asarray(age >= self._wide("age_at_maturity", length), dtype=float), length.shape)
        spread = None if self.maturity_spread_mm is None else self._wide("maturity_spread_mm", length)
        return _ogive(length, self._wide("length_at_maturity_mm", length), spread)

    def recruits(self, spawners: Floats, *, unfished_spawners: Floats, unfished_recruits: Floats) -> Floats:
        """Mean number of recruits that a spawning biomass brings forth; draws on the last axis of each."""
        if self.recruitment == "density independent":
            return np.broadcast_to(unfished_recruits, spawners.shape).copy()
        relative, h = spawners / unfished_spawners, self.steepness
        if self.recruitment == "ricker":
            return unfished_recruits * relative * np.exp(np.log(5 * h) / 0.8 * (1 - relative))
        return unfished_recruits * 4 * h * relative / (1 - h + (5 * h - 1) * relative)

    def equilibrium_recruits(self, potential: Floats) -> Floats:
        """Equilibrium recruitment as a share of the unfished, at a spawning potential per recruit (share of the unfished).

        Zero or below where the stock would die out.
        """
        if self.recruitment == "density independent":
            return np.ones_like(potential)
        h = self.steepness
        if self.recruitment == "ricker":
            slope = np.maximum(np.log(5 * h) / 0.8, 1e-9)
            return (1 + np.log(np.maximum(potential, 1e-300)) / slope) / np.maximum(potential, 1e-300)
        steep = np.maximum(5 * h - 1, 1e-9)
        return (4 * h * potential - (1 - h)) / (steep * np.maximum(potential, 1e-300))


def numbers_at_age(
    rng: np.random.Generator, density_per_km: ArrayLike, count_by_age: ArrayLike, *, draws: int | None = None
) -> Floats:
    """Draws of numbers at age from draws of density and the ages of a sample, for `initial_numbers_per_km`.

    Shares at age are drawn from a Dirichlet distribution with parameters count + 1/2 (Jeffreys), and multiplied by the density.
    The fish are taken to stand on 1 January, at the ages that they have then.

    Parameters
    ----------
    rng : numpy Generator
    density_per_km : array (draws,) or number
        Fish per km of the ages counted.
    count_by_age : array (ages,)
        Fish of each age in the sample, from the first age to the maximum age (zeros included).
    draws : int, optional
        Number of draws when the density is one number.

    Returns
    -------
    array (draws, ages)
    """
    density, counts = np.atleast_1d(np.asarray(density_per_km, dtype=float)), np.asarray(count_by_age, dtype=float)
    if counts.ndim != 1 or not np.isfinite(counts).all() or (counts < 0).any() or counts.sum() <= 0:
        raise InputError("count_by_age must hold one number of 0 or more an age, not all 0")
    if density.ndim != 1 or not np.isfinite(density).all() or (density < 0).any():
        raise InputError("density_per_km must be a number of 0 or more, or one a draw")
    number = density.size if draws is None else draws
    if density.size not in (1, number):
        raise InputError(f"density_per_km has {density.size} draws where {number} are asked for")
    return density[:, None] * rng.dirichlet(counts + 0.5, number)
