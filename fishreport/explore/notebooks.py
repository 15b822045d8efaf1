"""The lessons' notebooks: copied to a working folder, and opened there in JupyterLab."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from fishreport.exceptions import FishreportError, UsageError
from fishreport.explore.catalogue import known
from fishreport.resources import locate

DEFAULT_FOLDER = "explore"


@dataclass(frozen=True)
class Copied:
    """A notebook in the working folder; `kept` when a copy with changes lay there, which is left as it is."""

    path: Path
    kept: bool


def notebook_path(method: str) -> Path:
    """The lesson's notebook as it travels with the package; it is never written to."""
    return locate("notebooks") / "explore" / f"{known(method)}.ipynb"


def with_study(notebook: dict[str, Any], study: str) -> dict[str, Any]:
    """The notebook with a study in its first cell of code, in place of the simulated water."""
    cells = []
    for cell in notebook["cells"]:
        if "parameters" in cell["metadata"].get("tags", []):
            lines = "".join(cell["source"]).splitlines()
            cell = {**cell, "source": "\n".join(f"study = {study!r}" if line.startswith("study =") else line for line in lines)}
        cells.append(cell)
    return {**notebook, "cells": cells}


def copy_notebook(method: str, folder: str | Path = DEFAULT_FOLDER, *, study: str = "") -> Copied:
    """Copy a lesson to a working folder.

    Parameters
    ----------
    method : str
        Such as ``catch-rate``.
    folder : str or Path
        Is made when it does not exist.
    study : str
        Folder of a study to begin with; empty begins with the simulated water.

    Returns
    -------
    Copied
        A copy that differs from what would be written, as one that was run or changed, is never written over.

    Raises
    ------
    UsageError
        For an unknown method, a study that is not there, or a folder that cannot be written.
    """
    source = notebook_path(method)
    text = source.read_text(encoding="utf-8")
    if study:
        path = Path(study).expanduser().resolve()
        if not path.exists():
            raise UsageError(f"there is no study {study!r}")
        text = json.dumps(with_study(json.loads(text), str(path)), indent=1, ensure_ascii=False) + "\n"
    target = Path(folder).expanduser().resolve() / source.name
    if target == source.resolve() or target.is_relative_to(locate("notebooks").resolve()):
        raise UsageError(f"{folder} belongs to the package; name a working folder of your own")
    try:
        if target.exists():
            return Copied(target, kept=target.read_text(encoding="utf-8") != text)
        target.parent.mkdir(parents=True, exist_ok=True)
        with target.open("x", encoding="utf-8", newline="\n") as stream:
            stream.write(text)
    except OSError as error:
        raise UsageError(f"{target} cannot be written ({error.strerror}); name another folder") from None
    return Copied(target, kept=False)


def lab_command(notebook: Path, *, browser: bool) -> list[str]:
    """The call of JupyterLab on a notebook, reachable from this computer only."""
    options = [
        "--ServerApp.ip=127.0.0.1",
        f"--ServerApp.root_dir={notebook.parent}",
        f"--LabApp.default_url=/lab/tree/{notebook.name}",  # so that the printed address leads to the notebook, too
        "--LabApp.check_for_updates_class=jupyterlab.NeverCheckForUpdate",
    ]
    return [sys.executable, "-m", "jupyterlab", *options, *([] if browser else ["--no-browser"])]


def lab_environment(given: Mapping[str, str] | None = None) -> dict[str, str]:
    """The environment for JupyterLab: the kernel is to find this very package, whatever the working folder holds."""
    environment = dict(os.environ if given is None else given)
    environment.setdefault("JUPYTER_PREFER_ENV_PATH", "1")
    return environment


def open_method(method: str, folder: str | Path = DEFAULT_FOLDER, *, browser: bool = True, study: str = "") -> int:
    """Copy a lesson to a working folder and open JupyterLab on it; returns when JupyterLab is ended.

    Parameters
    ----------
    method, folder, study
        As for `copy_notebook`.
    browser : bool
        False opens no browser; JupyterLab then prints the address to open.

    Returns
    -------
    int
        0.

    Raises
    ------
    UsageError
        As `copy_notebook`.
    FishreportError
        If JupyterLab cannot be started.
    """
    copied = copy_notebook(method, folder, study=study)
    if copied.kept:
        print(f"{copied.path} holds changes and is opened as it is; move it away for a fresh copy", file=sys.stderr)
    else:
        print(copied.path, file=sys.stderr)
    print("End JupyterLab with Ctrl-C in this window.", file=sys.stderr)
    process = subprocess.Popen(lab_command(copied.path, browser=browser), env=lab_environment())
    while True:
        try:
            status = process.wait()
            break
        except KeyboardInterrupt:  # the terminal sends it to JupyterLab too, which asks and then ends
            continue
    if status not in (0, -2, 130):
        raise FishreportError(f"JupyterLab ended with status {status}; what it said stands above")
    return 0
