"""The work of earlier builds, by content: a chapter runs again only when something that it read has changed.

An entry holds the notebook as run and a record of what the chapter read with a digest of each: settings, tables, files, the
results of other chapters. It serves again when the notebook, the library's code, the versions and every one of those
digests are the same. An entry carries its own checksum; one that is damaged or half written is not trusted.
"""

from __future__ import annotations

import contextlib
import hashlib
import importlib.metadata
import json
import os
import platform
import shutil
import sys
import tempfile
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import nbformat
import pandas as pd
from nbformat import NotebookNode

from fishreport.fielddata.survey import Survey
from fishreport.report.notebook import is_notebook
from fishreport.report.plan import PlannedChapter
from fishreport.report.reads import EVERYTHING, file_digest, folder_digest, study_digest, table_digest
from fishreport.study import Study

FOLDER = ".fishreport-cache"
FORMAT = 1
KEPT = 12  # entries a chapter, so that a reviewer can go back and forth between settings
PACKAGES = (
    "numpy",
    "pandas",
    "scipy",
    "statsmodels",
    "matplotlib",
    "seaborn",
    "pydantic",
    "pandera",
    "ipykernel",
    "ipython",
    "papermill",
)


@lru_cache(maxsize=1)
def versions() -> dict[str, str]:
    """Versions of what a chapter's numbers and drawings rest on."""
    found = {"python": platform.python_version(), "machine": f"{sys.platform} {platform.machine()}"}
    for name in PACKAGES:
        with contextlib.suppress(importlib.metadata.PackageNotFoundError):
            found[name] = importlib.metadata.version(name)
    return found


@lru_cache(maxsize=1)
def code_digest() -> str:
    """Digest of the package's own code and data tables (not of the notebooks, templates and demo that travel with it)."""
    return folder_digest(Path(__file__).resolve().parents[1], ("__pycache__", "_notebooks", "_templates", "_demo_inputs"))


def cache_folder(study: Study) -> Path:
    """Where the cache of a study lies: in its folder, or among the user's caches when that cannot be written."""
    own = study.folder / FOLDER
    try:
        own.mkdir(exist_ok=True)
        with tempfile.TemporaryFile(dir=own):
            return own
    except OSError:
        name = hashlib.sha256(str(study.folder).encode()).hexdigest()[:16]
        if sys.platform == "win32":
            base = Path(os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local")
        elif sys.platform == "darwin":
            base = Path.home() / "Library" / "Caches"
        else:
            base = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")
        return base / "fishreport" / name


def write_whole(path: Path, content: bytes) -> None:
    """Write a file so that a reader sees the old one or the new one, never a part."""
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, partial = tempfile.mkstemp(dir=path.parent, prefix=".partial-")
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(content)
        Path(partial).replace(path)
    except BaseException:
        Path(partial).unlink(missing_ok=True)
        raise


def _seal(content: Mapping[str, Any]) -> bytes:
    # The order of keys is kept: columns of a table and fields of a result are written in it.
    body = json.dumps(content, ensure_ascii=False).encode()
    return hashlib.sha256(body).hexdigest().encode() + b"\n" + body


def _unseal(path: Path) -> dict[str, Any] | None:
    try:
        checksum, _, body = path.read_bytes().partition(b"\n")
        if hashlib.sha256(body).hexdigest().encode() != checksum:
            return None
        content = json.loads(body)
    except (OSError, ValueError, RecursionError):
        return None
    return content if isinstance(content, dict) and content.get("format") == FORMAT and _is_entry(content) else None


def _is_entry(content: Mapping[str, Any]) -> bool:
    """Whether what was kept has the shape of an entry, whoever wrote it."""
    basis, reads = content.get("basis"), content.get("reads")
    return (
        isinstance(basis, dict)
        and isinstance(basis.get("versions"), dict)
        and all(isinstance(version, str) for version in basis["versions"].values())
        and {"notebook", "code"} <= basis.keys()
        and isinstance(reads, dict)
        and all(key.partition(":")[0] in _WORDS and isinstance(digest, str) for key, digest in reads.items())
        and is_notebook(content.get("notebook"))
    )


class Inputs:
    """Everything that a chapter of one build can read, as digests that are worked out when first asked for."""

    def __init__(self, study: Study, survey: Survey | None, *, ignored: tuple[str, ...] = ()) -> None:
        self.study, self.survey, self.ignored = study, survey, ignored
        self.collected: dict[tuple[str, ...], bytes] = {}  # chapters left out → what all others found
        self._known: dict[str, str] = {}

    def digest(self, kind: str, name: str) -> str:
        """Digest of one thing: kind ``setting``, ``table``, ``file``, ``results`` or ``folder``."""
        if kind == "results":
            found = self.collected.get(tuple(name.split("/")) if name else ())
            return "absent" if found is None else hashlib.sha256(found).hexdigest()[:32]
        key = f"{kind}:{name}"
        if key not in self._known:
            self._known[key] = self._work_out(kind, name)
        return self._known[key]

    def _work_out(self, kind: str, name: str) -> str:
        if kind == "setting":
            try:
                return study_digest(self.study, name)
            except (AttributeError, TypeError, ValueError):
                return "absent"
        if kind == "table":
            table = getattr(self.survey, name, None)
            return table_digest(table) if isinstance(table, pd.DataFrame) else "absent"
        if kind == "folder":
            return folder_digest(self.study.folder, self.ignored)
        return file_digest(self.study.folder / name)

    def describe(self, reads: Mapping[str, Any], leaves_out: tuple[str, ...] = ()) -> dict[str, str]:
        """Digests of all that a chapter read, from the record that it left and the chapters whose results it leaves out."""
        wanted = [("setting", name) for name in reads["settings"]]
        if EVERYTHING in reads["settings"]:
            wanted = [("setting", EVERYTHING)]
        wanted += [("table", name) for name in reads["tables"]] + [("file", name) for name in reads["files"]]
        wanted += [("results", "/".join(leaves_out))] if reads["results"] else []
        wanted += [("folder", "")] if reads["folder"] else []
        return {f"{kind}:{name}": self.digest(kind, name) for kind, name in wanted}


@dataclass(frozen=True)
class Looked:
    """What the cache has for a chapter: the notebook as run and the files that it read, or why it must run."""

    notebook: NotebookNode | None
    reason: str
    files: tuple[str, ...] = ()


_WORDS: dict[str, Callable[[str], str]] = {
    "setting": lambda name: "the study file changed" if name == EVERYTHING else f"{name} changed",
    "table": lambda name: f"rows of the table {name} changed",
    "file": lambda name: f"the file {name} changed",
    "results": lambda name: "results of other chapters changed",
    "folder": lambda name: "files in the study folder changed",
}


class Cache:
    """Entries of one study."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def _entries(self, chapter: PlannedChapter) -> list[Path]:
        try:
            found = [path for path in (self.folder / "chapters" / chapter.name).iterdir() if path.suffix == ".entry"]
            return sorted(found, key=lambda path: (-path.stat().st_mtime_ns, path.name))
        except OSError:
            return []

    def is_older_than(self, folder: Path) -> bool:
        """Whether a file in this folder has changed since anything kept here was made or used, or nothing is kept."""
        try:
            used = max((path.stat().st_mtime_ns for path in (self.folder / "chapters").glob("*/*.entry")), default=0)
            return any(path.stat().st_mtime_ns > used for path in folder.iterdir() if path.is_file())
        except OSError:
            return True

    def _basis(self, chapter: PlannedChapter) -> dict[str, Any]:
        return {"notebook": file_digest(chapter.notebook), "code": code_digest(), "versions": versions()}

    def look(self, chapter: PlannedChapter, inputs: Inputs) -> Looked:
        """The chapter as it ran before on the same inputs, or the reason why it must run."""
        if not chapter.cached:
            return Looked(None, "it asks to run every time")
        basis = self._basis(chapter)
        reason, damaged = "", False
        for path in self._entries(chapter):
            entry = _unseal(path)
            if entry is None:
                damaged = True
                with contextlib.suppress(OSError):
                    shutil.rmtree(path) if path.is_dir() else path.unlink(missing_ok=True)
                continue
            why = self._difference(entry, basis, inputs)
            if not why:
                with contextlib.suppress(OSError):
                    os.utime(path)
                files = tuple(key.removeprefix("file:") for key in entry["reads"] if key.startswith("file:"))
                return Looked(nbformat.from_dict(entry["notebook"]), "nothing that it read has changed", files)
            reason = reason or why
        return Looked(None, reason or ("its kept work was damaged" if damaged else "it has not run before"))

    def newest(self, chapter: PlannedChapter) -> NotebookNode:
        """The chapter as it ran last, on whatever inputs; without cells when nothing is kept of it."""
        entries = (_unseal(path) for path in self._entries(chapter))
        entry = next((found for found in entries if found is not None), None)
        return nbformat.from_dict(entry["notebook"]) if entry else nbformat.v4.new_notebook()

    def _difference(self, entry: Mapping[str, Any], basis: Mapping[str, Any], inputs: Inputs) -> str:
        old = entry["basis"]
        if old["notebook"] != basis["notebook"]:
            return "its notebook changed"
        if old["code"] != basis["code"]:
            return "fishreport's code changed"
        if old["versions"] != basis["versions"]:
            names = sorted(set(old["versions"].items()) ^ set(basis["versions"].items()))
            return f"another version of {', '.join(dict.fromkeys(name for name, _ in names))}"
        changed = []
        for key, digest in entry["reads"].items():
            kind, _, name = key.partition(":")
            if inputs.digest(kind, name) != digest:
                changed.append(_WORDS[kind](name))
        return ", ".join(changed)

    def keep(self, chapter: PlannedChapter, inputs: Inputs, reads: Mapping[str, Any] | None, notebook: NotebookNode) -> None:
        """Keep a chapter that has run; without a record of what it read it cannot be kept."""
        if reads is None or not chapter.cached:
            return
        described = inputs.describe(reads, chapter.leaves_out)
        entry = {"format": FORMAT, "basis": self._basis(chapter), "reads": described, "notebook": notebook}
        name = hashlib.sha256(json.dumps([entry["basis"], described], sort_keys=True).encode()).hexdigest()[:24]
        folder = self.folder / "chapters" / chapter.name
        with contextlib.suppress(OSError):  # a full disk or a folder taken away costs time later, not this report
            write_whole(folder / f"{name}.entry", _seal(entry))
            for path in self._entries(chapter)[KEPT:]:
                path.unlink(missing_ok=True)
            for path in folder.glob(".partial-*"):  # left by a build that was killed
                if time.time() - path.stat().st_mtime > 3600:
                    path.unlink(missing_ok=True)

    def keep_failed(self, chapter: PlannedChapter, notebook: bytes) -> Path | None:
        """Keep a chapter that failed, for its author to look at; returns where."""
        path = self.folder / "failed" / f"{chapter.file_name}.ipynb"
        try:
            write_whole(path, notebook)
        except OSError:
            return None
        return path
