"""Which chapters, in which order, from where."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from tiny import NOTEBOOKS, write_notebook, write_study

from fishreport.exceptions import ChapterError, StudyError, UsageError
from fishreport.report.plan import PlannedChapter, check_parameters, plan_chapters, short_name
from fishreport.study import Study, read_study


def study_with(folder: Path, *chapters: str) -> Study:
    return read_study(write_study(folder / "study", chapters))


def test_front_page_runs_last_and_has_no_number(tmp_path: Path) -> None:
    planned = plan_chapters(study_with(tmp_path, "length", "catch"), folder=NOTEBOOKS)
    assert [(chapter.name, chapter.number) for chapter in planned] == [("length", 1), ("catch", 2), ("front", 0)]
    assert [chapter.file_name for chapter in planned] == ["01-length", "02-catch", "00-front"]
    assert [chapter.wave for chapter in planned] == [0, 0, 2]


def test_a_chapter_of_the_study_itself(tmp_path: Path) -> None:
    study = write_study(tmp_path / "study", ("catch", "creel.ipynb"))
    own = write_notebook(study / "chapters" / "creel.ipynb", "#md\n# Creel", metadata={"cache": False, "uses_results": True})
    planned = plan_chapters(read_study(study), folder=NOTEBOOKS)
    assert planned[1].notebook == own.resolve()
    assert (planned[1].name, planned[1].number, planned[1].cached, planned[1].wave) == ("creel", 2, False, 1)


def test_what_a_chapter_asks_for(tmp_path: Path) -> None:
    study = write_study(tmp_path / "study", ("catch", "creel.ipynb", "odd.ipynb"))
    wishes = {"uses_results": 1, "results_except": ["length", "catch", "catch"], "long": True}
    write_notebook(study / "creel.ipynb", "#md\n# Creel", metadata=wishes)
    write_notebook(study / "odd.ipynb", "#md\n# Odd", metadata={"results_except": "catch", "long": 1})
    catch, creel, odd, _front = plan_chapters(read_study(study), folder=NOTEBOOKS)
    assert (creel.leaves_out, creel.long) == (("catch", "length"), True)
    assert (odd.leaves_out, odd.long) == (catch.leaves_out, catch.long) == ((), False)


def test_a_part_keeps_its_numbers(tmp_path: Path) -> None:
    planned = plan_chapters(study_with(tmp_path, "length", "catch"), only=["catch"], folder=NOTEBOOKS)
    assert [(chapter.name, chapter.number) for chapter in planned] == [("catch", 2), ("front", 0)]


@pytest.mark.parametrize(
    ("chapters", "named"),
    [
        (("cach",), "did you mean 'catch'"),
        (("../outside.ipynb",), "inside the study folder"),
        (("catch", "catch"), "two chapters"),
        (("broken.ipynb",), "not a Jupyter notebook"),
        ((), "no chapter"),
    ],
)
def test_refusals(tmp_path: Path, chapters: tuple[str, ...], named: str) -> None:
    study = study_with(tmp_path, *chapters)
    write_notebook(tmp_path / "outside.ipynb")
    (study.folder / "broken.ipynb").write_text("{}", encoding="utf-8")
    folder = NOTEBOOKS if chapters else tmp_path / "none"
    with pytest.raises(StudyError, match=named.replace("(", r"\(")):
        plan_chapters(study, folder=folder)


def test_unknown_part(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"no chapter 'growth'; it has catch"):
        plan_chapters(study_with(tmp_path, "catch"), only=["growth"], folder=NOTEBOOKS)


def test_a_chapter_must_take_what_a_build_passes(tmp_path: Path) -> None:
    (chapter, _front) = plan_chapters(study_with(tmp_path, "unparametrised"), folder=NOTEBOOKS)
    with pytest.raises(ChapterError, match=r"chapter 01-unparametrised: .*lacks study, season, settings, results"):
        check_parameters(chapter)


@pytest.mark.parametrize("source", ["study = ", "%matplotlib inline", "study = 0"])
def test_the_cell_of_parameters_is_plain_python(tmp_path: Path, source: str) -> None:
    notebook = write_notebook(tmp_path / "own.ipynb", parameters=False)
    content = json.loads(notebook.read_text(encoding="utf-8"))
    cell = {"cell_type": "code", "id": "p", "metadata": {"tags": ["parameters"]}, "source": source, "outputs": []}
    content["cells"].insert(0, {**cell, "execution_count": None})
    notebook.write_text(json.dumps(content), encoding="utf-8")
    with pytest.raises(ChapterError, match=r"is not plain Python|it lacks season, settings, results"):
        check_parameters(PlannedChapter("own", 1, notebook, 0, True))


def test_short_name() -> None:
    assert short_name("chapters/03-size-structure.ipynb") == "size-structure"
