"""The study file as hostile input, and settings changed on the command line."""

from __future__ import annotations

import json
import random
import string

from field_files import ROWS, write_csv
from ground import Case, Escape, Surface, Wrong
from material import NUMBERS, PATHS, any_text, damage_bytes, damage_text

from fishreport.fielddata import check_survey
from fishreport.study import Study, describe_study, parse_setting, read_study

FILE = """
[water]
name = "Alder Tailwater"
kind = "tailwater"
region = "Upper Basin"
length_km = 12.5
strata = [{reach = "upper", length_km = 5.0}, {reach = "lower"}]

[season]
year = 2025
months = [9, 10]

[data]
runs = "runs.csv"
fish = "fish.csv"

[species.BNT]
name = "brown trout"
standard = "brown trout (lotic)"
life_history = {natural_mortality = {value = 0.4, se = 0.1}}

[species.RBT]
name = "rainbow trout"
origin = "stocked"

[[objectives]]
quantity = "catch_rate"
species = "BNT"
size_class = "quality"
at_least = 60.0

[[scenarios]]
name = "today"
minimum_length_mm = 330.0
bag_limit = 2

[[events]]
name = "new turbine"
year = 2020

[parameters]
level = 0.9
seed = 7

[report]
title = "Survey"
author = "A. Reporter"
chapters = ["season", "abundance"]

[[set_aside.fish]]
reason = "written twice"
where = {comments = "double"}
"""
_KEYS = tuple(key.name for key in describe_study())


def toml_text(text: str) -> str:
    """A basic string of TOML; JSON's escapes are among those of TOML."""
    return (
        json.dumps(text.encode("utf-8", "replace").decode(), ensure_ascii=True).replace("\\/", "/")
        if text.isascii()
        else _wide(text)
    )


def _wide(text: str) -> str:
    signs = [
        f"\\U{ord(sign):08x}" if not sign.isascii() else json.dumps(sign)[1:-1]
        for sign in text
        if not 0xD800 <= ord(sign) < 0xE000
    ]
    return '"' + "".join(signs) + '"'


def any_value(chance: random.Random, depth: int = 0) -> str:
    """Any value of TOML."""
    match chance.randrange(10 if depth < 3 else 7):
        case 0 | 1 | 2:
            return toml_text(any_text(chance))
        case 3:
            return chance.choice(("nan", "inf", "-inf", "+nan", "1e400", "-0.0", "1e-400", "0x7fffffffffffffffff", "1_0"))
        case 4:
            return str(chance.choice((0, -1, 1, 2, 10**9, 10**30, 0.5, 2025, 1.5, -5.5)))
        case 5:
            return chance.choice(("true", "false", "2025-10-01", "07:32:00", "1979-05-27T07:32:00Z"))
        case 6:
            return toml_text(chance.choice((*PATHS, *NUMBERS)))
        case 7:
            return "[" + ", ".join(any_value(chance, depth + 1) for _ in range(chance.randrange(5))) + "]"
        case 8:
            return (
                "{"
                + ", ".join(f"{toml_text(any_text(chance))} = {any_value(chance, depth + 1)}" for _ in range(chance.randrange(3)))
                + "}"
            )
        case _:
            return "[" * (deep := chance.choice((50, 900, 5000))) + "]" * deep


def _with_values(chance: random.Random) -> str:
    lines = FILE.split("\n")
    places = [at for at, line in enumerate(lines) if " = " in line]
    for at in chance.sample(places, chance.randint(1, 3)):
        lines[at] = f"{lines[at].partition(' = ')[0]} = {any_value(chance)}"
    return "\n".join(lines)


def _with_keys(chance: random.Random) -> str:
    lines = FILE.split("\n")
    heads = [at for at, line in enumerate(lines) if line.startswith("[")]
    for _ in range(chance.randint(1, 3)):
        key = chance.choice((chance.choice(_KEYS).rpartition(".")[2], toml_text(any_text(chance)), "", "a.b.c", "year"))
        lines.insert(chance.choice(heads) + 1, f"{key} = {any_value(chance)}")
    return "\n".join(lines)


def check_contained(study: Study) -> None:
    """Whatever the study names lies in its folder."""
    names = [name for name in study.data.model_dump().values() if name] if not study.data.workbook else [study.data.workbook]
    for name in (*names, study.report.narrative):
        if not (study.folder / name).resolve().is_relative_to(study.folder.resolve()):
            raise Escape(f"the study names {name!r} outside its folder")


def _tables(case: Case) -> None:
    for name in ("runs", "fish"):
        (case.study / f"{name}.csv").write_text(write_csv(ROWS[name]), encoding="utf-8")


def study_file(case: Case) -> str:
    """A study file with damaged bytes, lines, keys and values."""
    chance = case.chance
    match chance.randrange(8):
        case 0:
            content = damage_bytes(chance, FILE.encode())
        case 1 | 2:
            content = damage_text(chance, FILE).encode("utf-8", "replace")
        case 3 | 4 | 5:
            content = _with_values(chance).encode("utf-8", "replace")
        case 6:
            content = _with_keys(chance).encode("utf-8", "replace")
        case _:
            deep = chance.choice((200, 3000))
            content = chance.choice(
                (
                    b"",
                    b"\0" * 100,
                    FILE.encode("utf-16"),
                    b"#" * 3_000_000,
                    ("[" + ".".join("a" * deep) + "]\n").encode(),
                    (FILE + "x = " + "{a = " * deep + "1" + "}" * deep).encode(),
                    (FILE + "[[scenarios]]\n" * 3000).encode(),
                    (FILE + "\n".join(f'[species.S{i}]\nname = "s{i}"' for i in range(deep))).encode(),
                )
            )
    _tables(case)
    (case.study / "study.toml").write_bytes(content)
    study = read_study(case.study)
    check_contained(study)
    if chance.random() < 0.3:
        check_survey(study)
    return "taken"


def study_places(case: Case) -> str:
    """Paths of the study file that lead elsewhere: by dots, links, absolute names."""
    chance = case.chance
    _tables(case)
    outside = case.folder / "elsewhere"
    outside.mkdir()
    (outside / "runs.csv").write_text(write_csv(ROWS["runs"]), encoding="utf-8")
    (case.study / "link.csv").symlink_to(outside / "runs.csv")
    (case.study / "folder").symlink_to(outside)
    named = chance.choice(
        ("../elsewhere/runs.csv", str(outside / "runs.csv"), "link.csv", "folder/runs.csv", "x/../../elsewhere/runs.csv", *PATHS)
    )
    key = chance.choice(('runs = "runs.csv"', 'fish = "fish.csv"'))
    text = FILE.replace(key, f"{key.partition(' ')[0]} = {toml_text(named)}")
    if chance.random() < 0.3:
        text = FILE.replace("[report]", f"[report]\nnarrative = {toml_text(chance.choice(('folder', '../elsewhere', *PATHS)))}")
    (case.study / "study.toml").write_text(text, encoding="utf-8")
    study = read_study(case.study)
    check_contained(study)
    check_survey(study)
    return "taken"


def settings(case: Case) -> str:
    """Settings as they are given by ``--set``."""
    chance = case.chance
    _tables(case)
    (case.study / "study.toml").write_text(FILE, encoding="utf-8")
    key = chance.choice(
        (
            chance.choice(_KEYS)
            .replace("[]", f".{chance.choice((0, 1, 9, -1, '²', ''))}")
            .replace("CODE", chance.choice(("BNT", "X", ""))),
            chance.choice(("level", "seed", "resamples", "draws")),
            any_text(chance),
            ".".join(
                chance.choice(("parameters", "", "water", "0", "species", "BNT", "a" * 500))
                for _ in range(chance.randint(1, 600 if chance.random() < 0.1 else 5))
            ),
        )
    )
    value = chance.choice(
        (any_value(chance), any_text(chance), "".join(chance.choices(string.printable, k=9)), "0.8", "[[[", "\ud800")
    )
    name, typed = parse_setting(f"{key}={value}" if chance.random() < 0.95 else key)
    study = read_study(case.study, overrides={name: typed}, season=chance.choice((None, None, 2024, -1, 10**9)))
    check_contained(study)
    if study.overrides.get(name) is not typed and study.overrides.get(name) != typed and typed == typed:
        raise Wrong(f"the setting {name} was lost")
    return "taken"


SURFACES = (
    Surface("study file", study_file, share=8, fixed=14),
    Surface("study paths", study_places, share=1.5, fixed=6),
    Surface("settings", settings, share=6, fixed=10),
)
