"""A finished report, opened to be held against another one: its results, what it shows, its study and where it comes from."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from fishreport.exceptions import FishreportError, ReportError
from fishreport.exhibits.exhibit import EXPLORER_TYPE, FIGURE_TYPE, FINDINGS_TYPE, RESULTS_TYPE, SCORECARD_TYPE, TABLE_TYPE
from fishreport.report.bundle import AUTHOR_TYPE, check_bundle
from fishreport.report.manifest import CRATE, INPUTS
from fishreport.report.notebook import INJECTED, is_notebook
from fishreport.report.plan import short_name
from fishreport.study import Study, read_study

_SCORECARD_COLUMNS = (
    ("objective", "Objective"),
    ("target", "Target"),
    ("value", "Estimate"),
    ("interval", "Interval"),
    ("probability", "Probability"),
    ("verdict", "Verdict"),
)


@dataclass(frozen=True)
class Shown:
    """One thing that a chapter shows.

    Attributes
    ----------
    chapter : str
        Short name of the chapter.
    kind : str
        ``table``, ``figure``, ``finding``, ``narrative`` or ``text``.
    label : str
        Label of a table or figure; empty otherwise.
    data : dict
        A table has ``caption``, ``columns``, ``rows``, ``notes``; a figure ``caption``, ``alt``, ``svg``; the others ``text``.
    """

    chapter: str
    kind: str
    label: str
    data: Mapping[str, Any]


@dataclass(frozen=True)
class OpenBuild:
    """One report, read.

    Attributes
    ----------
    folder : Path
    water : str
    season : int
    title : str
    results : dict[str, dict]
        Id → record, as in ``results.json``.
    shown : list[Shown]
        What its chapters show, in reading order.
    titles : dict[str, str]
        Chapter → its title.
    request : dict
        What was asked of the build: season, settings, chapters, formats.
    graph : dict[str, dict]
        The entities of ``ro-crate-metadata.json`` by their id.
    """

    folder: Path
    water: str
    season: int
    title: str
    results: dict[str, dict[str, Any]]
    shown: list[Shown] = field(repr=False)
    titles: dict[str, str] = field(repr=False)
    request: dict[str, Any]
    graph: dict[str, dict[str, Any]] = field(repr=False)

    @property
    def inputs(self) -> Path:
        """The folder with the files that the report was made from."""
        return self.folder / INPUTS

    @property
    def study_file(self) -> Path | None:
        """The study file among its inputs, or None when the report does not hold them."""
        named = self.inputs / "study.toml"
        if named.is_file():
            return named
        others = [path for path in sorted(self.inputs.glob("*.toml")) if path.name != "species.toml"]
        return others[0] if len(others) == 1 else None

    def study(self) -> Study | None:
        """The study with the settings of this build; None when its inputs are not there or this version cannot read them."""
        if self.study_file is None:
            return None
        try:
            return read_study(self.study_file, overrides=self.request["settings"], season=self.request["season"])
        except FishreportError:
            return None

    def study_as_written(self) -> dict[str, Any]:
        """The study file as it stands, without defaults; empty when it is not there."""
        if self.study_file is None:
            return {}
        try:
            return tomllib.loads(self.study_file.read_text(encoding="utf-8-sig"))
        except (OSError, ValueError):
            return {}

    def entities(self, prefix: str) -> dict[str, dict[str, Any]]:
        """Entities whose id begins with `prefix`, by the rest of it."""
        return {name.removeprefix(prefix): item for name, item in self.graph.items() if name.startswith(prefix)}

    @property
    def output_digests(self) -> dict[str, str]:
        """File of the report → its SHA-256, as recorded."""
        return {item["@id"]: self.graph[item["@id"]]["sha256"] for item in self.graph["#build"]["result"]}

    @property
    def versions(self) -> dict[str, str]:
        """Package → version, the library itself first."""
        own = {"fishreport": self.graph["#fishreport"]["version"]}
        return own | {name: item["version"] for name, item in sorted(self.entities("#package/").items())}


def _cells(folder: Path) -> Iterator[tuple[str, dict[str, Any]]]:
    for path in sorted((folder / "chapters").glob("*.ipynb")):
        notebook = _read_json(path)
        if not is_notebook(notebook):
            raise ValueError(f"{path.name} is no notebook")
        for cell in notebook["cells"]:
            tags = cell["metadata"].get("tags", [])
            if INJECTED not in tags and "remove" not in tags:
                yield short_name(path.name), cell


def _scorecard(data: Mapping[str, Any]) -> dict[str, Any]:
    columns = [{"heading": heading, "units": "", "align": "right"} for _, heading in _SCORECARD_COLUMNS]
    rows = [[row[name] for name, _ in _SCORECARD_COLUMNS] for row in data["rows"]]
    return {"caption": data["caption"], "columns": columns, "rows": rows, "notes": data.get("notes", [])}


def _output(chapter: str, data: Mapping[str, Any]) -> Iterator[Shown]:
    check_bundle(data, chapter)
    if TABLE_TYPE in data:
        yield Shown(chapter, "table", data[TABLE_TYPE]["label"], data[TABLE_TYPE])
    elif EXPLORER_TYPE in data:
        yield Shown(chapter, "table", data[EXPLORER_TYPE]["table"]["label"], data[EXPLORER_TYPE]["table"])
    elif SCORECARD_TYPE in data:
        scorecard = data[SCORECARD_TYPE]
        yield Shown(chapter, "table", scorecard.get("label", "scorecard"), _scorecard(scorecard))
    elif FIGURE_TYPE in data:
        figure = data[FIGURE_TYPE]
        yield Shown(chapter, "figure", figure["label"], figure)
        if figure.get("table"):
            yield Shown(chapter, "table", f"{figure['label']} (numbers of the figure)", figure["table"])
    elif FINDINGS_TYPE in data:
        for item in data[FINDINGS_TYPE]["items"]:
            yield Shown(chapter, "finding", "", item)
    elif AUTHOR_TYPE in data:
        yield from (Shown(chapter, "narrative", "", {"text": part}) for part in _paragraphs(data[AUTHOR_TYPE]["text"]))
    elif "text/markdown" in data:
        yield from (Shown(chapter, "text", "", {"text": part}) for part in _paragraphs(_joined(data["text/markdown"])))


def _joined(text: str | list[str]) -> str:
    return text if isinstance(text, str) else "".join(text)


def _paragraphs(text: str) -> list[str]:
    return [" ".join(part.split()) for part in text.split("\n\n") if part.strip()]


def _shown(folder: Path) -> tuple[list[Shown], dict[str, str]]:
    found: list[Shown] = []
    titles: dict[str, str] = {}
    for chapter, cell in _cells(folder):
        source = _joined(cell["source"])
        if cell["cell_type"] == "markdown":
            if chapter not in titles and source.lstrip().startswith("# "):
                titles[chapter] = source.lstrip().splitlines()[0].removeprefix("# ").strip()
            found += [Shown(chapter, "text", "", {"text": part}) for part in _paragraphs(source)]
        for output in cell.get("outputs", []):
            found += _output(chapter, output.get("data", {}))
            if output["output_type"] == "stream":
                found += [Shown(chapter, "text", "", {"text": part}) for part in _paragraphs(_joined(output["text"]))]
    return found, titles


def open_build(folder: Path | str) -> OpenBuild:
    """Read a finished report.

    Parameters
    ----------
    folder : Path
        The folder that a build has put in place.

    Raises
    ------
    ReportError
        If it is not such a folder, or a part of it cannot be read.
    """
    folder = Path(folder).resolve()
    if not (folder / CRATE).is_file() or not (folder / "results.json").is_file():
        raise ReportError(f"{folder} holds no report made by fishreport ({CRATE} and results.json are not both there)")
    try:
        graph = {item["@id"]: item for item in _read_json(folder / CRATE)["@graph"]}
        content = _read_json(folder / "results.json")
        check_bundle({RESULTS_TYPE: {"results": content["results"]}}, "results.json")
        shown, titles = _shown(folder)
        opened = OpenBuild(
            folder=folder,
            water=content["study"],
            season=content["season"],
            title=graph["./"]["name"],
            results={record["id"]: record for record in content["results"]},
            shown=shown,
            titles=titles,
            request=json.loads(graph["#build"]["request"]),
            graph=graph,
        )
        return _sound(opened)
    except OSError as error:
        where = Path(error.filename or "").name
        raise ReportError(f"the report in {folder} cannot be read ({error.strerror}: {where})") from None
    except (ReportError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
        raise ReportError(
            f"the report in {folder} is damaged or of another version: its {CRATE}, results.json or chapters are not as a build "
            "writes them; build it again"
        ) from None


def _read_json(path: Path) -> Any:
    def refuse(name: str) -> Any:
        raise ValueError(f"{name} is not in JSON")

    return json.loads(path.read_text(encoding="utf-8"), parse_constant=refuse)


def _sound(build: OpenBuild) -> OpenBuild:
    """The build, once all that a review or a look at it asks for is there and of its kind."""
    request = build.request
    lists = [request["chapters"], request["formats"]]
    texts = [build.water, build.title, *build.versions.values(), *build.output_digests.values(), *build.output_digests]
    texts += [item["sha256"] for item in build.entities("#input/").values()] + [name for names in lists for name in names]
    kinds = [isinstance(request["settings"], dict), request["season"] is None or isinstance(request["season"], int)]
    kinds += [isinstance(build.season, int), *(isinstance(names, list) for names in lists)]
    kinds += [isinstance(text, str) for text in texts]
    kinds += [{"name", "value", "defaultValue"} <= item.keys() for item in build.entities("#parameter/").values()]
    if not all(kinds):
        raise ValueError("not as a build writes it")
    return build
