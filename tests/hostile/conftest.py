"""The parts of the hostile cases lie beside their tests."""

from __future__ import annotations

import sys
from pathlib import Path

for folder in (Path(__file__).parent, Path(__file__).parents[1] / "report"):
    sys.path.insert(0, str(folder))
