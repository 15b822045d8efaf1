"""Lesson: a population from marks and recaptures, and what lost marks and shy fish do to it."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from scipy.stats import nchypergeom_wallenius

from fishreport.exceptions import UsageError
from fishreport.explore.exercise import Exercise, Mistake, Worked
from fishreport.explore.lesson_parts import Answer, Lesson, Sample, Settings, Shown, Slider
from fishreport.explore.own_study import OwnStudy
from fishreport.explore.view import ESTIMATE, INK, dashed_truth
from fishreport.methods.abundance import petersen

_NAME = "Population size"


def _work(marked: int, caught: int, recaptured: int) -> Worked:
    found = petersen(marked, caught, recaptured)
    way = f"({marked} + 1) × ({caught} + 1) / ({recaptured} + 1) − 1, which keeps small samples from promising too many fish."
    mistakes = [
        Mistake(found.value + 1, "the 1 at the end is not taken off."),
        Mistake(marked * recaptured / caught, "the share is turned over: marked fish are few among many."),
        Mistake(float(marked + caught - recaptured), "fish seen are counted. Those never seen are the point."),
    ]
    if recaptured:
        plain = marked * caught / recaptured
        mistakes.insert(0, Mistake(plain, "no 1 is added. On average that is too high with few recaptures; use Chapman's form."))
    return Worked(found.value, way, "Add one to each of the three counts.", mistakes)


class Recapture(Lesson):
    """Two visits: mark, then look again."""

    key, title = "recapture", "Mark and recapture"
    line = "how many fish there are, from marks seen again; lost marks and shy fish"
    controls = (
        Slider("population", "True population (fish)", 100, 3000, 50, 1000),
        Slider("marked", "Marked on the first visit", 20, 500, 10, 150),
        Slider("caught", "Caught on the second visit", 20, 500, 10, 150),
        Slider("lost", "Marks lost between visits (%)", 0, 50, 5, 0),
        Slider("shyness", "Catchability of marked fish (others: 1)", 0.3, 2, 0.1, 1),
    )
    exercise = Exercise(_work, "fish", tolerance=0.0005)
    repeat_seconds = "about 1 s"

    def draw(self, settings: Settings, rng: np.random.Generator) -> Sample:
        """Fish of the second visit drawn one by one without putting back, marked fish with their own catchability."""
        number = int(settings["population"])
        marked = min(int(settings["marked"]), number)
        caught = min(int(settings["caught"]), number)
        bearing = int(rng.binomial(marked, 1 - settings["lost"] / 100))
        odds = float(settings["shyness"])
        if odds == 1:
            again = int(rng.hypergeometric(bearing, number - bearing, caught))
        else:
            again = int(nchypergeom_wallenius.rvs(number, bearing, caught, odds, random_state=rng))
        source = f"Simulated: {marked} fish marked, {caught} caught on the second visit, {again} of them with a mark."
        return Sample({"marked": marked, "caught": caught, "recaptured": again}, source, {_NAME: float(number)})

    def own(self, own: OwnStudy) -> Sample:
        """The first two events of the latest census up to the season, all size classes together."""
        census = own.survey.census
        census = census[(census["species_key"] == own.key) & (census["season"] <= own.season)]
        if census.empty:
            raise UsageError(f"the study has no census of {own.classes.species.name}")
        season = int(census["season"].max())
        census = census[census["season"] == season]
        order = census.groupby("size_class").cumcount()
        if order.max() < 1:
            raise UsageError(f"the census of {season} has one event only, two are needed")
        first, second = census[order == 0], census[order == 1]
        counts = int(first["marked"].sum()), int(second["caught"].sum()), int(second["recaptured"].sum())
        source = (
            f"{own.classes.species.name} of {own.study.water.name}, {season}, first two events: {counts[0]} marked, {counts[1]} "
            f"caught, {counts[2]} recaptured. All sizes together; the report adds up size classes."
        )
        return Sample(dict(zip(("marked", "caught", "recaptured"), counts, strict=True)), source)

    def estimate(self, sample: Sample, settings: Settings) -> Answer:
        """Chapman's form of the Petersen estimate with exact limits."""
        found = petersen(sample["marked"], sample["caught"], sample["recaptured"])
        return Answer((Shown(_NAME, found, sample.truth.get(_NAME, math.nan)),))

    def plot(self, ax: Axes, sample: Sample, settings: Settings, answer: Answer) -> str:
        """Recaptures to be expected in populations of each size, and how many there were."""
        marked, caught, again = sample["marked"], sample["caught"], sample["recaptured"]
        e = answer.first.estimate
        reach = [x for x in (e.value, e.upper, answer.first.truth) if math.isfinite(x)]
        known = [x for x in (e.value, answer.first.truth) if math.isfinite(x)]
        least = max(marked, caught, 0.4 * min(known, default=0.0))
        top = min(
            1.25 * max([*reach, 2.0 * least]),
            12.0 * max([x for x in (e.value, answer.first.truth) if math.isfinite(x)] or [least]),
        )
        number = np.linspace(least, top, 200)
        share = marked / number
        mean = caught * share
        sd = np.sqrt(mean * (1 - share) * np.maximum(number - caught, 0) / np.maximum(number - 1, 1))
        ax.fill_between(
            number, np.maximum(mean - 2 * sd, 0), mean + 2 * sd, color=ESTIMATE, alpha=0.15, linewidth=0, label="usual range"
        )
        ax.plot(number, mean, color=ESTIMATE, label="expected recaptures")
        ax.axhline(again, color=INK, linewidth=1.4, label=f"seen: {again}")
        dashed_truth(ax, answer.first.truth, horizontal=False)
        ax.set_xlabel("Population (fish)")
        ax.set_ylabel("Recaptures")
        ax.set_ylim(bottom=0)
        ax.legend(loc="upper right")
        return (
            f"Expected recaptures fall as the population grows: with {marked} marked and {caught} caught, {again} were seen "
            f"again, as expected of about {e.value:,.0f} fish."
            if e.estimable
            else f"With {marked} marked and {caught} caught, {again} were seen again."
        )


LESSON: Any = Recapture()
