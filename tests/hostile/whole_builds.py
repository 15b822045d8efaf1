"""Whole builds, kernels and all, of studies whose every name is hostile."""

from __future__ import annotations

import json
import shutil

from chapters import hostile_study
from documents import check_book
from ground import SECRET, Case, Escape, Surface, Wrong
from material import printable_text
from page_reader import check_csv, check_names, check_page, squeezed

from fishreport.fielddata import load_survey
from fishreport.report.build import build_report
from fishreport.report.handover import export_study
from fishreport.report.verify import verify_build
from fishreport.study import read_study


def whole_build(case: Case) -> str:
    """Build two chapters of a hostile study, look at every file, hand the results on, and verify the report."""
    study, _ = hostile_study(case)
    told = " ".join(sign if sign.isalnum() else f"\\{sign}" if sign.isascii() else sign for sign in printable_text(case.chance))
    (case.study / "narrative" / "season.md").write_text(f"# Note\n\n{told}\n", encoding="utf-8")
    settings = {"report.chapters": ["season", "abundance"], "report.author": printable_text(case.chance)}
    built = build_report(case.study, settings=settings, jobs=1)
    page = (built.folder / "report.html").read_text(encoding="utf-8")
    shown = squeezed(check_page(page, scripts="explorer-data" in page))
    if squeezed(study.water.name) not in shown or SECRET in page:
        raise Wrong("the page does not hold the name of the water, or holds what it must not")
    for path in (built.folder / "tables").iterdir():
        check_csv(path.read_bytes())
    check_names(built.folder)
    content = json.loads((built.folder / "results.json").read_text(encoding="utf-8"))
    survey = load_survey(study)
    runs = {
        site: int(((survey.runs["season"] == 2025) & (survey.runs["site"] == site)).sum())
        for site in survey.runs["site"].unique()
    }
    for record in content["results"]:
        if (
            record["quantity"] == "catch_rate"
            and record["season"] == 2025
            and record["site"]
            and record["n"] != runs[record["site"]]
        ):
            raise Wrong(f"{record['id']} rests on {record['n']} runs of {runs[record['site']]}")
    if not verify_build(built.folder, rebuild=False).checks[0].outcome == "same":
        raise Wrong("a report just built is not as it was written")
    if case.chance.random() < 0.5:
        handed = export_study(read_study(case.study), case.folder / "handed", parts=["results"])
        check_book((handed.folder / "results.xlsx").read_bytes(), len(content["results"]))
    if any((case.study / name).is_symlink() for name in ("report", "narrative")):
        raise Escape("a link was made in the study")
    shutil.rmtree(built.folder)
    return "taken"


SURFACES = (Surface("whole builds", whole_build, share=0.12, fixed=1, seconds=150, spawns=True),)
