"""A study that brings its own species standard: ``species.toml`` beside the study file."""

from __future__ import annotations

import shutil
import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "report"))

from tiny import write_study

from fishreport.analysis.classes import study_classes
from fishreport.exceptions import StandardError
from fishreport.methods.condition import relative_weight
from fishreport.study import read_study

HERE = Path(__file__).parent / "own_standard"


def laid_out(folder: Path, standard: str) -> Path:
    study = write_study(folder)
    file = study / "study.toml"
    named = file.read_text().replace('name = "brown trout"', f'name = "brown trout"\nstandard = "{standard}"')
    file.write_text(named, encoding="utf-8")
    shutil.copyfile(HERE / "species.toml", study / "species.toml")
    return study


def test_its_categories_and_weights_are_used(tmp_path: Path) -> None:
    (classes,) = study_classes(read_study(laid_out(tmp_path / "study", "brown trout (our creeks)")))
    assert classes.published_mm == {"stock": 130.0, "quality": 200.0, "preferred": 260.0}
    assert classes.standard is not None
    # 10^(-4.90 + 2.98 log10 250), worked by hand: 2.98 x 2.39794 = 7.14586; 10^2.24586 = 176.1 g.
    assert classes.standard.standard_weight(250.0) == pytest.approx(176.1, abs=0.1)
    weights = relative_weight(np.array([250.0, 100.0]), np.array([176.1, 10.0]), classes.standard)
    assert weights[0] == pytest.approx(100, abs=0.1)
    assert np.isnan(weights[1])  # shorter than the limits of use


def test_published_standards_stay_at_hand(tmp_path: Path) -> None:
    (classes,) = study_classes(read_study(laid_out(tmp_path / "study", "brown trout (lotic)")))
    assert classes.standard is not None
    assert classes.standard.name == "brown trout (lotic)"


def test_a_slip_is_told_with_the_nearest_key(tmp_path: Path) -> None:
    study = laid_out(tmp_path / "study", "brown trout (our creeks)")
    file = study / "species.toml"
    file.write_text(file.read_text().replace("slope", "slop"), encoding="utf-8")
    with pytest.raises(StandardError, match="did you mean 'slope'"):
        study_classes(read_study(study))
