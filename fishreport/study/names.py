"""Names of size classes and species, as the study file and the results write them."""

from __future__ import annotations

import re
import unicodedata

SIZE_CLASSES = ("all", "stock", "quality", "preferred", "memorable", "trophy")
_RANGE = re.compile(r"^\s*(\d+(?:\.\d+)?)?\s*-\s*(\d+(?:\.\d+)?)?\s*mm\s*$")


def species_key(name: str) -> str:
    """``"Brown trout"`` → ``"brown_trout"``; letters of every script are kept."""
    return re.sub(r"[\W_]+", "_", unicodedata.normalize("NFC", name.casefold())).strip("_") or "species"


def parse_size_range(text: str) -> tuple[float, float] | None:
    """Lower (inclusive) and upper (exclusive) bound in mm of ``"330-610 mm"``, ``"-330 mm"``, ``"610- mm"``, or None."""
    found = _RANGE.match(text)
    if not found or found.group(1) is found.group(2) is None:
        return None
    low = float(found.group(1)) if found.group(1) else 0.0
    high = float(found.group(2)) if found.group(2) else float("inf")
    return (low, high) if low < high else None
