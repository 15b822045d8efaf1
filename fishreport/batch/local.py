"""Waters side by side on this machine: each worker a process of its own, replaced when it dies."""

from __future__ import annotations

import contextlib
import json
import os
import subprocess
import sys
import tempfile
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor, as_completed
from pathlib import Path
from types import TracebackType
from typing import IO, Any

from fishreport.batch.waters import Task
from fishreport.report.temporary import private_prefix

ATTEMPTS = 3


class WorkerEndedError(Exception):
    """A worker ended in the middle of a water: killed, out of memory, or stopped from outside."""


class Worker:
    """One worker process."""

    def __init__(self, log: IO[bytes]) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-P", "-W", "ignore", "-m", "fishreport.batch.worker"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=log,
            encoding="utf-8",
            env={**os.environ, "PYTHONUTF8": "1"},
        )

    @property
    def pid(self) -> int:
        """Number of the process."""
        return self._process.pid

    def build(self, task: Task) -> dict[str, Any]:
        """The outcome of a task.

        Raises
        ------
        WorkerEndedError
        """
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        try:
            self._process.stdin.write(json.dumps(task.record()) + "\n")
            self._process.stdin.flush()
            line = self._process.stdout.readline()
        except (OSError, ValueError):
            line = ""
        if not line.endswith("\n"):
            status = self._process.wait()
            raise WorkerEndedError(f"the worker ended with status {status}")
        outcome: dict[str, Any] = json.loads(line)
        return outcome

    def close(self) -> None:
        """End it, at once when it is in the middle of a water."""
        assert self._process.stdin is not None
        with contextlib.suppress(OSError):
            self._process.stdin.close()  # it ends with its standard input; whoever waits for an answer then has none
        try:
            self._process.wait(timeout=10)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()

    def forget(self) -> None:
        """Let go of what is left of it, once nobody waits for an answer."""
        assert self._process.stdout is not None
        self._process.stdout.close()


class LocalWorkers:
    """A bounded number of workers. Use it as a context manager."""

    def __init__(self, count: int) -> None:
        self.count = count
        self._own = threading.local()
        self._all: list[Worker] = []
        self._lock = threading.Lock()
        self._closed = False
        self._folder = tempfile.TemporaryDirectory(prefix=private_prefix())
        self._log = (Path(self._folder.name) / "log").open("ab")

    @property
    def pids(self) -> list[int]:
        """Numbers of the processes started so far."""
        return [worker.pid for worker in self._all]

    def run(self, tasks: Sequence[Task], started: Callable[[str], None]) -> Iterator[dict[str, Any]]:
        """Outcomes as they come; `started` is told the name of each water that begins."""
        with ThreadPoolExecutor(max_workers=self.count, thread_name_prefix="water") as pool:
            futures = [pool.submit(self._one, task, started) for task in tasks]
            try:
                for future in as_completed(futures):
                    yield future.result()
            except BaseException:
                for future in futures:
                    future.cancel()
                self.close()
                raise

    def _one(self, task: Task, started: Callable[[str], None]) -> dict[str, Any]:
        started(task.name)
        reason = ""
        for _ in range(ATTEMPTS):
            worker = getattr(self._own, "worker", None)
            if worker is None:
                with self._lock:
                    if self._closed:
                        break
                    worker = self._own.worker = Worker(self._log)
                    self._all.append(worker)
            try:
                return worker.build(task)
            except WorkerEndedError as ended:
                worker.close()
                self._own.worker = None
                reason = str(ended)
        said = f"{reason}, {ATTEMPTS} times in the middle of this water" if reason else "stopped"
        return {"name": task.name, "status": "failed", "seconds": 0.0, "ran": 0, "kept": 0, "error": said, "exit_code": 1}

    def close(self) -> None:
        """End all workers."""
        with self._lock:
            self._closed = True
        for worker in self._all:
            worker.close()

    def __enter__(self) -> LocalWorkers:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self.close()
        for worker in self._all:
            worker.forget()
        self._log.close()
        self._folder.cleanup()
