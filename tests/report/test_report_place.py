"""Putting a report in place: the last whole one stands at every moment."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from fishreport.exceptions import ReportError, UsageError
from fishreport.report import place
from fishreport.report.place import MARKER, Placing, check_target


def put(target: Path, text: str) -> None:
    with Placing(target, study="A") as placing:
        (placing.folder / "one.txt").write_text(text)
        (placing.folder / "two.txt").write_text(text)
        placing.finish()


def leftovers(target: Path) -> list[str]:
    return sorted(path.name for path in target.parent.iterdir() if path != target)


@pytest.mark.parametrize("swap", [True, False])
def test_replaces_the_last_report_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, swap: bool) -> None:
    if not swap:
        monkeypatch.setattr(place, "_exchange", lambda first, second: False)
    target = tmp_path / "report"
    put(target, "first")
    put(target, "second")
    assert sorted(path.name for path in target.iterdir()) == [MARKER, "one.txt", "two.txt"]
    assert (target / "one.txt").read_text() == "second"
    assert leftovers(target) == []


def test_a_failed_build_leaves_the_last_report(tmp_path: Path) -> None:
    target = tmp_path / "report"
    put(target, "first")
    with pytest.raises(ValueError, match="half way"), Placing(target, study="A") as placing:
        (placing.folder / "one.txt").write_text("second")
        raise ValueError("half way")
    assert (target / "one.txt").read_text() == "first"
    assert leftovers(target) == []


def test_a_report_caught_between_two_renames_is_put_back(tmp_path: Path) -> None:
    target = tmp_path / "report"
    put(target, "first")
    target.rename(tmp_path / ".report.previous")
    (tmp_path / ".report.building-dead").mkdir()
    with Placing(target, study="A"):
        assert (target / "one.txt").read_text() == "first"
    assert leftovers(target) == []


def test_two_builds_of_one_report_do_not_mix(tmp_path: Path) -> None:
    target = tmp_path / "report"
    with Placing(target, study="A"), pytest.raises(ReportError, match="another build"), Placing(target, study="A"):
        pass
    put(target, "after")
    assert (target / "one.txt").read_text() == "after"


def test_refuses_what_is_not_ours(tmp_path: Path) -> None:
    study = tmp_path / "study"
    study.mkdir()
    (study / "study.toml").write_text("")
    other = tmp_path / "other"
    other.mkdir()
    assert check_target(other, study) == other  # empty
    (other / "thesis.docx").write_text("")
    (tmp_path / "file").write_text("")
    for target, words in (
        (other, "holds no report"),
        (study, "holds the study"),
        (tmp_path, "holds the study"),
        (tmp_path / "file", "a file"),
    ):
        with pytest.raises(UsageError, match=words):
            check_target(target, study)
    assert (other / "thesis.docx").exists()


@pytest.mark.skipif(os.name != "posix", reason="signals")
def test_killed_at_random_moments(tmp_path: Path) -> None:
    """Whoever looks finds one whole report, never a mixture, whenever the writer is killed."""
    target = tmp_path / "report"
    put(target, "0")
    code = f"""
import sys
sys.path.insert(0, {str(Path(__file__).parent)!r})
from pathlib import Path
from test_report_place import put
for number in range(1, 100000):
    put(Path({str(target)!r}), str(number))
"""
    chance = random.Random(7)
    for _ in range(6):
        writer = subprocess.Popen([sys.executable, "-c", code])
        deadline = time.monotonic() + 20
        before = (target / "one.txt").read_text()
        while (target / "one.txt").read_text() == before and time.monotonic() < deadline:
            time.sleep(0.01)
        time.sleep(chance.uniform(0, 0.05))
        writer.send_signal(signal.SIGKILL)
        writer.wait()
        assert (target / "one.txt").read_text() == (target / "two.txt").read_text()
    put(target, "last")
    assert (target / "one.txt").read_text() == "last"
    assert leftovers(target) == []
