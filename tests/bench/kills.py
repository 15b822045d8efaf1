"""Kill builds at random moments: ``python tests/bench/kills.py 200``.

After each kill the folder of the report must hold one whole report of those that were ever finished, byte for byte, and the
next build must come out right. POSIX only.
"""

from __future__ import annotations

import hashlib
import random
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "report"))

from tiny import NOTEBOOKS, write_study

LEVELS = (0.8, 0.9)
CODE = """
import sys
from pathlib import Path
from fishreport.report.build import build_report
settings = {"parameters.level": float(sys.argv[3])}
build_report(sys.argv[1], notebooks=Path(sys.argv[2]), settings=settings, fresh=sys.argv[4] == "fresh")
"""


def start(study: Path, level: float, how: str) -> subprocess.Popen[bytes]:
    """A build in a process of its own."""
    return subprocess.Popen([sys.executable, "-W", "ignore", "-c", CODE, str(study), str(NOTEBOOKS), str(level), how])


def digest(folder: Path) -> str:
    """SHA-256 over all files but the one that records time."""
    state = hashlib.sha256()
    for path in sorted(folder.rglob("*")):
        if path.is_file() and path.name != "ro-crate-metadata.json":
            state.update(path.relative_to(folder).as_posix().encode() + b"\0" + path.read_bytes())
    return state.hexdigest()


def main(count: int) -> None:
    """Kill `count` builds; raises AssertionError at the first report that is not whole."""
    chance = random.Random(3)
    with tempfile.TemporaryDirectory() as temporary:
        study = write_study(Path(temporary) / "study")
        whole: dict[float, str] = {}
        began = time.monotonic()
        for level in LEVELS:
            assert start(study, level, "fresh").wait() == 0
            whole[level] = digest(study / "report")
        usual = (time.monotonic() - began) / len(LEVELS)
        changed = 0
        last = whole[LEVELS[-1]]
        for number in range(1, count + 1):
            build = start(study, chance.choice(LEVELS), chance.choice(("fresh", "kept")))
            time.sleep(chance.uniform(0, usual))
            build.send_signal(signal.SIGKILL)
            build.wait()
            now = digest(study / "report")
            assert now in whole.values(), f"after kill {number} the report is not whole"
            changed += now != last
            last = now
        assert start(study, LEVELS[0], "kept").wait() == 0
        assert digest(study / "report") == whole[LEVELS[0]]
        left = sorted(path.name for path in study.iterdir() if path.name.startswith(".report"))
        assert left == [], left
    print(f"{count} builds killed within {usual:.1f} s of their start; {changed} had put a new report in place; each found whole")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
