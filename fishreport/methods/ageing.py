"""Ages of fish: keys from an aged subsample, agreement of readers, and lengths back-calculated from hard parts."""

from __future__ import annotations

from fishreport.methods.age_composition import AgeComposition, numbers_at_age
from fishreport.methods.age_key import AgeLengthKey, AssignedAges, age_length_key, assign_ages
from fishreport.methods.age_reading import ReaderAgreement, SymmetryTest, reader_agreement, symmetry_test
from fishreport.methods.back_calculation import RadiusRegression, back_calculate, fit_radius_regression

__all__ = [
    "AgeComposition",
    "AgeLengthKey",
    "AssignedAges",
    "RadiusRegression",
    "ReaderAgreement",
    "SymmetryTest",
    "age_length_key",
    "assign_ages",
    "back_calculate",
    "fit_radius_regression",
    "numbers_at_age",
    "reader_agreement",
    "symmetry_test",
]
