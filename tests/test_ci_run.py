"""The script of continuous integration finds README's two commands, however long README is.

A pipe whose reader stops at the first match ends its writer by SIGPIPE (POSIX.1-2017, write(), EPIPE), which
`pipefail` makes the status of the whole: whether it happens is a race on a short file and sure on a long one.
"""

import shutil
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
SCRIPT = ROOT / ".ci" / "run"

pytestmark = pytest.mark.skipif(shutil.which("bash") is None, reason="the script is one for bash")


def command_of(folder: Path, label: str) -> subprocess.CompletedProcess[str]:
    """What the script's own function finds in the README of a folder, under the script's own shell options."""
    lines = SCRIPT.read_text(encoding="utf-8").splitlines()
    options = next(line for line in lines if line.startswith("set "))
    function = next(line for line in lines if line.startswith("command_of()"))
    script = f'{options}\n{function}\nfound="$(command_of "$1")"\nprintf "%s" "$found"\n'
    return subprocess.run(
        ["bash", "-c", script, "bash", label], cwd=folder, capture_output=True, text=True, check=False, timeout=60
    )


@pytest.mark.parametrize("label", ["build the demo", "run the tests"])
@pytest.mark.parametrize("lines_after", [0, 200_000])
def test_finds_the_command_below_its_label(tmp_path: Path, label: str, lines_after: int) -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    (tmp_path / "README.md").write_text(readme + "a line of a long README\n" * lines_after, encoding="utf-8")
    found = command_of(tmp_path, label)
    assert found.returncode == 0, found
    below = readme.split(f"<!-- {label} -->\n```\n", 1)[1]
    assert found.stdout == below.splitlines()[0]


def test_a_label_that_is_not_there_finds_nothing(tmp_path: Path) -> None:
    (tmp_path / "README.md").write_text("# A README\n\npython --version\n", encoding="utf-8")
    found = command_of(tmp_path, "build the demo")
    assert (found.returncode, found.stdout) == (0, "")
