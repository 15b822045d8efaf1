"""What the notebooks of a roll-up call: the waters of the region, read from the file that the batch has laid out."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from fishreport.analysis.region import ObjectiveStand, ReportedWater
from fishreport.analysis.result import Results
from fishreport.exhibits.units import Units
from fishreport.report.chapter import result_from_record

FILE = "waters.json"


@dataclass(frozen=True)
class Region:
    """The waters of a roll-up and the units that it is read in."""

    title: str
    units: Units
    waters: tuple[ReportedWater, ...]

    def show(self, *exhibits: Any) -> None:
        """Show exhibits in this order; None is left out, text is Markdown."""
        from IPython.display import Markdown, display

        for exhibit in exhibits:
            if exhibit is not None:
                display(Markdown(exhibit) if isinstance(exhibit, str) else exhibit)

    @property
    def reported(self) -> tuple[ReportedWater, ...]:
        """Waters that have a report."""
        return tuple(water for water in self.waters if water.season)


def water_from_record(record: Mapping[str, Any]) -> ReportedWater:
    """A water as it stands in the file."""
    return ReportedWater(
        name=record["name"],
        place=record["place"],
        season=record["season"],
        species=dict(record["species"]),
        results=Results(result_from_record(result) for result in record["results"]),
        objectives=tuple(ObjectiveStand(**stand) for stand in record["objectives"]),
        tables=tuple(record["tables"]),
        seasons=tuple(record["seasons"]),
        error=record["error"],
        stale=record["stale"],
    )


def open_region(path: Path | str) -> Region:
    """Open the waters of a roll-up.

    Parameters
    ----------
    path : Path
        The file ``waters.json``, or a folder that holds a roll-up (of which this is in ``rollup/inputs``).
    """
    path = Path(path)
    if path.is_dir():
        places = (path / FILE, path / "inputs" / FILE, path / "rollup" / "inputs" / FILE)
        path = next((place for place in places if place.is_file()), places[0])
    content = json.loads(path.read_text(encoding="utf-8"))
    return Region(content["title"], Units(content["units"]), tuple(map(water_from_record, content["waters"])))
