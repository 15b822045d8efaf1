"""Exercises: right answers worked out here by other means, the usual mistakes named, nonsense refused."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from scipy import stats

from fishreport.explore import lesson

CATCH, MINUTES = [14, 3, 0, 22, 9], [10, 5, 10, 12, 8]
LENGTHS = [92, 104, 118, 151, 160, 188, 204, 229, 230, 247, 262, 301, 355]
MM = [182, 215, 240, 268, 301, 333, 372, 441]
GRAMS = [63, 98, 143, 191, 280, 366, 531, 858]
AGE, COUNT = [0, 1, 2, 3, 4, 5, 6], [6, 118, 90, 47, 20, 11, 4]
RUNS = [[212, 240, 228, 251], [305, 322, 298], [260, 275, 249, 268, 281], [341, 330], [233, 219, 246], [290, 301, 312, 284]]
CURVE = {"asymptotic_length_mm": 520, "k": 0.38, "age_at_zero": -0.55, "age": 3}


def _weight() -> float:
    line = stats.linregress(np.log10(MM), np.log10(GRAMS))
    rest = np.log10(GRAMS) - line.intercept - line.slope * np.log10(MM)
    spread = math.log(10) ** 2 * float((rest**2).sum()) / (len(MM) - 2)
    return float(10 ** (line.intercept + line.slope * math.log10(400)) * math.exp(spread / 2))


def _chapman_robson() -> float:
    n, coded = sum(COUNT[2:]), sum(i * c for i, c in enumerate(COUNT[2:]))
    survival = coded / (n + coded - 1)
    return -math.log(survival) - (n - 1) * (n - 2) / (n * (coded + 1) * (n + coded - 1))


def _runs() -> int:
    n = 2
    while n < (stats.t.ppf(0.975, n - 1) * 0.8 / 0.2) ** 2:
        n += 1
    return n


def _spread_of_means() -> float:
    rng = np.random.default_rng(99)
    means = []
    for _ in range(6000):
        drawn = [RUNS[i] for i in rng.integers(0, len(RUNS), len(RUNS))]
        means.append(np.mean(np.concatenate([np.asarray(run, dtype=float) for run in drawn])))
    return float(np.std(means, ddof=1))


Z = 0.4 + 0.5
CASES: dict[str, tuple[dict[str, Any], Any]] = {
    "catch-rate": ({"catch": CATCH, "minutes": MINUTES}, lambda: 60 * sum(CATCH) / sum(MINUTES)),
    "size-structure": (
        {"length_mm": LENGTHS, "stock": 150, "quality": 230},
        lambda: 100 * sum(x >= 230 for x in LENGTHS) / sum(x >= 150 for x in LENGTHS),
    ),
    "length-weight": ({"length_mm": MM, "weight_g": GRAMS, "at_mm": 400}, _weight),
    "growth": (CURVE, lambda: 520 * (1 - math.exp(-0.38 * 3.55))),
    "catch-curve": ({"age": AGE, "count": COUNT, "from_age": 2}, _chapman_robson),
    "recapture": ({"marked": 120, "caught": 90, "recaptured": 17}, lambda: 121 * 91 / 18 - 1),
    "removal": ({"catches": [84, 36]}, lambda: 84**2 / (84 - 36)),
    "scenario": ({"fishing": 0.4, "natural": 0.5}, lambda: 100 * 0.4 / Z * (1 - math.exp(-Z))),
    "sampling-design": ({"cv": 0.8, "relative_error": 0.2}, _runs),
    "bootstrap": ({"lengths_mm": RUNS}, _spread_of_means),
}


@pytest.mark.parametrize("name", CASES)
def test_the_answer_worked_out_by_other_means_is_right(name: str) -> None:
    given, work = CASES[name]
    verdict = lesson(name).check(work(), **given)
    assert verdict.right is True
    assert verdict
    assert verdict.text.startswith("Right: ")
    assert "✔" in verdict._repr_html_()


@pytest.mark.parametrize("name", CASES)
@pytest.mark.parametrize(("factor", "side"), [(1.5, "too high"), (0.8, "too low")])
def test_other_numbers_are_wrong_and_the_hint_does_not_tell_the_answer(name: str, factor: float, side: str) -> None:
    given, work = CASES[name]
    verdict = lesson(name).check(factor * work() + 0.013, **given)
    assert verdict.right is False
    assert not verdict
    assert side in verdict.text or "comes out when" in verdict.text
    right = lesson(name).check(work(), **given).text.split(". ")[0].removeprefix("Right: ")
    assert right not in verdict.text


MISTAKES = [
    ("catch-rate", np.mean(60 * np.array(CATCH) / np.array(MINUTES)), "every run's own rate"),
    ("catch-rate", np.mean(CATCH), "divided by runs"),
    ("catch-rate", sum(CATCH) / sum(MINUTES), "left in minutes"),
    ("catch-rate", 60 * sum(CATCH) / (sum(MINUTES) - 10), "runs without a fish"),
    ("size-structure", 100 * 5 / 13, "under stock length"),
    ("size-structure", 0.5, "not turned into percent"),
    ("length-weight", math.log10(_weight()), "left as a logarithm"),
    ("growth", 520 * (1 - math.exp(-0.38 * 3)), "left out"),
    ("growth", 520 * (1 - math.exp(-0.38 * 2.45)), "wrong sign"),
    ("catch-curve", math.exp(-_chapman_robson()), "survival"),
    ("recapture", 120 * 90 / 17, "no 1 is added"),
    ("removal", 120, "only the catch is counted"),
    ("removal", 84 / 48, "not squared"),
    ("scenario", 40, "taken for a share"),
    ("scenario", 100 * (1 - math.exp(-0.4)), "natural deaths are left out"),
    ("sampling-design", math.ceil((1.959964 * 4) ** 2), "1.96"),
    ("sampling-design", 16, "t is left out"),
    ("bootstrap", np.std(np.concatenate(RUNS), ddof=1), "spread of single fish"),
]


@pytest.mark.parametrize(("name", "answer", "told"), MISTAKES)
def test_the_usual_mistakes_are_named(name: str, answer: float, told: str) -> None:
    verdict = lesson(name).check(answer, **CASES[name][0])
    assert verdict.right is False
    assert told in verdict.text


def test_drawing_single_fish_is_the_named_mistake_of_the_bootstrap() -> None:
    length = np.concatenate(RUNS)
    verdict = lesson("bootstrap").check(length.std() / math.sqrt(length.size), **CASES["bootstrap"][0])
    assert "single fish are drawn again" in verdict.text


@pytest.mark.parametrize(("answer", "told"), [(None, "No answer yet"), ("many", "is a number"), (math.inf, "finite number")])
def test_what_is_no_number(answer: Any, told: str) -> None:
    verdict = lesson("recapture").check(answer, **CASES["recapture"][0])
    assert told in verdict.text
    assert verdict.right is (None if answer is None else False)


def test_other_data_have_another_answer() -> None:
    assert lesson("recapture").check(99 + 1 / 3, marked=100, caught=100, recaptured=101 - 1) is not None
    assert lesson("recapture").check(101 * 101 / 11 - 1, marked=100, caught=100, recaptured=10).right is True


def test_a_verdict_is_escaped() -> None:
    assert "&lt;b&gt;" in lesson("recapture").check("<b>", **CASES["recapture"][0])._repr_html_()
