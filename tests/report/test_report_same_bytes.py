"""The package's own chapters on a simulated water: the same bytes for another user, folder, time zone and order of hashing."""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from fishreport.report.manifest import CRATE
from fishreport.simulate import simulate_survey, write_study
from fishreport.simulate.presets import light_spec

CHAPTERS = ["abundance", "size-structure", "condition"]
CODE = f"""
import sys
from fishreport.report.build import build_report
build_report(sys.argv[1], out=sys.argv[2], settings={{"report.chapters": {CHAPTERS!r}}})
"""


def build(place: Path, **environment: str) -> dict[str, str]:
    """Build in a process of its own; digest of every file but the one that records time."""
    spec = replace(light_spec(seasons=2, sites=4, fish=120), water="Simulated water")
    write_study(place / "study", simulate_survey(spec, rng=np.random.default_rng(4)))
    report = place / "report"
    subprocess.run(
        [sys.executable, "-W", "ignore", "-c", CODE, str(place / "study"), str(report)],
        check=True, env={**os.environ, **environment}, cwd=place,
    )  # fmt: skip
    files = sorted(path for path in report.rglob("*") if path.is_file() and path.name != CRATE)
    return {path.relative_to(report).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest() for path in files}


@pytest.mark.build
@pytest.mark.slow
def test_two_users_get_one_report(tmp_path: Path) -> None:
    homes = [tmp_path / "ann", tmp_path / "a much longer name" / "ben"]
    for home in homes:
        (home / "work").mkdir(parents=True)
    first = build(homes[0] / "work", HOME=str(homes[0]), USER="ann", TZ="America/Denver", PYTHONHASHSEED="1", LANG="C.UTF-8")
    second = build(
        homes[1] / "work", HOME=str(homes[1]), USER="ben", TZ="Asia/Kathmandu", PYTHONHASHSEED="4242", LANG="C", LC_ALL="C",
        OMP_NUM_THREADS="2", COLUMNS="200",
    )  # fmt: skip
    assert first == second
    assert {"report.html", "report.pdf", "results.json", "chapters/02-size-structure.ipynb", "inputs/fish.csv"} <= set(first)

    # Times, and nothing else, stand in the one file that records them; the code may be edited while this runs on a desk.
    crates = [json.loads((home / "work" / "report" / CRATE).read_text(encoding="utf-8")) for home in homes]
    for crate in crates:
        for item in crate["@graph"]:
            for name in ("startTime", "endTime", "datePublished", "seconds", "codeDigest", "commit"):
                item.pop(name, None)
    assert crates[0] == crates[1]
