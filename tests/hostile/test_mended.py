"""What hostile cases and faults have found, each once and by name."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import pytest
from page_reader import check_csv, check_drawing, check_page
from tiny import write_study

from fishreport import cli
from fishreport.analysis.result import Result
from fishreport.exceptions import ReportError, StudyError, UsageError
from fishreport.exhibits.exhibit import FIGURE_TYPE, RESULTS_TYPE, TABLE_TYPE
from fishreport.exhibits.style import drawing, style, to_svg
from fishreport.exhibits.units import format_number
from fishreport.methods.estimate import Estimate
from fishreport.report.assemble import anchor_name
from fishreport.report.bundle import check_bundle
from fishreport.report.cache import _seal, _unseal
from fishreport.report.formula_writers import formula_typst
from fishreport.report.picture_file import picture_fault
from fishreport.report.place import MARKER, Placing, files_of_others
from fishreport.report.prose import Levels, code_span, plain_text, read_prose
from fishreport.report.prose_writers import Place, find_image
from fishreport.report.svg import check_svg, inline_svg
from fishreport.report.tables import table_csv
from fishreport.study import parse_setting, read_study, species_key
from fishreport.terminal import visible


@pytest.mark.filterwarnings("ignore:Glyph")
@pytest.mark.parametrize("name", ["$\\frac{", "$x$ and $", "a\x07b", 'id="x" url(#a) href="#b"', "<b>&amp;</b>", "--> ]]>"])
def test_names_in_drawings_are_text(name: str) -> None:
    """Neither mathematics, nor an id to be renamed, nor mark-up."""
    with style():
        figure, axes = drawing()
        axes[0, 0].plot([0, 1], [0, 1], label=name)
        axes[0, 0].legend()
        svg = to_svg(figure)
    root = check_drawing(inline_svg(svg, "figure-a", "A line, for the test."))
    texts = ["".join(element.itertext()) for element in root.iter() if element.tag.endswith("text")]
    assert name.replace("\x07", "") in texts


@pytest.mark.parametrize(
    "inside",
    [
        "<text><!-- a --> b</text><g><![CDATA[<img src=x onerror=y>]]></g>",
        "<a href='https://example.org'><text>x</text></a>",
        "<image href='file:///x'/>",
        "<image href='data:image/svg+xml;base64,AAAA'/>",
        "<style>@import 'x';</style>",
        "<rect style='fill: url(https://example.org)'/>",
        "<animate attributeName='href'/>",
        "<rect title='a>b'/>",
        "<foreignObject/>",
        "<text>",
    ],
)
def test_a_drawing_holds_shapes_and_text_only(inside: str) -> None:
    with pytest.raises(ReportError, match="where: the drawing"):
        check_svg(f"<svg viewBox='0 0 1 1'>{inside}</svg>", "where")


def test_comments_of_drawings_end_nowhere_else_in_html() -> None:
    """To HTML the first comment ends at its third sign."""
    safe = inline_svg("<svg viewBox='0 0 1 1'><!--> <img src=x onerror=y> --><rect/></svg>", "a", "A square.")
    check_page(f"<p>{safe}</p>", whole=False)
    assert "<img" not in safe


def test_ids_of_results_never_meet() -> None:
    nothing = Estimate.not_estimable("none")
    sites = ("a/b", "a-b", "a%2Fb", "a%252Fb", "A/b", "50%")
    ids = {Result("catch_rate", nothing, 2025, "brown_trout", "all", site).id for site in sites}
    assert len(ids) == len(sites)
    assert "catch_rate/brown_trout/all/a%2Fb/2025" in ids and "catch_rate/brown_trout/all/50%/2025" in ids


def test_names_of_every_script_have_keys_and_anchors() -> None:
    assert species_key("Форель ручьевая") == "форель_ручьевая" and species_key("鱒") != species_key("鮎")
    anchors = [anchor_name("figure", name) for name in ("鱒", "鮎", "x" * 400, "x" * 401, "a b")]
    assert len(set(anchors)) == 5 and all(anchor.isascii() and len(anchor) < 140 for anchor in anchors)
    assert anchors[-1] == "figure-a-b"


def test_carriage_returns_do_not_end_rows() -> None:
    content = table_csv({"data": ({"comment": "a\rb\r\nc", "other": "\r=1+1"},)})
    assert check_csv(content, 2)[1] == ["a\nb\nc", "'\n=1+1"]
    assert len(list(csv.reader(io.StringIO(content.decode(), newline="")))) == 2


@pytest.mark.parametrize("text", ["<script>x</script>", "`", "``a`", "$x$ \\", "{figure:a}", "[a](javascript:x)", "a\n\n# b"])
def test_settings_stand_in_the_text_as_code(text: str) -> None:
    assert plain_text(read_prose(f"x {code_span(text)} y", "where")) == f"x {' '.join(text.split())} y"


def test_text_that_is_too_deep_long_or_full_of_controls() -> None:
    for deep in ("> " * 15 + "a", "".join(f"{'  ' * level}- a\n" for level in range(25))):
        with pytest.raises(ReportError, match="nested too deep"):
            read_prose(deep, "summary.md")
    with pytest.raises(ReportError, match="characters"):
        read_prose("a" * 2_000_001, "summary.md")
    assert plain_text(read_prose("a\x07\x1b[31mb\ufffe", "summary.md")) == "a[31mb"
    with pytest.raises(ReportError, match="empty"):
        formula_typst("\\,", block=True)
    with pytest.raises(ReportError) as caught:
        formula_typst("{" * 5000, block=True)
    assert len(str(caught.value)) < 300


def test_pictures_are_looked_at(tmp_path: Path) -> None:
    place = Place("summary.md", lambda kind, label: ("", ""), tmp_path.resolve(), Levels())

    def image(url: str) -> None:
        find_image(place, {"attrs": {"url": url}, "children": [{"type": "text", "raw": "A map of the sites"}]})

    for name, content in (("a.png", b"\x89PNG\r\n\x1a\n broken"), ("a.svg", b"<svg><script/></svg>"), ("b.svg", b"<svg>")):
        (tmp_path / name).write_bytes(content)
        assert picture_fault(tmp_path / name)
        with pytest.raises(ReportError, match="cannot be shown"):
            image(name)
    for url in ("m" * 5000 + ".png", "a.png%00", "../a.png"):
        with pytest.raises(ReportError, match=f"inside the folder {tmp_path.name}, ") as caught:
            image(url)
        assert len(str(caught.value)) < 300


def test_exhibits_of_the_wrong_shape_are_told_by_field() -> None:
    table = {"label": "a", "caption": "b", "columns": [{"heading": "x", "units": "", "align": "left"}], "rows": [["1", "2"]]}
    with pytest.raises(ReportError, match="chapter creel: a table 'a' cannot be set: every row needs 1 cells"):
        check_bundle({TABLE_TYPE: table}, "creel")
    with pytest.raises(ReportError, match="chapter creel: a figure 'a' cannot be set, alt: field required"):
        check_bundle({FIGURE_TYPE: {"label": "a", "caption": "b", "svg": ""}}, "creel")
    record = Result("catch_rate", Estimate(1.0, 0.1, 0.8, 1.2, 0.95, "fish/h", "m", 3), 2025).record()
    check_bundle({RESULTS_TYPE: {"results": [record]}}, "creel")
    with pytest.raises(ReportError, match="estimable just when it has a value"):
        check_bundle({RESULTS_TYPE: {"results": [{**record, "value": None}]}}, "creel")


def test_kept_work_of_another_shape_is_not_trusted(tmp_path: Path) -> None:
    path = tmp_path / "a.entry"
    for content in (
        {"format": 1},
        {"format": 1, "basis": 5, "reads": {}, "notebook": {}},
        {"format": 1, "basis": {"versions": {}}, "reads": {"nonsense:x": "y"}},
    ):
        path.write_bytes(_seal(content))
        assert _unseal(path) is None


def test_language_tags(tmp_path: Path) -> None:
    for tag in ("en-GB", "de", "zh-Hans-CN"):
        assert read_study(write_study(tmp_path), overrides={"report.language": tag}).report.language == tag
    for tag in ("english please", '"', "e", ""):
        with pytest.raises(StudyError, match="language tag"):
            read_study(tmp_path, overrides={"report.language": tag})


def test_settings_that_are_too_deep_or_count_oddly(tmp_path: Path) -> None:
    with pytest.raises(StudyError, match="nested too deep"):
        parse_setting(f"level={'[' * 5000}{']' * 5000}")
    with pytest.raises(StudyError, match="no item"):
        read_study(write_study(tmp_path), overrides={"report.chapters.²": "x"})
    many = {f"scenarios_{number}": 1 for number in range(500)}
    with pytest.raises(StudyError, match="500 faults") as caught:
        read_study(tmp_path, overrides=many)
    assert str(caught.value).endswith("and 480 more")


def test_numbers_too_large_for_the_usual_precision() -> None:
    assert format_number(1e30, decimals=1) == "1" + ",000" * 10 + ".0"
    assert format_number(1.5e308).startswith("150,000,000")


def test_a_terminal_shows_and_never_obeys(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    assert visible("\x1b[2J\u202eabc\udcff\n") == "\\x1b[2J\\u202eabc\\udcff\n"
    assert cli.main(["check", str(tmp_path / "\x1b[31mred")]) == 1
    said = capsys.readouterr().err
    assert "\x1b" not in said and "\\x1b[31mred" in said
    with pytest.raises(SystemExit):
        cli.main(["check", "x", "--frob\x1b[31m"])
    assert "\x1b" not in capsys.readouterr().err


def test_files_laid_into_a_report_are_known_from_its_own(tmp_path: Path) -> None:
    target = tmp_path / "report"
    with Placing(target, study="A") as placing:
        (placing.folder / "own.txt").write_text("")
        placing.finish()
    assert json.loads((target / MARKER).read_text())["files"] == ["own.txt"]
    assert files_of_others(target) == []
    (target / "Thumbs.db").write_text("")
    (target / "notes.txt").write_text("")
    assert files_of_others(target) == ["notes.txt"]
    with pytest.raises(UsageError, match=r"notes\.txt"), Placing(target, study="A") as placing:
        placing.finish()
    assert (target / "own.txt").exists() and (target / "notes.txt").exists()
