"""Text that looks like a formula is harmless in a spreadsheet, and comes back as it was."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fishreport.fielddata.harmless import as_recorded, harmless


# Signs that begin a formula: OWASP, "CSV Injection" (owasp.org; from memory), and their full-width forms.
@pytest.mark.parametrize("text", ["=1+1", "+1", "-1+2", "@SUM(A1)", "\t=1", "\r=1", "＝1", "＋1", "－1", "＠x"])
def test_formulas_get_an_apostrophe(text):
    assert harmless(text) == f"'{text}" and as_recorded(harmless(text)) == text


@pytest.mark.parametrize("text", ["", "S01", "a=b", " =1", "12-B", "ß"])
def test_plain_text_is_left_alone(text):
    assert harmless(text) == text == as_recorded(text)


@given(st.text(), st.text())
def test_nothing_is_lost_and_nothing_falls_together(one, other):
    assert as_recorded(harmless(one)) == one
    assert (harmless(one) == harmless(other)) == (one == other)
    assert not harmless(one).startswith(("=", "+", "-", "@", "\t", "\r", "＝", "＋", "－", "＠"))
