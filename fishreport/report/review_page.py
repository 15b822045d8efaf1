"""A review as one HTML page that needs nothing else."""

from __future__ import annotations

import itertools
from html import escape
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from fishreport.report.assemble import anchor_name
from fishreport.report.compare_exhibits import FigureChange, marked_words
from fishreport.report.html import verdict_kind
from fishreport.report.prose import seen
from fishreport.report.review import Review
from fishreport.report.review_words import say_moves, summary
from fishreport.report.svg import inline_svg
from fishreport.resources import locate

# Rows of one table of the page; all of them are in the CSV files beside it.
MOST = 400
_TAGS = {"same": "{}", "out": "<del>{}</del>", "in": "<ins>{}</ins>"}


def marked(before: str, after: str) -> str:
    """A text with what was taken out and put in marked, as HTML."""
    return " ".join(_TAGS[kind].format(escape(words)) for kind, words in marked_words(before, after))


def _drawing(figure: FigureChange, side: str) -> str:
    data: Any = figure.before if side == "before" else figure.after
    return inline_svg(data["svg"], anchor_name("figure", side, figure.chapter, figure.label), data["alt"])


def render_review(review: Review, links: tuple[str, str] = ("", "")) -> bytes:
    """The page.

    Parameters
    ----------
    review : Review
    links : (str, str)
        Addresses of the earlier and the later report, relative to the page; empty where they are elsewhere.
    """
    templates = locate("templates")
    environment = Environment(
        loader=FileSystemLoader([str(templates / "review"), str(templates / "html")]),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.filters["verdict_kind"] = verdict_kind
    said = say_moves(review)
    first = [item for item in said if item.move.beyond or item.move.kind in ("now estimable", "no longer estimable")]
    value = [item for item in said if item.move.kind == "value" and item not in first]
    others = [item for item in said if item not in first and item.move.kind != "value"]
    titles = {**review.before.titles, **review.after.titles}
    page = environment.get_template("review.html.j2").render(
        review=review,
        summary=summary(review),
        first=first,
        value=value,
        others=others,
        most=MOST,
        links=links,
        titles=titles,
        texts=[(chapter, list(items)) for chapter, items in itertools.groupby(review.texts, key=lambda change: change.chapter)],
        marked=marked,
        drawing=_drawing,
        anchor=anchor_name,
    )
    return seen(page).encode()
