"""The checked tables of a study, as the estimates read them."""

from __future__ import annotations

from dataclasses import dataclass, field

import pandas as pd


@dataclass(frozen=True)
class Survey:
    """All checked field data of one study; rows set aside or in error are not in it.

    Every frame exists, with all the columns of the schema, even when the study has no such table
    (then it has no rows). Columns added in deriving:

    runs : ``season`` (int, calendar year of `date`), ``effort_h``, ``reach`` (empty string when not recorded).
    fish : one row a fish (``count`` alike fish are spread over as many rows, so ``count`` is 1), with the ``season``,
        ``site``, ``reach`` and ``date`` of its run, and ``species_key`` such as ``brown_trout``. ``length_mm`` and
        ``weight_g`` are NaN when not recorded.
    ages : ``season``, ``species_key``, ``length_mm`` filled in from the fish that the sample was taken from.

    ``species_key`` is the study's species name in lower case with underscores; fish of a species that the study does not
    name keep their code.
    """

    runs: pd.DataFrame
    fish: pd.DataFrame
    ages: pd.DataFrame
    census: pd.DataFrame
    stocking: pd.DataFrame
    flow: pd.DataFrame
    harvest: pd.DataFrame
    faults: pd.DataFrame = field(repr=False)
    set_aside: pd.DataFrame = field(repr=False)

    @property
    def seasons(self) -> list[int]:
        """Seasons that have at least one run, in order."""
        return sorted(int(year) for year in self.runs["season"].unique())
