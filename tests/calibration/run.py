"""Bias, error and coverage of every estimator that gives an interval, on simulated surveys with known truth.

Run it: ``python tests/calibration/run.py [--surveys 1000] [--only NAME] [--write]``. Stop it at any time: surveys are kept in
chunks, and the next run goes on where it stopped. A chunk is made again when its estimator, or the simulation, has changed.
``--write`` puts the whole table into ``TABLE.md`` beside this file.
"""

from __future__ import annotations

import os

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import argparse
import ast
import hashlib
import importlib
import json
import math
import sys
import time
import warnings
import zlib
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass
from datetime import date
from functools import cache
from pathlib import Path

import numpy as np

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE))

from reasons import reason  # noqa: E402
from survey_case import SIZES, Case, Measured, measure  # noqa: E402

import fishreport  # noqa: E402

SEED = 20261125
CHUNK = 50
KEPT = HERE.parents[1] / ".fishreport-cache" / "calibration"
PACKAGE = Path(fishreport.__file__).resolve().parent
FAMILIES = ("catch_cases", "fish_cases", "growth_cases", "stock_cases", "trend_cases")

Rows = dict[str, list[list[float]]]


@dataclass(frozen=True)
class Job:
    """A chunk of surveys of one case at one size; `done` is the share of the case that is through when it is."""

    family: str
    case: str
    size: int
    part: int
    done: float
    seed: int
    path: Path


@dataclass(frozen=True)
class Line:
    """A line of the table."""

    case: Case
    quantity: str
    size: str
    units: int
    measured: Measured


@cache
def _cases(family: str) -> dict[str, Case]:
    return {case.name: case for case in importlib.import_module(family).CASES}


def find_cases(only: str = "") -> list[tuple[str, Case]]:
    """Family and case; `only` is a part of the name or of the chapter, in any letters."""
    wanted = only.lower()
    return [
        (family, case)
        for family in FAMILIES
        for case in _cases(family).values()
        if wanted in case.name.lower() or wanted in case.chapter.lower()
    ]


@cache
def _imports(path: Path) -> frozenset[Path]:
    """Files of the package, or beside this one, that a file imports at its top."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module:
            part = node.module.split(".")
            root = PACKAGE.joinpath(*part[1:]) if part[0] == "fishreport" else HERE.joinpath(*part)
            found.update(each for each in (root.with_suffix(".py"), root / "__init__.py") if each.exists())
    return frozenset(found)


def _code(path: Path) -> bytes:
    """What a file does: its syntax without comments, layout and docstrings."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    for node in ast.walk(tree):
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef) and ast.get_docstring(node) is not None:
            node.body = node.body[1:] or [ast.Pass()]
    return ast.dump(tree).encode()


@cache
def fingerprint(family: str, modules: tuple[str, ...]) -> str:
    """Of the sources behind a case: the simulation, the estimator and whatever they import."""
    own = HERE / f"{family}.py"
    beside = {own, *(path for path in _imports(own) if path.parent == HERE)}
    ahead, seen = [PACKAGE / name for name in modules], set(beside)
    while ahead:
        path = ahead.pop()
        if path not in seen:
            seen.add(path)
            ahead.extend(_imports(path))
    digest = hashlib.sha256()
    for path in sorted(seen - {HERE / "survey_case.py"}):
        digest.update(_code(path))
    return digest.hexdigest()[:12]


def draw_chunk(job: Job) -> Path:
    """Simulate and estimate the surveys of a chunk, and keep them."""
    case = _cases(job.family)[job.case]
    # the surveys of a chunk depend on the seed, the case, the size and the number of the chunk, not on what ran before
    rng = np.random.default_rng([job.seed, zlib.crc32(case.name.encode()), job.size, job.part])
    rows: Rows = {}
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        for _ in range(CHUNK):
            for quantity, (estimate, truth) in case.draw(rng, job.size).items():
                value = estimate.value if estimate.estimable else math.nan
                rows.setdefault(quantity, []).append([value, estimate.lower, estimate.upper, truth])
    job.path.parent.mkdir(parents=True, exist_ok=True)
    beside = job.path.with_suffix(f".{os.getpid()}")
    beside.write_text(json.dumps(rows), encoding="utf-8")
    beside.replace(job.path)
    return job.path


def plan(cases: Sequence[tuple[str, Case]], surveys: int, seed: int, kept: Path) -> dict[tuple[str, int], list[Job]]:
    """The chunks of each case and size."""
    jobs: dict[tuple[str, int], list[Job]] = {}
    for family, case in cases:
        stamp = fingerprint(family, case.modules)
        key = zlib.crc32(case.name.encode())
        for size in case.sizes:
            parts = math.ceil(min(surveys, case.most) / CHUNK)
            jobs[case.name, size] = [
                Job(
                    family,
                    case.name,
                    size,
                    part,
                    (part + 1) / parts,
                    seed,
                    kept / f"{key:08x}-{stamp}-{seed}-{size}-{part:03d}.json",
                )
                for part in range(parts)
            ]
    return jobs


def simulate(jobs: Sequence[Job], workers: int) -> None:
    """Run the chunks that are not there yet, so that all cases get on alike, and say how far it is."""
    todo = sorted((job for job in jobs if not job.path.exists()), key=lambda job: job.done)
    began = time.monotonic()
    with ProcessPoolExecutor(workers) as pool:
        running = [pool.submit(draw_chunk, job) for job in todo]
        try:
            for done, future in enumerate(as_completed(running), start=1):
                future.result()
                if done % 20 == 0 or done == len(todo):
                    spent = time.monotonic() - began
                    print(f"{done} of {len(todo)} chunks of {CHUNK} surveys, {spent:.0f} s", file=sys.stderr, flush=True)
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            raise


def lines(cases: Sequence[tuple[str, Case]], jobs: dict[tuple[str, int], list[Job]]) -> Iterator[Line]:
    """What the kept chunks say; a case without any is left out."""
    for _, case in cases:
        found: dict[str, dict[str, tuple[int, Measured]]] = {}
        for size, units in zip(SIZES, case.sizes, strict=True):
            rows: Rows = {}
            for job in jobs[case.name, units]:
                if job.path.exists():
                    for quantity, more in json.loads(job.path.read_text(encoding="utf-8")).items():
                        rows.setdefault(quantity, []).extend(more)
            for quantity, each in rows.items():
                found.setdefault(quantity, {})[size] = units, measure(each, case.scale.get(quantity))
        for quantity, by_size in found.items():
            for size, (units, measured) in by_size.items():
                yield Line(case, quantity, size, units, measured)


HEAD = ("estimate", "size", "n", "surveys", "bias %", "median %", "RMSE %", "coverage %", "none %", "misses")


def cells(line: Line) -> tuple[str, ...]:
    """A line as text."""
    m = line.measured

    def show(number: float) -> str:
        # so that a small negative number is not printed as -0.0
        return "–" if math.isnan(number) else f"{round(number, 1) + 0.0:.1f}"

    numbers = [show(value) for value in (m.bias, m.median_bias, m.error, m.coverage, m.not_estimable)]
    return line.quantity, line.size, str(line.units), str(m.surveys), *numbers, m.misses(line.size)


def as_text(table: Sequence[Line]) -> str:
    """The table for a terminal."""
    written = [HEAD, *(cells(line) for line in table)]
    widths = [max(len(row[i]) for row in written) for i in range(len(HEAD))]
    said, case = [], ""
    for line, row in zip([None, *table], written, strict=True):
        if line is not None and line.case.name != case:
            case = line.case.name
            said.append(f"\n{line.case.chapter}: {case} ({line.case.unit})")
        left = [cell.ljust(w) if i in (0, 1, 9) else cell.rjust(w) for i, (cell, w) in enumerate(zip(row, widths, strict=True))]
        said.append("  ".join(left).rstrip())
    return "\n".join(said)


OPENING = """# How well the intervals hold

Simulated surveys with known truth, by `{command}`; seed {seed}, {day}.

Every estimator that gives an interval, at a small, a usual and a large sample. *n* counts the units named in the heading;
*surveys* those simulated. *Bias* (mean and median) and *RMSE* are percentages of the truth, or of {scales}.
*Coverage* is how often the 95 % interval held the truth, among the surveys that gave an answer; *none* how many gave none
(not estimable). With 1,000 surveys two Monte Carlo standard errors of a coverage of 95 % are 1.4 points, with 200 they are 3.1.

The goal: coverage 93 to 97 %, and bias under 2 % at the usual size. *Misses* names what falls outside: `short` (too few hold
the truth), `wide` (too many), `bias`; with `?` where the number of surveys leaves room for chance.
"""

NOT_HERE = """## Not in the table

| estimator | why |
|---|---|
| natural mortality (`hoenig`, `pauly`, `then_max_age`, `then_growth`, `jensen`, their ensemble) | predictions from published \
regressions over many stocks; their limits are the spread that the publications give for a new stock, which surveys of one water \
cannot test |
| `relative_weight`, `back_calculate`, `power_multiplier`, `rates` | arithmetic on given numbers, without an interval |
| `compare_length_weight`, `mann_kendall`, `power_to_detect` | tests and powers, not intervals: false alarms and power are in \
`trend_table.py` and in the tests of `length_weight` |
| `yield_per_recruit`, `spawning_potential_ratio`, `reference_points` | exact for given rates |
| `project` | limits are the spread of draws of the life history that is put in; they hold as well as those estimates do |
"""


def as_page(table: Sequence[Line], seed: int, day: date, command: str) -> str:
    """The table as Markdown, with the misses and what is known of them."""
    scales = "100 points for changes in percent, 1 year for t0, and 60 fish/h for a difference of catch rates"
    page = [OPENING.format(command=command, seed=seed, day=day.isoformat(), scales=scales)]
    sure = [line for line in table if any(m and not m.endswith("?") for m in line.measured.misses(line.size).split(", "))]
    page.append(f"## Misses\n\n{len(sure)} of {len(table)} lines miss the goal beyond chance.\n")
    if sure:
        page.append("| estimator | estimate | where | why, and where it is said |\n|---|---|---|---|")
        grouped: dict[tuple[str, str], list[Line]] = {}
        for line in sure:
            grouped.setdefault((line.case.name, line.quantity), []).append(line)
        for (name, quantity), group in grouped.items():
            where = "; ".join(
                f"{line.size}: {line.measured.misses(line.size)} ({line.measured.coverage:.0f} %"
                + (f", bias {line.measured.bias:.1f} %)" if "bias" in line.measured.misses(line.size) else ")")
                for line in group
            )
            page.append(f"| {name} | {quantity} | {where} | {reason(name, quantity)} |")
        page.append("")
    chapter, case = "", ""
    for line in table:
        if line.case.chapter != chapter:
            chapter = line.case.chapter
            page.append(f"## {chapter}\n")
        if line.case.name != case:
            if case and not page[-1].startswith("## "):
                page.append("")
            case = line.case.name
            page.append(f"### {case}\n\nSample size in {line.case.unit}.\n")
            page.append(f"| {' | '.join(HEAD)} |\n|---|---|{'--:|' * 7}---|")
        page.append(f"| {' | '.join(cells(line))} |")
    return "\n".join([*page, "", NOT_HERE]).replace("\n\n\n", "\n\n")


def main(arguments: Sequence[str] | None = None) -> int:
    """Run what is missing, print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--surveys", type=int, default=1000, help="surveys a case and size; dear cases stop earlier")
    parser.add_argument("--only", default="", metavar="NAME", help="cases with this in their name or chapter")
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--kept", type=Path, default=KEPT, help="folder of the chunks")
    parser.add_argument("--no-run", action="store_true", help="only read the chunks that are there")
    parser.add_argument("--write", action="store_true", help="put the table into TABLE.md")
    given = parser.parse_args(arguments)
    cases = find_cases(given.only)
    if not cases or given.surveys < 1:
        parser.error(f"no case has {given.only!r} in its name" if not cases else "--surveys must be 1 or more")
    if given.write and given.only:
        parser.error("--write needs the whole table: leave --only out")
    jobs = plan(cases, given.surveys, given.seed, given.kept)
    if not given.no_run:
        simulate([job for part in jobs.values() for job in part], given.workers)
    table = list(lines(cases, jobs))
    today = date.today()
    print(f"seed {given.seed}, {today.isoformat()}, up to {given.surveys} surveys")
    print(as_text(table))
    if given.write:
        command = f"python tests/calibration/run.py --surveys {given.surveys}"
        (HERE / "TABLE.md").write_text(as_page(table, given.seed, today, command), encoding="utf-8")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
