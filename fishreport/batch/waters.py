"""Which studies a folder holds, and where the report of each goes; clashes are found before anything runs."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from fishreport.exceptions import StudyError, UsageError
from fishreport.report.build import DEFAULT_FOLDER
from fishreport.report.place import MARKER, check_target
from fishreport.terminal import visible

STUDY = "study.toml"
ROLLUP = "rollup"


@dataclass(frozen=True)
class Water:
    """One study of a batch.

    Attributes
    ----------
    name : str
        Path of its folder below the batch's folder, with slashes; ``.`` for the folder itself.
    study : Path
        Its study file.
    target : Path
        Where its report goes.
    """

    name: str
    study: Path
    target: Path


@dataclass(frozen=True)
class Task:
    """What a worker is told: one water and how to build it, in plain values that travel to another process."""

    name: str
    study: str
    target: str
    settings: Mapping[str, Any] = field(default_factory=dict)
    season: int | None = None
    chapters: Sequence[str] = ()
    formats: Sequence[str] = ("html", "pdf")
    jobs: int = 1
    fresh: bool = False
    notebooks: str = ""

    def record(self) -> dict[str, Any]:
        """The task as JSON data."""
        return asdict(self)


def find_studies(folder: Path | str) -> list[Path]:
    """Study files below a folder, in order of their paths; hidden folders and finished reports are passed over.

    Links to folders are followed, each folder once.

    Raises
    ------
    StudyError
        If the folder does not exist or holds no study.
    """
    folder = Path(folder).resolve()
    if not folder.is_dir():
        raise StudyError(f"there is no folder {folder}")
    found: list[Path] = []
    seen: set[str] = set()
    for place, folders, files in os.walk(folder, followlinks=True):
        real = os.path.realpath(place)
        if MARKER in files or real in seen:  # a report keeps a copy of its study
            folders.clear()
            continue
        seen.add(real)
        folders[:] = sorted(name for name in folders if not name.startswith("."))
        if STUDY in files:
            found.append(Path(place) / STUDY)
    if not found:
        raise StudyError(f"there is no study below {folder}: no folder holds a {STUDY}")
    return found


def plan_waters(folder: Path | str, *, out: Path | str | None = None) -> tuple[list[Water], Path]:
    """The waters of a batch and the folder of its roll-up.

    Parameters
    ----------
    folder : Path
        Studies are looked for in it and below it.
    out : Path, optional
        Reports go to ``OUT/<path of the study>`` and the roll-up to ``OUT/rollup``; otherwise to the folder ``report`` of each
        study and to ``FOLDER/rollup``.

    Raises
    ------
    StudyError
        If there is no study.
    UsageError
        If a report would replace a study, another report, or a folder that is not ours.
    """
    folder = Path(folder).resolve()
    waters = []
    for study in find_studies(folder):
        name = study.parent.relative_to(folder).as_posix()
        below = folder.name if name == "." else name
        name = visible(name)
        target = study.parent / DEFAULT_FOLDER if out is None else Path(out).resolve() / below
        waters.append(Water(name, study, target))
    rollup = (folder if out is None else Path(out).resolve()) / ROLLUP
    _refuse_clashes(waters, rollup)
    return waters, rollup


def _refuse_clashes(waters: Sequence[Water], rollup: Path) -> None:
    studies = {water.study.parent: water.name for water in waters}
    targets: dict[Path, str] = {}
    for name, target in [*((water.name, water.target) for water in waters), ("the roll-up", rollup)]:
        for folder, owner in studies.items():
            if folder == target or folder.is_relative_to(target):
                raise UsageError(f"the report of {name} would replace the study {owner}; name another folder with --out")
        # The file systems of Windows and macOS take two spellings for one folder.
        key = Path(str(target).casefold())
        for other, owner in targets.items():
            if key == other or key.is_relative_to(other) or other.is_relative_to(key):
                raise UsageError(
                    f"the reports of {owner} and {name} would go to {target} and lie in each other; rename one, or change --out"
                )
        targets[key] = name
        check_target(target, next(iter(studies)))
