"""Narrative text: what is known in both formats, and what is refused."""

from __future__ import annotations

from pathlib import Path

import pytest
import typst
from bs4 import BeautifulSoup

from fishreport.exceptions import ReportError
from fishreport.report.prose import Levels, plain_text, read_prose
from fishreport.report.prose_writers import Place, write_html, write_typst
from fishreport.report.typst_text import drawable, font_folder, literal

EVERYTHING = """# One

A *word*, a **word**, `code`, [a link](https://example.org/?a=1&b=2), an end.\\
New line, 5 < 6 & 7, $x_i$ fish, it costs $5 and $10.

### Three

1. first
2. second
   - inner

> quoted

```
#panic("code") <b>
```

| Left | Right |
|:-----|------:|
| a    |     1 |

---

$$\\frac{a}{b}$$

See {figure:catch}.
"""


def place(folder: Path) -> Place:
    return Place("summary.md", lambda kind, label: (f"{kind}-{label}", f"{kind.capitalize()} 2.1"), folder)


def compile_typst(code: str, folder: Path) -> bytes:
    style = (Path(__file__).parents[2] / "templates" / "typst" / "style.typ").read_text(encoding="utf-8")
    head = (
        '#set document(title: "t")\n#set text(font: "DejaVu Sans", lang: "en")\n#show raw: set text(font: "DejaVu Sans Mono")\n'
    )
    main = folder / "main.typ"
    main.write_text(f"{style}\n{head}= Chapter\n#[a]<figure-catch>\n#{code}", encoding="utf-8")
    compiler = typst.Compiler(str(main), root=str(folder), font_paths=[str(font_folder())], ignore_system_fonts=True)
    pdf = compiler.compile(format="pdf", pdf_standards=["ua-1"], timestamp=0)
    assert isinstance(pdf, bytes)
    return pdf


def test_html_of_everything(tmp_path: Path) -> None:
    page = BeautifulSoup(write_html(read_prose(EVERYTHING, "summary.md"), place(tmp_path)), "html.parser")
    assert [heading.name for heading in page.find_all(["h1", "h2", "h3", "h4"])] == ["h3", "h4"]  # no gap, no h1
    assert page.find("em").text == page.find("strong").text == "word"
    assert page.find("a")["href"] == "https://example.org/?a=1&b=2"
    assert "5 < 6 & 7" in page.text
    assert "it costs $5 and $10." in page.text
    assert len(page.find_all("math")) == 2
    assert page.find("a", class_="reference")["href"] == "#figure-catch"
    assert page.find("a", class_="reference").text == "Figure 2.1"
    assert [cell["scope"] for cell in page.find_all("th")] == ["col", "col"]
    assert page.find("li").find("p") is None
    assert '#panic("code") <b>' in page.find("pre").text


def test_typst_of_everything_compiles(tmp_path: Path) -> None:
    code = write_typst(read_prose(EVERYTHING, "summary.md"), place(tmp_path), lambda path: path.name)
    assert compile_typst(code, tmp_path).startswith(b"%PDF")


@pytest.mark.parametrize(
    "text", ["#panic()", "*a* _b_ \\", "]", "}); panic(", '" + panic() + "', "= not a heading", "$", "@ref < l >"]
)
def test_text_never_becomes_markup(text: str, tmp_path: Path) -> None:
    assert write_typst([{"type": "text", "raw": text}], place(tmp_path), str) == "{text(" + literal(text) + ")}"
    code = write_typst(read_prose(text.replace("*", r"\*").replace("_", r"\_"), "x"), place(tmp_path), str)
    assert compile_typst(code, tmp_path).startswith(b"%PDF")


@pytest.mark.parametrize(
    ("text", "named"),
    [
        ("<script>alert(1)</script>", "raw HTML"),
        ("a <b>bold</b> word", "raw HTML"),
        ("[x](javascript:alert)", "javascript"),
        ("[x](file:///etc/passwd)", "file"),
        ("$\\frob$", "\\frob"),
        ("![a picture of fish](../outside.png)", "inside the folder "),
        ("![a picture of fish](https://example.org/x.png)", "inside the folder "),
        ("![a picture of fish](missing.png)", "no image"),
        ("![a picture of fish](note.txt)", "one of"),
        ("![](there.png)", "says what it shows"),
    ],
)
def test_refusals_name_the_file(text: str, named: str, tmp_path: Path) -> None:
    (tmp_path / "study").mkdir()
    (tmp_path / "outside.png").write_bytes(b"x")
    (tmp_path / "study" / "there.png").write_bytes(b"x")
    with pytest.raises(ReportError) as refused:
        write_html(
            read_prose(text, "narrative/summary.md"), Place("narrative/summary.md", lambda *_: ("", ""), tmp_path / "study")
        )
    assert str(refused.value).startswith("narrative/summary.md: ")
    assert named in str(refused.value)


def test_image_of_the_study_is_carried_along(tmp_path: Path) -> None:
    svg = '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 4 3"><rect width="4" height="3"/></svg>'
    (tmp_path / "map.svg").write_text(svg, encoding="utf-8")
    tokens = read_prose("![A map of the twelve sites](map.svg)", "x")
    page = BeautifulSoup(write_html(tokens, place(tmp_path)), "html.parser")
    assert page.img["src"].startswith("data:image/svg+xml;base64,")
    assert page.img["alt"] == "A map of the twelve sites"
    code = write_typst(tokens, place(tmp_path), lambda path: f"/{path.name}")
    assert compile_typst(code, tmp_path).startswith(b"%PDF")


def test_levels_have_no_gap() -> None:
    levels = Levels()
    levels.enter(1)
    assert [levels.place(level) for level in (4, 2, 3, 6, 1)] == [2, 2, 3, 4, 2]


def test_comments_are_left_out(tmp_path: Path) -> None:
    tokens = read_prose("<!-- say who\nwas there -->\n\nA word<!-- or two -->.", "x")
    assert write_html(tokens, place(tmp_path)) == "<p>A word.</p>\n"


def test_plain_text() -> None:
    assert plain_text(read_prose("a *b* `c`\nd", "x")[0]["children"]) == "a b c d"


def test_undrawable_characters_become_squares() -> None:
    """DejaVu Sans has Greek, arrows and accents, and neither Chinese nor emoji."""
    assert drawable("a α → é") == "a α → é"
    assert drawable("漢 🐟\x00") == "□ □"
    assert drawable("é") == "é"
