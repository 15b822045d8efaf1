"""Checks of what estimators are given."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from fishreport.exceptions import InputError
from fishreport.methods.inputs import codes, numbers, positive_weights, same_size


def test_numbers_from_anything_column_like() -> None:
    for values in ([1, 2, None], pd.Series([1, 2, None]), pd.array([1, 2, None], dtype="Int64"), np.array([1.0, 2.0, np.nan])):
        assert numbers("x", values)[:2].tolist() == [1.0, 2.0]
        assert np.isnan(numbers("x", values)[2])
    assert numbers("x", pd.Series([1, None], dtype="Int64")).dtype == float
    assert numbers("x", 4).tolist() == [4.0]


def test_codes_of_mixed_and_missing_labels() -> None:
    code, levels = codes("run", ["b", None, "a", "b"], 4)
    assert code.tolist() == [1, -1, 0, 1] and levels == ["a", "b"]
    code, levels = codes("run", [2, "x", None], 3)
    assert code.tolist() == [0, 1, -1] and levels == [2, "x"]
    with pytest.raises(InputError, match="run must hold text, numbers or dates"):
        codes("run", [{}, "x"], 2)
    code, levels = codes("run", pd.Series([2020, 2019]), 2)
    assert code.tolist() == [1, 0] and levels == [2019, 2020] and type(levels[0]) is int
    with pytest.raises(InputError, match="run must have one label a row; got 1 labels for 2 rows"):
        codes("run", ["a"], 2)


def test_messages() -> None:
    with pytest.raises(InputError, match="must hold numbers only"):
        numbers("x", pd.Series(["a", "b"]))
    for text in (["1", "2"], [1, "2", None], np.array(["1"]), pd.Series(["1"], dtype="string"), np.array([b"1"]), "8"):
        with pytest.raises(InputError, match="must hold numbers only"):
            numbers("x", text)
    with pytest.raises(InputError, match="got a 1, b 2"):
        same_size(a=np.ones(1), b=np.ones(2))
    with pytest.raises(InputError, match="not all 0"):
        positive_weights("weight", {"a": float("nan")})
    assert positive_weights("weight", {"a": 1, "b": 3}) == {"a": 0.25, "b": 0.75}
