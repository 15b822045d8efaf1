"""The author's Markdown and its formulas as hostile input, written as HTML and as Typst."""

from __future__ import annotations

import random
import struct
import tempfile
import zlib
from functools import lru_cache
from pathlib import Path
from xml.etree import ElementTree

from ground import Case, Escape, Surface, Wrong
from material import WORD, any_text, damage_text
from page_reader import check_page, check_typst_code, squeezed

from fishreport.report.formula_signs import ACCENTS, FUNCTIONS, GREEK, LARGE, OPERATORS, SPACES, UPRIGHT
from fishreport.report.formula_writers import formula_mathml, formula_typst
from fishreport.report.prose import plain_text, read_prose, seen
from fishreport.report.prose_writers import Place, write_html, write_typst
from fishreport.report.typst_text import FONT, MONO, font_folder
from fishreport.resources import locate

SOUND = """# Summary

The catch *held* **steady**, $W_r = 100 \\times \\frac{W}{W_s}$; see [the plan](https://example.org/plan).

## Advice

1. Keep the rule.
2. Age more fish:
   - old ones
   - `young` ones

> Said by the crew.

| site | catch |
|------|------:|
| Weir | 20    |

```
a listing
```

$$\\hat{N} = \\frac{(M + 1)(C + 1)}{R + 1} - 1$$

![A map of the sites](map.png)
"""
_LINKS = (
    "javascript:alert(1)", "JaVaScRiPt:alert(1)", "&#106;avascript:alert(1)", "java\tscript:alert(1)", " javascript:x", "data:text/html,x",
    "vbscript:x", "//127.0.0.1/x", "file:///etc/passwd", "https://example.org/\"onclick=x", "https://example.org/'><b>", "http://[::1",
    "mailto:a@b?subject=<script>", "#", "#x\" onclick=\"y", "https://example.org/%00", "https://\u202egro.elpmaxe", "../secret.txt",
)  # fmt: skip
_IMAGES = (
    "map.png", "../elsewhere/secret.png", "link.png", "study.toml", "map.svg", "/etc/passwd", "data:image/png;base64,AAAA",
    "https://example.org/x.png", "map.png\0", "m" * 5000 + ".png", "empty.png", "bomb.svg", "folder.png", "%2e%2e/elsewhere/secret.png",
)  # fmt: skip


def _chunk(kind: bytes, content: bytes) -> bytes:
    return struct.pack(">I", len(content)) + kind + content + struct.pack(">I", zlib.crc32(kind + content))


# One grey point, as the standard writes it (ISO/IEC 15948).
_PNG = (
    b"\x89PNG\r\n\x1a\n"
    + _chunk(b"IHDR", struct.pack(">IIBBBBB", 1, 1, 8, 0, 0, 0, 0))
    + _chunk(b"IDAT", zlib.compress(b"\0\x80"))
    + _chunk(b"IEND", b"")
)


def _inline(chance: random.Random, depth: int = 0) -> str:
    text = any_text(chance).replace("\n", " ")
    inner = text if depth > 3 else _inline(chance, depth + 1)
    match chance.randrange(11):
        case 0:
            return f"[{inner}]({chance.choice(_LINKS)})"
        case 1:
            return f"![{inner}]({chance.choice(_IMAGES)})"
        case 2:
            return f"**{inner}**"
        case 3:
            return f"*{inner}*"
        case 4:
            return f"`{text}`"
        case 5:
            return f"<{chance.choice((*_LINKS, 'https://example.org/' + WORD))}>"
        case 6:
            return f"${any_formula(chance)}$"
        case 7:
            return f'[{inner}][{WORD}]\n\n[{WORD}]: {chance.choice(_LINKS)} "{text}"\n\n'
        case _:
            return text


def any_markdown(chance: random.Random) -> str:
    """A piece of Markdown with hostile insides."""
    parts = []
    for _ in range(chance.randint(1, 5)):
        line = " ".join(_inline(chance) for _ in range(chance.randint(1, 3)))
        match chance.randrange(12):
            case 0:
                parts.append(f"{'#' * chance.randint(1, 7)} {line}")
            case 1:
                parts.append(
                    "\n".join(
                        f"{'  ' * chance.randrange(4)}{chance.choice(('-', '*', '1.', '999999999.'))} {_inline(chance)}"
                        for _ in range(4)
                    )
                )
            case 2:
                parts.append("\n".join(f"> {_inline(chance)}" for _ in range(2)))
            case 3:
                cells = " | ".join(_inline(chance).replace("\n", " ") for _ in range(2))
                parts.append(f"| a | b |\n|---|:-:|\n| {cells} |\n| {cells} | x | y |")
            case 4:
                parts.append(f"```{any_text(chance)}\n{any_text(chance)}\n```")
            case 5:
                parts.append(f"$$\n{any_formula(chance)}\n$$")
            case 6:
                deep = chance.choice((7, 40, 400, 3000))
                parts.append(
                    chance.choice(
                        (
                            "> " * deep + line,
                            "*" * deep + line + "*" * deep,
                            "[" * deep + line,
                            "- " * deep + "x",
                            "(" * deep,
                            "![" * deep,
                            "<" * deep,
                            "_a" * deep,
                            "`" * deep + "a",
                        )
                    )
                )
            case 7:
                parts.append(
                    chance.choice(
                        (
                            "---",
                            "***",
                            "&nbsp;&lt;b&gt;&#60;i&#62;",
                            "a  \nb",
                            "\\<b\\>",
                            "<!-- fine -->",
                            "<!-- --> <b>x</b> -->",
                            "Title\n=====",
                            "[^1]\n\n[^1]: note",
                            "~~x~~",
                            "==x==",
                        )
                    )
                )
            case _:
                parts.append(line)
    return "\n\n".join(parts)


_COMMANDS = (
    *(f"\\{name}" for names in (GREEK, OPERATORS, LARGE, FUNCTIONS, ACCENTS, SPACES, UPRIGHT) for name in names),
    "\\frac", "\\sqrt", "\\binom", "\\left", "\\right", "\\input", "\\def", "\\text", "\\begin{x}", "\\href", "\\mathbf", "\\\\",
)  # fmt: skip


def any_formula(chance: random.Random) -> str:
    """Something between a formula and garbage."""
    pieces = []
    for _ in range(chance.randint(1, 9)):
        match chance.randrange(9):
            case 0:
                pieces.append(chance.choice(_COMMANDS))
            case 1:
                pieces.append(f"{chance.choice(_COMMANDS)}{{{chance.choice('xyz12+')}}}")
            case 2:
                pieces.append(f"\\frac{{{chance.choice('ab')}}}{{{chance.choice('12')}}}")
            case 3:
                pieces.append(
                    chance.choice(
                        (
                            "^",
                            "_",
                            "{",
                            "}",
                            "&",
                            "%",
                            "#",
                            '"',
                            "$x",
                            "'",
                            "|",
                            "~",
                            "\\",
                            "<",
                            ">",
                            "\\{",
                            "\\}",
                            "/",
                            "@",
                            "`",
                            "//",
                            "/*",
                        )
                    )
                )
            case 4:
                pieces.append(f"\\text{{{any_text(chance)}}}" if chance.random() < 0.5 else any_text(chance))
            case 5:
                deep = chance.choice((3, 59, 70, 3000))
                pieces.append(
                    chance.choice(
                        (
                            "{" * deep + "x" + "}" * deep,
                            "\\sqrt{" * deep + "x" + "}" * deep,
                            "x^" * deep,
                            "\\left(" * deep + "\\right)" * deep,
                        )
                    )
                )
            case 6:
                pieces.append(f"{chance.choice('xyW')}_{{{chance.choice('ijk')}}}^{{{chance.choice('23n')}}}")
            case _:
                pieces.append(
                    chance.choice(("x", "N", "12.5", "+", "=", "(", ")", "[", "]", "α", "≤", "中", "x'", "ab", ",", ";", ":"))
                )
    return chance.choice((" ", "")).join(pieces)


@lru_cache(maxsize=1)
def _style() -> str:
    style = (locate("templates") / "typst" / "style.typ").read_text(encoding="utf-8")
    return f'{style}\n#show: report-style.with(title: "Case", season: 2025, language: "en", font: "{FONT}", mono: "{MONO}")\n'


def compile_typst(body: str, files: Path | None = None) -> bytes:
    """A body set in the report's style; Escape when Typst refuses what our writers wrote."""
    import typst

    with tempfile.TemporaryDirectory(prefix="fishreport-case-") as folder:
        root = Path(folder).resolve()
        for path in files.iterdir() if files is not None else ():
            (root / path.name).write_bytes(path.read_bytes())
        main = root / "main.typ"
        main.write_text(_style() + body, encoding="utf-8")
        compiler = typst.Compiler(str(main), root=str(root), font_paths=[str(font_folder())], ignore_system_fonts=True)
        try:
            pdf, _ = compiler.compile_with_warnings(format="pdf", pdf_standards=["ua-1"])
        except typst.TypstError as error:
            raise Escape(f"Typst refuses what was written: {error.message}: {body[:600]!r}") from None
    assert isinstance(pdf, bytes)
    return pdf


def _images(folder: Path) -> None:
    (folder / "map.png").write_bytes(_PNG)
    (folder / "empty.png").write_bytes(b"")
    (folder / "map.svg").write_text(f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 1 1"><script>{WORD}()</script></svg>')
    (folder / "bomb.svg").write_text(
        '<!DOCTYPE x [<!ENTITY a "aa"><!ENTITY b "&a;&a;">]><svg xmlns="http://www.w3.org/2000/svg">&b;</svg>'
    )
    (folder / "folder.png").mkdir()
    elsewhere = folder.parent / "elsewhere"
    elsewhere.mkdir()
    (elsewhere / "secret.png").write_bytes(_PNG + b"kept-outside-the-study-4711")
    (folder / "link.png").symlink_to(elsewhere / "secret.png")


def _no_reference(kind: str, label: str) -> tuple[str, str]:
    return "", f"a {kind} that this report leaves out"


def write_both(case: Case, text: str) -> str:
    """Write a narrative in both formats and look at what came out."""
    folder = case.study.resolve()
    _images(folder)
    used = case.folder / "used"
    used.mkdir()

    def add_file(path: Path) -> str:
        if not path.is_relative_to(folder):
            raise Escape(f"an image outside the study was taken: {path}")
        name = f"image-{len(list(used.iterdir()))}{path.suffix}"
        (used / name).write_bytes(path.read_bytes())
        return f"/{name}"

    tokens = read_prose(text, "summary.md")
    page = write_html(tokens, Place("summary.md", _no_reference, folder))
    shown = squeezed(check_page(page, whole=False))
    source = write_typst(tokens, Place("summary.md", _no_reference, folder), add_file)
    if "$" not in text:
        check_typst_code(source)
    meant = squeezed(plain_text(tokens))
    if "$" not in text and "![" not in text and "{" not in text and meant not in shown:
        at = next((i for i in range(len(meant)) if meant[: i + 1] not in shown), 0)
        raise Wrong(f"text was lost from the page near {meant[max(0, at - 30) : at + 30]!r}")
    if case.chance.random() < 0.25 or "$" in text:
        compile_typst(f"= One\n#{source}\n", used)
    return "taken"


def narrative_made(case: Case) -> str:
    """Markdown put together from hostile pieces."""
    return write_both(case, any_markdown(case.chance))


def narrative_damaged(case: Case) -> str:
    """Sound Markdown, damaged."""
    return write_both(case, damage_text(case.chance, SOUND))


def narrative_large(case: Case) -> str:
    """Huge, deep or pathological Markdown."""
    chance = case.chance
    many = chance.choice((300, 3000, 20000))
    text = chance.choice(
        (
            "a **" * many, "[a](" * many, "`" * many + " a", "> " * many + "a", "- " * many + "a", "![a](b" * many, "$a" * many, "<!--" * many, "<a " * many,
            "a\n" * many, "| a " * many + "|\n" + "|-" * many + "|\n", "&#x" * many, "*a_" * many, "[[" * many + "]]" * many, "# " * many, "\\" * many,
            "1. a\n" * many, "{figure:" * many, "$$" * many, "```\n" * many, "  " * many + "a", "a" * many * 20, "_" * many + "a", "\u0301" * many,
            "".join(f"{'  ' * (i % 60)}- a\n" for i in range(many // 10)), "$" + "{" * many + "$", "$" + "x^{" * 55 + "}" * 55 + "$", "<" * many, "(" * many,
            "*" * many + "a" + "*" * many, "[a]: b\n" * many, "a  \n" * many, "&amp;" * many, f"{WORD} " * many, "~~~" * many,
        )
    )  # fmt: skip
    return write_both(case, text)


def formula(case: Case) -> str:
    """Formulas: MathML is well formed and holds only MathML; Typst takes what is written."""
    source = seen(any_formula(case.chance))
    for block in (False, True):
        mathml = formula_mathml(source, block=block)
        try:
            ElementTree.fromstring(mathml.replace("&#x2061;", ""))
        except ElementTree.ParseError as error:
            raise Escape(f"the MathML of {source!r} is not well formed: {error}") from None
        check_page(mathml, whole=False)
    compile_typst(f"= One\n#{{{formula_typst(source, block=True)}}}\n\n#par({formula_typst(source, block=False)})\n")
    return "taken"


SURFACES = (
    Surface("narrative, made", narrative_made, share=8, fixed=12),
    Surface("narrative, damaged", narrative_damaged, share=5, fixed=6),
    Surface("narrative, large", narrative_large, share=1, fixed=8, seconds=30),
    Surface("formulas", formula, share=5, fixed=12),
)
