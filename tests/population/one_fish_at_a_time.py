"""A slow and obvious simulation of a fishery, one fish at a time. It shares no code with the package.

Every fish has a growth type for life, and lives through continuous time. In each month the next thing that happens to each fish
(natural death or capture) is drawn from an exponential distribution; things happen in the order of time over all fish. A captured
fish is on the hook of one trip of that month, picked at random (luckier trips more often); the angler looks at its length at that
moment and decides.
"""

from __future__ import annotations

import heapq
import math
import random
from dataclasses import dataclass, field


@dataclass
class Rule:
    kept_ranges: list[tuple[float, float]]
    bag: float = math.inf
    over_from: float = math.inf
    bag_over: float = math.inf
    closed: tuple[int, ...] = ()
    effort: float = 1.0


@dataclass
class Water:
    asymptote: float
    speed: float
    zero: float
    cv: float
    log10_a: float
    b: float
    natural: float
    capture: float
    release_death: list[float]
    noncompliance: float
    voluntary: float
    month_effort: list[float]
    effort_hours: float
    trip_hours: float
    luck: float
    oldest: int
    recruits: int
    middle_vulnerable: float = 0.0
    spread_vulnerable: float = 0.0
    natural_exponent: float = 0.0
    natural_length: float = 300.0
    survey_month: int = 10
    stock: list[tuple[int, int, float, int]] = field(default_factory=list)


class Fish:
    def __init__(self, water: Water, dice: random.Random, age: float, length: float | None = None) -> None:
        self.water, self.age0, self.start = water, age, length
        z = dice.gauss(0, 1)
        while abs(z) > 3:
            z = dice.gauss(0, 1)
        self.z = z

    def length(self, years: float) -> float:
        """Length `years` after the fish joined."""
        w = self.water
        if self.start is None:
            mean = w.asymptote * (1 - math.exp(-w.speed * (self.age0 + years - w.zero)))
        else:
            mean = w.asymptote - (w.asymptote - self.start) * math.exp(-w.speed * years)
        return mean * (1 + w.cv * self.z)


def simulate(water: Water, rule: Rule, years: int, seed: int) -> list[dict[str, float]]:
    """What happened in each year; the water starts with one class of recruits and nothing else."""
    dice = random.Random(seed)
    alive: list[tuple[Fish, float]] = []  # a fish and the time at which it joined
    story = []
    for year in range(years):
        told = dict.fromkeys(
            ["catch", "harvest", "weight", "legal", "legal_weight", "release", "natural", "length", "over300", "over400", "all"],
            0.0,
        )
        for _ in range(water.recruits):
            alive.append((Fish(water, dice, 1.0), float(year)))
        for month in range(12):
            now = year + month / 12
            for at_month, number, size, every in water.stock:
                if at_month == month + 1 and year % every == 0:
                    alive += [(Fish(water, dice, 0.0, size), now) for _ in range(number)]
            if month + 1 == water.survey_month:
                lengths = [fish.length(now - joined) for fish, joined in alive]
                told["all"] = len(lengths)
                told["over300"] = sum(length >= 300 for length in lengths)
                told["over400"] = sum(length >= 400 for length in lengths)
            effort = 0.0 if month + 1 in rule.closed else water.month_effort[month] * rule.effort
            trips = round(water.effort_hours * effort / water.trip_hours)
            weights = [dice.gammavariate(water.luck, 1) for _ in range(trips)] if math.isfinite(water.luck) else None
            chosen = iter(())
            bags: dict[int, list[int]] = {}
            happenings: list[tuple[float, int, str]] = []
            hazards = []
            for number, (fish, joined) in enumerate(alive):
                length = fish.length(now + 1 / 24 - joined)
                natural = water.natural * (length / water.natural_length) ** -water.natural_exponent
                caught = water.capture * effort * 12
                if water.middle_vulnerable:
                    slope = math.log(19) / water.spread_vulnerable
                    caught /= 1 + math.exp(-slope * (length - water.middle_vulnerable))
                hazards.append((natural, caught))
                push_next(happenings, dice, number, now, hazards[number], now + 1 / 12)
            heapq.heapify(happenings)
            dead = set()
            while happenings:
                when, number, what = heapq.heappop(happenings)
                fish, joined = alive[number]
                if what == "natural":
                    told["natural"] += 1
                    dead.add(number)
                    continue
                length = fish.length(when - joined)
                told["catch"] += 1
                told["length"] += length
                pick = next(chosen, None)
                if pick is None:
                    chosen = iter(dice.choices(range(trips), weights=weights, k=1000))
                    pick = next(chosen)
                bag = bags.setdefault(pick, [0, 0])
                before = sum(bag)
                keep = decide(rule, water, dice, length, bag)
                if keep:
                    mass = 10**water.log10_a * length**water.b / 1000
                    told["harvest"] += 1
                    told["weight"] += mass
                    if sum(bag) > before:
                        told["legal"] += 1
                        told["legal_weight"] += mass
                    dead.add(number)
                elif dice.random() < water.release_death[month]:
                    told["release"] += 1
                    dead.add(number)
                else:
                    again: list[tuple[float, int, str]] = []
                    push_next(again, dice, number, when, hazards[number], now + 1 / 12)
                    for item in again:
                        heapq.heappush(happenings, item)
            alive = [item for number, item in enumerate(alive) if number not in dead]
        end = year + 1
        alive = [
            (f, j) for f, j in alive if (f.age0 + end - j if f.start is None else 1 + math.ceil(end - j - 1e-9)) <= water.oldest
        ]
        story.append(told)
    return story


def push_next(happenings: list, dice: random.Random, number: int, now: float, hazard: tuple[float, float], end: float) -> None:
    natural, caught = hazard
    total = natural + caught
    if total <= 0:
        return
    when = now + dice.expovariate(total)
    if when < end:
        happenings.append((when, number, "natural" if dice.random() < natural / total else "capture"))


def decide(rule: Rule, water: Water, dice: random.Random, length: float, bag: list[int]) -> bool:
    if not any(low <= length < high for low, high in rule.kept_ranges):
        return dice.random() < water.noncompliance
    if dice.random() < water.voluntary:
        return False
    over = length >= rule.over_from
    room = sum(bag) < rule.bag and not (over and bag[1] >= rule.bag_over)
    if room:
        bag[over] += 1
        return True
    return dice.random() < water.noncompliance
