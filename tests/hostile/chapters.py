"""The chapters themselves on surveys full of hostile names, run in this process; and notebooks of a study's own, damaged."""

from __future__ import annotations

import json
import os
import random
from functools import lru_cache
from pathlib import Path
from typing import Any
from unittest import mock

from documents import chapter, check_document
from field_files import write_csv
from ground import Case, Escape, Surface, Wrong
from material import any_text, damage_bytes, damage_text, printable_text
from page_reader import squeezed
from study_files import toml_text

from fishreport.exhibits.exhibit import RESULTS_TYPE
from fishreport.fielddata import load_survey
from fishreport.report.assemble import assemble
from fishreport.report.notebook import clean_notebook, uses_parameters
from fishreport.report.plan import check_parameters, plan_chapters
from fishreport.resources import locate
from fishreport.study import Study, read_study

STUDY = """
[water]
name = {name}
region = {region}
strata = [{{reach = {reach}, length_km = 5.0}}, {{reach = "lower", length_km = 3.0}}]
[season]
year = 2025
[data]
ages = "ages.csv"
[species.{code}]
name = {species}
standard = "brown trout (lotic)"
[species.RBT]
name = "rainbow trout"
[[objectives]]
quantity = "catch_rate"
species = {code}
at_least = 30.0
name = {objective}
source = {source}
[parameters]
resamples = 100
draws = 20
[report]
title = {title}
author = {author}
chapters = ["season", "abundance"]
"""
CHEAP = ("season", "abundance", "size-structure", "condition", "growth", "mortality")


def rows_of(chance: random.Random, names: list[str], code: str, reach: str, comment: str) -> dict[str, list[list[str]]]:
    """Runs of three seasons at sites of these names, and fish in plausible sizes."""
    runs = [["run_id", "site", "reach", "date", "start_time", "effort_s", "water_temperature_c", "comments"]]
    fish = [["run_id", "species", "length_mm", "weight_g", "mark", "tag", "age_sample", "fate", "comments"]]
    ages = [["age_sample", "age_years", "reader"]]
    for season in (2023, 2024, 2025):
        for place, name in enumerate(names):
            run = f"{season}-{place}-{name}" if chance.random() < 0.3 else f"{season}-{place}"
            runs.append([run, name, reach if place % 2 else "lower", f"{season}-10-0{place + 1}", "21:00", "600", "8", comment])
            for number in range(7):
                length = 180 + chance.randrange(280)
                sample = f"S{len(fish)}" if number % 2 else ""
                if sample:
                    ages.append([sample, str(1 + length // 110), name])
                fish.append(
                    [
                        run,
                        code if number % 3 else "RBT",
                        str(length),
                        str(round(1e-5 * length**3 * chance.uniform(0.9, 1.1))),
                        "",
                        "",
                        sample,
                        "released",
                        comment,
                    ]
                )
    return {"runs": runs, "fish": fish, "ages": ages}


def hostile_study(case: Case) -> tuple[Study, list[str]]:
    """A sound survey in which every name is hostile; the study and its site names."""
    chance = case.chance
    text = printable_text(chance)
    sites = list(
        dict.fromkeys(
            [text.strip() or "Weir", printable_text(chance).strip() or "Ford", text.strip().swapcase() or "x", "a/b", "a-b"]
        )
    )[:4]
    code = chance.choice(("BNT", "B/T", "__class__", "=1", text[:30]))
    names = {key: toml_text(printable_text(chance)) for key in ("name", "region", "objective", "source", "title", "author")}
    reach = printable_text(chance).strip() or "upper"
    species = chance.choice((printable_text(chance), "Brown Trout", "Saibling é", "鱒" * 2, "форель"))
    written = STUDY.format(**names, reach=toml_text(reach), species=toml_text(species), code=toml_text(code))
    (case.study / "study.toml").write_text(written, encoding="utf-8")
    for name, rows in rows_of(chance, sites, code, reach, printable_text(chance)).items():
        (case.study / f"{name}.csv").write_text(write_csv(rows), encoding="utf-8")
    (case.study / "narrative").mkdir()
    return read_study(case.study), sites


@lru_cache(maxsize=12)
def _cells(name: str) -> tuple[tuple[str, str, bool], ...]:
    path = next(path for path in (locate("notebooks") / "chapters").glob(f"*-{name}.ipynb"))
    cells = json.loads(path.read_text(encoding="utf-8"))["cells"]
    return tuple((cell["cell_type"], "".join(cell["source"]), "parameters" in cell["metadata"].get("tags", [])) for cell in cells)


def run_chapter(name: str, study: Path) -> tuple[list[dict[str, Any]], str]:
    """What a chapter of the package shows, run cell by cell in this process; and its first Markdown."""
    shown: list[dict[str, Any]] = []

    def display(*items: Any, **_: Any) -> None:
        shown.extend(json.loads(json.dumps(item._repr_mimebundle_())) for item in items)

    space: dict[str, Any] = {"study": str(study), "season": 0, "settings": {}, "results": ""}
    with mock.patch("IPython.display.display", display):
        for kind, source, parameters in _cells(name):
            if kind == "code" and not parameters:
                exec(compile(source, f"{name}.ipynb", "exec"), space)
    return shown, next(source for kind, source, _ in _cells(name) if kind == "markdown")


def chapters_of_names(case: Case) -> str:
    """Chapters of the package on a survey whose every name is hostile; counts agree with the rows taken."""
    study, sites = hostile_study(case)
    survey = load_survey(study)
    name = case.chance.choice(CHEAP)
    outputs, first = run_chapter(name, case.study)
    document = assemble(study, [chapter(name, 1, outputs, first), chapter("front", 0, [])], whole=False)
    shown = check_document(case, document, pdf=case.chance.random() < 0.25)
    if squeezed(study.water.name) not in shown:
        raise Wrong(f"the name of the water is not on the page: {study.water.name!r}")
    if name == "season":
        for site in sites:
            if squeezed(site) not in shown:
                raise Wrong(f"the site {site!r} is not on the page")
    records = [record for bundle in outputs if RESULTS_TYPE in bundle for record in bundle[RESULTS_TYPE]["results"]]
    runs = int((survey.runs["season"] == 2025).sum())
    for record in records:
        if (
            record["quantity"] == "catch_rate"
            and record["season"] == 2025
            and not record["site"]
            and not record["detail"]
            and record["n"] != runs
        ):
            raise Wrong(f"{record['id']} rests on {record['n']} runs of {runs}")
        if record["value"] is not None and record["lower"] is not None and not record["lower"] <= record["value"] + 1e-9:
            raise Wrong(f"{record['id']} lies below its interval")
    return "taken"


_NOTEBOOK: dict[str, Any] = {
    "nbformat": 4,
    "nbformat_minor": 5,
    "metadata": {"kernelspec": {"display_name": "Python 3", "language": "python", "name": "python3"}, "language_info": {"name": "python"}},
    "cells": [
        {"cell_type": "code", "id": "a", "metadata": {"tags": ["parameters"]}, "source": 'study = ""\nseason = 0\nsettings = {}\nresults = ""', "outputs": [], "execution_count": None},
        {"cell_type": "markdown", "id": "b", "metadata": {}, "source": "# Creel"},
        {"cell_type": "code", "id": "c", "metadata": {}, "source": "1 + 1", "outputs": [], "execution_count": None},
    ],
}  # fmt: skip


def _damaged_notebook(chance: random.Random) -> bytes:
    text = json.dumps(_NOTEBOOK, indent=1)
    match chance.randrange(8):
        case 0:
            return damage_bytes(chance, text.encode())
        case 1:
            return damage_text(chance, text).encode("utf-8", "replace")
        case 2:
            return chance.choice(
                (
                    b"",
                    b"{}",
                    b"[]",
                    b"null",
                    b"5",
                    b'"x"',
                    b"[" * 100_000,
                    b'{"a":' * 100_000,
                    b"\xff\xfe{}",
                    b"NaN",
                    b'{"cells": [NaN], "metadata": Infinity}',
                )
            )
        case 3:
            changed = json.loads(text)
            changed["metadata"]["fishreport"] = chance.choice(
                (
                    5,
                    None,
                    [],
                    {"cache": "x"},
                    {"uses_results": 10**9},
                    {"uses_results": "2"},
                    {"uses_results": True},
                    {"cache": False},
                )
            )
            return json.dumps(changed).encode()
        case 4:
            changed = json.loads(text)
            changed["cells"][0]["source"] = chance.choice(
                (
                    any_text(chance),
                    "study = open('/etc/passwd')",
                    "import os",
                    "",
                    ["study = 1\n", "season = 2"],
                    5,
                    None,
                    "study: str = ''\n" * 2000,
                )
            )
            return json.dumps(changed).encode()
        case 5:
            changed = json.loads(text)
            changed["cells"] = chance.choice(
                ([], None, {}, 5, [5], [{}], [[]], changed["cells"] * 400, [{**changed["cells"][2], "metadata": None}])
            )
            return json.dumps(changed).encode()
        case 6:
            changed = json.loads(text)
            changed[chance.choice(("nbformat", "nbformat_minor", "metadata"))] = chance.choice((3, 99, "4", None, [], -1))
            return json.dumps(changed).encode()
        case _:
            changed = json.loads(text)
            changed["cells"].append(
                {
                    "cell_type": chance.choice(("raw", "heading", "x", 5)),
                    "id": any_text(chance),
                    "metadata": {"tags": any_text(chance)},
                    "source": any_text(chance),
                }
            )
            return json.dumps(changed).encode()


def own_notebooks(case: Case) -> str:
    """A chapter of the study's own: damaged, misnamed, outside; it is planned and cleaned, or refused in words."""
    chance = case.chance
    name = chance.choice(
        (
            "creel",
            "creel",
            "creel.ipynb",
            "CON",
            "a b'c\"d",
            "../elsewhere/creel",
            "link",
            "x" * 400,
            "season",
            "é̂",
            "01-creel",
            "front",
        )
    )
    target = case.study / f"{name.removesuffix('.ipynb')}.ipynb"
    if "/" not in name and len(name) < 200:
        target.write_bytes(_damaged_notebook(chance) if chance.random() < 0.85 else json.dumps(_NOTEBOOK).encode())
    elsewhere = case.folder / "elsewhere"
    elsewhere.mkdir()
    (elsewhere / "creel.ipynb").write_text(json.dumps(_NOTEBOOK))
    if name == "link":
        target.unlink()
        target.symlink_to(elsewhere / "creel.ipynb")
    text = f'[water]\nname = "A"\n[season]\nyear = 2025\n[species.BNT]\nname = "brown trout"\n[report]\nchapters = [{toml_text(name)}]\n'
    (case.study / "study.toml").write_text(text, encoding="utf-8")
    study = read_study(case.study)
    planned = plan_chapters(study)
    for one in planned:
        if one.name != "front" and not one.notebook.resolve().is_relative_to(
            (case.study.resolve(), locate("notebooks"))[name == "season"]
        ):
            raise Escape(f"a chapter outside the study was taken: {one.notebook}")
        if os.sep in one.file_name:
            raise Escape(f"the chapter's files would be called {one.file_name!r}")
    check_parameters(planned[0])
    if name != "season":
        import nbformat

        notebook = nbformat.read(planned[0].notebook, as_version=4)
        uses_parameters(notebook)
        cleaned = clean_notebook(notebook)
        from fishreport.report.plan import PlannedChapter
        from fishreport.report.run import ExecutedChapter

        done = ExecutedChapter(PlannedChapter(planned[0].name, 1, planned[0].notebook), cleaned, "", False, 0.0)
        check_document(case, assemble(study, [done], whole=False), pdf=False)
    return "taken"


SURFACES = (
    Surface("names through chapters", chapters_of_names, share=1.5, fixed=8, seconds=90),
    Surface("notebooks of its own", own_notebooks, share=5, fixed=14),
)
