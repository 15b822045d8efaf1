"""The numbers at age that a catch curve rests on: checked, summed by age, and cut at the age of full recruitment."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fishreport.exceptions import InputError
from fishreport.methods.inputs import dropped, measurements, number, numbers, same_size

Array = NDArray[np.float64]


def _whole_age(value: Any, name: str) -> int:
    age = number(name, value, units="years")
    if not age.is_integer():
        raise InputError(f"{name} must be a whole age in years, got {value!r}")
    return int(age)


@dataclass(frozen=True, slots=True)
class AgeFrequency:
    """Numbers at every whole age from the youngest to the oldest that was given.

    Attributes
    ----------
    ages : NDArray
        Whole ages in years, without gaps.
    counts : NDArray
        Fish at each age (not whole numbers when they come from an age-length key); 0 where none was caught.
    notes : tuple[str, ...]
        What was dropped or filled.
    """

    ages: Array
    counts: Array
    notes: tuple[str, ...] = ()

    @property
    def peak_age(self) -> int:
        """The age with the largest catch; the youngest of them when several tie."""
        return int(self.ages[int(np.argmax(self.counts))])

    def limb(self, from_age: int, to_age: int | None = None) -> tuple[Array, Array]:
        """Ages and counts from `from_age` to `to_age` (both included), 0 where the table does not reach."""
        last = int(self.ages[-1]) if to_age is None else to_age
        ages = np.arange(from_age, max(last, from_age) + 1, dtype=float)
        found = dict(zip(self.ages.tolist(), self.counts.tolist(), strict=True))
        return ages, np.array([found.get(age, 0.0) for age in ages.tolist()])


def tabulate_ages(age: ArrayLike, count: ArrayLike) -> AgeFrequency:
    """Sum `count` by whole `age` and fill the ages between with 0.

    Parameters
    ----------
    age : array
        Whole ages in years (coded ages serve too); an age may occur more than once.
    count : array
        Fish at each age, 0 or more; need not be whole.

    Returns
    -------
    AgeFrequency
        Pairs with a missing age or count are dropped and counted in its notes.

    Raises
    ------
    InputError
        Unequal lengths, ages that are not whole, negative or infinite counts, or no pair at all.
    """
    ages, counts = numbers("age", age), numbers("count", count, at_least=0)
    same_size(age=ages, count=counts)
    keep = ~(np.isnan(ages) | np.isnan(counts))
    notes = dropped(int((~keep).sum()), f"of {keep.size} ages (age or count missing)")
    ages, counts = ages[keep], counts[keep]
    if ages.size == 0:
        raise InputError("age and count must hold at least one pair without missing values, got none")
    if (ages != np.round(ages)).any():
        raise InputError(f"age must be whole years, got {ages[ages != np.round(ages)][0]:g}")
    low, high = int(ages.min()), int(ages.max())
    if high - low > 1000:
        raise InputError(f"age must be in years, got ages from {low} to {high}")
    summed = np.zeros(high - low + 1)
    np.add.at(summed, (ages - low).astype(int), counts)
    return AgeFrequency(np.arange(low, high + 1, dtype=float), summed, notes)


def choose_from_age(frequency: AgeFrequency, from_age: int | None, *, years_past_peak: int) -> tuple[int, tuple[str, ...]]:
    """The age at full recruitment: as given, or the age of peak catch plus `years_past_peak`; with notes on doubtful choices."""
    peak = frequency.peak_age
    if from_age is None:
        return peak + years_past_peak, ()
    chosen = _whole_age(from_age, "from_age")
    if chosen < peak:
        return chosen, (f"from_age {chosen} is younger than the age of peak catch ({peak}): its fish may not be fully caught",)
    return chosen, ()


def check_replicates(replicates: ArrayLike | None, ages: ArrayLike, frequency: AgeFrequency) -> list[AgeFrequency]:
    """Rows of a (replicates × ages) matrix of numbers at age as tables over the same ages as `frequency`."""
    if replicates is None:
        return []
    matrix = measurements("replicates", replicates)
    given = numbers("age", ages)
    if matrix.ndim != 2 or matrix.shape[1] != given.size or matrix.shape[0] < 2:
        raise InputError(
            f"replicates must be a matrix of 2 or more rows with one column for each of the {given.size} ages, "
            f"got shape {matrix.shape}"
        )
    if np.isnan(matrix).any() or (matrix < 0).any():
        raise InputError("replicates must be numbers of fish, 0 or more, without gaps")
    keep = ~np.isnan(given)
    columns = (given[keep] - frequency.ages[0]).astype(int)
    summed = np.zeros((matrix.shape[0], frequency.ages.size))
    np.add.at(summed.T, columns, matrix[:, keep].T)
    return [AgeFrequency(frequency.ages, row) for row in summed]
