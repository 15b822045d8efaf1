"""Lesson: how many runs a wanted precision takes, from a pilot survey."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from matplotlib.axes import Axes

from fishreport.analysis.classes import run_catches
from fishreport.exceptions import UsageError
from fishreport.explore.exercise import Exercise, Mistake, Worked
from fishreport.explore.lesson_parts import Answer, Lesson, Sample, Settings, Shown, Slider
from fishreport.explore.own_study import OwnStudy
from fishreport.explore.view import ESTIMATE, GREY, INK, TRUTH
from fishreport.methods.precision import runs_curve, runs_needed, units_needed

_NAME = "Runs needed"
RUN_HOURS = 1 / 6


def _work(cv: float, relative_error: float) -> Worked:
    needed = units_needed(cv, relative_error)
    way = f"(t × {cv:g} / {relative_error:g})² with the t of as many runs less one, rounded up."
    mistakes = [
        Mistake(float(units_needed(cv, relative_error, level=0.9)), "t leaves 5% on each side. For a 95% interval it is 2.5%."),
        Mistake(math.ceil(2 * cv / relative_error), "the bracket is not squared: half the error takes four times the runs."),
        Mistake(
            float(math.ceil((cv / relative_error) ** 2)), "t is left out: that gives the standard error, not the 95% interval."
        ),
        Mistake(
            float(units_needed(cv, relative_error, normal=True)),
            "1.96 is taken for t. With few runs t is larger; try its degrees of freedom.",
        ),
    ]
    return Worked(float(needed), way, "Start with t = 2, then take the t of the number that comes out.", mistakes)


class SamplingDesign(Lesson):
    """How many runs."""

    key, title = "sampling-design", "Sampling design"
    line = "how many runs a wanted precision takes, and how well a pilot survey knows"
    controls = (
        Slider("fish_per_run", "Fish in a usual run", 1, 60, 1, 15),
        Slider("between_runs", "Spread between runs (cv of density)", 0, 1.5, 0.05, 0.6),
        Slider("pilot", "Runs of the pilot survey", 5, 60, 1, 15),
        Slider("wanted", "Wanted error of the rate (± %)", 10, 50, 1, 25, side="analysis"),
    )
    exercise = Exercise(_work, "runs", tolerance=1e-6)
    repeat_seconds = "about 2 s"

    def draw(self, settings: Settings, rng: np.random.Generator) -> Sample:
        """Runs of ten minutes with catches of the negative binomial distribution."""
        mean, cv, runs = float(settings["fish_per_run"]), float(settings["between_runs"]), int(settings["pilot"])
        density = rng.gamma(cv**-2, cv**2, runs) if cv else np.ones(runs)
        catch = rng.poisson(mean * density)
        spread = math.sqrt(1 / mean + cv**2)
        source = f"Simulated: pilot survey of {runs} runs, {int(catch.sum())} fish."
        return Sample({"catch": catch, "effort_h": np.full(runs, RUN_HOURS), "cv": spread}, source, {"cv": spread})

    def own(self, own: OwnStudy) -> Sample:
        """The season's runs as a pilot for the next."""
        runs = run_catches(own.survey, own.classes)
        runs = runs[runs["season"] == own.season]
        if runs.empty:
            raise UsageError(f"the study has no runs in {own.season}")
        source = f"{own.name}: {len(runs)} runs, {int(runs['all'].sum())} fish; runs taken as independent."
        return Sample({"catch": runs["all"].to_numpy(), "effort_h": runs["effort_h"].to_numpy()}, source)

    def estimate(self, sample: Sample, settings: Settings) -> Answer:
        """Runs needed for the wanted error, beside the number that the true spread asks for."""
        wanted = settings["wanted"] / 100
        needed = runs_needed(sample["catch"], sample["effort_h"], relative_error=wanted)
        truth = float(units_needed(sample.truth["cv"], wanted)) if sample.truth else math.nan
        return Answer((Shown(_NAME, needed, truth),))

    def plot(self, ax: Axes, sample: Sample, settings: Settings, answer: Answer) -> str:
        """Error of the rate against the number of runs, as this pilot has it and in truth."""
        wanted = float(settings["wanted"])
        rng = np.random.default_rng(int(sample["catch"].sum()))
        curve = runs_curve(sample["catch"], sample["effort_h"], rng=rng, relative_error=wanted / 100, resamples=200)
        keep = curve.runs >= 4
        ax.plot(curve.runs[keep], 100 * curve.by_formula[keep], color=INK, label="by this pilot, formula")
        ax.plot(curve.runs[keep], 100 * curve.by_simulation[keep], ".", color=ESTIMATE, label="by drawing its runs again")
        if sample.truth and keep.any():
            true = curve.by_formula[keep] * sample.truth["cv"] / curve.cv
            ax.plot(curve.runs[keep], 100 * true, color=TRUTH, linestyle=(0, (5, 2)), label="truth")
        ax.axhline(wanted, color=GREY, linewidth=1.2, linestyle=":", label=f"wanted: ± {wanted:.0f}%")
        ax.set_xlabel("Runs")
        ax.set_ylabel("Error of the catch rate (± %)")
        ax.set_ylim(0, max(100.0, 1.5 * wanted))
        ax.legend(loc="upper right")
        catch = sample["catch"]
        took = f"the pilot's {catch.size} runs took {catch.min()} to {catch.max()} fish"
        return f"Error of the catch rate falls with the number of runs; {took}."


LESSON: Any = SamplingDesign()
