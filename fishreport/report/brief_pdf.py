"""The brief as a tagged PDF of exactly two pages, set by Typst: as much as fits, and a line wherever something is left out."""

from __future__ import annotations

import datetime
import json
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

from fishreport.exceptions import ReportError
from fishreport.report.brief import Amounts, Sheet, environment
from fishreport.report.pdf import Workspace
from fishreport.report.prose_writers import write_typst
from fishreport.report.svg import proportions
from fishreport.report.temporary import private_prefix
from fishreport.report.typst_text import FONT, MONO, font_folder, literal

PAGES = 2


def _second_page(amounts: Amounts, sheet: Sheet) -> Iterator[Amounts]:
    """Amounts of the second page, each a little less than the last: reasons go first, verdicts and advice last.

    Long texts give way before a rule does; today's rule, the best and the worst of every fish stay until little else is left.
    """
    yield amounts
    if sheet.coming.has_leads:
        amounts = replace(amounts, reasons=False)
        yield amounts
    needed = sheet.brief.rules.needed if sheet.brief.rules else 0
    floors = ({"meaning": 2}, {"rows": 8}, {"coming": 5}, {"rules": needed}, {"meaning": 1}, {"rows": 5}, {"coming": 1},
              {"meaning": 0}, {"rows": 3}, {"rules": 1}, {"rows": 1}, {"rules": 0}, {"coming": 0}, {"rows": 0})  # fmt: skip
    for floor in floors:
        ((name, least),) = floor.items()
        while getattr(amounts, name) > least:
            amounts = replace(amounts, **{name: getattr(amounts, name) - 1})
            yield amounts


class _Setter:
    """One brief in a folder of its own: written, measured and set."""

    def __init__(self, sheet: Sheet, folder: Path) -> None:
        import typst

        self.sheet, self.folder, self.workspace = sheet, folder, Workspace(folder)
        self.main = folder / "brief.typ"
        self.templates = environment(escape=False)
        self.templates.filters |= {
            "literal": literal,
            "prose": lambda text: write_typst(text.tokens(), sheet.place(text), self.workspace.add_file),
            "drawing": lambda panel, anchor: literal(self.workspace.add_drawing({"svg": panel.svg, "anchor": anchor})),
            "height": lambda picture: max(proportions(panel.svg) for panel in picture.panels),
        }
        self.main.write_text(" ", encoding="utf-8")
        self.compiler = typst.Compiler(
            str(self.main), root=str(folder), font_paths=[str(font_folder())], ignore_system_fonts=True
        )

    def write(self, amounts: Amounts) -> None:
        """The source with so much in it."""
        shown = self.sheet.shown(amounts)
        page = self.templates.get_template("brief.typ.j2").render(**shown, font=FONT, mono=MONO)
        self.main.write_text(page, encoding="utf-8")

    def ends(self, amounts: Amounts) -> tuple[int, int]:
        """The pages on which the first and the second part end."""
        self.write(amounts)
        first, second = json.loads(self._asked(lambda: self.compiler.query("<end>", field="value")))
        return int(first), int(second)

    def pdf(self, moment: datetime.datetime) -> bytes:
        """The pages."""
        pdf, _warnings = self._asked(
            lambda: self.compiler.compile_with_warnings(format="pdf", pdf_standards=["ua-1"], timestamp=moment)
        )
        assert isinstance(pdf, bytes)
        return pdf

    def _asked(self, ask: Callable[[], Any]) -> Any:
        import typst

        try:
            return ask()
        except typst.TypstError as error:
            hints = f" ({'; '.join(error.hints)})" if error.hints else ""
            raise ReportError(f"the brief could not be set: {error.message}{hints}\n{error.diagnostic}") from None


def _fitted(setter: _Setter) -> Amounts:
    amounts = setter.sheet.whole()
    while setter.ends(amounts)[0] > 1:
        if amounts.told == 0:
            raise ReportError("the brief does not fit into two pages; shorten the title of the report or the name of the water")
        amounts = replace(amounts, told=amounts.told - 1)
    whole = amounts
    for tried in _second_page(whole, setter.sheet):
        if setter.ends(tried)[1] == PAGES:
            return tried if tried == whole else _filled(setter, tried, whole)
    raise ReportError("the brief does not fit into two pages, even without the author's text")


def _filled(setter: _Setter, fitting: Amounts, whole: Amounts) -> Amounts:
    """What went for the sake of a long part that had to go in the end comes back, as far as there is room."""
    for name in ("rows", "coming", "meaning", "rules"):
        while getattr(fitting, name) < getattr(whole, name):
            tried = replace(fitting, **{name: getattr(fitting, name) + 1})
            if setter.ends(tried)[1] > PAGES:
                break
            fitting = tried
    tried = replace(fitting, reasons=whole.reasons)
    return tried if tried != fitting and setter.ends(tried)[1] == PAGES else fitting


def write_brief_pdf(sheet: Sheet) -> bytes:
    """The PDF; its date is the last day of the season, so that the same inputs give the same bytes.

    Raises
    ------
    ReportError
        If Typst refuses it (it checks PDF/UA-1), or two pages cannot hold it.
    """
    moment = datetime.datetime(sheet.document.season, 12, 31, tzinfo=datetime.UTC)
    with tempfile.TemporaryDirectory(prefix=private_prefix()) as name:
        setter = _Setter(sheet, Path(name).resolve())
        setter.write(_fitted(setter))
        return setter.pdf(moment)
