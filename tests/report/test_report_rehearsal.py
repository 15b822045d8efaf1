"""A rehearsal of the pages changes nothing that is shown, whatever becomes of it."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import time
from pathlib import Path

import nbformat
import pytest
from test_report_build import digests
from tiny import write_notebook, write_study

from fishreport.report.assemble import Document, assemble
from fishreport.report.build import build_report
from fishreport.report.cache import Cache, Inputs, cache_folder
from fishreport.report.kernels import ForkServer
from fishreport.report.notebook import notebook_bytes, with_parameters
from fishreport.report.pdf import PdfSetter, render_pdf
from fishreport.report.plan import PlannedChapter, plan_chapters
from fishreport.report.rehearsal import Rehearsal
from fishreport.report.run import ExecutedChapter
from fishreport.report.temporary import private_folder, private_prefix, remove_left_folders
from fishreport.study import read_study

SLOW = "import time\ntime.sleep(1.5)\nprint('late')"
READS = {"settings": [], "tables": [], "files": [], "results": False, "folder": False}


def chapter(name: str, text: str, number: int = 1) -> ExecutedChapter:
    """A chapter as run, of one piece of text."""
    notebook = nbformat.v4.new_notebook(cells=[nbformat.v4.new_markdown_cell(text)])
    return ExecutedChapter(PlannedChapter(name, number, Path(f"{name}.ipynb")), notebook, "", False, 0.0)


def document(folder: Path, *texts: str) -> Document:
    """A report of chapters with these texts."""
    return assemble(read_study(folder / "study.toml"), [chapter(f"c{n}", text, n) for n, text in enumerate(texts, start=1)])


def wait_for(rehearsal: Rehearsal) -> None:
    """Until no rehearsal goes on."""
    for thread in threading.enumerate():
        if thread.name == "rehearsal":
            thread.join(timeout=30)


def test_a_document_set_after_others_is_the_same_pdf(study: Path) -> None:
    first = document(study, "# One\n\nSome words.", "# Two\n\nMore words.")
    second = document(study, "# One\n\nOther words, and more of them than before.", "# Two\n\nMore words.")
    with PdfSetter() as setter:
        folder = setter._folder
        assert setter.set(first) == render_pdf(first)
        assert setter.set(second) == render_pdf(second)
        assert setter.set(first) == render_pdf(first)
        assert folder.is_dir()
    assert not folder.exists()


def build_with_a_late_chapter(folder: Path, server: ForkServer | None, *, jobs: int) -> dict[str, str]:
    """A report in which one core is idle while a chapter that others wait for runs."""
    study = write_study(folder / "study", ("early", "late"))
    notebooks = folder / "notebooks"
    write_notebook(notebooks / "01-early.ipynb", "#md\n# Early\n\nSaid at once.", "print('early')")
    write_notebook(notebooks / "02-late.ipynb", "#md\n# Late", SLOW)
    write_notebook(notebooks / "00-front.ipynb", "#md\n# Front", "print('front')", metadata={"uses_results": 2})
    (study / "narrative" / "summary.md").write_text("Nothing was fished.\n", encoding="utf-8")
    return digests(build_report(study, notebooks=notebooks, jobs=jobs, server=server).folder)


@pytest.mark.build
def test_a_build_with_a_rehearsal_has_the_same_bytes_as_one_without(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, server: ForkServer | None
) -> None:
    rehearsed: list[list[str]] = []
    parts = Rehearsal._parts

    def counted(self: Rehearsal, done: dict[str, ExecutedChapter]) -> object:
        rehearsed.append(sorted(done))
        return parts(self, done)

    monkeypatch.setattr(Rehearsal, "_parts", counted)
    with_one = build_with_a_late_chapter(tmp_path / "two", server, jobs=2)
    assert rehearsed == [["early"]]
    without = build_with_a_late_chapter(tmp_path / "one", server, jobs=1)
    assert len(rehearsed) == 1
    assert with_one == without


@pytest.mark.build
def test_a_rehearsal_that_fails_harms_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, server: ForkServer | None) -> None:
    tried: list[bool] = []

    def broken(self: Rehearsal, done: object) -> object:
        def fall() -> None:
            tried.append(True)
            raise RuntimeError("fell")

        return iter([fall])

    right = build_with_a_late_chapter(tmp_path / "right", server, jobs=1)
    monkeypatch.setattr(Rehearsal, "_parts", broken)
    assert build_with_a_late_chapter(tmp_path / "broken", server, jobs=2) == right
    assert tried == [True]


def test_chapters_that_did_not_run_yet_stand_there_as_before_or_empty(study: Path) -> None:
    read = read_study(study / "study.toml")
    planned = [PlannedChapter(name, number, study / "study.toml") for number, name in enumerate(("a", "b", "c"), start=1)]
    cache = Cache(cache_folder(read))
    cache.keep(planned[1], Inputs(read, None), READS, chapter("b", "# As before").notebook)
    with Rehearsal(read, study / "study.toml", planned, cache, settings={}, formats=["html"]) as rehearsal:
        shown: list[list[str]] = []
        monkey = pytest.MonkeyPatch()

        def remember(given: object, executed: list[ExecutedChapter], **options: object) -> Document:
            shown.append([" ".join(cell.source for cell in one.notebook.cells) for one in executed])
            return assemble(read, executed, whole=False)

        with monkey.context() as patch:
            patch.setattr("fishreport.report.assemble.assemble", remember)
            rehearsal({"a": chapter("a", "# Done")})
            wait_for(rehearsal)
    assert shown == [["# Done", "# As before", ""]]


def test_an_ended_rehearsal_begins_no_other(study: Path) -> None:
    read = read_study(study / "study.toml")
    with Rehearsal(read, study / "study.toml", [], Cache(cache_folder(read)), settings={}, formats=["pdf"]) as rehearsal:
        rehearsal.end()
        rehearsal({"a": chapter("a", "# Done")})
        assert not [thread for thread in threading.enumerate() if thread.name == "rehearsal"]


def test_a_chapter_is_written_with_the_parameters_of_this_build(study: Path) -> None:
    read = read_study(study / "study.toml")
    given = {"parameters.level": 0.9}
    with Rehearsal(read, study / "study.toml", [], Cache(cache_folder(read)), settings=given, formats=["html"]) as rehearsal:
        one, other = chapter("a", "# One"), chapter("a", "# Other")
        for done in (one, one, other):  # a chapter that ran again is written again
            assert rehearsal.chapter_file(done) == notebook_bytes(with_parameters(done.notebook, 2025, given))


def test_the_newest_of_what_is_kept(study: Path) -> None:
    read = read_study(study / "study.toml")
    cache, one = Cache(cache_folder(read)), PlannedChapter("a", 1, study / "study.toml")
    assert cache.newest(one).cells == []
    for place, text in enumerate(("# First", "# Second", "# Third")):
        reads = {**READS, "files": [f"file{place}"]}
        cache.keep(one, Inputs(read, None), reads, chapter("a", text).notebook)
        for path in (cache.folder / "chapters" / "a").glob("*.entry"):
            os.utime(path, ns=(path.stat().st_atime_ns, path.stat().st_mtime_ns - 10**9))  # so that each is older than the next
    entries = sorted((cache.folder / "chapters" / "a").glob("*.entry"), key=lambda path: path.stat().st_mtime_ns)
    assert [cell.source for cell in cache.newest(one).cells] == ["# Third"]
    entries[-1].write_bytes(b"damaged")
    assert [cell.source for cell in cache.newest(one).cells] == ["# Second"]


def test_a_study_that_changed_after_the_last_build_is_seen(study: Path) -> None:
    read = read_study(study / "study.toml")
    cache = Cache(cache_folder(read))
    assert cache.is_older_than(study)  # nothing is kept
    (one, *_) = plan_chapters(read, folder=Path(__file__).parent / "notebooks")
    cache.keep(one, Inputs(read, None), READS, chapter(one.name, "# One").notebook)
    later = time.time_ns() + 10**9
    for path in (cache.folder / "chapters").glob("*/*.entry"):
        os.utime(path, ns=(later, later))
    assert not cache.is_older_than(study)
    os.utime(study / "fish.csv", ns=(later + 1, later + 1))
    assert cache.is_older_than(study)


def test_an_entry_that_is_a_folder_is_taken_away(study: Path) -> None:
    read = read_study(study / "study.toml")
    cache, one = Cache(cache_folder(read)), PlannedChapter("a", 1, study / "study.toml")
    cache.keep(one, Inputs(read, None), READS, chapter("a", "# One").notebook)
    (entry,) = (cache.folder / "chapters" / "a").glob("*.entry")
    entry.unlink()
    (entry / "inside").mkdir(parents=True)
    assert cache.look(one, Inputs(read, None)).reason == "its kept work was damaged"
    cache.keep(one, Inputs(read, None), READS, chapter("a", "# One").notebook)
    assert cache.look(one, Inputs(read, None)).notebook is not None


def test_temporary_folders_of_processes_that_are_gone_are_removed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    ours = private_folder()
    gone = subprocess.Popen([sys.executable, "-c", ""])
    gone.wait()
    theirs = tmp_path / f"fishreport-{gone.pid}-abc"
    other = tmp_path / "fishreport-notes-abc"
    for folder in (theirs, other):
        (folder / "inside").mkdir(parents=True)
    remove_left_folders()
    assert ours.is_dir() and other.is_dir() and not theirs.exists()
    assert ours.name.startswith(private_prefix())
