"""Text for Typst: string literals that cannot become mark-up, and only characters that the fonts can draw."""

from __future__ import annotations

import importlib.util
import unicodedata
from functools import lru_cache
from pathlib import Path

FONT = "DejaVu Sans"
MONO = "DejaVu Sans Mono"
UNKNOWN = "\N{WHITE SQUARE}"


@lru_cache(maxsize=1)
def font_folder() -> Path:
    """The folder of the fonts that travel with matplotlib; found without importing it."""
    found = importlib.util.find_spec("matplotlib")
    assert found is not None and found.origin is not None
    return Path(found.origin).parent / "mpl-data" / "fonts" / "ttf"


@lru_cache(maxsize=2)
def _drawable(file: str) -> frozenset[int]:
    from fontTools.ttLib import TTFont

    with TTFont(font_folder() / file, lazy=True) as font:
        return frozenset(font.getBestCmap())


@lru_cache(maxsize=2)
def _advances(file: str) -> dict[str, float]:
    from fontTools.ttLib import TTFont

    with TTFont(font_folder() / file, lazy=True) as font:
        widths, em = font["hmtx"], font["head"].unitsPerEm
        return {chr(code): widths[name][0] / em for code, name in font.getBestCmap().items()}


@lru_cache(maxsize=8192)
def width_of(text: str, *, bold: bool = False) -> float:
    """How wide a text is on one line of the report's font, in ems; kerning, which hardly ever widens, is left out."""
    widths = _advances("DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf")
    return sum(widths.get(sign, 1.0) for sign in text)


@lru_cache(maxsize=4096)
def _drawn(sign: str) -> str:
    """The sign, a square for one that the fonts cannot draw, or nothing for one that takes no room."""
    if sign in "\n\t" or " " <= sign <= "~" or ord(sign) in _drawable("DejaVuSans.ttf") & _drawable("DejaVuSansMono.ttf"):
        return sign
    return "" if unicodedata.category(sign) in ("Cc", "Cf", "Mn", "Me") else UNKNOWN


def drawable(text: str) -> str:
    """The same text, with a square for each character that the report's font cannot draw."""
    text = unicodedata.normalize("NFC", text)
    return text.translate({ord(sign): _drawn(sign) for sign in set(text)})


def literal(text: str) -> str:
    """A Typst string literal."""
    escaped = drawable(str(text)).replace("\\", "\\\\").replace('"', '\\"')
    return '"' + escaped.replace("\n", "\\n").replace("\t", "\\t").replace("\r", "") + '"'
