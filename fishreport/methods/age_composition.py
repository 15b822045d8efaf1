"""Numbers at age of a whole sample from a key, with the uncertainty of both stages: fish sampled, fish aged."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
import pandas as pd

from fishreport.exceptions import InputError
from fishreport.methods.age_key import AgeLengthKey, age_length_key, check_lengths
from fishreport.methods.age_smoothing import resample_age_model
from fishreport.methods.estimate import Estimate
from fishreport.methods.growth_curves import Floats


@dataclass(frozen=True)
class AgeComposition:
    """Numbers at age in a sample.

    Attributes
    ----------
    ages : array (ages,)
    numbers : tuple[Estimate, ...]
        Expected number of fish of each age in the sample.
    proportions : tuple[Estimate, ...]
        The same as shares of the fish that could be assigned.
    mean_length : tuple[Estimate, ...]
        Mean length at age (mm), each length bin weighted by all its fish; free of the bias of a mean over aged fish that
        were chosen by length.
    replicates : array (resamples, ages)
        Numbers at age when both stages are drawn again; hand each row on to what is computed from numbers at age, and take
        the spread of the answers.
    key : AgeLengthKey
    n : int
        Fish assigned.
    unassigned : int
    notes : tuple[str, ...]
    """

    ages: np.ndarray
    numbers: tuple[Estimate, ...]
    proportions: tuple[Estimate, ...]
    mean_length: tuple[Estimate, ...] = field(repr=False)
    replicates: Floats = field(repr=False)
    key: AgeLengthKey = field(repr=False)
    n: int
    unassigned: int
    notes: tuple[str, ...]

    @property
    def counts(self) -> Floats:
        """The numbers alone, (ages,)."""
        return np.array([estimate.value for estimate in self.numbers])

    def frame(self) -> pd.DataFrame:
        """One row an age: ``age``, ``number`` and ``proportion`` with their ``_se``, ``_lower``, ``_upper``."""
        columns: dict[str, Any] = {"age": self.ages}
        for name, estimates in (("number", self.numbers), ("proportion", self.proportions)):
            columns[name] = [e.value for e in estimates]
            for part in ("se", "lower", "upper"):
                columns[f"{name}_{part}"] = [getattr(e, part) for e in estimates]
        return pd.DataFrame(columns)


def _sampled_bins(bin_of_fish: np.ndarray, bins: int, run: Any, resamples: int, rng: np.random.Generator) -> Floats:
    """Fish in each length bin, (resamples, bins), when fish, or whole runs, are drawn again."""
    if run is None:
        counts = np.bincount(bin_of_fish, minlength=bins)
        return rng.multinomial(bin_of_fish.size, counts / bin_of_fish.size, size=resamples).astype(float)
    _, unit = np.unique(np.asarray(run, dtype=str), return_inverse=True)
    units = int(unit.max()) + 1
    table = np.zeros((units, bins))
    np.add.at(table, (unit, bin_of_fish), 1.0)
    return rng.multinomial(units, np.full(units, 1 / units), size=resamples) @ table


def _aged_again(key: AgeLengthKey, middle: Floats, resamples: int, rng: np.random.Generator, aged_at_random: bool) -> Floats:
    """Shares of ages in each bin, (resamples, bins, ages), when the aged fish are drawn again."""
    if key.model is not None:
        return key.model.draw_probabilities(middle, resample_age_model(key.model, resamples, rng))
    if aged_at_random:
        shape = (resamples, *key.counts.shape)
        counts = rng.multinomial(key.n, key.counts.ravel() / key.n, size=resamples).reshape(shape).astype(float)
        total = counts.sum(axis=2, keepdims=True)
        return np.where(total > 0, counts / np.maximum(total, 1), key.proportions[None])
    total = key.counts.sum(axis=1)
    shares = np.full((resamples, *key.counts.shape), np.nan)
    for place in np.flatnonzero(total):
        shares[:, place] = rng.multinomial(total[place], key.proportions[place], size=resamples) / total[place]
    return shares


def numbers_at_age(
    length_mm: Any,
    aged_length_mm: Any,
    aged_age: Any,
    *,
    bin_mm: float,
    rng: np.random.Generator,
    smooth: bool = False,
    run: Any = None,
    subsample: Literal["by length", "at random"] = "by length",
    resamples: int = 1000,
    level: float = 0.95,
) -> AgeComposition:
    """Numbers at age in a sample of measured fish, by a key from the fish that were aged.

    Parameters
    ----------
    length_mm : array (fish,)
        All measured fish, those that were aged among them (mm).
    aged_length_mm, aged_age : arrays (aged fish,)
    bin_mm : float
        Width of the length bins.
    rng : Generator
    smooth : bool
        Smoothed key; see `age_length_key`.
    run : array (fish,), optional
        The run each fish came from; whole runs are then drawn again, since fish of a run are alike.
    subsample : {"by length", "at random"}
        How the aged fish were chosen: so many a length bin (drawn again within bins), or at random from the catch.
    resamples : int
    level : float

    Returns
    -------
    AgeComposition
        Number at age: sum over bins of fish in the bin times share of the age. Two-stage bootstrap: the sample (fish or runs)
        and the aged fish are drawn again at once, and a smoothed key is fitted again to them; limits are percentiles of
        `resamples` replicates and the standard error is their standard deviation. Fish in bins without aged fish are left
        out and counted. A raw bin with a single aged fish adds no variance of its own; a note counts such bins. With only
        two aged fish a bin, 95 % limits of a raw key held a rare age's share in 82 % of simulated samples, of a smoothed
        key in 87 %; with five or more, both held it in 89 to 95 %.

    Raises
    ------
    InputError
        For impossible lengths or ages, or an unknown option.
    """
    if subsample not in ("by length", "at random"):
        raise InputError(f"subsample must be 'by length' or 'at random', got {subsample!r}")
    if resamples < 2:
        raise InputError(f"resamples must be at least 2, got {resamples}")
    key = age_length_key(aged_length_mm, aged_age, bin_mm=bin_mm, smooth=smooth)
    lengths = check_lengths(length_mm) if np.size(length_mm) else np.zeros(0)
    if run is not None and np.shape(run) != lengths.shape:
        raise InputError(f"run must name the run of every fish, got {np.size(run)} runs for {lengths.size} fish")
    measured = ~np.isnan(lengths)
    notes = list(key.notes)
    if not measured.all():
        notes.append(f"{int(np.sum(~measured))} fish without length are left out")
    method = (
        f"{'smoothed' if smooth else 'raw'} age-length key of {bin_mm:g} mm bins; two-stage bootstrap of "
        f"{'fish' if run is None else 'runs'} and aged fish, percentiles of {resamples} resamples"
    )
    if key.n == 0 or not measured.any():
        why = "no aged fish" if key.n == 0 else "no measured fish"
        nothing = tuple(Estimate.not_estimable(why, method=method, level=level) for _ in key.ages)
        return AgeComposition(
            ages=key.ages,
            numbers=nothing,
            proportions=nothing,
            mean_length=nothing,
            replicates=np.full((resamples, key.ages.size), np.nan),
            key=key,
            n=0,
            unassigned=int(lengths.size),
            notes=(*notes, f"not estimable: {why}"),
        )
    used = np.flatnonzero(measured)
    number = np.floor(lengths[used] / bin_mm + 1e-9).astype(int)
    own = np.round(key.bins / bin_mm).astype(int)
    low, high = min(number.min(), own[0]), max(number.max(), own[-1])
    edges = np.arange(low, high + 1) * float(bin_mm)
    shares = key.shares(edges + bin_mm / 2)
    held = np.asarray(np.isfinite(shares).all(axis=1))
    fish = _sampled_bins(number - low, edges.size, None if run is None else np.asarray(run)[used], resamples, rng)
    again = np.zeros((resamples, edges.size, key.ages.size))
    if smooth:
        again[:] = _aged_again(key, edges + bin_mm / 2, resamples, rng, False)
    else:
        again[:, own[0] - low : own[-1] - low + 1] = _aged_again(key, edges, resamples, rng, subsample == "at random")
    again[:, ~held] = 0.0
    observed = np.bincount(number - low, minlength=edges.size).astype(float)
    total_length = np.bincount(number - low, lengths[used], edges.size)
    bin_mean = np.divide(total_length, observed, out=edges + bin_mm / 2, where=observed > 0)
    shares = np.where(held[:, None], shares, 0.0)
    value = observed @ shares
    replicates = np.einsum("rb,rba->ra", fish, again)
    length_sum = (observed * bin_mean) @ shares
    length_replicates = np.einsum("rb,rba->ra", fish * bin_mean, again)
    lost = int(observed[~held].sum())
    if lost:
        notes.append(f"{lost} of {used.size} measured fish lie in length bins without aged fish and are left out")
    single = int(np.sum(key.counts.sum(axis=1) == 1))
    if single and not smooth:
        notes.append(f"{single} length bins rest on one aged fish: the intervals are too short there; smooth the key")
    n = int(used.size - lost)
    with np.errstate(invalid="ignore", divide="ignore"):
        share_replicates = replicates / replicates.sum(axis=1, keepdims=True)
        mean = length_sum / value
        mean_replicates = length_replicates / replicates

    def estimates(values: Floats, draws: Floats, units: str) -> tuple[Estimate, ...]:
        answers = []
        for place, single_value in enumerate(values):
            kept = draws[:, place][np.isfinite(draws[:, place])]
            if not np.isfinite(single_value) or kept.size < 2:
                answers.append(Estimate.not_estimable("no fish of this age", units=units, method=method, n=n, level=level))
                continue
            lower, upper = np.quantile(kept, [(1 - level) / 2, (1 + level) / 2])
            lower, upper = min(lower, single_value), max(upper, single_value)  # few fish: an age that most resamples lack
            answers.append(
                Estimate(float(single_value), float(kept.std(ddof=1)), float(lower), float(upper), level, units, method, n)
            )
        return tuple(answers)

    return AgeComposition(
        ages=key.ages,
        numbers=estimates(value, replicates, "fish"),
        proportions=estimates(value / value.sum() if value.sum() > 0 else value * np.nan, share_replicates, ""),
        mean_length=estimates(mean, mean_replicates, "mm"),
        replicates=replicates,
        key=key,
        n=n,
        unassigned=int(lengths.size) - n,
        notes=tuple(notes),
    )
