"""A comparison of rules that several tests of exhibits look at."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from fishreport.analysis import scenarios as analysis
from fishreport.analysis.classes import study_classes
from fishreport.analysis.rules import rules_of
from fishreport.analysis.scenario_inputs import species_inputs
from fishreport.fielddata.survey import Survey
from fishreport.study import read_study


@pytest.fixture(scope="session")
def rainbow(repository: Path, demo_survey: Survey) -> analysis.Comparison:
    """Rainbow trout with their two rules, which are two stockings, and few assumptions varied."""
    study = read_study(repository / "demo_inputs", overrides={"parameters.draws": 40, "parameters.resamples": 100})
    own, rules = study_classes(study)[1], rules_of(study)["rainbow_trout"]
    inputs = species_inputs(study, demo_survey, own, rules, np.random.default_rng(5))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(analysis, "VARIED", {"noncompliance": (0.0, 0.2)})
        return analysis.compare_species(study, demo_survey, inputs, np.random.default_rng(8))
