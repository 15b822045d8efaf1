"""Which chapters a report has, in which order, and where their notebooks lie."""

from __future__ import annotations

import ast
import difflib
import json
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from fishreport.exceptions import ChapterError, StudyError, UsageError
from fishreport.resources import locate
from fishreport.study import Study

FRONT = "front"
LAST = 2
MAX_BYTES = 50_000_000
PARAMETERS = ("study", "season", "settings", "results")
_PREFIX = re.compile(r"^\d+[-_]")


@dataclass(frozen=True)
class PlannedChapter:
    """A chapter to run.

    Attributes
    ----------
    name : str
        Its name, such as ``abundance``.
    number : int
        Its number in the report; 0 for the front page.
    notebook : Path
        The notebook.
    wave : int
        0 for a chapter that stands alone; 1 for one that runs after those, because it uses what they found; 2 after both.
    cached : bool
        False when it asks never to be taken from the cache.
    leaves_out : tuple of str
        Chapters whose results it does not use, so that it need not run again when they have changed.
    long : bool
        True when it takes longer than others: it then starts before them.
    """

    name: str
    number: int
    notebook: Path
    wave: int = 0
    cached: bool = True
    leaves_out: tuple[str, ...] = ()
    long: bool = False

    @property
    def file_name(self) -> str:
        """Name of its files in a build, such as ``02-abundance``."""
        return f"{self.number:02d}-{self.name}"

    def needs(self, planned: Sequence[PlannedChapter]) -> list[PlannedChapter]:
        """Those of the planned chapters that must be done before it starts."""
        return [other for other in planned if other.wave < self.wave and other.name not in self.leaves_out]


def short_name(file: str) -> str:
    """``chapters/03-creel.ipynb`` → ``creel``."""
    return _PREFIX.sub("", Path(file).name.removesuffix(".ipynb"))


def _shipped(folder: Path) -> dict[str, Path]:
    return {short_name(path.name): path for path in sorted(folder.glob("*.ipynb"))}


def _own(study: Study, name: str) -> Path | None:
    for candidate in (name, f"{name}.ipynb", f"chapters/{name}", f"chapters/{name}.ipynb"):
        try:
            path = (study.folder / candidate).resolve()
            there = path.suffix == ".ipynb" and path.is_file()
        except (OSError, ValueError, RuntimeError):  # a name too long, a NUL in it, links in a circle
            return None
        if there:
            if not path.is_relative_to(study.folder):
                raise StudyError(f"a chapter must lie inside the study folder, not {name!r}", "study.toml", "report.chapters")
            return path
    return None


def _asks(notebook: Path) -> dict[str, Any]:
    """What a notebook asks of a build, once it is known to be one."""
    import nbformat

    try:
        if notebook.stat().st_size > MAX_BYTES:
            size = f"{MAX_BYTES // 1_000_000} MB"
            raise StudyError(f"the notebook is larger than {size}; clear its outputs and save it again", str(notebook))
        raw = json.loads(notebook.read_text(encoding="utf-8"))
        nbformat.validate(nbformat.from_dict(raw))
        wishes = raw["metadata"].get("fishreport", {})
    except StudyError:
        raise
    except OSError as error:
        raise StudyError(f"the notebook cannot be read ({error.strerror})", str(notebook)) from None
    except Exception:  # nbformat raises whatever a damaged notebook makes it stumble on
        raise StudyError("this is not a Jupyter notebook of format 4; save it again from Jupyter", str(notebook)) from None
    return wishes if isinstance(wishes, dict) else {}


def _wave(asks: dict[str, Any]) -> int:
    wish = asks.get("uses_results", 0)
    return min(max(int(wish), 0), LAST) if isinstance(wish, int) else 0


def _left_out(asks: dict[str, Any]) -> tuple[str, ...]:
    wish = asks.get("results_except", ())
    return tuple(sorted({name for name in wish if isinstance(name, str)})) if isinstance(wish, list) else ()


def plan_chapters(study: Study, *, only: Sequence[str] = (), folder: Path | None = None) -> list[PlannedChapter]:
    """The chapters of a report in order, the front page last (it is run last and placed first).

    Parameters
    ----------
    study : Study
        Names the chapters: those that travel with the package by their short name, its own by their file name.
    only : sequence of str, optional
        Build only these; they keep their numbers.
    folder : Path, optional
        Where the package's chapters lie, instead of where they travel.

    Raises
    ------
    StudyError
        If a chapter does not exist, is named twice, or is not a notebook.
    UsageError
        If `only` names a chapter that the study does not have.
    """
    shipped = _shipped(folder or locate("notebooks") / "chapters")
    planned: list[PlannedChapter] = []
    for number, name in enumerate(study.report.chapters, start=1):
        own = _own(study, name) if name.endswith(".ipynb") or name not in shipped else None
        path = own or shipped.get(name)
        if path is None:
            near = difflib.get_close_matches(name, [key for key in shipped if key != FRONT], n=1)
            known = ", ".join(key for key in shipped if key != FRONT) or "none"
            hint = (
                f"did you mean {near[0]!r}?" if near else f"known: {known}; a chapter of the study's own is a file in its folder"
            )
            raise StudyError(f"no chapter {name[:80]!r}; {hint}", "study.toml", "report.chapters")
        asks = _asks(path)
        chapter = PlannedChapter(
            name=short_name(path.name),
            number=number,
            notebook=path,
            wave=_wave(asks),
            cached=asks.get("cache") is not False,
            leaves_out=_left_out(asks),
            long=asks.get("long") is True,
        )
        if chapter.name == FRONT or any(other.name == chapter.name for other in planned):
            raise StudyError(f"two chapters are called {chapter.name!r}; rename one", "study.toml", "report.chapters")
        planned.append(chapter)
    if only:
        names = [chapter.name for chapter in planned]
        for wanted in only:
            if short_name(wanted) not in names:
                raise UsageError(f"the study has no chapter {wanted!r}; it has {', '.join(names)}")
        planned = [chapter for chapter in planned if chapter.name in {short_name(wanted) for wanted in only}]
    if FRONT in shipped:
        front = shipped[FRONT]
        planned.append(PlannedChapter(FRONT, 0, front, LAST, _asks(front).get("cache") is not False))
    if not planned:
        raise StudyError("the report has no chapter; name some", "study.toml", "report.chapters")
    return planned


def is_whole(planned: Sequence[PlannedChapter], folder: Path | None = None) -> bool:
    """True when no chapter that travels with the package is left out, so that every reference to one must lead somewhere."""
    return set(_shipped(folder or locate("notebooks") / "chapters")) <= {chapter.name for chapter in planned}


def _assigned(code: str) -> set[str]:
    """The names that a piece of code sets outside functions."""
    found: set[str] = set()
    for node in ast.parse(code).body:
        targets = node.targets if isinstance(node, ast.Assign) else [node.target] if isinstance(node, ast.AnnAssign) else []
        found |= {target.id for target in targets if isinstance(target, ast.Name)}
    return found


def check_parameters(chapter: PlannedChapter) -> None:
    """Refuse a notebook whose ``parameters`` cell does not declare what a build passes.

    papermill itself only logs a parameter that a notebook does not know, and the chapter would silently report the demo.
    """
    try:
        raw = json.loads(chapter.notebook.read_text(encoding="utf-8"))
        tagged = [cell for cell in raw["cells"] if "parameters" in cell["metadata"].get("tags", [])]
        declared = _assigned("".join(tagged[0]["source"])) if tagged else set()
    except (SyntaxError, ValueError, RecursionError, MemoryError):
        said = "its cell tagged `parameters` is not plain Python"
        raise ChapterError(chapter.file_name, None, said, str(chapter.notebook)) from None
    missing = [name for name in PARAMETERS if name not in declared]
    if missing:
        listed = ", ".join(missing)
        raise ChapterError(
            chapter.file_name,
            None,
            f"its cell tagged `parameters` must set {', '.join(PARAMETERS)}; it lacks {listed}",
            str(chapter.notebook),
        )
