"""Lesson: deaths from the ages in the catch, and what good and bad years of hatching do to them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes

from fishreport.analysis.ages import season_ages
from fishreport.exceptions import UsageError
from fishreport.explore.exercise import Exercise, Mistake, Worked
from fishreport.explore.lesson_parts import Answer, Choice, Lesson, Sample, Settings, Shown, Slider
from fishreport.explore.own_study import OwnStudy
from fishreport.explore.simulated import EVERY_FISH, aged, season_survey, some
from fishreport.explore.view import ESTIMATE, GREY, INK, TRUTH
from fishreport.methods.catch_curve import CatchCurve, catch_curve, poisson_catch_curve
from fishreport.methods.mortality import chapman_robson
from fishreport.methods.mortality_rates import rates

_NAME = "Total mortality Z"
METHODS = ("Chapman–Robson", "weighted regression", "Poisson regression")
FIRST = ("peak and 1 year", "peak", "youngest caught")


def _work(age: Sequence[int], count: Sequence[float], from_age: int) -> Worked:
    ages, counts = np.asarray(age), np.asarray(count, dtype=float)
    fit = chapman_robson(ages, counts, from_age=from_age)
    z, survival = fit.total_mortality.value, fit.annual_survival.value
    n, coded = fit.fish, fit.coded_age_sum
    way = f"S = T / (n + T − 1) = {coded:g} / ({n:g} + {coded:g} − 1), and Z = −ln S less a small correction."
    every = chapman_robson(ages, counts, from_age=int(ages.min())).uncorrected_total_mortality
    mistakes = [
        Mistake(survival, "the answer is survival S. Take minus its logarithm."),
        Mistake(
            rates(survival=survival, fishing=0.0).annual_mortality, "the answer is the share that dies in a year. Z = −ln S."
        ),
        Mistake(every, "the youngest fish are counted, though the gear does not take all of them."),
    ]
    return Worked(z, way, "Code the first full age as 0, sum the coded ages, and mind that Z = −ln S.", mistakes)


def _fit(sample: Sample, settings: Settings) -> CatchCurve:
    age, count = sample["age"], sample["count"]
    peak = int(age[int(np.argmax(count))])
    start = {"peak and 1 year": peak + 1, "peak": peak, "youngest caught": int(age[count > 0].min())}[settings["first"]]
    start = min(start, int(age.max()))
    if settings["method"] == METHODS[0]:
        return chapman_robson(age, count, from_age=start)
    if settings["method"] == METHODS[1]:
        return catch_curve(age, count, from_age=start)
    return poisson_catch_curve(age, count, from_age=start)


class CatchCurveLesson(Lesson):
    """Deaths from ages."""

    key, title = "catch-curve", "Catch curve"
    line = "deaths from the ages in the catch, and what good and bad hatches do to them"
    controls = (
        Slider("fish", "Fish aged", 30, 800, 10, 250),
        Slider("total_mortality", "True total mortality Z (per year)", 0.3, 1.4, 0.05, 0.7),
        Slider("recruitment_sd", "Good and bad hatches (sd of log)", 0, 1, 0.05, 0),
        Choice("method", "Method", METHODS, METHODS[0]),
        Choice("first", "First age used", FIRST, FIRST[0]),
    )
    exercise = Exercise(_work, "per year", tolerance=0.015)
    repeat_seconds = "about 12 s"

    def draw(self, settings: Settings, rng: np.random.Generator) -> Sample:
        """Fish picked at random from the catch, ages read without error."""
        survey = season_survey(
            rng, fish=1.5 * settings["fish"] + 60, total_mortality=settings["total_mortality"],
            recruitment_sd=settings["recruitment_sd"], aged_per_bin=EVERY_FISH,
        )  # fmt: skip
        fish = some(aged(survey), int(settings["fish"]), rng)
        age, count = np.unique(fish["age"].to_numpy().astype(int), return_counts=True)
        source = f"Simulated: {len(fish)} fish aged, {age.min()} to {age.max()} years."
        return Sample({"age": age, "count": count.astype(float)}, source, {_NAME: float(settings["total_mortality"])})

    def own(self, own: OwnStudy) -> Sample:
        """Numbers at age in the season's catch, by the study's own age-length key."""
        found = season_ages(own.study, own.survey, own.classes, own.season, np.random.default_rng(own.study.parameters.seed))
        if found is None:
            raise UsageError(f"too few aged {own.classes.species.name} for numbers at age in {own.season}")
        n = found.composition.n
        source = f"{own.name}: ages of {n} measured fish by the age-length key, whose error the interval leaves out."
        return Sample({"age": found.ages.astype(int), "count": np.asarray(found.counts, dtype=float)}, source)

    def estimate(self, sample: Sample, settings: Settings) -> Answer:
        """Z by the chosen method from the chosen age on, and the survival it stands for."""
        fit, truth = _fit(sample, settings), sample.truth.get(_NAME, math.nan)
        survival = rates(total=truth, fishing=0.0).survival if math.isfinite(truth) else math.nan
        return Answer((Shown(_NAME, fit.total_mortality, truth), Shown("Annual survival S", fit.annual_survival, survival)), fit)

    def plot(self, ax: Axes, sample: Sample, settings: Settings, answer: Answer) -> str:
        """Fish by age on a logarithmic axis, the ages used filled, with the fitted decline and the true one."""
        table = answer.fit.frame()
        age, count, used = table["age"].to_numpy(), table["count"].to_numpy(float), table["on_limb"].to_numpy(bool)
        some_fish = count > 0
        ax.plot(age[used & some_fish], count[used & some_fish], "o", color=ESTIMATE, label="used")
        ax.plot(age[~used & some_fish], count[~used & some_fish], "o", color=GREY, markerfacecolor="white", label="left out")
        fitted = table["fitted"].to_numpy(float)
        ax.plot(age, np.where(fitted > 0, fitted, np.nan), color=INK, label="fitted")
        if math.isfinite(answer.first.truth) and used.any():
            first = fitted[used][0] if fitted[used][0] > 0 else count[used][0]
            decline = max(first, 1) * np.exp(-answer.first.truth * (age[used] - age[used][0]))
            ax.plot(age[used], decline, color=TRUTH, linestyle=(0, (5, 2)), label="true decline")
        ax.set_yscale("log")
        ax.set_ylim(bottom=0.4)
        ax.set_xticks(age)
        ticks = [t for t in (1, 3, 10, 30, 100, 300, 1000, 3000) if t < 1.5 * count.max(initial=1)]
        ax.set_yticks(ticks, [f"{t:,}" for t in ticks])
        ax.set_yticks([], minor=True)
        ax.set_xlabel("Age (years)")
        ax.set_ylabel("Fish, logarithmic")
        ax.legend(loc="upper right")
        listed = ", ".join(f"{c:.0f} of age {a}" for a, c in zip(age, count, strict=True))
        return f"Fish by age on a logarithmic axis: {listed}."


LESSON: Any = CatchCurveLesson()
