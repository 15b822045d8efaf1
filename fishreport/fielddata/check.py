"""Checks of the typed tables: what the whole says that single cells do not."""

from __future__ import annotations

import numpy as np
import pandas as pd

from fishreport.fielddata.faults import Faults
from fishreport.fielddata.grid import RawTable
from fishreport.study import Study


def _check_rows(raw: dict[str, RawTable], faults: Faults) -> None:
    if "runs" in raw and raw["runs"].cells.empty:
        faults.add("no_rows", "runs", "there are no runs yet", f"type rows into {raw['runs'].file}", file=raw["runs"].file)
    if "fish" in raw and raw["fish"].cells.empty:
        faults.add("no_fish", "fish", "there are no fish; every run counts as a zero catch", file=raw["fish"].file)


def check_tables(
    raw: dict[str, RawTable], values: dict[str, pd.DataFrame], run_line: np.ndarray, study: Study, faults: Faults
) -> None:
    """Everything that needs more than one cell to see."""
    _check_rows(raw, faults)
