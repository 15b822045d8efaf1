"""How a batch tells what it does: a table of waters on a terminal, a line a water elsewhere; always on stderr."""

from __future__ import annotations

import sys
import threading
from collections.abc import Iterable, Mapping
from types import TracebackType
from typing import Any, TextIO

_STYLES = {"done": "green", "kept": "dim", "failed": "bold red", "running": "yellow", "waiting": "dim"}
_MOST = 30  # waters in the live table; those that run or failed come first


class BatchProgress:
    """Progress of one batch. Use it as a context manager."""

    def __init__(self, *, quiet: bool = False, stream: TextIO | None = None) -> None:
        self.stream = stream or sys.stderr
        self.quiet = quiet
        self._rows: dict[str, tuple[str, str]] = {}
        self._live: Any = None
        self._lock = threading.Lock()

    def __enter__(self) -> BatchProgress:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        if self._live is not None:
            self._live.stop()
            self._live = None

    def begin(self, names: Iterable[str]) -> None:
        """The waters of the batch."""
        self._rows = dict.fromkeys(names, ("waiting", ""))
        if self.quiet or not self.stream.isatty():
            return
        from rich.console import Console
        from rich.live import Live

        self._live = Live(console=Console(file=self.stream), get_renderable=self._table, refresh_per_second=4, transient=True)
        self._live.start()

    def started(self, name: str) -> None:
        """A water is being built."""
        with self._lock:
            self._rows[name] = ("running", "")

    def ended(self, outcome: Mapping[str, Any], *, kept: bool = False) -> None:
        """A water is done, was finished before, or failed."""
        status = "kept" if kept else outcome["status"]
        with self._lock:
            self._rows[outcome["name"]] = (status, _detail(outcome, kept))
            if self._live is None and not self.quiet:
                print(f"{outcome['name']}: {status}, {_detail(outcome, kept)}", file=self.stream, flush=True)

    def _table(self) -> Any:
        from rich.markup import escape
        from rich.table import Table

        with self._lock:
            rows = dict(self._rows)
        counts = {kind: sum(status == kind for status, _ in rows.values()) for kind in _STYLES}
        title = ", ".join(f"{number} {kind}" for kind, number in counts.items() if number)
        table = Table("Water", "State", "", title=title, pad_edge=False)
        order = ("running", "failed", "done", "kept", "waiting")
        listed = sorted(rows.items(), key=lambda item: order.index(item[1][0]))
        for name, (status, detail) in listed[:_MOST]:
            table.add_row(escape(name), f"[{_STYLES[status]}]{status}[/]", escape(detail))
        if len(listed) > _MOST:
            table.add_row(f"and {len(listed) - _MOST} more", "", "")
        return table


def _detail(outcome: Mapping[str, Any], kept: bool) -> str:
    if kept:
        return "finished before, and nothing changed since"
    if outcome["status"] == "failed":
        return str(outcome["error"]).splitlines()[0]
    return f"{outcome['ran']} of {outcome['ran'] + outcome['kept']} chapters run, {outcome['seconds']:.1f} s"


def print_batch(outcomes: Iterable[Mapping[str, Any]], *, stream: TextIO | None = None) -> None:
    """Print the end state of every water to standard output: a table on a terminal, tab-separated lines elsewhere."""
    stream = stream or sys.stdout
    listed = list(outcomes)
    if not stream.isatty():
        for outcome in listed:
            print(
                f"{outcome['name']}\t{outcome['status']}\t{str(outcome['error']).splitlines()[0] if outcome['error'] else ''}",
                file=stream,
            )
        return
    from rich.console import Console
    from rich.markup import escape
    from rich.table import Table

    table = Table("Water", "State", "Chapters run", "Seconds", "What", pad_edge=False)
    for outcome in listed:
        status = outcome["status"]
        counted = (str(outcome["ran"]), f"{outcome['seconds']:.1f}")
        table.add_row(escape(outcome["name"]), f"[{_STYLES[status]}]{status}[/]", *counted, escape(str(outcome["error"])))
    Console(file=stream).print(table)
