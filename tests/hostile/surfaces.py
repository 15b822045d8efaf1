"""All surfaces that hostile input comes in by."""

from __future__ import annotations

import chapters
import documents
import field_files
import narratives
import study_files
from ground import Surface

SURFACES: tuple[Surface, ...] = (
    *field_files.SURFACES,
    *study_files.SURFACES,
    *narratives.SURFACES,
    *documents.SURFACES,
    *chapters.SURFACES,
)


def find_surface(name: str) -> Surface:
    """The surface of that name."""
    return next(surface for surface in SURFACES if surface.name == name)
