"""Many waters: ``python tests/bench/many_waters.py 50`` builds simulated waters on one and on two workers, and kills one in mid-run.

It starts a Dask scheduler and its workers as processes of their own, and prints times and speed-up. Run it on an idle machine
of two cores or more; times vary from machine to machine, trust the ratio.
"""

from __future__ import annotations

import contextlib
import os
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np

from fishreport.batch import Batch, batch
from fishreport.simulate import simulate_survey, write_study
from fishreport.simulate.presets import light_spec

SETTINGS = {"report.chapters": ["abundance", "size-structure", "condition"]}


def lay_out(folder: Path, count: int) -> Path:
    """Studies of `count` small simulated waters, each with a seed of its own."""
    for number in range(1, count + 1):
        spec = replace(light_spec(seasons=2, sites=4, fish=120), water=f"Simulated water {number:02d}")
        write_study(folder / f"water-{number:02d}", simulate_survey(spec, rng=np.random.default_rng(number)))
    return folder


def free_port() -> int:
    """A port that nothing listens on now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
    return port


@contextlib.contextmanager
def cluster(workers: int, log: Path) -> Iterator[tuple[str, list[subprocess.Popen[bytes]]]]:
    """A Dask scheduler and workers of one thread each, all processes of their own; yields its address and the workers."""
    address = f"tcp://127.0.0.1:{free_port()}"
    environment = {**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    processes: list[subprocess.Popen[bytes]] = []

    def start(*arguments: str) -> subprocess.Popen[bytes]:
        with log.open("ab") as stream:
            process = subprocess.Popen(
                [sys.executable, "-W", "ignore", "-m", *arguments], stdout=stream, stderr=stream, env=environment
            )
        processes.append(process)
        return process

    try:
        start("distributed.cli.dask_scheduler", "--host", "127.0.0.1", "--port", address.rsplit(":", 1)[1], "--no-dashboard")
        options = ("--nthreads", "1", "--no-nanny", "--no-dashboard", "--death-timeout", "60")
        yield address, [start("distributed.cli.dask_worker", address, *options) for _ in range(workers)]
    finally:
        for process in reversed(processes):
            process.terminate()
        for process in processes:
            try:
                process.wait(timeout=10)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()


def run(studies: Path, out: Path, workers: int, log: Path, *, kill_after: float | None = None) -> Batch:
    """A batch on a fresh cluster; with `kill_after`, one worker is killed so many seconds after the batch began."""
    import threading

    from distributed import Client

    with cluster(workers, log) as (address, processes):
        with Client(address, timeout="60s") as client:
            client.wait_for_workers(workers, timeout=60)
        if kill_after is not None:
            threading.Timer(kill_after, processes[0].send_signal, (signal.SIGKILL,)).start()
        return batch(studies, out=out, scheduler=address, settings=SETTINGS, formats=("html",), fresh=True, rollup=False)


def main(count: int) -> None:
    """Print the times on one and two workers, and what a killed worker lost."""
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary)
        studies = lay_out(folder / "studies", count)
        log = folder / "cluster.log"
        seconds = {}
        for workers in (1, 2):
            done = run(studies, folder / f"out-{workers}", workers, log)
            assert not done.failed, done.failed[:1]
            seconds[workers] = done.seconds
            print(f"{count} waters on {workers} Dask worker{'s' if workers > 1 else ''}: {done.seconds:.1f} s", flush=True)
        print(f"speed-up {seconds[1] / seconds[2]:.2f} on two workers", flush=True)
        began = time.monotonic()
        local = batch(studies, out=folder / "local", jobs=2, settings=SETTINGS, formats=("html",), fresh=True)
        assert local.exit_code == 0, local
        print(f"{count} waters on two local workers, with the roll-up: {time.monotonic() - began:.1f} s", flush=True)
        killed = run(studies, folder / "killed", 2, log, kill_after=seconds[2] / 3)
        there = len(list((folder / "killed").glob("*/report.html")))
        assert there == count and not killed.failed, (there, killed.failed)
        print(f"one of two workers killed after {seconds[2] / 3:.0f} s: {there} of {count} reports there, {killed.seconds:.1f} s")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 50)
