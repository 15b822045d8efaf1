"""Builds killed at random moments: a fixed small part of ``python tests/bench/kills.py 200``."""

from __future__ import annotations

import os

import pytest
from kills import main


@pytest.mark.build
@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix", reason="kills by signal")
def test_a_killed_build_leaves_the_last_report_whole(capsys: pytest.CaptureFixture[str]) -> None:
    main(6)
    assert capsys.readouterr().out.startswith("6 builds killed")
