"""Lesson: the bootstrap, and what must be drawn again: whole runs, not single fish."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes

from fishreport.exceptions import UsageError
from fishreport.explore.exercise import Exercise, Mistake, Worked
from fishreport.explore.lesson_parts import Answer, Choice, Lesson, Sample, Settings, Shown, Slider
from fishreport.explore.own_study import OwnStudy
from fishreport.explore.view import ESTIMATE, INK, dashed_truth
from fishreport.methods.estimate import Estimate
from fishreport.methods.resampling import cluster_bootstrap

_NAME = "Mean length"
UNITS = ("whole runs", "single fish")
METHODS = ("percentile", "bca")
_MEAN_MM, _SD_MM, _SEED = 300.0, 60.0, 20


def _totals(length: np.ndarray, run: np.ndarray) -> np.ndarray:
    _, code = np.unique(run, return_inverse=True)
    return np.column_stack([np.bincount(code, length), np.bincount(code)]).astype(float)


def _bootstrap(totals: np.ndarray, resamples: int, method: Any = "percentile") -> tuple[Estimate, np.ndarray]:
    """The estimate, and the means of the drawn samples behind it."""
    seen: list[np.ndarray] = []

    def mean(sums: np.ndarray) -> Any:
        means = sums[..., 0] / sums[..., 1]
        seen.append(np.asarray(means))
        return means

    rng = np.random.default_rng(_SEED)
    found = cluster_bootstrap(totals, mean, rng=rng, resamples=resamples, method=method, units="mm")
    drawn = next((part for part in seen if part.ndim == 1 and part.size == resamples), np.empty(0))
    return found, drawn


def _work(lengths_mm: Sequence[Sequence[float]]) -> Worked:
    runs = [np.asarray(run, dtype=float) for run in lengths_mm]
    length, code = np.concatenate(runs), np.repeat(np.arange(len(runs)), [run.size for run in runs])
    whole, _ = _bootstrap(_totals(length, code), 20_000)
    single, _ = _bootstrap(_totals(length, np.arange(length.size)), 20_000)
    way = f"Whole runs drawn again scatter by {whole.se:.1f} mm, single fish only by {single.se:.1f} mm: fish of a run are alike."
    mistakes = [
        Mistake(single.se, "single fish are drawn again. Fish of a run are alike, so draw whole runs."),
        Mistake(float(length.std(ddof=1)), "that is the spread of single fish, not of the mean."),
    ]
    return Worked(
        whole.se, way, "Draw as many runs as there are, with putting back, take the mean of their fish, and repeat.", mistakes
    )


class Bootstrap(Lesson):
    """Drawing the sample again from itself."""

    key, title = "bootstrap", "The bootstrap"
    line = "an interval by drawing the sample again, whole runs and not single fish"
    controls = (
        Slider("runs", "Runs", 4, 40, 1, 12),
        Slider("fish_per_run", "Fish in a usual run", 2, 30, 1, 10),
        Slider("alike", "Variance that lies between runs (%)", 0, 60, 5, 25),
        Choice("units", "Drawn again", UNITS, UNITS[0]),
        Choice("method", "Limits", METHODS, METHODS[0]),
        Slider("resamples", "Samples drawn", 100, 2000, 100, 1000, side="analysis"),
    )
    exercise = Exercise(_work, "mm", tolerance=0.06)
    repeat_seconds = "about 2 s"

    def draw(self, settings: Settings, rng: np.random.Generator) -> Sample:
        """Lengths with a part common to the fish of a run; mean 300 mm, standard deviation 60 mm in all."""
        runs, share = int(settings["runs"]), settings["alike"] / 100
        size = np.maximum(rng.poisson(settings["fish_per_run"], runs), 1)
        run = np.repeat(np.arange(runs), size)
        common, own = rng.standard_normal(runs)[run], rng.standard_normal(run.size)
        length = _MEAN_MM + _SD_MM * (np.sqrt(share) * common + np.sqrt(1 - share) * own)
        source = f"Simulated: {run.size} fish in {runs} runs."
        return Sample({"length_mm": np.maximum(length, 20.0), "run": run}, source, {_NAME: _MEAN_MM})

    def own(self, own: OwnStudy) -> Sample:
        """Measured fish of the study's season."""
        fish = own.fish[own.fish["length_mm"].notna()]
        if fish["run_id"].nunique() < 2:
            raise UsageError(f"{own.classes.species.name} was measured in fewer than 2 runs of {own.season}")
        data = {"length_mm": fish["length_mm"].to_numpy(float), "run": fish["run_id"].to_numpy()}
        return Sample(data, f"{own.name}: {len(fish)} fish measured in {fish['run_id'].nunique()} runs.")

    def estimate(self, sample: Sample, settings: Settings) -> Answer:
        """Mean length with the bootstrap's interval."""
        run = sample["run"] if settings["units"] == UNITS[0] else np.arange(sample["length_mm"].size)
        found, drawn = _bootstrap(_totals(sample["length_mm"], run), int(settings["resamples"]), settings["method"])
        return Answer((Shown(_NAME, found, sample.truth.get(_NAME, np.nan)),), drawn)

    def plot(self, ax: Axes, sample: Sample, settings: Settings, answer: Answer) -> str:
        """The means of the drawn samples, with the limits."""
        drawn, e = answer.fit, answer.first.estimate
        ax.hist(drawn, bins=40, color=ESTIMATE, alpha=0.55, label="means of drawn samples")
        for i, limit in enumerate((e.lower, e.upper)):
            ax.axvline(limit, color=INK, linewidth=1.4, linestyle=":", label="limits" if i == 0 else None)
        dashed_truth(ax, answer.first.truth, horizontal=False)
        ax.set_xlabel("Mean length (mm)")
        ax.set_ylabel("Drawn samples")
        top = ax.get_ylim()[1]
        ax.set_ylim(0, 1.3 * top)
        ax.legend(loc="upper right", ncols=3)
        unit = settings["units"]
        return f"Histogram of {drawn.size} means from drawing {unit} again, {drawn.min():.0f} to {drawn.max():.0f} mm."


LESSON: Any = Bootstrap()
