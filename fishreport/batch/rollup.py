"""The regional report: the finished reports of many waters, gathered and set by the same notebooks-to-pages route."""

from __future__ import annotations

import datetime
import json
import os
import tempfile
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from nbformat import NotebookNode

from fishreport import __version__
from fishreport.analysis.region import INDICES, REPORTED_GAPS
from fishreport.batch.region import FILE
from fishreport.batch.waters import Water
from fishreport.exceptions import ReportError
from fishreport.exhibits.exhibit import TABLE_TYPE, Column, Table
from fishreport.report.assemble import Document, assemble
from fishreport.report.build import DEFAULT_FOLDER
from fishreport.report.cache import Cache
from fishreport.report.compare_build import OpenBuild, open_build
from fishreport.report.manifest import INPUTS, action_entity, file_entity, software_entities, write_crate
from fishreport.report.notebook import notebook_bytes
from fishreport.report.pages import page_digest, set_pages
from fishreport.report.place import Placing
from fishreport.report.plan import PlannedChapter, short_name
from fishreport.report.progress import Progress
from fishreport.report.run import ExecutedChapter, Runner, default_jobs
from fishreport.report.tables import table_csv
from fishreport.report.temporary import private_prefix
from fishreport.resources import locate
from fishreport.study import Study

_QUANTITIES = {quantity for places in INDICES.values() for quantity, _ in places} | set(REPORTED_GAPS)


def _open(water: Water) -> OpenBuild | None:
    try:
        return open_build(water.target)
    except ReportError:
        return None


def _seasons(build: OpenBuild) -> list[int]:
    found = {
        record["season"]
        for record in build.results.values()
        if record["quantity"] == "catch_rate" and record["site"] is None and record["season"] and record["n"] > 0
    }
    return sorted(found)


def _objectives(build: OpenBuild) -> list[dict[str, str]]:
    for shown in build.shown:
        if shown.kind == "table" and shown.label == "scorecard":
            return [{"objective": row[0], "target": row[1], "value": row[2], "verdict": row[5]} for row in shown.data["rows"]]
    return []


def _written_name(water: Water) -> str:
    """Name of a water without a report, where its study file still tells it; else its folder."""
    try:
        return str(tomllib.loads(water.study.read_text(encoding="utf-8-sig"))["water"]["name"])
    except (OSError, ValueError, KeyError, TypeError):
        return water.name


def water_record(water: Water, outcome: Mapping[str, Any]) -> dict[str, Any]:
    """What the roll-up keeps of one water: plain data, without a time or a path outside the batch."""
    build = _open(water)
    error = outcome["error"].replace(f"{water.study.parent}{os.sep}", "") if outcome["status"] == "failed" else ""
    if build is None and not error:
        error = "its report cannot be read; build it with --fresh"
    failed = outcome["status"] == "failed"
    record: dict[str, Any] = {
        "name": water.name, "place": water.name, "season": 0, "species": {}, "results": [], "objectives": [], "tables": [],
        "seasons": [], "error": error, "stale": failed and build is not None, "digest": "",
    }  # fmt: skip
    if build is None:
        return {**record, "name": _written_name(water)}
    study = build.study()
    results = [
        result
        for result in build.results.values()
        if result["quantity"] in _QUANTITIES and result["site"] is None and result["season"] == build.season
    ]
    record |= {
        "name": build.water,
        "season": build.season,
        "results": results,
        "objectives": _objectives(build),
        "seasons": _seasons(build),
        "digest": build.output_digests.get("results.json", ""),
    }
    if study is not None:
        tables = study.data.model_dump()
        record["species"] = {species.key: species.name for species in study.species.values()}
        record["tables"] = sorted(name for name, value in tables.items() if value and name != "workbook")
        record["units"] = study.report.units
    return record


def _distinct(records: list[dict[str, Any]]) -> None:
    """Two waters of one name are told apart by their folders."""
    names = [record["name"] for record in records]
    for record in records:
        if names.count(record["name"]) > 1 and record["place"] != record["name"]:
            record["name"] = f"{record['name']} ({record['place']})"


def _region_study(records: Sequence[Mapping[str, Any]], title: str, folder: Path, units: str) -> Study:
    """The region as a study of its own, so that the pages are set as those of a water are."""
    species = {key: name for record in records for key, name in record["species"].items()} or {"fish": "fish"}
    study = Study.model_validate(
        {
            "water": {"name": title, "kind": "region"},
            "season": {"year": max(record["season"] for record in records)},
            "species": {f"S{place}": {"name": name} for place, name in enumerate(species.values())},
            "report": {"title": title, "units": units},
        }
    )
    study._folder = folder
    return study


def _sources(records: Sequence[Mapping[str, Any]]) -> NotebookNode:
    table = Table(
        "reports",
        "Reports that this roll-up was made from, with the digest of their results.",
        (
            Column("Water", align="left"),
            Column("Folder", align="left"),
            Column("Season"),
            Column("SHA-256 of results.json", align="left"),
        ),
        tuple(
            (record["name"], record["place"], str(record["season"] or "—"), record["digest"][:16] or "—") for record in records
        ),
    )
    text = (
        "# How this report was made\n\nEvery number was taken from the results of the reports below by the program fishreport "
        f"{__version__}; nothing was estimated anew. The file `{INPUTS}/{FILE}` holds what was taken."
    )
    data = json.loads(json.dumps(table._repr_mimebundle_()[TABLE_TYPE]))
    output = NotebookNode(output_type="display_data", metadata=NotebookNode(), data=NotebookNode({TABLE_TYPE: data}))
    cells = [
        NotebookNode(cell_type="markdown", metadata=NotebookNode(), source=text),
        NotebookNode(cell_type="code", metadata=NotebookNode(), source="", execution_count=None, outputs=[output]),
    ]
    return NotebookNode(nbformat=4, nbformat_minor=5, metadata=NotebookNode(), cells=cells)


def _chapters(folder: Path) -> list[PlannedChapter]:
    found = [
        PlannedChapter(short_name(path.name), int(path.name.split("-")[0]), path, cached=False)
        for path in sorted(folder.glob("*.ipynb"))
    ]
    return sorted(found, key=lambda chapter: chapter.number or len(found) + 1)


def _write(folder: Path, document: Document, pages: Mapping[str, bytes], executed: Sequence[ExecutedChapter]) -> None:
    for name, page in pages.items():
        (folder / f"report.{name}").write_bytes(page)
    (folder / "tables").mkdir()
    for name, data in document.tables:
        (folder / "tables" / name).write_bytes(table_csv(data))
    (folder / "chapters").mkdir()
    for done in executed:
        (folder / "chapters" / f"{done.chapter.file_name}.ipynb").write_bytes(notebook_bytes(done.notebook))


def _write_manifest(
    folder: Path,
    records: Sequence[Mapping[str, Any]],
    title: str,
    executed: Sequence[ExecutedChapter],
    began: datetime.datetime,
) -> None:
    """Where the roll-up comes from, for programs: the results of every report with their digest; only here do times stand."""
    ended = datetime.datetime.now(datetime.UTC)
    outputs = sorted(path for path in folder.rglob("*") if path.is_file() and not path.name.startswith("."))
    produced = [file_entity(path.relative_to(folder).as_posix(), path) for path in outputs]
    used = [
        {
            "@id": f"#report/{record['place']}/results.json",
            "@type": "File",
            "name": f"Results of {record['name']}, season {record['season']}",
            "encodingFormat": "application/json",
            "sha256": record["digest"],
        }
        for record in records
        if record["digest"]
    ]
    steps = [
        {
            "@id": f"#chapter/{done.chapter.name}",
            "@type": "HowToStep",
            "name": done.chapter.file_name,
            "position": done.chapter.number,
            "seconds": round(done.seconds, 2),
        }
        for done in executed
    ]
    action = action_entity("#rollup", f"Roll-up of {len(records)} waters", used, produced, steps, began=began, ended=ended)
    root = {
        "@id": "./",
        "@type": "Dataset",
        "name": title,
        "description": "Results of several waters' fishery survey reports side by side.",
        "datePublished": ended.date().isoformat(),
        "license": "The license is set by the owner of the reports.",
        "hasPart": [{"@id": item["@id"]} for item in produced],
        "mentions": [{"@id": "#rollup"}],
    }
    write_crate(folder, [root, action, *software_entities(), *produced, *used, *steps])


def build_rollup(
    waters: Sequence[Water],
    outcomes: Sequence[Mapping[str, Any]],
    target: Path,
    *,
    title: str,
    formats: Sequence[str] = ("html", "pdf"),
    jobs: int | None = None,
    notebooks: Path | None = None,
) -> Path:
    """Make the regional report from the waters' finished reports; returns its folder.

    Parameters
    ----------
    waters, outcomes : sequences
        Of the batch, in one order.
    target : Path
        Where it goes.
    title : str
    formats : sequence of str
        ``html``, ``pdf`` or both.
    jobs : int, optional
        Chapters side by side; one a core otherwise.
    notebooks : Path, optional
        Where its notebooks lie, instead of where they travel.

    Raises
    ------
    ReportError
        If no water has a report.
    ChapterError, ReportError
        As in a build.
    """
    began = datetime.datetime.now(datetime.UTC)
    records = [water_record(water, outcome) for water, outcome in zip(waters, outcomes, strict=True)]
    if not any(record["season"] for record in records):
        raise ReportError("no water has a report to roll up")
    _distinct(records)
    spoken = {record.pop("units", "") for record in records} - {""}
    units = spoken.pop() if len(spoken) == 1 else "metric"
    content = json.dumps({"title": title, "units": units, "waters": records}, ensure_ascii=False, indent=1) + "\n"
    planned = _chapters(notebooks or locate("notebooks") / "rollup")
    with Placing(target, study=title) as placing, tempfile.TemporaryDirectory(prefix=private_prefix()) as temporary:
        kept = placing.folder / INPUTS / FILE
        kept.parent.mkdir(parents=True)
        kept.write_text(content, encoding="utf-8")
        study = _region_study(records, title, kept.parent, units)
        cache = Cache(Path(temporary))
        runner = Runner(
            study,
            None,
            study_path=str(kept),
            season=study.season.year,
            settings={},
            cache=cache,
            progress=Progress(quiet=True),
            jobs=jobs or default_jobs(),
            ignored=(DEFAULT_FOLDER,),
        )
        executed = runner.run(planned)
        document = assemble(study, executed, last=_sources(records))
        pages = set_pages(document, formats, cache, Progress(quiet=True), digest=page_digest(document))
        _write(placing.folder, document, pages, executed)
        _write_manifest(placing.folder, records, title, executed, began)
        placing.finish()
    return target
