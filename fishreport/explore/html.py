"""Views and repeats as HTML: the drawing with its text alternative, tables with captions and scoped headers."""

from __future__ import annotations

import itertools
from html import escape

from fishreport.exhibits.exhibit import Figure, Table
from fishreport.explore.repeats import Repeats
from fishreport.explore.view import View
from fishreport.report.svg import inline_svg

_NUMBER = itertools.count(1)
_CELL = "padding:0.3em 0.8em;border-bottom:1px solid #d5dce0"
_STYLES = {"left": "left", "right": "right", "center": "center"}


def table_html(table: Table) -> str:
    """The table with its caption and notes."""
    head = "".join(
        f'<th scope="col" style="{_CELL};text-align:{_STYLES[column.align]}">{escape(column.heading) or "Outcome"}</th>'
        for column in table.columns
    )
    rows = []
    for row in table.rows:
        cells = [f'<th scope="row" style="{_CELL};text-align:left">{escape(row[0])}</th>']
        cells += [
            f'<td style="{_CELL};text-align:{_STYLES[column.align]}">{escape(cell)}</td>'
            for column, cell in zip(table.columns[1:], row[1:], strict=True)
        ]
        rows.append(f"<tr>{''.join(cells)}</tr>")
    notes = "".join(f"<li>{escape(note)}</li>" for note in table.notes)
    above = "text-align:left;caption-side:top;line-height:1.4;padding-bottom:0.4em"
    caption = f'<caption style="{above}">{escape(table.caption)}</caption>'
    inside = f"{caption}<thead><tr>{head}</tr></thead><tbody>{''.join(rows)}</tbody>"
    return (
        f'<div class="scroll" tabindex="0" role="group" aria-label="{escape(table.caption)}" style="overflow-x:auto">'
        f'<table style="border-collapse:collapse;line-height:1.4">{inside}</table></div>'
        + (f'<ul class="notes">{notes}</ul>' if notes else "")
    )


def figure_html(figure: Figure) -> str:
    """The drawing, named by its text alternative, with its caption; ids are new each time."""
    anchor = f"{figure.label}-{next(_NUMBER)}"
    drawing = inline_svg(figure.svg, anchor, figure.alt)
    return (
        f'<figure class="exhibit" style="margin:0.5em 0;max-width:44em">'
        f'<div class="drawing" tabindex="0" role="group" aria-label="Drawing, scrolls sideways where it is wide">{drawing}</div>'
        f'<figcaption style="line-height:1.4">{escape(figure.caption)}</figcaption></figure>'
    )


def sentence_html(text: str) -> str:
    """What came out, as a status that a screen reader speaks."""
    return f'<p role="status" style="max-width:44em;margin:0.4em 0"><strong>{escape(text)}</strong></p>'


def view_html(view: View) -> str:
    """Sentence, drawing and table."""
    return sentence_html(view.sentence) + figure_html(view.figure) + table_html(view.table)


def repeats_html(repeats: Repeats) -> str:
    """Sentence, drawing and table."""
    figure = repeats.figure
    assert figure.table is not None
    return sentence_html(repeats.sentence) + figure_html(figure) + table_html(figure.table)
