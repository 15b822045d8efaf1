"""Whole builds of tiny chapters on real kernels."""

from __future__ import annotations

import csv
import hashlib
import json
import os
import subprocess
import sys
from pathlib import Path

import nbformat
import pytest
from bs4 import BeautifulSoup
from tiny import NOTEBOOKS, SETTINGS, fish_table, write_notebook, write_study

from fishreport.exceptions import ChapterError, DataError, UsageError
from fishreport.report.build import Built, build_report
from fishreport.report.kernels import ForkServer
from fishreport.report.manifest import CRATE
from fishreport.report.progress import Progress

pytestmark = pytest.mark.build


def digests(folder: Path) -> dict[str, str]:
    """SHA-256 of every file but the one that records time."""
    files = sorted(path for path in folder.rglob("*") if path.is_file() and path.name != CRATE)
    return {path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest() for path in files}


def test_a_build_holds_everything(built: Built) -> None:
    names = set(digests(built.folder))
    assert {"report.html", "report.pdf", "results.json", ".fishreport-build"} <= names
    assert {"chapters/00-front.ipynb", "chapters/01-catch.ipynb", "chapters/02-length.ipynb"} <= names
    assert {"tables/01-catch-catch.csv", "tables/01-catch-figure-counts.csv", "tables/00-front-scorecard.csv"} <= names
    assert set(built.ran) == {"00-front", "01-catch", "02-length"}


def test_results_file(built: Built) -> None:
    content = json.loads((built.folder / "results.json").read_text(encoding="utf-8"))
    assert (content["study"], content["season"]) == ("Alder Tailwater", 2025)
    (result,) = content["results"]
    assert result["id"] == "catch_rate/brown_trout/all/2025"
    assert (result["value"], result["units"], result["estimable"]) == (40.0, "fish", True)


def test_tables_hold_full_precision(built: Built) -> None:
    with (built.folder / "tables" / "01-catch-catch.csv").open(encoding="utf-8", newline="") as stream:
        assert list(csv.reader(stream)) == [["site", "catch"], ["Ford", "20"], ["Weir", "20"]]


def test_front_page_comes_first_and_knows_the_others(built: Built) -> None:
    page = BeautifulSoup((built.folder / "report.html").read_bytes(), "html.parser")
    titles = [heading.get_text(" ", strip=True) for heading in page.find_all("h2")]
    assert titles == ["Summary of the season", "1 Catch", "2 Length", "How this report was made"]
    front = page.find("section", class_="front").get_text(" ", strip=True)
    assert "The catch held at 20 fish in each season." in front
    assert "Two sites were fished; see Table 1.1." in front  # a reference from a finding, shown in another chapter
    assert "The catch at Ford fell." not in front  # not a key finding
    assert "Recommendations" in front


def test_exhibits_are_numbered_by_chapter(built: Built) -> None:
    page = BeautifulSoup((built.folder / "report.html").read_bytes(), "html.parser")
    numbers = [strong.text for strong in page.select("figcaption strong, .exhibit.table caption strong")]
    assert numbers[:6] == ["Table S.1.", "Table 1.1.", "Figure 1.1.", "Figure 2.1.", "Table 2.1.", "Table 2.2."]
    assert page.find(id="figure-length-lengths") is not None
    link = page.find("section", id="chapter-catch").find("a", href="#figure-length-lengths")
    assert link.text == "Figure 2.1"


def test_published_notebooks_carry_no_trace_of_the_run(built: Built) -> None:
    for path in (built.folder / "chapters").iterdir():
        text = path.read_text(encoding="utf-8")
        assert str(built.folder.parent) not in text
        assert "papermill" not in text
        notebook = nbformat.read(path, as_version=4)
        nbformat.validate(notebook)
        assert 'study = "../.."' in "\n".join(cell.source for cell in notebook.cells)


def test_same_bytes_in_another_folder_time_zone_and_hash_seed(built: Built, tmp_path: Path) -> None:
    """On plain kernels, in a process of its own: another folder, time zone, locale and order of hashing."""
    folder = write_study(tmp_path / "elsewhere" / "study")
    code = (
        "from pathlib import Path; from fishreport.report.build import build_report; "
        f"build_report({str(folder)!r}, notebooks=Path({str(NOTEBOOKS)!r}), jobs=1, settings={SETTINGS!r})"
    )
    changed = {"TZ": "Pacific/Auckland", "PYTHONHASHSEED": "77", "LC_ALL": "C", "FISHREPORT_PLAIN_KERNELS": "1"}
    subprocess.run([sys.executable, "-c", code], check=True, env={**os.environ, **changed}, cwd=tmp_path)
    assert digests(folder / "report") == digests(built.folder)


def test_same_bytes_from_kept_work(built: Built, server: ForkServer) -> None:
    """Chapters and pages that an earlier build left give what a fresh build gives."""
    again = build_report(
        built.folder.parent, notebooks=NOTEBOOKS, settings=SETTINGS, out=built.folder.parent / "again", server=server
    )
    assert again.ran == ()
    assert digests(again.folder) == digests(built.folder)


def test_failures_are_told_and_the_rest_is_kept(study: Path, server: ForkServer) -> None:
    """One cell fails, one hangs, one kernel dies, one notebook takes no parameters, one chapter is well."""
    write_study(study, ("catch",))
    first = build_report(study, notebooks=NOTEBOOKS, server=server)
    before = digests(first.folder)
    (study / "fish.csv").write_text(fish_table(44), encoding="utf-8")
    write_study_chapters(study, ("failing", "hanging", "dying", "unparametrised", "catch"))
    with pytest.raises(ChapterError) as caught:
        build_report(study, notebooks=NOTEBOOKS, cell_seconds=3, server=server)
    error = caught.value
    assert error.exit_code == 3
    assert error.chapter == "01-failing"
    assert error.cell == 4
    assert error.reason.startswith("ValueError: the third cell of this chapter always fails; also failed: ")
    assert "chapter 02-hanging: the cell did not finish within 3 s" in error.reason
    assert "chapter 03-dying: its kernel ended while the cell was running" in error.reason
    assert "chapter 04-unparametrised: its cell tagged `parameters` must set study" in error.reason
    as_run = nbformat.read(error.notebook, as_version=4)
    assert any(output.output_type == "error" for cell in as_run.cells for output in cell.get("outputs", []))
    assert digests(first.folder) == before
    assert sorted(path.name for path in study.iterdir() if path.name.startswith(".")) == [".fishreport-cache"]

    write_study_chapters(study, ("catch",))
    again = build_report(study, notebooks=NOTEBOOKS, server=server)
    assert again.kept == ("01-catch",)
    assert digests(again.folder) != before


def write_study_chapters(study: Path, chapters: tuple[str, ...]) -> None:
    fish = (study / "fish.csv").read_text(encoding="utf-8")
    write_study(study, chapters)
    (study / "fish.csv").write_text(fish, encoding="utf-8")


def test_data_at_fault_stop_a_build_before_any_kernel(study: Path) -> None:
    (study / "fish.csv").write_text(fish_table(3) + "R9,BNT,200,90\n", encoding="utf-8")
    with pytest.raises(DataError, match=r"fish\.csv"):
        build_report(study, notebooks=NOTEBOOKS)
    assert not (study / "report").exists()


@pytest.mark.parametrize("formats", [(), ("docx",)])
def test_unknown_format(study: Path, formats: tuple[str, ...]) -> None:
    with pytest.raises(UsageError, match="html, pdf"):
        build_report(study, notebooks=NOTEBOOKS, formats=formats)


OPENING = (
    "from fishreport.report.chapter import open_chapter\n\n"
    'chapter = open_chapter("creel", study=study, season=season, settings=settings, results=results)'
)


def test_only_what_changed_runs_again(study: Path, server: ForkServer, capsys: pytest.CaptureFixture[str]) -> None:
    """Each change reruns the chapters that read what changed, and says why; a damaged entry is not trusted."""
    write_study(study, ("catch", "own-file", "uncached", "creel.ipynb"))
    (study / "extra.txt").write_text("one", encoding="utf-8")
    (study / "helper.txt").write_text("kept by anglers", encoding="utf-8")
    reading = f"print(open({str(study / 'helper.txt')!r}).read())"  # a file that the tool has not been told of
    write_notebook(study / "creel.ipynb", "#md\n# Creel", OPENING, reading)

    def build(**options: object) -> Built:
        return build_report(study, notebooks=NOTEBOOKS, formats=("html",), server=server, **options)  # type: ignore[arg-type]

    build()
    again = build(progress=Progress())
    assert again.kept == ("01-catch", "02-own-file", "04-creel", "00-front")
    assert again.ran == ("03-uncached",)
    assert "01-catch: kept, nothing that it read has changed" in capsys.readouterr().err

    (study / "narrative" / "summary.md").write_text("Another summary.\n", encoding="utf-8")
    (study / "helper.txt").write_text("sold by wardens", encoding="utf-8")
    later = build()
    assert set(later.ran) == {"02-own-file", "03-uncached", "04-creel", "00-front"}
    assert later.reasons["00-front"] == "the file narrative/summary.md changed"
    assert later.reasons["02-own-file"] == "files in the study folder changed"
    assert later.reasons["04-creel"] == "the file helper.txt changed"
    assert "sold by wardens" in (later.folder / "report.html").read_text(encoding="utf-8")

    changed = build(settings={"parameters.level": 0.8})
    assert changed.reasons["01-catch"] == "parameters.level changed"
    assert changed.reasons["00-front"] == "results of other chapters changed"
    assert changed.reasons["02-own-file"] == "nothing that it read has changed"

    for entry in (study / ".fishreport-cache" / "chapters" / "own-file").iterdir():
        entry.write_bytes(entry.read_bytes()[:-20])
    back = build(settings={"parameters.resamples": 500})  # back at the old level, which is still kept
    assert set(back.ran) == {"02-own-file", "03-uncached"}
    assert back.reasons["02-own-file"] == "its kept work was damaged"
    assert set(build(fresh=True, chapters=["catch"]).ran) == {"01-catch", "00-front"}


def test_a_chapter_does_not_wait_for_results_that_it_leaves_out(study: Path, server: ForkServer) -> None:
    recording = (
        "from fishreport.analysis.result import Result\nfrom fishreport.methods.estimate import Estimate\n"
        'size = Estimate.not_estimable("only counted", units="fish", n=chapter.parameters.minimum_aged)\n'
        'chapter.record([Result("fish_counted", size, 2025)])'
    )
    names = "print(sorted({one.quantity for one in chapter.results}))"
    write_notebook(study / "counted.ipynb", "#md\n# Counted", OPENING.replace("creel", "counted"), recording)
    write_notebook(study / "all.ipynb", "#md\n# All", OPENING.replace("creel", "all"), names, metadata={"uses_results": 1})
    wishes = {"uses_results": 1, "results_except": ["counted"]}
    write_notebook(study / "some.ipynb", "#md\n# Some", OPENING.replace("creel", "some"), names, metadata=wishes)
    write_study(study, ("catch", "counted.ipynb", "all.ipynb", "some.ipynb"))

    def build(**options: object) -> Built:
        return build_report(study, notebooks=NOTEBOOKS, formats=("html",), server=server, **options)  # type: ignore[arg-type]

    first = build()
    assert "fish_counted" in (first.folder / "chapters" / "03-all.ipynb").read_text(encoding="utf-8")
    assert "fish_counted" not in (first.folder / "chapters" / "04-some.ipynb").read_text(encoding="utf-8")
    again = build(settings={"parameters.minimum_aged": 12})
    assert set(again.ran) == {"02-counted", "03-all", "00-front"}
    assert again.reasons["04-some"] == "nothing that it read has changed"


def test_manifest_names_inputs_parameters_and_outputs(built: Built) -> None:
    build, study = built, built.folder.parent
    crate = json.loads((build.folder / CRATE).read_text(encoding="utf-8"))
    graph = {item["@id"]: item for item in crate["@graph"]}
    assert crate["@context"][0] == "https://w3id.org/ro/crate/1.1/context"
    assert graph[CRATE]["conformsTo"] == {"@id": "https://w3id.org/ro/crate/1.1"}
    assert graph[CRATE]["about"] == {"@id": "./"}
    inputs = {name for name in graph if name.startswith("#input/")}
    assert inputs == {"#input/study.toml", "#input/runs.csv", "#input/fish.csv", "#input/narrative/summary.md"}
    assert graph["#input/fish.csv"]["sha256"] == hashlib.sha256((study / "fish.csv").read_bytes()).hexdigest()
    assert graph["report.html"]["sha256"] == hashlib.sha256((build.folder / "report.html").read_bytes()).hexdigest()
    level = graph["#parameter/level"]
    assert (level["value"], level["defaultValue"], level["valueOrigin"]) == (0.9, 0.95, "changed for this build")
    assert graph["#change/water.region"]["value"] == "Lower Basin"
    linked = [reference["@id"] for item in graph["#build"].values() if isinstance(item, list) for reference in item]
    assert set(linked) <= set(graph)
    parts = {reference["@id"] for reference in graph["./"]["hasPart"]}
    on_disk = {
        p.relative_to(build.folder).as_posix() for p in build.folder.rglob("*") if p.is_file() and not p.name.startswith(".")
    }
    assert parts == on_disk - {CRATE}
