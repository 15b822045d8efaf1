"""What can break around a build: disks, folders, kernels, clocks, other builds. The last good report stays, and the next is right."""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "report"))

from tiny import NOTEBOOKS, fish_table, write_notebook, write_study

from fishreport import cli
from fishreport.exceptions import ChapterError, FishreportError, ReportError, UsageError
from fishreport.report.build import Built, build_report
from fishreport.report.kernels import ForkServer, forking_works
from fishreport.report.manifest import CRATE

pytestmark = [pytest.mark.build, pytest.mark.skipif(os.name != "posix", reason="mounts and signals")]
OPENING = (
    "from fishreport.report.chapter import open_chapter\n\n"
    'chapter = open_chapter("creel", study=study, season=season, settings=settings, results=results)'
)


@pytest.fixture
def study(tmp_path: Path) -> Path:
    return write_study(tmp_path / "study", ("catch",))


def build(study: Path, server: ForkServer | None = None, **options: Any) -> Built:
    return build_report(study, notebooks=NOTEBOOKS, server=server, **{"formats": ("html",), **options})


def digests(folder: Path) -> dict[str, str]:
    files = sorted(path for path in folder.rglob("*") if path.is_file() and path.name != CRATE)
    return {path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest() for path in files}


def own_chapter(study: Path, code: str) -> None:
    """Add a chapter of the study's own that runs this."""
    fish = (study / "fish.csv").read_text(encoding="utf-8")
    write_study(study, ("catch", "creel.ipynb"))
    (study / "fish.csv").write_text(fish, encoding="utf-8")
    write_notebook(study / "creel.ipynb", "#md\n# Creel", OPENING, code)


def hidden(folder: Path) -> list[str]:
    """What a build may have left lying."""
    return sorted(path.name for path in folder.iterdir() if path.name.startswith(".") and path.name != ".fishreport-cache")


@contextlib.contextmanager
def mounted(folder: Path, *arguments: str) -> Iterator[None]:
    subprocess.run(["mount", *arguments, str(folder)], check=True)
    try:
        yield
    finally:
        subprocess.run(["umount", "-l", str(folder)], check=True)


def _can_mount() -> bool:
    if not hasattr(os, "getuid") or os.getuid() != 0 or shutil.which("mount") is None:
        return False
    with tempfile.TemporaryDirectory() as folder:
        done = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=64k", "tmpfs", folder], capture_output=True, check=False)
        return done.returncode == 0 and subprocess.run(["umount", folder], capture_output=True, check=False).returncode == 0


CAN_MOUNT = _can_mount()


@contextlib.contextmanager
def full_disk(folder: Path, monkeypatch: pytest.MonkeyPatch, free: int) -> Iterator[None]:
    """The folder lies on a disk with `free` bytes: a small file system where one can be mounted, else writes that are refused."""
    if CAN_MOUNT:
        with mounted(folder, "-t", "tmpfs", "-o", f"size={free}", "tmpfs"):
            yield
        return
    written, whole = [0], Path.write_bytes

    def write(path: Path, data: bytes) -> int:
        if path.is_relative_to(folder):
            written[0] += len(data)
            if written[0] > free:
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), str(path))
        return whole(path, data)

    with monkeypatch.context() as patched:
        patched.setattr(Path, "write_bytes", write)
        yield


@contextlib.contextmanager
def read_only(folder: Path) -> Iterator[None]:
    """Nobody can write below the folder, root neither."""
    if CAN_MOUNT:
        subprocess.run(["mount", "--bind", str(folder), str(folder)], check=True)
        try:
            subprocess.run(["mount", "-o", "remount,ro,bind", str(folder)], check=True)
            yield
        finally:
            subprocess.run(["umount", "-l", str(folder)], check=True)
        return
    folder.chmod(0o555)
    try:
        yield
    finally:
        folder.chmod(0o755)


def test_full_disk_for_the_report(
    study: Path, tmp_path: Path, server: ForkServer | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The build says so and leaves nothing half done; with room again, the report comes out as anywhere else."""
    good = build(study, server)
    disk = tmp_path / "disk"
    disk.mkdir()
    with full_disk(disk, monkeypatch, 48 * 1024):
        with pytest.raises(ReportError, match=rf"{disk / 'out'} could not be written: No space left on device"):
            build(study, server, out=disk / "out")
        assert list(disk.iterdir()) == []
    later = build(study, server, out=tmp_path / "elsewhere")
    assert digests(later.folder) == digests(good.folder)


def test_full_disk_keeps_the_last_report(study: Path, server: ForkServer | None, monkeypatch: pytest.MonkeyPatch) -> None:
    good = build(study, server)
    before = digests(good.folder)
    (study / "fish.csv").write_text(fish_table(44), encoding="utf-8")
    whole = Path.write_bytes

    def write(path: Path, data: bytes) -> int:
        if path.name == "results.json":
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), str(path))
        return whole(path, data)

    with monkeypatch.context() as patched:
        patched.setattr(Path, "write_bytes", write)
        with pytest.raises(ReportError, match=r"No space left on device .*what was there before is untouched"):
            build(study, server)
    assert digests(good.folder) == before
    assert hidden(study) == []
    assert digests(build(study, server).folder) != before


def test_full_disk_for_temporary_files(study: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Kernels have nowhere to talk: one message, not a stack."""
    if not CAN_MOUNT:
        return test_no_room_for_kernels(study, monkeypatch)
    disk = tmp_path / "tmp"
    disk.mkdir()
    with mounted(disk, "-t", "tmpfs", "-o", "size=64k", "tmpfs"), monkeypatch.context() as patched:
        patched.setattr(tempfile, "tempdir", str(disk))
        (disk / "filler").write_bytes(b"x" * 60 * 1024)
        with pytest.raises(FishreportError, match="No space left on device"):
            build(study)
    assert not (study / "report").exists() and hidden(study) == []
    return None


def test_no_room_for_kernels(study: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: Any, **__: Any) -> str:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), "/tmp")

    with monkeypatch.context() as patched:
        patched.setattr(tempfile, "mkdtemp", refuse)
        with pytest.raises(FishreportError, match="No space left on device"):
            build(study)
    assert not (study / "report").exists() and hidden(study) == []


def test_full_disk_for_kept_work_costs_time_only(
    study: Path, tmp_path: Path, server: ForkServer | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    good = build(study, server)
    shutil.rmtree(study / ".fishreport-cache")
    (study / ".fishreport-cache").mkdir()
    with full_disk(study / ".fishreport-cache", monkeypatch, 4096):
        again = build(study, server, out=tmp_path / "again")
    assert again.kept == () and digests(again.folder) == digests(good.folder)


def test_read_only_study_builds_elsewhere(
    study: Path, tmp_path: Path, server: ForkServer | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A study on a medium that cannot be written: its kept work lies among the user's caches."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "caches"))
    before = sorted(path.name for path in study.iterdir())
    with read_only(study):
        with pytest.raises(UsageError, match=r"cannot be written .*--out"):
            build(study, server)
        first = build(study, server, out=tmp_path / "out")
        assert build(study, server, out=tmp_path / "again").ran == ()
    assert first.ran and sorted(path.name for path in study.iterdir()) == before


def test_read_only_study_can_be_checked(study: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with read_only(study):
        assert cli.main(["check", str(study)]) == 0  # nothing is wrong with the data; that no list was kept is told
        assert "--csv" in capsys.readouterr().err
        assert cli.main(["check", str(study), "--csv", str(tmp_path / "checks.csv")]) == 0


def test_kernel_killed_from_outside(study: Path, server: ForkServer | None) -> None:
    before = digests(build(study, server).folder)
    own_chapter(
        study,
        "import os, pathlib, time\n\npathlib.Path(chapter._plain_study.folder, 'pid').write_text(str(os.getpid()))\ntime.sleep(60)",
    )

    def kill() -> None:
        deadline = time.monotonic() + 30
        while not (pid := _read(study / "pid")) and time.monotonic() < deadline:
            time.sleep(0.05)
        os.kill(int(pid), 9)

    killer = threading.Thread(target=kill)
    killer.start()
    with pytest.raises(ChapterError, match="its kernel ended while the cell was running"):
        build(study, server)
    killer.join()
    assert digests(study / "report") == before
    own_chapter(study, "print('well again')")
    assert "02-creel" in build(study, server).ran


def _read(path: Path) -> str:
    with contextlib.suppress(OSError):
        return path.read_text()
    return ""


def test_kernel_that_hears_no_signal(study: Path, server: ForkServer | None) -> None:
    """A cell that never ends and ignores every signal it can: the chapter is given up and its process ended."""
    own_chapter(
        study,
        "import os, pathlib, signal\n\npathlib.Path(chapter._plain_study.folder, 'pid').write_text(str(os.getpid()))\n"
        "for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):\n    signal.signal(number, signal.SIG_IGN)\n"
        "while True:\n    try:\n        sum(range(1000))\n    except BaseException:\n        pass",
    )
    with pytest.raises(ChapterError, match="did not finish within 2 s"):
        build(study, server, cell_seconds=2)
    pid = int((study / "pid").read_text())
    deadline = time.monotonic() + 10
    while _runs(pid) and time.monotonic() < deadline:
        time.sleep(0.05)
    assert not _runs(pid)


def _runs(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    state = Path(f"/proc/{pid}/stat")
    return not state.exists() or state.read_text().rpartition(")")[2].split()[0] != "Z"


@pytest.mark.slow
@pytest.mark.skipif(not forking_works(), reason="kernels are not forked here")
def test_preloaded_process_killed(study: Path) -> None:
    """The process that kernels are forked from dies under a chapter: told or overcome, and the next build is right."""
    own_chapter(study, "import os\n\nos.kill(os.getppid(), 9)")
    with contextlib.suppress(ChapterError):
        build(study, jobs=1)
    own_chapter(study, "print('well again')")
    built = build(study)
    assert "well again" in (built.folder / "report.html").read_text(encoding="utf-8")
    assert hidden(study) == []


def _start(study: Path, out: Path) -> subprocess.Popen[str]:
    code = (
        "from pathlib import Path; from fishreport.report.build import build_report; "
        f"build_report({str(study)!r}, out={str(out)!r}, notebooks=Path({str(NOTEBOOKS)!r}), formats=('html',))"
    )
    return subprocess.Popen([sys.executable, "-c", code], stderr=subprocess.PIPE, text=True)


def test_two_builds_of_one_study_at_once(study: Path, tmp_path: Path, server: ForkServer | None) -> None:
    """Into two folders both are right; into one, the second says who is there and touches nothing."""
    running = tmp_path / "running"
    own_chapter(
        study, f"import os, time\n\nos.mkdir({str(running)!r}) if not os.path.exists({str(running)!r}) else None\ntime.sleep(5)"
    )
    slow = _start(study, tmp_path / "one")
    deadline = time.monotonic() + 90
    while not running.exists() and time.monotonic() < deadline:
        time.sleep(0.05)
    with pytest.raises(ReportError, match=r"another build of .* is running"):
        build(study, server, out=tmp_path / "one")
    beside = build(study, server, out=tmp_path / "two")
    told = slow.communicate(timeout=120)[1]
    assert slow.returncode == 0, told
    assert digests(tmp_path / "one") == digests(beside.folder)
    assert build(study, server, out=tmp_path / "one").ran == ()


def test_clock_set_back(study: Path, server: ForkServer | None) -> None:
    """Files of the future, and a changed table with its old time and size: what counts is what they hold."""
    fish = study / "fish.csv"
    build(study, server)
    stamp = fish.stat()
    tomorrow = time.time() + 86_400
    for path in [*study.rglob("*.entry"), study / "runs.csv"]:
        os.utime(path, (tomorrow, tomorrow))
    assert build(study, server).ran == ()
    changed = fish.read_text(encoding="utf-8").replace("R1,BNT,200,", "R2,BNT,200,")
    fish.write_text(changed, encoding="utf-8")
    os.utime(fish, ns=(stamp.st_atime_ns, stamp.st_mtime_ns))
    assert fish.stat().st_size == stamp.st_size
    again = build(study, server)
    assert "01-catch" in again.ran and again.reasons["01-catch"] == "rows of the table fish changed"
    tables = (again.folder / "tables" / "01-catch-catch.csv").read_text(encoding="utf-8")
    assert "Ford,21" in tables and "Weir,19" in tables
    before = digests(again.folder)
    os.utime(fish, (tomorrow, tomorrow))
    assert digests(build(study, server, fresh=True).folder) == before


def test_cache_removed_in_mid_run(study: Path, server: ForkServer | None) -> None:
    own_chapter(study, "import shutil\n\nshutil.rmtree(chapter._plain_study.folder / '.fishreport-cache', ignore_errors=True)")
    first = build(study, server)
    again = build(study, server)
    assert "02-creel" in first.ran and digests(again.folder) == digests(first.folder)


def test_build_folder_removed_in_mid_run(study: Path, server: ForkServer | None) -> None:
    before = digests(build(study, server).folder)
    own_chapter(
        study, "import shutil\n\nfor path in chapter._plain_study.folder.glob('.report.building-*'):\n    shutil.rmtree(path)"
    )
    with pytest.raises(ReportError, match="could not be written: No such file or directory"):
        build(study, server)
    assert digests(study / "report") == before and hidden(study) == []


def test_files_of_the_user_in_the_report_are_never_taken_away(study: Path, server: ForkServer | None) -> None:
    good = build(study, server)
    (good.folder / ".DS_Store").write_bytes(b"of the system")
    build(study, server)
    (good.folder / "tables" / "my notes.txt").write_text("hours of work")
    (study / "fish.csv").write_text(fish_table(44), encoding="utf-8")
    with pytest.raises(UsageError, match=r"did not write \(tables/my notes\.txt\)"):
        build(study, server)
    assert (good.folder / "tables" / "my notes.txt").read_text() == "hours of work"
    own_chapter(study, "(chapter._plain_study.folder / 'report' / 'late.txt').write_text('laid there meanwhile')")
    (good.folder / "tables" / "my notes.txt").unlink()
    with pytest.raises(UsageError, match=r"late\.txt"):
        build(study, server)
    assert (good.folder / "late.txt").read_text() == "laid there meanwhile"


@pytest.mark.parametrize("name", ["a b'c\"d $HOME #{x} [ü] 川 %41", "-rf", "*.csv [!a]"])
def test_study_on_a_path_of_odd_signs(study: Path, tmp_path: Path, server: ForkServer | None, name: str) -> None:
    odd = tmp_path / name / name
    shutil.copytree(study, odd)
    (odd / f".{'report'}.building-dead").mkdir()
    built = build(odd, server)
    assert digests(built.folder) == digests(build(study, server).folder)
    into = build(odd, server, out=tmp_path / f"out {name}")
    (tmp_path / f".out {name}.building-dead").mkdir()
    assert digests(build(odd, server, out=into.folder).folder) == digests(built.folder)
    assert hidden(odd) == [] and hidden(tmp_path) == []
