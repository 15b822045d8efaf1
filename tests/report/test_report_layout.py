"""How exhibits stand on paper: with what announces them, in order, in their section, and tables over several pages."""

from __future__ import annotations

import io
import re
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pypdf
import pytest
from nbformat import NotebookNode

from fishreport.exhibits.exhibit import FIGURE_TYPE, TABLE_TYPE
from fishreport.report.assemble import Document, Section
from fishreport.report.drawings import SIZES, Choice, Chosen, choose, choose_drawings, empty
from fishreport.report.pdf import Pairing, announces, render_pdf
from fishreport.report.prose import read_prose

SVG = '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 468 {height}"><rect width="468" height="{height}"/></svg>'
LINE = "A line of text that fills the page above the exhibits and says nothing else at all.\n\n"


def note(**given: Any) -> dict[str, Any]:
    return {"anchor": "a", "page": 1, "left": 600.0, "lead": 0.0, "figure": 230.0, "drawing": 200.0, "table": 0.0} | given


def text(words: str) -> NotebookNode:
    return NotebookNode(cell_type="markdown", metadata=NotebookNode(chapter="one"), source=words)


def shown(kind: str, **data: Any) -> NotebookNode:
    output = NotebookNode(output_type="display_data", metadata=NotebookNode(), data=NotebookNode({kind: data}))
    return NotebookNode(cell_type="code", metadata=NotebookNode(chapter="one"), source="", outputs=[output], execution_count=1)


def figure(number: str, height: int = 200) -> NotebookNode:
    alt = "A black rectangle."
    return shown(
        FIGURE_TYPE,
        anchor=f"figure-{number}",
        number=f"Figure {number}",
        caption=f"Caption{number}.",
        alt=alt,
        svg=SVG.format(height=height),
    )


def table(number: str, rows: int, notes: Sequence[str] = ()) -> NotebookNode:
    columns = [{"heading": "Site", "units": "", "align": "left"}, {"heading": "Fish", "units": "per hour", "align": "right"}]
    cells = [[f"row {place} of {number}", f"{place}"] for place in range(1, rows + 1)]
    given = {"columns": columns, "rows": cells, "notes": list(notes), "shades": None}
    return shown(TABLE_TYPE, anchor=f"table-{number}", number=f"Table {number}", caption="Fish of a site.", **given)


def pdf_of(cells: Sequence[NotebookNode]) -> bytes:
    cells[0].metadata["opens"] = cells[-1].metadata["closes"] = True
    document = Document(
        title="Report",
        water="Alder",
        region="",
        season=2025,
        author="",
        language="en",
        units="metric",
        folder=Path.cwd(),
        notebook=NotebookNode(nbformat=4, nbformat_minor=5, metadata=NotebookNode(), cells=list(cells)),
        sections=[Section("one", "1", "Chapter", "chapter-one")],
    )
    return render_pdf(document)


def pages(cells: Sequence[NotebookNode]) -> list[str]:
    return [page.extract_text() for page in pypdf.PdfReader(io.BytesIO(pdf_of(cells))).pages]


def where(found: Sequence[str], words: str) -> tuple[int, int]:
    """Page, and place on it, where the words stand for the first time."""
    return next((number, page.index(words)) for number, page in enumerate(found) if words in page)


def test_a_drawing_shrinks_before_it_moves() -> None:
    assert choose(note(left=600.0)) == Choice()
    assert choose(note(left=238.0)).share == pytest.approx(0.95, abs=0.002)  # 238 - 18 points above are 10 of 200 too few
    assert choose(note(left=150.0)) == Choice()
    assert choose(note(left=218.0, lead=40.0)) == Choice()  # 134 points for 230
    assert choose(note(left=150.0), 0.8) == Choice(0.8)


def test_a_table_comes_first_where_only_that_fits() -> None:
    assert choose(note(left=150.0, table=120.0)) == Choice(first=True)
    assert choose(note(left=150.0, table=140.0)) == Choice()
    assert choose(note(left=200.0, table=900.0)) == Choice(first=True)  # it is torn
    assert choose(note(left=238.0, table=120.0)).first is False  # a little smaller is better than turned round


def test_what_stays_empty() -> None:
    assert empty(note(left=600.0), Choice()) == 0.0
    assert empty(note(left=158.0), Choice()) == pytest.approx(0.2)
    assert empty(note(left=158.0, table=105.0), Choice(first=True)) == pytest.approx(0.05)


def test_drawings_are_chosen_for_in_order() -> None:
    """Two drawings: the room of the second is told rightly only after the first has been chosen for."""
    asked: list[Chosen] = []

    def lay_out(chosen: Chosen) -> list[dict[str, Any]]:
        asked.append(chosen)
        first = chosen.drawings.get("a", Choice(chosen.share))
        left = 470.0 if first.share < 1 else 999.0
        notes = [note(left=238.0), note(anchor="b", left=left - 232.0 if left < 999 else 100.0)]
        return [*notes, {"chapter": "one", "page": 1, "y": 700.0}]

    chosen = choose_drawings(lay_out)
    assert chosen.drawings["a"].share == pytest.approx(0.95, abs=0.002)
    assert chosen.drawings["b"].share == pytest.approx(0.95, abs=0.002)
    assert {one.share for one in asked} == set(SIZES)


def test_a_report_without_drawings_is_laid_out_once() -> None:
    asked: list[Chosen] = []

    def lay_out(chosen: Chosen) -> list[dict[str, Any]]:
        asked.append(chosen)
        return [{"chapter": "one", "page": 1, "y": 700.0}]

    assert choose_drawings(lay_out) == Chosen()
    assert len(asked) == 1


def test_what_announces() -> None:
    assert announces(read_prose("## Catch\n\nOne sentence.", "x"))
    assert announces(read_prose("## Catch", "x"))
    assert not announces(read_prose("One sentence.", "x"))
    assert not announces(read_prose("## Catch\n\n- a list", "x"))
    assert not announces(read_prose("## Catch\n\n" + "word " * 200, "x"))
    assert not announces([])


def test_pairs() -> None:
    pairing = Pairing()
    assert pairing.lead("{heading}") == ""
    assert pairing.hold("drawing(1)", "drawing") == ""
    assert pairing.hold("data-table(1)", "table") == "#with-drawing(chosen, drawing(1), lead: {heading}, table: data-table(1))"
    assert pairing.hold("drawing(2)", "drawing") == ""
    assert pairing.hold("drawing(3)", "drawing") == "#with-drawing(chosen, drawing(2))\n"
    assert pairing.hold("data-table(2)", "turned") == "#with-drawing(chosen, drawing(3))\n#data-table(2)"
    assert pairing.lead("{heading}") == ""
    assert pairing.release("#text") == "#{heading}\n#text"
    assert pairing.release("#text") == "#text"


@pytest.mark.pdf
@pytest.mark.parametrize("lines", [0, 8, 12, 14, 16, 18, 20, 22, 24, 26])
def test_exhibits_stay_in_their_section_and_with_their_heading(lines: int) -> None:
    cells = [
        text(LINE * lines + "Last line above."),
        text("## First heading\n\nAnnounced."),
        figure("1"),
        table("1", 5),
        figure("2"),
        text("## Second heading\n\nAlso announced."),
        figure("3", height=400),
        text("## Third heading"),
        table("3", 30),
    ]
    found = pages(cells)
    places = {
        words: where(found, words)
        for words in ("Last line", "First heading", "Announced", "Figure 1", "Table 1", "Figure 2", "Second heading", "Figure 3")
    }
    assert places["Last line"] < places["First heading"] < places["Announced"]
    exhibits = [places["Figure 1"], places["Table 1"]]
    assert places["Announced"] < min(exhibits)
    assert max(exhibits) < places["Figure 2"] < places["Second heading"] < places["Figure 3"] < where(found, "Third heading")
    assert places["First heading"][0] == places["Announced"][0] == min(exhibits)[0]
    assert places["Second heading"][0] == places["Figure 3"][0]
    assert where(found, "Third heading")[0] == where(found, "row 3 of 3")[0]


@pytest.mark.pdf
@pytest.mark.parametrize("lines", range(0, 26, 2))
def test_a_table_over_pages_is_named_again_and_keeps_three_rows_and_its_notes(lines: int) -> None:
    found = pages([text(LINE * lines + "Last line above."), table("1", 33, ["A note that belongs to the rows."])])
    parts = [(number, re.findall(r"^row \d+", page, re.MULTILINE)) for number, page in enumerate(found)]
    parts = [part for part in parts if part[1]]
    assert sum(len(rows) for _, rows in parts) == 33
    assert all(len(rows) >= 3 for _, rows in parts)
    assert "A note that belongs" in found[parts[-1][0]]
    assert "Table 1." in found[parts[0][0]]
    for place, (number, _) in enumerate(parts):
        assert ("Table 1, continued" in found[number]) == (place > 0)
        assert "per hour" in found[number]


@pytest.mark.pdf
@pytest.mark.parametrize(("rows", "words", "notes"), [(8, 600, 1), (8, 5, 2500), (2, 900, 1), (4, 600, 1), (1, 5, 2500)])
def test_rows_or_notes_too_tall_to_be_kept_together_are_all_there(rows: int, words: int, notes: int) -> None:
    """Three rows, or notes, that are taller than a page would run off it if they were kept together."""
    cell = table("1", rows, ["note " * notes + "last"])
    given = cell.outputs[0].data[TABLE_TYPE]
    given["columns"][1]["align"] = "left"
    given["rows"] = [[name, "word " * words + f"end{name.split()[1]}"] for name, _ in given["rows"]]
    reader = pypdf.PdfReader(io.BytesIO(pdf_of([text(LINE), cell])))
    heights: list[float] = []

    def note_height(shown: str, to_page: list[float], to_line: list[float], *_: object) -> None:
        if shown.strip():
            heights.append(to_line[4] * to_page[1] + to_line[5] * to_page[3] + to_page[5])

    for page in reader.pages:
        page.extract_text(visitor_text=note_height)
    found = "".join(page.extract_text() for page in reader.pages)
    assert all(f"end{row}" in found for row in range(1, rows + 1))
    assert found.count("note") >= notes
    assert min(heights) > 0.0


def positions(pdf: bytes) -> list[tuple[str, float, float]]:
    """Each piece of text with where it begins on its page, in points from the left and from below."""
    found: list[tuple[str, float, float]] = []

    def keep(shown: str, to_page: list[float], to_line: list[float], *_: object) -> None:
        if shown.strip():
            across = to_line[4] * to_page[0] + to_line[5] * to_page[2] + to_page[4]
            found.append((shown.strip(), across, to_line[4] * to_page[1] + to_line[5] * to_page[3] + to_page[5]))

    for page in pypdf.PdfReader(io.BytesIO(pdf)).pages:
        page.extract_text(visitor_text=keep)
    return found


@pytest.mark.pdf
def test_notes_do_not_widen_the_columns_above_them() -> None:
    """The last column stands as far from the others with a long note as without."""

    def last_column(notes: Sequence[str]) -> float:
        return next(across for shown, across, _ in positions(pdf_of([text(LINE), table("1", 20, notes)])) if shown == "Fish")

    alone = last_column([])
    assert alone < 250
    assert last_column(["A long note on the rows. " * 12]) == pytest.approx(alone, abs=0.5)


@pytest.mark.pdf
@pytest.mark.parametrize("count", [4, 5])
def test_an_interval_stays_on_one_line(count: int) -> None:
    cell = table("1", 9)
    given = cell.outputs[0].data[TABLE_TYPE]
    given["columns"] = [{"heading": f"Heading {at}", "units": "", "align": "right"} for at in range(count)]
    given["rows"] = [[f"{row}9,600 (16,700 to 23,00{row})"] * count for row in range(1, 10)]
    found = "\n".join(page.extract_text() for page in pypdf.PdfReader(io.BytesIO(pdf_of([text(LINE), cell]))).pages)
    assert all(found.count(f"(16,700 to 23,00{row})") == count for row in range(1, 10))


@pytest.mark.pdf
@pytest.mark.parametrize("lines", range(4, 26, 3))
def test_the_first_group_of_rows_and_the_last_are_kept_whole(lines: int) -> None:
    cell = table("1", 18, ["A note that belongs to the rows."])
    given = cell.outputs[0].data[TABLE_TYPE]
    names = ["Perch"] * 6 + ["Pike"] * 7 + ["Roach"] * 5
    given["rows"] = [[name, row[1]] for name, row in zip(names, given["rows"], strict=True)]
    found = pages([text(LINE * lines + "Last line above."), cell])
    counts = [[page.count(name) for page in found if name in page] for name in ("Perch", "Roach")]
    assert counts == [[6], [5]]


@pytest.mark.pdf
def test_the_same_document_gives_the_same_bytes() -> None:
    def once() -> bytes:
        return pdf_of([text(LINE * 20), figure("1"), table("1", 20), figure("2")])

    assert once() == once()
