"""Run hostile cases and print what came of them: ``python tests/hostile/run.py [--cases 10000] [--seed N]``.

Every case is a sound input made hostile by random numbers of its own. A case passes when the input is taken, or refused by a
message of ours; it fails on a traceback, a hang, an escape (something written or started outside, hostile text that becomes
more than text), a number or row that goes astray without a word, or a message that tells a person nothing. A case that failed
runs again by ``--surface NAME --number N --seed N``.
"""

from __future__ import annotations

import argparse
import datetime
import os
import sys
import tempfile
import time
from collections import Counter
from concurrent.futures import ProcessPoolExecutor, as_completed
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).resolve().parent))

from ground import BAD, GOOD, Surface, Verdict, run_case
from surfaces import SURFACES, find_surface

MEANINGS = """- *taken*: the input was read, and everything written of it was looked at
- *refused*: a message of ours that names the place and what to do
- *traceback*: an exception that is not of ours
- *hang*: no end within the case's time
- *escape*: a file, process or connection where none must be, or hostile text that became more than text
- *wrong*: a number or row that went astray without a word
- *unclear*: a message that tells a person nothing
"""


def shares(cases: int) -> dict[str, int]:
    """How many of the cases fall to each surface; at least one each."""
    whole = sum(surface.share for surface in SURFACES)
    return {surface.name: max(1, round(cases * surface.share / whole)) for surface in SURFACES}


def _chunk(work: tuple[str, int, int, int]) -> list[tuple[str, int, Verdict]]:
    name, start, stop, seed = work
    surface: Surface = find_surface(name)
    with tempfile.TemporaryDirectory(prefix="hostile-") as base:
        return [(name, number, run_case(surface, number, seed, Path(base))) for number in range(start, stop)]


def table(counts: dict[str, Counter[str]]) -> str:
    """The outcomes as text: surface × cases × outcomes."""
    heads = ("surface", "cases", *GOOD, *BAD)
    rows = [(name, str(count.total()), *(str(count[kind]) for kind in (*GOOD, *BAD))) for name, count in counts.items()]
    every: Counter[str] = sum(counts.values(), Counter())
    rows.append(("all", str(every.total()), *(str(every[kind]) for kind in (*GOOD, *BAD))))
    widths = [max(len(row[place]) for row in (heads, *rows)) for place in range(len(heads))]

    def line(row: tuple[str, ...]) -> str:
        return "  ".join(
            cell.ljust(width) if place == 0 else cell.rjust(width)
            for place, (cell, width) in enumerate(zip(row, widths, strict=True))
        )

    return "\n".join(line(row) for row in (heads, *rows))


def main(arguments: list[str] | None = None) -> int:
    """Run the cases; 0 when none failed."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--cases", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=1, help="processes side by side")
    parser.add_argument("--write", type=Path, metavar="FILE", help="write the table there too, with seed and date")
    parser.add_argument("--surface", help="this surface alone")
    parser.add_argument("--number", type=int, help="this case of the surface alone")
    asked = parser.parse_args(arguments)
    if asked.surface and asked.number is not None:
        with tempfile.TemporaryDirectory(prefix="hostile-") as base:
            verdict = run_case(find_surface(asked.surface), asked.number, asked.seed, Path(base))
        print(f"{verdict.outcome}: {verdict.text}")
        return int(verdict.outcome in BAD)
    amounts = {asked.surface: asked.cases} if asked.surface else shares(asked.cases)
    size = 25
    work = [
        (name, start, min(start + size, amount), asked.seed)
        for name, amount in amounts.items()
        for start in range(0, amount, size)
    ]
    counts: dict[str, Counter[str]] = {name: Counter() for name in amounts}
    failed: list[tuple[str, int, Verdict]] = []
    began = time.monotonic()
    told_at, ran = began, 0
    with ProcessPoolExecutor(max_workers=asked.jobs) as pool:
        for future in as_completed([pool.submit(_chunk, item) for item in work]):
            done = future.result()
            ran += len(done)
            if time.monotonic() - told_at > 30:
                told_at = time.monotonic()
                print(f"{ran} of {sum(amounts.values())} cases, {len(failed)} failed, {told_at - began:.0f} s", file=sys.stderr)
            for name, number, verdict in done:
                counts[name][verdict.outcome] += 1
                if verdict.outcome in BAD:
                    failed.append((name, number, verdict))
    print(table(counts))
    if asked.write:
        about = f"`python tests/hostile/run.py --cases {asked.cases} --seed {asked.seed}`, {datetime.date.today().isoformat()}"
        asked.write.write_text(f"# Hostile cases\n\n{about}\n\n```\n{table(counts)}\n```\n\n{MEANINGS}", encoding="utf-8")
    print(f"seed {asked.seed}, {time.monotonic() - began:.0f} s")
    told: Counter[tuple[str, str]] = Counter()
    for name, number, verdict in failed:
        told[name, verdict.outcome] += 1
        if told[name, verdict.outcome] <= 4:
            print(f"\n{verdict.outcome}: --surface {name!r} --number {number} --seed {asked.seed}\n  {verdict.text[:1200]}")
    return int(bool(failed))


if __name__ == "__main__":
    sys.exit(main())
