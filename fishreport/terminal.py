"""Text for a terminal: what came from a file is shown there and never obeyed."""

from __future__ import annotations

import sys
from typing import Any, TextIO

_CONTROLS = {code: f"\\x{code:02x}" for code in (*range(9), *range(11, 32), *range(127, 160))}
# Signs that turn the direction of what follows, so that a line reads otherwise than it is.
_TURNS = {code: f"\\u{code:04x}" for code in (0x200E, 0x200F, *range(0x202A, 0x202F), *range(0x2066, 0x206A))}
_SHOWN = {**_CONTROLS, **_TURNS}


def visible(text: Any) -> str:
    """The text with control characters and lone surrogates written out."""
    return str(text).translate(_SHOWN).encode("utf-8", "backslashreplace").decode()


def say(text: Any = "", *, file: TextIO | None = None) -> None:
    """Print a line; characters that the stream cannot write are written out."""
    stream = sys.stdout if file is None else file
    encoding = getattr(stream, "encoding", None) or "utf-8"
    print(visible(text).encode(encoding, "backslashreplace").decode(encoding), file=stream, flush=True)
