"""The lessons by name."""

from __future__ import annotations

import difflib
import importlib
from typing import TYPE_CHECKING, Any

from fishreport.exceptions import UsageError

if TYPE_CHECKING:
    from fishreport.explore.lesson_parts import Lesson
    from fishreport.explore.panel import Panel
    from fishreport.explore.repeats import Repeats

# In the order in which they are best taken. The lines stand here too, so that listing them imports nothing heavy.
LINES = {
    "catch-rate": "fish per hour of current, and why sites are the units that count",
    "size-structure": "large fish among all of stock length, and what the gear does not see",
    "length-weight": "a straight line on logarithms, and how far it may be trusted",
    "growth": "the von Bertalanffy curve, and what missing old fish and coarse gear do to it",
    "catch-curve": "deaths from the ages in the catch, and what good and bad hatches do to them",
    "recapture": "how many fish there are, from marks seen again; lost marks and shy fish",
    "removal": "how many fish a section holds, from catches that fall from pass to pass",
    "scenario": "what a minimum length would bring, and what uncertain deaths leave open",
    "sampling-design": "how many runs a wanted precision takes, and how well a pilot survey knows",
    "bootstrap": "an interval by drawing the sample again, whole runs and not single fish",
}


def known(method: str) -> str:
    """The method's name as it is known, or UsageError that suggests the nearest."""
    name = method.strip().lower().replace("_", "-").replace(" ", "-")
    if name in LINES:
        return name
    near = difflib.get_close_matches(name, LINES, n=1)
    advice = f"; did you mean {near[0]!r}?" if near else ""
    raise UsageError(f"method must be one of {', '.join(LINES)}; got {method!r}{advice}")


def lesson(method: str) -> Lesson:
    """The lesson of that name, such as ``catch-rate``."""
    found: Any = importlib.import_module(f"fishreport.explore.{known(method).replace('-', '_')}").LESSON
    taught: Lesson = found
    return taught


def lessons() -> list[Lesson]:
    """All lessons, in the order in which they are best taken."""
    return [lesson(name) for name in LINES]


def explore(method: str, study: str = "", *, seed: int = 1) -> Panel:
    """The live panel of a lesson.

    Parameters
    ----------
    method : str
        Such as ``catch-rate``.
    study : str
        Folder of a study of your own, to begin with it; empty begins with the simulated water.
    seed : int
        Seed of the first sample.
    """
    from fishreport.explore.panel import Panel

    return Panel(lesson(method), study=study, seed=seed)


def repeat(method: str, /, *, times: int = 200, seed: int = 1, **changes: Any) -> Repeats:
    """The simulated survey of a lesson many times over: how often the interval holds the truth.

    Parameters
    ----------
    method : str
    times : int
        Surveys, 20 to 2000.
    seed : int
        Seed of the first.
    **changes
        Settings other than those that the controls begin with, such as ``lost=30``.
    """
    from fishreport.explore.repeats import repeat as repeat_survey

    taught = lesson(method)
    return repeat_survey(taught, taught.settings(**changes), times=times, seed=seed)
