"""Captions, text alternatives and legends tell of what is drawn, and of nothing else."""

from __future__ import annotations

import dataclasses
import re

import numpy as np
import pytest
from trend_sample import make_trends

from fishreport.analysis.growth import growth
from fishreport.analysis.result import Result, Results
from fishreport.exhibits import catch, standardised
from fishreport.exhibits import condition as condition_exhibits
from fishreport.exhibits import creel as creel_exhibits
from fishreport.exhibits import growth as growth_exhibits
from fishreport.exhibits import trend as trend_exhibits
from fishreport.exhibits.context import report_context
from fishreport.exhibits.history import history_figure
from fishreport.methods.estimate import Estimate
from fishreport.study import read_study


@pytest.fixture(scope="module")
def made(demo_study, demo_survey):
    return make_trends(demo_study, demo_survey)


@pytest.fixture(scope="module")
def grown(repository, demo_survey):
    study = read_study(repository / "demo_inputs", overrides={"parameters.resamples": 100})
    return growth(study, demo_survey, report_context(study).classes, np.random.default_rng(3))


# ---- trends -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("draw", [trend_exhibits.trend_figure, trend_exhibits.other_figure])
def test_trend_figures_tell_of_levels_and_lines_that_are_drawn(made, demo_context, draw):
    whole = draw(made.lead, demo_context)
    assert "smoothed level" in whole.caption and "dotted" in whole.caption and "No smoothed level" not in whole.caption
    assert "smoothed level<" in whole.svg and "trend line<" in whole.svg
    bare = draw([dataclasses.replace(one, smooth=None, line=None) for one in made.lead], demo_context)
    assert bare.caption.endswith("with intervals. No smoothed level could be estimated. No trend line could be estimated.")
    assert "smoothed" not in bare.alt and "smoothed level<" not in bare.svg and "trend line<" not in bare.svg
    assert bare.table.rows and all(row[-2:] == ("—", "—") for row in bare.table.rows)  # the points are drawn all the same
    part = draw([dataclasses.replace(one, smooth=None) if one.series.species == "brown_trout" else one for one in made.lead],
                demo_context)  # fmt: skip
    assert "No smoothed level could be estimated for brown trout, " in part.caption
    assert "No trend line" not in part.caption


# ---- growth -----------------------------------------------------------------------------------------------------


def test_growth_figure_tells_of_curves_that_are_drawn(grown, demo_context):
    whole = growth_exhibits.growth_figure(grown, demo_context)
    assert "von Bertalanffy curve with its 95% band" in whole.caption and "No curve" not in whole.caption
    drawn = ["mean of the catch", "curve"]
    shown = growth_exhibits.by_species(grown, demo_context)
    assert growth_exhibits._figure_caption(drawn, shown, grown) == whole.caption
    assert growth_exhibits._figure_caption(["aged fish"], shown, grown) == "Length at age of all aged fish (dots)."


@pytest.mark.parametrize(
    ("lower", "upper", "never"), [(415.0, 499.0, True), (415.0, 529.0, False), (np.nan, np.nan, False), (415.0, np.inf, False)]
)
def test_a_length_is_never_reached_only_where_the_interval_ends_below_it(grown, demo_context, lower, upper, never):
    own = grown.species["rainbow_trout"]
    final = dataclasses.replace(own.curve.estimates["asymptotic_length"], lower=lower, upper=upper)
    curve = dataclasses.replace(own.curve, estimates={**own.curve.estimates, "asymptotic_length": final})
    said = growth_exhibits._reached(dataclasses.replace(own, fits={**own.fits, "von_bertalanffy": curve}), grown, demo_context)
    (about,) = [one for one in said if "preferred length" in one.text]
    assert ("never reaches preferred length" in about.text) is never
    assert ("ever reaches preferred length cannot be told: the length that it grows towards" in about.text) is not never
    assert (about.direction == "unclear") is not never
    if np.isfinite(upper) and not never:
        assert "interval 415 to 529 mm" in about.text or "interval 415 to 529)" in about.text


# ---- sites ------------------------------------------------------------------------------------------------------


def _at(site, value, season=2025):
    e = Estimate(value, 1.0, 0.0, 3 * value + 5, 0.95, "fish/h", "made up", 2)
    return Result("catch_rate", e, season, "brown_trout", "stock", site)


def _sites(context, *results):
    lead = tuple(one for one in context.classes if one.species.key == "brown_trout")
    names = list(dict.fromkeys(str(r.site) for r in results))
    return catch.site_figure(Results(results), dataclasses.replace(context, classes=lead), names)


def test_the_site_figure_tells_of_earlier_seasons_where_there_are_some(demo_context):
    alone = _sites(demo_context, _at("S01", 4.0), _at("S02", 9.0))
    assert "earlier" not in alone.svg and "on average before" not in alone.caption
    both = _sites(demo_context, _at("S01", 4.0), _at("S02", 9.0), _at("S02", 7.0, 2024))
    assert "mean of earlier seasons" in both.svg and "in 2025 and on average before." in both.caption


@pytest.mark.parametrize(
    ("rates", "said"),
    [
        ((4.0, 9.0), "highest at S2 (9 fish/h, interval 0 to 32), lowest at S1 (4 fish/h, interval 0 to 17)."),
        ((0.0, 0.0, 9.0), "lowest at S1 and S2 (0 fish/h each, intervals within 0 to 5)."),
        ((0.0, 0.0), "Brown trout: at S1 and S2 (0 fish/h each, intervals within 0 to 5)."),
        ((0.0,) * 5, "Brown trout: at 5 sites (0 fish/h each, intervals within 0 to 5)."),
    ],
)
def test_extremes_by_site_have_intervals_and_name_all_that_share_them(demo_context, rates, said):
    figure = _sites(demo_context, *(_at(f"S{place}", rate) for place, rate in enumerate(rates, 1)))
    assert figure.alt.replace(".0", "").endswith(said)
    assert ("highest" in figure.alt) == (rates[-1] == 9.0)


def test_rates_that_read_alike_are_not_called_higher_or_lower(demo_context):
    alike = [_at("S1", 46.0), _at("S2", 54.0)]
    wide = [dataclasses.replace(r, estimate=dataclasses.replace(r.estimate, upper=580.0)) for r in alike]
    assert "highest at S2 (54 fish/h, " in _sites(demo_context, *alike).alt
    assert _sites(demo_context, *wide).alt.endswith("Brown trout: at S1 and S2 (50 fish/h each, intervals within 0 to 580).")


# ---- by season --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("upper", "beyond"), [(101.0, False), (130.0, True)])
def test_a_far_wider_interval_goes_on_beyond_the_frame_with_an_arrow(demo_context, upper, beyond):
    def season(year, top):
        return Result("relative_weight", Estimate(95.0, 1.0, 93.0, top, 0.95, "", "made up", 9), year, "brown_trout", "stock")

    results = [season(2019 + i, upper if i == 3 else 97.0 + i / 10) for i in range(7)]
    figure = history_figure(
        "h", "By season.", results, demo_context, noun="Wr", series={"stock": "Stock"}, from_zero=False
    )  # fmt: skip
    assert ("An arrow marks an interval" in figure.caption) is beyond
    assert any(f" to {upper:.0f}" in row[4] for row in figure.table.rows)  # nothing is hidden


PANEL = re.compile(r'<g id="axes_\d+">\s*<g id="patch_\d+">\s*<path d="M (\S+) \S+\s+L (\S+) ')


@pytest.mark.parametrize("from_zero", [True, False])
@pytest.mark.parametrize(
    "species", [("brown_trout",), ("brown_trout", "rainbow_trout"), ("brown_trout", "rainbow_trout", "smallmouth_bass")]
)
def test_panels_keep_their_width_beside_one_with_an_arrow(demo_context, species, from_zero):
    def season(place, year):
        upper = 140.0 if place == len(species) - 1 and year == 2022 else 97.0
        return Result("relative_weight", Estimate(95.0, 1.0, 93.0, upper, 0.95, "", "made up", 9), year, species[place], "stock")

    results = [season(place, year) for place in range(len(species)) for year in range(2019, 2026)]
    figure = history_figure(
        "h", "By season.", results, demo_context, noun="Wr", series={"stock": "Stock"}, from_zero=from_zero
    )  # fmt: skip
    assert "An arrow marks an interval" in figure.caption
    total = float(re.search(r'viewBox="0 0 (\S+) ', figure.svg)[1])
    widths = [float(right) - float(left) for left, right in PANEL.findall(figure.svg)]
    assert len(widths) == len(species) and min(widths) > 0.7 * total / len(species)


# ---- words ------------------------------------------------------------------------------------------------------


def test_a_note_of_a_catch_model_counts_one_in_the_singular(made, demo_context):
    one = dataclasses.replace(made.indices[0], notes=("3 runs, 3 needed for 1 coefficients", "2 of 5 coefficients"))
    notes = standardised.check_table([one], demo_context).notes
    assert any("needed for 1 coefficient." in note for note in notes) and any("2 of 5 coefficients." in note for note in notes)


def test_the_alternative_of_the_creel_figure_begins_its_sentences_in_upper_case(demo_study, demo_survey, demo_context):
    from fishreport.analysis.creel import creel

    alt = creel_exhibits.creel_figure(creel(demo_study, demo_survey, ["brown_trout"]), demo_context).alt
    assert "by year. All anglers, " in alt and "all anglers" not in alt


@pytest.mark.parametrize("units", ["metric", "us"])
def test_coefficients_in_grams_and_millimetres_are_said_to_stay_so(repository, demo_study, demo_survey, units):
    from fishreport.analysis.condition import condition

    context = report_context(read_study(repository / "demo_inputs", overrides={"report.units": units}))
    table = condition_exhibits.length_weight_table(condition(demo_study, demo_survey, context.classes), context)
    assert ("Coefficients are for grams and millimetres" in table.caption) == (units == "us")
