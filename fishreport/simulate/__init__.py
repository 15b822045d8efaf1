"""A simulated survey with known truth: feeds the demo, calibration, precision planning and students."""

from fishreport.simulate.entry_errors import Planted, plant_errors
from fishreport.simulate.presets import demo_spec, light_spec
from fishreport.simulate.spec import SpeciesSpec, StockingSpec, SurveySpec
from fishreport.simulate.survey import SimulatedSurvey, simulate_survey
from fishreport.simulate.truth import Snapshot, Truth
from fishreport.simulate.writing import DEMO_SEED, simulate_study, write_study

__all__ = [
    "DEMO_SEED",
    "Planted",
    "SimulatedSurvey",
    "Snapshot",
    "SpeciesSpec",
    "StockingSpec",
    "SurveySpec",
    "Truth",
    "demo_spec",
    "light_spec",
    "plant_errors",
    "simulate_study",
    "simulate_survey",
    "write_study",
]
