"""Doubts: planted slips are found and named, and ordinary data are left in peace."""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.stats
from statsmodels.robust.norms import TukeyBiweight
from statsmodels.robust.robust_linear_model import RLM

from fishreport.fielddata import CODES, check_survey
from fishreport.fielddata.slips import explain
from fishreport.fielddata.usual_weight import _median_slope, fit_usual_weight
from fishreport.species import load_standards

RUN_LINES = [f"R{k},{'ABCD'[k % 4]},{2024 + k // 12}-10-{1 + k % 12:02d},20:{k:02d},{600 + k}" for k in range(24)]
RUNS = "run_id,site,date,start_time,effort_s\n" + "\n".join(RUN_LINES) + "\n"
N = 480


def ordinary(rng):
    length = np.round(np.exp(rng.normal(math.log(300), 0.2, N)))
    weight = np.round(10 ** (-4.9 + 2.96 * np.log10(length) + rng.normal(0, 0.035, N)))
    return [
        ["R" + str(k % 24), "BNT", f"{x:.0f}", f"{w:.0f}", "", ""] for k, (x, w) in enumerate(zip(length, weight, strict=True))
    ]


def fish(rows):
    return "run_id,species,length_mm,weight_g,tag,fate\n" + "\n".join(",".join(row) for row in rows) + "\n"


def doubts(study):
    faults = check_survey(study)
    assert "error" not in set(faults["severity"]), faults.to_string()
    return faults[faults["severity"] == "doubt"]


def test_ordinary_data_raise_no_doubt(make_study, rng):
    assert doubts(make_study(runs=RUNS, fish=fish(ordinary(rng)))).empty


@pytest.mark.parametrize(
    ("length", "weight", "code", "column", "words"),
    [
        ("412", "71", "weight_digit_lost", "weight_g", "710 to 719"),
        ("412", "7011", "weight_digit_added", "weight_g", "701 g"),
        ("312", "0.318", "weight_in_other_unit", "weight_g", "kilograms"),
        ("12.3", "318", "length_in_inches", "length_mm", "312 mm"),
        ("31.2", "318", "length_in_centimetres", "length_mm", "312 mm"),
        ("248", "168", None, None, None),
        ("155", "248", "length_weight_swapped", "length_mm", "248 mm and 155 g"),
        ("132", "318", "digits_transposed", "length_mm", "312 mm"),
        ("1312", "318", "length_digit_added", "length_mm", "312 mm"),
        ("300", "1200", "weight_far_from_length", "weight_g", "usual"),
        ("30.4", "", "length_in_centimetres", "length_mm", "304 mm"),
        ("11.8", "", "length_in_inches", "length_mm", "300 mm"),
        ("1450", "", "length_over_maximum", "length_mm", "with a digit too many"),
        ("1550", "", "length_over_maximum", "length_mm", "longer"),
    ],
)
def test_a_planted_slip_is_named(make_study, rng, length, weight, code, column, words):
    rows = ordinary(rng)
    rows[100][2:4] = [length, weight]
    found = doubts(make_study(runs=RUNS, fish=fish(rows)))
    if code is None:
        assert found.empty
        return
    assert found["code"].tolist() == [code], found.to_string()
    assert found["row"].tolist() == [102] and found["column"].tolist() == [column]
    assert words in found["message"].iloc[0] + found["advice"].iloc[0]


def test_many_slips_do_not_bend_the_usual_weight(rng):
    """A tenth of the lengths in inches and a tenth of the weights without their last digit."""
    length = np.exp(rng.normal(math.log(300), 0.2, 1000))
    weight = 10 ** (-4.9 + 2.96 * np.log10(length) + rng.normal(0, 0.035, 1000))
    clean = fit_usual_weight(length, weight)
    length[:100] /= 25.4
    weight[100:200] /= 10
    bent = fit_usual_weight(length, weight)
    assert bent.slope == pytest.approx(2.96, abs=0.05) and clean.slope == pytest.approx(2.96, abs=0.05)
    assert bent.weight(300.0) == pytest.approx(clean.weight(300.0), rel=0.01)
    assert 0.03 < bent.scale < 0.055  # a median of which a fifth are slips


def test_the_usual_weight_of_exact_data_is_the_published_standard(rng):
    """Fish on the standard weight of brown trout in streams (Milewski and Brown 1994, from memory) give its coefficients back."""
    standard = load_standards().find("brown trout (lotic)")
    length = rng.uniform(150, 600, 200)
    usual = fit_usual_weight(length, standard.standard_weight(length))
    assert usual.slope == pytest.approx(standard.slope, abs=1e-6)
    assert usual.intercept == pytest.approx(standard.intercept, abs=1e-6)


def test_few_weighed_fish_are_compared_with_the_published_standard(make_study):
    rows = [["R1", "BNT", "300", "290", "", ""], ["R2", "BNT", "412", "71", "", ""]]
    assert doubts(make_study(runs=RUNS, fish=fish(rows)))["code"].tolist() == ["weight_digit_lost"]


def test_of_two_explanations_both_are_told(rng):
    usual = fit_usual_weight(
        *(np.array(values) for values in zip(*[(x, 1.2e-5 * x**3) for x in range(200, 460, 5)], strict=True))
    )
    slips = explain(400.0, 77.0, usual)
    assert slips[0].code == "weight_digit_lost" and all(slip.code in CODES for slip in slips)


def test_tags(make_study, rng):
    rows = ordinary(rng)
    # (run, length, tag): R0 to R11 are of 2024, R12 to R23 of 2025
    for place, run, species, length, tag in [
        (0, "R0", "BNT", "300", "T1"),
        (1, "R1", "SMB", "300", "T1"),
        (2, "R2", "BNT", "300", "T2"),
        (3, "R2", "BNT", "301", "T2"),
        (4, "R3", "BNT", "300", "T3"),
        (5, "R14", "BNT", "280", "T3"),
        (6, "R4", "BNT", "200", "T4"),
        (7, "R15", "BNT", "490", "T4"),
        (8, "R5", "BNT", "300", "T5"),
        (9, "R16", "BNT", "352", "T5"),
        (10, "R6", "BNT", "300", "T6"),
        (11, "R17", "BNT", "297", "T6"),
    ]:
        rows[place] = [run, species, length, "", tag, ""]
    found = doubts(make_study(runs=RUNS, fish=fish(rows)))
    assert sorted(zip(found["code"], found["row"], strict=True)) == [
        ("recapture_grew_fast", 9),
        ("recapture_shrank", 7),
        ("tag_twice_in_run", 5),
        ("tag_two_species", 3),
    ]


def test_fish_entered_twice(make_study, rng):
    rows = ordinary(rng)
    rows[51] = list(rows[50])
    block = [list(row) for row in rows[100:104]]
    for row in block:
        row[0] = "R7"
    rows[104:108] = block
    rows[100:104] = [list(row) for row in block]
    found = doubts(make_study(runs=RUNS, fish=fish(rows)))
    assert set(found["code"]) == {"duplicate_fish"}
    assert found["row"].tolist() == [53, 106, 107, 108, 109]
    assert "line 52" in found["message"].iloc[0] and "line 102" in found["message"].iloc[1]


def test_runs_in_doubt(make_study, rng):
    lines = list(RUN_LINES)
    lines[3] = "R3,D,2024-10-04,20:03,10"
    lines[5] = "R5,B,2024-10-05,20:04,604"
    lines[4] = "R4,B,2024-10-05,20:04,604"
    lines[6] = "R6,c,2024-10-07,20:06,606"
    study = make_study(runs="run_id,site,date,start_time,effort_s\n" + "\n".join(lines) + "\n", fish=fish(ordinary(rng)))
    found = doubts(study)
    assert sorted(zip(found["code"], found["row"], strict=True)) == [
        ("effort_unusual", 5),
        ("run_entered_twice", 7),
        ("site_spelt_two_ways", 8),
    ]
    assert "in minutes it would be 600 s" in found.set_index("code").at["effort_unusual", "advice"]


def test_pulse_rates_are_told_once_each_and_for_salmonids_only(make_study):
    runs = "run_id,site,date,effort_s,pulse_hz\nR1,A,2025-10-01,600,60\nR2,A,2025-10-02,600,60\nR3,A,2025-10-03,600,30\n"
    found = doubts(make_study(runs=runs))
    assert found["code"].tolist() == ["pulse_rate_high"] and "2 runs" in found["message"].iloc[0]
    bass = '[water]\nname = "x"\n[season]\nyear = 2025\n[species.SMB]\nname = "smallmouth bass"\n'
    found = doubts(make_study(study=bass, runs=runs, fish="run_id,species\nR1,SMB\n"))
    assert found.empty


def test_unknown_species_are_told_once_with_the_near_code(make_study):
    found = doubts(make_study(fish="run_id,species\nR1,BTN\nR1,BTN\nR2,brown trout\nR2,WSU\n"))
    assert found["code"].tolist() == ["unknown_species", "unknown_species"]
    assert "2 rows" in found["message"].iloc[0] and "perhaps BNT" in found["advice"].iloc[0]


def test_reaches_that_are_no_stratum(make_study):
    study = '[water]\nname = "x"\nstrata = [{ reach = "upper" }]\n[season]\nyear = 2025\n[species.BNT]\nname = "brown trout"\n'
    runs = "run_id,site,date,effort_s,reach\nR1,A,2025-10-01,600,uper\nR2,A,2025-10-02,600,upper\n"
    found = doubts(make_study(study=study, runs=runs, fish="run_id,species\nR1,BNT\nR2,BNT\n"))
    assert found["code"].tolist() == ["unknown_reach"] and "perhaps upper" in found["advice"].iloc[0]


def notes(study):
    faults = check_survey(study)
    return faults[faults["severity"] == "note"]


def test_what_is_missing_is_noted(make_study):
    runs = "run_id,site,date,effort_s\n" + "".join(
        f"R{year}{site},{site},{year}-10-01,600\n" for year in (2023, 2024, 2025) for site in "AB" if (year, site) != (2024, "B")
    )
    found = notes(make_study(runs=runs, fish="run_id,species\nR2023A,BNT\nR2024A,BNT\nR2025A,BNT\nR2025B,BNT\n"))
    assert found["code"].tolist() == ["site_not_sampled", "run_without_fish", "no_weights", "no_lengths"]
    told = found.set_index("code")["message"]
    assert "site B has no run in 2024" in told["site_not_sampled"]
    assert "R2023B" in told["run_without_fish"]


def test_every_code_has_a_severity_and_a_meaning():
    assert {code.severity for code in CODES.values()} == {"error", "doubt", "note"}
    assert all(code.meaning for code in CODES.values())


def test_two_readings_by_one_reader_are_doubted(make_study):
    study = make_study(
        fish="run_id,species,age_sample\nR1,BNT,S1\nR2,BNT,S2\n",
        ages="age_sample,age_years,reader\nS1,3,a\nS1,4,b\nS2,3,a\nS2,4,a\n",
    )
    assert doubts(study)[["code", "row"]].to_numpy().tolist() == [["age_read_twice", 5]]


def test_an_age_of_tens_of_years_is_doubted(make_study):
    """Common practice, no source: 31 among ages of 2 to 4 is a slip; 11 may be an old fish."""
    fish = "run_id,species,age_sample\n" + "".join(f"R1,BNT,S{number}\n" for number in range(1, 6))
    ages = "age_sample,age_years,reader\nS1,3,a\nS2,2,a\nS3,4,a\nS4,31,a\nS5,11,a\n"
    found = doubts(make_study(fish=fish, ages=ages))
    assert found[["code", "row", "value"]].to_numpy().tolist() == [["age_unusual", 5, "31"]]


def test_a_standard_that_there_is_not_is_told_before_a_chapter_runs(make_study):
    study = make_study(fish="run_id,species\nR1,BNT\n")
    asked = study.species["BNT"].model_copy(update={"standard": "brown truot"})
    study = study.model_copy(update={"species": {"BNT": asked}})
    found = check_survey(study)
    errors = found[found["severity"] == "error"]
    assert errors[["code", "file", "column"]].to_numpy().tolist() == [["unknown_standard", "study.toml", "species.BNT.standard"]]
    assert "did you mean 'brown trout (lotic)'" in errors["message"].iloc[0]


def test_a_run_that_many_fish_name_and_the_runs_lack_is_looked_for_there(make_study):
    found = check_survey(make_study(fish="run_id,species\nR1,BNT\nR91,BNT\nR8,BNT\nR8,BNT\nR8,BNT\n"))
    advice = found.loc[found["code"] == "orphan_run", "advice"].tolist()
    assert "correct the run_id of this fish" in advice[0]
    assert advice[1:] == ["3 fish name it: add the run, or correct its run_id in the runs table"] * 3


def test_a_whole_table_in_other_units_is_one_doubt(make_study, rng):
    inches = [[*row[:2], f"{float(row[2]) / 25.4:.1f}", *row[3:]] for row in ordinary(rng)]
    found = doubts(make_study(runs=RUNS, fish=fish(inches)))
    assert found["code"].tolist() == ["units_of_table"] and "inches" in found["advice"].iloc[0]
    kilograms = [[*row[:3], f"{float(row[3]) / 1000:.3f}", *row[4:]] for row in ordinary(rng)]
    assert doubts(make_study(runs=RUNS, fish=fish(kilograms)))["code"].tolist() == ["units_of_table"]
    centimetres = [[*row[:2], f"{float(row[2]) / 10:.1f}", "", *row[4:]] for row in ordinary(rng)]
    assert doubts(make_study(runs=RUNS, fish=fish(centimetres)))["code"].tolist() == ["units_of_table"]


def test_the_fit_agrees_with_general_purpose_libraries(rng):
    """scipy's Theil-Sen slope for the start, statsmodels' Tukey biweight for the whole, on data with a tenth of slips."""
    x = np.linspace(2.0, 2.9, 31)
    y = -4.9 + 2.96 * x + rng.normal(0, 0.05, x.size)
    assert _median_slope(x, y) == pytest.approx(scipy.stats.theilslopes(y, x).slope, rel=1e-12)
    length = np.exp(rng.normal(math.log(300), 0.2, 600))
    weight = 10 ** (-4.9 + 2.96 * np.log10(length) + rng.normal(0, 0.035, 600))
    weight[::10] /= 10
    usual = fit_usual_weight(length, weight)
    design = np.column_stack([np.ones(600), np.log10(length)])
    robust = RLM(np.log10(weight), design, M=TukeyBiweight()).fit()
    at = np.array([200.0, 300.0, 450.0])
    reference = 10 ** (robust.params[0] + robust.params[1] * np.log10(at))
    assert usual.weight(at) == pytest.approx(reference, rel=0.02)
