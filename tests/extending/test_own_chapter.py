"""A study that brings a chapter of its own: a notebook in its folder, with data that only this chapter knows."""

from __future__ import annotations

import json
import shutil
import sys
from pathlib import Path

import pytest
from bs4 import BeautifulSoup
from scipy import stats

sys.path.insert(0, str(Path(__file__).parents[1] / "report"))

from tiny import NOTEBOOKS, write_study

from fishreport.exceptions import ReportError
from fishreport.report.build import build_report
from fishreport.report.handover import export_study
from fishreport.report.verify import verify_build
from fishreport.study import read_study

HERE = Path(__file__).parent / "own_chapter"


@pytest.mark.build
def test_it_stands_in_the_report_and_can_be_repeated(tmp_path: Path) -> None:
    study = write_study(tmp_path / "study", ("catch", "anglers.ipynb"))
    for name in ("anglers.ipynb", "anglers.csv"):
        shutil.copyfile(HERE / name, study / name)
    (study / "narrative" / "anglers.md").write_text("Most came back happy; see {table:satisfied}.\n", encoding="utf-8")
    chapter = json.loads((study / "anglers.ipynb").read_text(encoding="utf-8"))
    chapter["metadata"] = {}  # as of an editor that names no kernel
    (study / "anglers.ipynb").write_text(json.dumps(chapter), encoding="utf-8")
    built = build_report(study, notebooks=NOTEBOOKS)

    results = json.loads((built.folder / "results.json").read_text())["results"]
    (share,) = [result for result in results if result["quantity"] == "satisfied_anglers"]
    expected = stats.binomtest(74, 100).proportion_ci(0.95, method="exact")
    assert share["value"] == pytest.approx(74)
    assert (share["lower"], share["upper"]) == pytest.approx((100 * expected.low, 100 * expected.high))

    page = BeautifulSoup((built.folder / "report.html").read_bytes(), "html.parser")
    section = page.find("section", id="chapter-anglers")
    assert section is not None
    assert "Most came back happy; see Table 2.1." in section.get_text(" ", strip=True).replace(" .", ".")
    assert (built.folder / "inputs" / "anglers.ipynb").is_file()
    again = verify_build(built.folder, notebooks=NOTEBOOKS)
    assert again.repeatable, again.lines()

    export_study(read_study(study), tmp_path / "export")
    with (study / "anglers.csv").open("a", encoding="utf-8") as file:
        file.write("2025-10-30,5,5\n")
    with pytest.raises(ReportError, match=r"anglers\.csv changed since"):
        export_study(read_study(study), tmp_path / "export")
