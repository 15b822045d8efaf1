"""Mortality of the demo study from few draws, and what tests change of it."""

from __future__ import annotations

import dataclasses

import numpy as np

from fishreport.analysis.fishing_today import CREEL, CREEL_OVER_AGES, Fishing, fishing_today
from fishreport.analysis.mortality import Mortality, mortality
from fishreport.analysis.result import Results
from fishreport.exhibits import mortality as mortality_exhibits
from fishreport.exhibits.context import report_context
from fishreport.methods.estimate import Estimate
from fishreport.study import read_study

FEW = {"parameters.draws": 100, "parameters.resamples": 100}


def few_draws(repository):
    """The demo study with few draws and resamples."""
    return read_study(repository / "demo_inputs", overrides=FEW)


def make_mortality(study, survey):
    """Mortality and fishing of today."""
    classes = report_context(study).classes
    return mortality(study, survey, classes, np.random.default_rng(4)), fishing_today(study, survey, classes)


def rate_of(value: float, low: float, high: float, n: int = 100) -> Estimate:
    return Estimate(value, (high - low) / 4, low, high, 0.95, "per year", "made up", n)


def trout_of(found: Mortality, **fields) -> Mortality:
    """Rainbow trout alone, with other details and the results that go with them."""
    one = dataclasses.replace(found.species["rainbow_trout"], **fields)
    changed = []
    for r in found.results.where(species="rainbow_trout"):
        if (r.quantity, r.detail) == ("fishing_mortality", None):
            r = dataclasses.replace(r, estimate=one.fishing)
        changed.append(r)
    return Mortality(Results(changed), {"rainbow_trout": one})


def asked_of(whole: Fishing, **fields) -> Fishing:
    one = dataclasses.replace(whole.species["rainbow_trout"], **fields)
    values = {("fishing_mortality", CREEL): one.fishing, ("fishing_mortality", CREEL_OVER_AGES): one.spread,
              ("exploitation", None): one.exploitation}  # fmt: skip
    changed = [
        dataclasses.replace(r, estimate=values.get((r.quantity, r.detail), r.estimate))
        for r in whole.results.where(species="rainbow_trout")
    ]
    return dataclasses.replace(whole, results=Results(changed), species={"rainbow_trout": one})


def text_of(found, context, fishing=None) -> str:
    return " ".join(item.text for item in mortality_exhibits.findings(found, context, fishing).items)
