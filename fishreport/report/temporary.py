"""Folders for temporary files that name the process they belong to, so that those of killed builds can be removed."""

from __future__ import annotations

import contextlib
import os
import shutil
import tempfile
from pathlib import Path


def private_prefix() -> str:
    """How the name of a temporary folder of this process begins."""
    return f"fishreport-{os.getpid()}-"


def private_folder() -> Path:
    """A new folder for temporary files that names the process it belongs to."""
    return Path(tempfile.mkdtemp(prefix=private_prefix()))


def remove_left_folders() -> None:
    """Remove the temporary folders of builds of this user that were killed."""
    if os.name != "posix":
        return
    for folder in Path(tempfile.gettempdir()).glob("fishreport-*-*"):
        owner = folder.name.split("-")[1]
        with contextlib.suppress(OSError):
            if not owner.isdigit() or folder.stat().st_uid != os.getuid():
                continue
            try:
                os.kill(int(owner), 0)
            except ProcessLookupError:
                shutil.rmtree(folder, ignore_errors=True)
