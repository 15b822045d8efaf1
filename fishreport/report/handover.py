"""Handing a survey on: Darwin Core archive, data package and workbook of results, put in place in one step."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from fishreport.exceptions import ReportError, UsageError
from fishreport.exhibits.exhibit import RESULTS_TYPE
from fishreport.fielddata import Survey, load_survey
from fishreport.fielddata.coarsen import Coarsened, coarsen
from fishreport.fielddata.darwin_core import darwin_core, zipped
from fishreport.fielddata.data_package import data_package
from fishreport.report.build import DEFAULT_FOLDER
from fishreport.report.bundle import check_bundle
from fishreport.report.manifest import CRATE, input_files, sha256
from fishreport.report.place import Placing, check_target
from fishreport.report.results_workbook import results_workbook
from fishreport.study import Study

PARTS = ("darwin-core", "data-package", "results")
ARCHIVE, PACKAGE, WORKBOOK, MARKER = "darwin-core-archive.zip", "data-package", "results.xlsx", ".fishreport-export"


@dataclass(frozen=True)
class HandedOn:
    """What was handed on.

    Attributes
    ----------
    folder : Path
        Where it lies.
    files : tuple[Path, ...]
        Everything in it.
    notes : tuple[str, ...]
        What the giver should know, such as that places were made coarse.
    """

    folder: Path
    files: tuple[Path, ...]
    notes: tuple[str, ...]


def _read_build(report: Path) -> Mapping[str, Any]:
    file = report / "results.json"
    if not file.is_file():
        raise UsageError(
            f"there are no results in {report}: build the report first (fishreport build STUDY), or hand on the data alone"
        )
    try:
        content = json.loads(file.read_text(encoding="utf-8"))
        check_bundle({RESULTS_TYPE: {"results": content["results"]}}, "results.json")
    except (OSError, ValueError, KeyError, TypeError, RecursionError, ReportError):
        raise ReportError(f"{file} cannot be read as results; build the report again") from None
    loaded: Mapping[str, Any] = content
    return loaded


def _changed_since(report: Path, study: Study) -> list[str]:
    """Data and study files that are not what the build was made from, as its provenance tells; none where it has none."""
    if not (report / CRATE).exists():
        return []
    try:
        graph = json.loads((report / CRATE).read_text(encoding="utf-8"))["@graph"]
        digests = {item["@id"].removeprefix("#input/"): item["sha256"] for item in graph if item["@id"].startswith("#input/")}
        assert all(isinstance(digest, str) for digest in digests.values())
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError, AssertionError):
        raise ReportError(
            f"{report / CRATE} cannot be read, so nobody knows what the report was made from; build it again"
        ) from None
    now = {path.relative_to(study.folder).as_posix(): path for path in input_files(study, study.folder / "study.toml")}
    changed = []
    for name, digest in digests.items():
        path = now.get(name, study.folder / name)  # what a chapter alone has read, nothing else names
        inside = path.resolve().is_relative_to(study.folder.resolve())
        if not name.endswith(".md") and not (inside and path.is_file() and sha256(path) == digest):
            changed.append(name)
    return changed


def _settings(report: Path) -> str:
    """Settings that the build was made with, beside those of the study file, in words."""
    try:
        graph = json.loads((report / CRATE).read_text(encoding="utf-8"))["@graph"]
        request = next(json.loads(item["request"]) for item in graph if "request" in item)
        settings = request["settings"]
        return "; ".join(f"{name} = {value}" for name, value in settings.items()) or "none"
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError, StopIteration):
        return "not known"


def last_results(study: Study, report: Path) -> list[dict[str, Any]]:
    """The results of the last build, if they are those of this study as it stands.

    Raises
    ------
    UsageError
        If nothing was built there.
    ReportError
        If the build is of another season, or its data or study file have changed since.
    """
    content = _read_build(report)
    if content.get("season") != study.season.year:
        raise ReportError(
            f"the report in {report} is of season {content.get('season')}, and {study.season.year} is asked for; build it again"
        )
    changed = _changed_since(report, study)
    if changed:
        raise ReportError(f"{', '.join(changed)} changed since the report in {report} was built; build it again")
    return [dict(record) for record in content["results"]]


def without_places(results: Sequence[Mapping[str, Any]], survey: Survey) -> list[dict[str, Any]]:
    """Results that name no site: those of single sites are left out, and so are notes that name a site or a run."""
    names = {name for column in ("site", "run_id") for name in survey.runs[column].unique() if name}
    pattern = re.compile(r"(?<!\w)(?:" + "|".join(re.escape(name) for name in sorted(names, key=len, reverse=True)) + r")(?!\w)")

    def tells(text: Any) -> bool:
        return bool(names) and bool(pattern.search(str(text or "")))

    kept = []
    for record in results:
        if record.get("site") or tells(record.get("detail")):
            continue
        kept.append({**record, "notes": [note for note in record.get("notes", ()) if not tells(note)]})
    return kept


def _contents(
    study: Study,
    survey: Survey,
    coarse: Coarsened | None,
    results: Sequence[Mapping[str, Any]] | None,
    parts: Sequence[str],
    settings: str,
) -> dict[str, bytes]:
    files: dict[str, bytes] = {}
    statement = coarse.statement if coarse is not None else ""
    if "darwin-core" in parts:
        files[ARCHIVE] = zipped(darwin_core(study, survey, coarse=coarse), study.season.year)
    if "data-package" in parts:
        told = coarse.survey if coarse is not None else survey
        files |= {f"{PACKAGE}/{name}": content for name, content in data_package(study, told, statement=statement).items()}
    if results is not None:
        shown = without_places(results, survey) if coarse is not None else results
        about = {
            "Water": study.water.name,
            "Season": str(study.season.year),
            "Report": study.report.title or "Annual report",
            "Answers for it": study.report.author or "not named",
            "Results": f"{len(shown):,}",
            "Settings changed for the build": settings,
            "Places": statement or "as recorded",
            "Where they come from": "results.json of the report; its ro-crate-metadata.json names data, settings and versions.",
        }
        files[WORKBOOK] = results_workbook(shown, about, year=study.season.year)
    return files


def export_study(
    study: Study,
    folder: Path | str,
    *,
    coarsen_km: float | None = None,
    report: Path | str | None = None,
    parts: Sequence[str] = PARTS,
) -> HandedOn:
    """Hand a study's field data and results on in open formats.

    Parameters
    ----------
    study : Study
    folder : Path
        Where it goes: a folder of its own, which a later export replaces.
    coarsen_km : float, optional
        Make places coarse to this many km: see `fishreport.fielddata.coarsen.coarsen`.
    report : Path, optional
        Folder of the build whose results go along; the folder ``report`` of the study otherwise.
    parts : sequence of str
        Any of ``darwin-core`` (an archive of sampling events), ``data-package`` (Frictionless tables with schemas, which read
        back as a study that gives the same estimates) and ``results`` (a workbook).

    Raises
    ------
    UsageError
        If a part is unknown, the folder holds something that is not an export of ours, or results are asked for and there is
        no build.
    ReportError
        If the build's results are not those of the study as it stands.
    DataError
        If the field data are at fault.
    """
    unknown = [part for part in parts if part not in PARTS]
    if unknown or not parts:
        raise UsageError(f"what is handed on is any of {', '.join(PARTS)}, not {', '.join(unknown) or 'nothing'}")
    target = check_target(Path(folder), study.folder, noun="export", option="--to", marker=MARKER)
    built = Path(report) if report is not None else study.folder / DEFAULT_FOLDER
    results = last_results(study, built) if "results" in parts else None
    survey = load_survey(study)
    coarse = coarsen(survey, coarsen_km) if coarsen_km is not None else None
    files = _contents(study, survey, coarse, results, parts, _settings(built))
    with Placing(target, study=study.water.name, marker=MARKER) as placing:
        for name, content in files.items():
            path = placing.folder / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(content)
        placing.finish()
    return HandedOn(target, tuple(target / name for name in files), (coarse.statement,) if coarse is not None else ())
