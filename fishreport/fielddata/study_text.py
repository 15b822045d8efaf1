"""A study file written back as TOML, for a study that travels with its data."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from typing import Any

_BARE = re.compile(r"[A-Za-z0-9_-]+")


def _key(name: str) -> str:
    return name if _BARE.fullmatch(name) else _text(name)


def _text(value: str) -> str:
    # JSON's escapes are TOML's, but for the delete sign, which TOML wants escaped.
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def toml_value(value: Any) -> str:
    """A value as TOML writes it in one line."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return _text(value)
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float):
        return repr(value)
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{_key(name)} = {toml_value(item)}" for name, item in value.items()) + " }"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(toml_value(item) for item in value) + "]"
    raise TypeError(f"a study holds no {type(value).__name__}")


def toml_text(sections: Mapping[str, Any]) -> str:
    """Sections, lists of sections, and values, as the text of a TOML file."""
    lines: list[str] = []
    _write(sections, "", lines)
    return "\n".join(lines).strip() + "\n"


def _is_list_of_sections(value: Any) -> bool:
    return isinstance(value, list | tuple) and bool(value) and all(isinstance(item, Mapping) for item in value)


def _write(section: Mapping[str, Any], path: str, lines: list[str]) -> None:
    inner = {name: value for name, value in section.items() if isinstance(value, Mapping) or _is_list_of_sections(value)}
    lines += [f"{_key(name)} = {toml_value(value)}" for name, value in section.items() if name not in inner]
    for name, value in inner.items():
        below = f"{path}.{_key(name)}" if path else _key(name)
        for item in [value] if isinstance(value, Mapping) else value:
            if not isinstance(value, Mapping):
                lines += ["", f"[[{below}]]"]
            elif not item or not all(isinstance(part, Mapping) for part in item.values()):
                lines += ["", f"[{below}]"]
            _write(item, below, lines)
