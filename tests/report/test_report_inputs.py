"""Which files a report says that it was made from: all that were read, as they were when they were read, and no other."""

from __future__ import annotations

import os
import time
from pathlib import Path

import matplotlib as mpl
import pytest
from tiny import write_study

from fishreport.exceptions import ReportError, StudyError
from fishreport.exhibits.style import drawing, style, to_svg
from fishreport.report.build import study_file
from fishreport.report.kernels import kernel_environment
from fishreport.report.manifest import CRATE, input_files, output_files, refuse_changed
from fishreport.report.reads import changed_at
from fishreport.study import read_study


def test_what_programs_leave_among_the_texts_is_no_input(tmp_path: Path) -> None:
    folder = write_study(tmp_path / "study")
    for name in ("kept.png", ".pictures/seen.png", ".ipynb_checkpoints/summary-checkpoint.md", ".DS_Store"):
        path = folder / "narrative" / name
        path.parent.mkdir(exist_ok=True)
        path.write_text("x")
    found = {
        path.relative_to(folder).as_posix() for path in input_files(read_study(folder / "study.toml"), folder / "study.toml")
    }
    assert {"narrative/kept.png", "narrative/.pictures/seen.png", "narrative/summary.md", "fish.csv"} <= found
    assert not any("checkpoint" in name or "DS_Store" in name for name in found)


def test_a_hidden_input_is_a_file_of_the_report_and_what_is_hidden_beside_them_is_not(tmp_path: Path) -> None:
    for name in (CRATE, ".marker", "report.html", "inputs/narrative/.pictures/seen.png", f"inputs/{CRATE}"):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_text("x")
    names = [path.relative_to(tmp_path).as_posix() for path in output_files(tmp_path)]
    assert names == ["inputs/narrative/.pictures/seen.png", f"inputs/{CRATE}", "report.html"]


def test_a_file_changed_meanwhile_is_refused(tmp_path: Path) -> None:
    folder = write_study(tmp_path / "study")
    study = read_study(folder / "study.toml")
    time.sleep(0.02)  # file systems tell time in steps
    began = time.time()
    refuse_changed(study, folder / "study.toml", (), since=began)
    time.sleep(0.02)
    (folder / "fish.csv").write_text("run_id,species\n")
    with pytest.raises(ReportError, match=r"changed while the report was built: fish\.csv; build it again"):
        refuse_changed(study, folder / "study.toml", (), since=began)


@pytest.mark.skipif(os.name != "posix", reason="the time of the last change of an entry is told on POSIX")
def test_an_older_file_put_in_its_place_has_changed(tmp_path: Path) -> None:
    there, other = tmp_path / "data.txt", tmp_path / "other.txt"
    there.write_text("5")
    other.write_text("6")
    os.utime(other, (1e9, 1e9))
    time.sleep(0.02)
    began = time.time()
    assert changed_at(there) < began
    time.sleep(0.02)
    other.replace(there)
    assert there.stat().st_mtime == 1e9 and changed_at(there) >= began


def test_a_time_of_writing_in_the_future_is_no_change(tmp_path: Path) -> None:
    path = tmp_path / "data.txt"
    path.write_text("5")
    os.utime(path, (time.time() + 1e6, time.time() + 1e6))
    assert os.name != "posix" or changed_at(path) <= time.time()


@pytest.mark.skipif(os.name != "posix", reason="names of bytes")
def test_a_path_that_is_no_text_is_the_study_s_fault(tmp_path: Path) -> None:
    folder = Path(os.fsdecode(os.fsencode(tmp_path) + b"/caf\xe9"))
    try:
        folder.mkdir()
    except OSError:
        pytest.skip("the file system takes no such name")
    with pytest.raises(StudyError, match=r"caf\\udce9.*no UTF-8 text; rename the folder"):
        study_file(folder)


def test_a_user_s_own_matplotlib_settings_change_no_drawing(tmp_path: Path) -> None:
    def drawn() -> str:
        with style():
            figure, axes = drawing()
            axes[0, 0].plot([1, 2], [3, 4])
        return to_svg(figure)

    plain = drawn()
    with mpl.rc_context({"axes.facecolor": "red", "lines.linewidth": 9, "font.size": 30, "savefig.facecolor": "blue"}):
        assert drawn() == plain
        assert mpl.rcParams["lines.linewidth"] == 9
    environment = kernel_environment(tmp_path)
    assert Path(environment["MATPLOTLIBRC"]).read_bytes() == b""
    assert Path(environment["MATPLOTLIBRC"]).parent == tmp_path
