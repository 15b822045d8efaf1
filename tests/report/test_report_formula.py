"""Formulas: the tree, what is said, what is written, what is refused."""

from __future__ import annotations

import xml.etree.ElementTree as ElementTree

import pytest
import typst

from fishreport.exceptions import ReportError
from fishreport.report.formula import read_formula, speak
from fishreport.report.formula_signs import GREEK, OPERATORS
from fishreport.report.formula_writers import formula_mathml, formula_typst
from fishreport.report.typst_text import font_folder

FORMULAS = [
    r"W_r = 100 \times \frac{W}{W_s}",
    r"\log_{10} W = a + b \log_{10} L",
    r"\hat{N} = \frac{(M+1)(C+1)}{R+1} - 1",
    r"L_t = L_\infty \left(1 - e^{-K(t - t_0)}\right)",
    r"\bar{x} \pm 1.96\,\sqrt{\frac{s^2}{n}}",
    r"\sum_{i=1}^{n} x_i^2 \cdot \text{fish per hour}",
    r"PSD = 100 \frac{n(\text{quality}, x)}{n_{\text{stock}}}",
    r"\left\{ \binom{n}{k} p^k \right.",
    r"\sqrt[3]{x'} \le 12\%",
    r"f(x; a, b) = [0, 1), \lvert x \rvert",
    r"\operatorname{logit}(p) = \ln\left(\frac{p}{1-p}\right)",
    r"\prod_{j} \tilde{\theta}_j \propto \exp(-\lambda t), \max_i x_i",
    r'\text{a # b & c \$ d \_ \{e\} "f" ]}',
]


@pytest.mark.parametrize(
    ("source", "words"),
    [
        (r"\frac{a}{b}", "the fraction a over b, end fraction"),
        (r"x_i^2", "x sub i squared"),
        (r"\log_{10} W", "the log sub 10 of W"),
        (r"\sum_{i=1}^n x_i", "the sum from i equals 1 to n of x sub i"),
        (r"\hat\beta \approx 0.5", "beta hat is about 0.5"),
        (r"\sqrt{n}", "the square root of n, end root"),
    ],
)
def test_speech(source: str, words: str) -> None:
    assert speak(read_formula(source)) == words


@pytest.mark.parametrize("source", FORMULAS)
def test_mathml_is_well_formed_and_says_what_it_is(source: str) -> None:
    element = ElementTree.fromstring(formula_mathml(source, block=True))
    assert element.tag == "math"
    assert element.get("display") == "block"
    assert element.get("aria-label")


def test_fixed_numbers_of_children() -> None:
    """MathML Core: mfrac and msup take two children, msubsup three (W3C MathML Core, sections 3.3.2 and 3.4.1)."""
    root = ElementTree.fromstring(formula_mathml(r"\frac{a + b}{c d} x_{i j}^{2 k} \ln x^{\ln y} \hat{ab}", block=False))
    wanted = {"mfrac": 2, "msup": 2, "msub": 2, "msubsup": 3, "mover": 2, "mroot": 2}
    seen = set()
    for element in root.iter():
        if element.tag in wanted:
            seen.add(element.tag)
            assert len(element) == wanted[element.tag], element.tag
    assert {"mfrac", "msup", "msubsup", "mover"} <= seen


def test_typst_sets_every_formula_with_an_alternative() -> None:
    """One document with all formulas, every Greek letter and every operator; PDF/UA-1 refuses an equation without alternative."""
    signs = [f"\\{name} x" for name in (*GREEK, *OPERATORS) if name.isalpha()]
    calls = "\n".join("#" + formula_typst(source, block=True) for source in (*FORMULAS, *signs))
    source = f'#set document(title: "formulas")\n#set text(font: "DejaVu Sans", lang: "en")\n{calls}'
    compiler = typst.Compiler(source.encode(), font_paths=[str(font_folder())], ignore_system_fonts=True)
    pdf, warnings = compiler.compile_with_warnings(format="pdf", pdf_standards=["ua-1"], timestamp=0)
    assert pdf.startswith(b"%PDF")
    assert warnings == []


@pytest.mark.parametrize(
    ("source", "named"),
    [
        (r"\begin{matrix}a\end{matrix}", r"\begin"),
        (r"x = \frob{y}", r"\frob"),
        (r"\input{/etc/passwd}", r"\input"),
        (r"\frac{a}", "missing"),
        (r"x_a_b", "two subscripts"),
        (r"{x", "missing"),
        (r"x}", "}"),
        (r"\left( x", r"\right"),
        (r"\text{\frob}", r"\frob"),
        (r"x & y", "&"),
        (r" ", "empty"),
        ("{" * 200 + "x" + "}" * 200, "nested"),
    ],
)
def test_refused_with_its_name(source: str, named: str) -> None:
    with pytest.raises(ReportError) as refused:
        read_formula(source)
    assert named in str(refused.value)


@pytest.mark.parametrize("text", ['"); #panic("x', "#import", "\\", "]$", 'a"b\\c'])
def test_text_in_a_formula_stays_text(text: str) -> None:
    escaped = text.replace("\\", "").replace("#", r"\#").replace("$", r"\$").replace("{", r"\{").replace("}", r"\}")
    call = formula_typst(rf"x \text{{{escaped}}}", block=False)
    source = f'#set document(title: "t")\n#set text(font: "DejaVu Sans", lang: "en")\n#{call}'
    compiler = typst.Compiler(source.encode(), font_paths=[str(font_folder())], ignore_system_fonts=True)
    assert compiler.compile(format="pdf", pdf_standards=["ua-1"], timestamp=0).startswith(b"%PDF")
