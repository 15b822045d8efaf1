"""Whole documents in process: hostile names in exhibits, results and study; hostile outputs of a study's own chapter."""

from __future__ import annotations

import io
import json
import random
import re
from pathlib import Path
from typing import Any

from ground import Case, Escape, Surface, Wrong
from material import WORD, any_text, printable_text
from nbformat import NotebookNode
from page_reader import check_csv, check_drawing, check_names, check_page, squeezed
from study_files import FILE, toml_text

from fishreport.analysis.result import Result
from fishreport.exhibits.exhibit import (
    FIGURE_TYPE,
    Column,
    Control,
    Explorer,
    Figure,
    Finding,
    Findings,
    ResultsExhibit,
    Scorecard,
    ScorecardRow,
    Table,
)
from fishreport.exhibits.style import drawing, style, to_svg
from fishreport.methods.estimate import Estimate
from fishreport.report.assemble import Document, assemble
from fishreport.report.build import results_bytes
from fishreport.report.chapter import AUTHOR_TYPE
from fishreport.report.html import render_html
from fishreport.report.notebook import clean_notebook, notebook_bytes, with_parameters
from fishreport.report.pdf import render_pdf
from fishreport.report.plan import PlannedChapter
from fishreport.report.results_workbook import results_workbook
from fishreport.report.run import ExecutedChapter
from fishreport.report.tables import table_csv
from fishreport.study import Study, read_study

SVG = '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 4 3"><rect id="r" width="4" height="3"/></svg>'


def node(value: Any) -> Any:
    """JSON data as a notebook holds them."""
    if isinstance(value, dict):
        return NotebookNode({key: node(item) for key, item in value.items()})
    return [node(item) for item in value] if isinstance(value, list) else value


def named_study(case: Case, text: str) -> Study:
    """A study whose names are that text."""
    names = ("Alder Tailwater", "tailwater", "Upper Basin", "Survey", "A. Reporter", "upper", "new turbine", "today")
    written = FILE
    for name in names:
        if case.chance.random() < 0.7:
            written = written.replace(f'"{name}"', toml_text(text), 1)
    if case.chance.random() < 0.2:
        written = written.replace(
            "[report]", f"[report]\nlanguage = {toml_text(case.chance.choice((text, 'en-GB', 'de', 'x', 'zz-Latn-AQ', '')))}"
        )
    (case.study / "study.toml").write_text(written, encoding="utf-8")
    return read_study(case.study)


def drawn(texts: list[str]) -> str:
    """A drawing with these texts wherever a chapter puts names."""
    with style():
        figure, axes = drawing()
        ax = axes[0, 0]
        for place, text in enumerate(texts):
            ax.plot([0, 1], [place, 1], label=text)
        ax.set_title(texts[0])
        ax.set_xlabel(texts[0])
        ax.set_xticks([0, 1], [texts[0], texts[-1]])
        ax.annotate(texts[-1], (0.5, 0.5))
        ax.legend()
        return to_svg(figure)


def exhibits(chance: random.Random, text: str, *, draw: bool) -> list[Any]:
    """One of each kind of exhibit, full of the text."""
    other = any_text(chance)
    caption = f"{text} {other}" if len(text) < 400 else text
    table = Table(
        chance.choice(("one", text, "con", "a" * 300, "../up", "A", "é")),
        caption,
        (Column(text, text, "left"), Column(other)),
        ((text, other), (other, "1.5")),
        (text,),
    )
    again = Table(
        "two",
        caption,
        (Column("Site", align="left"), Column("Value")),
        ((text, "3"),),
        data=({text: other, "value": 1.5}, {"value": text}),
    )
    svg = drawn([text[:200], other[:200]]) if draw else SVG
    figure = Figure("drawing", f"Caption {caption}", f"A drawing of {caption}", svg, again)
    explorer = Explorer(
        again,
        text,
        (Control(text, (text, other)), Control("b", ("x", text))),
        (text,),
        ((text, other, "1"),) * 4,
        ((0.0, 50.0, 100.0),) * 4,
        (text, other, "c"),
    )
    estimate = Estimate(1.0, 0.1, 0.8, 1.2, 0.95, text, text, 5, (text, other))
    results = [
        Result("catch_rate", estimate, 2025, "brown_trout", "all", text, None, other),
        Result(
            "catch_rate", Estimate(float("nan"), float("inf"), -float("inf"), 2.0, 0.95, "", other, 0), 2025, site=f"{other}/"
        ),
    ]
    findings = Findings((Finding(text, ("a",), chance.choice(("up", "down", "none", "unclear")), True), Finding(other, ("b",))))
    card = Scorecard(
        caption, (ScorecardRow(text, other, text, other, text, chance.choice(("met", "not met", text)), other, text),), (other,)
    )
    shown: list[Any] = [
        table,
        figure,
        explorer if len({text, other}) == 2 else again,
        findings,
        card,
        ResultsExhibit(tuple(results)),
    ]
    shown[2] = (
        again
        if not isinstance(shown[2], Explorer)
        else Explorer(
            Table("three", caption, again.columns, again.rows),
            *(getattr(explorer, name) for name in ("introduction", "controls", "outcomes", "cells", "bars", "headings")),
        )
    )
    return shown


def chapter(name: str, number: int, outputs: list[dict[str, Any]], markdown: str = "", source: str = "show()") -> ExecutedChapter:
    """A chapter as run that shows these MIME bundles."""
    cells: list[dict[str, Any]] = [{"cell_type": "markdown", "metadata": {}, "source": markdown}] if markdown else []
    shown = [{"output_type": "display_data", "metadata": {}, "data": bundle} for bundle in outputs]
    cells.append({"cell_type": "code", "metadata": {}, "source": source, "execution_count": 1, "outputs": shown})
    notebook = node({"nbformat": 4, "nbformat_minor": 5, "metadata": {}, "cells": cells})
    return ExecutedChapter(PlannedChapter(name, number, Path(f"{name}.ipynb")), notebook, "", False, 0.0)


def bundles(shown: list[Any]) -> list[dict[str, Any]]:
    """Exhibits as they travel: as JSON."""
    return [json.loads(json.dumps(item._repr_mimebundle_())) for item in shown]


_SVG = re.compile(r"<svg\b.*?</svg>", re.DOTALL)


def check_document(case: Case, document: Document, *, pdf: bool) -> str:
    """Everything that is written of a document, looked at; the text of its page."""
    page = render_html(document).decode()
    shown = check_page(page, scripts="explorer-data" in page)
    for svg in _SVG.findall(page):
        check_drawing(svg)
    content = json.loads(results_bytes(document))
    if len(content["results"]) != len(document.results) or len({record["id"] for record in content["results"]}) != len(
        content["results"]
    ):
        raise Wrong("results were lost or share an id")
    out = case.folder / "out"
    (out / "tables").mkdir(parents=True)
    for name, data in document.tables:
        content_csv = table_csv(data)
        check_csv(content_csv)
        (out / "tables" / name).write_bytes(content_csv)
    if len(list((out / "tables").iterdir())) != len(document.tables):
        raise Wrong("two tables were written to one file")
    check_names(out)
    check_book(results_workbook(document.results, {"Water": document.water}, year=2025), len(document.results))
    if pdf:
        content_pdf = render_pdf(document)
        if not content_pdf.startswith(b"%PDF"):
            raise Wrong("no PDF came out")
    return squeezed(shown)


def check_book(content: bytes, results: int) -> None:
    """The workbook of results opens, holds every result, and no cell is a formula made of hostile text."""
    import openpyxl

    book = openpyxl.load_workbook(io.BytesIO(content))
    for sheet in book:
        for row in sheet.iter_rows():
            for cell in row:
                if cell.data_type == "f" and WORD in str(cell.value):
                    raise Escape(f"the workbook holds the formula {cell.value!r}")
    if results and max(sheet.max_row for sheet in book) <= results:
        raise Wrong("results were lost from the workbook")


def exhibit_names(case: Case) -> str:
    """Hostile text in every field of every exhibit, in results and in the names of the study."""
    chance = case.chance
    text = any_text(chance)
    study = named_study(case, text)
    parts = [
        chapter("one", 1, bundles(exhibits(chance, text, draw=chance.random() < 0.3)), "# One", source=text),
        chapter("front", 0, []),
    ]
    document = assemble(study, parts)
    shown = check_document(case, document, pdf=chance.random() < 0.25)
    if squeezed(text) and "{" not in text and "`" not in text and squeezed(text) not in shown:
        raise Wrong(f"a name is not on the page as it was written: {text!r}")
    check_notebook(parts[0], text)
    return "taken"


def check_notebook(done: ExecutedChapter, text: str) -> None:
    """The published notebook is a notebook, and its parameters say what was set."""
    settings = {"report.title": text, "parameters.level": 0.9}
    published = json.loads(notebook_bytes(with_parameters(clean_notebook(done.notebook), 2025, settings)))
    if published["nbformat"] != 4:
        raise Wrong("the notebook is damaged")


def _bundle(chance: random.Random) -> dict[str, Any]:
    """A MIME bundle that a chapter of the study's own could show."""
    text = any_text(chance)
    if chance.random() < 0.35:
        kind = chance.choice(
            (
                "text/html",
                "text/plain",
                "text/markdown",
                "application/javascript",
                "image/svg+xml",
                "image/png",
                "text/latex",
                "application/json",
                "application/vnd.jupyter.widget-view+json",
                WORD,
            )
        )
        return {kind: chance.choice((text, [text, text], {"a": text}, 5, None, f"<script>{WORD}()</script>"))}
    shown = bundles(exhibits(chance, printable_text(chance), draw=False))
    bundle = chance.choice(shown)
    kind = next(iter(bundle))
    bundle[kind] = _spoil(chance, bundle[kind])
    if kind == FIGURE_TYPE and isinstance(bundle[kind], dict) and chance.random() < 0.5:
        bundle[kind]["svg"] = chance.choice(
            (
                f'<svg viewBox="0 0 1 1" onload="{WORD}()"/>',
                f"<svg viewBox='0 0 1 1'><a xlink:href='javascript:{WORD}()'><text>x</text></a></svg>",
                f'<svg viewBox="0 0 1 1"><foreignObject><{WORD}/></foreignObject></svg>',
                f"<svg viewBox='0 0 1 1'><style>@import 'http://127.0.0.1/{WORD}'</style></svg>",
                "<svg viewBox='0 0 1 1'><image href='file:///etc/passwd'/></svg>",
                f"<svg viewBox='0 0 1 1'><image href=\"http://127.0.0.1/{WORD}\"/></svg>",
                f"<svg viewBox='0 0 1 1'><text>{WORD}</svg>",
                f"<svg viewBox='0 0 1 1'></svg><script>{WORD}()</script>",
                f"<svg viewBox='0 0 1 1'><set attributeName='href' to='javascript:{WORD}()'/><animate/></svg>",
                f"<!DOCTYPE svg [<!ENTITY {WORD} SYSTEM 'file:///etc/passwd'>]><svg>&{WORD};</svg>",
                f"<svg\nonload={WORD}()>",
                f"<svg viewBox='0 0 1 1'><use href='http://127.0.0.1/{WORD}#a'/></svg>",
                "<svg viewBox='0 0 1 1'><iframe src='x'/><math><mi>x</mi></math></svg>",
                "<svg>", "", "x" * 9, SVG,
            )
        )  # fmt: skip
    if chance.random() < 0.1:
        bundle[AUTHOR_TYPE] = {
            "name": chance.choice(("a.md", "../../x.md", "/etc/passwd", text)),
            "text": chance.choice((text, "![a picture](../elsewhere/secret.png)", 5)),
        }
        bundle = {AUTHOR_TYPE: bundle[AUTHOR_TYPE]}
    return bundle


def _spoil(chance: random.Random, data: Any, depth: int = 0) -> Any:
    """JSON data with one part left out, of another type or hostile."""
    if chance.random() < 0.15 or depth > 4 or not data:
        return chance.choice((None, 5, -1.5, "text", any_text(chance), [], {}, [[]], True, 10**30, data))
    if isinstance(data, dict):
        key = chance.choice(sorted(data))
        spoilt = dict(data)
        if chance.random() < 0.2:
            del spoilt[key]
        else:
            spoilt[key] = _spoil(chance, data[key], depth + 1)
        return spoilt
    if isinstance(data, list):
        place = chance.randrange(len(data))
        return [*data[:place], _spoil(chance, data[place], depth + 1), *data[place + 1 :]]
    return chance.choice((None, 5, any_text(chance), [], {}))


def own_outputs(case: Case) -> str:
    """A chapter of the study's own that shows malformed or malicious outputs."""
    chance = case.chance
    study = named_study(case, "Alder Tailwater")
    outputs = [_bundle(chance) for _ in range(chance.randint(1, 2))]
    parts = [chapter("own", 1, outputs, chance.choice(("", "# Own", f"# {printable_text(chance)}")), any_text(chance))]
    document = assemble(study, parts)
    check_document(case, document, pdf=chance.random() < 0.3)
    return "taken"


SURFACES = (
    Surface("names in a document", exhibit_names, share=5, fixed=12, seconds=40),
    Surface("outputs of own chapter", own_outputs, share=5, fixed=14, seconds=40),
)
