"""What a chapter read while it ran: settings of the study, tables, files. The cache asks whether those have changed.

Reading is recorded where it happens: the study and the survey that a chapter gets are of subclasses that note every attribute
that is looked up, and an audit hook notes every file that Python opens outside the libraries. A chapter that reads the clock,
the network or another program must say ``"fishreport": {"cache": false}`` in its notebook's metadata.
"""

from __future__ import annotations

import dataclasses
import hashlib
import importlib.util
import json
import os
import sys
import sysconfig
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

import pandas as pd
from pydantic import BaseModel

from fishreport.fielddata.survey import Survey
from fishreport.report.place import MARKER
from fishreport.study import Study

EVERYTHING = "*"
# Sections that are noted key by key; any other key of the study file is noted as a whole.
SECTIONS = ("water", "season", "parameters", "report")
# Names that pydantic's own machinery looks up and that carry no value of the study.
_MACHINERY = (
    "__pydantic_private__",
    "__pydantic_extra__",
    "__pydantic_fields_set__",
    "__pydantic_validator__",  # isinstance() looks for it in pydantic before 2.12
    "__class__",
    "__class_getitem__",
)


def _digest(value: Any) -> str:
    text = json.dumps(value, sort_keys=True, ensure_ascii=False, default=str)
    return hashlib.sha256(text.encode()).hexdigest()[:32]


def _plain(value: Any) -> Any:
    if isinstance(value, BaseModel):
        return value.model_dump(mode="json")
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if isinstance(value, set | frozenset):  # in an order of its own, which differs from process to process
        return sorted(str(item) for item in value)
    return value


def study_digest(study: Study, key: str) -> str:
    """Digest of one setting: ``parameters.level``, a whole section, or ``*`` for the whole study file."""
    if key == EVERYTHING:
        return _digest([study.model_dump(mode="json"), _plain(study.overrides), sorted(study.parameters.model_fields_set)])
    value: Any = study
    section, _, name = key.rpartition(".")
    for part in key.split("."):
        value = getattr(value, part)
    if section == "parameters":  # that a parameter is given counts too, though its value be the default
        return _digest([_plain(value), study.parameters.gives(name)])
    given = sorted(value.model_fields_set) if isinstance(value, BaseModel) else []
    return _digest([_plain(value), given])


def table_digest(frame: pd.DataFrame) -> str:
    """Digest of a table: its columns, their types, and every row in order."""
    state = hashlib.sha256(repr([(str(name), str(kind)) for name, kind in frame.dtypes.items()]).encode())
    try:
        state.update(pd.util.hash_pandas_object(frame, index=True).to_numpy().tobytes())
    except TypeError:  # a cell that cannot be hashed, such as a list
        state.update(frame.to_json(orient="split", date_format="iso", default_handler=str).encode())
    return state.hexdigest()[:32]


def changed_at(path: Path) -> float:
    """When a file last became what it is (seconds, by the clock of its file system).

    Where it is told, that is the time of the last change of its entry, which moves when another file takes its name and which
    nobody can set; else the time of its last writing.
    """
    found = path.stat()
    return found.st_ctime if os.name == "posix" else found.st_mtime


def file_digest(path: Path) -> str:
    """Digest of a file, or ``absent``."""
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()[:32]
    except (OSError, ValueError):
        return "absent"


def folder_digest(folder: Path, ignored: tuple[str, ...] = ()) -> str:
    """Digest of all files below a folder; hidden ones are left out, finished reports, and what is named in `ignored` at its top.

    Links to folders are followed, each folder once.
    """
    state = hashlib.sha256()
    for name, path in sorted(_below(folder, ignored)):
        state.update(os.fsencode(name) + f"\0{file_digest(path)}\n".encode())
    return state.hexdigest()[:32]


def _below(folder: Path, ignored: tuple[str, ...]) -> Iterator[tuple[str, Path]]:
    seen: set[str] = set()
    for place, folders, files in os.walk(folder, followlinks=True):
        here, real = Path(place), os.path.realpath(place)
        top = here == folder
        if real in seen or (MARKER in files and not top):
            folders.clear()
            continue
        seen.add(real)
        left_out = ignored if top else ()
        folders[:] = sorted(name for name in folders if not name.startswith(".") and name not in ("__pycache__", *left_out))
        for name in files:
            if not name.startswith(".") and name not in left_out:
                yield (here / name).relative_to(folder).as_posix(), here / name


def _watching(base: type, name_read: Callable[[str], None], read: Callable[[Any, str], Any]) -> type:
    """A subclass of `base` whose every look-up of an attribute goes through `read`, and whose whole-object uses are noted."""

    def lookup(self: Any, name: str) -> Any:
        return read(self, name)

    def whole(name: str) -> Callable[..., Any]:
        def method(self: Any, *arguments: Any) -> Any:
            name_read(EVERYTHING)
            return getattr(base, name)(self, *arguments)

        return method

    body: dict[str, Any] = {"__getattribute__": lookup, "__module__": base.__module__, "__qualname__": base.__qualname__}
    for name in ("__eq__", "__repr__", "__str__", "__iter__", "__copy__", "__deepcopy__", "__reduce_ex__", "__getstate__"):
        if hasattr(base, name):
            body[name] = whole(name)
    body["__hash__"] = getattr(base, "__hash__", None)
    return type(base)(base.__name__, (base,), body)


def _as(model: Any, kind: type) -> Any:
    copied: Any = object.__new__(kind)
    for name in ("__dict__", "__pydantic_private__", "__pydantic_extra__", "__pydantic_fields_set__"):
        if hasattr(model, name):
            object.__setattr__(copied, name, getattr(model, name))
    return copied


class Reads:
    """The record of what one chapter reads."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.settings: set[str] = set()
        self.tables: set[str] = set()
        self.files: set[str] = set()
        self.results = False
        self.folder_read = False

    def watch_study(self, study: Study) -> Study:
        """The same study, whose settings are noted as they are read."""
        sections: dict[str, Any] = {}
        for section in SECTIONS:
            model = getattr(study, section)
            note = self._note_setting(f"{section}.")
            sections[section] = _as(model, _watching(type(model), note, self._reader(note, type(model), {})))
        note = self._note_setting("")
        own_standards = study.own_standards

        def read(instance: Any, name: str) -> Any:
            if name == "own_standards":  # one file, not the whole folder
                self.files.add(str(study.folder / "species.toml"))
                return own_standards
            return reader(instance, name)

        reader = self._reader(note, Study, sections)
        watched = _as(study, _watching(Study, note, read))
        assert isinstance(watched, Study)
        return watched

    def _note_setting(self, prefix: str) -> Callable[[str], None]:
        def note(name: str) -> None:
            self.settings.add(prefix.removesuffix(".") if name == EVERYTHING and prefix else f"{prefix}{name}")

        return note

    def _reader(self, note: Callable[[str], None], base: type, inner: dict[str, Any]) -> Callable[[Any, str], Any]:
        fields = getattr(base, "model_fields", {})
        own = {name for kind in base.__mro__ if kind.__module__.startswith("fishreport") for name in vars(kind)}

        lookup: Callable[[Any, str], Any] = base.__getattribute__  # type: ignore[assignment]

        def read(instance: Any, name: str) -> Any:
            if name in inner:
                return inner[name]
            if name in fields:
                note(name)
            elif name == "_folder":
                self.folder_read = True
            elif name not in _MACHINERY and not (name in own and not name.startswith("_") and not name.startswith("model_")):
                note(EVERYTHING)
            return lookup(instance, name)

        return read

    def watch_survey(self, survey: Survey) -> Survey:
        """The same survey, whose tables are noted as they are read."""
        names = {item.name for item in dataclasses.fields(Survey)}

        def note(name: str) -> None:
            self.tables |= names if name == EVERYTHING else {name}

        def read(instance: Any, name: str) -> Any:
            if name in names:
                note(name)
            elif name == "__dict__":
                note(EVERYTHING)
            return Survey.__getattribute__(instance, name)

        watched = _as(survey, _watching(Survey, note, read))
        assert isinstance(watched, Survey)
        return watched

    def watch_files(self) -> None:
        """Note every file that this process opens from now on, apart from libraries, fonts and temporary files."""
        apart = {sys.prefix, sys.base_prefix, *sysconfig.get_paths().values(), "/proc", "/sys", "/dev", "/etc", "/usr", "/var"}
        apart |= {str(Path(__file__).resolve().parents[1]), os.environ.get("FISHREPORT_RUNTIME") or os.devnull}
        apart |= {str(Path.home() / name) for name in (".cache", ".config", ".local", ".ipython", ".jupyter", ".matplotlib")}
        left_out = tuple(str(Path(path)) + os.sep for path in apart if path)
        inside = str(self.folder) + os.sep

        def hook(event: str, arguments: tuple[Any, ...]) -> None:
            if event == "sqlite3.connect" and isinstance(arguments[0], str):
                self.files.add(os.path.abspath(arguments[0]))  # noqa: PTH100
            if event == "open" and isinstance(arguments[0], str) and isinstance(arguments[1], str | None):
                mode = arguments[1] or "r"
                path = os.path.abspath(arguments[0])  # noqa: PTH100 - a hook must not open or import anything itself
                if not set(mode) & set("wax") and (path.startswith(inside) or not path.startswith(left_out)):
                    self.files.add(path)

        sys.addaudithook(hook)
        for module in list(sys.modules.values()):  # the study's own, imported before
            source = getattr(module, "__file__", None)
            if isinstance(source, str) and source.startswith(inside):
                self.files.add(source)

    def record(self) -> dict[str, Any]:
        """The record as JSON data; files inside the study folder are named relative to it."""
        files = set()
        for name in self.files:
            path = Path(name)
            if path.suffix == ".pyc" and path.parent.name == "__pycache__":
                path = Path(importlib.util.source_from_cache(name))
            inside = path.is_relative_to(self.folder)
            files.add(path.relative_to(self.folder).as_posix() if inside else str(path))
        return {
            "settings": sorted(self.settings),
            "tables": sorted(self.tables),
            "files": sorted(files),
            "results": self.results,
            "folder": self.folder_read,
        }
