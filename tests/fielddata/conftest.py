"""A study folder to write tables into."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from fishreport.study import Study, read_study

STUDY = """
[water]
name = "Alder Tailwater"
[season]
year = 2025
[species.BNT]
name = "brown trout"
[species.SMB]
name = "smallmouth bass"
"""
RUNS = "run_id,site,date,start_time,effort_s\nR1,A,2025-10-01,20:00,600\nR2,B,2025-10-01,21:00,620\n"
FISH = "run_id,species,length_mm,weight_g\nR1,BNT,300,280\nR1,SMB,250,230\nR2,BNT,410,\n"

MakeStudy = Callable[..., Study]


@pytest.fixture
def make_study(tmp_path: Path) -> MakeStudy:
    """Write a study file, and tables given by name (text or bytes); then read the study."""

    def make(extra: str = "", *, study: str = STUDY, **tables: str | bytes) -> Study:
        tables = {"runs": RUNS, "fish": FISH, **tables}
        named = "".join(f'{name} = "{name}.csv"\n' for name in tables)
        head = "" if "[data]" in study + extra else f"[data]\n{named}"
        (tmp_path / "study.toml").write_text(f"{study}\n{head}\n{extra}", encoding="utf-8")
        for name, content in tables.items():
            data = content if isinstance(content, bytes) else content.encode()
            (tmp_path / f"{name}.csv").write_bytes(data)
        return read_study(tmp_path)

    return make
