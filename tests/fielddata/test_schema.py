"""The declared tables are whole, and their pandera schemas hold the same bounds."""

from __future__ import annotations

import pandas as pd
import pandera.errors
import pytest

from fishreport.fielddata.schema import KINDS, TABLES, frame_schema, plain_name


@pytest.mark.parametrize("table", TABLES)
def test_every_column_is_explained_and_its_example_is_readable(table):
    from fishreport.fielddata.faults import Faults
    from fishreport.fielddata.grid import Grid, make_table
    from fishreport.fielddata.typed import read_values

    schema = TABLES[table]
    assert len(set(schema.names)) == len(schema.names)
    for column in schema:
        assert column.meaning and column.kind in KINDS
        assert plain_name(column.name) == column.name
        assert column.units or column.kind != "number"
    row = [column.example for column in schema]
    faults = Faults()
    raw = make_table(Grid("file", [schema.names, row], [1, 2]), schema, faults)
    assert raw is not None
    read_values(raw, faults)
    assert not len(faults), faults.frame()


@pytest.mark.parametrize(
    ("heading", "plain"),
    [
        ("Length (mm)", "length_mm"),
        ("  WEIGHT_G ", "weight_g"),
        ("Run ID", "run_id"),
        ("conductivity [µS/cm]", "conductivity_us_cm"),
        ("Water temperature (°C)", "water_temperature_c"),
        ("discharge m³/s", "discharge_m3_s"),
        ("--", ""),
    ],
)
def test_headings_are_matched_whatever_their_case_and_signs(heading, plain):
    assert plain_name(heading) == plain


def test_bounds_of_a_frame_are_those_of_the_columns():
    good = pd.DataFrame({"effort_s": [600.0], "pulse_hz": [float("nan")], "other": ["x"]})
    frame_schema("runs").validate(good, lazy=True)
    bad = pd.DataFrame({"effort_s": [0.0, -5.0, 600.0], "pulse_hz": [30.0, -1.0, 2000.0]})
    with pytest.raises(pandera.errors.SchemaErrors) as caught:
        frame_schema("runs").validate(bad, lazy=True)
    cases = caught.value.failure_cases
    assert sorted(zip(cases["column"], cases["index"], strict=True)) == [
        ("effort_s", 0),
        ("effort_s", 1),
        ("pulse_hz", 1),
        ("pulse_hz", 2),
    ]
    assert TABLES["fish"]["fate"].allowed == "one of released, injured, dead, kept"
    assert TABLES["runs"]["effort_s"].allowed == "above 0, at most 36000 s"
