"""An export as a whole: what it holds, when it is refused, and that it is put in place in one step."""

from __future__ import annotations

import json
import shutil
import zipfile
from pathlib import Path

import frictionless
import openpyxl
import pytest
from tiny import write_study

from fishreport.exceptions import ReportError, UsageError
from fishreport.report import handover
from fishreport.report.build import Built
from fishreport.report.handover import export_study, without_places
from fishreport.report.results_workbook import COLUMNS, results_workbook
from fishreport.study import read_study

RECORD = {
    "id": "catch_rate/brown_trout/all/2025",
    "quantity": "catch_rate",
    "species": "brown_trout",
    "size_class": "all",
    "site": None,
    "season": 2025,
    "scenario": None,
    "detail": None,
    "method": '=HYPERLINK("http://example.org")',
    "value": -1.25,
    "se": None,
    "lower": -2.0,
    "upper": 1.0,
    "level": 0.95,
    "units": "fish/h",
    "n": 4,
    "estimable": True,
    "notes": ["+1 of two\x07", "@second"],
}


def _with_results(folder: Path, *records: dict, season: int = 2025) -> Path:
    """A study with results as a build leaves them, without its provenance."""
    study = write_study(folder)
    (study / "report").mkdir()
    content = {"study": "Alder Tailwater", "season": season, "results": list(records or (RECORD,))}
    (study / "report" / "results.json").write_text(json.dumps(content), encoding="utf-8")
    return study


@pytest.fixture
def ready(tmp_path: Path) -> Path:
    return _with_results(tmp_path / "study")


def test_everything_is_handed_on(ready, tmp_path):
    done = export_study(read_study(ready), tmp_path / "export")
    names = {path.relative_to(done.folder).as_posix() for path in done.files}
    assert {"darwin-core-archive.zip", "data-package/datapackage.json", "data-package/data/runs.csv", "results.xlsx"} <= names
    there = {path.relative_to(done.folder).as_posix() for path in done.folder.rglob("*") if path.is_file()}
    assert there == names | {".fishreport-export"} and not done.notes
    assert zipfile.ZipFile(done.folder / "darwin-core-archive.zip").testzip() is None
    assert frictionless.validate(str(done.folder / "data-package" / "datapackage.json")).valid
    assert not [path for path in tmp_path.iterdir() if path.name.startswith(".")]  # nothing half-made is left beside it


def test_a_later_export_replaces_an_earlier_one_and_nothing_else(ready, tmp_path):
    study = read_study(ready)
    first = export_study(study, tmp_path / "export")
    before = {path.name: path.read_bytes() for path in first.files}
    second = export_study(study, tmp_path / "export")
    assert {path.name: path.read_bytes() for path in second.files} == before
    alone = export_study(study, tmp_path / "export", parts=("data-package",))
    assert not (alone.folder / "results.xlsx").exists()
    other = tmp_path / "other"
    other.mkdir()
    (other / "mine.txt").write_text("mine", encoding="utf-8")
    for folder in (other, ready, ready / "report"):
        with pytest.raises(UsageError, match="--to"):
            export_study(study, folder)
    assert (other / "mine.txt").read_text(encoding="utf-8") == "mine"
    with pytest.raises(UsageError, match="is a file"):
        export_study(study, other / "mine.txt")


def test_a_failed_export_leaves_the_last_one(ready, tmp_path, monkeypatch):
    study = read_study(ready)
    done = export_study(study, tmp_path / "export")
    before = {path: path.read_bytes() for path in done.files}

    def full(self: Path, content: bytes) -> int:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "write_bytes", full)
    with pytest.raises(ReportError, match="No space"):
        export_study(study, tmp_path / "export")
    monkeypatch.undo()
    assert {path: path.read_bytes() for path in done.files} == before
    assert [path.name for path in tmp_path.iterdir() if path.name.startswith(".")] == []


def test_results_need_a_build_of_this_season(study, tmp_path):
    with pytest.raises(UsageError, match="build the report first"):
        export_study(read_study(study), tmp_path / "export")
    assert not (tmp_path / "export").exists()
    export_study(read_study(study), tmp_path / "export", parts=("darwin-core", "data-package"))
    other = _with_results(tmp_path / "other", season=2024)
    with pytest.raises(ReportError, match="season 2024"):
        export_study(read_study(other), tmp_path / "new")
    (other / "report" / "results.json").write_text("{]", encoding="utf-8")
    with pytest.raises(ReportError, match="build the report again"):
        export_study(read_study(other), tmp_path / "new")
    with pytest.raises(UsageError, match="darwin-core, data-package, results"):
        export_study(read_study(other), tmp_path / "new", parts=("csv",))


@pytest.mark.build
def test_results_of_other_data_are_refused(built: Built, tmp_path):
    folder = tmp_path / "study"
    shutil.copytree(built.folder.parent, folder)
    done = export_study(read_study(folder), tmp_path / "export")
    rows = openpyxl.load_workbook(done.folder / "results.xlsx")["Results"]
    records = json.loads((folder / "report" / "results.json").read_text(encoding="utf-8"))["results"]
    assert rows.max_row == 1 + len(records)
    with (folder / "fish.csv").open("a", encoding="utf-8") as file:
        file.write("R1,BNT,333,400\n")
    with pytest.raises(ReportError, match=r"fish\.csv changed since"):
        export_study(read_study(folder), tmp_path / "export")


def test_no_cell_of_the_workbook_is_a_formula(tmp_path):
    path = tmp_path / "results.xlsx"
    path.write_bytes(results_workbook([RECORD], {"Water": "=1+1"}, year=2025))
    book = openpyxl.load_workbook(path)
    cells = [cell for sheet in book for row in sheet.iter_rows() for cell in row if cell.value is not None]
    assert all(cell.data_type != "f" for cell in cells)
    assert {cell.value for cell in cells if cell.quotePrefix} == {"=1+1", RECORD["method"], "+1 of two\n@second"}
    header, values = ([cell.value for cell in row] for row in book["Results"].iter_rows(min_row=1, max_row=2))
    row = dict(zip(header, values, strict=True))
    assert header == [name for name, _ in COLUMNS]
    assert (row["value"], row["se"], row["n"], row["estimable"]) == (-1.25, None, 4, "yes")
    assert results_workbook([RECORD], {"Water": "=1+1"}, year=2025) == path.read_bytes()


def test_coarse_results_name_no_site(tmp_path):
    at_site = {**RECORD, "id": "catch_rate/Weir", "site": "Weir"}
    noted = {**RECORD, "notes": ["run R1 weighs most", "12 runs of 4 sites"]}
    detailed = {**RECORD, "id": "difference", "detail": "Ford against the rest"}
    study = _with_results(tmp_path / "study", at_site, noted, detailed)
    done = export_study(read_study(study), tmp_path / "export", coarsen_km=5)
    assert "rounded to 5 km" in done.notes[0]
    book = openpyxl.load_workbook(done.folder / "results.xlsx")
    rows = list(book["Results"].iter_rows(min_row=2, values_only=True))
    assert len(rows) == 1 and rows[0][[name for name, _ in COLUMNS].index("notes")] == "12 runs of 4 sites"
    for path in done.folder.rglob("*"):
        if path.is_file() and path.suffix in (".csv", ".json", ".toml"):
            assert "Weir" not in path.read_text(encoding="utf-8") and "Ford" not in path.read_text(encoding="utf-8"), path
    with zipfile.ZipFile(done.folder / "darwin-core-archive.zip") as archive:
        assert all(b"Weir" not in archive.read(name) for name in archive.namelist())
    with pytest.raises(UsageError, match="above 0 km"):
        export_study(read_study(study), tmp_path / "export", coarsen_km=0)


def test_short_site_names_do_not_swallow_words():
    from types import SimpleNamespace

    import pandas as pd

    survey = SimpleNamespace(runs=pd.DataFrame({"site": ["A", ""], "run_id": ["A-1", ""]}))
    kept = without_places([{"site": None, "detail": None, "notes": ["All fish", "at A only", "At A-1"]}], survey)
    assert kept[0]["notes"] == ["All fish"]
    assert handover.PARTS == ("darwin-core", "data-package", "results")
