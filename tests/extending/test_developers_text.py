"""What DEVELOPERS.md shows is what runs: each of its code blocks that names a file stands in that file, word by word."""

from __future__ import annotations

import json
import re
from pathlib import Path

ROOT = Path(__file__).parents[2]
SECTIONS = ("Add a chapter", "Add a species standard", "Add an estimator", "Add a scenario")
_NAMED = re.compile(r"^```\w+\n# (?:in )?(tests/extending/\S+)\n(.*?)^```$", re.MULTILINE | re.DOTALL)


def _text_of(path: Path) -> str:
    text = path.read_text(encoding="utf-8")
    if path.suffix != ".ipynb":
        return text
    return "\n".join("".join(cell["source"]) for cell in json.loads(text)["cells"])


def test_every_block_that_names_a_file_stands_in_it() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    missing = [name for name in SECTIONS if not re.search(rf"^#+ {name}$", text, re.MULTILINE)]
    assert missing == []
    blocks = _NAMED.findall(text)
    assert {name.split("/")[2] for name, _ in blocks} >= {"own_chapter", "own_standard", "new_estimator", "new_scenario"}
    for name, block in blocks:
        assert block.strip() in _text_of(ROOT / name), f"{name} does not hold what DEVELOPERS.md shows of it"
