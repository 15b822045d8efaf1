"""Lesson: catch per hour, and the unit that its interval must count."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes

from fishreport.analysis.classes import run_catches
from fishreport.explore.exercise import Exercise, Mistake, Worked
from fishreport.explore.lesson_parts import Answer, Choice, Lesson, Sample, Settings, Shown, Slider
from fishreport.explore.own_study import OwnStudy
from fishreport.explore.simulated import SEASON, SPECIES, catch_by_run, season_survey
from fishreport.explore.view import ESTIMATE, INK, dashed_truth
from fishreport.methods.catch_rate import mean_catch_rate

_NAME = "Catch rate"
RUNS_PER_SITE = 2


def _work(catch: Sequence[float], minutes: Sequence[float]) -> Worked:
    c, hours = np.asarray(catch, dtype=float), np.asarray(minutes, dtype=float) / 60
    rate = mean_catch_rate(c, hours)
    way = f"{c.sum():g} fish in {hours.sum():.3g} hours; long runs count for more, and empty runs count too."
    mistakes = [
        Mistake(float((c / hours).mean()), "every run's own rate counts the same, however short the run. Divide the sums."),
        Mistake(float(c.mean()), "fish are divided by runs. Divide by hours of current."),
        Mistake(float(c.sum() / (60 * hours.sum())), "the time is left in minutes. Turn it into hours."),
    ]
    if (c > 0).any() and (c == 0).any():
        mistakes.append(
            Mistake(float(c.sum() / hours[c > 0].sum()), "runs without a fish are left out. Their time was fished too.")
        )
    return Worked(rate.value, way, "Think of all fish over all hours of current.", mistakes)


class CatchRate(Lesson):
    """Fish per hour of current."""

    key, title = "catch-rate", "Catch rate"
    line = "fish per hour of current, and why sites are the units that count"
    controls = (
        Slider("sites", "Sites", 3, 30, 1, 10),
        Slider("fish_per_run", "Fish in a usual run", 1, 60, 1, 20),
        Slider("between_sites", "Spread between sites (sd of log density)", 0, 1, 0.05, 0.35),
        Slider("between_runs", "Spread between runs of a site (cv)", 0, 1, 0.05, 0.4),
        Choice("units", "Units of the interval", ("sites", "runs"), "sites"),
    )
    exercise = Exercise(_work, "fish/h")
    repeat_seconds = "about 8 s"

    def draw(self, settings: Settings, rng: np.random.Generator) -> Sample:
        """Two runs at each site of one season."""
        cv = settings["between_runs"]
        survey = season_survey(
            rng,
            fished=0.25,
            sites=int(settings["sites"]),
            runs_per_site=RUNS_PER_SITE,
            fish=settings["fish_per_run"] * settings["sites"] * RUNS_PER_SITE,
            site_sd=settings["between_sites"],
            run_shape=np.inf if cv == 0 else cv**-2,
        )
        runs = catch_by_run(survey)
        truth = survey.truth.expected_catch_rate(SPECIES, SEASON, at_sites=False)
        data = {name: runs[name].to_numpy() for name in ("site", "catch", "effort_h")}
        source = f"Simulated: {len(runs)} runs at {int(settings['sites'])} sites, {int(runs['catch'].sum())} fish."
        return Sample(data, source, {_NAME: truth})

    def own(self, own: OwnStudy) -> Sample:
        """All runs of the study's season."""
        runs = run_catches(own.survey, own.classes)
        runs = runs[runs["season"] == own.season]
        data = {"site": runs["site"].to_numpy(), "catch": runs["all"].to_numpy(), "effort_h": runs["effort_h"].to_numpy()}
        source = f"{own.name}: {len(runs)} runs at {runs['site'].nunique()} sites, {int(runs['all'].sum())} fish."
        return Sample(data, source)

    def estimate(self, sample: Sample, settings: Settings) -> Answer:
        """The rate, with sites or runs as units."""
        site = sample["site"] if settings["units"] == "sites" else None
        rate = mean_catch_rate(sample["catch"], sample["effort_h"], site=site)
        return Answer((Shown(_NAME, rate, sample.truth.get(_NAME, np.nan)),))

    def plot(self, ax: Axes, sample: Sample, settings: Settings, answer: Answer) -> str:
        """Each run's rate over its site."""
        sites = list(dict.fromkeys(sample["site"].tolist()))
        place = np.array([sites.index(site) for site in sample["site"].tolist()], dtype=float)
        rate = sample["catch"] / sample["effort_h"]
        nth = np.array([np.count_nonzero(place[:i] == x) for i, x in enumerate(place)])
        ax.plot(place + 0.16 * (nth - 0.5), rate, "o", color=ESTIMATE, markersize=4.5, label="a run")
        if answer.first.estimate.estimable:
            ax.axhline(answer.first.estimate.value, color=INK, linewidth=1.2, label="estimate")
        dashed_truth(ax, answer.first.truth)
        step = max(1, -(-len(sites) // 12))
        ax.set_xticks(range(0, len(sites), step), sites[::step])
        ax.set_xlabel("Site")
        ax.set_ylabel("Catch rate (fish/h)")
        ax.set_ylim(0, 1.2 * max(rate.max(initial=1), answer.first.estimate.value if answer.first.estimate.estimable else 1))
        ax.legend(loc="upper right", ncols=3)
        return f"Catch rates of {rate.size} runs at {len(sites)} sites, from {rate.min():.0f} to {rate.max():.0f} fish/h."


LESSON: Any = CatchRate()
