"""Lesson: proportional size, and what the gear does not see."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import Any

import numpy as np
from matplotlib.axes import Axes

from fishreport.exceptions import UsageError
from fishreport.exhibits.style import SERIES
from fishreport.explore.exercise import Exercise, Mistake, Worked
from fishreport.explore.lesson_parts import Answer, Choice, Lesson, Sample, Settings, Shown, Slider
from fishreport.explore.own_study import OwnStudy
from fishreport.explore.simulated import SEASON, SPECIES, measured, season_survey
from fishreport.explore.view import GREY, TRUTH
from fishreport.methods.size_structure import proportional_size
from fishreport.species import load_standards

CATEGORIES = ("quality", "preferred", "memorable")


@lru_cache(maxsize=1)
def _bounds() -> dict[str, float]:
    return {str(name): bound for name, bound in load_standards().find("brown trout (lotic)").categories.items()}


def _work(length_mm: Sequence[float], stock: float, quality: float) -> Worked:
    length = np.asarray(length_mm, dtype=float)
    share = proportional_size(length, stock=stock, bound=quality)
    large, legal = int((length >= quality).sum()), int((length >= stock).sum())
    way = f"{large} fish of quality length among {legal} of stock length; the {length.size - legal} shorter ones do not count."
    between = max(legal - large, 1)
    mistakes = [
        Mistake(100 * large / length.size, "fish under stock length are counted as well."),
        Mistake(large / legal, "the share is not turned into percent."),
        Mistake(100 * large / between, "large fish are divided by the stock fish that are not large."),
    ]
    return Worked(share.value, way, "Think of which fish belong below the line.", mistakes)


class SizeStructure(Lesson):
    """Large fish among the catchable ones."""

    key, title = "size-structure", "Size structure"
    line = "large fish among all of stock length, and what the gear does not see"
    controls = (
        Slider("fish", "Fish older than a year, about", 40, 1500, 20, 300),
        Slider("total_mortality", "Deaths (Z, per year)", 0.3, 1.4, 0.05, 0.7),
        Slider("length_at_half", "Length at which the gear takes half (mm)", 60, 320, 10, 80),
        Choice("category", "Large means", CATEGORIES, "quality"),
    )
    exercise = Exercise(_work, "percent")
    repeat_seconds = "about 8 s"

    def draw(self, settings: Settings, rng: np.random.Generator) -> Sample:
        """All fish measured in 24 runs."""
        # The gear takes a third as many, of a population three times as large: few of the fish of the water are caught.
        changes = {"length_at_half": float(settings["length_at_half"]), "length_width": 12.0, "capture_rate": 0.8}
        survey = season_survey(rng, changes=changes, fish=2.7 * settings["fish"], total_mortality=settings["total_mortality"])
        fish, bounds = measured(survey), _bounds()
        stock = bounds["stock"]
        truth = {
            name: survey.truth.proportional_size(SPECIES, SEASON, stock_mm=stock, bound_mm=bounds[name]) for name in CATEGORIES
        }
        data = {"length_mm": fish["length_mm"].to_numpy(), "run": fish["run_id"].to_numpy(), "categories": bounds}
        data["water_mm"] = survey.truth.snapshot(SPECIES, SEASON).length_mm
        source = f"Simulated: {len(fish)} fish measured in {fish['run_id'].nunique()} runs."
        return Sample(data, source, truth)

    def own(self, own: OwnStudy) -> Sample:
        """Measured fish of the study's season."""
        if own.classes.standard is None:
            raise UsageError(f"{own.classes.species.name} has no published length categories in this study")
        fish = own.fish[own.fish["length_mm"].notna()]
        data = {
            "length_mm": fish["length_mm"].to_numpy(),
            "run": fish["run_id"].to_numpy(),
            "categories": own.classes.published_mm,
        }
        return Sample(data, f"{own.name}: {len(fish)} fish measured in {fish['run_id'].nunique()} runs.")

    def estimate(self, sample: Sample, settings: Settings) -> Answer:
        """The share of the chosen category."""
        name, bounds = settings["category"], sample["categories"]
        if name not in bounds:
            raise UsageError(f"this species has no category {name!r}; it has {', '.join(bounds)}")
        share = proportional_size(sample["length_mm"], stock=bounds["stock"], bound=bounds[name], run=sample["run"])
        return Answer((Shown(f"Fish of {name} length", share, sample.truth.get(name, np.nan)),))

    def plot(self, ax: Axes, sample: Sample, settings: Settings, answer: Answer) -> str:
        """Lengths of the catch; with a known truth, of the water too, scaled to the catch of stock length."""
        length, bounds, name = sample["length_mm"], sample["categories"], settings["category"]
        top = 20 * np.ceil(max(length.max(initial=400), 400) / 20) + 20
        bins = np.arange(0, top + 1, 20)
        caught = np.histogram(length, bins)[0]
        large = bins[:-1] >= bounds[name]
        kinds = ((~large, SERIES[0], "", "caught"), (large, SERIES[0], "////", f"caught, {name} length and longer"))
        for which, colour, hatch, words in kinds:
            shape: dict[str, Any] = {"width": 18, "align": "edge", "alpha": 0.55, "edgecolor": "white"}
            ax.bar(bins[:-1][which], caught[which], color=colour, hatch=hatch, label=words, **shape)
        if "water_mm" in sample.data:
            water = np.histogram(sample["water_mm"], bins)[0].astype(float)
            scale = (length >= bounds[name]).sum() / max((sample["water_mm"] >= bounds[name]).sum(), 1)
            ax.stairs(water * scale, bins, color=TRUTH, linewidth=1.6, linestyle=(0, (5, 2)), label="in the water, to scale")
            ax.set_ylim(0, 1.4 * max(caught.max(initial=1), (water * scale)[bins[:-1] >= bounds["stock"]].max(initial=1)))
        ax.axvline(bounds["stock"], color=GREY, linewidth=1)
        ax.text(bounds["stock"] + 3, ax.get_ylim()[1] * 0.97, "stock length", va="top", fontsize=8)
        ax.set_xlabel("Total length (mm)")
        ax.set_ylabel("Fish in 20 mm")
        ax.legend(loc="upper right")
        most = bins[int(caught.argmax())]
        return (
            f"Lengths of {length.size} fish, most of them {most:.0f} to {most + 20:.0f} mm; {name} length is {bounds[name]:g} mm."
        )


LESSON: Any = SizeStructure()
