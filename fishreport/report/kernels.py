"""Jupyter kernels for one build: its own runtime folder, no shared ports, forked from one preloaded process where that works."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import queue
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
import uuid
from collections.abc import Iterator, Mapping
from pathlib import Path
from types import TracebackType
from typing import Any

import zmq
from jupyter_client.asynchronous.client import AsyncKernelClient
from jupyter_client.kernelspec import KernelSpec, KernelSpecManager
from jupyter_client.manager import AsyncKernelManager
from jupyter_client.provisioning import LocalProvisioner

from fishreport.report.temporary import private_folder, remove_left_folders

PLAIN_VARIABLE = "FISHREPORT_PLAIN_KERNELS"
RUNTIME_VARIABLE = "FISHREPORT_RUNTIME"
# A Unix socket's path holds about 104 characters; longer runtime folders use TCP on the loopback address.
_LONGEST_SOCKET_FOLDER = 70


def forking_works() -> bool:
    """True where kernels can be forked from a preloaded process."""
    return os.name == "posix" and hasattr(os, "fork") and os.environ.get(PLAIN_VARIABLE, "") in ("", "0")


def kernel_environment(runtime: Path) -> dict[str, str]:
    """The environment of a kernel: the user's, with everything fixed that could change a digit or a byte."""
    plain = runtime / "matplotlibrc"
    plain.touch()  # an empty one, so that none of the user's is read
    environment = dict(os.environ)
    environment.update(
        {
            RUNTIME_VARIABLE: str(runtime),
            "IPYTHONDIR": str(runtime / "ipython"),  # no start-up file or profile of the user's
            "MPLBACKEND": "agg",
            "MATPLOTLIBRC": str(plain),
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

    def __init__(self) -> None:
        self._folder = private_folder()
        ours, theirs = socket.socketpair()
        self._channel = ours
        self._stream = ours.makefile("rw", encoding="utf-8", newline="\n")
        self._lock = threading.Lock()
        self._asked = False
        with (self._folder / "log").open("wb") as log:
            self._process = subprocess.Popen(
                [sys.executable, "-W", "ignore", "-m", "fishreport.report.forkserver", str(theirs.fileno())],
                pass_fds=(theirs.fileno(),),
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
                cwd=self._folder,
                env=kernel_environment(self._folder),
            )
        theirs.close()

    def _ask(self, request: dict[str, Any]) -> dict[str, Any]:
        with self._lock:
            self._asked = True
            self._stream.write(json.dumps(request) + "\n")
            self._stream.flush()
            line = self._stream.readline()
        answer: dict[str, Any] = json.loads(line) if line else {"error": "the preloaded process has ended"}
        if "error" in answer:
            raise OSError(answer["error"])
        return answer

    def fork(self, argv: list[str], *, log: Path, cwd: Path, environment: Mapping[str, str]) -> ForkedProcess:
        """A kernel started with the arguments `argv`."""
        request = {"argv": argv, "log": str(log), "cwd": str(cwd), "env": dict(environment)}
        return ForkedProcess(self, self._ask({"fork": request})["pid"])

    def poll(self, pid: int) -> int | None:
        """Exit status of a kernel, or None while it runs."""
        try:
            status = self._ask({"poll": pid})["status"]
        except (OSError, ValueError):
            return 1
        return None if status is None else int(status)

    @property
    def alive(self) -> bool:
        """Whether the preloaded process still runs."""
        return self._process.poll() is None

    def release(self) -> None:
        """Let the preloaded process end, and the kernels that are left, without waiting for it."""
        with contextlib.suppress(OSError):  # it ended before us, with a request of ours unread
            self._stream.close()
        with contextlib.suppress(OSError):
            self._channel.close()
        if not self._asked:  # it has no kernels to end and may still be importing
            self._process.kill()

    def close(self) -> None:
        """End the preloaded process and the kernels that are left."""
        self.release()
        try:
            self._process.wait(timeout=5)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        shutil.rmtree(self._folder, ignore_errors=True)

    def __enter__(self) -> ForkServer:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self.close()


@contextlib.contextmanager
def preloaded(given: ForkServer | None = None) -> Iterator[ForkServer | None]:
    """A preloaded process for several builds: the one given, else a new one that ends with the block; None where none can be."""
    own = None
    if given is None and forking_works():
        with contextlib.suppress(OSError):  # told when chapters need it
            own = ForkServer()
    try:
        yield given or own
    finally:
        if own is not None:
            own.close()


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


class _PromptClient(AsyncKernelClient):
    """A client that goes on once its kernel answers.

    Jupyter's own then waits a fifth of a second more for what the kernel may still print; who executes cells tells by the
    parent of a message whose it is.
    """

    def start_channels(self, *channels: bool, **options: bool) -> None:
        """Knock again soon: the kernel listens only some time after it was started."""
        self.context.setsockopt(zmq.RECONNECT_IVL, 5)  # milliseconds
        super().start_channels(*channels, **options)

    async def wait_for_ready(self, timeout: float | None = None) -> None:
        """Return when the kernel has answered and its outputs arrive; RuntimeError when it ends or the time is over."""
        deadline = None if timeout is None else time.monotonic() + timeout
        while True:
            self.kernel_info()
            with contextlib.suppress(queue.Empty):
                answer = await self.get_shell_msg(timeout=1)
                if answer["msg_type"] == "kernel_info_reply":
                    await self.get_iopub_msg(timeout=0.2)  # outputs arrive too, or it is asked once more
                    return
            if not await self.is_alive():
                raise RuntimeError("the kernel ended before it answered")
            if deadline is not None and time.monotonic() > deadline:
                raise RuntimeError(f"the kernel did not answer within {timeout:.0f} s")


class ForkedProvisioner(LocalProvisioner):
    """Starts kernels by forking instead of by a new interpreter; all else is as for a local kernel."""

    server: ForkServer
    kernels: Kernels

    async def wait(self) -> int | None:
        """Exit status of the kernel once it has ended."""
        while self.process is not None and self.process.poll() is None:
            await asyncio.sleep(0.005)
        return await super().wait()

    async def kill(self, restart: bool = False) -> None:
        """End the kernel, and return when it has ended: who asked would look again only a tenth of a second later."""
        await super().kill(restart=restart)
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(self.wait(), timeout=5)

    async def launch_kernel(self, cmd: list[str], **kwargs: Any) -> dict[str, Any]:
        """Fork a kernel with the arguments that follow ``-m ipykernel_launcher``."""
        argv = cmd[cmd.index("-f") :]
        kernels = self.kernels
        self.process = self.server.fork(argv, log=kernels.log_file, cwd=kernels.folder, environment=kernels.environment)
        self.pid = self.pgid = self.process.pid
        self.cwd = kernels.folder
        return self.connection_info


class _OwnKernelSpecs(KernelSpecManager):
    """Always this interpreter: a kernel named ``python3`` that the user has installed may be another Python."""

    def get_kernel_spec(self, kernel_name: str) -> KernelSpec:
        argv = [sys.executable, "-W", "ignore", "-m", "ipykernel_launcher", "-f", "{connection_file}"]
        argv.append("--HistoryManager.enabled=False")
        return KernelSpec(argv=argv, display_name="Python 3", language="python", metadata={"debugger": False})


class Kernels:
    """All kernels of one build, in a private runtime folder that goes with it.

    Use it as a context manager. Kernels are forked where that works; when the preloaded process fails, a kernel is started
    plainly instead. A preloaded process that several builds share is handed in as `server`, and outlives them.
    """

    def __init__(self, server: ForkServer | None = None) -> None:
        remove_left_folders()
        self.runtime = private_folder()
        self.folder = self.runtime / "empty"  # kernels start here, so no file beside the data can be imported by accident
        self.folder.mkdir()
        self.environment = kernel_environment(self.runtime)
        self.log_file = self.runtime / "kernels.log"
        self._log = self.log_file.open("ab")
        self._started: list[AsyncKernelManager] = []
        self._own_server = ForkServer() if server is None and forking_works() else None
        self._server = server or self._own_server

    def manager(self, *, plain: bool = False) -> AsyncKernelManager:
        """A kernel manager that has not started its kernel yet."""
        name = uuid.uuid4().hex[:12]
        short = os.name == "posix" and len(str(self.runtime)) <= _LONGEST_SOCKET_FOLDER
        manager = AsyncKernelManager(
            kernel_name="python3",
            kernel_spec_manager=_OwnKernelSpecs(),
            connection_file=str(self.runtime / f"{name}.json"),
            transport="ipc" if short else "tcp",
            client_factory=_PromptClient,
        )
        if short:
            manager.ip = str(self.runtime / name)
            if manager.has_trait("transport_encryption"):
                manager.transport_encryption = "disabled"  # a socket in a folder that only this user can enter
        if self._server is not None and not plain:
            manager.kernel_id = name
            provisioner = ForkedProvisioner(kernel_id=name, kernel_spec=manager.kernel_spec, parent=manager)
            provisioner.server, provisioner.kernels = self._server, self
            manager.provisioner = provisioner
        self._started.append(manager)
        return manager

    def start_arguments(self) -> dict[str, Any]:
        """What the manager's ``start_kernel`` is to be called with."""
        return {"env": self.environment, "cwd": str(self.folder), "stdout": self._log, "stderr": self._log}

    def close(self) -> None:
        """End what still runs and remove the runtime folder."""
        for manager in self._started:
            process = getattr(manager.provisioner, "process", None)
            if process is not None and process.poll() is None:
                process.kill()
        if self._own_server is not None:
            self._own_server.close()
        self._log.close()
        shutil.rmtree(self.runtime, ignore_errors=True)

    def __enter__(self) -> Kernels:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self.close()
