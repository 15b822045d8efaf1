"""Whether the numbers of fish stocked changed within the year classes that a catch curve looks at."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from fishreport.fielddata.survey import Survey
from fishreport.methods.mortality import ChapmanRobson

CHANGED = 1.25
"""Factor between mean yearly numbers from which on stocking is called changed (common practice, no source)."""
YOUNGEST_STOCKED = 1
"""Age in years that a stocked fish has at least in the year that it is put in."""


@dataclass(frozen=True)
class StockingStep:
    """Stocking before and after a change: mean fish a year in which some were stocked, and first and last such year of each."""

    before: float
    after: float
    years_before: tuple[int, int]
    years_after: tuple[int, int]

    @property
    def fewer(self) -> bool:
        """True where fewer fish were stocked after than before."""
        return self.after < self.before


def _yearly(stocking: pd.DataFrame, last: int) -> pd.Series:
    """Fish stocked by year; years without are gaps between stockings, but count as 0 where the wait since the last is longer."""
    dated = stocking[stocking["date"].notna() & stocking["number"].gt(0)]
    total = dated.groupby(dated["date"].dt.year)["number"].sum()
    total = total[total.index <= last]
    if len(total) < 2:
        return total
    gap = int(np.diff(total.index.to_numpy()).max())
    ended = dict.fromkeys(range(int(total.index[-1]) + 1, last + 1), 0.0) if last - int(total.index[-1]) > gap else {}
    return pd.concat([total, pd.Series(ended, dtype=float)]) if ended else total


def stocking_step(survey: Survey, species: str, season: int, fit: ChapmanRobson) -> StockingStep | None:
    """The step in yearly stocking among the year classes on the limb of a catch curve.

    Years run from those of which the oldest fish of the limb may come to the latest whose fish may have reached its first age.
    They are parted where the two means leave the least sum of squares. None with fewer than two years, or where the means differ
    by less than a factor of 1.25.
    """
    limb = fit.frame()
    limb = limb[limb["on_limb"] & (limb["count"] >= 0.5)]
    if limb.empty or fit.from_age is None:
        return None
    first, last = season - int(limb["age"].max()), season - int(fit.from_age) + YOUNGEST_STOCKED
    stocking = survey.stocking
    total = _yearly(stocking[stocking["species_key"] == species], last)
    total = total[total.index >= first]
    if len(total) < 2:
        return None
    number, years = total.to_numpy(float), total.index.to_numpy(int)
    spread = [((number[:i] - number[:i].mean()) ** 2).sum() + ((number[i:] - number[i:].mean()) ** 2).sum()
              for i in range(1, number.size)]  # fmt: skip
    at = 1 + int(np.argmin(spread))
    before, after = float(number[:at].mean()), float(number[at:].mean())
    if max(before, after) < CHANGED * min(before, after):
        return None
    return StockingStep(before, after, (int(years[0]), int(years[at - 1])), (int(years[at]), int(years[-1])))
