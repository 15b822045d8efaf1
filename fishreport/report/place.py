"""Put a finished report in place in one step, so that a reader finds the last whole one at every moment."""

from __future__ import annotations

import contextlib
import ctypes
import errno
import glob
import json
import os
import secrets
import shutil
import sys
from pathlib import Path
from types import TracebackType
from typing import IO, Any

from fishreport.exceptions import ReportError, UsageError

MARKER = ".fishreport-build"
_OF_SYSTEMS = {".DS_Store", "Thumbs.db", "desktop.ini", ".ipynb_checkpoints", ".directory"}
_EXCHANGE_LINUX = 2  # RENAME_EXCHANGE of renameat2(2)
_SWAP_MACOS = 2  # RENAME_SWAP of renamex_np(2)
_HERE_LINUX = -100  # AT_FDCWD


def is_ours(folder: Path, marker: str = MARKER) -> bool:
    """True when a folder holds a report that we made (or what else the marker stands for), or nothing."""
    return (folder / marker).is_file() or not any(folder.iterdir())


def _files(folder: Path) -> set[str]:
    return {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_symlink() or not path.is_dir()}


def files_of_others(folder: Path, marker: str = MARKER) -> list[str]:
    """Files that somebody has laid into a folder of ours since it was put in place; what systems lay there does not count."""
    try:
        written = json.loads((folder / marker).read_text(encoding="utf-8"))["files"]
        known = {marker, *map(str, written)}
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return []  # of an earlier version, or nothing there
    return sorted(name for name in _files(folder) - known if not _OF_SYSTEMS & set(name.split("/")))


def check_target(target: Path, study_folder: Path, *, noun: str = "report", option: str = "--out", marker: str = MARKER) -> Path:
    """The absolute path of a report's folder; refuses one that we have not made, or that holds the study.

    `noun`, `option` and `marker` say what goes there, by which option it is named, and which file tells it as ours.

    Raises
    ------
    UsageError
    """
    target = Path(os.path.abspath(target))  # noqa: PTH100 - a link is kept: what it leads to may be on another disk
    if target.exists() and not target.is_dir():
        raise UsageError(f"the {noun} goes into a folder, and {target} is a file; name another with {option}")
    if target.is_symlink():
        raise UsageError(f"the {noun} goes into a folder of its own, and {target} is a link; name another with {option}")
    if study_folder == target or study_folder.is_relative_to(target):
        raise UsageError(f"the {noun} cannot replace {target}, which holds the study; name another folder with {option}")
    if target.is_dir() and not is_ours(target, marker):
        raise UsageError(f"{target} is not empty and holds no {noun} made by fishreport; name another folder with {option}")
    _refuse_others(target, noun, option, marker)
    return target


def _refuse_others(target: Path, noun: str, option: str, marker: str) -> None:
    others = files_of_others(target, marker) if target.is_dir() else []
    if others:
        named = ", ".join(others[:3]) + (f" and {len(others) - 3} more" if len(others) > 3 else "")
        raise UsageError(
            f"{target} holds files that fishreport did not write ({named}) and that a new {noun} would take away; move them "
            f"elsewhere, or name another folder with {option}"
        )


def _exchange(first: Path, second: Path) -> bool:
    """Let two paths change names in one step; False where the system cannot."""
    library = ctypes.CDLL(None, use_errno=True) if os.name == "posix" else None
    try:
        if library is not None and sys.platform == "linux":
            done = library.renameat2(_HERE_LINUX, os.fsencode(first), _HERE_LINUX, os.fsencode(second), _EXCHANGE_LINUX)
        elif library is not None and sys.platform == "darwin":
            done = library.renamex_np(os.fsencode(first), os.fsencode(second), _SWAP_MACOS)
        else:
            return False
    except AttributeError:  # an older C library
        return False
    if done == 0:
        return True
    if ctypes.get_errno() in (errno.ENOSYS, errno.EINVAL, errno.ENOTSUP, errno.EPERM):
        return False
    raise OSError(ctypes.get_errno(), os.strerror(ctypes.get_errno()), str(second))


def _lock(file: IO[Any]) -> bool:
    try:
        if os.name == "posix":
            import fcntl

            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        else:
            import msvcrt

            msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined,unused-ignore]
    except OSError:
        return False
    return True


class Placing:
    """A build under way beside its target. Use it as a context manager; `finish` swaps it in.

    A lock that goes with the process keeps two builds of one target apart. What a killed build left lying is removed by the
    next one, and a report caught between two renames (where the system cannot swap) is put back first.
    """

    def __init__(self, target: Path, *, study: str, marker: str = MARKER) -> None:
        self.target, self.study, self._marker = target, study, marker
        self._lock_file = target.parent / f".{target.name}.lock"
        self._previous = target.parent / f".{target.name}.previous"
        self._stream: IO[Any] | None = None
        self.folder = target.parent / f".{target.name}.building-{secrets.token_hex(4)}"

    def __enter__(self) -> Placing:
        while not self._held():
            pass
        self.recover()
        for left in self.target.parent.glob(f".{glob.escape(self.target.name)}.building-*"):
            shutil.rmtree(left, ignore_errors=True)
        try:
            self.folder.mkdir()
        except OSError as error:
            self._release()
            raise UsageError(f"{self.folder} cannot be made: {error.strerror}; name another place") from None
        return self

    def _held(self) -> bool:
        """Take the lock; False when its last holder removed the file in between, so that it must be opened anew."""
        try:
            self.target.parent.mkdir(parents=True, exist_ok=True)
            self._stream = self._lock_file.open("a")
        except OSError as error:
            why = f"{error.strerror}; name another with --out"
            raise UsageError(f"the report cannot be written beside {self.target}: {why}") from None
        if not _lock(self._stream):
            self._stream.close()
            raise ReportError(f"another build of {self.target} is running; wait for it, or name another folder with --out")
        with contextlib.suppress(OSError):
            if os.path.samestat(os.fstat(self._stream.fileno()), self._lock_file.stat()):
                return True
        self._stream.close()
        return False

    def recover(self) -> None:
        """Put back, or remove, what a build that was killed between two renames left."""
        if self._previous.is_dir():
            if self.target.exists():
                shutil.rmtree(self._previous, ignore_errors=True)
            else:
                self._previous.rename(self.target)

    def finish(self) -> None:
        """Put the build in place of the last report."""
        if self.target.exists():
            _refuse_others(self.target, "report", "--out", self._marker)
        made = {"made by": "fishreport", "study": self.study, "files": sorted(_files(self.folder))}
        marker = json.dumps(made, ensure_ascii=False, sort_keys=True)
        (self.folder / self._marker).write_text(marker + "\n", encoding="utf-8")
        if not self.target.exists():
            self.folder.rename(self.target)
            return
        if _exchange(self.folder, self.target):
            shutil.rmtree(self.folder, ignore_errors=True)
            return
        self.target.rename(self._previous)
        try:
            self.folder.rename(self.target)
        except OSError as error:
            self._previous.rename(self.target)
            raise ReportError(f"the report could not be put in place at {self.target}: {error.strerror}") from None
        shutil.rmtree(self._previous, ignore_errors=True)

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        if self.folder.exists():
            shutil.rmtree(self.folder, ignore_errors=True)
        self._release()
        if isinstance(error, OSError):
            where = f" ({error.filename})" if error.filename else ""
            raise ReportError(
                f"{self.target} could not be written: {error.strerror or error}{where}; what was there before is untouched"
            ) from error

    def _release(self) -> None:
        if self._stream is not None:
            # The lock file is removed while it is held; who waits for the name gets a new one.
            with contextlib.suppress(OSError):
                self._lock_file.unlink()
            self._stream.close()
