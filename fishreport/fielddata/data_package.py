"""The checked field data as a Frictionless data package: tables, their schemas, and the study file that reads them back.

Data Package and Table Schema, version 1 (specs.frictionlessdata.io).
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import re
from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from fishreport.fielddata.harmless import RULE, harmless, harmless_column
from fishreport.fielddata.schema import TABLES, Column, TableSchema
from fishreport.fielddata.study_text import toml_text
from fishreport.fielddata.survey import Survey
from fishreport.study import CHAPTERS, Study

DESCRIPTOR = "datapackage.json"
_TYPES = {
    "text": "string",
    "number": "number",
    "whole": "integer",
    "date": "date",
    "time": "time",
    "yes_no": "boolean",
    "numbers": "string",
}
# What a fish has from its run stands in the runs table; the rest is worked out anew on reading.
_LEFT_OUT = {"fish": ("date", "site", "pass_number")}
_WORKED_OUT = ("row", "season", "effort_h", "species_key")
_WORKED_OUT_IN = {"fish": ("reach",), "ages": ("site", "run_id")}


def _field(column: Column) -> dict[str, Any]:
    """A column as Table Schema describes a field."""
    field: dict[str, Any] = {"name": column.name, "type": _TYPES[column.kind], "description": column.meaning}
    if column.units:
        field["unit"] = column.units
        field["description"] += f" ({column.units})"
    constraints: dict[str, Any] = {}
    if column.required:
        constraints["required"] = True
    if column.unique:
        constraints["unique"] = True
    if column.kind in ("number", "whole"):
        # Table Schema has no bound that is itself shut out; the description of such a column says 'above'.
        low = column.at_least if column.above is None else column.above
        if low is not None:
            constraints["minimum"] = int(low) if column.kind == "whole" else low
        if column.at_most is not None:
            constraints["maximum"] = int(column.at_most) if column.kind == "whole" else column.at_most
        if column.above is not None:
            field["description"] += f"; above {column.above:g}"
    if column.choices:
        constraints["enum"] = list(column.choices)
    match column.kind:
        case "time":
            field["format"] = "%H:%M"
        case "yes_no":
            field |= {"trueValues": ["yes"], "falseValues": ["no"]}
            field["description"] += "; empty means no, or not recorded"
        case "numbers":
            constraints["pattern"] = r"[0-9.eE+-]+( [0-9.eE+-]+)*"
            field["description"] += "; numbers separated by blanks"
    if constraints:
        field["constraints"] = constraints
    return field


def _number(value: float) -> str:
    if np.isnan(value):
        return ""
    return str(int(value)) if float(value).is_integer() and abs(value) < 1e15 else repr(float(value))


def _cells(values: pd.Series, kind: str) -> list[str]:
    """A column of the survey as the text of a file that reads back as the same values."""
    match kind:
        case "number" | "whole":
            return [_number(value) for value in values.to_numpy(dtype=float)]
        case "date":
            return ["" if pd.isna(value) else f"{value:%Y-%m-%d}" for value in values]
        case "yes_no":
            return ["yes" if value else "" for value in values]
        case "numbers":
            return [" ".join(_number(part) for part in value) for value in values]
        case _:
            return harmless_column(values.astype("str").fillna("")).tolist()


def _columns(frame: pd.DataFrame, schema: TableSchema) -> tuple[list[Column], list[str]]:
    """Columns of the schema that are written, and names of those that the study keeps beside them."""
    left_out = _LEFT_OUT.get(schema.name, ())
    own = [column for column in schema if column.name not in left_out]
    worked_out = {*_WORKED_OUT, *_WORKED_OUT_IN.get(schema.name, ())}
    more = [str(name) for name in frame if name not in schema and name not in worked_out]
    return own, more


def table_csv(frame: pd.DataFrame, schema: TableSchema) -> bytes:
    """A table of the survey as CSV: UTF-8, commas, a header, empty where not recorded."""
    own, more = _columns(frame, schema)
    cells = [_cells(frame[column.name], column.kind) for column in own]
    cells += [_cells(frame[name], "text") for name in more]
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow([*(column.name for column in own), *(harmless(name) for name in more)])
    writer.writerows(zip(*cells, strict=True))
    return stream.getvalue().encode()


def table_schema(frame: pd.DataFrame, schema: TableSchema) -> dict[str, Any]:
    """The same table's Table Schema."""
    own, more = _columns(frame, schema)
    fields = [_field(column) for column in own]
    fields += [{"name": harmless(name), "type": "string", "description": "kept as recorded"} for name in more]
    made: dict[str, Any] = {"fields": fields, "missingValues": [""]}
    if schema.name == "runs":
        made["primaryKey"] = ["run_id"]
    if schema.name == "fish":
        made["foreignKeys"] = [{"fields": ["run_id"], "reference": {"resource": "runs", "fields": ["run_id"]}}]
    return made


def _harmless_study(given: dict[str, Any]) -> dict[str, Any]:
    """Codes and reaches of the study file as the tables now write them."""
    codes = set(given["species"])
    given["species"] = {harmless(code): species for code, species in given["species"].items()}
    for stratum in given.get("water", {}).get("strata", ()):
        stratum["reach"] = harmless(stratum["reach"])
    for kind in ("objectives", "scenarios"):
        for item in given.get(kind, ()):
            if item.get("species") in codes:
                item["species"] = harmless(item["species"])
    return given


def study_text(study: Study, tables: list[str]) -> str:
    """The study file that reads the package back; rows set aside are gone from the tables, and so are their entries."""
    given = study.model_dump(mode="json", exclude_unset=True, exclude_none=True)
    given.pop("set_aside", None)
    given["data"] = {name: f"data/{name}.csv" for name in tables}
    if any(chapter not in CHAPTERS for chapter in study.report.chapters):
        given["report"].pop("chapters", None)
    order = ["water", "season", "data", "species"]
    given = _harmless_study(given)
    return toml_text({name: given[name] for name in [*order, *(name for name in given if name not in order)] if name in given})


def _slug(text: str) -> str:
    return re.sub(r"[^a-z0-9._-]+", "-", text.casefold()).strip("-.") or "survey"


def _bounded(study: Study) -> str:
    months = ""
    if study.season.months:
        months = f", of the months {', '.join(str(month) for month in study.season.months)} where runs are concerned"
    return f"Seasons up to {study.season.year}{months}; rows that the study sets aside are not in it."


def data_package(study: Study, survey: Survey, *, statement: str = "") -> dict[str, bytes]:
    """The checked field data of a study as a data package.

    Parameters
    ----------
    study, survey : Study, Survey
        The survey as `load_survey` gives it, or made coarse.
    statement : str
        What else the reader must know of the data, such as that places were made coarse.

    Returns
    -------
    dict
        Name inside the package's folder → content: ``datapackage.json``, ``data/*.csv``, and ``study.toml`` (with
        ``species.toml`` where the study has its own standards), which make the folder a study that gives the same estimates.
    """
    frames: dict[str, pd.DataFrame] = {name: getattr(survey, name) for name in TABLES}
    kept = [name for name, frame in frames.items() if len(frame) or name in ("runs", "fish")]
    files = {f"data/{name}.csv": table_csv(frames[name], TABLES[name]) for name in kept}
    files["study.toml"] = study_text(study, kept).encode()
    own_standards = study.folder / "species.toml"
    if own_standards.is_file():
        files["species.toml"] = own_standards.read_bytes()
    resources = [_resource(TABLES[name], frames[name], files[f"data/{name}.csv"]) for name in kept]
    descriptor: dict[str, Any] = {
        "profile": "tabular-data-package",
        "name": _slug(f"{study.water.name} {study.season.year}"),
        "title": study.report.title or f"Electrofishing survey of {study.water.name}, {study.season.year}",
        "description": " ".join(filter(None, ("Field data of an electrofishing survey.", _bounded(study), statement, RULE))),
        "resources": resources,
    }
    if study.report.author:
        descriptor["contributors"] = [{"title": study.report.author, "role": "author"}]
    files[DESCRIPTOR] = (json.dumps(descriptor, ensure_ascii=False, indent=1) + "\n").encode()
    return files


def _resource(schema: TableSchema, frame: pd.DataFrame, content: bytes) -> Mapping[str, Any]:
    return {
        "profile": "tabular-data-resource",
        "name": schema.name,
        "path": f"data/{schema.name}.csv",
        "description": f"One row is {schema.row_is.replace('`', '')}.",
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "bytes": len(content),
        "hash": f"sha256:{hashlib.sha256(content).hexdigest()}",
        "schema": table_schema(frame, schema),
    }
