"""Why an estimator misses the goal of the calibration table, and where a reader of the report is told."""

from __future__ import annotations

REASONS: tuple[tuple[str, str, str], ...] = ()


def reason(case: str, quantity: str) -> str:
    """The first reason whose case and quantity are part of those given; 'not explained' where there is none."""
    return next((text for of, what, text in REASONS if of in case and what in quantity), "not explained")
