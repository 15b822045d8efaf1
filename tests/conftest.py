"""Shared by all tests: one seeded generator, and the tools outside Python that some tests need."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import settings

from fishreport.exhibits.context import Context, report_context
from fishreport.fielddata import Survey, load_survey
from fishreport.report.kernels import ForkServer, forking_works
from fishreport.study import Study, read_study

settings.register_profile("suite", deadline=None)  # a busy machine is no fault of the code
settings.load_profile("suite")
REPOSITORY = Path(__file__).resolve().parents[1]
OUTSIDE_TOOLS = {"r": ("Rscript",), "pdf": ("pdftoppm",), "browser": ("chromium", "chromium-browser", "google-chrome")}


@pytest.fixture
def rng() -> np.random.Generator:
    """A generator with a fixed seed; tests never touch numpy's global state."""
    return np.random.default_rng(20250914)


@pytest.fixture(scope="session")
def repository() -> Path:
    """The root of the checkout."""
    return REPOSITORY


@pytest.fixture(scope="session")
def demo_study() -> Study:
    """The demonstration study."""
    return read_study(REPOSITORY / "demo_inputs")


@pytest.fixture(scope="session")
def demo_survey(demo_study: Study) -> Survey:
    """Its checked tables; no test changes them."""
    return load_survey(demo_study)


@pytest.fixture(scope="session")
def demo_context(demo_study: Study) -> Context:
    """Units, species and writer of its report."""
    return report_context(demo_study)


@pytest.fixture(scope="session")
def server() -> Iterator[ForkServer | None]:
    """One preloaded process for all builds of these tests, where kernels can be forked."""
    if not forking_works():
        yield None
        return
    with ForkServer() as started:
        yield started


# Without these, Chromium looks for its vendor's hosts at every start.
SWITCHES = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


@pytest.fixture(scope="session")
def chromium() -> Iterator[Any]:
    """The system's Chromium, headless; one for all tests of a process, since two drivers in one thread do not go together."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=find_tool("browser"), args=SWITCHES)
        yield browser
        browser.close()


def find_tool(mark: str) -> str | None:
    """Path of the outside program that tests marked `mark` need, or None."""
    return next((path for name in OUTSIDE_TOOLS[mark] if (path := shutil.which(name))), None)


def pytest_runtest_setup(item: pytest.Item) -> None:
    """Without its outside program a test is skipped on a desk, and fails where CI is set: there it must run."""
    for mark in OUTSIDE_TOOLS:
        if item.get_closest_marker(mark) and find_tool(mark) is None:
            reason = f"needs one of {', '.join(OUTSIDE_TOOLS[mark])} on the PATH"
            if os.environ.get("CI"):
                pytest.fail(reason)
            pytest.skip(reason)
