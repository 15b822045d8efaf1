"""The one shape in which every estimator answers: a value with its uncertainty, units, sample size and method."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace


@dataclass(frozen=True, slots=True)
class Estimate:
    """One estimated quantity.

    Attributes
    ----------
    value : float
        The point estimate; NaN when it is not estimable.
    se : float
        Standard error, in the units of `value`; NaN where the method has none.
    lower, upper : float
        Limits of the interval at `level`; NaN where the method has none, infinite where the data set no bound.
    level : float
        Confidence level of the interval, between 0 and 1.
    units : str
        Units of `value`, such as ``"fish/h"``; empty for a pure number.
    method : str
        The exact estimator and interval, in words.
    n : int
        Number of sampling units that the estimate rests on.
    notes : tuple[str, ...]
        What a reader must know: assumptions that fail, small samples, the reason why it is not estimable.
    """

    value: float
    se: float
    lower: float
    upper: float
    level: float
    units: str
    method: str
    n: int
    notes: tuple[str, ...] = ()

    @property
    def estimable(self) -> bool:
        """True when there is a value to report."""
        return math.isfinite(self.value)

    @classmethod
    def not_estimable(cls, reason: str, *, units: str = "", method: str = "", n: int = 0, level: float = 0.95) -> Estimate:
        """The answer to too little data: no value, and the reason why, such as ``'4 aged fish, 10 needed'``."""
        nan = math.nan
        return cls(nan, nan, nan, nan, level, units, method, n, (f"not estimable: {reason}",))

    def noting(self, *notes: str) -> Estimate:
        """The same estimate with further notes."""
        return replace(self, notes=self.notes + tuple(notes))

    def converted(self, convert: Callable[[float], float], units: str) -> Estimate:
        """The same estimate in other units; `convert` multiplies or divides by a number above zero."""
        value, se, lower, upper = (convert(number) for number in (self.value, self.se, self.lower, self.upper))
        return replace(self, value=value, se=se, lower=lower, upper=upper, units=units)
