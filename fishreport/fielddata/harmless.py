"""Text that a spreadsheet program would run as a formula, made harmless, and made as it was again."""

from __future__ import annotations

import pandas as pd

# The signs that begin a formula, their full-width forms, and the two that programs skip before they look.
FORMULA_SIGNS = ("=", "+", "-", "@", "\t", "\r", "\uff1d", "\uff0b", "\uff0d", "\uff20")
MARK = "'"
RULE = (
    "Text that begins with = + - @, their full-width forms, a tab, a carriage return or an apostrophe carries one more "
    "apostrophe in front, so that no spreadsheet program runs it as a formula; take that one off to have the text as recorded. "
    "Numbers are written plain."
)


def harmless(text: str) -> str:
    """The text with an apostrophe in front when it begins like a formula, or with an apostrophe; two texts never become one."""
    return f"{MARK}{text}" if text.startswith((*FORMULA_SIGNS, MARK)) else text


def as_recorded(text: str) -> str:
    """What `harmless` was given."""
    return text.removeprefix(MARK)


def harmless_column(texts: pd.Series) -> pd.Series:
    """`harmless` of a column of text."""
    kept = {text: harmless(text) for text in texts.unique()}
    return pd.Series([kept[text] for text in texts], texts.index, dtype="str")
