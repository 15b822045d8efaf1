"""Lesson: what a new rule would bring, and what an uncertain natural mortality leaves open."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
from matplotlib.axes import Axes

from fishreport.analysis.rules import rules_of
from fishreport.analysis.scenario_inputs import species_inputs
from fishreport.exceptions import UsageError
from fishreport.exhibits.style import DASHES, SERIES
from fishreport.explore.exercise import Exercise, Mistake, Worked
from fishreport.explore.lesson_parts import Answer, Choice, Lesson, Sample, Settings, Shown, Slider
from fishreport.explore.own_study import OwnStudy
from fishreport.explore.view import TRUTH
from fishreport.methods.mortality_rates import rates
from fishreport.population.angling import Angling
from fishreport.population.decision import cannot_tell, compare
from fishreport.population.dynamics import project
from fishreport.population.life_history import LifeHistory
from fishreport.population.projection import Projection, units_of
from fishreport.population.regulation import Regulation

YEARS, LAST, DRAWS, TODAY_MM = 15, 5, 120, 250.0
QUANTITIES = {
    "fish of 300 mm and longer": "density_preferred",
    "weight kept": "harvest_weight",
    "fish kept": "harvest_number",
    "spawning biomass": "spawning_biomass",
}
LENGTHS = {"stock": 150.0, "preferred": 300.0}
_TRUE_M = 0.48


def _work(fishing: float, natural: float) -> Worked:
    found = rates(fishing=fishing, natural=natural)
    z = found.total
    way = f"F / Z × (1 − exp(−Z)) = {fishing:g} / {z:g} × (1 − exp(−{z:g})): anglers and nature take fish side by side."
    mistakes = [
        Mistake(100 * fishing, "the rate F is taken for a share. Fish that die do not die again."),
        Mistake(100 * found.conditional_fishing, "natural deaths are left out: they take some fish before anglers do."),
        Mistake(100 * found.annual_mortality, "all deaths are counted. Take the part that F has in Z."),
        Mistake(found.exploitation, "the share is not turned into percent."),
    ]
    return Worked(
        100 * found.exploitation, way, "Work out all deaths of the year, then the part of them that fishing has.", mistakes
    )


def _life(natural: Any, fishing: float) -> LifeHistory:
    return LifeHistory(
        asymptotic_length_mm=520.0, growth_coefficient=0.38, age_at_zero=-0.55, length_cv=0.08, weight_intercept=-4.933,
        weight_slope=2.98, natural_mortality=natural, fishing_mortality=fishing, vulnerability_length_mm=180.0,
        vulnerability_spread_mm=40.0, length_at_maturity_mm=300.0, maturity_spread_mm=40.0, maximum_age=9, recruitment_sd=0.25,
        density_per_km=400.0, density_length_mm=150.0,
    )  # fmt: skip


class Scenario(Lesson):
    """A minimum length, looked at before it is made."""

    key, title = "scenario", "Scenario"
    line = "what a minimum length would bring, and what uncertain deaths leave open"
    controls = (
        Slider("minimum", "New minimum length (mm)", 200, 450, 10, 350, side="analysis"),
        Slider("harvest", "Fishing mortality of legal fish (F)", 0.05, 1.0, 0.05, 0.4),
        Slider("release", "Released fish that die (%)", 0, 40, 1, 5),
        Slider("uncertainty", "Error of natural mortality (%)", 5, 50, 5, 20),
        Choice("quantity", "Looked at", tuple(QUANTITIES), next(iter(QUANTITIES))),
    )
    exercise = Exercise(_work, "percent", tolerance=0.005)
    repeat_seconds = "about 15 s"

    def draw(self, settings: Settings, rng: np.random.Generator) -> Sample:
        """A survey's guess of natural mortality, with its draws, beside the true rate and one future that comes about."""
        sd = float(np.sqrt(np.log1p((settings["uncertainty"] / 100) ** 2)))
        guess = _TRUE_M * math.exp(sd * rng.standard_normal())
        natural = guess * np.exp(sd * rng.standard_normal(DRAWS))
        people = Angling(release_mortality=settings["release"] / 100, noncompliance=0.0, voluntary_release=0.0)
        data = {
            "life": _life(natural, float(settings["harvest"])),
            "true_life": _life(_TRUE_M, float(settings["harvest"])),
            "angling": people,
            "today": Regulation(name="today's rule", minimum_length_mm=TODAY_MM),
            "seed": int(rng.integers(2**31)),
            "categories": LENGTHS,
        }
        source = f"Simulated: the survey put natural mortality at {guess:.2f} per year; in truth it is {_TRUE_M:g}."
        return Sample(data, source, {"natural_mortality": _TRUE_M})

    def own(self, own: OwnStudy) -> Sample:
        """The study's own life history under its first rule; it takes some seconds."""
        rules = rules_of(own.study).get(own.key, ())
        if not rules:
            raise UsageError(f"the study names no scenario for {own.classes.species.name}")
        rng = np.random.default_rng(own.study.parameters.seed)
        inputs = species_inputs(own.study, own.survey, own.classes, rules[:1], rng)
        if inputs.life is None or inputs.angling is None:
            raise UsageError(f"a scenario of {own.classes.species.name} needs more: {'; '.join(map(str, inputs.missing))}")
        life = inputs.life.take(np.arange(min(DRAWS, inputs.life.draws)))
        angling = inputs.angling.take(np.arange(life.draws))
        data = {
            "life": life,
            "angling": angling,
            "today": replace(rules[0], name="today's rule"),
            "seed": own.study.parameters.seed,
            "categories": LENGTHS,
        }
        return Sample(
            data, f"{own.name}: its own rates, {life.draws} draws; today's rule: {inputs.rules[0].sentence().rstrip('.')}."
        )

    def _project(self, sample: Sample, settings: Settings, life: LifeHistory, seed: int) -> Projection:
        today: Regulation = sample["today"]
        rule = replace(today, minimum_length_mm=float(settings["minimum"]), release_only=False, name="new rule")
        return project(
            life, [today, rule], years=YEARS, rng=np.random.default_rng(seed), angling=sample["angling"], workers=1,
            categories=sample["categories"], quantities=[QUANTITIES[settings["quantity"]]], groups=5,
        )  # fmt: skip

    def estimate(self, sample: Sample, settings: Settings) -> Answer:
        """Mean of the last five years under the new rule and under today's, and their difference draw by draw."""
        ahead = self._project(sample, settings, sample["life"], sample["seed"])
        true = self._project(sample, settings, sample["true_life"], sample["seed"] + 1) if sample.truth else None
        name = QUANTITIES[settings["quantity"]]
        old, new = compare(ahead, name, over_years=LAST)
        gap = cannot_tell(ahead, 0, 1, name, over_years=LAST).difference
        come = true.at(name, over_years=LAST)[:, 0] if true is not None else np.full(2, np.nan)
        shown = (
            Shown("New rule", new.value, float(come[1])),
            Shown("Today's rule", old.value, float(come[0])),
            Shown("Difference", gap, float(come[1] - come[0])),
        )
        return Answer(shown, (ahead, true))

    def plot(self, ax: Axes, sample: Sample, settings: Settings, answer: Answer) -> str:
        """Both rules year by year: median and 95 % band, and the future that comes about in truth."""
        ahead, true = answer.fit
        name = QUANTITIES[settings["quantity"]]
        values = ahead.get(name)
        for i, words in enumerate(("today's rule", "new rule")):
            low, middle, high = np.nanquantile(values[i], [0.025, 0.5, 0.975], axis=0)
            colour = SERIES[(5, 0)[i]]
            ax.fill_between(ahead.years, low, high, color=colour, alpha=0.15, linewidth=0)
            ax.plot(ahead.years, middle, color=colour, linestyle=DASHES[(2, 0)[i]], label=words)
        if true is not None:
            ax.plot(true.years, true.get(name)[1, 0], color=TRUTH, linestyle=(0, (5, 2)), label="new rule, in truth")
        ax.set_xlabel("Years from now")
        ax.set_ylabel(f"{settings['quantity']} ({units_of(name)})".capitalize())
        ax.set_ylim(bottom=0)
        ax.legend(loc="lower right", ncols=3)
        end = np.nanmedian(values[:, :, -1], axis=1)
        ended = f"in the last year about {end[1]:.3g} {units_of(name)}"
        return (
            f"{settings['quantity'].capitalize()} over {YEARS} years, with bands of 95%: {ended} "
            f"under a minimum of {settings['minimum']:g} mm, {end[0]:.3g} under today's rule."
        )


LESSON: Any = Scenario()
