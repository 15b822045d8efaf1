"""A small fixed part of the calibration table, and the command that makes the whole: ``python tests/calibration/run.py``.

With 60 surveys an interval that holds the truth in 95 % does so in fewer than 50 about once in three thousand times.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import run
from survey_case import Case, Measured, measure, same_truth

from fishreport.methods.estimate import Estimate

pytestmark = pytest.mark.calibration

SURVEYS, LEAST = 60, 50
SHORT = {"Schumacher-Eschmeyer", "weighted regression", "Poisson"}
"""Intervals that are known, and said, to fall short."""
DEAR = ("smoothed", "average_growth", "variation between fish", "fit_gompertz", "fit_logistic", "chosen", "seasons correlated")
QUICK = [(family, case) for family, case in run.find_cases() if not any(part in case.name for part in DEAR)]


@pytest.mark.parametrize(("family", "case"), QUICK, ids=[case.name for _, case in QUICK])
def test_intervals_hold_at_the_usual_size(family: str, case: Case) -> None:
    rng = np.random.default_rng(11)
    rows: dict[str, list[list[float]]] = {}
    for _ in range(SURVEYS):
        for quantity, (estimate, truth) in case.draw(rng, case.sizes[1]).items():
            rows.setdefault(quantity, []).append([estimate.value, estimate.lower, estimate.upper, truth])
    for quantity, each in rows.items():
        found = measure(each, case.scale.get(quantity))
        least = LEAST - 8 if quantity in SHORT else LEAST
        assert found.coverage * (1 - found.not_estimable / 100) >= 100 * least / SURVEYS, (quantity, found)


def test_measures_are_those_worked_by_hand() -> None:
    rows = [[10.0, 8.0, 11.0, 10.0], [12.0, 11.0, 13.0, 10.0], [8.0, 7.0, 10.0, 10.0], [float("nan")] * 3 + [10.0]]
    found = measure(rows)
    assert (found.surveys, found.not_estimable) == (4, 25.0)
    assert found.bias == pytest.approx(0.0)
    assert found.error == pytest.approx(100 * np.sqrt(0.08 / 3))
    assert found.coverage == pytest.approx(200 / 3)


@pytest.mark.parametrize(
    ("coverage", "bias", "size", "said"),
    [
        (95.0, 0.5, "usual", ""),
        (90.0, 0.5, "usual", "short"),
        (92.5, 0.5, "usual", "short?"),
        (99.0, 0.5, "small", "wide"),
        (95.0, 6.0, "usual", "bias"),
        (95.0, 6.0, "small", ""),
        (95.0, 2.3, "usual", "bias?"),
    ],
)
def test_misses_are_named(coverage: float, bias: float, size: str, said: str) -> None:
    assert Measured(1000, bias, bias, 20.0, coverage, 0.0).misses(size) == said


def test_a_stopped_run_goes_on_and_ends_in_the_same_table(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    command = ["--only", "petersen", "--surveys", "100", "--kept", str(tmp_path), "--workers", "1"]
    assert run.main(command) == 0
    whole = capsys.readouterr().out
    chunks = sorted(tmp_path.glob("*.json"))
    assert len(chunks) == 2 * 3 * 2  # two cases, three sizes, two chunks
    before = {path: path.stat().st_mtime_ns for path in chunks}
    lost = chunks[::3]
    for path in lost:
        path.unlink()
    assert run.main(command) == 0
    assert capsys.readouterr().out == whole
    kept = {path for path in chunks if path.stat().st_mtime_ns == before[path]}
    assert kept == set(chunks) - set(lost)


def test_a_change_of_the_simulation_or_the_estimator_makes_chunks_stale() -> None:
    stamps = {name: run.fingerprint(family, case.modules) for family, case in run.find_cases() for name in [case.name]}
    assert stamps["petersen"] != stamps["local_level"]
    seen = run._imports(run.PACKAGE / "methods" / "abundance.py")
    assert run.PACKAGE / "methods" / "recapture_limits.py" in seen


def test_the_page_lists_each_miss_with_its_reason(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("reasons.REASONS", (("made", "half", "it is half of what is there"),))

    def draw(rng: np.random.Generator, n: int) -> dict[str, tuple[Estimate, float]]:
        return same_truth({"half": Estimate(1.0, 0.1, 0.9, 1.1, 0.95, "", "", n)}, 2.0)

    case = Case("made up", "Chapter", "fish", (1, 2, 3), draw, ())
    line = run.Line(case, "half", "usual", 2, Measured(1000, -50.0, -50.0, 50.0, 0.0, 0.0))
    page = run.as_page([line], 1, run.date(2026, 11, 25), "command")
    assert "| made up | half | usual: short, bias (0 %, bias -50.0 %) | it is half of what is there |" in page
    assert "1 of 1 lines miss" in page and "2026-11-25" in page
