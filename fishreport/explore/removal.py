"""Lesson: a population from catches that fall from pass to pass, and fish that grow wary."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes

from fishreport.analysis.population import removal_surveys
from fishreport.exceptions import UsageError
from fishreport.explore.exercise import Exercise, Mistake, Worked
from fishreport.explore.lesson_parts import Answer, Choice, Lesson, Sample, Settings, Shown, Slider
from fishreport.explore.own_study import OwnStudy
from fishreport.explore.view import ESTIMATE, INK, TRUTH
from fishreport.methods.removal import removal

_NUMBER, _SHARE = "Fish in the section", "Caught per pass"
METHODS = ("likelihood", "weighted")


def _work(catches: Sequence[int]) -> Worked:
    found = removal(catches)
    c = [int(n) for n in catches]
    share = 100 * found.capture_probability.value
    way = f"{sum(c)} fish were caught, {share:.0f}% of those left at each pass; the rest is still there."
    mistakes = [Mistake(float(sum(c)), "only the catch is counted. Some fish are still in the section.")]
    if len(c) == 2 and c[0] > c[1]:
        way = f"c1² / (c1 − c2) = {c[0]}² / ({c[0]} − {c[1]}). {way}"
        mistakes += [
            Mistake(c[0] / (c[0] - c[1]), "the first catch is not squared."),
            Mistake((c[0] - c[1]) / c[0], "the answer is the share caught per pass. Divide the first catch by it."),
        ]
    return Worked(
        found.population_size.value, way, "See which share the catch fell by; the first catch is that share of all.", mistakes
    )


class RemovalLesson(Lesson):
    """Passes over a closed section."""

    key, title = "removal", "Removal"
    line = "how many fish a section holds, from catches that fall from pass to pass"
    controls = (
        Slider("population", "True number in the section", 20, 500, 10, 150),
        Slider("probability", "Share caught at the first pass", 0.1, 0.9, 0.05, 0.5),
        Slider("wariness", "Fall of that share from pass to pass (%)", 0, 50, 5, 0),
        Slider("passes", "Passes", 2, 5, 1, 3),
        Choice("method", "Method", METHODS, METHODS[0]),
    )
    exercise = Exercise(_work, "fish", tolerance=0.01)
    repeat_seconds = "about 1 s"

    def draw(self, settings: Settings, rng: np.random.Generator) -> Sample:
        """Each fish that is left is caught with the pass's own probability."""
        left, share = int(settings["population"]), float(settings["probability"])
        catches = []
        for _ in range(int(settings["passes"])):
            catches.append(int(rng.binomial(left, share)))
            left -= catches[-1]
            share *= 1 - settings["wariness"] / 100
        source = f"Simulated: {', '.join(map(str, catches))} fish in {len(catches)} passes."
        truth = {_NUMBER: float(settings["population"]), _SHARE: float(settings["probability"])}
        return Sample({"catches": catches}, source, truth)

    def own(self, own: OwnStudy) -> Sample:
        """The latest removal survey up to the season, its sites added up."""
        found = removal_surveys(own.study, own.survey, [own.classes])
        if not found:
            raise UsageError(f"the study has no sites fished in two or more passes with {own.classes.species.name}")
        last = max(found, key=lambda one: one.season)
        together = [int(n) for n in last.together.fit.catches]
        source = (
            f"{own.classes.species.name} of {own.study.water.name}, {last.season}, {len(last.catches)} sites together: "
            f"{', '.join(map(str, together))} fish of {last.size_class} length in {len(together)} passes."
        )
        return Sample({"catches": together}, source)

    def estimate(self, sample: Sample, settings: Settings) -> Answer:
        """Number in the section, and share caught per pass."""
        fit, nan = removal(sample["catches"], method=settings["method"]), math.nan
        number = Shown(_NUMBER, fit.population_size, sample.truth.get(_NUMBER, nan))
        return Answer((number, Shown(_SHARE, fit.capture_probability, sample.truth.get(_SHARE, nan))), fit)

    def plot(self, ax: Axes, sample: Sample, settings: Settings, answer: Answer) -> str:
        """Catches as bars with what the fit expects; with a known truth, the fish still there after each pass."""
        catches = np.array(sample["catches"], dtype=float)
        number = np.arange(1, catches.size + 1)
        ax.bar(number, catches, width=0.5, color=ESTIMATE, alpha=0.55, label="caught")
        expected = np.array(answer.fit.fit.expected, dtype=float)
        if expected.size == catches.size and np.isfinite(expected).all():
            ax.plot(number, expected, "_", color=INK, markersize=26, markeredgewidth=2.2, label="expected by the fit")
        if math.isfinite(answer.first.truth):
            ax.plot(
                number,
                answer.first.truth - catches.cumsum(),
                "D",
                color=TRUTH,
                linestyle=(0, (5, 2)),
                linewidth=1,
                label="still there, in truth",
            )
        ax.set_xticks(number)
        ax.set_xlabel("Pass")
        ax.set_ylabel("Fish")
        ax.set_ylim(bottom=0)
        ax.legend(loc="upper right")
        return f"Fish caught at passes 1 to {catches.size}: {', '.join(f'{c:.0f}' for c in catches)}."


LESSON: Any = RemovalLesson()
