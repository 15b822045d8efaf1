"""What a regional report keeps of a water that has no report, or one that cannot be read."""

from __future__ import annotations

from pathlib import Path

from fishreport.analysis.region import _short
from fishreport.batch.rollup import water_record
from fishreport.batch.waters import Water


def water(folder: Path) -> Water:
    folder.mkdir(parents=True)
    (folder / "study.toml").write_text('[water]\nname = "Alder"\n', encoding="utf-8")
    return Water("alder", folder / "study.toml", folder / "report")


def test_a_fault_is_told_without_the_path_of_the_batch(tmp_path: Path) -> None:
    one = water(tmp_path / "alder")
    told = f"{one.study}: 3 faults\n  season.year: is missing\n  species: is missing\n  report: unknown"
    record = water_record(one, {"status": "failed", "error": told})
    assert str(tmp_path) not in record["error"]
    assert _short(record["error"]) == "study.toml: 3 faults: season.year: is missing; species: is missing and 1 more"
    assert _short("fish.csv: one fault") == "fish.csv: one fault"


def test_a_report_that_cannot_be_read_is_said_to_be(tmp_path: Path) -> None:
    record = water_record(water(tmp_path / "alder"), {"status": "kept", "error": ""})
    assert record["error"] == "its report cannot be read; build it with --fresh"
    assert (record["season"], record["name"]) == (0, "Alder")
