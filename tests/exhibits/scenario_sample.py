"""Scenarios of the demo study from few draws: brown trout with their first five rules, and few assumptions varied."""

from __future__ import annotations

import re

import numpy as np
import pytest

from fishreport.analysis import scenarios as analysis
from fishreport.analysis.classes import study_classes
from fishreport.analysis.rules import rules_of
from fishreport.analysis.scenario_inputs import species_inputs
from fishreport.analysis.scenarios import Scenarios, compare_species, comparison_results
from fishreport.exhibits.context import report_context
from fishreport.study import Study, read_study

ALL_SIGNS = re.compile(r"nan|None|\binf\b")


def few_draws(repository) -> Study:
    """The demo study with few draws and resamples."""
    return read_study(repository / "demo_inputs", overrides={"parameters.draws": 60, "parameters.resamples": 200})


def make_scenarios(study, survey) -> Scenarios:
    """The comparison and its results."""
    rules = rules_of(study)["brown_trout"][:5]
    inputs = species_inputs(study, survey, study_classes(study)[0], rules, np.random.default_rng(5))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(analysis, "VARIED", {"noncompliance": (0.0, 0.2)})
        one = compare_species(study, survey, inputs, np.random.default_rng(8))
    return Scenarios(comparison_results(study, one), {"brown_trout": one})


def context_in(repository, units):
    return report_context(read_study(repository / "demo_inputs", overrides={"report.units": units}))
