"""An exercise: the reader's answer is held against what the library works out from the same data."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from html import escape
from typing import Any

from fishreport.exhibits.units import format_number


@dataclass(frozen=True)
class Mistake:
    """A number that comes out when one thing is done wrong, and what that is."""

    value: float
    why: str


@dataclass(frozen=True)
class Worked:
    """The answer, as the library works it out.

    Attributes
    ----------
    value : float
    way : str
        How it comes about, in a sentence with its numbers.
    hint : str
        What to think of, without the answer.
    mistakes : sequence of Mistake
        What often comes out instead.
    """

    value: float
    way: str
    hint: str
    mistakes: Sequence[Mistake] = ()


@dataclass(frozen=True)
class Verdict:
    """Whether an answer is right, and why; `right` is None when there was no answer yet."""

    right: bool | None
    text: str

    def __bool__(self) -> bool:
        return bool(self.right)

    def __str__(self) -> str:
        return self.text

    def _repr_html_(self) -> str:
        mark = {True: "✔", False: "✘", None: "…"}[self.right]
        edge = {True: "#3f6212", False: "#9c3f0c", None: "#4f5c65"}[self.right]
        return (
            f'<p class="verdict-line" role="status" style="border-left:4px solid {edge};padding-left:0.75em;margin:0.5em 0">'
            f'<span aria-hidden="true">{mark}</span> {escape(self.text)}</p>'
        )


@dataclass(frozen=True)
class Exercise:
    """A question about data that stand in the notebook.

    Attributes
    ----------
    work : callable
        Takes the data by name and answers with a `Worked`; its numbers come from the estimators.
    units : str
        Units of the answer.
    tolerance : float
        Share of the answer by which a reader's may differ.
    """

    work: Callable[..., Worked]
    units: str
    tolerance: float = 0.01

    def _near(self, answer: float, value: float) -> bool:
        return math.isclose(answer, value, rel_tol=self.tolerance, abs_tol=1e-9)

    def _said(self, value: float) -> str:
        return f"{format_number(value)} {self.units}".strip()

    def check(self, answer: Any, **given: Any) -> Verdict:
        """Say whether `answer` is right, and why.

        Parameters
        ----------
        answer : float or None
            None until the reader has one.
        **given
            The data of the exercise, as they stand in the notebook; change them and the right answer changes with them.
        """
        if answer is None or answer is ...:
            return Verdict(None, f"No answer yet: put a number ({self.units or 'a pure number'}) in place of None and run again.")
        try:
            number = float(answer)
        except (TypeError, ValueError):
            return Verdict(False, f"The answer is a number, such as 12.5; got {answer!r}.")
        worked = self.work(**given)
        if self._near(number, worked.value):
            return Verdict(True, f"Right: {self._said(worked.value)}. {worked.way}")
        for mistake in worked.mistakes:
            if self._near(number, mistake.value):
                return Verdict(False, f"Not yet: {self._said(number)} comes out when {mistake.why}")
        if not math.isfinite(number):
            return Verdict(False, "Not yet: the answer is a finite number.")
        side = "too high" if number > worked.value else "too low"
        return Verdict(False, f"Not yet: {self._said(number)} is {side}. {worked.hint}")
