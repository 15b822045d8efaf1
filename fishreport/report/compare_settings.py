"""What was asked for and what it was computed with: settings, input files and software of two reports, side by side."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from fishreport.report.compare_build import OpenBuild


@dataclass(frozen=True)
class Change:
    """One thing that differs: its name, and its text before and after; empty where a report does not have it."""

    name: str
    before: str
    after: str
    note: str = ""


def _text(value: Any) -> str:
    if value is None:
        return "none"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, list):
        return "[" + ", ".join(_text(item) for item in value) + "]"
    return f"{value:g}" if isinstance(value, float) and float(f"{value:g}") == value else str(value)


def flatten(value: Any, name: str = "") -> dict[str, str]:
    """A study as dotted key → text; items of a list go by their name where they have one, else by their place."""
    if isinstance(value, Mapping):
        found: dict[str, str] = {}
        for key, item in value.items():
            found |= flatten(item, f"{name}.{key}" if name else str(key))
        return found
    if isinstance(value, list) and value and all(isinstance(item, Mapping) for item in value):
        found = {}
        for place, item in enumerate(value):
            own = item.get("name") or item.get("reach") or str(place)
            found |= flatten({key: part for key, part in item.items() if key != "name"}, f"{name}[{own}]")
        return found
    return {name: _text(value)}


def _settings(build: OpenBuild) -> dict[str, str]:
    study = build.study()
    raw = study.model_dump(mode="json") if study is not None else build.study_as_written()
    settings = flatten({key: value for key, value in raw.items() if key != "set_aside"})
    if study is None:
        settings |= {f"parameters.{name}": _text(item["value"]) for name, item in build.entities("#parameter/").items()}
        settings |= {key: _text(value) for key, value in build.request["settings"].items()}
    return settings


def _changes(before: Mapping[str, str], after: Mapping[str, str], notes: Mapping[str, str]) -> list[Change]:
    names = [name for name in dict.fromkeys((*before, *after)) if before.get(name) != after.get(name)]
    return [Change(name, before.get(name, ""), after.get(name, ""), notes.get(name, "")) for name in names]


def compare_settings(before: OpenBuild, after: OpenBuild) -> list[Change]:
    """Settings of the study that differ, parameters first; rows set aside are told with the rows."""
    notes = {f"parameters.{name}": item.get("description", "") for name, item in after.entities("#parameter/").items()}
    found = _changes(_settings(before), _settings(after), notes)
    return sorted(found, key=lambda change: not change.name.startswith("parameters."))


def compare_files(before: OpenBuild, after: OpenBuild) -> list[Change]:
    """Input files that differ, by the first digits of their digest."""

    def digests(build: OpenBuild) -> dict[str, str]:
        return {name: item["sha256"][:16] for name, item in build.entities("#input/").items()}

    return _changes(digests(before), digests(after), {})


def compare_software(before: OpenBuild, after: OpenBuild) -> list[Change]:
    """Packages of another version, and the library's own code where it differs."""
    found = _changes(before.versions, after.versions, {})
    code = [build.graph["#fishreport"].get("codeDigest", "") for build in (before, after)]
    if code[0] != code[1]:
        commits = [build.graph["#fishreport"].get("commit", "") for build in (before, after)]
        note = f"commit {commits[0][:12]} → {commits[1][:12]}" if all(commits) else ""
        found.append(Change("code of fishreport", code[0][:12], code[1][:12], note))
    return found
