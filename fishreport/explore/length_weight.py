"""Lesson: weight at length, a line on logarithms."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes

from fishreport.exceptions import UsageError
from fishreport.explore.exercise import Exercise, Mistake, Worked
from fishreport.explore.lesson_parts import Answer, Lesson, Sample, Settings, Shown, Slider
from fishreport.explore.own_study import OwnStudy
from fishreport.explore.simulated import measured, season_survey, some
from fishreport.explore.view import ESTIMATE, INK, TRUTH
from fishreport.methods.estimate import Estimate
from fishreport.methods.length_weight import LengthWeightFit, fit_length_weight

_SLOPE, _WEIGHT = "Slope b", "Mean weight at 400 mm"
_AT_MM, _PIVOT_MM, _PIVOT_G = 400.0, 300.0, 280.0


def _work(length_mm: Sequence[float], weight_g: Sequence[float], at_mm: float) -> Worked:
    length, weight = np.asarray(length_mm, dtype=float), np.asarray(weight_g, dtype=float)
    fit = fit_length_weight(length, weight)
    value = float(fit.predict([at_mm]).value[0])
    a, b = fit.intercept.value, fit.slope.value
    way = f"log10 W = {a:.3f} + {b:.3f} log10 L, and ten to that power (times {fit.correction:.4f} for the mean, not the median)."
    mistakes = [
        Mistake(a + b * math.log10(at_mm), "the answer is left as a logarithm. Raise ten to it."),
        Mistake(math.exp(a + b * math.log10(at_mm)), "e is raised to a logarithm of base ten. Raise ten to it."),
        Mistake(float(np.interp(at_mm, length, weight)), "weights are joined by straight lines. Fit the line on logarithms."),
    ]
    return Worked(value, way, "Fit log10 weight on log10 length, and turn the result back.", mistakes)


def _weight_at(fit: LengthWeightFit, at_mm: float) -> Estimate:
    if not fit.estimable:
        return Estimate.not_estimable("no line", units="g", n=fit.n)
    found = fit.predict([at_mm])
    value, low, high = (float(part[0]) for part in (found.value, found.lower, found.upper))
    method = f"{fit.slope.method}; mean weight at {at_mm:g} mm, corrected for the return from logarithms"
    return Estimate(value, math.nan, low, high, found.level, "g", method, fit.n)


class LengthWeight(Lesson):
    """Weight at length."""

    key, title = "length-weight", "Length and weight"
    line = "a straight line on logarithms, and how far it may be trusted"
    controls = (
        Slider("fish", "Fish weighed", 5, 300, 5, 40),
        Slider("shortest", "Shortest fish weighed (mm)", 80, 360, 10, 120),
        Slider("slope", "True slope b", 2.6, 3.4, 0.02, 3.0),
        Slider("scatter", "Scatter of log10 weight (sd)", 0.01, 0.15, 0.005, 0.035),
    )
    exercise = Exercise(_work, "g", tolerance=0.02)
    repeat_seconds = "about 9 s"

    def draw(self, settings: Settings, rng: np.random.Generator) -> Sample:
        """So many fish of the catch, from the shortest length on."""
        slope, scatter = float(settings["slope"]), float(settings["scatter"])
        intercept = math.log10(_PIVOT_G) - slope * math.log10(_PIVOT_MM)
        changes = {"log_weight_slope": slope, "log_weight_sd": scatter, "log_weight_intercept": intercept, "length_at_half": 60.0}
        survey = season_survey(rng, changes=changes, fish=700, total_mortality=0.5, site_sd=0.0, run_shape=np.inf)
        fish = measured(survey)
        fish = some(fish[fish["length_mm"] >= settings["shortest"]], int(settings["fish"]), rng)
        mean = 10 ** (intercept + slope * math.log10(_AT_MM)) * math.exp((math.log(10) * scatter) ** 2 / 2)
        source = f"Simulated: {len(fish)} fish weighed, {fish['length_mm'].min():.0f} to {fish['length_mm'].max():.0f} mm."
        data = {name: fish[name].to_numpy() for name in ("length_mm", "weight_g")}
        return Sample({**data, "line": (intercept, slope)}, source, {_SLOPE: slope, _WEIGHT: mean})

    def own(self, own: OwnStudy) -> Sample:
        """Weighed fish of the study's season."""
        fish = own.fish[own.fish["length_mm"].notna() & own.fish["weight_g"].notna()]
        if fish.empty:
            raise UsageError(f"no {own.classes.species.name} was weighed in {own.season}")
        data = {
            "length_mm": fish["length_mm"].to_numpy(),
            "weight_g": fish["weight_g"].to_numpy(),
            "run": fish["run_id"].to_numpy(),
        }
        return Sample(data, f"{own.name}: {len(fish)} fish weighed.")

    def estimate(self, sample: Sample, settings: Settings) -> Answer:
        """Slope, and mean weight at 400 mm."""
        run = sample.data.get("run")
        run = run if run is not None and len(set(run.tolist())) >= 3 else None
        fit = fit_length_weight(sample["length_mm"], sample["weight_g"], run=run)
        nan = math.nan
        slope = Shown(_SLOPE, fit.slope, sample.truth.get(_SLOPE, nan))
        return Answer((slope, Shown(_WEIGHT, _weight_at(fit, _AT_MM), sample.truth.get(_WEIGHT, nan))), fit)

    def plot(self, ax: Axes, sample: Sample, settings: Settings, answer: Answer) -> str:
        """Weights on length, both on log axes, with the fitted and the true line."""
        length, weight = sample["length_mm"], sample["weight_g"]
        ax.plot(length, weight, "o", color=ESTIMATE, markersize=3.5, alpha=0.7, label="a fish")
        if answer.first.estimate.estimable:
            line = np.linspace(length.min(), length.max(), 60)
            found = answer.fit.predict(line)
            ax.fill_between(line, found.prediction_lower, found.prediction_upper, color=ESTIMATE, alpha=0.12, linewidth=0,
                            label="95% of single fish")  # fmt: skip
            ax.plot(line, found.value, color=INK, label="fitted")
        if "line" in sample.data:
            a, b = sample["line"]
            ends = np.array([length.min(), length.max()])
            ax.plot(ends, 10 ** (a + b * np.log10(ends)), color=TRUTH, linestyle=(0, (5, 2)), label="truth")
        ax.set_xscale("log")
        ax.set_yscale("log")
        ticks = [t for t in (50, 70, 100, 150, 200, 300, 400, 500, 700) if 0.9 * length.min() <= t <= 1.1 * length.max()]
        ax.set_xticks(ticks, [str(t) for t in ticks])
        ax.set_xticks([], minor=True)
        grams = [g for g in (1, 3, 10, 30, 100, 300, 1000, 3000, 10000) if 0.7 * weight.min() <= g <= 1.4 * weight.max()]
        ax.set_yticks(grams, [f"{g:,}" for g in grams])
        ax.set_yticks([], minor=True)
        ax.set_xlabel("Total length (mm)")
        ax.set_ylabel("Weight (g)")
        ax.legend(loc="upper left", ncols=2)
        return f"Weights of {length.size} fish on length, {length.min():.0f} to {length.max():.0f} mm, both on logarithmic axes."


LESSON: Any = LengthWeight()
