"""Coarse places: nothing in the survey names a place any more, and what was caught is still all there."""

from __future__ import annotations

import numpy as np
import pytest

from fishreport.exceptions import UsageError
from fishreport.fielddata import load_survey
from fishreport.fielddata.coarsen import coarsen, coordinates, rounded_coordinates

RUNS = (
    "run_id,site,date,start_time,effort_s,reach,river_km,latitude,longitude,landing,comments\n"
    "Willow-1,Willow,2025-10-01,20:00,600,upper,3.2,44.12345,-71.54321,below Willow,by Willow weir\n"
    "Ford-1,Ford,2025-10-02,21:00,620,,8.9,95,-71.6,,\n"
)
FISH = "run_id,species,length_mm,age_sample,tag,comments\nWillow-1,BNT,300,Willow-7,0413,Willow\nFord-1,BNT,410,,,\n"
AGES = "age_sample,age_years\nWillow-7,3\n"


@pytest.fixture
def survey(make_study):
    return load_survey(make_study(runs=RUNS, fish=FISH, ages=AGES))


def test_no_place_is_left(survey):
    coarse = coarsen(survey, 2)
    for name in ("runs", "fish", "ages", "faults", "set_aside"):
        text = getattr(coarse.survey, name).to_csv()
        assert "Willow" not in text and "Ford" not in text and "20:00" not in text, name
    runs = coarse.survey.runs
    assert runs["site"].tolist() == ["upper", "withheld"] and runs["run_id"].tolist() == ["R00001", "R00002"]
    assert runs["river_km"].tolist() == [4.0, 8.0] and "landing" not in runs
    assert coarse.survey.fish["age_sample"].tolist() == ["A00001", ""] == [*coarse.survey.ages["age_sample"], ""]
    assert coarse.survey.fish["tag"].tolist() == ["0413", ""]


def test_what_was_caught_is_kept(survey):
    coarse = coarsen(survey, 2).survey
    assert coarse.fish["length_mm"].tolist() == survey.fish["length_mm"].tolist()
    assert coarse.fish["run_id"].tolist() == coarse.runs["run_id"].tolist()
    assert coarse.runs["effort_s"].tolist() == survey.runs["effort_s"].tolist()
    assert survey.runs["site"].tolist() == ["Willow", "Ford"]  # the survey given is not touched


def test_coordinates_lie_on_a_grid_of_about_the_distance(survey):
    coarse = coarsen(survey, 2)
    latitude, longitude = coordinates(coarse.survey.runs)
    assert np.isnan(latitude[1])  # 95 degrees north is nowhere
    # Great-circle distance (haversine, radius 6371 km) between the true and the coarse place: at most half a cell's diagonal.
    a, b = np.radians([44.12345, -71.54321]), np.radians([latitude[0], longitude[0]])
    h = np.sin((b[0] - a[0]) / 2) ** 2 + np.cos(a[0]) * np.cos(b[0]) * np.sin((b[1] - a[1]) / 2) ** 2
    distance = 2 * 6371 * np.arcsin(np.sqrt(h))
    assert 0 < distance <= 2 * np.sqrt(0.5) * 1.02


def test_places_in_one_cell_fall_together(rng):
    latitude, longitude = 44.0 + rng.uniform(0, 0.5, 500), -71.0 + rng.uniform(0, 0.5, 500)
    north, east = rounded_coordinates(latitude, longitude, 20.0)
    assert len(set(zip(north, east, strict=True))) < 20
    assert (np.abs(rounded_coordinates(np.array([90.0, -90.0]), np.array([180.0, -180.0]), 20.0)[0]) <= 90).all()


@pytest.mark.parametrize("km", [0, -1, float("nan"), float("inf")])
def test_a_distance_is_wanted(survey, km):
    with pytest.raises(UsageError, match="above 0 km"):
        coarsen(survey, km)
