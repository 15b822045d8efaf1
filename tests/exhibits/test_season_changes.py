"""Changes between two seasons are allowed for their number in a chapter."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.multitest import multipletests

from fishreport.analysis import sizes
from fishreport.analysis.result import Result
from fishreport.exhibits import sizes as exhibits
from fishreport.exhibits.wording import season_change, two_sided
from fishreport.methods.estimate import Estimate

SPECIES = ("brown_trout", "rainbow_trout", "smallmouth_bass")


def _share(species, season, value, se):
    e = Estimate(value, se, value - 1.96 * se, value + 1.96 * se, 0.95, "percent", "made up", 40)
    return Result("proportional_size", e, season, species, "quality")


def _pairs(falls):
    return [(_share(key, 2024, 60.0, 4.0), _share(key, 2025, 60.0 - fall, 4.0)) for key, fall in zip(SPECIES, falls, strict=True)]


@pytest.mark.parametrize(
    ("falls", "standing"),
    [((12.0, 1.0, 0.5), ()), ((16.0, 1.0, 0.5), (0,)), ((12.0, 13.0, 12.5), (0, 1, 2)), ((-12.0, 1.0, 0.5), ())],
)
def test_a_change_stands_as_benjamini_and_hochberg_have_it(demo_context, falls, standing):
    """scipy.stats.norm for the p of a difference, statsmodels.stats.multitest.multipletests (fdr_bh) for its adjustment."""
    pairs = _pairs(falls)
    p = [2 * stats.norm.sf(abs(fall) / (4.0 * math.sqrt(2))) for fall in falls]
    theirs = multipletests(p, method="fdr_bh")[1]
    assert tuple(np.flatnonzero(theirs < 0.05)) == standing
    found = demo_context.changes(pairs)
    for place, (_, after) in enumerate(pairs):
        (said,) = found[after.id]
        if place in standing:
            assert said.direction == "down" and " fell from 2024 to 2025 by " in said.text and "adjust" not in said.text
        elif p[place] < 0.05:
            verb, noun = ("fallen", "fall") if falls[place] > 0 else ("risen", "rise")
            assert said.direction == "unclear" and f" seems to have {verb} from 2024 to 2025 by " in said.text
            tail = f"; a {noun} is likely, but it does not stand after adjusting for the 3 changes between seasons tested (adjusted p "
            assert said.text.endswith(f"{tail}{theirs[place]:.2g}).")
        else:
            assert said.direction == "unclear" and "cannot be told: anything from" in said.text


def test_one_change_alone_is_not_adjusted(demo_context):
    pair = _pairs((12.0, 1.0, 0.5))[0]
    lost = Result("proportional_size", Estimate.not_estimable("no fish", units="percent"), 2024, SPECIES[1], "quality")
    others = [(lost, _share(SPECIES[1], 2025, 50.0, 4.0)), (None, _share(SPECIES[2], 2025, 50.0, 4.0))]
    found = demo_context.changes([pair, *others])
    (said,) = found[pair[1].id]
    assert said.direction == "down" and said.text.endswith("; a fall is extremely likely.")
    (about_lost,) = found[others[0][1].id]
    assert about_lost.direction == "unclear" and others[1][1].id not in found
    assert demo_context.change(*pair) == [said]
    assert demo_context.change(None, pair[1]) == []


def test_p_of_a_change_needs_an_interval():
    before, after = (Estimate(x, 1.0, math.nan, math.nan, 0.95, "percent", "made up", 5) for x in (40.0, 50.0))
    assert math.isnan(two_sided(season_change(before, after)))


def test_a_share_of_few_fish_that_barely_leaves_out_zero_only_seems_to_fall(demo_study, demo_survey, demo_context):
    results = sizes.size_structure(demo_study, demo_survey, list(demo_context.classes))
    found = exhibits.findings(results, {}, demo_context).items
    (about,) = [f for f in found if "from 2024 to 2025" in f.text and "smallmouth" in f.text]
    assert about.direction == "unclear" and "seems to have fallen from 2024 to 2025 by 32.1 percentage points" in about.text
    assert "does not stand after adjusting for the 3 changes between seasons tested" in about.text
