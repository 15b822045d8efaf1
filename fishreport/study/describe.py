"""Every key of the study file with its type, default and meaning, taken from the model itself."""

from __future__ import annotations

import types
import typing
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Literal

from annotated_types import Ge, Gt, Le, Lt, MaxLen, MinLen
from pydantic import BaseModel
from pydantic.fields import FieldInfo

from fishreport.study.model import Study

_WORDS = {float: "number", int: "whole number", str: "text", bool: "true or false"}


@dataclass(frozen=True, slots=True)
class Key:
    """One key of the study file.

    Attributes
    ----------
    name : str
        Dotted, such as ``parameters.level``; ``[]`` marks a list of tables, ``CODE`` stands for the code of a species.
    kind : str
        What is written there, with its bounds.
    default : str
        Its value when left out: ``required``, ``none``, or the value as TOML writes it.
    meaning : str
        What it is for.
    """

    name: str
    kind: str
    default: str
    meaning: str


def _bounds(metadata: list[Any]) -> str:
    words = []
    for item in metadata:
        for inner in getattr(item, "metadata", None) or [item]:
            match inner:
                case Gt():
                    words.append(f"above {inner.gt:g}")
                case Ge():
                    words.append(f"at least {inner.ge:g}")
                case Lt():
                    words.append(f"below {inner.lt:g}")
                case Le():
                    words.append(f"at most {inner.le:g}")
                case MinLen() if inner.min_length == 1:
                    words.append("not empty")
                case MinLen():
                    words.append(f"{inner.min_length} characters or more")
                case MaxLen():
                    words.append(f"{inner.max_length} characters at most")
    return ", ".join(words)


def _kind(annotation: Any, metadata: list[Any]) -> str:
    """The type of a key in plain words."""
    origin, inside = typing.get_origin(annotation), typing.get_args(annotation)
    if origin is typing.Annotated:
        fields = [getattr(item, "metadata", [item]) if isinstance(item, FieldInfo) else [item] for item in inside[1:]]
        return _kind(inside[0], [*metadata, *(piece for field in fields for piece in field)])
    if origin in (typing.Union, types.UnionType):
        return _kind(next(item for item in inside if item is not type(None)), metadata)
    if origin is Literal:
        return "one of " + ", ".join(repr(word) for word in inside)
    if origin is tuple:
        if Ellipsis in inside:
            return f"list of: {_kind(inside[0], [])}"
        return f"list of {len(inside)}: {_kind(inside[0], [])}"
    if origin is dict:
        return "column = text"
    bounds = _bounds(metadata)
    return _WORDS.get(annotation, "section") + (f", {bounds}" if bounds else "")


def _toml(value: Any) -> str:
    match value:
        case None:
            return "none"
        case bool():
            return str(value).lower()
        case str():
            return f'"{value}"'
        case tuple() | list():
            return "[" + ", ".join(_toml(item) for item in value) + "]"
        case dict():
            return "{}"
        case _:
            return repr(value)


def _section(annotation: Any) -> tuple[type[BaseModel], str] | None:
    """The model inside an annotation, and how a path to its keys is written."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation, ""
    origin, inside = typing.get_origin(annotation), typing.get_args(annotation)
    suffix = "[]" if origin is tuple else ".CODE" if origin is dict else ""
    for item in inside:
        if item is not Ellipsis and (found := _section(item)):
            return found[0], suffix + found[1]
    return None


def _keys(model: type[BaseModel], prefix: str, about: str = "") -> Iterator[Key]:
    for name, field in model.model_fields.items():
        path = f"{prefix}{name}"
        inner = _section(field.annotation)
        if inner is not None:
            yield from _keys(inner[0], f"{path}{inner[1]}.", field.description or "")
            continue
        default = "required" if field.is_required() else _toml(field.get_default(call_default_factory=True))
        yield Key(path, _kind(field.annotation, field.metadata), default, ": ".join(filter(None, (about, field.description))))


def describe_study() -> list[Key]:
    """Every key of the study file, in the order of the model."""
    return list(_keys(Study, ""))
