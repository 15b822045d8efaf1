"""How a build tells what it does: a bar on a terminal, a line a chapter elsewhere; always on stderr."""

from __future__ import annotations

import sys
import threading
from types import TracebackType
from typing import Any, TextIO

from fishreport.terminal import visible


class Progress:
    """Progress of one build; safe to call from several threads. Use it as a context manager."""

    def __init__(self, *, quiet: bool = False, stream: TextIO | None = None) -> None:
        self.stream = stream or sys.stderr
        self.quiet = quiet
        self._bar: Any = None
        self._task: Any = None
        self._lock = threading.Lock()

    def __enter__(self) -> Progress:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self.stop()

    def start(self, total: int) -> None:
        """Begin a bar of `total` steps, where the stream is a terminal."""
        if self.quiet or not self.stream.isatty():
            return
        from rich.console import Console
        from rich.progress import BarColumn, MofNCompleteColumn, TextColumn, TimeElapsedColumn
        from rich.progress import Progress as Bar

        columns = (TextColumn("{task.description:<44}"), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn())
        self._bar = Bar(*columns, console=Console(file=self.stream), transient=True)
        self._task = self._bar.add_task("report", total=total)
        self._bar.start()

    def stop(self) -> None:
        """Take the bar away."""
        with self._lock:
            if self._bar is not None:
                self._bar.stop()
                self._bar = None

    def say(self, text: str) -> None:
        """One line."""
        if self.quiet:
            return
        text = visible(text)
        with self._lock:
            if self._bar is not None:
                self._bar.console.print(text, markup=False, highlight=False)
            else:
                print(text, file=self.stream, flush=True)

    def working(self, text: str) -> None:
        """What is being done now."""
        with self._lock:
            if self._bar is not None:
                self._bar.update(self._task, description=visible(text)[:44])

    def done(self, text: str = "") -> None:
        """One step is done."""
        if text:
            self.say(text)
        with self._lock:
            if self._bar is not None:
                self._bar.advance(self._task)
