"""Formulas written as MathML (for the HTML) and as Typst mathematics (for the PDF)."""

from __future__ import annotations

from html import escape

from fishreport.report.formula import Accent, Fence, Fraction, Node, Root, Row, Scripts, Sign, Space, read_formula, speak

_MARKS = {"hat": "^", "bar": "‾", "tilde": "~", "dot": "˙", "double dot": "¨", "vector": "→"}
_TYPST_MARKS = {"hat": "hat", "bar": "overline", "tilde": "tilde", "dot": "dot", "double dot": "dot.double", "vector": "arrow"}
_STRETCHES_NOT = "()[]{}|"


def _mathml(node: Node) -> str:
    match node:
        case Sign(text=text, kind=kind):
            shown = escape(text)
            if kind == "letter":
                return f"<mi>{shown}</mi>"
            if kind == "number":
                return f"<mn>{shown}</mn>"
            if kind == "function":
                return f'<mi mathvariant="normal">{shown}</mi><mo>&#x2061;</mo>'
            if kind == "text":
                return f"<mtext>{shown}</mtext>"
            plain = ' stretchy="false"' if text in _STRETCHES_NOT else ""
            return f"<mo{plain}>{shown}</mo>"
        case Space(quarters=quarters):
            return f'<mspace width="{quarters / 4:g}em"></mspace>' if quarters else ""
        case Row(items=items):
            return f"<mrow>{''.join(_mathml(item) for item in items)}</mrow>"
        case Fraction(above=above, below=below, bar=bar):
            line = "" if bar else ' linethickness="0"'
            return f"<mfrac{line}>{_one(above)}{_one(below)}</mfrac>"
        case Root(inside=inside, index=None):
            return f"<msqrt>{_mathml(inside)}</msqrt>"
        case Root(inside=inside, index=index) if index is not None:
            return f"<mroot>{_one(inside)}{_one(index)}</mroot>"
        case Scripts(base=base, below=below, above=above):
            over = isinstance(base, Sign) and (base.kind == "large" or base.text in ("min", "max", "lim")) and base.text != "∫"
            names = ("munder", "mover", "munderover") if over else ("msub", "msup", "msubsup")
            if below is not None and above is not None:
                return f"<{names[2]}>{_base(base)}{_one(below)}{_one(above)}</{names[2]}>"
            name, script = (names[0], below) if below is not None else (names[1], above)
            assert script is not None
            return f"<{name}>{_base(base)}{_one(script)}</{name}>"
        case Accent(mark=mark, base=base):
            return f'<mover accent="true">{_one(base)}<mo stretchy="{str(mark == "bar").lower()}">{_MARKS[mark]}</mo></mover>'
        case Fence(opening=opening, inside=inside, closing=closing):
            start = f"<mo>{escape(opening)}</mo>" if opening else ""
            stop = f"<mo>{escape(closing)}</mo>" if closing else ""
            return f"<mrow>{start}{_mathml(inside)}{stop}</mrow>"
    raise TypeError(type(node).__name__)


def _one(node: Node) -> str:
    """As one element, where MathML counts children."""
    return _mathml(node) if isinstance(node, Sign) and node.kind != "function" else f"<mrow>{_mathml(node)}</mrow>"


def _base(node: Node) -> str:
    if isinstance(node, Sign) and node.kind == "function":
        return f'<mi mathvariant="normal">{escape(node.text)}</mi>'
    return _one(node)


def formula_mathml(source: str, *, block: bool) -> str:
    """A formula as a MathML element with a text alternative."""
    tree = read_formula(source)
    display = "block" if block else "inline"
    words = escape(speak(tree), quote=True)
    return f'<math display="{display}" aria-label="{words}">{_mathml(tree)}</math>'


def _quoted(text: str) -> str:
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


def _typst(node: Node) -> str:
    match node:
        case Sign(text=text, kind=kind):
            if kind in ("letter", "number"):
                return text
            if kind == "function":
                return f"op({_quoted(text)})"
            if kind == "text":
                return f"upright({_quoted(text)})" if text.strip() else "#h(0.25em)"
            return f"\\{text}" if text in "#$_&{}()[]|,;:.!/*\"'%" else text
        case Space(quarters=quarters):
            return f"#h({quarters / 4:g}em)"
        case Row(items=items):
            return " ".join(_typst(item) for item in items)
        case Fraction(above=above, below=below, bar=bar):
            return f"frac({_argument(above)}, {_argument(below)})" if bar else f"binom({_argument(above)}, {_argument(below)})"
        case Root(inside=inside, index=None):
            return f"sqrt({_argument(inside)})"
        case Root(inside=inside, index=index) if index is not None:
            return f"root({_argument(index)}, {_argument(inside)})"
        case Scripts(base=base, below=below, above=above):
            over = isinstance(base, Sign) and base.kind == "large" and base.text != "∫"
            start = f"limits({_typst(base)})" if over else _argument(base)
            scripts = f", b: {_argument(below)}" if below is not None else ""
            scripts += f", t: {_argument(above)}" if above is not None else ""
            return f"attach({start}{scripts})"
        case Accent(mark=mark, base=base):
            if mark == "bar":
                return f"overline({_argument(base)})"
            return f"accent({_argument(base)}, {_TYPST_MARKS[mark]})"
        case Fence(opening=opening, inside=inside, closing=closing):
            if isinstance(inside, Fraction) and not inside.bar:
                return _typst(inside)  # Typst's binom brings its own parentheses
            start = f"\\{opening}" if opening else ""
            stop = f"\\{closing}" if closing else ""
            return f"lr({start} {_argument(inside)} {stop})"
    raise TypeError(type(node).__name__)


def _argument(node: Node) -> str:
    # An empty argument would be a missing one.
    return _typst(node) or '""'


def formula_typst(source: str, *, block: bool) -> str:
    """A formula as a Typst call (code mode) with a text alternative."""
    tree = read_formula(source)
    return f"math.equation(block: {str(block).lower()}, alt: {_quoted(speak(tree))}, ${_typst(tree)}$.body)"
