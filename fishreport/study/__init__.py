"""The study file ``study.toml``: its model, reading it, and what each key means."""

from fishreport.study.describe import Key, describe_study
from fishreport.study.model import Study
from fishreport.study.names import SIZE_CLASSES, parse_size_range, species_key
from fishreport.study.read import parse_setting, read_study
from fishreport.study.sections import (
    CHAPTERS,
    QUANTITIES,
    Data,
    ElectrofishingReference,
    Event,
    LifeHistoryInput,
    Objective,
    Parameters,
    Report,
    Scenario,
    Season,
    SetAside,
    SetAsides,
    Species,
    Spread,
    Stocking,
    Stratum,
    Water,
)

__all__ = [
    "CHAPTERS",
    "QUANTITIES",
    "SIZE_CLASSES",
    "Data",
    "ElectrofishingReference",
    "Event",
    "Key",
    "LifeHistoryInput",
    "Objective",
    "Parameters",
    "Report",
    "Scenario",
    "Season",
    "SetAside",
    "SetAsides",
    "Species",
    "Spread",
    "Stocking",
    "Stratum",
    "Study",
    "Water",
    "describe_study",
    "parse_setting",
    "parse_size_range",
    "read_study",
    "species_key",
]
