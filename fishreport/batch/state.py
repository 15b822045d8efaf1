"""What a batch has finished, kept in a file, so that one that was stopped goes on where it was."""

from __future__ import annotations

import hashlib
import json
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from fishreport.batch.waters import Task
from fishreport.report.cache import code_digest, versions, write_whole
from fishreport.report.manifest import CRATE, output_files, sha256
from fishreport.report.place import MARKER
from fishreport.report.reads import file_digest, folder_digest

FILE = ".fishreport-batch.json"
FORMAT = 1
CHECKS = "checks.csv"  # what `fishreport check` lists


def task_key(task: Task) -> str:
    """Digest of all that a water's report depends on: its study's files, what is asked, the library and its versions."""
    study = Path(task.study)
    asked = {name: value for name, value in task.record().items() if name not in ("name", "study", "target", "jobs", "fresh")}
    notebooks = folder_digest(Path(task.notebooks)) if task.notebooks else ""
    files = folder_digest(study.parent, (CHECKS,)), _named(study)
    basis = [files, asked, notebooks, code_digest(), versions()]
    return hashlib.sha256(json.dumps(basis, sort_keys=True, default=str).encode()).hexdigest()[:32]


def _named(study: Path) -> list[str]:
    """Digests of the files and folders that a study file names, which may be hidden or links."""
    try:
        sections = tomllib.loads(study.read_text(encoding="utf-8-sig"))
        values = [value for name in ("data", "report") for value in sections.get(name, {}).values()]
        places = [study.parent / value for value in values if isinstance(value, str) and value]
        return [folder_digest(place.resolve()) if place.is_dir() else file_digest(place) for place in places]
    except (OSError, ValueError, AttributeError, RuntimeError):
        return []  # a study that cannot be read: its build tells


def _report_digest(target: Path) -> str:
    """Digest of a report with every file of it; empty where there is none."""
    if not (target / MARKER).is_file() or not (target / CRATE).is_file():
        return ""
    try:
        found = [(path.relative_to(target).as_posix(), sha256(path)) for path in (target / CRATE, *output_files(target))]
    except OSError:
        return ""
    return hashlib.sha256(json.dumps(found).encode()).hexdigest()


class State:
    """The state file of one batch; written whole after each water."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / FILE
        self._waters: dict[str, dict[str, Any]] = {}
        try:
            content = json.loads(self.path.read_text(encoding="utf-8"))
            if content["format"] == FORMAT:
                self._waters = {str(name): dict(item) for name, item in content["waters"].items()}
        except (OSError, ValueError, KeyError, TypeError, AttributeError):
            pass  # none yet, or damaged: every water is looked at anew, and the chapters' own cache saves the work

    def finished(self, task: Task, key: str) -> bool:
        """Whether the water's report is there and nothing that it depends on has changed since."""
        known = self._waters.get(task.name, {})
        if known.get("status") != "done" or known.get("key") != key:
            return False
        return known.get("report") == _report_digest(Path(task.target)) != ""

    def keep(self, task: Task, key: str, outcome: Mapping[str, Any]) -> None:
        """Note what became of a water."""
        self._waters[task.name] = {
            **outcome,
            "key": key,
            "target": task.target,
            "report": _report_digest(Path(task.target)) if outcome["status"] == "done" else "",
        }
        content = {"format": FORMAT, "waters": dict(sorted(self._waters.items()))}
        write_whole(self.path, (json.dumps(content, indent=1) + "\n").encode())

    def outcome(self, name: str) -> dict[str, Any]:
        """What became of a water the last time."""
        return dict(self._waters.get(name, {}))
