"""All rates of death of a species, each over the same joint draws of fishing and natural mortality."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fishreport.analysis.firm_ground import total_to_tell
from fishreport.analysis.fishing_today import Fishing, SpeciesFishing
from fishreport.analysis.mortality import PER_YEAR, Mortality, SpeciesMortality
from fishreport.analysis.result import Result
from fishreport.analysis.vital_rates import described, lognormal_draws
from fishreport.methods.estimate import Estimate
from fishreport.methods.mortality import rates_by_draw
from fishreport.study import Study

Floats = NDArray[np.float64]
INSTANTANEOUS = ("Z", "F", "M")


@dataclass(frozen=True)
class DeathRates:
    """All rates of death of one species.

    Attributes
    ----------
    key : str
    rates : dict[str, Estimate]
        By symbol: Z, F and M per year; A, S, u, v, cf and cm in percent of the fish alive at the year's start.
    draws : int
    exact : tuple[str, ...]
        Symbols of the rates that came without a spread, such as one given by hand, and are taken as exact.
    total : Result | None
        The total mortality that they follow from; None where they follow from a creel survey.
    capped : float
        Share of draws in which natural mortality was drawn above the total and taken as all of it.
    """

    key: str
    rates: dict[str, Estimate]
    draws: int
    exact: tuple[str, ...] = ()
    total: Result | None = None
    capped: float = 0.0

    def records(self) -> list[dict[str, object]]:
        """One row a rate: value, standard error and limits over the draws."""
        return [
            {
                "species": self.key, "symbol": symbol, "value": e.value, "se": e.se, "lower": e.lower, "upper": e.upper,
                "level": e.level, "units": e.units, "draws": self.draws, "method": e.method,
            }
            for symbol, e in self.rates.items()
        ]  # fmt: skip


def _over_draws(fishing: Floats, natural: Floats, how: str, level: float, n: int) -> dict[str, Estimate]:
    return {
        str(symbol): described(column, PER_YEAR, how, level, n)
        if symbol in INSTANTANEOUS
        else described(100 * column, "percent", how, level, n)
        for symbol, column in ((name, own.to_numpy()) for name, own in rates_by_draw(fishing, natural).items())
    }


def _exact(**draws: Floats) -> tuple[str, ...]:
    return tuple(symbol for symbol, values in draws.items() if np.ptp(values) == 0)


def _by_creel(asked: SpeciesFishing, level: float) -> DeathRates | None:
    """From the draws that the scenarios start from, where fishing mortality is that of the creel survey."""
    drawn = asked.known.rates
    if drawn is None or not asked.fishing.estimable or drawn.fishing_how != "harvest":
        return None
    how = f"joint draws of F by creel survey and of M by {drawn.natural_how}; median and percentiles"
    table = _over_draws(drawn.fishing, drawn.natural, how, level, asked.fishing.n)
    return DeathRates(asked.key, table, drawn.fishing.size, _exact(F=drawn.fishing, M=drawn.natural))


def _by_total(study: Study, one: SpeciesMortality, total: Result) -> DeathRates | None:
    """From a firm total mortality, or None where natural mortality is not known or not below it.

    Z and M are drawn apart, each as its limits tell (`lognormal_draws`). No more fish can die of natural causes than die at all,
    so that M is at most Z in each draw, and F = Z − M is 0 where it is Z.
    """
    if not one.natural.estimable or total.estimate.value <= one.natural.value or one.natural.value <= 0:
        return None
    p, e = study.parameters, total.estimate
    rng = np.random.default_rng([p.seed, *f"{one.key} rates of death".encode()])
    z, m = lognormal_draws(rng, p.draws, e), lognormal_draws(rng, p.draws, one.natural)
    natural = np.minimum(m, z)
    how = "draws of Z and of M, at most Z, as the limits of each tell, F = Z − M; median and percentiles"
    table = _over_draws(z - natural, natural, how, p.level, e.n)
    return DeathRates(one.key, table, p.draws, _exact(Z=z, M=m), total, float((m > z).mean()))


def death_rates(study: Study, found: Mortality, fishing: Fishing | None = None) -> dict[str, DeathRates]:
    """All rates of death by species key: from a creel survey where there is one, else from a firm total and natural mortality.

    A species is left out where neither tells them.
    """
    known = {}
    for key, one in found.species.items():
        asked = None if fishing is None else fishing.species.get(key)
        table = None if asked is None else _by_creel(asked, study.parameters.level)
        if table is None and (total := total_to_tell(found.results, key, study.season.year)) is not None:
            table = _by_total(study, one, total)
        if table is not None:
            known[key] = table
    return known
