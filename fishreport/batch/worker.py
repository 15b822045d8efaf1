"""Builds one water after the other in a process of its own: a local worker, or a task on a cluster.

As a program (``python -m fishreport.batch.worker``) it reads a task a line from standard input and writes an outcome a line to
standard output, as JSON; it ends with its standard input, in the middle of a build if need be (a report is put in place in one
step, so none is ever half there).
"""

from __future__ import annotations

import atexit
import contextlib
import json
import os
import queue
import socket
import sys
import threading
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from fishreport.exceptions import FishreportError

_server: Any = None
_server_lock = threading.Lock()


def _shared_server() -> Any:
    """The preloaded process that all builds of this process fork their kernels from; None where forking does not work."""
    global _server
    from fishreport.report.kernels import ForkServer, forking_works

    if not forking_works():
        return None
    with _server_lock:
        if _server is None or not _server.alive:
            if _server is not None:
                with contextlib.suppress(OSError):
                    _server.close()
            _server = ForkServer()
            atexit.register(_server.close)
        return _server


def build_water(task: Mapping[str, Any]) -> dict[str, Any]:
    """Build the report of one water; whatever goes wrong is in the outcome, never raised.

    Parameters
    ----------
    task : mapping
        As `fishreport.batch.waters.Task.record` gives it.

    Returns
    -------
    dict
        ``name``, ``status`` (``done`` or ``failed``), ``seconds``, ``ran`` and ``kept`` (numbers of chapters), ``error``,
        ``exit_code``, ``worker`` (machine and process).
    """
    began = time.monotonic()
    outcome: dict[str, Any] = {"name": task["name"], "status": "done", "ran": 0, "kept": 0, "error": "", "exit_code": 0}
    try:
        from fishreport.report.build import build_report

        built = build_report(
            task["study"],
            out=task["target"],
            settings=task["settings"],
            season=task["season"],
            chapters=task["chapters"],
            formats=task["formats"],
            jobs=task["jobs"],
            fresh=task["fresh"],
            notebooks=Path(task["notebooks"]) if task["notebooks"] else None,
            server=_shared_server(),
        )
        outcome |= {"ran": len(built.ran), "kept": len(built.kept)}
    except FishreportError as error:
        outcome |= {"status": "failed", "error": str(error), "exit_code": error.exit_code}
    except Exception as error:  # one water never stops the others
        outcome |= {"status": "failed", "error": f"{type(error).__name__}: {error}", "exit_code": 1}
    seconds = round(time.monotonic() - began, 2)
    return {**outcome, "seconds": seconds, "worker": f"{socket.gethostname()}:{os.getpid()}"}


def _read_tasks(tasks: queue.Queue[str], building: threading.Event) -> None:
    for line in sys.stdin:
        tasks.put(line)
    tasks.put("")
    if building.is_set():  # whoever gave the tasks is gone; the kernels end with the preloaded process
        if _server is not None:
            _server.close()
        os._exit(0)


def main() -> None:
    """Serve standard input until it ends."""
    answers = os.fdopen(os.dup(1), "w", encoding="utf-8", newline="\n")
    os.dup2(2, 1)  # what a library prints goes to the log, not among the answers
    tasks: queue.Queue[str] = queue.Queue()
    building = threading.Event()
    threading.Thread(target=_read_tasks, args=(tasks, building), daemon=True).start()
    while line := tasks.get():
        building.set()
        outcome = build_water(json.loads(line))
        building.clear()
        answers.write(json.dumps(outcome) + "\n")
        answers.flush()


if __name__ == "__main__":
    main()
