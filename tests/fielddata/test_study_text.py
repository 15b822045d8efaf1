"""A study written as TOML is the same to a general reader of TOML."""

from __future__ import annotations

import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fishreport.fielddata.study_text import toml_text
from fishreport.study import read_study

_VALUES = st.one_of(
    st.text(st.characters(exclude_categories=("Cs",))),
    st.booleans(),
    st.integers(-(2**62), 2**62),
    st.floats(allow_nan=False, allow_infinity=False),
)
_NAMES = st.text(st.characters(exclude_categories=("Cs",)), min_size=1, max_size=8)
_SECTIONS = st.recursive(
    st.dictionaries(_NAMES, st.one_of(_VALUES, st.lists(_VALUES, max_size=3)), max_size=4),
    lambda inner: st.dictionaries(_NAMES, st.one_of(_VALUES, inner, st.lists(inner, min_size=1, max_size=2)), max_size=4),
    max_leaves=8,
)


@given(_SECTIONS)
def test_tomllib_reads_back_what_was_written(sections):
    def with_sections(value):
        if isinstance(value, dict):
            return {name: with_sections(item) for name, item in value.items()}
        return [with_sections(item) for item in value] if isinstance(value, list) else value

    assert tomllib.loads(toml_text(sections)) == with_sections(sections)


def test_the_demo_study_reads_back(demo_study, tmp_path):
    (tmp_path / "study.toml").write_text(toml_text(demo_study.model_dump(mode="json", exclude_none=True)), encoding="utf-8")
    back = read_study(tmp_path)
    assert back.model_dump() == demo_study.model_dump()


def test_what_toml_cannot_hold_is_refused():
    with pytest.raises(TypeError, match="NoneType"):
        toml_text({"a": None})
