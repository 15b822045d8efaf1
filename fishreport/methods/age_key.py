"""The age-length key: which share of the fish of a length is of which age."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np

from fishreport.exceptions import InputError
from fishreport.methods.age_smoothing import AgeModel, fit_age_model
from fishreport.methods.growth_curves import Floats
from fishreport.methods.inputs import number, numbers

THIN_BIN = 5
MOST_BINS = 10_000
"""Aged fish below which the shares of a length bin are called thin."""


@dataclass(frozen=True)
class AgeLengthKey:
    """Shares of the ages in each length bin.

    Attributes
    ----------
    bin_mm : float
        Width of a bin.
    bins : array (bins,)
        Lower edges (mm); a bin holds lengths from its edge up to, not including, the next. Bins without aged fish stand among
        them.
    ages : array (ages,)
        Whole ages (years).
    counts : array (bins, ages)
        Aged fish.
    proportions : array (bins, ages)
        Rows sum to 1; NaN for a bin without aged fish, unless smoothed.
    smooth : bool
    model : AgeModel | None
        The model behind a smoothed key.
    n : int
        Aged fish.
    notes : tuple[str, ...]
    """

    bin_mm: float
    bins: Floats
    ages: np.ndarray
    counts: np.ndarray = field(repr=False)
    proportions: Floats = field(repr=False)
    smooth: bool
    model: AgeModel | None = field(repr=False)
    n: int
    notes: tuple[str, ...]

    @property
    def empty_bins(self) -> Floats:
        """Lower edges of the bins without aged fish."""
        return self.bins[self.counts.sum(axis=1) == 0]

    def place(self, length_mm: Floats) -> np.ndarray:
        """Number of the bin of each length; -1 outside the key or where the length is not recorded."""
        first = self.bins[0] if self.bins.size else math.nan
        with np.errstate(invalid="ignore"):
            number = np.floor((length_mm - first) / self.bin_mm + 1e-9)
            inside = (number >= 0) & (number < self.bins.size)
        return np.where(inside, np.where(np.isfinite(number), number, -1), -1).astype(int)

    def shares(self, length_mm: Floats) -> Floats:
        """Shares of the ages for each length, (fish, ages); NaN rows where the key does not say.

        A smoothed key gives the shares at the middle of the bin, beyond the aged lengths too.
        """
        if self.model is not None:
            first = self.bins[0]
            middle = first + (np.floor((length_mm - first) / self.bin_mm + 1e-9) + 0.5) * self.bin_mm
            return self.model.probabilities(middle)
        place = self.place(length_mm)
        shares = np.full((length_mm.size, self.ages.size), np.nan)
        shares[place >= 0] = self.proportions[place[place >= 0]]
        return shares


@dataclass(frozen=True)
class AssignedAges:
    """Ages given to fish by a key.

    Attributes
    ----------
    method : str
        ``proportion`` or ``random``.
    ages : array (ages,)
    counts : array (ages,)
        Expected number of fish of each age (proportion), or the number that drew it (random).
    matrix : array (bins, ages)
        The same by length bin; `bins` holds the lower edges.
    bins : array (bins,)
    age : array (fish,)
        One age a fish: the one drawn (random), or its expected age (proportion); NaN where unassigned.
    shares : array (fish, ages)
        Probability of each age for each fish; NaN rows where unassigned.
    unassigned : int
        Fish without length, or in a bin without aged fish.
    n : int
        Fish assigned.
    notes : tuple[str, ...]
    """

    method: str
    ages: np.ndarray
    counts: Floats
    matrix: Floats = field(repr=False)
    bins: Floats = field(repr=False)
    age: Floats = field(repr=False)
    shares: Floats = field(repr=False)
    unassigned: int
    n: int
    notes: tuple[str, ...]


def check_lengths(length_mm: Any, name: str = "length_mm") -> Floats:
    """Lengths as a column; InputError for another shape, something else than numbers, or 0 or less. NaN stays."""
    return numbers(name, length_mm, above=0)


def check_whole_ages(length_mm: Any, age: Any) -> tuple[Floats, np.ndarray, int]:
    """Lengths and whole ages of the fish that have both, and how many have not."""
    lengths, ages = check_lengths(length_mm), numbers("age", age)
    if ages.shape != lengths.shape:
        raise InputError(f"length_mm and age must have equal length, got {lengths.size} and {ages.size}")
    kept = ~(np.isnan(lengths) | np.isnan(ages))
    lengths, ages = lengths[kept], ages[kept]
    bad = (ages < 0) | (ages != np.floor(ages))
    if np.any(bad):
        raise InputError(f"age must be whole years of 0 or more for a key, got {ages[bad][0]:g}")
    return lengths, ages.astype(int), int(np.sum(~kept))


def age_length_key(length_mm: Any, age: Any, *, bin_mm: float, smooth: bool = False) -> AgeLengthKey:
    """Age-length key from the fish that were aged (Fridriksson 1934; Ketchen 1950, from memory).

    Parameters
    ----------
    length_mm, age : arrays (aged fish,)
        Length (mm) and whole age (years); fish that lack either are left out and counted in a note.
    bin_mm : float
        Width of the length bins; their edges are multiples of it.
    smooth : bool
        Shares from a multinomial logit model of age on length instead of raw shares, so that empty and thin bins are filled
        from their neighbours (Gerritsen, McGrath and Lordan 2006, ICES J. Mar. Sci. 63:1096-1100, from memory).

    Returns
    -------
    AgeLengthKey
        With no aged fish the key has no bins, and a note that says so.

    Raises
    ------
    InputError
        For lengths of 0 or less, ages that are not whole, or a bin width that is not above 0.
    """
    bin_mm = number("bin_mm", bin_mm, above=0, units="mm")
    lengths, whole, dropped = check_whole_ages(length_mm, age)
    if lengths.size and max(float(np.ptp(lengths)), float(lengths.max()) * 1e-9) > MOST_BINS * bin_mm:
        raise InputError(f"bin_mm must be wider: {bin_mm:g} mm gives more than {MOST_BINS} length bins")
    notes = [f"{dropped} fish without age or length left out"] if dropped else []
    if lengths.size == 0:
        nothing = np.zeros((0, 0))
        empty = np.zeros(0)
        return AgeLengthKey(
            bin_mm, empty, empty.astype(int), nothing, nothing, smooth, None, 0, (*notes, "no aged fish: the key is empty")
        )
    place = np.floor(lengths / bin_mm + 1e-9).astype(int)
    bins = np.arange(place.min(), place.max() + 1) * bin_mm
    ages = np.arange(whole.min(), whole.max() + 1)
    counts = np.zeros((bins.size, ages.size), int)
    np.add.at(counts, (place - place.min(), whole - ages[0]), 1)
    total = counts.sum(axis=1)
    empty_bins, thin = int(np.sum(total == 0)), int(np.sum((total > 0) & (total < THIN_BIN)))
    if empty_bins:
        notes.append(f"{empty_bins} of {bins.size} length bins have no aged fish")
    if thin:
        notes.append(f"{thin} of {bins.size} length bins have fewer than {THIN_BIN} aged fish")
    model = None
    if smooth:
        model = fit_age_model(lengths, whole, ages)
        notes.extend(model.notes)
        proportions = model.probabilities(bins + bin_mm / 2)
    else:
        with np.errstate(invalid="ignore"):
            proportions = np.where(total[:, None] > 0, counts / np.maximum(total, 1)[:, None], np.nan)
    return AgeLengthKey(float(bin_mm), bins, ages, counts, proportions, smooth, model, int(lengths.size), tuple(notes))


def assign_ages(
    key: AgeLengthKey,
    length_mm: Any,
    *,
    method: Literal["proportion", "random"] = "proportion",
    rng: np.random.Generator | None = None,
) -> AssignedAges:
    """Give ages to fish that were measured but not aged.

    Parameters
    ----------
    key : AgeLengthKey
    length_mm : array (fish,)
    method : {"proportion", "random"}
        Expected numbers: each fish counts for its shares of the ages. Or one age a fish, drawn from those shares.
    rng : Generator, optional
        Needed for random assignment.

    Returns
    -------
    AssignedAges
        A fish in a bin without aged fish, outside the key, or without length is unassigned (NaN) and counted in a note; a
        smoothed key assigns every measured fish and says how many lie beyond the aged lengths.

    Raises
    ------
    InputError
        For lengths of 0 or less, an unknown method, or random assignment without `rng`.
    """
    if method not in ("proportion", "random"):
        raise InputError(f"method must be proportion or random, got {method!r}")
    if method == "random" and rng is None:
        raise InputError("method='random' needs a random generator: rng=numpy.random.default_rng(seed)")
    if not isinstance(key, AgeLengthKey):
        raise InputError(f"key must come from age_length_key; got {type(key).__name__}")
    lengths = check_lengths(length_mm) if np.size(length_mm) else np.zeros(0)
    shares = key.shares(lengths) if key.n else np.full((lengths.size, 0), np.nan)
    known = ~np.isnan(lengths) & (np.isfinite(shares).all(axis=1) if key.n else False)
    shares[~known] = np.nan
    notes = []
    unmeasured = int(np.sum(np.isnan(lengths)))
    if unmeasured:
        notes.append(f"{unmeasured} fish without length are not assigned an age")
    lost = int(np.sum(~known)) - unmeasured
    if lost:
        notes.append(f"{lost} fish in length bins without aged fish are not assigned an age")
    if key.smooth and key.n:
        beyond = int(np.sum(known & (key.place(lengths) < 0)))
        if beyond:
            notes.append(f"{beyond} fish lie beyond the lengths of the aged fish: their ages are extrapolated")
    age = np.full(lengths.size, np.nan)
    weights = np.zeros_like(shares)
    if known.any():
        if method == "random" and rng is not None:
            cumulative = np.cumsum(shares[known], axis=1)
            drawn = np.sum(rng.random((int(known.sum()), 1)) * cumulative[:, -1:] >= cumulative, axis=1)
            age[known] = key.ages[drawn]
            weights[np.flatnonzero(known), drawn] = 1.0
        else:
            age[known] = shares[known] @ key.ages
            weights[known] = shares[known]
    bins, matrix = _by_bin(key, lengths, weights, known)
    return AssignedAges(
        method=method,
        ages=key.ages,
        counts=weights.sum(axis=0),
        matrix=matrix,
        bins=bins,
        age=age,
        shares=shares,
        unassigned=int(np.sum(~known)),
        n=int(known.sum()),
        notes=tuple(notes),
    )


def _by_bin(key: AgeLengthKey, lengths: Floats, weights: Floats, known: np.ndarray) -> tuple[Floats, Floats]:
    """Weights summed by length bin; a smoothed key may need bins beyond its own."""
    if not known.any():
        return key.bins, np.zeros((key.bins.size, key.ages.size))
    number = np.floor(lengths[known] / key.bin_mm + 1e-9).astype(int)
    own = np.round(key.bins / key.bin_mm).astype(int)
    low, high = min(number.min(), own[0]), max(number.max(), own[-1])
    matrix = np.zeros((high - low + 1, key.ages.size))
    np.add.at(matrix, number - low, weights[known])
    return np.arange(low, high + 1) * key.bin_mm, matrix
