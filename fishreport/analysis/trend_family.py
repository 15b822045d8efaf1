"""How many trends and changes of smoothed levels were tested, which can be told from zero, and which stand for all that."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from fishreport.analysis.trend import IndexSeries, IndexTrend
from fishreport.methods.estimate import Estimate


@dataclass(frozen=True)
class Multiplicity:
    """How many trends (or changes of smoothed levels) were tested, and how many chance alone would make look like one.

    Attributes
    ----------
    tested : int
        Those with an interval.
    apart : tuple[IndexSeries, ...]
        Those whose interval leaves out zero.
    expected : float
        Expected number of those if nothing changed at all, (1 − level) × tested.
    standing : tuple[IndexSeries, ...]
        Those whose adjusted p is below 1 − level.
    level : float
    """

    tested: int
    apart: tuple[IndexSeries, ...]
    expected: float
    standing: tuple[IndexSeries, ...]
    level: float

    @property
    def outside(self) -> int:
        """How many intervals leave out zero."""
        return len(self.apart)

    @property
    def held(self) -> int:
        """How many stand after adjusting for their number."""
        return len(self.standing)


def _multiplicity(tests: Sequence[tuple[IndexSeries, Estimate, float]], level: float) -> Multiplicity:
    tested = [(series, e, q) for series, e, q in tests if e.estimable and not math.isnan(e.lower)]
    apart = tuple(series for series, e, _ in tested if e.lower > 0 or e.upper < 0)
    standing = tuple(series for series, _, q in tested if q < 1 - level)
    return Multiplicity(len(tested), apart, (1 - level) * len(tested), standing, level)


def multiplicity(trends: Sequence[IndexTrend], level: float) -> Multiplicity:
    """Count of trends tested, each question once, of intervals without zero, and of those that chance would give."""
    return _multiplicity([(one.series, one.result.estimate, one.adjusted_p) for one in trends if not one.restates], level)


def smoothed_multiplicity(trends: Sequence[IndexTrend], level: float) -> Multiplicity:
    """The same of the changes of smoothed levels from the first season to the last."""
    return _multiplicity(
        [(one.series, one.smooth.change, one.smooth_adjusted_p) for one in trends if one.smooth is not None], level
    )  # fmt: skip
