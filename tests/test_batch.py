"""Many waters on this machine: planning, failures, going on where it stopped, dead workers, the roll-up."""

from __future__ import annotations

import hashlib
import json
import os
import signal
import sys
import threading
import time
from pathlib import Path
from typing import Any

import pytest
from bs4 import BeautifulSoup

sys.path.insert(0, str(Path(__file__).parent / "report"))

from tiny import NOTEBOOKS, write_notebook, write_study

from fishreport.analysis.region import data_gaps, region_species
from fishreport.batch import batch
from fishreport.batch.local import LocalWorkers
from fishreport.batch.progress import BatchProgress, print_batch
from fishreport.batch.region import open_region
from fishreport.batch.state import FILE, State, task_key
from fishreport.batch.waters import Task, find_studies, plan_waters
from fishreport.exceptions import StudyError, UsageError
from fishreport.report.place import MARKER

OPENING = (
    "import pathlib, time\nfrom fishreport.report.chapter import open_chapter\n"
    'chapter = open_chapter("slow", study=study, season=season, settings=settings, results=results)'
)


def lay_out(folder: Path, *names: str, chapters: tuple[str, ...] = ("catch",)) -> Path:
    """Tiny waters, each under a name of its own."""
    for name in names:
        study = write_study(folder / name, chapters) / "study.toml"
        study.write_text(study.read_text().replace("Alder Tailwater", f"Water {Path(name).name}"), encoding="utf-8")
    return folder


class TestPlan:
    def test_studies_below_a_folder(self, tmp_path: Path) -> None:
        lay_out(tmp_path, "north/one", "north/two", "south", ".hidden/three")
        lay_out(tmp_path, "north/one/report/inputs")  # the copy that a report keeps
        (tmp_path / "north" / "one" / "report" / MARKER).write_text("{}")
        found = [path.parent.relative_to(tmp_path).as_posix() for path in find_studies(tmp_path)]
        assert found == ["north/one", "north/two", "south"]

    def test_where_reports_go(self, tmp_path: Path) -> None:
        lay_out(tmp_path / "in", "a", "b/c")
        waters, rollup = plan_waters(tmp_path / "in")
        assert [water.target for water in waters] == [tmp_path / "in/a/report", tmp_path / "in/b/c/report"]
        assert rollup == tmp_path / "in/rollup"
        waters, rollup = plan_waters(tmp_path / "in", out=tmp_path / "out")
        assert [water.target for water in waters] == [tmp_path / "out/a", tmp_path / "out/b/c"]
        assert rollup == tmp_path / "out/rollup"

    @pytest.mark.skipif(os.name != "posix", reason="links to folders")
    def test_linked_folders_are_followed_each_once(self, tmp_path: Path) -> None:
        lay_out(tmp_path / "in", "a")
        lay_out(tmp_path / "elsewhere", "b")
        (tmp_path / "in" / "link").symlink_to(tmp_path / "elsewhere" / "b", target_is_directory=True)
        (tmp_path / "in" / "a" / "round").symlink_to(tmp_path / "in", target_is_directory=True)
        found = [path.parent.relative_to(tmp_path / "in").as_posix() for path in find_studies(tmp_path / "in")]
        assert found == ["a", "link"]

    def test_clashes_are_refused_before_anything_runs(self, tmp_path: Path) -> None:
        lay_out(tmp_path / "in", "a", "a/b")
        with pytest.raises(UsageError, match="lie in each other"):
            plan_waters(tmp_path / "in", out=tmp_path / "out")
        lay_out(tmp_path / "two", "Dam", "dam")
        if len(list((tmp_path / "two").iterdir())) == 2:  # a file system that tells them apart
            with pytest.raises(UsageError, match="lie in each other"):
                plan_waters(tmp_path / "two", out=tmp_path / "out")
        lay_out(tmp_path / "three", "rollup")
        with pytest.raises(UsageError, match="the roll-up"):
            plan_waters(tmp_path / "three", out=tmp_path / "out")
        with pytest.raises(UsageError, match="would replace the study"):
            plan_waters(tmp_path / "in", out=tmp_path / "in")
        (tmp_path / "in" / "a" / "b" / "report").mkdir()
        (tmp_path / "in" / "a" / "b" / "report" / "mine.txt").write_text("keep")
        with pytest.raises(UsageError, match="holds no report made by fishreport"):
            plan_waters(tmp_path / "in")

    def test_no_study(self, tmp_path: Path) -> None:
        with pytest.raises(StudyError, match="no study below"):
            batch(tmp_path)
        with pytest.raises(StudyError, match="there is no folder"):
            batch(tmp_path / "nowhere")
        lay_out(tmp_path, "a")
        with pytest.raises(UsageError, match="html, pdf"):
            batch(tmp_path, formats=("docx",))


class TestState:
    def task(self, folder: Path, **more: Any) -> Task:
        lay_out(folder, "a")
        return Task("a", str(folder / "a" / "study.toml"), str(folder / "a" / "report"), **more)

    def test_key_follows_what_the_report_depends_on(self, tmp_path: Path) -> None:
        task = self.task(tmp_path)
        key = task_key(task)
        assert task_key(self.task(tmp_path, jobs=2, fresh=True)) == key
        assert task_key(self.task(tmp_path, settings={"parameters.level": 0.8})) != key
        assert task_key(self.task(tmp_path, season=2024)) != key
        (tmp_path / "a" / "report").mkdir()
        (tmp_path / "a" / "report" / "x.txt").write_text("x")
        (tmp_path / "a" / "report" / MARKER).write_text("{}")
        assert task_key(task) == key
        (tmp_path / "a" / "narrative" / "summary.md").write_text("x")
        assert task_key(task) != key

    def test_key_follows_hidden_and_linked_texts_and_folders_of_any_name(self, tmp_path: Path) -> None:
        task = self.task(tmp_path)
        study = tmp_path / "a"
        (study / "narrative").rename(study / ".words")
        (study / "narrative").symlink_to(".words", target_is_directory=True)
        key = task_key(task)
        (study / ".words" / "summary.md").write_text("Other words.\n")
        assert (linked := task_key(task)) != key
        (study / "narrative").unlink()
        (study / ".words").rename(study / "review")
        text = (study / "study.toml").read_text().replace("[report]", '[report]\nnarrative = "review/"')
        (study / "study.toml").write_text(text)
        assert (named := task_key(task)) not in (key, linked)
        (study / "review" / "summary.md").write_text("Still others.\n")
        assert task_key(task) != named

    def test_a_report_that_was_touched_is_built_again(self, tmp_path: Path) -> None:
        task, state = self.task(tmp_path), State(tmp_path)
        report = tmp_path / "a" / "report"
        (report / "tables").mkdir(parents=True)
        for name in (MARKER, "ro-crate-metadata.json", "results.json", "tables/one.csv"):
            (report / name).write_text("x")
        state.keep(task, "k", {"name": "a", "status": "done"})
        assert State(tmp_path).finished(task, "k")
        (report / "tables" / "one.csv").write_text("y")
        assert not state.finished(task, "k")
        (report / "tables" / "one.csv").write_text("x")
        assert state.finished(task, "k")
        (report / "results.json").unlink()
        assert not state.finished(task, "k")

    @pytest.mark.parametrize("content", ["", "{", "[]", '{"format": 1, "waters": {"a": 3}}', '{"format": 9, "waters": {}}'])
    def test_damaged_state_is_no_state(self, tmp_path: Path, content: str) -> None:
        (tmp_path / FILE).write_text(content)
        assert not State(tmp_path).finished(self.task(tmp_path), "key")


@pytest.mark.build
def test_one_failing_water_stops_no_other_and_the_rest_is_kept(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    lay_out(tmp_path, "north/one", "north/two", "three")
    fish = tmp_path / "north" / "two" / "fish.csv"
    good = fish.read_text()
    fish.write_text(good + "R9,BNT,200,90\n")
    first = batch(tmp_path, notebooks=NOTEBOOKS, jobs=2, progress=BatchProgress())
    statuses = {outcome["name"]: outcome["status"] for outcome in first.outcomes}
    assert statuses == {"north/one": "done", "north/two": "failed", "three": "done"}
    assert first.exit_code == 1
    (failed,) = first.failed
    assert "fish.csv" in failed["error"]
    told = capsys.readouterr().err
    assert "north/two: failed, fish.csv" in told
    assert "three: done, 2 of 2 chapters run" in told

    # The regional report tells of both, and of what is missing.
    assert first.rollup == tmp_path / "rollup"
    page = BeautifulSoup((first.rollup / "report.html").read_bytes(), "html.parser")
    text = page.get_text(" ", strip=True)
    assert "2 of 3 waters are reported here, season 2025." in text
    assert "Of 8 objectives in their plans, 2 are met, 2 not met and 4 not yet known." in text
    assert (first.rollup / "report.pdf").read_bytes().startswith(b"%PDF")
    assert [head.get_text(strip=True) for head in page.select("figure#table-indices-indices-brown-trout tbody th")] == [
        "Water one", "Water three",
    ]  # fmt: skip
    region = open_region(tmp_path)
    assert region_species(region.waters) == {"brown_trout": "brown trout"}
    gaps = [gap for gap in data_gaps(region.waters) if gap.water == "Water two"]
    assert [gap.what for gap in gaps] == ["no report"]
    assert "fish.csv" in gaps[0].why
    assert str(tmp_path) not in (first.rollup / "inputs" / "waters.json").read_text()
    graph = {item["@id"]: item for item in json.loads((first.rollup / "ro-crate-metadata.json").read_text())["@graph"]}
    used = {reference["@id"] for reference in graph["#rollup"]["object"]}
    assert used == {f"#report/{name}/results.json" for name in ("north/one", "three")}
    results = (tmp_path / "three" / "report" / "results.json").read_bytes()
    assert graph["#report/three/results.json"]["sha256"] == hashlib.sha256(results).hexdigest()
    parts = {reference["@id"] for reference in graph["./"]["hasPart"]}
    assert {"report.html", "report.pdf", "inputs/waters.json"} <= parts <= set(graph)

    # Mended, the water that failed is built, and one whose report was touched; its own work is kept by the chapter.
    fish.write_text(good)
    (tmp_path / "three" / "report" / "ro-crate-metadata.json").unlink()
    second = batch(tmp_path, notebooks=NOTEBOOKS, jobs=1, rollup=False)
    assert [outcome["status"] for outcome in second.outcomes] == ["kept", "done", "done"]
    assert [outcome["ran"] for outcome in second.outcomes] == [0, 2, 0]
    assert (second.exit_code, second.rollup) == (0, None)
    print_batch(second.outcomes)
    assert capsys.readouterr().out.splitlines()[0] == "north/one\tkept\t"


@pytest.mark.build
@pytest.mark.skipif(os.name != "posix", reason="names of bytes")
def test_a_folder_whose_name_is_no_text_stops_no_other(tmp_path: Path) -> None:
    lay_out(tmp_path, "fine")
    odd = os.fsdecode(os.fsencode(tmp_path) + b"/caf\xe9")
    try:
        (tmp_path / "fine").rename(odd)
    except OSError:
        pytest.skip("the file system takes no such name")
    lay_out(tmp_path, "fine")
    done = batch(tmp_path, notebooks=NOTEBOOKS, formats=("html",), jobs=1)
    statuses = {outcome["name"]: outcome["status"] for outcome in done.outcomes}
    assert statuses == {"caf\\udce9": "failed", "fine": "done"}
    assert "rename the folder" in done.failed[0]["error"]
    assert done.rollup is not None and (done.rollup / "report.html").is_file()


@pytest.mark.build
@pytest.mark.skipif(os.name != "posix", reason="kills by signal")
def test_a_killed_local_worker_is_replaced_and_nothing_is_lost(tmp_path: Path) -> None:
    studies = tmp_path / "in"
    lay_out(studies, "a", "b", chapters=("slow",))
    for name in ("a", "b"):  # its references lead to chapters that these waters do not have
        (studies / name / "narrative" / "summary.md").unlink()
    notebooks = tmp_path / "notebooks"
    started = tmp_path / "started"
    write_notebook(
        notebooks / "01-slow.ipynb",
        "#md\n# Slow",
        OPENING,
        f"mark = pathlib.Path({str(started)!r} + chapter.study.water.name[-1])\nfirst = not mark.exists()\nmark.touch()\n"
        "time.sleep(30 if first and mark.name.endswith('a') else 0)",
    )
    tasks = [
        Task(
            name, str(studies / name / "study.toml"), str(studies / name / "report"), formats=("html",), notebooks=str(notebooks)
        )
        for name in ("a", "b")
    ]
    with LocalWorkers(1) as workers:

        def kill() -> None:
            deadline = time.monotonic() + 60
            while not Path(f"{started}a").exists() and time.monotonic() < deadline:
                time.sleep(0.05)
            os.kill(workers.pids[0], signal.SIGKILL)

        killer = threading.Thread(target=kill)
        killer.start()
        outcomes = {outcome["name"]: outcome for outcome in workers.run(tasks, lambda name: None)}
        killer.join()
        assert len(workers.pids) == 2
    assert {name: outcome["status"] for name, outcome in outcomes.items()} == {"a": "done", "b": "done"}
    assert all((studies / name / "report" / "report.html").is_file() for name in ("a", "b"))
    assert sorted(path.name for path in (studies / "a").iterdir() if path.name.startswith(".")) == [".fishreport-cache"]


def test_two_batches_of_one_folder_are_kept_apart(tmp_path: Path) -> None:
    from fishreport.batch.run import _only_batch

    lay_out(tmp_path, "a")
    with _only_batch(tmp_path), pytest.raises(UsageError, match=r"another batch of .* is running"):
        batch(tmp_path)


def test_state_file_is_whole_json(tmp_path: Path) -> None:
    state = State(tmp_path)
    task = TestState().task(tmp_path)
    state.keep(task, "k", {"name": "a", "status": "failed", "error": "é", "exit_code": 1})
    content = json.loads((tmp_path / FILE).read_text(encoding="utf-8"))
    assert content["waters"]["a"]["error"] == "é"
    assert not State(tmp_path).finished(task, "k")
