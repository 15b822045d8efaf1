"""Published standards: their equations to printed digits, finding them, limits of use, a study's own file."""

from __future__ import annotations

import math
import pickle

import numpy as np
import pytest

from fishreport.exceptions import StandardError
from fishreport.species import CATEGORIES, load_standards

STANDARDS = load_standards()

# name, standard weight (g) at 300 and 400 mm, English intercept (pounds, inches). The coefficients are those of the sources in
# species.toml; where a source is marked "from memory" there, so is this check. Weights computed apart from the package.
EQUATIONS = [
    ("brown trout (lentic)", 309.0, 774.4, -3.592),
    ("brown trout (lotic)", 291.9, 684.1, -3.365),
    ("rainbow trout (lotic)", 293.6, 700.9, -3.431),
    ("rainbow trout (lentic)", 322.5, 762.4, -3.354),
    ("cutthroat trout (lotic)", 307.3, 749.5, -3.492),
    ("cutthroat trout (lentic)", 283.4, 688.6, -3.513),
    ("brook trout", 316.6, 773.0, -3.483),
    ("lake trout", 228.9, 582.5, -3.778),
    ("Arctic grayling", 248.9, 604.2, -3.567),
    ("smallmouth bass", 396.1, 994.5, -3.490),
    ("largemouth bass", 379.9, 974.0, -3.587),
    ("walleye", 265.6, 663.1, -3.642),
    ("white sucker", 337.1, 785.3, -3.281),
    ("mountain whitefish", 272.0, 651.4, -3.478),
]


@pytest.mark.parametrize(("name", "at_300", "at_400", "english"), EQUATIONS)
def test_equations_to_printed_digits(name: str, at_300: float, at_400: float, english: float) -> None:
    standard = STANDARDS.find(name)
    assert standard.standard_weight([300, 400]) == pytest.approx([at_300, at_400], abs=0.051)
    assert standard.english_intercept == pytest.approx(english, abs=0.0006)
    pounds = 10 ** (standard.english_intercept + standard.slope * math.log10(300 / 25.4))
    assert pounds * 453.59237 == pytest.approx(float(standard.standard_weight(300)), rel=1e-12)


def test_quadratic_equation() -> None:
    """Abstract of JFWM-20-026 (seen): -3.364 + 1.378 x + 0.397 x²; weights worked out by hand from it."""
    standard = STANDARDS.find("brook trout (southern Appalachian streams)")
    assert standard.standard_weight([100, 150, 200]) == pytest.approx([9.55, 32.70, 81.06], abs=0.006)
    assert math.isnan(standard.english_intercept)


def test_power_form_seen_second_hand() -> None:
    """Rainbow trout (lotic): a copy of the equation gives 0.000370 (lb, in) and 0.0100 (g, cm) with slope 3.024."""
    standard = STANDARDS.find("rainbow trout (lotic)")
    assert 10**standard.english_intercept == pytest.approx(0.000370, abs=5e-7)
    assert 10 ** (standard.intercept + standard.slope) == pytest.approx(0.0100, abs=5e-5)


def test_categories_rise_and_follow_the_rounding_rule() -> None:
    """Established mm and inch values stand side by side and lie within 13 mm (Willis, Murphy and Guy 1993: not converted)."""
    for standard in STANDARDS:
        assert list(standard.categories) == [name for name in CATEGORIES if name in standard.categories]
        for name, millimetres in standard.categories.items():
            assert abs(standard.categories_in[name] * 25.4 - millimetres) < 13, (standard.name, name)  # type: ignore[index]
        if standard.categories:
            assert standard.categories_source
    assert STANDARDS.find("yellow perch").categories["stock"] == 130
    assert STANDARDS.find("yellow perch").categories_in["stock"] == 5
    assert STANDARDS.find("brown trout (lotic)").category_bound("quality") == 230


def test_limits_of_use() -> None:
    lotic, lentic = STANDARDS.find("brown trout (lotic)"), STANDARDS.find("brown trout (lentic)")
    assert np.isnan(lotic.standard_weight([139.9, np.nan, -5])).all()
    assert np.isfinite(lotic.standard_weight(140))
    assert np.isnan(lentic.standard_weight(750.5)) and np.isfinite(lentic.standard_weight(750))
    with pytest.raises(
        StandardError, match=r"brown trout \(lotic\) holds for total lengths of 140 mm and longer; got 120 mm and 1 more"
    ):
        lotic.standard_weight([300, 120, 80, np.nan], strict=True)
    assert lotic.standard_weight([300.0, np.nan], strict=True)[0] == pytest.approx(291.9, abs=0.05)


@pytest.mark.parametrize("name", ["brown_trout (lotic)", "Brown Trout, lotic", "lotic brown trout", "Salmo trutta lotic"])
def test_find_forgives_spelling_of_form(name: str) -> None:
    assert STANDARDS.find(name).name == "brown trout (lotic)"


@pytest.mark.parametrize("name", ["brown trout", "brown_trout", "Salmo trutta", "German brown trout"])
def test_brown_trout_must_say_which_water(name: str) -> None:
    with pytest.raises(StandardError, match=r"has 2 standards; say which: 'brown trout \(lotic\)' or 'brown trout \(lentic\)'"):
        STANDARDS.find(name)


def test_regional_and_older_equations_never_answer_for_the_species() -> None:
    assert STANDARDS.find("brook trout").source.startswith("Hyatt and Hubert 2001")
    assert STANDARDS.find("largemouth bass").source == "Henson 1991"
    assert STANDARDS.find("brown trout (Tiber basin)").regional


def test_unknown_species() -> None:
    with pytest.raises(StandardError, match=r"did you mean .*'brown trout \(lotic\)'"):
        STANDARDS.find("brown truot (lotic)")
    with pytest.raises(StandardError, match=r"no published standard for 'burbot'.*there are standards for brown trout"):
        STANDARDS.find("burbot")
    with pytest.raises(StandardError, match="no length category 'trophy'; it has stock, quality"):
        STANDARDS.find("brook trout").category_bound("trophy")


def test_every_standard_names_source_status_and_limits() -> None:
    assert len(set(STANDARDS.names)) == len(STANDARDS) >= 23
    for standard in STANDARDS:
        assert standard.status in ("seen", "from memory") and standard.limits and standard.source
        assert pickle.loads(pickle.dumps(standard)) == standard


OWN = """
[[standard]]
name = "brown trout (lotic)"
species = "brown trout"
intercept = -5.0
slope = 3.0
minimum_length_mm = 100
source = "fifty fish of our own"
"""


def test_a_study_carries_its_own(tmp_path) -> None:
    file = tmp_path / "standards.toml"
    file.write_text(OWN, encoding="utf-8")
    own = load_standards(file)
    assert len(own) == len(STANDARDS)
    assert own.find("brown trout (lotic)").standard_weight(200) == pytest.approx(80.0)
    assert own.find("brown trout (lotic)").status == "own"
    assert STANDARDS.find("brown trout (lotic)").intercept == -4.867


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (OWN.replace("slope", "slop"), "'slop', did you mean 'slope'"),
        (OWN.replace('source = "fifty fish of our own"', ""), "'source' is required"),
        (OWN + "categories = { stock = 300, quality = 200 }", "must rise from stock to trophy"),
        (OWN + "categories = { huge = 300 }", "categories.huge"),
        (OWN + "maximum_length_mm = 50", "must be below maximum_length_mm"),
        (OWN + OWN, "two standards are called"),
        ("[[standard]\n", "not readable as a TOML file"),
        ("standard = 5", r"holds \[\[standard\]\] tables only"),
        (OWN.replace("-5.0", "nan"), "intercept"),
    ],
)
def test_faults_of_an_own_file_are_named(tmp_path, text: str, message: str) -> None:
    file = tmp_path / "standards.toml"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(StandardError, match=message):
        load_standards(file)


def test_missing_own_file(tmp_path) -> None:
    with pytest.raises(StandardError, match="no such file"):
        load_standards(tmp_path / "none.toml")
