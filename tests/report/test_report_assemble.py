"""One document from chapters as run, made here by hand."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from nbformat import NotebookNode

from fishreport.analysis.result import Result
from fishreport.exceptions import ReportError
from fishreport.exhibits.exhibit import Column, Figure, Finding, Findings, ResultsExhibit, Scorecard, ScorecardRow, Table
from fishreport.methods.estimate import Estimate
from fishreport.report.assemble import Document, assemble
from fishreport.report.build import results_bytes
from fishreport.report.html import render_html, verdict_kind
from fishreport.report.notebook import clean_notebook, code_cell_number, uses_parameters, with_parameters
from fishreport.report.pdf import render_pdf
from fishreport.report.plan import PlannedChapter
from fishreport.report.run import ExecutedChapter, collect
from fishreport.study import Study, read_study

SVG = '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 4 3"><rect id="r" width="4" height="3"/></svg>'


@pytest.fixture
def plain(study: Path) -> Study:
    return read_study(study)


def node(value: Any) -> Any:
    if isinstance(value, dict):
        return NotebookNode({key: node(item) for key, item in value.items()})
    return [node(item) for item in value] if isinstance(value, list) else value


def chapter(name: str, number: int, *shown: Any) -> ExecutedChapter:
    """A chapter as run, whose cells show the given exhibits; text is a Markdown cell, a dict a raw bundle."""
    cells = []
    for item in shown:
        if isinstance(item, str):
            cells.append({"cell_type": "markdown", "metadata": {}, "source": item})
            continue
        bundle = item if isinstance(item, dict) else json.loads(json.dumps(item._repr_mimebundle_()))
        output = {"output_type": "display_data", "metadata": {}, "data": bundle}
        cells.append({"cell_type": "code", "metadata": {}, "source": "show()", "execution_count": 1, "outputs": [output]})
    notebook = node({"nbformat": 4, "nbformat_minor": 5, "metadata": {}, "cells": cells})
    return ExecutedChapter(PlannedChapter(name, number, Path(f"{name}.ipynb")), notebook, "", False, 0.0)


def table(label: str) -> Table:
    return Table(label, f"Caption of {label}.", (Column("Site", align="left"), Column("Catch", "fish")), (("Weir", "3"),))


def figure(label: str) -> Figure:
    return Figure(label, f"Caption of {label}.", "A square, for the test.", SVG, table(label))


def result(value: float = 1.0, season: int = 2025) -> Result:
    return Result("catch_rate", Estimate(value, 1.0, 0.0, 2.0, 0.95, "fish/h", "count", 3), season=season)


def test_numbers_titles_and_order(plain: Study) -> None:
    parts = [
        chapter("one", 1, "# First\n\nText", table("a"), figure("a"), table("b")),
        chapter("two", 2, "No heading", figure("a")),
        chapter("front", 0, "# Front", Scorecard("Objectives.", (ScorecardRow("a", "b", "c", "d", "e", "met"),))),
    ]
    document = assemble(plain, parts)
    assert [(section.number, section.title) for section in document.sections] == [("S", "Front"), ("1", "First"), ("2", "Two")]
    assert {key: text for key, (_, text) in document.references.items()} == {
        ("table", "front", "scorecard"): "Table S.1",
        ("table", "one", "a"): "Table 1.1",
        ("figure", "one", "a"): "Figure 1.1",
        ("table", "one", "b"): "Table 1.2",
        ("figure", "two", "a"): "Figure 2.1",
        ("chapter", "one", "one"): "chapter 1",
        ("chapter", "two", "two"): "chapter 2",
    }
    assert document.resolve("front", "chapter", "two") == ("chapter-two", "chapter 2")
    assert document.plain("See {chapter:one}.", "two") == "See chapter 1."
    with pytest.raises(ReportError, match="there is no chapter 'three'; there are one, two"):
        document.resolve("front", "chapter", "three")
    document.whole = False
    assert document.resolve("front", "chapter", "three") == ("", "a chapter that this report leaves out")
    assert document.sections[1].code == ("show()",) * 3


def test_parts_whose_code_shows_nothing_have_no_heading(plain: Study) -> None:
    unseen, none = ResultsExhibit((result(),)), Findings(())
    parts = (
        *("# First\n\nText", "## Empty\n\nWhat it would have been.", unseen, none),
        *("## Above", none, "### Below", table("a")),
        *("## Empty as well", none, "### Empty below", none),
        *("## Words alone", "## Words and code", "Mind the current.", none),
    )
    document = assemble(plain, [chapter("one", 1, *parts)])
    words = " ".join(cell.source for cell in document.notebook.cells if cell.cell_type == "markdown")
    assert [word for word in ("Above", "Below", "Words alone", "Words and code") if word not in words] == []
    assert "Empty" not in words and "would have been" not in words
    assert [record["id"] for record in document.results] == [result().id]


def test_references(plain: Study) -> None:
    document = assemble(plain, [chapter("one", 1, figure("a"), figure("b")), chapter("two", 2, figure("a")), chapter("three", 3)])
    assert document.resolve("one", "figure", "a")[1] == "Figure 1.1"  # its own first
    assert document.resolve("two", "figure", "a")[1] == "Figure 2.1"
    assert document.resolve("two", "figure", "b")[1] == "Figure 1.2"
    assert document.resolve("three", "figure", "two/a")[1] == "Figure 2.1"
    with pytest.raises(ReportError, match=r"is in 2 chapters; write \{figure:CHAPTER/a\}"):
        document.resolve("three", "figure", "a")
    with pytest.raises(ReportError, match="there is no table 'c'"):
        document.resolve("one", "table", "c")
    assert document.plain("See {figure:b}, {x}.", "two") == "See Figure 1.2, {x}."


def test_a_part_of_a_report_says_what_it_leaves_out(plain: Study) -> None:
    parts = [chapter("one", 1, "# One\n\nSee {figure:elsewhere}.")]
    document = assemble(plain, parts, whole=False)
    assert b"See a figure that this report leaves out." in render_html(document)
    assert render_pdf(document).startswith(b"%PDF")
    with pytest.raises(ReportError, match="there is no figure 'elsewhere'"):
        render_html(assemble(plain, parts))


def test_one_label_twice(plain: Study) -> None:
    with pytest.raises(ReportError, match="chapter one: two tables are labelled 'a'"):
        assemble(plain, [chapter("one", 1, table("a"), table("a"))])


def test_one_result_twice_is_an_error(plain: Study) -> None:
    parts = [chapter("one", 1, ResultsExhibit((result(),))), chapter("two", 2, ResultsExhibit((result(2.0),)))]
    with pytest.raises(ReportError, match=r"'catch_rate/2025' is recorded twice: by chapter one and by two"):
        assemble(plain, parts)


def test_a_picture_without_words_is_an_error(plain: Study) -> None:
    with pytest.raises(ReportError, match="chapter one: a picture is shown without a caption and a text alternative"):
        assemble(plain, [chapter("one", 1, {"image/png": "x", "text/plain": "<Figure>"})])


def test_results_that_are_no_numbers_are_null(plain: Study) -> None:
    missing = Result("catch_rate", Estimate.not_estimable("no runs", units="fish/h"), season=2025)
    content = json.loads(results_bytes(assemble(plain, [chapter("one", 1, ResultsExhibit((missing,)))])))
    (record,) = content["results"]
    assert (record["value"], record["estimable"], record["notes"]) == (None, False, ["not estimable: no runs"])


def test_hostile_text_stays_text(plain: Study) -> None:
    nasty = '<script>alert(1)</script> #panic("x") {{ 7 * 7 }} \\ $x$ ]'
    shown = Table("t", nasty, (Column(nasty), Column(nasty, nasty)), ((nasty, nasty),), (nasty,))
    finding = Findings((Finding(nasty, ("a",)),))
    row = ScorecardRow(*([nasty] * 6))
    document = assemble(plain, [chapter("one", 1, shown, finding, Scorecard(nasty, (row,)), {"text/plain": nasty})])
    page = render_html(document).decode()
    assert "<script" not in page
    assert "{{ 7 * 7 }}" in page
    assert render_pdf(document).startswith(b"%PDF")


def test_rendering_twice_gives_the_same_bytes(plain: Study) -> None:
    def documents() -> Document:
        return assemble(plain, [chapter("one", 1, "# One", table("a"), figure("a"))])

    assert render_html(documents()) == render_html(documents())
    assert render_pdf(documents()) == render_pdf(documents())


def test_findings_travel_with_their_chapter(plain: Study) -> None:
    finding = Finding("It fell.", ("catch_rate/2025",), "down", True)
    collected = json.loads(collect([chapter("one", 1, Findings((finding,)), ResultsExhibit((result(),)))]))
    (found,) = collected["findings"]
    assert (found["chapter"], found["text"], found["direction"], found["key"]) == ("one", "It fell.", "down", True)
    assert [record["id"] for record in collected["results"]] == ["catch_rate/2025"]


@pytest.mark.parametrize(
    ("verdict", "kind"),
    [("Met", "met"), ("not met", "missed"), ("Not yet known", "unclear"), ("not estimable: 3 aged fish", "unknown")],
)
def test_verdicts_are_marked(verdict: str, kind: str) -> None:
    assert verdict_kind(verdict) == kind


def test_cleaning_takes_out_what_differs_between_runs() -> None:
    injected = {
        "cell_type": "code",
        "id": "random",
        "metadata": {"tags": ["injected-parameters"], "papermill": {"duration": 1}, "execution": {"t": 1}},
        "source": '# Parameters\nstudy = "/home/a/study.toml"\nseason = 2025\nresults = "/tmp/x"',
        "execution_count": 2,
        "outputs": [{"output_type": "stream", "name": "stdout", "text": "x"}],
    }
    other = {"cell_type": "code", "id": "r2", "metadata": {}, "source": "1", "execution_count": 3, "outputs": []}
    cleaned = clean_notebook(node({"cells": [injected, other], "metadata": {"papermill": {"start": 1}}}))
    published = with_parameters(cleaned, 2025, {"parameters.level": 0.9})
    shown = '# Parameters\nstudy = "../.."\nseason = 2025\nsettings = {\'parameters.level\': 0.9}\nresults = ""'
    assert published.cells[0].source == shown
    assert cleaned.cells[0].source != shown
    assert [cell.id for cell in cleaned.cells] == ["cell-1", "cell-2"]
    assert "papermill" not in json.dumps(cleaned)
    assert code_cell_number(cleaned, 1) == 1  # papermill's own cell does not count


@pytest.mark.parametrize(
    ("source", "uses"),
    [
        ('chapter = open_chapter("x", study=study, season=season, settings=settings, results=results)', False),
        ("x = chapter.season", False),
        ("if settings: pass", True),
        ('chapter = open_chapter("x", study=study + "y")', True),
        ("print(season)", True),
        ("%run other.py", True),
    ],
)
def test_parameters_used_directly_count_as_read(source: str, uses: bool) -> None:
    cell = {"cell_type": "code", "metadata": {}, "source": source}
    given = {"cell_type": "code", "metadata": {"tags": ["parameters"]}, "source": "season = 0"}
    assert uses_parameters(node({"cells": [given, cell]})) is uses
