"""All surfaces that hostile input comes in by."""

from __future__ import annotations

import chapters
import command_lines
import documents
import field_files
import finished_builds
import narratives
import study_files
import whole_builds
from ground import Surface

_PARTS = (field_files, study_files, narratives, documents, chapters, finished_builds, command_lines, whole_builds)
SURFACES: tuple[Surface, ...] = tuple(surface for part in _PARTS for surface in part.SURFACES)


def find_surface(name: str) -> Surface:
    """The surface of that name."""
    found = [surface for surface in SURFACES if surface.name == name]
    if not found:
        raise SystemExit(f"there is no surface {name!r}; there are {', '.join(surface.name for surface in SURFACES)}")
    return found[0]
