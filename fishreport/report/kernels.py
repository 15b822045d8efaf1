"""Jupyter kernels for one build: its own runtime folder, no shared ports, forked from one preloaded process where that works."""

from __future__ import annotations

import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
import uuid
from pathlib import Path
from types import TracebackType
from typing import Any

from jupyter_client.kernelspec import KernelSpec, KernelSpecManager
from jupyter_client.manager import AsyncKernelManager
from jupyter_client.provisioning import LocalProvisioner

PLAIN_VARIABLE = "FISHREPORT_PLAIN_KERNELS"
RUNTIME_VARIABLE = "FISHREPORT_RUNTIME"
# A Unix socket's path holds about 104 characters; longer runtime folders use TCP on the loopback address.
_LONGEST_SOCKET_FOLDER = 70


def forking_works() -> bool:
    """True where kernels can be forked from a preloaded process."""
    return os.name == "posix" and hasattr(os, "fork") and os.environ.get(PLAIN_VARIABLE, "") in ("", "0")


def kernel_environment(runtime: Path) -> dict[str, str]:
    """The environment of a kernel: the user's, with everything fixed that could change a digit or a byte."""
    environment = dict(os.environ)
    environment.update(
        {
            RUNTIME_VARIABLE: str(runtime),
            "IPYTHONDIR": str(runtime / "ipython"),  # no start-up file or profile of the user's
            "MPLBACKEND": "agg",
            "PYTHONHASHSEED": "0",
            "PYTHONUTF8": "1",
            "PYTHONSAFEPATH": "1",
            "PYDEVD_DISABLE_FILE_VALIDATION": "1",
            "TZ": "UTC",
            # More threads sum in another order and change the last digits.
            "OMP_NUM_THREADS": "1",
            "OPENBLAS_NUM_THREADS": "1",
            "MKL_NUM_THREADS": "1",
            "VECLIB_MAXIMUM_THREADS": "1",
        }
    )
    environment.pop("PYTHONSTARTUP", None)
    return environment


class ForkServer:
    """The building process's end of the channel to :mod:`fishreport.report.forkserver`."""

    def __init__(self, runtime: Path) -> None:
        ours, theirs = socket.socketpair()
        self._channel = ours
        self._stream = ours.makefile("rw", encoding="utf-8", newline="\n")
        self._lock = threading.Lock()
        with (runtime / "forkserver.log").open("wb") as log:
            self._process = subprocess.Popen(
                [sys.executable, "-W", "ignore", "-m", "fishreport.report.forkserver", str(theirs.fileno())],
                pass_fds=(theirs.fileno(),),
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
                cwd=runtime,
                env=kernel_environment(runtime),
            )
        theirs.close()

    def _ask(self, request: dict[str, Any]) -> dict[str, Any]:
        with self._lock:
            self._stream.write(json.dumps(request) + "\n")
            self._stream.flush()
            line = self._stream.readline()
        answer: dict[str, Any] = json.loads(line) if line else {"error": "the preloaded process has ended"}
        if "error" in answer:
            raise OSError(answer["error"])
        return answer

    def fork(self, argv: list[str], log: Path, cwd: Path) -> ForkedProcess:
        """A kernel started with the arguments `argv`."""
        return ForkedProcess(self, self._ask({"fork": {"argv": argv, "log": str(log), "cwd": str(cwd)}})["pid"])

    def poll(self, pid: int) -> int | None:
        """Exit status of a kernel, or None while it runs."""
        try:
            status = self._ask({"poll": pid})["status"]
        except (OSError, ValueError):
            return 1
        return None if status is None else int(status)

    def close(self) -> None:
        """End the preloaded process and the kernels that are left."""
        self._stream.close()
        self._channel.close()
        try:
            self._process.wait(timeout=5)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()


class ForkedProcess:
    """What a kernel provisioner needs of a process that is not our child."""

    stdin = stdout = stderr = None

    def __init__(self, server: ForkServer, pid: int) -> None:
        self.pid = pid
        self._server = server
        self._status: int | None = None

    def poll(self) -> int | None:
        """Exit status, or None while it runs."""
        if self._status is None:
            self._status = self._server.poll(self.pid)
        return self._status

    def wait(self, timeout: float | None = None) -> int:
        """Exit status, once it has ended."""
        deadline = None if timeout is None else time.monotonic() + timeout
        while (status := self.poll()) is None:
            if deadline is not None and time.monotonic() > deadline:
                raise subprocess.TimeoutExpired(["kernel"], timeout or 0.0)
            time.sleep(0.02)
        return status

    def send_signal(self, number: int) -> None:
        """Send a signal, unless it has ended (its number could belong to another process by then)."""
        if self.poll() is None:
            os.kill(self.pid, number)

    def terminate(self) -> None:
        """Ask it to end."""
        self.send_signal(signal.SIGTERM)

    def kill(self) -> None:
        """End it."""
        self.send_signal(signal.SIGKILL)


class ForkedProvisioner(LocalProvisioner):
    """Starts kernels by forking instead of by a new interpreter; all else is as for a local kernel."""

    server: ForkServer
    log_file: Path
    folder: Path

    async def launch_kernel(self, cmd: list[str], **kwargs: Any) -> dict[str, Any]:
        """Fork a kernel with the arguments that follow ``-m ipykernel_launcher``."""
        argv = cmd[cmd.index("-f") :]
        self.process = self.server.fork(argv, self.log_file, self.folder)
        self.pid = self.pgid = self.process.pid
        self.cwd = self.folder
        return self.connection_info


class _OwnKernelSpecs(KernelSpecManager):
    """Always this interpreter: a kernel named ``python3`` that the user has installed may be another Python."""

    def get_kernel_spec(self, kernel_name: str) -> KernelSpec:
        argv = [sys.executable, "-W", "ignore", "-m", "ipykernel_launcher", "-f", "{connection_file}"]
        return KernelSpec(argv=argv, display_name="Python 3", language="python", metadata={"debugger": False})


class Kernels:
    """All kernels of one build, in a private runtime folder that goes with it.

    Use it as a context manager. `forked` says whether kernels are forked; when the preloaded process fails, a kernel is
    started plainly instead.
    """

    def __init__(self, *, forked: bool | None = None) -> None:
        self.runtime = Path(tempfile.mkdtemp(prefix="fishreport-"))
        self.folder = self.runtime / "empty"  # kernels start here, so no file beside the data can be imported by accident
        self.folder.mkdir()
        wanted = forking_works() if forked is None else forked and os.name == "posix"
        self._server = ForkServer(self.runtime) if wanted else None
        self.forked = wanted

    def manager(self, *, plain: bool = False) -> AsyncKernelManager:
        """A kernel manager that has not started its kernel yet."""
        name = uuid.uuid4().hex[:12]
        short = os.name == "posix" and len(str(self.runtime)) <= _LONGEST_SOCKET_FOLDER
        manager = AsyncKernelManager(
            kernel_name="python3",
            kernel_spec_manager=_OwnKernelSpecs(),
            connection_file=str(self.runtime / f"{name}.json"),
            transport="ipc" if short else "tcp",
        )
        if short:
            manager.ip = str(self.runtime / name)
            if manager.has_trait("transport_encryption"):
                manager.transport_encryption = "disabled"  # a socket in a folder that only this user can enter
        if self._server is not None and not plain:
            manager.kernel_id = name
            provisioner = ForkedProvisioner(kernel_id=name, kernel_spec=manager.kernel_spec, parent=manager)
            provisioner.server, provisioner.log_file = self._server, self.runtime / f"{name}.log"
            provisioner.folder = self.folder
            manager.provisioner = provisioner
        return manager

    def start_arguments(self) -> dict[str, Any]:
        """What the manager's ``start_kernel`` is to be called with."""
        log = (self.runtime / "kernels.log").open("ab")
        return {"env": kernel_environment(self.runtime), "cwd": str(self.folder), "stdout": log, "stderr": log}

    def close(self) -> None:
        """End what still runs and remove the runtime folder."""
        if self._server is not None:
            self._server.close()
        shutil.rmtree(self.runtime, ignore_errors=True)

    def __enter__(self) -> Kernels:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self.close()
