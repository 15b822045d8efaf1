"""Faults of the study file in plain words."""

from __future__ import annotations

import difflib
import math
from collections.abc import Mapping
from typing import Any, get_origin

from pydantic import BaseModel, ValidationError

from fishreport.study.model import Study

_PLAIN = {
    "string_type": "must be text in quotation marks",
    "float_type": "must be a number",
    "float_parsing": "must be a number",
    "int_type": "must be a whole number",
    "int_parsing": "must be a whole number",
    "int_parsing_size": "must be a smaller whole number",
    "int_from_float": "must be a whole number",
    "bool_type": "must be true or false",
    "bool_parsing": "must be true or false",
    "finite_number": "must be a finite number",
    "tuple_type": "must be a list in square brackets",
    "list_type": "must be a list in square brackets",
    "dict_type": "must be a section of keys",
    "model_type": "must be a section of keys",
    "model_attributes_type": "must be a section of keys",
}
_MAX_SHOWN = 40


def _inner_model(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for argument in getattr(annotation, "__args__", ()):
        found = _inner_model(argument)
        if found is not None:
            return found
    return None


def _known_keys(location: tuple[Any, ...]) -> list[str]:
    model: type[BaseModel] | None = Study
    for part in location[:-1]:
        if model is None:
            return []
        if part in model.model_fields:
            model = _inner_model(model.model_fields[part].annotation)
    return list(model.model_fields) if model is not None else []


def _homes(key: str, model: type[BaseModel] = Study, path: str = "") -> list[str]:
    """The sections that do know a key of that name, as a setting is written on the command line."""
    found = []
    for name, entry in model.model_fields.items():
        inner = _inner_model(entry.annotation)
        if inner is None:
            continue
        kind = get_origin(entry.annotation)
        place = f"{path}{name}" + (".CODE" if kind is dict else ".0" if kind in (tuple, list) else "")
        found += [place] if key in inner.model_fields else []
        found += _homes(key, inner, f"{place}.")
    return found


def _shown(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    text = repr(value)
    return text if len(text) <= _MAX_SHOWN else text[:_MAX_SHOWN] + "…"


def did_you_mean(word: object, known: list[str], cutoff: float) -> str:
    """A question after the nearest of the known words; empty where none is near."""
    near = difflib.get_close_matches(str(word)[:100], known, n=1, cutoff=cutoff)
    return f"did you mean {near[0]!r}?" if near else ""


def _sentence(item: Mapping[str, Any]) -> str:
    kind, location, value = item["type"], item["loc"], item.get("input")
    context: Mapping[str, Any] = item.get("ctx") or {}
    got = "" if isinstance(value, Mapping | list | tuple) else f"; got {_shown(value)}"
    if isinstance(value, float) and not math.isfinite(value):
        return f"must be a finite number; got {value}"
    match kind:
        case "extra_forbidden":
            known = _known_keys(location)
            homes = " and of ".join(_homes(str(location[-1])))
            elsewhere = f"known keys here: {', '.join(known)}" + (f"; it is a key of {homes}" if homes else "")
            return f"unknown key; {did_you_mean(location[-1], known, 0.5) or elsewhere}"
        case "missing" if isinstance(location[-1], int):
            return "this list is too short"
        case "missing":
            return "this key is required"
        case "value_error":
            return str(item["msg"]).removeprefix("Value error, ")
        case "literal_error":
            words = [word.strip(" '") for word in context["expected"].replace(" or ", ", ").split(",")]
            near = did_you_mean(value, words, 0.6)
            return f"must be one of {', '.join(words)}{got}" + (f"; {near}" if near else "")
        case "greater_than":
            return f"must be above {context['gt']:g}{got}"
        case "greater_than_equal":
            return f"must be at least {context['ge']:g}{got}"
        case "less_than":
            return f"must be below {context['lt']:g}{got}"
        case "less_than_equal":
            return f"must be at most {context['le']:g}{got}"
        case "string_too_short" if context["min_length"] == 1:
            return "must not be empty"
        case "string_too_short":
            return f"must have at least {context['min_length']} characters{got}"
        case "string_too_long":
            return f"must have at most {context['max_length']} characters{got}"
        case "too_short":
            return f"must have at least {context['min_length']} item{'s' if context['min_length'] > 1 else ''}"
        case "too_long":
            return f"must have at most {context['max_length']} items"
        case _:
            return _PLAIN.get(kind, str(item["msg"])) + got


def _short(part: str) -> str:
    return part if len(part) <= _MAX_SHOWN else part[:_MAX_SHOWN] + "…"


def plain_faults(error: ValidationError) -> list[tuple[str, str]]:
    """Dotted key and sentence of each fault."""
    found: list[tuple[str, str]] = []
    for item in error.errors(include_url=False):
        key = ".".join(_short(str(part)) for part in item["loc"] if part != "[key]")
        found.append((key, _sentence(item)))
    return found
