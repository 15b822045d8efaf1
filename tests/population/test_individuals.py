"""The projection against fish simulated one at a time (see `one_fish_at_a_time`), which shares no code with it."""

from __future__ import annotations

import math

import numpy as np
import pytest
from one_fish_at_a_time import Rule, Water, simulate

from fishreport.population.angling import Angling
from fishreport.population.dynamics import project
from fishreport.population.life_history import LifeHistory
from fishreport.population.regulation import Regulation, Stocking

YEARS, COUNTED = 7, 4
RELEASE = 0.1
EFFORT = [0.2, 0.3, 0.6, 1.0, 1.5, 1.8, 1.6, 1.4, 1.1, 0.8, 0.4, 0.3]
TEMPERATURE = [4, 5, 7, 10, 14, 18, 22, 21, 17, 12, 8, 5]

CASES = {
    "no limit": (Regulation(), Rule([(0, math.inf)])),
    "minimum length": (Regulation(minimum_length_mm=300), Rule([(300, math.inf)])),
    "protected slot, one above, closed": (
        Regulation(protected_slot_mm=(260, 380), bag_limit=2, bag_over_slot=1, closed_months=(11, 12, 1)),
        Rule([(0, 260), (380, math.inf)], bag=2, over_from=380, bag_over=1, closed=(11, 12, 1)),
    ),
    "bag limit": (Regulation(bag_limit=1), Rule([(0, math.inf)], bag=1)),
    "harvest slot, more effort": (
        Regulation(harvest_slot_mm=(250, 350), effort_change=0.5),
        Rule([(250, 350)], effort=1.5),
    ),
    "release only": (Regulation(release_only=True), Rule([])),
}


def water(recruits: int, **changes: object) -> Water:
    odds = RELEASE / (1 - RELEASE)
    hot = [odds * math.exp(0.2 * max(0, t - 18)) for t in TEMPERATURE]
    total = sum(EFFORT)
    settings: dict[str, object] = {
        "asymptote": 520.0,
        "speed": 0.32,
        "zero": -0.2,
        "cv": 0.1,
        "log10_a": -4.867,
        "b": 2.96,
        "natural": 0.45,
        "capture": 1.2,
        "release_death": [item / (1 + item) for item in hot],
        "noncompliance": 0.08,
        "voluntary": 0.3,
        "month_effort": [item / total for item in EFFORT],
        "effort_hours": recruits * 1.2,
        "trip_hours": 4.0,
        "luck": 0.8,
        "oldest": 8,
        "recruits": recruits,
        "middle_vulnerable": 180.0,
        "spread_vulnerable": 60.0,
        "natural_exponent": 0.3,
        "natural_length": 300.0,
    }
    return Water(**(settings | changes))  # type: ignore[arg-type]


def expected(place: Water, rule: Regulation, years: int) -> dict[str, np.ndarray]:
    people = Angling(
        release_mortality=RELEASE,
        noncompliance=place.noncompliance,
        voluntary_release=place.voluntary,
        effort_h_per_km=place.effort_hours,
        hours_per_trip=place.trip_hours,
        catch_dispersion=place.luck,
        effort_by_month=EFFORT,
        water_temperature_c=TEMPERATURE,
    )
    # The capture rate that the fish simulator takes as given, turned into the fishing mortality of a rule without limits.
    dead = sum(e * (1 - place.voluntary * (1 - d)) for e, d in zip(place.month_effort, place.release_death, strict=True))
    life = LifeHistory(
        asymptotic_length_mm=place.asymptote,
        growth_coefficient=place.speed,
        age_at_zero=place.zero,
        length_cv=place.cv,
        weight_intercept=place.log10_a,
        weight_slope=place.b,
        natural_mortality=place.natural,
        natural_mortality_exponent=place.natural_exponent,
        natural_mortality_length_mm=place.natural_length,
        fishing_mortality=place.capture * dead,
        vulnerability_length_mm=place.middle_vulnerable,
        vulnerability_spread_mm=place.spread_vulnerable,
        age_at_maturity=3,
        maximum_age=place.oldest,
        recruitment="density independent",
        recruitment_sd=0.0,
        recruits_per_km=place.recruits,
        initial_numbers_per_km=[place.recruits, *[0.0] * (place.oldest - 1)],
        survey_month=place.survey_month,
    )
    found = project(
        life,
        rule,
        years=years,
        rng=np.random.default_rng(1),
        angling=people,
        today=Regulation(),
        categories={"300": 300.0, "400": 400.0},
    )
    values = {name: found.get(name)[0, 0] for name in found.quantities}
    return {
        "catch": values["catch"],
        "harvest": values["harvest_number"],
        "weight": values["harvest_weight"],
        "legal": values["legal_harvest_number"],
        "legal_weight": values["legal_harvest_weight"],
        "release": values["release_deaths"],
        "natural": values["natural_deaths"],
        "length": values["mean_length_in_catch"] * values["catch"],
        "all": values["density_all"],
        "over300": values["density_300"],
        "over400": values["density_400"],
    }


def compare(place: Water, rule: Regulation, slow_rule: Rule, *, years: int, seed: int, bias: float) -> None:
    story = simulate(place, slow_rule, years, seed)
    model = expected(place, rule, years)
    for name, values in model.items():
        seen = sum(told[name] for told in story[-COUNTED:])
        wanted = float(values[-COUNTED:].sum())
        counted = {"length": "catch", "weight": "harvest", "legal_weight": "legal"}.get(name, name)
        count = float(model[counted][-COUNTED:].sum())
        if name in ("all", "over300", "over400"):
            count /= 2  # the same fish are counted in several years, so that sums of years vary more than Poisson
        # Four standard errors of a count, and the discretisation of months and growth groups.
        bound = wanted * (4 / math.sqrt(max(count, 1)) + bias)
        assert abs(seen - wanted) <= bound, f"{name}: one at a time {seen:.1f}, projected {wanted:.1f}, bound {bound:.1f}"


@pytest.mark.slow
@pytest.mark.parametrize("name", CASES)
def test_projection_agrees_with_fish_one_at_a_time(name: str) -> None:
    rule, slow_rule = CASES[name]
    compare(water(5000), rule, slow_rule, years=YEARS, seed=7, bias=0.01)


@pytest.mark.slow
def test_stocked_fish_agree_with_fish_one_at_a_time() -> None:
    place = water(1000, stock=[(5, 4000, 260.0, 2)], effort_hours=6000.0)
    rule = Regulation(minimum_length_mm=280, stocking=Stocking(4000, 260.0, every_years=2, month=5))
    compare(place, rule, Rule([(280, math.inf)]), years=YEARS, seed=3, bias=0.01)


def main() -> None:
    """The long form, by command: relative difference of the two, for many fish and three seeds."""
    for name, (rule, slow_rule) in CASES.items():
        place = water(20_000)
        model = expected(place, rule, YEARS)
        print(name)
        stories = [simulate(place, slow_rule, YEARS, seed) for seed in (21, 22, 23)]
        for quantity, values in model.items():
            seen = [sum(told[quantity] for told in story[-COUNTED:]) / float(values[-COUNTED:].sum()) - 1 for story in stories]
            print(f"  {quantity:10s}" + "".join(f"{100 * item:8.2f} %" for item in seen))


if __name__ == "__main__":
    main()
