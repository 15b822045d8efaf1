"""Many waters on a real Dask scheduler, with two workers as processes of their own; one is killed in mid-run."""

from __future__ import annotations

import signal
import sys
import threading
import time
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent / "report"))

from many_waters import cluster, free_port
from tiny import write_notebook, write_study

from fishreport.batch import batch
from fishreport.batch import cluster as cluster_module
from fishreport.exceptions import UsageError

# Dask and tornado open sockets whose closing they leave to the collector.
pytestmark = pytest.mark.filterwarnings("ignore::ResourceWarning", "ignore::pytest.PytestUnraisableExceptionWarning")
COUNT = 6


@pytest.mark.build
@pytest.mark.slow
def test_a_worker_killed_in_mid_run_loses_nothing(tmp_path: Path) -> None:
    for number in range(COUNT):
        study = write_study(tmp_path / "in" / f"w{number}", ("pause",))
        (study / "narrative" / "summary.md").unlink()  # its references lead to chapters that these waters do not have
    notebooks, marks = tmp_path / "notebooks", tmp_path / "marks"
    marks.mkdir()
    write_notebook(
        notebooks / "01-pause.ipynb",
        "#md\n# Pause",
        "import pathlib, time\nfrom fishreport.report.chapter import open_chapter\n"
        'chapter = open_chapter("pause", study=study, season=season, settings=settings, results=results)',
        f"(pathlib.Path({str(marks)!r}) / pathlib.Path(study).parent.name).touch()\ntime.sleep(1)",
    )
    log = tmp_path / "cluster.log"
    with cluster(2, log) as (address, workers):

        def kill() -> None:
            deadline = time.monotonic() + 90
            while len(list(marks.iterdir())) < 2 and time.monotonic() < deadline:
                time.sleep(0.05)
            workers[0].send_signal(signal.SIGKILL)

        killer = threading.Thread(target=kill)
        killer.start()
        done = batch(tmp_path / "in", scheduler=address, notebooks=notebooks, formats=("html",), rollup=False)
        killer.join()
        assert workers[0].wait(timeout=10) == -signal.SIGKILL
    assert [outcome["status"] for outcome in done.outcomes] == ["done"] * COUNT, done.failed
    assert all((tmp_path / "in" / f"w{number}" / "report" / "report.html").is_file() for number in range(COUNT))
    survivor = {outcome["worker"] for outcome in done.outcomes}
    assert len(survivor) <= 2
    again = batch(tmp_path / "in", scheduler=address, notebooks=notebooks, formats=("html",), rollup=False)
    assert [outcome["status"] for outcome in again.outcomes] == ["kept"] * COUNT  # no cluster is asked when nothing waits


def test_no_scheduler_answers(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write_study(tmp_path / "a")
    monkeypatch.setattr(cluster_module, "ANSWER_SECONDS", 1)
    with pytest.raises(UsageError, match="no Dask scheduler answers at tcp://127"):
        batch(tmp_path, scheduler=f"tcp://127.0.0.1:{free_port()}")
    assert not (tmp_path / "a" / "report").exists()


def test_without_dask(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write_study(tmp_path / "a")
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(UsageError, match=r"pip install 'fishreport\[cluster\]'"):
        batch(tmp_path, scheduler="tcp://127.0.0.1:1")
