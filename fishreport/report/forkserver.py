"""A process that has imported the libraries once and forks a ready Jupyter kernel on request (POSIX only).

It is started as ``python -m fishreport.report.forkserver FD`` and speaks JSON lines over the socket FD:
``{"fork": {"argv": [...], "log": path, "cwd": path, "env": {...}}}`` is answered by ``{"pid": n}``, and ``{"poll": pid}`` by
``{"status": n | null}``. When the other end closes, it ends its children and itself. It must never start a thread or a zmq
context of its own, because neither survives a fork.
"""

from __future__ import annotations

import contextlib
import gc
import importlib
import json
import os
import pkgutil
import random
import signal
import socket
import sys
from pathlib import Path
from typing import Any

LIBRARIES = (
    "numpy",
    "pandas",
    "scipy.stats",
    "scipy.optimize",
    "statsmodels.formula.api",
    "matplotlib.pyplot",
    "matplotlib.backends.backend_agg",
    "matplotlib.backends.backend_svg",
    "seaborn",
    "ipykernel.kernelapp",
    "ipykernel.ipkernel",
    "ipykernel.zmqshell",
    "ipykernel.debugger",
    "IPython.core.completerlib",
)
OURS = ("study", "fielddata", "methods", "population", "analysis", "exhibits")


def preload() -> None:
    """Import what chapters import; a module that cannot be imported is left to the chapter that needs it."""
    gc.disable()  # nothing is let go while importing
    packages = [importlib.import_module(f"fishreport.{package}") for package in OURS]
    ours = [found.name for package in packages for found in pkgutil.walk_packages(package.__path__, f"{package.__name__}.")]
    for name in (*LIBRARIES, *ours, "fishreport.report.chapter"):
        with contextlib.suppress(Exception):
            importlib.import_module(name)
    gc.collect()
    gc.freeze()
    gc.enable()


def _become_kernel(request: dict[str, Any], server: int) -> None:
    os.setsid()
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGCHLD):
        signal.signal(number, signal.SIG_DFL)
    nothing = os.open(os.devnull, os.O_RDONLY)
    log = os.open(request["log"], os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
    os.dup2(nothing, 0)
    os.dup2(log, 1)
    os.dup2(log, 2)
    os.chdir(request["cwd"])
    os.environ.clear()
    os.environ.update(request["env"])
    random.seed()
    if "numpy" in sys.modules:
        # Forked children share numpy's legacy global state: without this, two chapters that use it draw the same numbers.
        sys.modules["numpy"].random.seed()
    from ipykernel.kernelapp import IPKernelApp

    IPKernelApp.launch_instance(argv=[*request["argv"], f"--IPKernelApp.parent_handle={server}"])


def _fork(request: dict[str, Any], channel: socket.socket) -> int:
    sys.stdout.flush()
    sys.stderr.flush()
    server = os.getpid()
    pid = os.fork()
    if pid:
        return pid
    status = 1
    try:
        channel.close()
        _become_kernel(request, server)
        status = 0
    except SystemExit as end:
        status = end.code if isinstance(end.code, int) else 0
    except BaseException:
        import traceback

        traceback.print_exc()
    finally:
        os._exit(status)


def _poll(pid: int, ended: dict[int, int], running: set[int]) -> int | None:
    if pid not in ended and pid in running:
        found, status = os.waitpid(pid, os.WNOHANG)
        if found:
            ended[pid] = os.waitstatus_to_exitcode(status)
            running.discard(pid)
    return ended.get(pid)


def serve(channel: socket.socket) -> None:
    """Answer requests until the other end closes the channel."""
    running: set[int] = set()
    ended: dict[int, int] = {}
    with channel.makefile("rw", encoding="utf-8", newline="\n") as stream:
        for line in stream:
            request = json.loads(line)
            answer: dict[str, Any]
            try:
                if "fork" in request:
                    pid = _fork(request["fork"], channel)
                    running.add(pid)
                    answer = {"pid": pid}
                else:
                    answer = {"status": _poll(request["poll"], ended, running)}
            except OSError as error:
                answer = {"error": str(error)}
            stream.write(json.dumps(answer) + "\n")
            stream.flush()
    for pid in running:
        with contextlib.suppress(OSError):
            os.killpg(pid, signal.SIGKILL)


def main() -> None:
    """Preload, then serve the socket whose number is the first argument."""
    # An interrupt at the keyboard goes to the building process, which closes the channel.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    channel = socket.socket(fileno=int(sys.argv[1]))
    channel.setblocking(True)
    preload()
    serve(channel)


if __name__ == "__main__":
    # `python -m` puts the working directory first on the path; nothing that lies there may be imported.
    here = str(Path.cwd())
    sys.path[:] = [entry for entry in sys.path if entry not in ("", here)] if os.environ.get("FISHREPORT_RUNTIME") else sys.path
    main()
