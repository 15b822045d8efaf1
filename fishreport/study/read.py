"""Reading a study file, with settings changed on the way."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from fishreport.exceptions import StudyError
from fishreport.study.model import Study
from fishreport.study.sections import Parameters
from fishreport.study.wording import did_you_mean, plain_faults

MAX_BYTES = 2_000_000
MAX_FAULTS = 20  # told at once; who has more mends these first
_STUDIES_NAMED = 5
_NEW = "`fishreport new FOLDER` lays one out"
_ON_TOP = " (given on top of the file: by --set, --season or the caller)"
# What the parser says of the commonest slips, and what a person would say.
_PLAIN_TOML = (
    ("Cannot overwrite a value", "a key stands twice"),
    ("Cannot declare", "a section stands twice; cannot declare"),
    ("Invalid value", "a value is missing, or text is not in quotation marks"),
    ("Invalid statement", "a line is neither `key = value` nor a [section]"),
    ("Expected '=' after a key in a key/value pair", "an equals sign is missing after a key"),
    ("Illegal character '\\n'", "a quotation mark is not closed; line break"),
)


def _set(raw: dict[str, Any], dotted: str, value: Any) -> None:
    parts = dotted.split(".")
    node: Any = raw
    for depth, part in enumerate(parts):
        last = depth == len(parts) - 1
        if isinstance(node, list):
            index = int(part) if part.isascii() and part.isdecimal() and len(part) < 10 else -1
            if not 0 <= index < len(node):
                raise StudyError(f"no item {part!r} in a list of {len(node)}; count from 0", key=dotted)
            if last:
                node[index] = value
            else:
                node = node[index]
        elif isinstance(node, dict):
            if last:
                node[part] = value
            else:
                node = node.setdefault(part, {})
        else:
            raise StudyError(f"{'.'.join(parts[:depth])} is a value and has no key {part!r}", key=dotted)


def full_key(key: str) -> str:
    """The dotted key of one given on top of the study file: a parameter goes by its name alone too.

    Raises
    ------
    StudyError
        If it is much like the name of a parameter, and that of nothing else.
    """
    if "." in key or key in Study.model_fields:
        return key
    if key in Parameters.model_fields:
        return f"parameters.{key}"
    near = did_you_mean(key, [*Parameters.model_fields, *Study.model_fields], 0.75)
    if near and near == did_you_mean(key, [*Parameters.model_fields], 0.75):
        raise StudyError(f"there is no such parameter; {near}", key=key)
    return key  # told with the other keys of the study


def parse_setting(text: str) -> tuple[str, Any]:
    """``"parameters.level=0.9"`` or ``"level=0.9"`` → dotted key and typed value (TOML; bare words are text)."""
    key, equals, value = text.partition("=")
    key = key.strip()
    if not equals or not key:
        raise StudyError(f"a setting is KEY=VALUE, such as level=0.9; got {text[:80]!r}")
    key = full_key(key)
    try:
        return key, tomllib.loads(f"value = {value.strip()}")["value"]
    except tomllib.TOMLDecodeError:
        return key, value.strip()
    except RecursionError:
        raise StudyError("lists in the value are nested too deep", key=key) from None


def read_study(path: Path | str, *, overrides: Mapping[str, Any] | None = None, season: int | None = None) -> Study:
    """Read and check a study.

    Parameters
    ----------
    path : Path
        The study folder or its ``study.toml``.
    overrides : mapping, optional
        Dotted key → value, set before the study is checked (``{"parameters.level": 0.9}``); parameters by their name too.
    season : int, optional
        Report this season instead of the one in the file.

    Raises
    ------
    StudyError
        If the file is missing, not TOML, or any key is unknown, missing or out of bounds; all faults are named.
    """
    path = Path(path)
    file = path / "study.toml" if path.is_dir() else path
    raw = _read_toml(file)
    written = raw.get("season")
    written_year = written.get("year") if isinstance(written, dict) else None
    changed = {full_key(key): value for key, value in (overrides or {}).items()}
    if season is not None:
        changed["season.year"] = season
    for key, value in changed.items():
        _set(raw, key, value)
    try:
        study = Study.model_validate(raw)
    except RecursionError:
        raise StudyError("sections are nested too deep", str(file)) from None
    except ValidationError as error:
        faults = [(key, f"{text}{_ON_TOP if key in changed else ''}") for key, text in plain_faults(error)]
        if len(faults) == 1:
            raise StudyError(faults[0][1], str(file), faults[0][0]) from None
        listed = "\n".join(f"  {key}: {text}" if key else f"  {text}" for key, text in faults[:MAX_FAULTS])
        listed += f"\n  and {len(faults) - MAX_FAULTS} more" if len(faults) > MAX_FAULTS else ""
        raise StudyError(f"{len(faults)} faults\n{listed}", str(file)) from None
    study._folder = file.resolve().parent
    study._given = raw
    study._overrides = changed
    study._written_year = written_year if type(written_year) is int and 1900 <= written_year <= 2200 else study.season.year
    _contained(study, str(file))
    return study


def _read_toml(file: Path) -> dict[str, Any]:
    try:
        if not file.is_file():
            below = sorted(path.parent.name for path in file.parent.glob(f"*/{file.name}"))[:_STUDIES_NAMED]
            advice = f"there are some in {', '.join(below)}: name one, or run `fishreport batch`" if below else _NEW
            raise StudyError(f"there is no study here; {advice}", str(file))
        if file.stat().st_size > MAX_BYTES:
            raise StudyError(f"the file is larger than {MAX_BYTES // 1_000_000} MB; check that it is the right file", str(file))
        text = file.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError:
        raise StudyError("the file is not UTF-8 text; save it as UTF-8", str(file)) from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "not a path"
        raise StudyError(f"the file cannot be opened ({reason})", str(file)) from None
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        said = str(error)
        for raised, plain in _PLAIN_TOML:
            said = said.replace(raised, plain)
        raise StudyError(f"not readable as TOML: {said}", str(file)) from None
    except RecursionError:
        raise StudyError("not readable as TOML: sections or lists are nested too deep", str(file)) from None


def _contained(study: Study, file: str) -> None:
    paths = {f"data.{name}": value for name, value in study.data.model_dump().items() if value and not study.data.workbook}
    if study.data.workbook:
        paths["data.workbook"] = study.data.workbook
    paths["report.narrative"] = study.report.narrative
    for key, value in paths.items():
        try:
            inside = not Path(value).is_absolute() and (study.folder / value).resolve().is_relative_to(study.folder)
        except (ValueError, OSError, RuntimeError):  # a NUL in the name, a name too long, symbolic links in a circle
            inside = False
        if not inside:
            raise StudyError(f"must lie inside the study folder, not {value!r}", file, key)
