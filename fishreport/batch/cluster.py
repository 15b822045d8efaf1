"""Waters on an existing Dask cluster, whose workers see the same files under the same paths."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from types import TracebackType
from typing import Any

from fishreport.batch.waters import Task
from fishreport.batch.worker import build_water
from fishreport.exceptions import UsageError

ANSWER_SECONDS = 15
_EXTRA = "--scheduler needs Dask, an optional extra: pip install 'fishreport[cluster]'"


class Cluster:
    """The cluster at an address. Use it as a context manager.

    Parameters
    ----------
    address : str
        Of the scheduler, such as ``tcp://10.0.0.5:8786``.

    Raises
    ------
    UsageError
        If Dask is not installed, no scheduler answers, or it has no worker.
    """

    def __init__(self, address: str) -> None:
        try:
            from distributed import Client
        except ImportError:
            raise UsageError(_EXTRA) from None
        try:
            self._client = Client(address, timeout=f"{ANSWER_SECONDS}s", name="fishreport")
        except (OSError, TimeoutError, ValueError, TypeError) as error:
            raise UsageError(f"no Dask scheduler answers at {address} ({error or type(error).__name__})") from None
        try:
            self._client.wait_for_workers(1, timeout=ANSWER_SECONDS)
        except TimeoutError:
            self._client.close()
            raise UsageError(f"the Dask scheduler at {address} has no worker; start some with `dask worker {address}`") from None

    @property
    def count(self) -> int:
        """Number of tasks that it works on at once."""
        return sum(self._client.nthreads().values())

    def run(self, tasks: Sequence[Task], started: Callable[[str], None]) -> Iterator[dict[str, Any]]:
        """Outcomes as they come. A water whose worker dies is given to another one; after several deaths it is given up."""
        from distributed import as_completed

        futures = {}
        for task in tasks:
            # The cluster does not tell when a task begins; all of them wait there from now on.
            future = self._client.submit(build_water, task.record(), key=f"fishreport-{task.name}-{id(self)}", pure=False)
            futures[future] = task
            started(task.name)
        for future in as_completed(list(futures), raise_errors=False):
            task = futures.pop(future)
            try:
                outcome = future.result(timeout=ANSWER_SECONDS)
            except Exception as error:  # KilledWorker, a scheduler that is gone, a worker without this package
                said = str(error).splitlines()[0] if str(error) else ""
                error_text = f"the cluster gave it up: {type(error).__name__}" + (f": {said}" if said else "")
                outcome = {
                    "name": task.name, "status": "failed", "seconds": 0.0, "ran": 0, "kept": 0, "error": error_text,
                    "exit_code": 1,
                }  # fmt: skip
            future.release()
            yield outcome

    def __enter__(self) -> Cluster:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self._client.close()
