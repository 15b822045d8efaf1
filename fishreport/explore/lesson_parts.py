"""What a lesson is made of: controls, a sample with its truth, estimates beside the truth, and how its data are drawn."""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, ClassVar, Literal

import numpy as np
from matplotlib.axes import Axes

from fishreport.exceptions import UsageError
from fishreport.explore.exercise import Exercise
from fishreport.explore.own_study import OwnStudy
from fishreport.methods.estimate import Estimate

Settings = Mapping[str, Any]
Side = Literal["sample", "analysis"]


@dataclass(frozen=True)
class Slider:
    """A number that the reader sets.

    Attributes
    ----------
    name : str
        Key of the setting.
    label : str
        Words beside the slider, with the unit.
    low, high, step, value : float
        Range and where it stands at first; whole numbers make a slider of whole numbers.
    side : str
        ``sample`` changes how the water is and how it is sampled, ``analysis`` only how the sample is worked up.
    """

    name: str
    label: str
    low: float
    high: float
    step: float
    value: float
    side: Side = "sample"

    def check(self, value: Any) -> Any:
        """The value, if it lies in range."""
        if isinstance(value, bool) or not isinstance(value, int | float | np.number) or not self.low <= value <= self.high:
            raise UsageError(f"{self.name} must be a number from {self.low:g} to {self.high:g}; got {value!r}")
        return value


@dataclass(frozen=True)
class Choice:
    """One of a few ways; attributes as of a slider."""

    name: str
    label: str
    options: tuple[str, ...]
    value: str
    side: Side = "analysis"

    def check(self, value: Any) -> Any:
        """The value, if it is one of the options."""
        if value not in self.options:
            raise UsageError(f"{self.name} must be one of {', '.join(self.options)}; got {value!r}")
        return value


@dataclass(frozen=True)
class Sample:
    """What a crew brings home, and what is true of the water it came from.

    Attributes
    ----------
    data : mapping
        What the estimator is given, by name.
    truth : mapping of str to float
        True values by the name of the estimate; empty for a reader's own study, of which nobody knows the truth.
    source : str
        What it is, in a sentence for the caption.
    """

    data: Mapping[str, Any]
    source: str
    truth: Mapping[str, float] = field(default_factory=dict)

    def __getitem__(self, name: str) -> Any:
        return self.data[name]


@dataclass(frozen=True)
class Shown:
    """An estimate beside the truth.

    Attributes
    ----------
    name : str
        What is estimated, with a capital.
    estimate : Estimate
    truth : float
        NaN where nobody knows it.
    """

    name: str
    estimate: Estimate
    truth: float = math.nan

    @property
    def held(self) -> bool | None:
        """Whether the interval holds the truth; None where there is no interval, or the truth is not known."""
        e = self.estimate
        if not e.estimable or math.isnan(self.truth) or math.isnan(e.lower) or math.isnan(e.upper):
            return None
        return bool(e.lower <= self.truth <= e.upper)


@dataclass(frozen=True)
class Answer:
    """What the library answers to a sample: estimates beside the truth (the first is the one that repeats count), and the fit
    behind them for drawing."""

    shown: tuple[Shown, ...]
    fit: Any = None

    @property
    def first(self) -> Shown:
        """The estimate that the lesson is about."""
        return self.shown[0]


class Lesson(ABC):
    """One method, taught. A lesson holds no state: every method answers from what it is given.

    Attributes
    ----------
    key, title, line : str
        Name on the command line and of the notebook; heading; what it teaches, in one line.
    controls : tuple of Slider and Choice
        What the reader moves.
    exercise : Exercise
        A question whose answer is worked out by the library.
    repeat_seconds : str
        How long 200 repeats take, about, for the button.
    """

    key: ClassVar[str]
    title: ClassVar[str]
    line: ClassVar[str]
    controls: ClassVar[tuple[Slider | Choice, ...]]
    exercise: ClassVar[Exercise]
    repeat_seconds: ClassVar[str] = "a few seconds"

    @abstractmethod
    def draw(self, settings: Settings, rng: np.random.Generator) -> Sample:
        """A simulated sample with its truth."""

    @abstractmethod
    def own(self, own: OwnStudy) -> Sample:
        """The reader's own data; UsageError says what the study lacks."""

    @abstractmethod
    def estimate(self, sample: Sample, settings: Settings) -> Answer:
        """The estimates, by the library."""

    @abstractmethod
    def plot(self, ax: Axes, sample: Sample, settings: Settings, answer: Answer) -> str:
        """Draw the data on `ax`; returns what is drawn, in a sentence for those who cannot see it."""

    def settings(self, **changes: Any) -> dict[str, Any]:
        """All settings: the changes given, and where the controls stand at first."""
        known = {control.name: control for control in self.controls}
        if unknown := sorted(set(changes) - set(known)):
            raise UsageError(f"{self.key} has no setting {', '.join(unknown)}; it has {', '.join(known)}")
        return {name: control.check(changes[name]) if name in changes else control.value for name, control in known.items()}

    def sample(self, *, seed: int = 1, **changes: Any) -> Sample:
        """A simulated sample under these settings; the same seed draws the same fish."""
        return self.draw(self.settings(**changes), generator(self, seed))

    def check(self, answer: Any, **given: Any) -> Any:
        """Check an answer to the exercise; see `Exercise.check`."""
        return self.exercise.check(answer, **given)


def generator(lesson: Lesson, seed: int) -> np.random.Generator:
    """Random numbers of one draw of a lesson."""
    return np.random.default_rng([seed, *lesson.key.encode()])
