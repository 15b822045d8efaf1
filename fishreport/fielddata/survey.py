"""The checked tables of a study, as the estimates read them."""

from __future__ import annotations

from dataclasses import dataclass, field

import pandas as pd


@dataclass(frozen=True)
class Survey:
    """All checked field data of one study up to the reported season; rows set aside or in error are not in it.

    Every frame exists, with all the columns of `fishreport.fielddata.schema`, even when the study has no such table (then
    it has no rows); columns that the schema does not define follow as text. Types:

    - text: pandas' ``str`` (object before pandas 3), empty where not recorded; ``start_time`` is text such as ``21:30``
    - numbers: float64, NaN where not recorded; but int64 for ``count``, ``row``, ``season``, and for ``number``, ``caught``,
      ``marked``, ``recaptured`` of the census and stocking tables, which are never empty
    - dates: datetime64[us], NaT where not recorded
    - yes/no: bool, False where not recorded
    - ``increments_mm``: a tuple of floats a row, empty where not recorded

    Columns added in deriving:

    every table : ``row`` (line in the file), ``season`` (calendar year).
    runs : ``effort_h``; in order of date, start time and line.
    fish : one row a fish (``count`` alike fish are spread over as many rows, so ``count`` is 1), with the ``run_id``,
        ``season``, ``site``, ``reach``, ``date`` and ``pass_number`` of its run, and ``species_key`` such as ``brown_trout``;
        in the order of the runs, then of the file.
    ages : ``species_key``, and ``species``, ``length_mm``, ``date``, ``site``, ``run_id`` of the fish that the sample was
        taken from (empty for an age without one).
    census, stocking, harvest : ``species_key``; in the order of the file.

    ``species_key`` is the study's species name in lower case with underscores; fish of a species that the study does not
    name keep their code.

    Attributes
    ----------
    faults : DataFrame
        Every doubt and note (and, when loaded without `strict`, every error), as `faults.Faults.frame` describes.
    set_aside : DataFrame
        One row a row set aside: ``table``, ``file``, ``row``, ``reason``, ``text``.
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

    @property
    def doubts(self) -> pd.DataFrame:
        """The faults that are believed and listed."""
        return self.faults[self.faults["severity"] == "doubt"].reset_index(drop=True)

    def fish_of(self, species_key: str, *, season: int | None = None) -> pd.DataFrame:
        """Fish of one species, of all seasons or of one."""
        mask = self.fish["species_key"] == species_key
        if season is not None:
            mask &= self.fish["season"] == season
        return self.fish[mask]
