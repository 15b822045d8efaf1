"""How far the answer hangs on assumptions about anglers that no survey measures, one at a time.

Each value of each assumption replaces what `angling` says in every draw; draws, recruitment and everything else stay as they are
(the generator starts from one seed drawn from `rng`). Today's capture rate is worked out anew from today's fishing mortality, so
that each case agrees with what was estimated.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from fishreport.exceptions import InputError
from fishreport.population.angling import Angling
from fishreport.population.decision import Outcome, compare, regret
from fishreport.population.dynamics import project
from fishreport.population.life_history import LifeHistory
from fishreport.population.projection import Projection
from fishreport.population.regulation import Regulation

_ASSUMPTIONS = (
    "release_mortality",
    "noncompliance",
    "voluntary_release",
    "effort_h_per_km",
    "catch_per_hour",
    "hours_per_trip",
    "catch_dispersion",
    "closed_effort_moves",
    "heat_slope",
)
DEFAULT_GRID: dict[str, tuple[float, ...]] = {
    "release_mortality": (0.0, 0.025, 0.05, 0.1, 0.2, 0.3),
    "noncompliance": (0.0, 0.05, 0.1, 0.2, 0.4),
}


@dataclass(frozen=True, slots=True)
class Case:
    """One assumption at one value: every scenario's outcome against the first, and the scenario with the least mean regret."""

    assumption: str
    value: float
    outcomes: tuple[Outcome, ...]
    best: str


@dataclass(frozen=True, slots=True)
class Sensitivity:
    """All cases, for each assumption whether the best scenario stays the same over its values, and the number of draws."""

    cases: tuple[Case, ...]
    same_choice: dict[str, bool]
    sentences: tuple[str, ...]
    draws: int


def sensitivity(
    life_history: LifeHistory,
    regulations: Sequence[Regulation],
    *,
    quantity: str,
    rng: np.random.Generator,
    vary: Mapping[str, Sequence[float]] | None = None,
    want: Literal["more", "less"] = "more",
    angling: Angling | None = None,
    draws: int | None = None,
    years: int = 20,
    year: int | None = None,
    over_years: int = 1,
    level: float = 0.95,
    as_given: Projection | None = None,
    **options: Any,
) -> Sensitivity:
    """Repeat the projection over a grid of each assumption, one at a time.

    Parameters
    ----------
    life_history, regulations, angling, draws, years, rng
        As for `dynamics.project`; further options are handed on to it.
    quantity, year, over_years, level
        As for `decision.compare`; `want` says whether more or less of it is better.
    as_given : Projection, optional
        What the projection of these inputs gives with every assumption as `angling` has it, so that it is not worked out again;
        the options must be those that it was made with.
    vary : mapping of assumption to values, optional
        Numeric fields of `Angling`; None takes `DEFAULT_GRID` (release mortality and non-compliance).

    Returns
    -------
    Sensitivity

    Raises
    ------
    InputError
        For an unknown assumption, or one that a rule sets itself (its own release mortality).
    """
    grid = DEFAULT_GRID if vary is None else vary
    people = Angling() if angling is None else angling
    if unknown := [name for name in grid if name not in _ASSUMPTIONS]:
        raise InputError(f"vary must name assumptions among {', '.join(_ASSUMPTIONS)}; got {', '.join(unknown)}")
    if "release_mortality" in grid and all(rule.release_mortality is not None for rule in regulations):
        raise InputError("every rule names its own release_mortality, so varying that of angling changes nothing")
    seed = int(rng.integers(2**63))

    def projected(name: str | None, value: float) -> Projection:
        changed: dict[str, Any] = {} if name is None else {name: value}
        return project(
            life_history,
            list(regulations),
            draws=draws,
            years=years,
            rng=np.random.default_rng(seed),
            angling=dataclasses.replace(people, **changed),
            **options,
        )

    cases = []
    for name, values in grid.items():
        for value in values:
            if np.all(np.asarray(getattr(people, name), dtype=float) == value):  # every assumption's grid holds it once
                found = as_given = as_given or projected(None, value)
            else:
                found = projected(name, value)
            outcomes = compare(found, quantity, year=year, over_years=over_years, level=level)
            best = regret(found, quantity, want=want, year=year, over_years=over_years).least_mean
            cases.append(Case(name, float(value), outcomes, best))
    same = {name: len({case.best for case in cases if case.assumption == name}) == 1 for name in grid}
    sentences = []
    for name, stays in same.items():
        tried = [case for case in cases if case.assumption == name]
        span = f"from {min(case.value for case in tried):g} to {max(case.value for case in tried):g}"
        label = name.replace("_", " ")
        if stays:
            sentences.append(f"With {label} {span}, {tried[0].best} stays the best.")
        else:
            turns = "; ".join(f"{case.value:g}: {case.best}" for case in tried)
            sentences.append(f"The best rule changes with {label} ({turns}).")
    return Sensitivity(tuple(cases), same, tuple(sentences), found.by_scenario.shape[1])
