"""A report built from the tiny chapters, opened in Chromium."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "report"))
sys.path.insert(0, str(Path(__file__).parent))

from tiny import NOTEBOOKS, SETTINGS, write_study

from fishreport.report.build import Built, build_report
from fishreport.report.kernels import ForkServer


@pytest.fixture(scope="session")
def built(tmp_path_factory: pytest.TempPathFactory, server: ForkServer | None) -> Built:
    """The report of that study, from the tiny chapters."""
    folder = write_study(tmp_path_factory.mktemp("built") / "study")
    return build_report(folder, notebooks=NOTEBOOKS, settings=SETTINGS, server=server)
