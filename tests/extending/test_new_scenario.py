"""A new scenario: a few lines of the study file become a rule that can be compared."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "report"))

from tiny import write_study

from fishreport.analysis.rules import rules_of
from fishreport.exceptions import StudyError
from fishreport.population.rule_sentence import rule_sentence
from fishreport.study import read_study

TEXT = (Path(__file__).parent / "new_scenario" / "scenario.toml").read_text(encoding="utf-8")


def test_it_becomes_a_rule(tmp_path: Path) -> None:
    study = read_study(write_study(tmp_path / "study", extra="\n" + TEXT))
    (rule,) = rules_of(study)["brown_trout"]
    assert (rule.protected_slot_mm, rule.bag_limit, rule.closed_months) == ((300, 450), 3, (1, 2, 11, 12))
    assert rule.legal(np.array([250.0, 299.0, 301.0, 449.0, 460.0])).tolist() == [True, True, False, False, True]
    assert "300" in rule_sentence(rule)
    assert "450" in rule_sentence(rule)


def test_a_rule_that_contradicts_itself_is_refused(tmp_path: Path) -> None:
    with pytest.raises(StudyError, match="lower and a higher length"):
        read_study(write_study(tmp_path / "study", extra="\n" + TEXT.replace("[300, 450]", "[450, 300]")))


def test_a_slip_is_told_with_the_nearest_key(tmp_path: Path) -> None:
    with pytest.raises(StudyError, match="bag_limit"):
        read_study(write_study(tmp_path / "study", extra="\n" + TEXT.replace("bag_limit", "bag_limt")))
