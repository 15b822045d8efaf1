"""Working copies of the lessons: made once, never written over, never inside the package; the notebooks as they are committed."""

from __future__ import annotations

import ast
import json
import re
import subprocess
import sys
from pathlib import Path

import pytest

from fishreport import cli
from fishreport.exceptions import FishreportError, UsageError
from fishreport.explore import lesson, notebooks, open_method
from fishreport.explore.catalogue import LINES
from fishreport.explore.notebooks import copy_notebook, notebook_path


def cells(name: str, kind: str) -> list[str]:
    notebook = json.loads(notebook_path(name).read_text(encoding="utf-8"))
    return ["".join(cell["source"]) for cell in notebook["cells"] if cell["cell_type"] == kind]


@pytest.mark.parametrize("name", LINES)
def test_committed_notebooks_are_short_and_hold_no_outputs(name: str) -> None:
    notebook = json.loads(notebook_path(name).read_text(encoding="utf-8"))
    for cell in notebook["cells"]:
        if cell["cell_type"] == "code":
            assert cell["outputs"] == []
            assert cell["execution_count"] is None
            assert len(cell["source"]) < 15
            ast.parse("".join(cell["source"]))
    assert set(notebook["metadata"]) == {"kernelspec", "language_info"}


@pytest.mark.parametrize("name", LINES)
def test_the_text_teaches_without_being_run(name: str) -> None:
    text = "\n".join(cells(name, "markdown"))
    assert text.startswith(f"# {lesson(name).title}")
    for part in ("## The formula", "$$", "**It assumes**", "## Try it", "## How often", "## In your own code", "## Exercise"):
        assert part in text
    assert re.search(r"\([^)]*\d{4}[^)]*\)", text), "a source with its year"
    assert len(text.split()) > 250


@pytest.mark.parametrize("name", ["recapture", "removal"])
def test_cautions_stand_where_fish_are_handled_again(name: str) -> None:
    assert "permits and licensed practice" in "\n".join(cells(name, "markdown"))


def test_no_arithmetic_in_the_lessons_own_cells() -> None:
    """Numbers come from the library: no cell defines a function or draws random numbers for itself."""
    for name in LINES:
        code = "\n".join(cells(name, "code"))
        assert "def " not in code and "random.normal" not in code and "matplotlib" not in code
        assert f'lesson("{name}").check(answer' in code
        assert f'explore("{name}", study, seed=seed)' in code


def test_a_copy_is_the_notebook_and_is_made_once(tmp_path: Path) -> None:
    first = copy_notebook("growth", tmp_path / "new" / "explore")
    assert first.path == tmp_path / "new" / "explore" / "growth.ipynb"
    assert first.path.read_bytes() == notebook_path("growth").read_bytes()
    assert not first.kept
    assert not copy_notebook("growth", first.path.parent).kept


def test_a_changed_copy_is_never_written_over(tmp_path: Path) -> None:
    path = copy_notebook("growth", tmp_path).path
    path.write_text("mine", encoding="utf-8")
    assert copy_notebook("growth", tmp_path).kept
    assert path.read_text(encoding="utf-8") == "mine"


def test_a_copy_may_begin_with_a_study(tmp_path: Path, repository: Path) -> None:
    path = copy_notebook("growth", tmp_path, study=str(repository / "demo_inputs")).path
    assert f"study = {str(repository / 'demo_inputs')!r}" in path.read_text(encoding="utf-8")
    with pytest.raises(UsageError, match="there is no study"):
        copy_notebook("growth", tmp_path / "b", study="/no/such")


def test_the_package_is_not_written_to() -> None:
    with pytest.raises(UsageError, match="belongs to the package"):
        copy_notebook("growth", notebook_path("growth").parent)


def test_a_folder_that_cannot_be_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    with pytest.raises(UsageError, match="cannot be written"):
        copy_notebook("growth", tmp_path / "file" / "explore")


class Started:
    """Stands for the process of JupyterLab."""

    status, calls = 0, []  # type: ignore[var-annotated]

    def __init__(self, call: list[str], **options: object) -> None:
        Started.calls = [*Started.calls, call]
        self.interrupted = False

    def wait(self) -> int:
        if not self.interrupted:
            self.interrupted = True
            raise KeyboardInterrupt  # the first Ctrl-C is JupyterLab's to answer
        return Started.status


def test_the_command_copies_and_opens(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(notebooks.subprocess, "Popen", Started)
    monkeypatch.setattr(Started, "calls", [])
    folder = tmp_path / "explore"
    assert cli.main(["explore", "Catch-Rate", "--folder", str(folder), "--no-browser"]) == 0
    call = Started.calls[0]
    assert call[:3] == [sys.executable, "-m", "jupyterlab"]
    assert "--no-browser" in call and "--ServerApp.ip=127.0.0.1" in call
    assert f"--ServerApp.root_dir={folder}" in call and "--LabApp.default_url=/lab/tree/catch-rate.ipynb" in call
    (folder / "catch-rate.ipynb").write_text("mine", encoding="utf-8")
    assert open_method("catch-rate", folder) == 0
    assert "--no-browser" not in Started.calls[1]
    assert "holds changes and is opened as it is" in capsys.readouterr().err
    monkeypatch.setattr(Started, "status", 1)
    with pytest.raises(FishreportError, match="ended with status 1"):
        open_method("catch-rate", folder)


def test_the_command_lists_the_lessons(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["explore"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert [line.split()[0] for line in lines] == list(LINES)
    assert all(line.endswith(LINES[line.split()[0]]) for line in lines)


def test_an_unknown_lesson_is_wrong_usage(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["explore", "regrowth"]) == 2
    assert "did you mean 'growth'" in capsys.readouterr().err


def test_listing_imports_no_heavy_library() -> None:
    code = (
        "import sys\nfrom fishreport import cli\ncli.main(['explore'])\n"
        "print(sorted({'numpy', 'pandas', 'matplotlib', 'ipywidgets', 'nbformat'} & set(sys.modules)), file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stderr.splitlines()[-1] == "[]"
