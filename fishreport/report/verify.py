"""Can a report be repeated from what lies in its folder? Look at its files, its inputs and the software, and build it again."""

from __future__ import annotations

import json
import shutil
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from fishreport import __version__
from fishreport.exceptions import FishreportError, ReportError
from fishreport.exhibits.tabulate import counted
from fishreport.report.cache import code_digest, versions
from fishreport.report.compare_build import OpenBuild, open_build
from fishreport.report.manifest import CRATE, output_files, sha256
from fishreport.report.temporary import private_prefix

if TYPE_CHECKING:
    from fishreport.report.kernels import ForkServer
    from fishreport.report.progress import Progress

Outcome = Literal["same", "differs", "unknown"]
_NAMED = 5


@dataclass(frozen=True)
class Checked:
    """One thing that was looked at.

    Attributes
    ----------
    what : str
        ``report``, ``inputs``, ``study``, ``version``, ``code``, ``packages`` or ``rebuild``.
    outcome : str
        ``same``, ``differs`` or ``unknown`` (it could not be looked at).
    text : str
        What was found, in a sentence.
    items : tuple[str, ...]
        The files or packages that differ.
    needed : bool
        Whether the report counts as repeatable only if this is the same.
    """

    what: str
    outcome: Outcome
    text: str
    items: tuple[str, ...] = ()
    needed: bool = True


@dataclass(frozen=True)
class Verification:
    """What a look at a report came to.

    Attributes
    ----------
    build : OpenBuild
    checks : tuple[Checked, ...]
    """

    build: OpenBuild
    checks: tuple[Checked, ...]

    @property
    def repeatable(self) -> bool:
        """True when the report is whole, holds its inputs, and was built again to the byte."""
        return all(check.outcome == "same" for check in self.checks if check.needed)

    def record(self) -> dict[str, Any]:
        """All of it as JSON data."""
        checks = [{**vars(check), "items": list(check.items)} for check in self.checks]
        return {"build": str(self.build.folder), "repeatable": self.repeatable, "checks": checks}

    def lines(self) -> list[str]:
        """All of it as lines of text."""
        marks = {"same": "same    ", "differs": "differs ", "unknown": "unknown "}
        lines = []
        for check in self.checks:
            more = f" and {len(check.items) - _NAMED} more" if len(check.items) > _NAMED else ""
            items = f": {', '.join(check.items[:_NAMED])}{more}" if check.items else ""
            lines.append(f"{marks[check.outcome]} {check.what}: {check.text}{items}")
        lines.append("This report can be repeated from what lies there." if self.repeatable else "This report was not repeated.")
        return lines


def _files(folder: Path) -> dict[str, str]:
    """Every file of a report but its metadata and hidden ones → its digest."""
    return {path.relative_to(folder).as_posix(): sha256(path) for path in output_files(folder)}


def _difference(expected: dict[str, str], found: dict[str, str]) -> tuple[str, ...]:
    names = sorted(name for name in expected.keys() | found.keys() if expected.get(name) != found.get(name))

    def say(name: str) -> str:
        return f"{name} (missing)" if name not in found else f"{name} (not recorded)" if name not in expected else name

    return tuple(map(say, names))


def _whole(build: OpenBuild) -> Checked:
    differing = _difference(build.output_digests, _files(build.folder))
    if differing:
        return Checked("report", "differs", "files are not as they were written", differing)
    return Checked("report", "same", f"all {len(build.output_digests)} files are as they were written")


def _recorded_inputs(build: OpenBuild) -> dict[str, str]:
    recorded = {name: item["sha256"] for name, item in build.entities("#input/").items()}
    for name in recorded:
        if not (build.inputs / name).resolve().is_relative_to(build.inputs):
            raise ReportError(f"{build.folder / CRATE} names an input outside the report: {name!r}")
    return recorded


def _inputs(build: OpenBuild) -> Checked:
    recorded = _recorded_inputs(build)
    found = {name: sha256(path) for name in recorded if (path := build.inputs / name).is_file()}
    if not found:
        return Checked("inputs", "unknown", "the report does not hold its inputs; name its study")
    differing = _difference(recorded, found)
    if differing:
        return Checked("inputs", "differs", "files that the report was made from are not there as recorded", differing)
    return Checked("inputs", "same", f"all {len(recorded)} files that the report was made from lie in it as recorded")


def _study(build: OpenBuild, folder: Path) -> Checked:
    recorded = _recorded_inputs(build)
    found = {name: sha256(path) for name in recorded if (path := folder / name).is_file()}
    differing = _difference(recorded, found)
    if differing:
        return Checked("study", "differs", f"the study in {folder} has changed since", differing, needed=False)
    return Checked("study", "same", f"the study in {folder} is as it was", needed=False)


def _software(build: OpenBuild) -> list[Checked]:
    was = build.versions
    library = was["fishreport"]
    checks = [
        Checked("version", "same", f"fishreport {library}", needed=False)
        if library == __version__
        else Checked("version", "differs", f"built by fishreport {library}, this is {__version__}", needed=False)
    ]
    same_code = build.graph["#fishreport"].get("codeDigest") == code_digest()
    text = "the library's code is the same" if same_code else "the library's code is not the same"
    checks.append(Checked("code", "same" if same_code else "differs", text, needed=False))
    here = versions()
    differing = tuple(
        f"{name} {was.get(name, 'none')} then, {here[name]} now" for name in sorted(here) if was.get(name) != here[name]
    )
    text = "other versions" if differing else f"all {len(here)} versions are the same"
    checks.append(Checked("packages", "differs" if differing else "same", text, differing, needed=False))
    return checks


def _lay_out(build: OpenBuild, source: Path, folder: Path) -> Path:
    """Copy the inputs into a folder of their own, where no earlier work lies; the study file there."""
    for name in _recorded_inputs(build):
        target = folder / name
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(source / name, target)
    named = folder / "study.toml"
    return named if named.is_file() else folder / next(path.name for path in folder.glob("*.toml") if path.name != "species.toml")


def _rebuild(build: OpenBuild, source: Path, options: dict[str, Any]) -> Checked:
    from fishreport.report.build import build_report

    request = build.request
    with tempfile.TemporaryDirectory(prefix=private_prefix()) as temporary:
        root = Path(temporary).resolve()
        try:
            again = build_report(
                _lay_out(build, source, root / "study"),
                out=root / "report",
                settings=request["settings"],
                season=request["season"],
                chapters=request["chapters"],
                formats=request["formats"],
                fresh=True,
                **options,
            )
        except FishreportError as error:
            return Checked("rebuild", "differs", f"it could not be built again: {error}")
        except (OSError, StopIteration) as error:
            return Checked("rebuild", "differs", f"its inputs could not be laid out: {error}")
        differing = _difference(build.output_digests, _files(again.folder))
        if not differing and (names := _said_otherwise(build, open_build(again.folder))):
            return Checked(
                "rebuild", "differs", f"built again, every file came out the same, but {CRATE} says otherwise of", names
            )
        if not differing:
            count = len(build.output_digests)
            return Checked("rebuild", "same", f"built again, all {count} files but the one that records time came out the same")
        return Checked("rebuild", "differs", _say_moves(build, again.folder), differing)


_OF_ONE_BUILD = ("startTime", "endTime", "datePublished", "ran", "why", "seconds")
_OF_SOFTWARE = ("#fishreport", "#package/")  # looked at by themselves


def _said_otherwise(build: OpenBuild, again: OpenBuild) -> tuple[str, ...]:
    """Entities of the metadata that a build from the same files writes otherwise, but for times and software."""

    def said(one: OpenBuild) -> dict[str, Any]:
        return {
            name: {key: value for key, value in entity.items() if key not in _OF_ONE_BUILD}
            for name, entity in one.graph.items()
            if not name.startswith(_OF_SOFTWARE)
        }

    first, second = said(build), said(again)
    return tuple(name for name in sorted(first.keys() | second.keys()) if first.get(name) != second.get(name))


def _say_moves(build: OpenBuild, again: Path) -> str:
    from fishreport.report.compare_results import compare_results

    moves = [move for move in compare_results(build, open_build(again)) if move.kind != "wording"]
    if not moves:
        return "built again; every result is the same, and files differ"
    beyond = sum(bool(move.beyond) for move in moves)
    return f"built again; {counted(len(moves), 'result')} moved, {beyond} beyond the interval, and files differ"


def _beside(build: OpenBuild) -> Path | None:
    parent = build.folder.parent
    return parent if (parent / "study.toml").is_file() else None


def verify_build(
    build: Path | str,
    *,
    study: Path | str | None = None,
    rebuild: bool = True,
    jobs: int | None = None,
    progress: Progress | None = None,
    notebooks: Path | None = None,
    server: ForkServer | None = None,
) -> Verification:
    """Whether a report can be repeated from what lies in its folder.

    Its files and inputs are held against the digests recorded when it was built; then it is built again, from those inputs and
    without any earlier work, in a temporary folder, and every file is compared. Its chapters are programs: verify only a report
    that you would have built yourself.

    Parameters
    ----------
    build : Path
        Folder of the report.
    study : Path, optional
        Study folder or its study file: what is there now is compared too, and it is built from when the report does not hold
        its inputs. The folder around the report otherwise, where it is a study.
    rebuild : bool
        False looks at digests and versions only; then `Verification.repeatable` is False.
    jobs, progress, notebooks, server
        As in `fishreport.report.build.build_report`.

    Raises
    ------
    ReportError
        If the folder holds no report.
    """
    opened = open_build(build)
    checks = [_whole(opened), _inputs(opened)]
    given = None if study is None else Path(study)
    folder = _beside(opened) if given is None else (given if given.is_dir() else given.parent).resolve()
    if folder is not None:
        checks.append(_study(opened, folder))
    checks += _software(opened)
    source = opened.inputs if opened.inputs.is_dir() else folder
    if not rebuild:
        checks.append(Checked("rebuild", "unknown", "not built again"))
    elif source is None:
        checks.append(Checked("rebuild", "unknown", "there is nothing to build it from"))
    else:
        options = {"jobs": jobs, "progress": progress, "notebooks": notebooks, "server": server}
        checks.append(_rebuild(opened, source, options))
    return Verification(opened, tuple(checks))


def verification_json(verification: Verification) -> bytes:
    """The verification as a JSON file."""
    return (json.dumps(verification.record(), ensure_ascii=False, indent=1) + "\n").encode()
