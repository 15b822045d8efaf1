"""Tables, figures and sentences of the season, abundance, size-structure and condition chapters."""

from __future__ import annotations

import dataclasses
import re
import xml.etree.ElementTree as ET

import numpy as np
import pytest

from fishreport.analysis import catch, sizes
from fishreport.analysis import season as work_of
from fishreport.analysis.classes import study_classes
from fishreport.analysis.condition import condition
from fishreport.analysis.result import Result, Results
from fishreport.exhibits import catch as catch_exhibits
from fishreport.exhibits import condition as condition_exhibits
from fishreport.exhibits import season as season_exhibits
from fishreport.exhibits import sizes as size_exhibits
from fishreport.exhibits.context import report_context
from fishreport.exhibits.notes import FIRST_PASS
from fishreport.exhibits.tabulate import counted, joined
from fishreport.methods.estimate import Estimate
from fishreport.study import read_study


@pytest.fixture(scope="module")
def made(demo_study, demo_survey):
    classes = study_classes(demo_study)
    rng = np.random.default_rng(3)
    compared = {one.species.key: sizes.compared_with_before(demo_study, demo_survey, one, rng) for one in classes}
    return {
        "rates": catch.catch_rates(demo_study, demo_survey, classes),
        "by_sites": catch.rates_by_sites(demo_study, demo_survey, classes),
        "sites": catch.site_catch_rates(demo_study, demo_survey, classes),
        "sizes": sizes.size_structure(demo_study, demo_survey, classes),
        "tables": {o.species.key: sizes.frequencies(demo_study, demo_survey, o, [2024, 2025]) for o in classes},
        "compared": compared,
        "weighed": condition(demo_study, demo_survey, classes),
        "work": work_of.season_work(demo_study, demo_survey),
        "handling": work_of.handling_results(demo_study, demo_survey),
        "species": [one.species for one in classes],
    }


def _figures(made, context, sites):
    return [
        season_exhibits.effort_figure(made["work"], made["species"]),
        catch_exhibits.catch_history_figure(made["rates"], context),
        catch_exhibits.site_figure(made["sites"], context, sites),
        size_exhibits.frequency_figure(made["tables"], context),
        size_exhibits.size_history_figure(made["sizes"], context),
        condition_exhibits.length_weight_figure(made["weighed"], context),
        condition_exhibits.relative_weight_figure(made["weighed"], context),
        condition_exhibits.relative_weight_history(made["weighed"], context),
    ]


@pytest.mark.parametrize("units", ["metric", "us"])
def test_figures_are_svg_with_words_numbers_and_units(made, repository, demo_survey, units):
    context = report_context(read_study(repository / "demo_inputs", overrides={"report.units": units}))
    for figure in _figures(made, context, catch.site_order(demo_survey)):
        root = ET.fromstring(figure.svg)
        assert root.tag.endswith("svg")
        texts = " ".join(re.sub(r"<[^>]+>", " ", figure.svg).split())
        assert "Date" not in figure.svg[:400]
        assert re.search(r"\d", figure.alt), figure.label
        assert figure.table is not None and figure.table.rows, figure.label
        if "length" in figure.label and "history" not in figure.label:
            assert ("(in)" in texts) == (units == "us"), figure.label
        assert "nan" not in f"{figure.alt} {figure.caption}".casefold()


def test_the_outline_of_the_season_before_is_told_where_there_is_one(made, demo_context):
    alone = {key: table[table["season"] == 2025] for key, table in made["tables"].items()}
    captions = [size_exhibits.frequency_figure(tables, demo_context).caption for tables in (made["tables"], alone)]
    assert ["(outline)" in caption for caption in captions] == [True, False]


def test_the_same_drawing_is_the_same_bytes(made, demo_context):
    first, second = (catch_exhibits.catch_history_figure(made["rates"], demo_context) for _ in range(2))
    assert first.svg == second.svg


def test_season_table_shows_what_was_estimated(made, demo_context):
    table = catch_exhibits.season_table(made["rates"], demo_context, made["by_sites"])
    quality = next(row for row in table.rows if row[0] == "Brown trout" and row[1].startswith("Quality, 230 mm"))
    result = made["rates"].one(species="brown_trout", size_class="quality", season=2025)
    assert float(quality[2]) == pytest.approx(result.estimate.value, abs=0.5)
    assert len(table.rows) == len(table.data) == 18
    by_runs, by_sites = (
        of.one(species="brown_trout", size_class="stock", season=2025) for of in (made["rates"], made["by_sites"])
    )
    told = [f"{r.estimate.lower:.0f} to {r.estimate.upper:.0f}" for r in (by_sites, by_runs)]
    assert f"brown trout (stock, 150 mm and longer) {told[0]} instead of {told[1]} fish/h" in table.notes[-1]
    assert "for the sites fished" not in " ".join(catch_exhibits.season_table(made["rates"], demo_context, Results([])).notes)


def _with_change(rates: Results, factor: float, half: float) -> Results:
    """Catch rates of stock brown trout with this season at `factor` times the last, both with a half-width of `half`."""
    made = []
    for result in rates:
        if result.species == "brown_trout" and result.size_class == "stock" and result.season in (2024, 2025):
            value = 100.0 * (factor if result.season == 2025 else 1.0)
            estimate = Estimate(value, half / 2, value - half, value + half, 0.95, "fish/h", "made up", 24)
            result = dataclasses.replace(result, estimate=estimate)
        made.append(result)
    return Results(made)


@pytest.mark.parametrize(
    ("factor", "half", "direction", "word"),
    [
        (1.6, 8.0, "up", " rose "),
        (0.5, 8.0, "down", " fell "),
        (1.1, 60.0, "unclear", "cannot be told"),
        (1.0, 0.1, "steady", " steady "),
    ],
)
def test_sentences_follow_the_change(made, demo_context, factor, half, direction, word):
    found = catch_exhibits.findings(_with_change(made["rates"], factor, half), demo_context)
    about = [f for f in found.items if "brown trout of stock" in f.text and len(f.results) == 2]
    assert [f.direction for f in about] == [direction]
    assert word in about[0].text


def test_every_sentence_names_results_that_exist(made, demo_context):
    known = {r.id for r in (*made["rates"], *made["sizes"], *made["weighed"].results, *made["handling"])}
    said = [
        *catch_exhibits.findings(made["rates"], demo_context).items,
        *size_exhibits.findings(made["sizes"], made["compared"], demo_context).items,
        *condition_exhibits.findings(made["weighed"], demo_context).items,
        *season_exhibits.findings(made["work"], made["handling"], made["species"], demo_context.units).items,
    ]
    assert len({f.text for f in said}) == len(said) > 15
    for finding in said:
        assert finding.results, finding.text
        assert set(finding.results) <= known, finding.text


@pytest.mark.parametrize(
    ("value", "half", "word"), [(2.0, 1.0, "rises"), (-2.0, 1.0, "falls"), (0.5, 1.0, "cannot be told")]
)  # fmt: skip
def test_change_of_condition_with_length_is_worded_by_its_interval(made, demo_context, value, half, word):
    estimate = Estimate(value, half / 2, value - half, value + half, 0.95, "per 100 mm", "made up", 24)
    changed = Results(
        dataclasses.replace(r, estimate=estimate)
        if (r.quantity, r.species, r.season) == ("relative_weight_slope", "brown_trout", 2025)
        else r
        for r in made["weighed"].results
    )
    found = condition_exhibits.findings(dataclasses.replace(made["weighed"], results=changed), demo_context)
    (about,) = [f for f in found.items if f.results == ("relative_weight_slope/brown_trout/all/2025",)]
    assert word in about.text


def test_nothing_estimable_draws_nothing(demo_context):
    nothing = Results(
        Result("catch_rate", Estimate.not_estimable("no runs", units="fish/h"), 2025, "brown_trout", name)
        for name in ("stock", "quality")
    )
    assert catch_exhibits.catch_history_figure(nothing, demo_context) is None
    texts = [f.text for f in catch_exhibits.findings(nothing, demo_context).items]
    assert texts and all("could not be estimated: no runs" in text for text in texts)


def test_relative_weight_is_shown_up_to_the_open_class_at_the_top(made, demo_context):
    table = condition_exhibits.relative_weight_table(made["weighed"], demo_context)
    brown = [row for row in table.rows if row[0] == "Brown trout"]
    assert [row[1] for row in brown] == [
        "All lengths of the standard",
        "Stock to quality",
        "Quality to preferred",
        "Preferred to memorable",
        "Memorable to trophy",
        "Trophy and longer",
    ]
    own = made["weighed"].results.one(quantity="relative_weight", species="brown_trout", size_class="trophy", season=2025)
    assert float(brown[-1][2]) == pytest.approx(own.estimate.value, abs=0.06) and brown[-1][4] == str(own.estimate.n)
    assert len(table.rows) == len(table.data) == 18


def test_notes_name_species_and_class(made, demo_context):
    notes = catch_exhibits.season_table(made["rates"], demo_context, made["by_sites"]).notes
    assert any(re.match(r"Brown trout \(every row but all lengths\): \d+ brown trout were not measured", note) for note in notes)
    assert "Runs of second and later passes are left out." in notes
    (empty,) = [note for note in notes if "nothing caught" in note]
    assert empty.startswith("Rainbow trout (preferred, 500 mm and longer; ")


def test_captions_tell_of_first_passes_only_where_others_are_left_out(made, demo_context):
    def captions(rates, sites):
        figures = (
            catch_exhibits.catch_history_figure(rates, demo_context),
            catch_exhibits.site_figure(sites, demo_context, ["S01"]),
        )
        return [figure.caption for figure in figures] + [catch_exhibits.history_table(rates, demo_context).caption]

    assert all(caption.endswith(FIRST_PASS) for caption in captions(made["rates"], made["sites"]))
    single = [Results([r for r in made[what] if r.season not in (2018, 2021, 2025)]) for what in ("rates", "sites")]
    assert not any(FIRST_PASS in caption for caption in captions(*single))


def test_words_for_counts_and_lists():
    assert counted(1, "run") == "1 run"
    assert counted(2, "run") == "2 runs"
    assert counted(1, "fish") == "1 fish"
    assert counted(1200, "fish") == "1,200 fish"
    assert joined([]) == ""
    assert joined(["a"]) == "a"
    assert joined(["a", "b"]) == "a and b"
    assert joined(["a", "b", "c"]) == "a, b and c"
