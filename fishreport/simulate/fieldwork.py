"""Runs on the water: which fish are netted, measured, weighed, tagged and aged."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fishreport.simulate.population import Population
from fishreport.simulate.spec import SpeciesSpec, SurveySpec

Array = np.ndarray
FRY_MM = 110.0


def vulnerability(species: SpeciesSpec, length_mm: Array) -> Array:
    """Relative catchability by length: logistic, times an exponential decline of large fish."""
    rise = 1 / (1 + np.exp(-(length_mm - species.length_at_half) / species.length_width))
    start = species.length_at_half + 4 * species.length_width
    return rise * np.exp(-species.decline_per_mm * np.maximum(length_mm - start, 0.0))


def capture_hazard(spec: SurveySpec, species: SpeciesSpec, length_mm: Array, discharge_m3_s: Array | float) -> Array:
    """Expected hazard of capture (per hour of current) of fish that lie on the bank that is fished."""
    depth = (np.asarray(discharge_m3_s) / spec.discharge_m3_s) ** species.discharge_exponent
    return species.capture_rate * vulnerability(species, length_mm) * depth


@dataclass(frozen=True, slots=True)
class Lanes:
    """The runs of one season, as arrays over sites × banks; a site that was missed has effort 0.

    Attributes
    ----------
    effort_h : Array
        Hours of current of one pass.
    discharge : Array
        Release (m³/s) during the run.
    passes : Array
        Passes fished.
    hertz : Array
        Pulse rate.
    """

    effort_h: Array
    discharge: Array
    passes: Array
    hertz: Array


@dataclass(frozen=True, slots=True)
class Catch:
    """Fish of one species netted in one season, one element a fish.

    `index` points into the population; `fate` is 0 released, 1 injured, 2 dead; `new_tag` says whether it was tagged now.
    """

    index: Array
    site: Array
    bank: Array
    pass_number: Array
    length_mm: Array
    weight_g: Array
    fate: Array
    new_tag: Array
    old_tag: Array


def net(
    spec: SurveySpec,
    population: Population,
    lanes: Lanes,
    *,
    condition: float,
    year_effect: float,
    first_tag: int,
    rng: np.random.Generator,
) -> Catch:
    """Fish every run of a season.

    A fish in a site lies where the boat can reach it with probability ``accessible``, on one bank or the other. It is
    taken in a pass with probability ``1 - exp(-hazard · effort)``; the hazard carries the run's own gamma effect, the
    same in all passes. `condition` is added to the log10 weight, `year_effect` to the log hazard.
    """
    s = population.species
    banks = spec.runs_per_site
    in_site = np.flatnonzero(population.place < spec.sites)
    side = np.floor(rng.random(len(in_site)) * banks / spec.accessible).astype(int)
    in_site, side = in_site[side < banks], side[side < banks]
    site = population.place[in_site]
    if np.isfinite(s.run_shape):
        effect = rng.standard_gamma(s.run_shape, size=(spec.sites, banks)) / s.run_shape
    else:
        effect = np.ones((spec.sites, banks))
    true_length = population.length_at(population.age[in_site], in_site)
    hazard = capture_hazard(spec, s, true_length, lanes.discharge[site, side]) * np.exp(year_effect)
    probability = -np.expm1(-hazard * effect[site, side] * lanes.effort_h[site, side])
    taken = np.zeros(len(in_site), dtype=int)
    for number in range(1, int(lanes.passes.max(initial=1)) + 1):
        now = (taken == 0) & (number <= lanes.passes[site, side]) & (rng.random(len(in_site)) < probability)
        taken[now] = number
    got = np.flatnonzero(taken)
    got = got[np.lexsort((rng.random(len(got)), taken[got], side[got], site[got]))]
    index, n = in_site[got], len(got)
    length = np.maximum(np.rint(true_length[got] + 1.2 * rng.standard_normal(n)), 25.0)
    log_weight = s.log_weight_intercept + s.log_weight_slope * np.log10(np.maximum(true_length[got], 20.0)) + condition
    weight = np.maximum(np.rint(10 ** (log_weight + s.log_weight_sd * rng.standard_normal(n))), 1.0)
    rough = np.where(lanes.hertz[site[got], side[got]] > 30, 2.5, 1.0)
    luck = rng.random(n)
    fate = np.where(luck < s.death * rough, 2, np.where(luck < (s.death + s.injury) * rough, 1, 0))
    old_tag = population.tag[index].copy()
    new_tag = np.zeros(n, dtype=np.int64)
    if s.tags_per_season:
        may = np.flatnonzero((old_tag == 0) & (length >= s.tag_from_mm) & (fate == 0))
        chosen = np.sort(rng.permutation(may)[: s.tags_per_season])
        new_tag[chosen] = first_tag + np.arange(len(chosen))
        population.tag[index[chosen]] = new_tag[chosen]
    return Catch(index, site[got], side[got], taken[got], length, weight, fate, new_tag, old_tag)


def choose_for_ageing(length_mm: Array, allowed: Array, *, bin_mm: float, per_bin: int, rng: np.random.Generator) -> Array:
    """Indices of the fish aged: up to `per_bin` of each length bin, at random among the allowed, in order."""
    order = rng.permutation(np.flatnonzero(allowed))
    bins = np.floor(length_mm[order] / bin_mm).astype(int)
    chosen, taken = [], dict.fromkeys(np.unique(bins).tolist(), 0)
    for fish, bin_number in zip(order.tolist(), bins.tolist(), strict=True):
        if taken[bin_number] < per_bin:
            taken[bin_number] += 1
            chosen.append(fish)
    return np.sort(np.array(chosen, dtype=np.int64))


def read_age(true_age: Array, misread: float, rng: np.random.Generator) -> Array:
    """Ages as a reader calls them: one year off with a probability that grows with age, old fish called young more often."""
    n = len(true_age)
    off = rng.random(n) < np.clip(misread * (0.4 + 0.2 * true_age), 0, 0.5)
    down = rng.random(n) < 0.45 + 0.05 * true_age
    return np.maximum(true_age + np.where(off, np.where(down, -1, 1), 0), 0)


def ring_radii(
    population: Population,
    fish: int,
    true_age: int,
    read: int,
    length_mm: float,
    *,
    intercept: float,
    mm_per_mm: float,
    rng: np.random.Generator,
) -> tuple[float, list[float]]:
    """Radius of the scale at capture, and the growth zones between rings, in mm.

    The scale grows in proportion to length above `intercept`, each zone measured with an error of 4 %. A fish misread a
    year young lost its last ring to the edge; one misread old shows a false ring within its widest zone.
    """
    noise = rng.standard_normal(2 + true_age)
    scale = float(np.exp(0.03 * noise[0]))
    radius = float((length_mm - intercept) / mm_per_mm * scale)
    at_ring = population.length_at(np.arange(1, true_age + 1) - population.species.annulus_offset, np.array([fish]))
    rings = np.concatenate([[0.0], (at_ring - intercept) / mm_per_mm * scale])
    zones = np.maximum(np.diff(rings) * np.exp(0.04 * noise[2:]), 0.02)
    # What is measured of the rings never reaches past the edge, even after each zone is rounded to 0.01 mm.
    zones = (zones * min(1.0, (radius - 0.03 - 0.005 * true_age) / max(zones.sum(), 0.02))).tolist()
    if read < true_age:
        zones = zones[:read]
    elif read > true_age and zones:
        widest = int(np.argmax(zones))
        zones[widest : widest + 1] = [zones[widest] * 0.6, zones[widest] * 0.4]
    elif read > true_age:
        zones = [radius * 0.7]
    return radius, zones
