"""A report built from the tiny chapters, opened in Chromium."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "report"))
sys.path.insert(0, str(Path(__file__).parent))

from tiny import NOTEBOOKS, SETTINGS, write_study

from fishreport.report.build import Built, build_report
from fishreport.report.kernels import ForkServer, forking_works


@pytest.fixture(scope="session")
def server() -> Iterator[ForkServer | None]:
    """One preloaded process for all builds of these tests, where kernels can be forked."""
    if not forking_works():
        yield None
        return
    with ForkServer() as started:
        yield started


@pytest.fixture(scope="session")
def built(tmp_path_factory: pytest.TempPathFactory, server: ForkServer | None) -> Built:
    """The report of that study, from the tiny chapters."""
    folder = write_study(tmp_path_factory.mktemp("built") / "study")
    return build_report(folder, notebooks=NOTEBOOKS, settings=SETTINGS, server=server)
