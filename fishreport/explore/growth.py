"""Lesson: growth from ages and lengths, and what missing old fish and coarse gear do to it."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from fishreport.analysis.ages import aged_fish
from fishreport.exceptions import UsageError
from fishreport.explore.exercise import Exercise, Mistake, Worked
from fishreport.explore.lesson_parts import Answer, Lesson, Sample, Settings, Shown, Slider
from fishreport.explore.own_study import OwnStudy
from fishreport.explore.simulated import EVERY_FISH, SPECIES, aged, season_survey, some
from fishreport.explore.view import ESTIMATE, INK, TRUTH
from fishreport.methods.growth import fit_von_bertalanffy
from fishreport.methods.growth_curves import find_curve, natural_length

_TOP, _SPEED = "Asymptotic length", "Growth coefficient K"
CURVE = find_curve("von_bertalanffy")


def _length(asymptotic_length_mm: float, k: float, age_at_zero: float, age: float) -> float:
    parameters = np.array([[asymptotic_length_mm, k, age_at_zero]])
    return float(np.ravel(natural_length(parameters, np.array([float(age)]), CURVE)[0])[0])


def _work(asymptotic_length_mm: float, k: float, age_at_zero: float, age: float) -> Worked:
    top = float(asymptotic_length_mm)
    value = _length(top, k, age_at_zero, age)
    way = (
        f"{top:g} × (1 − exp(−{k:g} × ({age:g} − ({age_at_zero:g})))); the curve has covered {100 * value / top:.0f}% of the way."
    )
    mistakes = [
        Mistake(_length(top, k, 0.0, age), "the age at zero length is left out."),
        Mistake(
            _length(top, k, -age_at_zero, age), "the age at zero length is added with the wrong sign: minus a minus is plus."
        ),
        Mistake(top - value, "exp(…) is taken alone. That is what is still missing to the asymptote."),
    ]
    return Worked(value, way, "Put age less age at zero length into the exponent, with a minus before K.", mistakes)


class Growth(Lesson):
    """Length at age."""

    key, title = "growth", "Growth"
    line = "the von Bertalanffy curve, and what missing old fish and coarse gear do to it"
    controls = (
        Slider("fish", "Fish aged", 15, 300, 5, 100),
        Slider("k", "True growth coefficient K", 0.15, 0.6, 0.01, 0.38),
        Slider("total_mortality", "Deaths (Z, per year)", 0.3, 1.4, 0.05, 0.5),
        Slider("length_at_half", "Length at which the gear takes half (mm)", 40, 300, 10, 40),
        Slider("misread", "Share misread by a year at age 3", 0, 0.3, 0.02, 0),
    )
    exercise = Exercise(_work, "mm", tolerance=0.005)
    repeat_seconds = "about 15 s"

    def draw(self, settings: Settings, rng: np.random.Generator) -> Sample:
        """Fish of age 1 and older picked at random from the catch, which the gear may have chosen by length."""
        changes = {"growth_coefficient": float(settings["k"]), "length_at_half": float(settings["length_at_half"])}
        survey = season_survey(
            rng, changes=changes, fish=2.2 * settings["fish"] + 60, total_mortality=settings["total_mortality"],
            misread=settings["misread"], aged_per_bin=EVERY_FISH,
        )  # fmt: skip
        fish = aged(survey)
        fish = some(fish[fish["age"] >= 1], int(settings["fish"]), rng)
        true = survey.truth.species(SPECIES)
        source = f"Simulated: {len(fish)} fish aged, 1 to {fish['age'].max():.0f} years."
        data = {"age": fish["age"].to_numpy(), "length_mm": fish["length_mm"].to_numpy()}
        data["curve"] = np.array([true.asymptotic_length_mm, true.growth_coefficient, true.age_at_zero])
        return Sample(data, source, {_TOP: true.asymptotic_length_mm, _SPEED: true.growth_coefficient})

    def own(self, own: OwnStudy) -> Sample:
        """Every aged fish of the species, all seasons."""
        fish: pd.DataFrame = aged_fish(own.survey, own.key)
        if fish.empty:
            raise UsageError(f"the study has no aged {own.classes.species.name}")
        data = {"age": fish["age"].to_numpy(float), "length_mm": fish["length_mm"].to_numpy(float)}
        source = f"{own.classes.species.name} of {own.study.water.name}, all seasons: {len(fish)} fish aged. "
        source += "Each counts once here; the report weighs fish that were picked for ageing by length."
        return Sample(data, source)

    def estimate(self, sample: Sample, settings: Settings) -> Answer:
        """Both parameters by least squares on log length, with profile intervals."""
        fit = fit_von_bertalanffy(sample["age"], sample["length_mm"], errors="proportional")
        top = Shown(_TOP, fit.asymptotic_length, sample.truth.get(_TOP, math.nan))
        return Answer((top, Shown(_SPEED, fit.growth_coefficient, sample.truth.get(_SPEED, math.nan))), fit)

    def plot(self, ax: Axes, sample: Sample, settings: Settings, answer: Answer) -> str:
        """Lengths at age with the fitted and the true curve."""
        age, length = sample["age"], sample["length_mm"]
        nudge = 0.12 * np.sin(7.0 * np.arange(age.size))
        ax.plot(age + nudge, length, "o", color=ESTIMATE, markersize=3.2, alpha=0.6, label="a fish")
        ages = np.linspace(max(age.min() - 0.5, 0), age.max() + 1, 80)
        if answer.fit.estimable:
            ax.plot(ages, answer.fit.predict(ages)["length_mm"], color=INK, label="fitted")
        if "curve" in sample.data:
            true = np.ravel(natural_length(sample["curve"][None, :], ages, CURVE)[0])
            ax.plot(ages, true, color=TRUTH, linestyle=(0, (5, 2)), label="truth")
        ax.set_xlabel("Age (years)")
        ax.set_ylabel("Total length (mm)")
        ax.set_ylim(bottom=0)
        ax.legend(loc="lower right")
        years = f"{age.min():.0f} to {age.max():.0f} years"
        return f"Lengths of {age.size} fish of {years}, {length.min():.0f} to {length.max():.0f} mm."


LESSON: Any = Growth()
