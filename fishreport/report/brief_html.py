"""The brief as one HTML file that needs nothing else."""

from __future__ import annotations

from markupsafe import Markup

from fishreport.exhibits.brief_pictures import Panel
from fishreport.report.brief import Sheet, Text, environment
from fishreport.report.prose_writers import write_html
from fishreport.report.svg import inline_svg

# Set in the same build and laid beside the brief.
REPORT = "report.html"


def write_brief_html(sheet: Sheet) -> bytes:
    """The page; all of the author's words and all aims are in it."""

    def prose(text: Text) -> Markup:
        return Markup(write_html(text.tokens(), sheet.place(text, REPORT)))  # the writer escapes every text

    def drawing(panel: Panel, anchor: str) -> Markup:
        return Markup(inline_svg(panel.svg, anchor, panel.alt))

    templates = environment(escape=True)
    templates.filters |= {"prose": prose, "drawing": drawing}
    return templates.get_template("brief.html.j2").render(**sheet.shown(sheet.whole()), report=REPORT).encode()
