"""The benchmark of the estimators runs, on a tiny catch, and its answers are those of R."""

from __future__ import annotations

import pytest
import speed


@pytest.mark.slow
def test_speed_prints_a_row_a_task(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    # in this process: a process each, for the peak memory, takes most of the time
    monkeypatch.setattr(speed, "time_ours", speed._ours)
    monkeypatch.setattr(speed, "RESAMPLES", 100)
    assert speed.main(["--sizes", "1200,2400", "--no-r"]) == 0
    printed = capsys.readouterr().out
    rows = [line for line in printed.splitlines() if any(line.startswith(task) for task in speed.TASKS)]
    assert len(rows) == 2 * len(speed.TASKS) - 1  # the bootstrap of growth has one size
    assert "R s" in printed and "growth" in printed


@pytest.mark.slow
@pytest.mark.r
def test_answers_are_those_of_r() -> None:
    data = speed.simulate(1500)
    found = speed.time_in_r(data)
    compared = {name for name, (_, _, more) in speed.TASKS.items() if more is not None}
    assert set(found) == compared
    for name in compared - {"growth bootstrap"}:
        ours = speed.TASKS[name][0](data)
        answer = found[name][1] * (100 if name == "bootstrap of the index" and ours > 1 else 1)
        assert ours == pytest.approx(answer, rel=2e-4), name


def test_growth_with_size_is_the_slope_of_the_logarithms() -> None:
    import pandas as pd

    rows = pd.DataFrame({"task": ["a", "a", "b"], "fish": [10, 1000, 10], "seconds": [0.1, 1.0, 2.0]})
    assert speed.exponents(rows) == pytest.approx({"a": 0.5})
