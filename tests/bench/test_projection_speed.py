"""How fast regulations are projected, against a straightforward loop over draws, scenarios, years, months, ages and groups.

Run as a script for the full size: 500 draws × 24 scenarios × 60 years. The loop is measured on one draw, one scenario and a few
years, and extrapolated in proportion; the script says so.
"""

from __future__ import annotations

import itertools
import math
import resource
import time

import numpy as np
import pytest

from fishreport.population.angling import Angling
from fishreport.population.dynamics import project
from fishreport.population.life_history import LifeHistory
from fishreport.population.regulation import Regulation

AGES, GROUPS = 10, 7
CATEGORIES = {"stock": 150.0, "quality": 230.0, "preferred": 300.0, "memorable": 380.0, "trophy": 460.0}
KEEP = 0.5
EFFORT, HOURS = 400.0, 4.0
ANGLERS = Angling(
    effort_h_per_km=EFFORT,
    hours_per_trip=HOURS,
    catch_dispersion=1.0,
    release_mortality=0.05,
    noncompliance=0.05,
    voluntary_release=1 - KEEP,
)


def life(draws: int) -> LifeHistory:
    """Draws of an invented trout water."""
    return LifeHistory.from_spreads(
        np.random.default_rng(1),
        draws,
        growth_correlation=-0.8,
        asymptotic_length_mm=(550.0, 30.0),
        growth_coefficient=(0.3, 0.03),
        natural_mortality=(0.45, 0.1),
        fishing_mortality=(0.3, 0.08),
        weight_intercept=-4.867,
        weight_slope=2.96,
        age_at_maturity=3.0,
        recruits_per_km=(900.0, 200.0),
        recruitment="density independent",
        maximum_age=AGES,
    )


def rules(bags: str, number: int) -> list[Regulation]:
    """Minimum lengths from 150 mm up; 'none', 'half' or 'all' of them with a bag limit."""
    limited = {"none": (), "half": range(1, number, 2), "all": range(number)}[bags]
    return [
        Regulation(minimum_length_mm=150.0 + 10 * i, bag_limit=2 + i % 5 if i in limited else None, name=f"rule {i}")
        for i in range(number)
    ]


def loop(
    one: LifeHistory, limit: float, start: list[list[float]], capture: float, recruits: list[float], bag: int | None
) -> list[float]:
    """Harvest of each year, one cell at a time."""
    top, speed, zero = (float(item[0]) for item in (one.asymptotic_length_mm, one.growth_coefficient, one.age_at_zero))
    natural, cv = float(one.natural_mortality[0]), float(one.length_cv[0])
    edges = [-3 + 6 * g / GROUPS for g in range(GROUPS + 1)]
    mass = [norm_below(b) - norm_below(a) for a, b in itertools.pairwise(edges)]
    density = [math.exp(-(z**2) / 2) / math.sqrt(2 * math.pi) for z in edges]
    middles = [(a - b) / m for (a, b), m in zip(itertools.pairwise(density), mass, strict=True)]
    numbers = [list(row) for row in start]
    kept_fish = []
    share_in_bag = 1.0
    for year, new in enumerate(recruits):
        if year:
            numbers = [[new * m / sum(mass) for m in mass], *numbers[:-1]]
        harvest = weight = released = catch = length_sum = 0.0
        for month in range(12):
            cells = []
            for age in range(AGES):
                first = top * (1 - math.exp(-speed * (age + 1 + month / 12 - zero)))
                last = top * (1 - math.exp(-speed * (age + 1 + (month + 1) / 12 - zero)))
                for group in range(GROUPS):
                    legal = 0.0
                    for part in range(3):
                        mean = first + (last - first) * (part + 0.5) / 3
                        z = (limit / mean - 1) / cv
                        below = (norm_below(z) - norm_below(edges[group])) / mass[group]
                        legal += (1 - min(max(below, 0.0), 1.0)) / 3
                    cells.append((age, group, legal, (first + last) / 2 * (1 + cv * middles[group])))
            for _ in range(2 if bag is not None else 0):
                wanted = 0.0
                for age, group, legal, _length in cells:
                    share = legal * KEEP * (share_in_bag + (1 - share_in_bag) * 0.05) + (1 - legal) * 0.05
                    hazard = natural / 12 + capture / 12 * (share + (1 - share) * 0.05)
                    wanted += numbers[age][group] * (1 - math.exp(-hazard)) / hazard * capture / 12 * legal * KEEP
                share_in_bag = in_bag(wanted * HOURS / (EFFORT / 12), bag or 0)
            for age, group, legal, length in cells:
                share = legal * KEEP * (share_in_bag + (1 - share_in_bag) * 0.05) + (1 - legal) * 0.05
                hazard = natural / 12 + capture / 12 * (share + (1 - share) * 0.05)
                left = numbers[age][group] * math.exp(-hazard)
                alive = (numbers[age][group] - left) / hazard
                caught = alive * capture / 12
                catch += caught
                length_sum += caught * length
                harvest += caught * share
                weight += caught * share * 10**-4.867 * length**2.96
                released += caught * (1 - share) * 0.05
                numbers[age][group] = left
        kept_fish.append(harvest)
    return kept_fish


def in_bag(mean: float, bag: int) -> float:
    """Share of the fish wanted that fit in the bag; catch per trip is negative binomial of size 1."""
    return sum((mean / (1 + mean)) ** (j + 1) for j in range(bag)) / mean if mean > 0 else 1.0


def norm_below(z: float) -> float:
    """Normal probability below z."""
    return 0.5 * math.erfc(-z / math.sqrt(2))


def seconds_of_loop(years: int, bag: int | None) -> float:
    """Seconds a year of one draw and one scenario, after checking that the loop gives the projection's harvest."""
    one = life(1)
    known = LifeHistory(
        **{
            name: getattr(one, name)
            for name in ("asymptotic_length_mm", "growth_coefficient", "natural_mortality", "fishing_mortality", "age_at_zero")
        },
        weight_intercept=-4.867,
        weight_slope=2.96,
        age_at_maturity=3.0,
        recruitment="density independent",
        recruitment_sd=0.0,
        recruits_per_km=900.0,
        maximum_age=AGES,
        initial_numbers_per_km=np.r_[900.0, np.zeros(AGES - 1)],
    )
    share = np.diff([norm_below(-3 + 6 * g / GROUPS) for g in range(GROUPS + 1)])
    share /= share.sum()
    start = [[float(900 * item) for item in share], *[[0.0] * GROUPS for _ in range(AGES - 1)]]
    capture = float(one.fishing_mortality[0]) / (KEEP + (1 - KEEP) * 0.05)
    began = time.process_time()
    found = loop(known, 300.0, start, capture, [900.0] * years, bag)
    spent = (time.process_time() - began) / years
    rule = Regulation(minimum_length_mm=300.0, bag_limit=bag)
    expected = project(known, rule, years=years, rng=np.random.default_rng(1), angling=ANGLERS, today=Regulation())
    assert found == pytest.approx(expected.get("harvest_number")[0, 0], rel=1e-9 if bag is None else 1e-3)
    return spent


def seconds_of_projection(bags: str, draws: int, scenarios: int, years: int, workers: int) -> tuple[float, float]:
    """Seconds on the clock and of the processors."""
    water = life(draws)
    clock, began = time.perf_counter(), time.process_time()
    project(
        water,
        rules(bags, scenarios),
        years=years,
        rng=np.random.default_rng(2),
        angling=ANGLERS,
        categories=CATEGORIES,
        workers=workers,
    )
    return time.perf_counter() - clock, time.process_time() - began


@pytest.mark.slow
@pytest.mark.parametrize("bags", ["none", "all"])
def test_at_least_fifty_times_a_straightforward_loop(bags: str) -> None:
    draws, scenarios, years = 40, 12, 30
    one_year = min(seconds_of_loop(4, 2 if bags == "all" else None) for _ in range(2))
    spent = min(seconds_of_projection(bags, draws, scenarios, years, workers=1)[1] for _ in range(2))
    assert one_year * draws * scenarios * years > 50 * spent


def main() -> None:
    """Print both at full size."""
    draws, scenarios, years = 500, 24, 60
    print(f"{draws} draws × {scenarios} scenarios × {years} years, {AGES} ages × {GROUPS} growth groups, by month")
    loops = {}
    for bag, name in ((None, "without"), (2, "with")):
        one_year = min(seconds_of_loop(5, bag) for _ in range(5))
        loops[name] = one_year * draws * scenarios * years
        print(
            f"loop {name} a bag limit: {1000 * one_year:.2f} ms a year of one draw and scenario, best of five runs over 5 years; "
            f"extrapolated in proportion to the whole {loops[name]:.0f} s"
        )
    for bags, share in (("none", 0.0), ("half", 0.5), ("all", 1.0)):
        whole = (1 - share) * loops["without"] + share * loops["with"]
        spent, worked = seconds_of_projection(bags, draws, scenarios, years, workers=2)
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
        print(
            f"projection, 2 threads, bag limits in {bags} of the rules: {spent:.1f} s on the clock, {worked:.1f} s of processor "
            f"time; {whole / worked:.0f} times less work than the loop (peak memory of the process so far {peak:.2f} GB)"
        )


if __name__ == "__main__":
    main()
