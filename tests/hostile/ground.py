"""Where a hostile case runs: a folder of its own, a watch over what is written and started, a clock, and a verdict."""

from __future__ import annotations

import contextlib
import faulthandler
import os
import random
import shutil
import signal
import sys
import tempfile
import traceback
import warnings
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from fishreport.exceptions import FishreportError

SECRET = "kept-outside-the-study-4711"
JARGON = ("Traceback", "NoneType", "KeyError", "AttributeError", "codec can't", "object at 0x", "dtype")
LONGEST_MESSAGE = 4000
GOOD = ("taken", "refused")
BAD = ("traceback", "hang", "escape", "wrong", "unclear")


class Hang(BaseException):
    """The case ran into its time limit; no `except Exception` may swallow this."""


class Escape(AssertionError):
    """Something was written or started where it must not be, or hostile text became more than text."""


class Wrong(AssertionError):
    """A number or a row went astray without a word."""


class Unclear(AssertionError):
    """A message that does not tell a person what to do."""


@dataclass(frozen=True)
class Verdict:
    """How a case ended: one of GOOD or BAD, and what was said."""

    outcome: str
    text: str = ""


@dataclass
class Case:
    """What a case has to work with: its own random numbers and its own folder."""

    chance: random.Random
    folder: Path

    @property
    def study(self) -> Path:
        """Folder for the study of this case."""
        path = self.folder / "study"
        path.mkdir(exist_ok=True)
        return path


@dataclass(frozen=True)
class Surface:
    """Somewhere hostile input can come in: `run` raises when the product fails, else says ``taken`` or ``refused``.

    `share` is how often its turn comes; `seconds` is when a case counts as hung; `spawns` allows processes to be started;
    `fixed` is how many cases the suite runs; `prepare` is called once before the first case.
    """

    name: str
    run: Callable[[Case], str]
    share: float = 1.0
    seconds: float = 20.0
    spawns: bool = False
    fixed: int = 8
    prepare: Callable[[], Any] | None = None


@dataclass
class _Watch:
    """Notes writes outside the case's folder, and processes and connections, while a case runs."""

    root: str = ""
    spawns: bool = False
    seen: list[str] = field(default_factory=list)

    def __call__(self, event: str, arguments: tuple[Any, ...]) -> None:
        if not self.root:
            return
        if event == "open":
            path, mode, flags = arguments
            writes = any(sign in (mode or "") for sign in "wax+") if mode else bool((flags or 0) & (os.O_WRONLY | os.O_RDWR))
            if writes:
                self._look(event, path)
        elif event in ("os.remove", "os.rmdir", "os.mkdir", "os.chmod", "os.truncate"):
            if not (len(arguments) > 1 and isinstance(arguments[-1], int) and arguments[-1] not in (-1, 0o777, 511)):
                self._look(event, arguments[0])
        elif event in ("os.rename", "os.link", "os.symlink"):
            self._look(event, arguments[0] if event == "os.rename" else arguments[1])
            self._look(event, arguments[1])
        elif not self.spawns and event in ("subprocess.Popen", "os.system", "os.exec", "os.posix_spawn", "socket.connect"):
            self.seen.append(f"{event} {arguments[0]!r}")

    def _look(self, event: str, path: Any) -> None:
        if isinstance(path, int):
            return
        try:
            full = os.path.abspath(os.fsdecode(path))  # noqa: PTH100 - links are to be seen, not followed
        except (TypeError, ValueError):
            return
        temporary = tempfile.gettempdir()
        known = tuple(os.path.join(temporary, start) for start in ("fishreport-", "openpyxl."))  # noqa: PTH118
        if (
            f"{full}{os.sep}".startswith((self.root, *known, "/dev/"))
            or full == temporary
            or "__pycache__" in full
            or "matplotlib" in full
        ):
            return
        self.seen.append(f"{event} {full}")


_WATCH = _Watch()
_installed = False


def _install() -> None:
    global _installed
    if not _installed:
        sys.addaudithook(_WATCH)
        _installed = True


@contextlib.contextmanager
def _time_limit(seconds: float) -> Iterator[None]:
    """Raise Hang in this thread after `seconds`; code that never comes back to Python ends the whole run with a stack."""

    def late(number: int, frame: Any) -> None:
        raise Hang(f"not done after {seconds:g} s")

    old = signal.signal(signal.SIGALRM, late)
    signal.setitimer(signal.ITIMER_REAL, seconds)
    faulthandler.dump_traceback_later(seconds * 4 + 30, exit=True, file=sys.__stderr__)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, old)
        faulthandler.cancel_dump_traceback_later()


def check_message(error: FishreportError) -> None:
    """A message is there, is no program's jargon, is not endless, and its exit code is one of ours."""
    text = str(error)
    if not text.strip() or len(text) < 10:
        raise Unclear(f"says nothing: {text!r}")
    if len(text) > LONGEST_MESSAGE:
        raise Unclear(f"{len(text)} characters long: {text[:200]!r}")
    found = [word for word in JARGON if word in text]
    if found:
        raise Unclear(f"jargon {found}: {text[:300]!r}")
    if error.exit_code not in (1, 2, 3):
        raise Unclear(f"exit code {error.exit_code}")


def _outside(folder: Path) -> list[str]:
    return sorted(f"{path.name}:{path.read_text()}" for path in (folder / "outside").rglob("*") if path.is_file())


def case_seed(seed: int, surface: str, number: int) -> str:
    """Seed of one case, whatever runs before it."""
    return f"{seed}/{surface}/{number}"


def run_case(surface: Surface, number: int, seed: int, base: Path) -> Verdict:
    """Run one case of a surface and judge it."""
    _install()
    if surface.prepare is not None:
        surface.prepare()
    folder = Path(tempfile.mkdtemp(prefix="case-", dir=base))
    (folder / "outside").mkdir()
    (folder / "outside" / "secret.txt").write_text(SECRET)
    before, working = _outside(folder), Path.cwd()
    case = Case(random.Random(case_seed(seed, surface.name, number)), folder)
    _WATCH.root, _WATCH.spawns, _WATCH.seen = str(folder) + os.sep, surface.spawns, []
    try:
        with warnings.catch_warnings(), _time_limit(surface.seconds):
            warnings.simplefilter("ignore")
            os.chdir(folder)
            verdict = _judge(surface, case)
        if verdict.outcome in GOOD and _WATCH.seen:
            verdict = Verdict("escape", "; ".join(_WATCH.seen[:3]))
        if verdict.outcome in GOOD and _outside(folder) != before:
            verdict = Verdict("escape", "a file outside the study changed")
    except Hang as error:
        verdict = Verdict("hang", str(error))
    finally:
        _WATCH.root = ""
        os.chdir(working)
        shutil.rmtree(folder, ignore_errors=True)
    return verdict


def _judge(surface: Surface, case: Case) -> Verdict:
    try:
        return Verdict(surface.run(case))
    except FishreportError as error:
        try:
            check_message(error)
        except Unclear as unclear:
            return Verdict("unclear", str(unclear))
        return Verdict("refused", str(error))
    except Escape as error:
        return Verdict("escape", str(error))
    except Wrong as error:
        return Verdict("wrong", str(error))
    except Unclear as error:
        return Verdict("unclear", str(error))
    except Hang:
        raise
    except BaseException as error:
        last = traceback.extract_tb(error.__traceback__)[-8:]
        where = " < ".join(f"{Path(frame.filename).name}:{frame.lineno} {frame.name}" for frame in reversed(last))
        return Verdict("traceback", f"{type(error).__name__}: {str(error)[:300]} [{where}]")
