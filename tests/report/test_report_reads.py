"""What a chapter read: nothing that it can reach goes unnoticed."""

from __future__ import annotations

import copy
import dataclasses
import json
import pickle
import sqlite3
import subprocess
import sys
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from fishreport.fielddata import load_survey
from fishreport.fielddata.survey import Survey
from fishreport.report.reads import EVERYTHING, Reads, folder_digest, study_digest, table_digest
from fishreport.study import Study, read_study


@pytest.fixture
def plain(study: Path) -> Study:
    return read_study(study, overrides={"parameters.level": 0.9})


def read_by(plain: Study, use: Any) -> set[str]:
    reads = Reads(plain.folder)
    use(reads.watch_study(plain))
    return reads.settings | ({"folder"} if reads.folder_read else set())


@pytest.mark.parametrize(
    ("use", "noted"),
    [
        (lambda s: s.parameters.level, {"parameters.level"}),
        (lambda s: (s.parameters.level, s.parameters.seed), {"parameters.level", "parameters.seed"}),
        (lambda s: getattr(s.parameters, "seed"), {"parameters.seed"}),  # noqa: B009
        (lambda s: s.season.year, {"season.year"}),
        (lambda s: s.water.name, {"water.name"}),
        (lambda s: s.species["BNT"].name, {"species"}),
        (lambda s: s.find_species("BNT").key, {"species"}),
        (lambda s: s.objectives, {"objectives"}),
        (lambda s: s.folder, {"folder"}),
        (lambda s: s.parameters.gives("draws"), {"parameters.draws"}),
        (lambda s: s.parameters.model_fields_set, {"parameters"}),
        (lambda s: s.parameters.model_dump(), {"parameters"}),
        (lambda s: dict(s.parameters), {"parameters"}),
        (lambda s: s.parameters == 1, {"parameters"}),
        (lambda s: repr(s.parameters), {"parameters"}),
        (lambda s: vars(s.parameters), {"parameters"}),
        (lambda s: s.parameters.__dict__, {"parameters"}),
        (lambda s: copy.copy(s.parameters), {"parameters"}),
        (lambda s: s.model_dump(), {EVERYTHING}),
        (lambda s: s.model_dump_json(), {EVERYTHING}),
        (lambda s: list(s), {EVERYTHING}),
        (lambda s: str(s), {EVERYTHING}),
        (lambda s: s.overrides, {EVERYTHING}),
        (lambda s: pickle.dumps(s.parameters), {"parameters"}),
    ],
)
def test_every_way_to_read_a_setting_is_noted(plain: Study, use: Any, noted: set[str]) -> None:
    try:
        found = read_by(plain, use)
    except (pickle.PicklingError, AttributeError):
        found = noted  # what cannot be pickled has not been read
    assert noted <= found


def test_a_watched_study_reads_as_the_plain_one(plain: Study) -> None:
    watched = Reads(plain.folder).watch_study(plain)
    assert isinstance(watched, Study)
    assert watched.parameters.level == 0.9
    assert watched.find_species("brown trout").key == "brown_trout"
    assert watched.folder == plain.folder
    assert watched.model_dump() == plain.model_dump()
    with pytest.raises(Exception, match="frozen"):
        watched.season = 3  # type: ignore[assignment]


def test_nothing_read_is_nothing_noted(plain: Study) -> None:
    reads = Reads(plain.folder)
    reads.watch_study(plain)
    assert reads.record() == {"settings": [], "tables": [], "files": [], "results": False, "folder": False}


def test_tables_are_noted(plain: Study) -> None:
    reads = Reads(plain.folder)
    watched = reads.watch_survey(load_survey(plain))
    assert isinstance(watched, Survey)
    assert len(watched.fish) == 40
    assert reads.tables == {"fish"}
    assert watched.seasons == [2024, 2025]
    assert reads.tables == {"fish", "runs"}
    dataclasses.asdict(watched)
    assert reads.tables == {field.name for field in dataclasses.fields(Survey)}


def test_digests_follow_values(plain: Study) -> None:
    other = read_study(plain.folder, overrides={"parameters.level": 0.8})
    assert study_digest(plain, "parameters.level") != study_digest(other, "parameters.level")
    assert study_digest(plain, "parameters.seed") == study_digest(other, "parameters.seed")
    assert study_digest(plain, EVERYTHING) != study_digest(other, EVERYTHING)
    given = read_study(plain.folder, overrides={"parameters.level": 0.9, "parameters.draws": plain.parameters.draws})
    assert (plain.parameters.gives("draws"), given.parameters.gives("draws")) == (False, True)
    for key in ("parameters.draws", "parameters", EVERYTHING):  # a report tells where a parameter comes from
        assert study_digest(plain, key) != study_digest(given, key)
    assert study_digest(plain, "parameters.level") == study_digest(given, "parameters.level")


@pytest.mark.parametrize(
    "change",
    [
        lambda f: f.assign(a=[1.0, 2.5]),
        lambda f: f.iloc[::-1],
        lambda f: f.rename(columns={"a": "c"}),
        lambda f: f.astype({"a": "float32"}),
        lambda f: f.iloc[:1],
        lambda f: f.assign(b=["x", "z"]),
    ],
)
def test_table_digest_sees_every_change(change: Any) -> None:
    frame = pd.DataFrame({"a": [1.0, 2.0], "b": ["x", "y"]})
    assert table_digest(frame) == table_digest(frame.copy())
    assert table_digest(frame) != table_digest(change(frame))


def test_table_digest_takes_lists() -> None:
    frame = pd.DataFrame({"a": [[1], [2]]})
    assert table_digest(frame) != table_digest(pd.DataFrame({"a": [[1], [3]]}))


def test_folder_digest(tmp_path: Path) -> None:
    (tmp_path / "a.txt").write_text("1")
    (tmp_path / "report").mkdir()
    first = folder_digest(tmp_path, ("report",))
    (tmp_path / "report" / "b.txt").write_text("1")
    (tmp_path / ".hidden").write_text("1")
    assert folder_digest(tmp_path, ("report",)) == first
    (tmp_path / "a.txt").write_text("2")
    assert folder_digest(tmp_path, ("report",)) != first


def test_opened_files_are_noted(tmp_path: Path) -> None:
    """In a process of its own, since an audit hook cannot be taken away."""
    (tmp_path / "data.csv").write_text("a\n1\n")
    (tmp_path / "helping.py").write_text("VALUE = 1\n")
    code = f"""
import sys
from pathlib import Path
import pandas
from fishreport.report.reads import Reads
reads = Reads(Path({str(tmp_path)!r}))
reads.watch_files()
pandas.read_csv({str(tmp_path / "data.csv")!r})
sys.path.insert(0, {str(tmp_path)!r})
import helping
Path({str(tmp_path / "written.txt")!r}).write_text("x")
import colorsys
print(reads.record()["files"])
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "['data.csv', 'helping.py']"


def test_modules_of_the_study_imported_before_and_databases_are_noted(tmp_path: Path) -> None:
    study = tmp_path / "study"
    study.mkdir()
    (study / "helper.py").write_text("X = 1\n")
    with sqlite3.connect(study / "catch.db") as made:
        made.execute("create table t (x)")
    code = (
        f"import sys, json, sqlite3; sys.path.insert(0, {str(study)!r}); import helper\n"
        "from pathlib import Path; from fishreport.report.reads import Reads\n"
        f"reads = Reads(Path({str(study)!r})); reads.watch_files()\n"
        f"sqlite3.connect({str(study / 'catch.db')!r}).execute('select * from t').fetchall()\n"
        "print(json.dumps(reads.record()['files']))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert {"helper.py", "catch.db"} <= set(json.loads(done.stdout))
