"""Where the files that travel with the package lie: notebooks, templates, the demo study."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

_PACKAGE = Path(__file__).resolve().parent


def locate(name: Literal["notebooks", "templates", "demo_inputs"]) -> Path:
    """Absolute path of a folder that travels with the package.

    An installed wheel carries it inside the package, with a leading underscore; a checkout has it beside the package.
    """
    installed = _PACKAGE / f"_{name}"
    if installed.is_dir():
        return installed
    checkout = _PACKAGE.parent / name
    if checkout.is_dir():
        return checkout
    raise FileNotFoundError(f"the folder {name!r} that travels with fishreport is neither in {installed} nor {checkout}")
