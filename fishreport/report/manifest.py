"""Where a report comes from: RO-Crate 1.1 metadata beside it, and the page at its end that says how it was made."""

from __future__ import annotations

import datetime
import hashlib
import importlib.metadata
import json
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from nbformat import NotebookNode

from fishreport import __version__
from fishreport.exceptions import ReportError
from fishreport.exhibits.exhibit import TABLE_TYPE, Column, Table
from fishreport.report.cache import code_digest, versions
from fishreport.report.chapter import chapter_seed
from fishreport.report.prose import code_span
from fishreport.report.reads import changed_at
from fishreport.report.run import ExecutedChapter
from fishreport.study import Parameters, Study

CRATE = "ro-crate-metadata.json"
INPUTS = "inputs"
_KINDS = {
    ".html": "text/html",
    ".pdf": "application/pdf",
    ".json": "application/json",
    ".csv": "text/csv",
    ".ipynb": "application/x-ipynb+json",
}


_LEFT_BY_PROGRAMS = {".ipynb_checkpoints", "__pycache__", ".DS_Store", "Thumbs.db"}


def output_files(build: Path) -> list[Path]:
    """The files of a report, its metadata and what is hidden beside them left out."""
    found = (path for path in build.rglob("*") if path.is_file() and path != build / CRATE)
    return sorted(path for path in found if not path.relative_to(build).parts[0].startswith("."))


def sha256(path: Path) -> str:
    """SHA-256 of a file."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


def input_files(study: Study, study_file: Path, executed: Sequence[ExecutedChapter] = ()) -> list[Path]:
    """The files of the study that a report is made from.

    They are the study file, its tables, its narrative, its own chapters and standards, and what else the chapters read.
    """
    data = study.data
    if data.workbook:
        tables = [data.workbook]
    else:
        tables = [name for name in (data.runs, data.fish, data.ages, data.stocking, data.flow, data.harvest, data.census) if name]
    files = [study_file, *(study.folder / name for name in tables)]
    narrative = study.folder / study.report.narrative
    pages = sorted(path for path in narrative.rglob("*") if path.is_file()) if narrative.is_dir() else []
    files += [path for path in pages if not _LEFT_BY_PROGRAMS & set(path.parts)]
    places = ("{}", "{}.ipynb", "chapters/{}", "chapters/{}.ipynb")
    own = [study.folder / place.format(name) for name in study.report.chapters for place in places]
    own += [study.own_standards] if study.own_standards else []
    own += [study.folder / name for done in executed for name in done.files if not Path(name).is_absolute()]
    return list(dict.fromkeys(path for path in (*files, *own) if path.is_file()))


def keep_inputs(build: Path, study: Study, study_file: Path, executed: Sequence[ExecutedChapter]) -> None:
    """Copy the files that a report is made from into its folder ``inputs``, so that it can be repeated from what lies there."""
    for path in input_files(study, study_file, executed):
        kept = build / INPUTS / path.relative_to(study.folder)
        kept.parent.mkdir(parents=True, exist_ok=True)
        kept.write_bytes(path.read_bytes())


def refuse_changed(study: Study, study_file: Path, executed: Sequence[ExecutedChapter], *, since: float) -> None:
    """Refuse a report one of whose files was changed while it was built: it would name files that it was not made from.

    Raises
    ------
    ReportError
    """
    changed = [path for path in input_files(study, study_file, executed) if changed_at(path) >= since]
    if changed:
        names = ", ".join(path.relative_to(study.folder).as_posix() for path in changed)
        raise ReportError(f"changed while the report was built: {names}; build it again (what needs no change is kept)")


def library_commit() -> str | None:
    """The commit of the checkout that the library runs from, where it runs from one."""
    git = Path(__file__).resolve().parents[2] / ".git"
    try:
        head = (git / "HEAD").read_text(encoding="utf-8").strip()
        if not head.startswith("ref: "):
            return head
        name = head.removeprefix("ref: ")
        loose = git / name
        if loose.is_file():
            return loose.read_text(encoding="utf-8").strip()
        for line in (git / "packed-refs").read_text(encoding="utf-8").splitlines():
            if line.endswith(f" {name}"):
                return line.split()[0]
    except OSError:
        return None
    return None


def parameter_table(study: Study) -> list[dict[str, Any]]:
    """Every parameter with its value, and where the value comes from: default, study file, or changed for this build."""
    changed = study.overrides
    given = study._given.get("parameters", {})
    listed = []
    for name, described in Parameters.model_fields.items():
        value = getattr(study.parameters, name)
        if f"parameters.{name}" in changed:
            origin = "changed for this build"
        else:
            origin = "study file" if name in given else "default"
        listed.append(
            {"name": name, "value": value, "default": described.default, "origin": origin, "meaning": described.description or ""}
        )
    return listed


def other_changes(study: Study) -> dict[str, Any]:
    """Settings outside ``[parameters]`` that were changed for this build."""
    return {key: value for key, value in sorted(study.overrides.items()) if not key.startswith("parameters.")}


def _shown(value: Any) -> str:
    return "none" if value is None else str(value)


def how_it_was_made(study: Study, study_file: Path, executed: Sequence[ExecutedChapter] = ()) -> NotebookNode:
    """The last page as cells: inputs, parameters, versions. It holds no time and no path outside the study."""
    inputs = Table(
        "inputs",
        "Files that this report was made from, with the digest that tells whether a file is still the same.",
        (Column("File", align="left"), Column("Size", "bytes"), Column("SHA-256 (first 16 digits)", align="left")),
        tuple(
            (path.relative_to(study.folder).as_posix(), f"{path.stat().st_size}", sha256(path)[:16])
            for path in input_files(study, study_file, executed)
        ),
    )
    parameters = Table(
        "parameters",
        "Parameters that the study file or this build sets; all others have their default.",
        (Column("Parameter", align="left"), Column("Value"), Column("From", align="left"), Column("Meaning", align="left")),
        tuple(
            (item["name"], _shown(item["value"]), item["origin"], item["meaning"])
            for item in parameter_table(study)
            if item["origin"] != "default"
        ),
    )
    software = Table(
        "software",
        "Software that computed this report.",
        (Column("Package", align="left"), Column("Version", align="left")),
        (("fishreport", __version__), *sorted(versions().items())),
    )
    changes = [f"{code_span(key)} = {code_span(repr(value))}" for key, value in other_changes(study).items()]
    text = (
        "# How this report was made\n\n"
        "Every number, table and figure of this report was computed from the files below by the program fishreport; "
        "the same files, parameters and versions give the same report, byte for byte. "
        f"Random draws start from the seed {study.parameters.seed} and the name of the chapter. "
        "The file `ro-crate-metadata.json` beside this report lists all of this for programs, "
        "with the digests of the report's own files.\n"
    )
    if changes:
        text += "\nSettings changed for this build: " + "; ".join(changes) + ".\n"
    cells = [NotebookNode(cell_type="markdown", metadata=NotebookNode(), source=text)]
    for table in (inputs, *((parameters,) if parameters.rows else ()), software):
        data = json.loads(json.dumps(table._repr_mimebundle_()[TABLE_TYPE]))
        output = NotebookNode(output_type="display_data", metadata=NotebookNode(), data=NotebookNode({TABLE_TYPE: data}))
        cells.append(NotebookNode(cell_type="code", metadata=NotebookNode(), source="", execution_count=None, outputs=[output]))
    return NotebookNode(nbformat=4, nbformat_minor=5, metadata=NotebookNode(), cells=cells)


def file_entity(identifier: str, path: Path) -> dict[str, Any]:
    return {
        "@id": identifier,
        "@type": "File",
        "name": path.name,
        "contentSize": str(path.stat().st_size),
        "encodingFormat": _KINDS.get(path.suffix, "text/plain"),
        "sha256": sha256(path),
    }


def property_entity(identifier: str, name: str, value: Any, **more: Any) -> dict[str, Any]:
    return {"@id": identifier, "@type": "PropertyValue", "name": name, "value": value, **more}


def write_manifest(
    build: Path,
    study: Study,
    study_file: Path,
    executed: Sequence[ExecutedChapter],
    *,
    began: datetime.datetime,
    ended: datetime.datetime,
    request: Mapping[str, Any],
) -> None:
    """Write ``ro-crate-metadata.json`` into a finished build; only here do times stand.

    Parameters
    ----------
    build : Path
        The build's folder, all other files in place.
    study, study_file : Study, Path
    executed : sequence of ExecutedChapter
    began, ended : datetime
    request : mapping
        What was asked for: season, settings, chapters, formats.
    """
    produced = [file_entity(path.relative_to(build).as_posix(), path) for path in output_files(build)]
    inputs = input_files(study, study_file, executed)
    used = [file_entity(f"#input/{path.relative_to(study.folder).as_posix()}", path) for path in inputs]
    parameters = [
        property_entity(
            f"#parameter/{item['name']}",
            item["name"],
            item["value"],
            description=item["meaning"],
            defaultValue=item["default"],
            valueOrigin=item["origin"],
        )
        for item in parameter_table(study)
    ]
    changes = [property_entity(f"#change/{key}", key, value) for key, value in sorted(study.overrides.items())]
    software = software_entities()
    chapters = [
        {
            "@id": f"#chapter/{done.chapter.name}",
            "@type": "HowToStep",
            "name": done.chapter.file_name,
            "position": done.chapter.number,
            "seed": chapter_seed(study.parameters.seed, done.chapter.name),
            "ran": not done.cached,
            "why": done.reason,
            "seconds": round(done.seconds, 2),
        }
        for done in executed
    ]
    action = action_entity(
        "#build", f"Build of the report of season {study.season.year}", (*used, *parameters, *changes), produced, chapters,
        began=began, ended=ended,
    )  # fmt: skip
    action["request"] = json.dumps(dict(request), sort_keys=True, ensure_ascii=False, default=str)
    root = {
        "@id": "./",
        "@type": "Dataset",
        "name": study.report.title or f"Report on {study.water.name}, season {study.season.year}",
        "description": "A fishery survey report with its numbers and how they were computed.",
        "datePublished": ended.date().isoformat(),
        "license": "The license is set by the report's owner.",
        "hasPart": [{"@id": item["@id"]} for item in produced],
        "mentions": [{"@id": "#build"}],
    }
    if study.report.author:
        root["creator"] = study.report.author
    write_crate(build, [root, action, *software, *produced, *used, *parameters, *changes, *chapters])


def action_entity(
    identifier: str,
    name: str,
    used: Iterable[Mapping[str, Any]],
    produced: Iterable[Mapping[str, Any]],
    steps: Iterable[Mapping[str, Any]],
    *,
    began: datetime.datetime,
    ended: datetime.datetime,
) -> dict[str, Any]:
    """What the library did, from what and to what end, as an entity of a crate that holds those entities."""
    return {
        "@id": identifier,
        "@type": "CreateAction",
        "name": name,
        "startTime": began.isoformat(timespec="seconds"),
        "endTime": ended.isoformat(timespec="seconds"),
        "instrument": {"@id": "#fishreport"},
        "object": [{"@id": item["@id"]} for item in used],
        "result": [{"@id": item["@id"]} for item in produced],
        "step": [{"@id": item["@id"]} for item in steps],
    }


def software_entities() -> list[dict[str, Any]]:
    """The library, and the packages that it works with, as entities of a crate; the first is the library."""
    software = {
        "@id": "#fishreport",
        "@type": "SoftwareApplication",
        "name": "fishreport",
        "version": __version__,
        "softwareRequirements": [{"@id": f"#package/{name}"} for name in versions()],
        "codeDigest": code_digest(),
    }
    commit = library_commit()
    if commit:
        software["commit"] = commit
    packages = versions() | {name: importlib.metadata.version(name) for name in ("typst", "nbconvert", "mistune")}
    return [
        software,
        *(
            {"@id": f"#package/{name}", "@type": "SoftwareApplication", "name": name, "version": value}
            for name, value in packages.items()
        ),
    ]


def write_crate(folder: Path, entities: Sequence[Mapping[str, Any]]) -> None:
    """Write ``ro-crate-metadata.json`` with these entities, the root first."""
    descriptor = {
        "@id": CRATE,
        "@type": "CreativeWork",
        "conformsTo": {"@id": "https://w3id.org/ro/crate/1.1"},
        "about": {"@id": "./"},
    }
    # Our own terms, so that every name in the file is defined.
    own = {
        name: f"https://example.org/fishreport/terms#{name}"
        for name in ("codeDigest", "commit", "request", "seed", "ran", "why", "seconds", "valueOrigin")
    }
    context = ["https://w3id.org/ro/crate/1.1/context", {**own, "sha256": "https://w3id.org/ro/terms/workflow-run#sha256"}]
    crate = {"@context": context, "@graph": [descriptor, *entities]}
    (folder / CRATE).write_text(json.dumps(crate, ensure_ascii=False, indent=1) + "\n", encoding="utf-8")
