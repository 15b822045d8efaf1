"""A fixed part of the hostile cases; ``python tests/hostile/run.py`` runs ten thousand of them."""

from __future__ import annotations

import os
from collections import Counter
from pathlib import Path

import pytest
from ground import GOOD, Case, Escape, Surface, Unclear, Verdict, Wrong, run_case
from page_reader import check_csv, check_drawing, check_page, check_typst_code
from surfaces import SURFACES

SEED = 1
pytestmark = pytest.mark.skipif(os.name != "posix", reason="the clock of a case is a POSIX signal")


@pytest.mark.slow
@pytest.mark.parametrize("surface", SURFACES, ids=lambda surface: surface.name.replace(" ", "-"))
def test_no_case_ends_badly(surface: Surface, tmp_path: Path) -> None:
    """Taken, or refused by a message of ours; never a traceback, a hang, an escape or a number gone astray."""
    verdicts = {number: run_case(surface, number, SEED, tmp_path) for number in range(surface.fixed)}
    failed = {number: verdict for number, verdict in verdicts.items() if verdict.outcome not in GOOD}
    assert not failed, "\n".join(f"--surface {surface.name!r} --number {n} --seed {SEED}: {v}" for n, v in failed.items())


# The judges themselves: what they must not let through. --------------------------------------------------------------


def _verdict(run: object, folder: Path) -> Verdict:
    return run_case(Surface("judge", run, seconds=0.5), 0, SEED, folder)  # type: ignore[arg-type]


def _write_outside(case: Case) -> str:
    (case.folder.parent / "escaped.txt").write_text("x")
    return "taken"


def _spawn(case: Case) -> str:
    import subprocess

    subprocess.run(["true"], check=True)
    return "taken"


def _spin(case: Case) -> str:
    while True:
        try:
            sum(range(1000))
        except Exception:
            continue


def _mumble(case: Case) -> str:
    from fishreport.exceptions import ReportError

    raise ReportError("KeyError: 'x' while reading")


@pytest.mark.parametrize(
    ("run", "outcome"),
    [(_write_outside, "escape"), (_spawn, "escape"), (_spin, "hang"), (_mumble, "unclear"), (lambda case: 1 / 0, "traceback")],
)
def test_a_bad_end_is_seen(run: object, outcome: str, tmp_path: Path) -> None:
    assert _verdict(run, tmp_path).outcome == outcome
    assert Counter(path.name for path in tmp_path.iterdir()).keys() <= {"escaped.txt"}


PAGE = "<!DOCTYPE html><html><head><title>t</title></head><body><main>{}</main></body></html>"


@pytest.mark.parametrize(
    "inside",
    [
        "<script>x</script>",
        '<p onclick="x">a</p>',
        '<a href="javascript:x">a</a>',
        '<img src="https://example.org/x.png">',
        "<iframe></iframe>",
        "<p>a",
        "<p>\x07</p>",
        "<zqhostilezq>",
        '<p style="background: url(https://example.org)">a</p>',
    ],
)
def test_a_page_that_holds_more_than_text_is_seen(inside: str) -> None:
    assert check_page(PAGE.format("<p>a &lt;script&gt;</p>")) == "ta <script>"
    with pytest.raises(Escape):
        check_page(PAGE.format(inside))


def test_drawings_tables_and_literals_are_looked_at() -> None:
    for svg in ("<svg><script/></svg>", "<svg><g></svg>", '<svg onload="x"/>'):
        with pytest.raises(Escape):
            check_drawing(svg)
    with pytest.raises(Escape):
        check_csv(b"a,b\n=1+1,2\n")
    with pytest.raises(Escape):
        check_typst_code('text("a") #zqhostilezq')
    check_typst_code('text("zqhostilezq \\" #")')
    assert issubclass(Wrong, AssertionError) and issubclass(Unclear, AssertionError)
