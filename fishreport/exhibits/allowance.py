"""What is allowed for where a finding is one of many tests."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True)
class Allowance:
    """What is allowed for because a finding is one of many tests.

    Attributes
    ----------
    adjusted_p : float
        Two-sided p of the finding, adjusted for the number of tests; NaN for none.
    tests : str
        The tests, counted: ``54 trends tested``.
    """

    adjusted_p: float
    tests: str

    def stands(self, level: float) -> bool:
        """True where the adjusted p is below 1 − `level`, or there is none to adjust."""
        return math.isnan(self.adjusted_p) or self.adjusted_p < 1 - level

    def lost(self, level: float) -> str:
        """That a finding does not stand among the others tested."""
        adjusted, bound = f"{self.adjusted_p:.2g}", f"{1 - level:.2g}"
        shown = f"just over {bound}" if float(adjusted) <= float(bound) else adjusted
        return f"does not stand after adjusting for the {self.tests} (adjusted p {shown})"
